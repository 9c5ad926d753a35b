"""The bench: observations as taps, suspects as bars, the next test as a card, the verdict."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import streamlit as st

from panelvision.cases.shop import may_be_told
from panelvision.errors import PanelvisionError
from panelvision.isolate import Advice, NextTest, Stop, led_string, read_meter, what_if
from panelvision.isolate.meters import STATES, outcome_to_note
from panelvision.knowledge import LEVELS, BenchTest, Knowledge
from panelvision.pages import session
from panelvision.pages.components import arrive, bars
from panelvision.pages.links import go, link, open_part
from panelvision.pages.look import answer, cautions, marked_list, tell_error
from panelvision.pages.next_set import start_another
from panelvision.pages.sums_part import capacitor_form, strip_form
from panelvision.settings import LEAST_MONEY, MOST_MONEY
from panelvision.words import ASSEMBLY_WORDS, SYMPTOM_WORDS, percent

LEVEL_WORDS: dict[str, str] = {
    "closed": "set closed",
    "back-off": "back cover off",
    "panel-off": "panel lifted off",
}
# chosen: what a look or a listen takes; longer tests wait until the adviser asks for them.
_QUICK_MINUTES = 3.0
# chosen: tests for symptoms that are less likely than this are not listed.
_LEAST_RELEVANT = 0.05
_IN_STATE: dict[str, str] = {"standby": "in standby", "on": "with the set on"}


def show() -> None:
    """The page."""
    st.title("Find the failed part")
    on_desk = session.desk()
    bench = session.knowledge()
    try:
        now = session.advice()
        before = None
        if on_desk.past:
            before = session.advice(observations=on_desk.past[-1]).suspects.assemblies
    except PanelvisionError as fault:
        tell_error(fault)
        _history(bench)
        return
    _what_is_known(now)
    # On a phone the columns stand below one another: what to do comes first.
    work, suspects = st.columns([3, 2], gap="large")
    with work:
        arrive(on_desk.turns, key="arrive")
        if now.stop is not None:
            _verdict(now.stop, now, bench)
        elif now.next_test is not None:
            _test_card(now.next_test, bench)
        _history(bench)
    with suspects:
        _suspects(now, before, bench)
    _observations(now, bench)
    _meter(bench)
    _what_if(bench)
    _worth(bench)
    with st.container(horizontal=True):
        link("Report", "Write the report")
        link("Cases", "Save as a case")
        start_another()


def _what_is_known(now: Advice) -> None:
    photo = session.photo_probabilities()
    if photo is None:
        st.markdown(
            "No photo of a screen yet. Answer what is asked: every answer moves the suspects."
        )
        link("Photo", "Add a photo")
        return
    best = max(photo, key=lambda name: photo[name])
    leading = session.desk().leading()
    unsure = "" if leading is not None and leading.usable else ", not sure enough to act on alone"
    lead, share = next(iter(now.suspects.assemblies.items()))
    st.markdown(
        f"From the photo: **{SYMPTOM_WORDS[best]}** ({percent(photo[best])}{unsure}).  \n"
        f"First suspect: **{ASSEMBLY_WORDS[lead]}** ({percent(share)})."
    )


def _suspects(now: Advice, before: Mapping[str, float] | None, bench: Knowledge) -> None:
    st.subheader("Suspects")
    found = now.suspects
    bars(
        found.assemblies,
        words=ASSEMBLY_WORDS,
        label="How likely each assembly has failed",
        key="suspects",
        before=before,
        most=4,
    )
    for sentence in found.contradictions:
        st.warning(_capital(plain(sentence)), icon=":material/warning:")
    with st.expander("Why, and all suspects"):
        for line in found.why:
            st.markdown(f"- {plain(line)}")
        st.markdown("**All assemblies**")
        for name, p in found.assemblies.items():
            st.markdown(f"- {ASSEMBLY_WORDS[name]}: {percent(p)}")
        st.markdown("**Likeliest faults**")
        for name, p in list(found.faults.items())[:6]:
            st.markdown(f"- {bench.faults[name].title}: {percent(p)}")


def _test_card(test: NextTest, bench: Knowledge) -> None:
    st.subheader("Next test")
    # Ahead of the instruction, not after it.
    cautions(test.cautions)
    wait = f" and {test.wait_minutes:.0f} min of waiting" if test.wait_minutes else ""
    tools = ", ".join(test.tools) if test.tools else "nothing"
    state = LEVEL_WORDS[test.level] + (", powered" if test.live else "")
    if test.open and not test.live:
        state += ", unplugged"
    answer(f"{test.minutes:.0f} min{wait} · {state} · you need: {tools}", test.title, test.ask)
    if test.wait_minutes and session.desk().unsaved():
        st.markdown(
            "A phone that sleeps for two minutes forgets this bench: save the set as a case "
            "before you wait, and put it on the bench again from there."
        )
        link("Cases", "Save as a case before the wait")
    st.markdown("**What came out? Tap it.**")
    with st.container(horizontal=True, key="outcomes"):
        for outcome in test.outcomes:
            if st.button(
                value_words(outcome.value),
                key=f"outcome-{test.name}-{outcome.value}",
                width="stretch",
                type="primary",
            ):
                session.desk().observe(test.name, outcome.value)
                session.desk().turn()
                st.rerun()
    _skipping(test)
    with st.expander("Why this one, and what each outcome would say"):
        st.markdown(test.why)
        for outcome in test.outcomes:
            means = bench.tests[test.name].means.get(outcome.value, "")
            lead, p = next(iter(outcome.assemblies.items()))
            then = outcome.text if outcome.ends else f"{ASSEMBLY_WORDS[lead]} {percent(p)}."
            st.markdown(
                f"- **{value_words(outcome.value)}** ({percent(outcome.probability)} likely): "
                f"{means} {then}"
            )


def _skipping(test: NextTest) -> None:
    on_desk = session.desk()
    if st.button(
        "Can't do that now, suggest another",
        key=f"skip-{test.name}",
        icon=":material/skip_next:",
        width="stretch",
    ):
        on_desk.skipped.append(test.name)
        on_desk.turn()
        st.rerun()
    _bring_back()


def _bring_back() -> None:
    on_desk = session.desk()
    put_off = [name for name in on_desk.skipped if name not in on_desk.observations]
    if not put_off:
        return
    many = "the test" if len(put_off) == 1 else f"the {len(put_off)} tests"
    if st.button(
        f"Bring back {many} put off", key="unskip", icon=":material/undo:", width="stretch"
    ):
        on_desk.skipped = []
        on_desk.turn()
        st.rerun()


def _verdict(stop: Stop, now: Advice, bench: Knowledge) -> None:
    st.subheader("Verdict")
    inside = stop.part is not None and bench.parts[stop.part].level != LEVELS[0]
    opening = "Before you open the set" if inside else "Before you close the set"
    cautions(stop.cautions, title=opening)
    money = now.currency
    headline = {
        "order": "Order this part",
        "repair": "Do this",
        "works": "The set works",
        "not-worth-repairing": "Repair or not",
    }[stop.kind]
    lines = []
    if stop.part is not None:
        # In other money the program's own figures are there to reckon with alone.
        told = may_be_told([bench.parts[stop.part]], bench, session.settings())
        if told and stop.price is not None:
            low, high = stop.price
            lines.append(f"The part alone: {money} {low:.0f} to {high:.0f}.")
        if told:
            lines.append(
                f"What the job is still expected to cost you, with work, opening, handling and "
                f"the risk that it is something else: about {money} {stop.expected_total:.0f}."
            )
        lines.append(f"{percent(stop.probability)} likely to be the cause.")
    answer(headline, _capital(stop.title), *lines)
    st.markdown(stop.text if stop.part is None else _how(stop.part, bench))
    go("Report", "Write the report", icon=":material/description:", key="to-report")
    if stop.part is not None and st.button(
        "Done, but the fault stayed",
        key=f"replaced-{stop.part}",
        icon=":material/replay:",
        width="stretch",
    ):
        session.desk().observe(f"replaced-{stop.part}", "no-change")
        session.desk().turn()
        st.rerun()
    if st.button(
        "Save and close the case",
        key="to-close",
        icon=":material/check:",
        width="stretch",
    ):
        open_part("save")
    _bring_back()


def _how(part: str, bench: Knowledge) -> str:
    chosen = bench.parts[part]
    return f"**First:** {chosen.before}  \n**Then:** {chosen.how}"


def _observations(now: Advice, bench: Knowledge) -> None:
    st.subheader("What you noticed")
    st.caption("Tap what you know; leave the rest. Tap again to take it back.")
    quick, rest, unplugged, powered = [], [], [], []
    known = session.desk().observations
    for test in bench.tests.values():
        if now.next_test is not None and test.name == now.next_test.name:
            continue  # asked above already
        # What says nothing about a screen like this one is left out until it is known.
        likely = sum(now.suspects.symptoms[s] for s in test.applies) if test.applies else 1.0
        if likely < _LEAST_RELEVANT and test.name not in known:
            continue
        # What carries a caution is done rather than noticed, and stands below it.
        simple = test.level == "closed" and not (test.live or test.wait_minutes or test.cautions)
        if simple and test.minutes <= _QUICK_MINUTES and not test.tools and not test.needs:
            quick.append(test)
        elif test.live:
            powered.append(test)
        elif test.level != "closed":
            unplugged.append(test)
        else:
            rest.append(test)
    for test in quick[:6]:
        _taps(test)
    with st.expander("More, with the set closed"):
        _group([*quick[6:], *rest], bench)
    with st.expander("Tested inside, set unplugged"):
        _group(unplugged, bench)
    with st.expander("Measured inside, set powered"):
        _group(powered, bench)


def _group(tests: Sequence[BenchTest], bench: Knowledge) -> None:
    """Tests of one kind, below all cautions that any of them asks for."""
    texts = [c for t in tests for c in bench.cautions_for(t.level, t.live, t.cautions)]
    cautions(tuple(dict.fromkeys(texts)))
    if not tests:
        st.markdown("Nothing here would tell more about a screen like this one.")
    for test in tests:
        _taps(test, titled=True)


def _taps(test: BenchTest, *, titled: bool = False) -> None:
    on_desk = session.desk()
    known = on_desk.observations.get(test.name)
    chosen = st.pills(
        f"**{test.title}.** {test.ask}" if titled else test.ask,
        test.values,
        default=known if known in test.values else None,
        format_func=value_words,
        wrap=True,
        # The key holds the known value: undo and the card change it from outside.
        key=f"tap-{test.name}-{known}",
    )
    if chosen != (known if known in test.values else None):
        on_desk.observe(test.name, chosen)
        st.rerun()


def _history(bench: Knowledge) -> None:
    on_desk = session.desk()
    if not on_desk.observations:
        return
    st.subheader("So far")
    rows = []
    for i, (name, value) in enumerate(on_desk.observations.items(), start=1):
        rows.append((str(i), f"{observation_words(name, bench)}: {value_words(value)}"))
    marked_list(rows)
    with st.container(horizontal=True):
        if st.button("Undo the last one", icon=":material/undo:", disabled=not on_desk.past):
            on_desk.undo()
            on_desk.turn()
            st.rerun()
        if st.button("Clear all", icon=":material/delete_sweep:"):
            on_desk.past.append(dict(on_desk.observations))
            on_desk.observations = {}
            on_desk.turn()
            st.rerun()


def _meter(bench: Knowledge) -> None:
    with st.expander("Enter a meter reading"):
        _meter_form(bench)
    with st.expander("LEDs of a strip, measured one by one"):
        strip_form(bench)
    with st.expander("What a capacitor still holds"):
        capacitor_form(bench)


@st.fragment
def _meter_form(bench: Knowledge) -> None:
    meters = list(bench.meters.values())
    meter = st.selectbox(
        "What stands beside the pin",
        meters,
        # Longer ones are cut off on a phone; the rest of the legends stands below.
        format_func=lambda m: f"{m.legends[0]}: {m.title}" if m.legends else m.title,
        key="meter",
    )
    if meter is None:
        return
    if len(meter.legends) > 1:
        st.caption(f"Also written {', '.join(meter.legends[1:])}.")
    test = bench.tests[meter.test]
    cautions(bench.cautions_for(test.level, test.live, test.cautions))
    for state, expected in meter.expect.items():
        st.markdown(f"Usual {_IN_STATE[state]}: **{expected}**")
    st.caption(
        "The label on the board and the set's service sheet go before this: levels differ, and on "
        "some sets a flag is low when it complains."
    )
    state = st.segmented_control(
        "The set is",
        STATES,
        default="on",
        required=True,
        key="meter-state",
        format_func={"standby": "in standby", "on": "switched on"}.__getitem__,
    )
    total = None
    if meter.per_string:
        left, right = st.columns(2)
        # Nobody can count them with the panel on: the service sheet or the strip's part says it.
        count = left.number_input(
            "LEDs in series",
            1,
            200,
            None,
            key=f"meter-leds-{meter.name}",
            placeholder="from the sheet",
        )
        each = right.number_input("Volts each", 1.0, 20.0, 3.0, 0.1, key="meter-forward")
        if count is not None:
            string = led_string(int(count), forward=(each, each), knowledge=bench)
            total = string.typical
            st.markdown(f"The string's total: **{total:.0f} V**")
            if string.caution:
                cautions([string.caution], title="High voltage")
    volts = st.number_input(
        "Reading in volts, dc",
        -1000.0,
        1000.0,
        None,
        0.1,
        key=f"meter-volts-{meter.name}",
        placeholder="0.0",
    )
    if volts is None:
        return
    try:
        reading = read_meter(
            meter.name, volts, "V", state or "on", string_volts=total, knowledge=bench
        )
    except PanelvisionError as fault:
        tell_error(fault)
        return
    # What is usual stands above already.
    text = reading.text.partition(" Usual in state ")[0]
    said = "nothing yet" if reading.value is None else value_words(reading.value)
    answer("The reading says", f"{_capital(meter.title)}: {said}", text)
    if reading.value is None:
        return
    kept = outcome_to_note(reading, session.desk().observations, bench)
    if kept != reading.value:
        st.markdown(
            f"Noted already: {test.title.lower()}, **{value_words(kept)}**. One of them is "
            "enough, so it stays. Take that back first if it was misread."
        )
    elif st.button(f"Note it: {test.title.lower()}, {value_words(kept)}", width="stretch"):
        session.desk().observe(reading.observation, kept)
        st.rerun(scope="app")


def _worth(bench: Knowledge) -> None:
    on_desk, money = session.desk(), bench.economy.currency
    told = not bench.foreign or "economy.set_value" in bench.given
    with st.expander("What is this set worth?"):
        given = st.number_input(
            f"This set, working ({money})",
            LEAST_MONEY,
            MOST_MONEY,
            on_desk.set.worth,
            10.0,
            key=f"worth-{on_desk.uploads}",
            placeholder="as any set" + (f": {bench.economy.set_value:.0f}" if told else ""),
            help="A repair is advised as long as it costs less than the set is worth. Leave it "
            "empty for what the settings say of any set.",
        )
    if given != on_desk.set.worth:
        on_desk.set = replace(on_desk.set, worth=given)
        st.rerun()


def _what_if(bench: Knowledge) -> None:
    with st.expander("What would a test change?"):
        _what_if_form(bench)


@st.fragment
def _what_if_form(bench: Knowledge) -> None:
    st.caption("Nothing is noted here: it only shows what would follow.")
    test = st.selectbox(
        "If I tried", list(bench.tests.values()), format_func=lambda t: t.title, key="what-if-test"
    )
    if test is None:
        return
    value = st.pills(
        "and it came out",
        test.values,
        format_func=value_words,
        key=f"what-if-{test.name}",
        wrap=True,
        default=test.values[0],
        required=True,
    )
    on_desk = session.desk()
    then = what_if(
        session.photo_probabilities(),
        on_desk.observations,
        test.name,
        value or test.values[0],
        done_tests=session.put_off(),
        set_value=on_desk.set.worth,
        knowledge=bench,
        base=session.label_shares(),
    )
    following = then.after.next_test
    named = [test] if following is None else [test, bench.tests[following.name]]
    inside = [t for t in named if t.live or t.level != "closed"]
    texts = [c for t in inside for c in bench.cautions_for(t.level, t.live, t.cautions)]
    if then.after.stop is not None:
        texts += then.after.stop.cautions
    cautions(tuple(dict.fromkeys(texts)), title="Before you open the set")
    st.markdown(f"That is **{percent(then.probability)}** likely. Then:")
    bars(
        then.after.suspects.assemblies,
        words=ASSEMBLY_WORDS,
        label="How likely each assembly would then be",
        key="what-if-bars",
        before=then.before.assemblies,
        most=4,
    )
    if then.after.stop is not None:
        st.markdown(f"And the verdict would be: **{then.after.stop.title}**")
    elif following is not None:
        st.markdown(f"And next would be: **{following.title}**")


def observation_words(name: str, bench: Knowledge) -> str:
    """The title of an observation."""
    if name in bench.tests:
        return bench.tests[name].title
    if name.startswith("replaced-"):
        part = bench.parts.get(name.removeprefix("replaced-"))
        return f"Replaced: {part.title if part else name}"
    return name


def value_words(value: object) -> str:
    """An outcome's name as it is said."""
    if isinstance(value, float | int):
        return f"{value:g} V"
    return str(value).replace("-", " ")


def plain(text: str) -> str:
    """The labels of files (timing-board, faint-image) as the trade says them."""
    for label, words in SYMPTOM_WORDS.items():
        text = text.replace(f"({label} ", f"({words}, ")
    for label in ASSEMBLY_WORDS:
        text = text.replace(f"{label} +", f"{label.replace('-', ' ')} +")
        text = text.replace(f"{label} -", f"{label.replace('-', ' ')} -")
    return text


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
