"""Writing for menus and pages: invented words in several alphabets, fonts and stroke scripts."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from synth.arrays import Bytes
from synth.dice import Dice

Picture = Bytes

_SYLLABLES = {
    "latin": (
        "ka re mo ti su ven lor da pi gan el ur sho ma ne bru fi qua zen ol ta wi jo ber sal "
        "cun dri fe go hal ix lum nor pra ris ste tov ul va xo yer"
    ).split(),
    "cyrillic": (
        "ка ре мо ти су вен лор да пи ган ель ур шо ма не бру фи зен ол та жи бер сал юн"
    ).split(),
    "greek": "κα ρε μο τι συ λορ δα πι γαν ελ μα νε φι ζεν ολ τα βερ σαλ θε ξι ψο".split(),
}
_HAN = [chr(c) for c in range(0x4E00, 0x4E00 + 600, 3)]
HERSHEY = (
    cv2.FONT_HERSHEY_SIMPLEX,
    cv2.FONT_HERSHEY_DUPLEX,
    cv2.FONT_HERSHEY_COMPLEX,
    cv2.FONT_HERSHEY_TRIPLEX,
)


@lru_cache(maxsize=8)
def _face(name: str) -> cv2.FontFace:
    return cv2.FontFace(name)


@lru_cache(maxsize=64)
def _pillow(size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.load_default(size=size)  # type: ignore[return-value]


@dataclass(frozen=True)
class Hand:
    """How one set writes.

    script: latin, cyrillic, greek, han or strokes. face: OpenCV font name, "pillow" or "hershey".
    weight: 100..1000 for variable fonts. glyphs: the strokes of an invented script.
    """

    script: str
    face: str
    weight: int
    hershey: int
    glyphs: tuple[tuple[tuple[float, float], ...], ...]


def hand(dice: Dice) -> Hand:
    """Draw a writing style; weights favour Latin because most menus that are sent in are."""
    script = dice.weighted(
        {"latin": 0.66, "cyrillic": 0.1, "greek": 0.06, "han": 0.08, "strokes": 0.1}
    )
    if script == "latin":
        face = dice.weighted(
            {"sans": 0.4, "italic": 0.08, "uni": 0.17, "pillow": 0.2, "hershey": 0.15}
        )
    elif script == "strokes":
        face = "strokes"
    else:
        face = "uni" if script == "han" else dice.pick(("sans", "uni"))
    glyphs = []
    for _ in range(18):
        points = [(dice.i(0, 2) / 2, dice.i(0, 3) / 3) for _ in range(dice.i(2, 5))]
        glyphs.append(tuple(points))
    return Hand(
        script, face, dice.pick((200, 300, 400, 400, 600, 800)), dice.pick(HERSHEY), tuple(glyphs)
    )


def word(dice: Dice, style: Hand, *, syllables: tuple[int, int] = (1, 4)) -> str:
    """An invented word in the style's script; digits now and then."""
    if dice.p(0.06):
        return str(dice.i(0, 9999))
    count = dice.i(*syllables)
    if style.script == "han":
        return "".join(dice.pick(_HAN) for _ in range(count + 1))
    source = _SYLLABLES.get(style.script, _SYLLABLES["latin"])
    return "".join(dice.pick(source) for _ in range(count))


def sentence(dice: Dice, style: Hand, words: int) -> str:
    """Some invented words, the first with a capital."""
    out = " ".join(word(dice, style) for _ in range(words))
    return out[:1].upper() + out[1:]


def _strokes(
    picture: Picture,
    text: str,
    x: float,
    y: float,
    size: float,
    colour: tuple[int, int, int],
    style: Hand,
) -> float:
    thick = max(round(size * style.weight / 4500), 1)
    for letter in text:
        if letter != " ":
            glyph = np.array(style.glyphs[ord(letter) % len(style.glyphs)])
            pts = glyph * (size * 0.45, -size * 0.72) + (x, y)
            cv2.polylines(
                picture, [np.rint(pts * 16).astype(np.int32)], False, colour, thick, cv2.LINE_AA, 4
            )
        x += size * (0.4 if letter == " " else 0.62)
    return x


def write(
    picture: Picture,
    text: str,
    x: float,
    y: float,
    size: float,
    colour: NDArray | tuple,
    style: Hand,
) -> float:
    """Write on an RGB uint8 picture in place, baseline starting at (x, y) px, size in px.

    Returns the x at which the writing ended. Writing outside the picture is cut off.
    """
    rgb = (int(colour[0]), int(colour[1]), int(colour[2]))
    size = max(float(size), 4.0)
    h, w = picture.shape[:2]
    if y < -size or y > h + 2 * size or x >= w:
        return x
    if style.face == "strokes":
        return _strokes(picture, text, x, y, size, rgb, style)
    if style.face == "hershey":
        scale = size / 30.0
        thick = max(round(size / 16), 1)
        cv2.putText(picture, text, (int(x), int(y)), style.hershey, scale, rgb, thick, cv2.LINE_AA)
        return x + cv2.getTextSize(text, style.hershey, scale, thick)[0][0]
    if style.face == "pillow":
        font = _pillow(round(size))
        x0, y0, x1, y1 = font.getbbox(text, anchor="ls")
        gw, gh = int(x1 - x0) + 2, int(y1 - y0) + 2
        left, top = int(x + x0), int(y + y0)
        cx0, cy0, cx1, cy1 = max(left, 0), max(top, 0), min(left + gw, w), min(top + gh, h)
        if cx1 > cx0 and cy1 > cy0:
            card = Image.new("L", (gw, gh), 0)
            ImageDraw.Draw(card).text((-x0, -y0), text, fill=255, font=font, anchor="ls")
            a = (
                np.asarray(card, np.float32)[cy0 - top : cy1 - top, cx0 - left : cx1 - left, None]
                / 255
            )
            part = picture[cy0:cy1, cx0:cx1]
            part[:] = np.rint(part + a * (np.array(rgb, np.float32) - part)).astype(np.uint8)
        return x + float(font.getlength(text))
    end, _ = cv2.putText(
        picture,
        text,
        (int(x), int(y)),
        rgb,
        _face(style.face),
        round(size),
        style.weight,
        cv2.PUT_TEXT_ALIGN_LEFT,
        (0, 1 << 20),
    )
    return float(end[0])


def paragraph(
    picture: Picture,
    dice: Dice,
    style: Hand,
    box: tuple[float, float, float, float],
    size: float,
    colour: NDArray | tuple,
    *,
    leading: float = 1.45,
) -> None:
    """Fill the box (x0, y0, x1, y1 px) with lines of invented words."""
    x0, y0, x1, y1 = box
    per_word = size * (2.2 if style.script == "han" else 3.6)
    y = y0 + size
    left = dice.i(3, 9)
    while y < y1:
        words = max(int((x1 - x0) / per_word * dice.u(0.85, 1.0)), 1)
        if left == 0:
            words = max(words // dice.i(2, 4), 1)
        line = sentence(dice, style, words)
        room = max(int((x1 - x0) / (size * 0.5)), 3)
        write(picture, line[:room], x0, y, size, colour, style)
        y += size * leading * (1.8 if left == 0 else 1.0)
        left = dice.i(3, 9) if left == 0 else left - 1
