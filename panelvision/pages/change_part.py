"""The change test: two photos of the same dark screen, with and without the menu."""

import numpy as np
import streamlit as st

from panelvision.errors import PanelvisionError
from panelvision.pages import session
from panelvision.pages.look import answer


@st.fragment
def change_test() -> None:
    """Choose two photos, compare them, show what changed."""
    st.subheader("Did anything change on the panel?")
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
            st.error(str(fault), icon=":material/error:")
    change = on_desk.changes.get(pair)
    if change is not None:
        _tell(change)


def _tell(change: object) -> None:
    record = change.to_json()  # type: ignore[attr-defined]
    chance = record.get("p_value")
    odds = (
        ""
        if chance is None
        else f"Had nothing changed, a difference like this would come up {_odds(chance)}."
    )
    if not record.get("usable", True):
        answer("The change test", "Can't tell", *record.get("retake", []))
    elif record["changed"]:
        answer("The change test", "Something changed on the panel: it forms a picture", odds)
    else:
        answer("The change test", "No change on the panel was seen", odds)
    picture = getattr(change, "map", None)
    if picture is not None and np.size(picture):
        st.image(
            session.jpeg_of(_map_picture(np.asarray(picture, dtype=np.float64))),
            width="stretch",
            alt="Where the two photos of the screen differ: the brighter, the more",
        )
        st.caption("The screen, squared up. The brighter, the more changed there.")


def _odds(p: float) -> str:
    if p < 0.001:
        return "less than once in a thousand"
    return f"about {round(p * 100)} times in a hundred" if p >= 0.01 else "once in a few hundred"


def _map_picture(values: np.ndarray) -> np.ndarray:
    """A map of any range as amber on black, uint8 RGB."""
    size = np.abs(np.nan_to_num(values))
    top = float(np.percentile(size, 99.5)) or 1.0
    level = np.clip(size / top, 0, 1)[..., None]
    lamp = np.array([240, 178, 79], dtype=np.float64)
    return (level * lamp).astype(np.uint8)
