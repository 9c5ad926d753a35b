"""Inbox: a day's photos in, a gallery out: what to do next, and the message to send."""

import base64
from collections.abc import Callable
from typing import Any

import streamlit as st

from panelvision.pages import session
from panelvision.pages.components import copy_text
from panelvision.pages.inbox_job import InboxJob
from panelvision.pages.look import answer, tell_error
from panelvision.settings import currency_of
from panelvision.triage_cases import STEP_WORDS, STEPS, SortedCase, SortedPhoto
from panelvision.words import ASSEMBLY_WORDS, SYMPTOM_WORDS, count_of, percent

_TYPES = ["zip", "eml", "mbox", "mbx", "jpg", "jpeg", "png", "webp", "heic", "heif", "avif", "tif"]
# A shape besides the word, so that a glance along the list is enough.
_STEP_SIGNS: dict[str, str] = {
    "quote": ":material/request_quote:",
    "ask-for-photo": ":material/add_a_photo:",
    "bring-in": ":material/storefront:",
    "not-a-screen": ":material/block:",
}
_ORDERS: dict[str, Callable[[SortedCase], Any]] = {
    "What to do next": lambda case: case.rank,
    "Surest first": lambda case: -case.next.confidence,
    "Sender": lambda case: (case.sender or case.title).casefold(),
}
_ON_ONE_PAGE = 20


def show() -> None:
    """The page."""
    st.title("Customers' photos")
    job = st.session_state.get("inbox")
    if job is None:
        _drop()
    elif job.running:
        _watch()
    elif job.error:
        tell_error(job.error)
        _again("Try again")
    else:
        _gallery(job)


def _drop() -> None:
    st.markdown(
        "Choose a day's photos, a zip of folders, or an e-mail export (.eml, .mbox). "
        "You get what to do next for each customer, and a message to send."
    )
    st.caption(
        "One sender or one folder in the zip is one customer. Photos chosen singly are put "
        "together where they show the same view; each other one counts for itself."
    )
    number = st.session_state.setdefault("inbox-uploads", 0)
    with st.container(key="intake"):
        files = st.file_uploader(
            "Choose photos, zip or e-mail files",
            type=_TYPES,
            accept_multiple_files=True,
            key=f"inbox-{number}",
        )
    if files and st.button(
        f"Sort {len(files)} file{'s' if len(files) > 1 else ''}",
        type="primary",
        width="stretch",
        icon=":material/sort:",
    ):
        given = [(file.name, file.getvalue()) for file in files]
        st.session_state["inbox-uploads"] = number + 1
        st.session_state["inbox"] = InboxJob(given, session.settings())
        st.rerun()


@st.fragment(run_every=1.0)
def _watch() -> None:
    job: InboxJob = st.session_state["inbox"]
    if not job.running:
        st.rerun(scope="app")
    now = job.progress
    if now is None or not now.total:
        st.progress(0.0, text="Reading what came in")
    else:
        what = "photos" if now.stage == "photos" else "pairs compared"
        failed = f", {now.failed} could not be read" if now.failed else ""
        st.progress(now.done / now.total, text=f"{now.done} of {now.total} {what}{failed}")
    if st.button("Stop, and keep what is done", icon=":material/stop:", width="stretch"):
        job.stop()


def _again(words: str) -> None:
    if st.button(words, icon=":material/restart_alt:", key="inbox-again"):
        del st.session_state["inbox"]
        st.rerun()


def _gallery(job: InboxJob) -> None:
    summary = job.summary
    assert summary is not None
    counts = {step: sum(case.next.step == step for case in job.cases) for step in STEPS}
    told = [f"{STEP_WORDS[step]}: {count}" for step, count in counts.items() if count]
    rest = f"{summary.failed} could not be read. " if summary.failed else ""
    rest += f"{summary.waiting} were left undone. " if summary.waiting else ""
    if summary.uncompared:
        rest += f"{count_of(summary.uncompared, 'pair')} of dark photos not compared yet."
    answer(
        f"{count_of(summary.photos, 'photo')}, {count_of(len(job.cases), 'case')}",
        _capital(told[0]) if told else "Nothing to sort",
        *(_capital(line) for line in told[1:]),
        rest,
    )
    with st.container(horizontal=True):
        st.download_button(
            "Contact sheet",
            job.sheet,
            file_name="inbox.html",
            mime="text/html",
            on_click="ignore",
            icon=":material/download:",
        )
        st.download_button(
            "Table (CSV)",
            job.table,
            file_name="inbox.csv",
            mime="text/csv",
            on_click="ignore",
            icon=":material/download:",
        )
        _again("New inbox")
    left, right = st.columns(2)
    order = left.selectbox("Order", list(_ORDERS), key="inbox-order")
    only = right.selectbox(
        "Show",
        ["", *(step for step in STEPS if counts[step])],
        format_func=lambda step: STEP_WORDS.get(step, "everything"),
        key="inbox-only",
    )
    cases = [case for case in job.cases if only in ("", case.next.step)]
    cases.sort(key=_ORDERS[order])
    pages = max(1, -(-len(cases) // _ON_ONE_PAGE))
    at = 1
    if pages > 1:
        at = int(st.number_input(f"Page, 1 to {pages}", 1, pages, 1, key="inbox-page"))
    for case in cases[(at - 1) * _ON_ONE_PAGE : at * _ON_ONE_PAGE]:
        _case(case)


def _case(case: SortedCase) -> None:
    with st.container(border=True, key=f"inbox-card-{case.key}"):
        pictures, words = st.columns([1, 2])
        with pictures, st.container(horizontal=True):
            for photo in case.photos[:4]:
                _thumbnail(photo)
        with words:
            st.markdown(f"{_STEP_SIGNS[case.next.step]} **{_capital(STEP_WORDS[case.next.step])}**")
            st.text(case.title)
            if case.sender and case.sender not in case.title:
                st.text(f"From {case.sender}")  # whom the message goes to
            _known(case)
        # Below both columns: the message wants the whole width.
        with st.expander("Message to the customer"):
            copy_text(case.message, label="Message to the customer", key=f"message-{case.key}")


def _known(case: SortedCase) -> None:
    lines = []
    if case.next.symptom:
        sure = any(photo.usable for photo in case.photos)
        lines.append(f"{'Shows' if sure else 'Perhaps'}: {SYMPTOM_WORDS[case.next.symptom]}")
    if case.next.suspect:
        share = percent(case.next.share)
        lines.append(f"Suspect: {ASSEMBLY_WORDS[case.next.suspect]} ({share})")
    if case.change is not None and case.change.get("changed"):
        lines.append("Two photos differ on the panel: it forms a picture")
    if case.estimate is not None:
        money = currency_of(session.settings())
        lines.append(f"Repair: {money} {case.estimate[0]:.0f} to {case.estimate[1]:.0f}")
    st.markdown("  \n".join(lines))


def _thumbnail(photo: SortedPhoto) -> None:
    with st.container(width=150, gap="small"):
        picture = photo.pictures.get("thumbnail")
        if picture:
            st.image(base64.b64decode(picture), width="stretch", alt=f"Photo {photo.incoming.name}")
        if "error" in photo.record:
            st.text(str(photo.record["error"]))
        else:
            st.caption("usable" if photo.usable else "not good enough")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
