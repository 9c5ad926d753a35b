"""Ways from one page to the next."""

import streamlit as st


def link(page: str, label: str) -> None:
    """A quiet link to another page."""
    st.page_link(_page(page), label=label, icon=":material/arrow_forward:")


def go(page: str, label: str, *, icon: str, key: str) -> None:
    """The one clear action of a page: a wide button that leads on."""
    if st.button(label, type="primary", width="stretch", icon=icon, key=key):
        st.switch_page(_page(page))


def open_part(part: str) -> None:
    """Go to one part of the cases' page."""
    st.session_state["cases-wanted"] = part
    st.switch_page(_page("Cases"))


def _page(title: str) -> st.Page:
    page = st.session_state["pages"][title]
    assert isinstance(page, st.Page)
    return page
