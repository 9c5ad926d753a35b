"""The shop: name, currency, rates, theme; and what the program keeps where."""

import streamlit as st

from panelvision import __version__
from panelvision.errors import PanelvisionError
from panelvision.pages import session
from panelvision.pages.look import as_written, cautions, marked_list, tell_error
from panelvision.settings import (
    LEAST_MONEY,
    MOST_MONEY,
    THEMES,
    Settings,
    checked,
    in_own_money,
    keep_unread,
    prices_path,
    save_settings,
    settings_path,
)
from panelvision.words import ASSEMBLY_WORDS, SYMPTOM_WORDS


def show() -> None:
    """The page."""
    st.title("Your shop")
    _tell_aside()
    now = session.settings()
    rates = session.knowledge().economy
    with st.form("shop"):
        shop = st.text_input("Name on reports", now.shop, max_chars=200)
        contact = st.text_input("How to reach you", now.contact, max_chars=200)
        left, middle, right = st.columns(3)
        currency = left.text_input("Currency", now.currency, max_chars=8)
        labour = middle.number_input(
            "Labour per hour",
            LEAST_MONEY,
            MOST_MONEY,
            now.labour_per_hour,
            1.0,
            placeholder=f"{rates.labour_per_hour:g}",
        )
        value = right.number_input(
            "A working set is worth",
            LEAST_MONEY,
            MOST_MONEY,
            now.set_value,
            10.0,
            placeholder=f"{rates.set_value:g}",
        )
        theme = st.segmented_control(
            "Colours to start with",
            THEMES,
            default=now.theme,
            required=True,
            format_func={"dark": "Dark, for the bench", "light": "Light"}.__getitem__,
        )
        st.caption("The colours change when the pages are started again.")
        if st.form_submit_button("Save", type="primary", width="stretch"):
            _save(Settings(shop, contact, currency, labour, value, theme or now.theme))
    with st.expander("Where things are kept"):
        st.markdown(
            "Photos that you open stay in this browser session's memory and go with it. "
            "Only a saved case is written to disk, without location or device data. "
            "Nothing leaves this machine."
        )
        st.markdown(f"Settings: `{settings_path()}`")
        st.markdown(f"Prices and times of your own, if you make the file: `{prices_path()}`")
    if not in_own_money(now):
        st.warning(
            f"The prices of parts are rough figures in euros, and nothing converts them to "
            f"{as_written(now.currency)}: customers are told the price of a part only where your "
            f"own stands in `{prices_path()}`, and labour above; advice reckons with what you do "
            "not give in proportion to your labour.",
            icon=":material/payments:",
        )
    with st.expander("Words used here"):
        st.markdown("**What can be seen**")
        marked_list((str(i), w) for i, w in enumerate(SYMPTOM_WORDS.values(), start=1))
        st.markdown("**What can be replaced**")
        marked_list((str(i), w) for i, w in enumerate(ASSEMBLY_WORDS.values(), start=1))
    known = session.knowledge()
    cautions(known.cautions_for("panel-off", True), title="Usual cautions at an open set")
    st.caption(f"panelvision {__version__}")


def _save(wanted: Settings) -> None:
    try:
        checked(wanted)
        if (aside := keep_unread()) is not None:
            st.session_state["settings-aside"] = aside.name
        save_settings(wanted)
    except PanelvisionError as fault:
        tell_error(fault)
        _tell_aside()
        return
    session.forget_knowledge()
    st.toast("Saved", icon=":material/check:")
    # So that the fields start from what is saved now: else what is typed next into them is lost.
    st.rerun()


def _tell_aside() -> None:
    aside = st.session_state.pop("settings-aside", None)
    if aside is not None:
        st.warning(
            f"The former settings could not be read. They are kept in the same folder as "
            f"{as_written(aside)}, for what they held.",
            icon=":material/warning:",
        )
