"""The same report as a PDF, A4, with fonts that hold Latin, Greek and Cyrillic letters."""

import io
import unicodedata
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace

from panelvision.report import Report, plain_jpeg

_FONTS = Path(__file__).parent / "data" / "fonts"
_FAMILY = "DejaVu"
_INK = (29, 34, 39)
_ACCENT = (138, 82, 0)
_LINE_MM = 5.6
# A picture takes at most this height, so that two and their words share a page.
_TALLEST_MM = 95.0


class _Page(FPDF):
    """A4 with a page number; the shop's name stands at the foot of every page."""

    def __init__(self, foot: str) -> None:
        super().__init__(format="A4")
        self._foot = foot

    def footer(self) -> None:
        """Shop and page number."""
        self.set_y(-14)
        self.set_font(_FAMILY, size=8)
        name, number = self._foot, f"   {self.page_no()}"
        while name and self.get_string_width(name + number) > self.epw:
            name = name[:-2].rstrip() + "…" if len(name) > 2 else ""
        self.cell(0, 5, f"{name}{number}".strip(), align="C")


def sets_badly(report: Report) -> bool:
    """Whether the PDF shows some letters as boxes, or sets text the wrong way round.

    Its fonts hold no Chinese, Japanese or Korean letters, and it runs all text from left to right.
    """
    known = _letters()
    return any(
        (letter.isprintable() and ord(letter) not in known)
        or unicodedata.bidirectional(letter) in ("R", "AL")
        for text in _texts(report)
        for letter in text
    )


def _texts(report: Report) -> Iterator[str]:
    yield from (report.shop, report.contact, report.title, report.verdict, *report.reasons)
    for row in (*report.heading, *report.prices, *report.tested):
        yield from row


@lru_cache(maxsize=1)
def _letters() -> frozenset[int]:
    from fontTools.ttLib import TTFont

    with TTFont(_FONTS / "DejaVuSans.ttf") as font:
        return frozenset(font.getBestCmap())


def report_pdf(report: Report) -> bytes:
    """The report as PDF bytes; letters that the fonts lack are shown as boxes, never dropped."""
    page = _Page(report.shop)
    page.set_title(report.title)
    page.set_creator("panelvision")
    page.set_lang("en")
    page.add_font(_FAMILY, fname=_FONTS / "DejaVuSans.ttf")
    page.add_font(_FAMILY, style="B", fname=_FONTS / "DejaVuSans-Bold.ttf")
    page.set_margins(18, 18)
    page.set_auto_page_break(auto=True, margin=20)
    page.set_text_color(*_INK)
    page.add_page()
    if report.shop:
        _say(page, report.shop, size=12, bold=True)
    if report.contact:
        _say(page, report.contact)
    page.ln(3)
    _say(page, report.title, size=17, bold=True, line=8.0)
    _rows(page, report.heading, widths=(25, 75))
    if report.cautions:
        # Ahead of the verdict, which may be that a part inside is to be replaced.
        _head(page, "Caution")
        for text in report.cautions:
            _say(page, text)
    _head(page, "Verdict")
    _say(page, report.verdict, size=13, bold=True, line=6.6)
    for line in report.reasons:
        _say(page, line)
    if report.prices:
        _head(page, "Price")
        _rows(page, report.prices, widths=(70, 30), right=True)
    if report.photos:
        _head(page, "What the photos show")
    for number, photo in enumerate(report.photos, start=1):
        _say(page, f"Photo {number}: {photo.headline}", size=11, bold=True)
        drawn = " with its findings drawn on" if photo.sentences else ""
        _picture(page, photo.overlay, f"Photo {number}{drawn}")
        if photo.enhanced is not None:
            _picture(page, photo.enhanced, f"The screen, squared up, {photo.brought_out}")
        for i, sentence in enumerate(photo.sentences, start=1):
            _say(page, f"{i}. {sentence}")
        page.ln(2)
    if report.tested:
        _head(page, "What was seen and tested")
        _rows(page, report.tested, widths=(65, 35))
    _head(page, "Limits of this statement")
    for text in report.limits:
        _say(page, text, size=9, line=4.8)
    return bytes(page.output())


def _say(
    page: FPDF, text: str, *, size: float = 10.5, bold: bool = False, line: float = _LINE_MM
) -> None:
    page.set_font(_FAMILY, style="B" if bold else "", size=size)
    page.multi_cell(0, line, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    page.ln(0.8)


def _head(page: FPDF, text: str) -> None:
    # A heading never stands alone at the foot of a page.
    if page.get_y() > page.h - 55:
        page.add_page()
    page.ln(3)
    page.set_text_color(*_ACCENT)
    _say(page, text, size=12.5, bold=True)
    page.set_draw_color(*_ACCENT)
    page.line(page.l_margin, page.get_y() - 0.4, page.w - page.r_margin, page.get_y() - 0.4)
    page.ln(1.2)
    page.set_text_color(*_INK)


def _rows(
    page: FPDF,
    rows: tuple[tuple[str, str], ...],
    *,
    widths: tuple[int, int],
    right: bool = False,
) -> None:
    if not rows:
        return
    page.set_font(_FAMILY, size=10.5)
    page.set_draw_color(200, 200, 200)
    with page.table(
        col_widths=widths,
        borders_layout="HORIZONTAL_LINES",
        line_height=_LINE_MM,
        text_align=("LEFT", "RIGHT" if right else "LEFT"),
        first_row_as_headings=False,
        headings_style=FontFace(),
        padding=(0.6, 1, 0.6, 0),
    ) as table:
        for row in rows:
            table.row(row)


def _picture(page: FPDF, picture: bytes, words: str) -> None:
    from PIL import Image

    data = plain_jpeg(picture)
    with Image.open(io.BytesIO(data)) as opened:
        ratio = opened.height / opened.width
    width = min(page.epw, _TALLEST_MM / ratio)
    if page.get_y() + width * ratio + 8 > page.h - 20:
        page.add_page()
    page.image(io.BytesIO(data), w=width, alt_text=words)
    _say(page, words, size=8.5, line=4.4)
