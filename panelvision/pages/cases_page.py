"""Cases: save the set, find and reopen, close with the outcome, see how often it was right."""

import html
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import streamlit as st

from panelvision.cases.model import Case, CasePhoto, Outcome
from panelvision.cases.shop import has_store
from panelvision.errors import PanelvisionError, PhotoError, StoreError
from panelvision.isolate import Advice
from panelvision.labels import ASSEMBLIES, SYMPTOMS
from panelvision.pages import session
from panelvision.pages.accuracy_part import show_accuracy
from panelvision.pages.changed_elsewhere import take_stored
from panelvision.pages.links import link
from panelvision.pages.look import as_written, tell_error
from panelvision.pages.next_set import put_on_the_bench, start_another
from panelvision.words import ASSEMBLY_WORDS, SYMPTOM_WORDS, count_of, percent

_PARTS: dict[str, str] = {
    "find": "Find",
    "save": "Save",
    "right": "Accuracy",
    "move": "Back up",
}


def show() -> None:
    """The page."""
    st.title("Cases")
    on_desk = session.desk()
    something = bool(on_desk.entries or on_desk.observations)
    if "cases-wanted" in st.session_state:
        # Asked for by another page; set ahead of the widget, as Streamlit wants it.
        st.session_state["cases-part"] = st.session_state.pop("cases-wanted")
    part = st.segmented_control(
        "Part",
        list(_PARTS),
        default="save" if something and on_desk.case is None else "find",
        required=True,
        format_func=_PARTS.__getitem__,
        label_visibility="collapsed",
        width="stretch",
        key="cases-part",
    )
    run: dict[str, Callable[[], None]] = {
        "find": _find,
        "save": _save_form,
        "right": show_accuracy,
        "move": _move,
    }
    try:
        run[part or "find"]()
    except PanelvisionError as fault:
        tell_error(fault)


def _save_form() -> None:
    on_desk = session.desk()
    # A case whose last photo was taken off the bench is saved like any other.
    if not on_desk.entries and not on_desk.observations and on_desk.case is None:
        st.markdown("There is no set on the bench yet.")
        link("Photo", "Add a photo")
        return
    wanted = None
    if on_desk.case is not None:
        st.markdown(f"This set is case **{on_desk.case.id[:8]}**; saving brings it up to date.")
        wanted = _changed_elsewhere(on_desk.case)
    _fields()
    if wanted is not None:  # after the fields, so that what was typed last is among what is new
        _take_stored(wanted)
        st.rerun()
    # Ahead of the button: what is said below it lies under the bar on a phone.
    told = st.container()
    if st.button("Save the case", type="primary", width="stretch", key="save-case"):
        _save(told)
    if on_desk.case is not None and not on_desk.case.closed:
        with st.expander("Repaired? Close it with what it was", icon=":material/check:"):
            _close_form(on_desk.case)
    start_another()


def _changed_elsewhere(case: Case) -> Case | None:
    """What to do when another browser, or the list of cases, has changed this set's case.

    Returns the stored case when it is to be gone on with.
    """
    try:
        stored = session.case_store().get(case.id)
    except StoreError:
        stored = None
    # A customer's other cases change what is written of them too.
    if stored is not None and (stored.revision, stored.customer) == (case.revision, case.customer):
        return None
    on_desk = session.desk()
    st.warning(
        "This case was " + ("deleted" if stored is None else "changed") + " elsewhere meanwhile. "
        "What is on the bench here is not lost.",
        icon=":material/warning:",
    )
    taken = stored is not None and st.button(
        "Go on with that case, and what is new here", key="take-stored", width="stretch"
    )
    if st.button("Save this as a case of its own", key="own-case", width="stretch"):
        on_desk.case, on_desk.set_aside = None, ()
        st.rerun()
    return stored if taken else None


def _take_stored(stored: Case) -> None:
    on_desk = session.desk()
    if aside := take_stored(on_desk, stored):
        st.toast(
            f"{count_of(aside, 'photo')} that the bench does not show, kept in the case.",
            icon=":material/info:",
        )
    on_desk.turn()


def _fields() -> None:
    """Who and which set; kept as typed, so that a look at another page costs nothing."""
    on_desk = session.desk()
    who, what = on_desk.customer, on_desk.set
    # A field keeps what stood in it: what was read again needs fields of its own.
    mark = f"{who.id}-{on_desk.turns}"
    label = st.text_input(
        "The set",
        what.label,
        max_chars=200,
        placeholder="as you will find it again",
        key=f"save-set-{mark}",
    )
    name = st.text_input("Customer", who.name, max_chars=200, key=f"save-name-{mark}")
    contact = st.text_input(
        "Telephone or e-mail", who.contact, max_chars=200, key=f"save-contact-{mark}"
    )
    inches = st.number_input(
        "Diagonal in inches", 5.0, 150.0, what.size_inch, 1.0, key=f"save-inches-{mark}"
    )
    notes = st.text_area("Notes", what.notes, max_chars=4000, key=f"save-notes-{mark}")
    consent = st.checkbox(
        "The customer agrees that these photos help to train the program",
        who.consent,
        key=f"save-consent-{mark}",
    )
    on_desk.customer = replace(who, name=name, contact=contact, consent=consent)
    on_desk.set = replace(what, label=label, size_inch=inches, notes=notes)


def _save(told: st.delta_generator.DeltaGenerator) -> None:
    with told:
        with st.spinner("Saving"):
            saved = save_desk()
        st.session_state.pop("archive", None)
        st.success(
            f"Saved as case {saved.id[:8]}. When the set is repaired, close it below or under "
            "Find: what it was sharpens the advice.",
            icon=":material/check:",
        )


def save_desk() -> Case:
    """Save the set on the bench as a case, new or brought up to date.

    Raises
    ------
    PanelvisionError
        One line, when the store or a photo cannot be used; what is on the bench stays.
    """
    on_desk = session.desk()
    store = session.case_store()
    known = on_desk.case or Case()
    if known.revision and store.get(known.id).customer != known.customer:
        raise StoreError(
            f"the customer of case {known.id[:8]} was changed elsewhere meanwhile; read it again "
            "and repeat the change"
        )
    before = known.photo_of()
    photos: dict[str, CasePhoto] = {}
    for key, entry in on_desk.entries.items():
        if entry.answer is None and key in before:
            # Taken up with the case and not examined since, or not to be: nothing of it is lost.
            photos[before[key].sha256] = before[key]
        elif not entry.error:
            kept = store.add_photo(entry.data, name=entry.name)
            record = None if entry.answer is None else entry.answer.record
            if record is not None and entry.corners is not None:
                record = {**record, "corners_by_hand": entry.corners}
            source = before[key].source_sha256 if key in before else key
            photos[kept.sha256] = CasePhoto(kept.sha256, source, entry.name, record)
    for photo in on_desk.set_aside:
        photos.setdefault(photo.sha256, photo)
    advice = session.advice()
    case = replace(
        known,
        customer=on_desk.customer,
        set=on_desk.set,
        photos=tuple(photos.values()),
        observations=dict(on_desk.observations),
        done_tests=tuple(
            {"test": name, "outcome": value} for name, value in on_desk.observations.items()
        ),
        # A closed case keeps what was said before its outcome was known.
        advice=known.advice if known.closed else _said(advice),
        verdict=(advice.stop.assembly or "") if advice.stop is not None else "",
    )
    on_desk.case = store.save_case(case)
    return on_desk.case


def _said(advice: Advice) -> dict[str, Any]:
    """The advice as it is kept with a case, to be judged by what the fault turns out to be.

    A test that ended the job has named the fault already: the suspects are those before it.
    """
    tests = session.knowledge().tests
    seen = session.desk().observations
    before = {
        name: value
        for name, value in seen.items()
        if name not in tests or value not in tests[name].ends
    }
    suspects = advice if before == seen else session.advice(observations=before)
    return {
        "suspects": dict(suspects.suspects.assemblies),
        "next_test": None if advice.next_test is None else advice.next_test.name,
        "stop": None if advice.stop is None else advice.stop.kind,
    }


def _find() -> None:
    if not has_store():
        st.markdown("No case has been saved yet. A case keeps photos, tests and what it was.")
        link("Photo", "Start with a photo")
        return
    store = session.case_store()
    words = st.text_input(
        "Search", placeholder="name, set, note, symptom, case number", key="cases-search"
    )
    open_only = st.toggle("Open cases only", key="cases-open")
    found = store.search(words, open_only=open_only, limit=50)
    if not found:
        st.markdown("No case fits.")
        return
    st.caption(
        f"{len(found)} found, the last changed first." + (" More exist." * (len(found) == 50))
    )
    for case in found:
        _case_card(case)


def _case_card(case: Case) -> None:
    store = session.case_store()
    with st.container(border=True):
        state = "closed" if case.closed else "open"
        title = case.set.label or "Unnamed set"
        who = case.customer.name if case.customer is not None else ""
        # What strangers wrote is shown as it is: no formulas, no links.
        st.html(f"<b>{html.escape(title)}</b>" + (f", {html.escape(who)}" if who else ""))
        symptom = SYMPTOM_WORDS.get(case.symptom, "no reading of a photo")
        suspect = next(iter(case.suspects.items()), None)
        lead = (
            f"; first suspect {ASSEMBLY_WORDS[suspect[0]]} ({percent(suspect[1])})"
            if suspect
            else ""
        )
        when = f"{case.updated.astimezone():%Y-%m-%d}" if case.updated else ""
        st.markdown(f"{state}, {when}, no. {case.id[:8]}  \n{symptom}{lead}")
        if case.outcome is not None:
            st.markdown(f"It was: **{ASSEMBLY_WORDS[case.outcome.assembly]}**")
        with st.container(horizontal=True):
            if put_on_the_bench(case):
                load_case(case)
                st.switch_page(st.session_state["pages"]["Photo"])
            if case.closed:
                if st.button("Reopen", key=f"reopen-{case.id}", icon=":material/undo:"):
                    reopened = store.reopen(case.id)
                    on_desk = session.desk()
                    if on_desk.case is not None and on_desk.case.id == case.id:
                        _take_stored(reopened)
                    session.forget_knowledge()
                    st.rerun()
            else:
                with st.popover("Close it: what was it?", icon=":material/check:"):
                    _close_form(case)
            with st.popover("Delete", icon=":material/delete:"):
                _delete_form(case)


def _close_form(case: Case) -> None:
    with st.form(f"close-{case.id}", border=False):
        ranked = list(case.suspects)
        order: list[str] = [*ranked, *(a for a in ASSEMBLIES if a not in ranked)]
        # None of these is filled in from what the program said, which would then confirm itself.
        assembly = st.selectbox(
            "What it turned out to be",
            order,
            index=None,
            format_func=ASSEMBLY_WORDS.__getitem__,
            placeholder="choose what brought the set back",
        )
        bench = session.knowledge()
        fault = st.selectbox(
            "More exactly, if known",
            ["", *bench.faults],
            format_func=lambda f: bench.faults[f].title if f else "not known",
        )
        symptom = st.selectbox(
            "What the screen showed, as you saw it",
            ["", *SYMPTOMS],
            format_func=lambda s: SYMPTOM_WORDS[s] if s else "not noted",
        )
        if case.symptom in SYMPTOMS:
            st.caption(f"The photo was read as: {SYMPTOM_WORDS[case.symptom]}.")
        notes = st.text_area("Notes", max_chars=2000)
        told = st.container()
        if st.form_submit_button("Close the case", type="primary", width="stretch"):
            known = bench.faults.get(fault)
            # The exact fault, where it is named, says which assembly it belongs to.
            place = known.assembly if known is not None else assembly
            if place is None:
                with told:
                    tell_error(
                        "Choose what it turned out to be, or the exact fault, then close it."
                    )
                return
            on_desk = session.desk()
            if on_desk.case is not None and on_desk.case.id == case.id:
                try:
                    save_desk()  # what was found since the last save belongs to the case
                except PanelvisionError as error:
                    tell_error(error)
                    return
            closed = session.case_store().close_case(
                case.id, Outcome(place, fault=fault, symptom=symptom, notes=notes)
            )
            if on_desk.case is not None and on_desk.case.id == case.id:
                on_desk.case = closed
            session.forget_knowledge()
            st.toast(
                "Closed. How often the advice was right stands under Accuracy.",
                icon=":material/check:",
            )
            st.rerun()


def _delete_form(case: Case) -> None:
    which = "case"
    if case.customer is not None:
        person = case.customer.name or case.customer.contact or "this customer"
        words = {
            "case": "This case and its photos",
            "customer": f"{person} with all their cases and photos",
        }
        which = st.radio(
            "What to delete",
            words,
            format_func=lambda which: as_written(words[which]),
            key=f"which-{case.id}",
        )
    st.markdown("It is gone for good. Backups made earlier still hold it.")
    sure = st.checkbox("Yes, delete for good", key=f"sure-{case.id}")
    if st.button("Delete", key=f"delete-{case.id}", disabled=not sure, type="primary"):
        store, on_desk = session.case_store(), session.desk()
        if which == "customer" and case.customer is not None:
            gone = store.delete_customer(case.customer.id)
            meant = on_desk.customer.id == case.customer.id
        else:
            gone = store.delete_case(case.id)
            meant = on_desk.case is not None and on_desk.case.id == case.id
        if on_desk.case is not None and meant:
            session.clear_desk()
        session.forget_knowledge()
        st.toast(f"Deleted {count_of(gone.cases, 'case')} and {count_of(gone.photos, 'photo')}.")
        st.rerun()


def load_case(case: Case) -> None:
    """Put a saved case on the bench; its photos are examined again with today's program.

    Photos beyond what a desk holds stay in the case.

    Raises
    ------
    StoreError
        When a photo of it cannot be read.
    """
    store = session.case_store()
    pictures = [(photo, store.photo_bytes(photo.sha256)) for photo in case.photos]
    session.clear_desk()
    on_desk = session.desk()
    for photo, data in pictures:
        try:
            key = session.add_photo(photo.name or "photo", data)
        except PhotoError:
            on_desk.set_aside = (*on_desk.set_aside, photo)
            continue
        on_desk.entries[key].corners = photo.corners_by_hand
        on_desk.chosen = on_desk.chosen or key
    if on_desk.set_aside:
        st.toast(
            f"{count_of(len(on_desk.set_aside), 'photo')} more than the bench holds, kept in the "
            "case.",
            icon=":material/info:",
        )
    on_desk.observations = dict(case.observations)
    on_desk.case = case
    if case.customer is not None:
        on_desk.customer = case.customer
    on_desk.set = case.set


def _move() -> None:
    st.subheader("Back up")
    if not has_store():
        st.markdown("No case has been saved yet.")
    else:
        st.markdown("All cases and photos in one file: JSON, CSV and the pictures.")
        if st.button("Make the file", icon=":material/archive:"):
            with tempfile.TemporaryDirectory(prefix="panelvision-") as folder:
                path = Path(folder) / "cases.zip"
                session.case_store().export(path)
                st.session_state["archive"] = path.read_bytes()
        if "archive" in st.session_state:
            st.download_button(
                "Save the file",
                st.session_state["archive"],
                file_name=f"cases-{date.today():%Y-%m-%d}.zip",
                mime="application/zip",
                on_click="ignore",
                type="primary",
                icon=":material/download:",
            )
    st.subheader("Bring in")
    st.markdown("A file made by 'Back up', here or on another machine.")
    file = st.file_uploader("File of cases", type=["zip"], key="cases-import")
    if file is not None and st.button("Bring these cases in", icon=":material/unarchive:"):
        with tempfile.TemporaryDirectory(prefix="panelvision-") as folder:
            # A name of our own: the browser's never reaches the disk.
            path = Path(folder) / "import.zip"
            path.write_bytes(file.getvalue())
            summary = session.case_store().import_archive(path)
        session.forget_knowledge()
        st.success(
            f"Brought in {count_of(summary.added, 'new case')} and "
            f"{count_of(summary.photos, 'photo')}; "
            f"{summary.updated} brought up to date, {summary.kept} were the same.",
            icon=":material/check:",
        )
