"""Small components of our own, in plain HTML, CSS and JavaScript, served with the page itself."""

import base64
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import streamlit as st

_STATIC = Path(__file__).parent / "static"


def _text(name: str) -> str:
    return (_STATIC / name).read_text(encoding="utf-8")


def _register(name: str) -> Any:
    return st.components.v2.component(
        f"panelvision_{name}",
        html=_text(f"{name}.html"),
        css=_text(f"{name}.css"),
        js=_text(f"{name}.js"),
    )


_OUTLINE = _register("outline")
_WIPE = _register("wipe")
_BARS = _register("bars")
_COPY = _register("copy")
_ARRIVE = _register("arrive")


def data_url(jpeg: bytes) -> str:
    """A JPEG as an address that needs no second request."""
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


def outline_editor(
    jpeg: bytes,
    corners: Sequence[Sequence[float]],
    size: tuple[int, int],
    *,
    unsure: bool,
    key: str,
    alt: str,
) -> list[list[float]] | None:
    """Let the user move the four corners; returns them once, when "use" was pressed.

    Parameters
    ----------
    jpeg : bytes
        The upright photo, of any size.
    corners : four (x, y)
        In pixels of the photo of ``size``.
    size : (width, height)
    unsure : bool
        Whether the corners may be confirmed as they are, because the program did not find them.
    """
    result = _OUTLINE(
        key=key,
        data={
            "id": f"{key}:{[[round(v, 1) for v in c] for c in corners]}",
            "image": data_url(jpeg),
            "alt": alt,
            "corners": [[float(v) for v in corner] for corner in corners],
            "unsure": unsure,
            "width": size[0],
            "height": size[1],
            "hint": "Drag a corner, or tap where it belongs. "
            "With a keyboard, the arrow keys move it finely.",
            "use": "Use these corners",
            "reset": "Put back",
        },
        on_corners_change=_nothing,
    )
    return result.corners


def wipe(
    left: tuple[str, bytes, str], right: tuple[str, bytes, str], *, label: str, key: str
) -> None:
    """Two views of the same size, one wiped over the other: (name, JPEG, alternative text)."""
    _WIPE(
        key=key,
        data={
            "left": data_url(left[1]),
            "left_name": left[0],
            "left_alt": left[2],
            "right": data_url(right[1]),
            "right_name": right[0],
            "right_alt": right[2],
            "label": label,
        },
    )


def bars(
    shares: Mapping[str, float],
    *,
    words: Mapping[str, str],
    label: str,
    key: str,
    before: Mapping[str, float] | None = None,
    most: int = 7,
) -> None:
    """Probabilities as bars, largest first, that move from where they stood before."""
    ranked = sorted(shares.items(), key=lambda item: -item[1])[:most]
    _BARS(
        key=key,
        data={
            "label": label,
            "rows": [
                {
                    "name": name,
                    "label": words.get(name, name),
                    "p": float(p),
                    "before": None if before is None else float(before.get(name, 0.0)),
                }
                for name, p in ranked
            ],
        },
    )


def copy_text(text: str, *, label: str, key: str, button: str = "Copy the message") -> None:
    """A text with a button that copies it."""
    _COPY(key=key, data={"text": text, "label": label, "button": button, "done": "Copied"})


def arrive(turn: int, *, key: str) -> None:
    """Bring what follows to the top of the screen whenever ``turn`` is another than before.

    For what must be read from its beginning: a caution that a tap has put above the edge of the
    screen would not be read at all.
    """
    _ARRIVE(key=key, data={"turn": turn})


def _nothing() -> None:
    """Streamlit keeps a trigger's value only for components with a callback."""
