"""What the set is showing: pictures, menus, pages, test patterns, and healthy oddities.

`render` gives an 8-bit sRGB picture (H, W, 3). Every kind here is healthy by itself; film bars,
split screens, stripes and checkerboards are what a naive fault detector trips over.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from synth import (
    artwork,
    boards,
    desktop,
    faces,
    figures,
    interface,
    nature,
    patterns,
    sparse,
    wallpapers,
)
from synth.arrays import Bytes
from synth.colour import hsv, random_colour
from synth.dice import Dice
from synth.fields import blur
from synth.painter import Painter
from synth.text import paragraph, sentence, word, write

Picture = Bytes

#: How often each kind is drawn. Photographs lead because most sets are brought in showing one.
KINDS = {
    "photo": 3.2,
    "photo_menu": 1.2,
    "menu": 1.3,
    "page": 1.0,
    "subtitles": 0.9,
    "letterbox": 1.0,
    "pillarbox": 0.6,
    "nosignal": 0.8,
    "ramp": 0.7,
    "ticker": 0.8,
    "bars": 0.9,
    "checker": 0.5,
    "split": 0.6,
    "crosshatch": 0.4,
    "night": 0.6,
    "stripes": 0.6,
    "plain": 0.7,
    "black+menu": 0.3,
    "windows": 0.6,
    "dots": 0.3,
    "snow": 0.15,
    "guide": 0.5,
    "web": 2.0,
    "dialog": 1.8,
    "terminal": 1.0,
    "board": 1.6,
    "dashboard": 1.2,
    "desktop": 1.4,
    "drawing": 0.9,
    "figure": 0.9,
    "bare": 0.0,
    "blank": 1.6,
    "scenery": 1.8,
    "portrait": 0.7,
    "game": 0.7,
    "sports": 0.6,
    "grid": 1.4,
    "wallpaper": 3.6,
}


@dataclass(frozen=True)
class Content:
    """A drawn picture.

    picture: (H, W, 3) uint8 sRGB. kind: a key of KINDS. photo: name of the bundled photograph in
    it, or None.
    """

    picture: Picture
    kind: str
    photo: str | None


def _photo(p: Painter) -> Picture:
    out = p.picture()
    if p.dice.p(0.15):
        p.badge(out)
    return out


def _photo_menu(p: Painter) -> Picture:
    out = p.picture()
    p.menu_box(out)
    return out


def _menu(p: Painter) -> Picture:
    out = p.flat((0, 0, 0))
    p.menu_box(out, full=True)
    return out


def _black_menu(p: Painter) -> Picture:
    out = p.flat(p.dice.pick(((0, 0, 0), (0, 0, 0), (16, 16, 16), (0, 0, 60))))
    p.menu_box(out)
    return out


def _page(p: Painter) -> Picture:
    d = p.dice
    light = d.p(0.75)
    out = p.flat(
        hsv(d.u(0, 1), d.u(0, 0.12), d.u(0.85, 1))
        if light
        else hsv(d.u(0, 1), d.u(0, 0.6), d.u(0, 0.2))
    )
    ink = (20, 20, 25) if light else (225, 225, 225)
    size = p.h * d.lu(0.018, 0.05)
    margin = p.w * d.u(0.02, 0.12)
    top = p.h * d.u(0.03, 0.1)
    if d.p(0.7):
        write(
            out, sentence(d, p.style, d.i(2, 4)), margin, top + size * 1.6, size * 1.8, ink, p.style
        )
        top += size * 3
    columns = d.pick((1, 1, 2, 3))
    step = (p.w - 2 * margin) / columns
    for k in range(columns):
        paragraph(
            out,
            d,
            p.style,
            (margin + k * step, top, margin + (k + 0.93) * step, p.h * 0.95),
            size,
            ink,
            leading=d.u(1.2, 1.8),
        )
    return out


def _subtitles(p: Painter) -> Picture:
    out = p.picture()
    p.subtitle(out)
    return out


def _ticker(p: Painter) -> Picture:
    out = p.picture()
    p.banner(out)
    return out


def _letterbox(p: Painter) -> Picture:
    out = p.flat((0, 0, 0))
    bar = int(p.h * p.dice.u(0.06, 0.17))
    out[bar : p.h - bar] = p.picture(p.h - 2 * bar)
    if p.dice.p(0.3):
        p.subtitle(out)
    return out


def _pillarbox(p: Painter) -> Picture:
    tone = p.dice.pick(((0, 0, 0), (0, 0, 0), (30, 30, 30), (128, 128, 128)))
    out = p.flat(tone)
    bar = int(p.w * p.dice.pick((0.125, 0.125, p.dice.u(0.06, 0.25), 0.34)))
    out[:, bar : p.w - bar] = p.picture(p.h, p.w - 2 * bar)
    if p.dice.p(0.2):
        out[:, :bar] = blur(out[:, bar : 2 * bar], p.h / 20) // 2
        out[:, p.w - bar :] = blur(out[:, p.w - 2 * bar : p.w - bar], p.h / 20) // 2
    return out


def _nosignal(p: Painter) -> Picture:
    d = p.dice
    tone = d.pick(
        (
            hsv(0.64, d.u(0.8, 1), d.u(0.5, 1)),
            np.zeros(3, np.uint8),
            random_colour(d, vivid=0.5),
            np.full(3, 40, np.uint8),
        )
    )
    out = p.flat(tone)
    bw, bh = int(p.w * d.u(0.15, 0.35)), int(p.h * d.u(0.08, 0.16))
    x0, y0 = int((p.w - bw) * d.u(0.1, 0.9)), int((p.h - bh) * d.u(0.1, 0.9))
    if d.p(0.7):
        out[y0 : y0 + bh, x0 : x0 + bw] = random_colour(d)
    write(
        out,
        sentence(d, p.style, 2),
        x0 + bw * 0.08,
        y0 + bh * 0.65,
        bh * 0.42,
        (245, 245, 245),
        p.style,
    )
    return out


def _split(p: Painter) -> Picture:
    """Two to four pictures side by side, sometimes split exactly in the middle."""
    d = p.dice
    n = d.pick((2, 2, 2, 3, 3, 4))
    out = p.flat(d.pick(((0, 0, 0), (255, 255, 255), (20, 20, 30))))
    gap = int(p.w * d.pick((0.0, 0.0, 0.004, 0.012)))
    cuts = [round(k * p.w / n) for k in range(n + 1)]
    if n == 2 and d.p(0.4):
        cuts[1] = int(p.w * d.u(0.3, 0.7))
    for a, b in itertools.pairwise(cuts):
        part = p.picture(p.h, max(b - a - gap, 8))
        out[:, a : a + part.shape[1]] = part
    if d.p(0.5):
        for a in cuts[:-1]:
            y = int(p.h * 0.86)
            out[y : y + p.h // 12, a + p.w // 60 : a + int(p.w / n * 0.85)] = random_colour(d)
            write(
                out,
                word(d, p.style).upper() + f" {d.i(0, 99)}",
                a + p.w // 40,
                y + p.h / 17,
                p.h / 18,
                (250, 250, 250),
                p.style,
            )
    if n > 2 and d.p(0.3):
        y = p.h // 2
        out[y:] = out[: p.h - y]
    return out


def _night(p: Painter) -> Picture:
    return (p.picture() * p.dice.lu(0.06, 0.45)).astype(np.uint8)


def _windows(p: Painter) -> Picture:
    """A desktop: overlapping windows with text on a wallpaper."""
    d = p.dice
    out = p.picture() if d.p(0.6) else p.flat(random_colour(d))
    for _ in range(d.i(1, 3)):
        bw, bh = int(p.w * d.u(0.25, 0.7)), int(p.h * d.u(0.25, 0.7))
        x0, y0 = d.i(0, p.w - bw), d.i(0, p.h - bh)
        light = d.p(0.7)
        out[y0 : y0 + bh, x0 : x0 + bw] = 245 if light else 35
        head = max(int(p.h * 0.035), 4)
        out[y0 : y0 + head, x0 : x0 + bw] = random_colour(d)
        if d.p(0.7):
            paragraph(
                out,
                d,
                p.style,
                (x0 + 8, y0 + head + 4, x0 + bw - 8, y0 + bh - 8),
                max(p.h * 0.022, 5),
                (30, 30, 30) if light else (220, 220, 220),
            )
        elif bh > head + 30 and bw > 40:
            out[y0 + head : y0 + bh, x0 : x0 + bw] = p.picture(bh - head, bw)
    return out


def _guide(p: Painter) -> Picture:
    """Tiles of a streaming home page or a programme guide."""
    d = p.dice
    out = p.flat(hsv(d.u(0, 1), d.u(0, 0.7), d.u(0.03, 0.25)))
    rows, columns = d.i(2, 5), d.i(3, 7)
    rh, cw = p.h / (rows + 0.6), p.w / (columns + 0.4)
    for r in range(rows):
        y = int((r + 0.4) * rh)
        write(
            out,
            sentence(d, p.style, 2),
            cw * 0.2,
            y - rh * 0.05,
            rh * 0.13,
            (230, 230, 230),
            p.style,
        )
        for c in range(columns):
            x, bw, bh = int((c + 0.2) * cw), int(cw * 0.9), int(rh * 0.72)
            if d.p(0.35) and bw > 30 and bh > 30:
                out[y : y + bh, x : x + bw] = p.picture(bh, bw)[
                    : out[y : y + bh].shape[0], : out[y : y + bh, x : x + bw].shape[1]
                ]
            else:
                out[y : y + bh, x : x + bw] = random_colour(d)
    return out


def _scenery(p: Painter) -> Picture:
    return artwork.enlarged(nature.scenery, p.dice, (p.h, p.w), 720)


def _wallpaper(p: Painter) -> Picture:
    out = artwork.enlarged(wallpapers.wallpaper, p.dice, (p.h, p.w), 800)
    overlay = p.dice.i(0, 9)
    if overlay < 3:
        p.menu_box(out)
    elif overlay < 4:
        p.subtitle(out)
    elif overlay < 6:
        p.badge(out)
    return out


def _portrait(p: Painter) -> Picture:
    return artwork.enlarged(faces.portrait, p.dice, (p.h, p.w), 560)


_DRAW: dict[str, Callable[[Painter], Picture]] = {
    "photo": _photo,
    "photo_menu": _photo_menu,
    "menu": _menu,
    "page": _page,
    "subtitles": _subtitles,
    "letterbox": _letterbox,
    "pillarbox": _pillarbox,
    "nosignal": _nosignal,
    "ramp": patterns.ramp,
    "ticker": _ticker,
    "bars": patterns.bars,
    "checker": patterns.checker,
    "split": _split,
    "crosshatch": patterns.crosshatch,
    "night": _night,
    "stripes": patterns.stripes,
    "plain": patterns.plain,
    "black+menu": _black_menu,
    "windows": _windows,
    "dots": patterns.dots,
    "snow": patterns.snow,
    "guide": _guide,
    "web": interface.web,
    "dialog": interface.dialog,
    "terminal": desktop.terminal,
    "board": boards.board,
    "dashboard": boards.dashboard,
    "desktop": desktop.desktop,
    "drawing": sparse.drawing,
    "figure": sparse.figure,
    "bare": sparse.bare,
    "blank": sparse.blank,
    "scenery": _scenery,
    "portrait": _portrait,
    "game": figures.game,
    "sports": figures.sports,
    "grid": patterns.grid,
    "wallpaper": _wallpaper,
}


def render(
    dice: Dice,
    shape: tuple[int, int],
    *,
    kind: str | None = None,
    without: tuple[str, ...] = (),
    lifelike: bool = False,
) -> Content:
    """Draw content of one kind (or one by weight, leaving out `without`) as (H, W, 3) uint8.

    With `lifelike`, pictures in it are of things whose true colours a viewer knows.

    Raises KeyError for an unknown kind.
    """
    chosen = kind or dice.weighted({k: v for k, v in KINDS.items() if k not in without})
    painter = Painter(dice, shape, lifelike=lifelike)
    picture = _DRAW[chosen](painter)
    return Content(np.ascontiguousarray(picture), chosen, painter.photo_name)
