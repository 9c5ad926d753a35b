"""How the pages look: one style sheet, and the few shapes that need HTML of their own."""

import html
import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path

import streamlit as st

from panelvision.errors import PanelvisionError
from panelvision.pages.sketches import Sketch

# A slash or drive at the start of a word, and folders up to the last separator.
_MARKS = re.compile(r"[\\`*\[\]$<~]")
_FOLDERS = re.compile(r"(?<![\w:/.])(?:[A-Za-z]:)?[/\\](?:[^\s'\"/\\]+[/\\])+")
_STATIC = Path(__file__).parent / "static"


@lru_cache(maxsize=1)
def _style() -> str:
    return (_STATIC / "look.css").read_text(encoding="utf-8")


def apply_look() -> None:
    """Put the style sheet on the page; the colours come from Streamlit's theme."""
    st.html(f"<style>{_style()}</style>")


def tell_error(fault: PanelvisionError | str) -> None:
    """One line; folders of this machine are nobody's business in a browser."""
    st.error(as_written(without_folders(str(fault))), icon=":material/error:")


def as_written(text: str) -> str:
    """What strangers wrote, for a place that takes Markdown: no links, no formulas, no marks."""
    return _MARKS.sub(r"\\\g<0>", text)


def without_folders(text: str) -> str:
    """The text with absolute paths cut down to the file's name."""
    return _FOLDERS.sub("", text)


def answer(kicker: str, big: str, *lines: str) -> None:
    """The answer of a page, readable at arm's length."""
    rest = "".join(f"<p>{html.escape(line)}</p>" for line in lines if line)
    st.html(
        f'<section class="pv-answer"><p class="pv-kicker">{html.escape(kicker)}</p>'
        f'<p class="pv-big">{html.escape(big)}</p>{rest}</section>'
    )


def cautions(texts: Sequence[str], *, title: str = "Before you start") -> None:
    """The usual cautions, ahead of whatever they are about."""
    if not texts:
        return
    items = "".join(f"<li>{html.escape(text)}</li>" for text in texts)
    st.html(
        f'<section class="pv-caution"><h3>⚠ {html.escape(title)}</h3><ul>{items}</ul></section>'
    )


def marked_list(rows: Iterable[tuple[str, str]]) -> None:
    """Sentences, each behind a letter or number in a ring."""
    items = "".join(
        f'<li><span class="pv-mark" aria-hidden="true">{html.escape(mark)}</span>'
        f"<span>{html.escape(text)}</span></li>"
        for mark, text in rows
    )
    st.html(f'<ol class="pv-list">{items}</ol>')


def sketch(drawing: Sketch) -> None:
    """A drawing of our own."""
    st.image(drawing.svg(), width=420, alt=drawing.words)
