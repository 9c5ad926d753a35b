"""The script that Streamlit runs for every browser session: names the pages and runs one."""

import streamlit as st
from PIL import Image, ImageDraw

from panelvision.pages import (
    bench_page,
    cases_page,
    inbox_page,
    photo_page,
    report_page,
    settings_page,
)
from panelvision.pages.forget import note_session
from panelvision.pages.look import apply_look


def pages() -> list[st.Page]:
    """All pages in the order of the bar."""
    return [
        st.Page(
            photo_page.show,
            title="Photo",
            icon=":material/photo_camera:",
            url_path="photo",
            default=True,
        ),
        st.Page(bench_page.show, title="Bench", icon=":material/build:", url_path="bench"),
        st.Page(report_page.show, title="Report", icon=":material/description:", url_path="report"),
        st.Page(cases_page.show, title="Cases", icon=":material/folder_open:", url_path="cases"),
        st.Page(inbox_page.show, title="Inbox", icon=":material/inbox:", url_path="inbox"),
        st.Page(settings_page.show, title="Shop", icon=":material/tune:", url_path="shop"),
    ]


@st.cache_resource(show_spinner=False)
def _icon() -> Image.Image:
    """A screen with one dark half; named icons would be fetched from elsewhere."""
    icon = Image.new("RGBA", (64, 64))
    pen = ImageDraw.Draw(icon)
    pen.rounded_rectangle((4, 10, 60, 54), 6, fill="#1b232b", outline="#f0b24f", width=5)
    pen.rectangle((33, 17, 53, 47), fill="#f0b24f")
    return icon


def run() -> None:
    """One run of the script."""
    note_session()
    st.set_page_config(page_title="panelvision", page_icon=_icon(), layout="centered")
    listed = pages()
    st.session_state["pages"] = {page.title: page for page in listed}
    current = st.navigation(listed, position="hidden")
    apply_look()
    with st.bottom, st.container(key="nav", horizontal=True):
        for page in listed:
            st.page_link(page, label=page.title, icon=page.icon, width="stretch")
    current.run()


if __name__ == "__main__":
    run()
