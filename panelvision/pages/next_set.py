"""From this set to the next, without losing what is in no case yet."""

import streamlit as st

from panelvision.cases.model import Case
from panelvision.pages import session
from panelvision.pages.links import open_part

_GONE = "What is on the bench now is in no case yet. It would be gone."


def start_another() -> None:
    """A button that clears the bench; it asks once more while something is in no case."""
    on_desk = session.desk()
    if not on_desk.begun():
        return
    words, icon = "Start with another set", ":material/restart_alt:"
    if not on_desk.unsaved():
        if st.button(words, icon=icon, key="new-set"):
            _clear()
        return
    with st.popover(words, icon=icon, key="new-set-asked"):
        st.markdown(_GONE)
        if st.button("Save it as a case first", key="save-first", icon=":material/check:"):
            open_part("save")
        if st.button("Start without saving", key="new-set", icon=":material/delete_sweep:"):
            _clear()


def put_on_the_bench(case: Case) -> bool:
    """A button to take a case up again; asks once more while the bench holds what is in none."""
    words, icon = "Put on the bench", ":material/build:"
    on_desk = session.desk()
    if not on_desk.unsaved():
        return bool(st.button(words, key=f"open-{case.id}", icon=icon))
    with st.popover(words, icon=icon, key=f"open-asked-{case.id}"):
        st.markdown(_GONE)
        return bool(st.button("Put this one there anyway", key=f"open-{case.id}", icon=icon))


def _clear() -> None:
    session.clear_desk()
    st.switch_page(st.session_state["pages"]["Photo"])
