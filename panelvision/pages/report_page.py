"""The report: what goes into it, and the two files to take away."""

from datetime import date

import streamlit as st

from panelvision.cases.shop import may_be_told
from panelvision.errors import PanelvisionError
from panelvision.isolate import Stop
from panelvision.pages import session
from panelvision.pages.bench_page import observation_words, value_words
from panelvision.pages.links import go, link
from panelvision.pages.look import answer, tell_error
from panelvision.report import HOUSE_CAUTION, Report, ReportPhoto, report_html
from panelvision.words import ASSEMBLY_WORDS, SYMPTOM_WORDS, percent


def show() -> None:
    """The page."""
    st.title("Report for the customer")
    on_desk = session.desk()
    if on_desk.leading() is None and not on_desk.observations:
        st.markdown(
            "There is nothing to report yet. A photo of the screen or an observation comes first."
        )
        go("Photo", "Add a photo", icon=":material/photo_camera:", key="to-photo")
        return
    _who()
    try:
        report = make_report()
    except PanelvisionError as fault:
        tell_error(fault)
        return
    answer("The report says", report.verdict, *report.reasons[:3])
    for item, amount in report.prices:
        st.markdown(f"{item}: **{amount}**")
    _downloads(report)
    if not session.settings().shop:
        st.caption("The report carries no name of a shop yet.")
        link("Shop", "Enter the shop's name")


def _who() -> None:
    on_desk = session.desk()
    left, right = st.columns(2)
    name = left.text_input("Customer", on_desk.customer.name, max_chars=200, key="report-customer")
    label = right.text_input(
        "Set",
        on_desk.set.label,
        max_chars=200,
        placeholder="as you will find it again",
        key="report-set",
    )
    session.rename(customer=name, set_label=label)


def _downloads(report: Report) -> None:
    page = report_html(report)
    stem = "report" + (f"-{report.case_number}" if report.case_number else "")
    left, right = st.columns(2)
    left.download_button(
        "Save as web page",
        page,
        file_name=f"{stem}.html",
        mime="text/html",
        type="primary",
        width="stretch",
        on_click="ignore",
        icon=":material/download:",
    )
    right.download_button(
        "Save as PDF",
        _pdf(report),
        file_name=f"{stem}.pdf",
        mime="application/pdf",
        width="stretch",
        on_click="ignore",
        icon=":material/picture_as_pdf:",
    )
    if _set_badly(report):
        st.caption(
            "Some letters of this report are missing from the PDF or run the wrong way there: use "
            "the web page, which can be printed."
        )
    with st.expander("Look at it here", expanded=True):
        # Its own policy forbids scripts and requests, inside this frame too.
        st.iframe(page, height=700)


def _set_badly(report: Report) -> bool:
    from panelvision.report_pdf import sets_badly

    return sets_badly(report)


# Of this session alone, so that a customer's report goes when the browser does.
@st.cache_data(show_spinner="Setting the PDF", max_entries=4, ttl=600, scope="session")
def _pdf(report: Report) -> bytes:
    from panelvision.report_pdf import report_pdf

    return report_pdf(report)


def make_report(*, today: date | None = None) -> Report:
    """The report on the set on the bench, from this session's photos and observations."""
    on_desk = session.desk()
    bench = session.knowledge()
    shop = session.settings()
    advice = session.advice()
    tested = [
        (observation_words(name, bench), value_words(value))
        for name, value in on_desk.observations.items()
    ]
    verdict, reasons, prices = _verdict(advice.stop)
    day = today or date.today()
    return Report(
        shop=shop.shop,
        contact=shop.contact,
        customer=on_desk.customer.name,
        set_label=on_desk.set.label,
        case_number="" if on_desk.case is None else on_desk.case.id[:8],
        date=f"{day.day} {day:%B} {day.year}",
        photos=tuple(
            _photo(key, entry.answer)
            for key, entry in on_desk.entries.items()
            if entry.answer is not None and entry.answer.symptom != "not-a-screen"
        ),
        tested=tuple(tested),
        verdict=verdict,
        reasons=tuple(reasons),
        prices=tuple(prices),
        cautions=(HOUSE_CAUTION,),
    )


def _photo(key: str, found: session.Answer) -> ReportPhoto:
    words = SYMPTOM_WORDS[found.symptom]
    share = percent(found.probabilities[found.symptom])
    # Without an outline the view is a piece of the photo, of whatever stands there.
    dark = found.found and found.symptom in ("faint-image", "no-image")
    brought_out = "dark parts brought out"
    if found.symptom == "no-image":
        brought_out += ", no picture found"
    elif found.usable:
        brought_out = "faint picture brought out"
    return ReportPhoto(
        # What the photo leaves open is neither told nor drawn as if it were known.
        overlay=found.overlay if found.usable else found.shown,
        enhanced=session.plain_and_enhanced(key, 0.5)[1] if dark else None,
        headline=f"{words} ({share})" if found.usable else f"can't tell; best guess: {words}",
        sentences=tuple(f.sentence for f in found.findings) if found.usable else (),
        brought_out=brought_out,
    )


def _verdict(stop: Stop | None) -> tuple[str, list[str], list[tuple[str, str]]]:
    bench = session.knowledge()
    money = bench.economy.currency
    suspects = session.advice().suspects.assemblies
    lead, share = next(iter(suspects.items()))
    seen = session.desk().leading()
    if not session.desk().observations and seen is not None:
        # Nothing but photos, and these hold no fault or cannot be relied on: no part is blamed.
        if not seen.usable:
            return "Not settled yet", ["The photos do not show enough to say more."], []
        if seen.symptom == "normal":
            return (
                "No fault to be seen",
                ["The picture looks as it should. A fault that comes and goes may be missing."],
                [],
            )
    shop = session.settings()
    after = [f"Most likely so far: {ASSEMBLY_WORDS[lead]} ({percent(share)})."]
    if stop is None:
        test = session.advice().next_test
        if test is not None and (test.open or test.live):
            # Its name would suggest work inside, away from its cautions.
            after.append("The next test is made inside the set, in the workshop.")
        elif test is not None:
            after.append(f"The next test would be: {test.title}.")
        return "Not settled yet", after, []
    if stop.kind == "works":
        return "It works again", [stop.text], []
    if stop.part is None:
        if not stop.settled:
            return "Not settled yet", after, []
        worth = session.desk().set.worth
        if worth is None and "economy.set_value" in bench.given:
            worth = bench.economy.set_value
        than = "a set of this kind is usually worth"
        if worth is not None:
            than = f"this set is worth, about {money} {worth:.0f}"
        return stop.title, [f"A repair is expected to cost more than {than}."], []
    part = bench.parts[stop.part]
    minutes = bench.minutes_of(part)
    labour = bench.economy.labour_per_hour / 60 * minutes
    low, high = part.price
    # How it is done is the bench's business: the customer is asked not to open the set.
    reasons = [f"It is {percent(stop.probability)} likely to be the cause."]
    work = (f"Work, about {minutes:.0f} minutes", f"{money} {labour:.0f}")
    together = ("Together, about", f"{money} {low + labour:.0f} to {high + labour:.0f}")
    prices = []
    if may_be_told([part], bench, shop):
        bought = (f"Part: {part.title}", f"{money} {low:.0f} to {high:.0f}")
        prices = [bought, work, together] if high > 0 else [work]
    start = "Replace: " if stop.kind == "order" else "What to do: "
    return start + part.title, reasons, prices
