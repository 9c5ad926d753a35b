"""The change test: two photos of the same dark screen, with and without the menu."""

import cv2
import numpy as np
import streamlit as st

from panelvision.arrays import FloatArray, IntArray
from panelvision.errors import PanelvisionError
from panelvision.measure.change import PanelChange
from panelvision.pages import session
from panelvision.pages.links import link
from panelvision.pages.look import answer, tell_error


@st.fragment
def change_test() -> None:
    """Choose two photos, compare them, show what changed."""
    st.subheader("Did anything change on the panel?", anchor="change")
    st.markdown(
        "Two photos of the same dark screen, one with the set's menu open and one without: "
        "a change on the panel means that a picture is formed."
    )
    on_desk = session.desk()
    keys = [k for k, e in on_desk.entries.items() if e.answer is not None]
    numbers = {key: f"Photo {i}" for i, key in enumerate(on_desk.entries, start=1)}
    left, right = st.columns(2)
    first = left.selectbox("First", keys, format_func=numbers.__getitem__, key="change-first")
    others = [k for k in keys if k != first]
    second = right.selectbox("Second", others, format_func=numbers.__getitem__, key="change-second")
    if first is None or second is None:
        return
    pair = (first, second)
    if st.button("Compare the two", width="stretch", icon=":material/compare:"):
        try:
            with st.spinner("Lining up the two photos"):
                session.compare_entries(first, second)
        except PanelvisionError as fault:
            tell_error(fault)
    change = on_desk.changes.get(pair)
    if change is not None:
        tell_change(change, "The change test")
        _what_follows(change)


def _what_follows(change: PanelChange) -> None:
    """From the comparison on to the bench."""
    if not change.usable:
        return
    if not change.changed:
        st.markdown(
            "Was the menu really open in just one of them? Then it left no trace that these "
            "photos could show: no picture is formed, or the torch was too weak."
        )
        link("Bench", "Go on at the bench")
        return
    if session.desk().observations.get("torch") == "faint-picture":
        link("Bench", "Noted. Go on at the bench")
        return
    if st.button(
        "Note it: a faint picture under the torch",
        key="note-change",
        type="primary",
        width="stretch",
        icon=":material/check:",
    ):
        session.desk().observe("torch", "faint-picture")
        st.rerun(scope="app")


def tell_change(change: PanelChange, kicker: str) -> None:
    """Whether the panel's picture changed, in words and as a map."""
    if not change.usable:
        answer(kicker, "Can't tell", change.reason)
        return
    odds = f"Had nothing changed, a difference like this would come up {_odds(change.p_value)}."
    if change.changed:
        answer(kicker, "Something changed on the panel: it forms a picture", odds)
    else:
        answer(kicker, "No change on the panel was seen", odds)
    if change.changed and _tells_where(change.map):
        st.image(
            session.jpeg_of(_map_picture(change.map)),
            width="stretch",
            alt="Where the screen changed: the brighter, the more",
        )
        st.caption("The screen, squared up. The brighter, the more likely a change there.")


def _odds(p: float) -> str:
    if p < 0.001:
        return "less than once in a thousand"
    if p > 0.99:
        return "nearly every time"
    times = round(p * 100)
    if times < 1:
        return "less than once in a hundred"
    return "about once in a hundred" if times == 1 else f"about {times} times in a hundred"


def _tells_where(log_odds: FloatArray) -> bool:
    """Whether some tiles rather changed and others rather not; else the map is one flat patch."""
    known = log_odds[~np.isnan(log_odds)]
    return bool(known.size) and bool(known.min() < 0 < known.max())


def _map_picture(log_odds: FloatArray) -> IntArray:
    """Log-odds per tile as amber on black, grey where the glass cannot be seen, uint8 RGB."""
    lamp = np.array([240.0, 178.0, 79.0])
    level = 1 / (1 + np.exp(-np.clip(np.nan_to_num(log_odds), -30, 30)))
    picture = level[..., None] * lamp
    picture[np.isnan(log_odds)] = 70.0
    rows, columns = log_odds.shape
    width = 960
    return cv2.resize(
        picture.astype(np.uint8),
        (width, max(1, round(width * rows / columns))),
        interpolation=cv2.INTER_NEAREST,
    )
