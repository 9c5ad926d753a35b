"""What the set is showing: pictures, menus, pages, test patterns, and healthy oddities.

`render` gives an 8-bit sRGB picture (H, W, 3). Every kind here is healthy by itself; film bars,
split screens, stripes and checkerboards are what a naive fault detector trips over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import artwork, photos
from synth.colour import hsv, palette, random_colour
from synth.dice import Dice
from synth.fields import grid
from synth.text import Hand, hand, paragraph, sentence, word, write

Picture = NDArray[np.uint8]

#: How often each kind is drawn. Photographs lead because most sets are brought in showing one.
KINDS = {
    "photo": 3.2, "photo_menu": 1.2, "menu": 1.3, "page": 1.0, "subtitles": 0.9, "letterbox": 1.0,
    "pillarbox": 0.6, "nosignal": 0.8, "ramp": 0.7, "ticker": 0.8, "bars": 0.9, "checker": 0.5,
    "split": 0.6, "crosshatch": 0.4, "night": 0.6, "stripes": 0.6, "plain": 0.7, "black+menu": 0.3,
    "windows": 0.6, "dots": 0.3, "snow": 0.15, "guide": 0.5,
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


class _Painter:
    """Draws with one dice and remembers which bundled photograph it used."""

    def __init__(self, dice: Dice, shape: tuple[int, int]) -> None:
        self.dice = dice
        self.h, self.w = shape
        self.style: Hand = hand(dice)
        self.photo_name: str | None = None
        self._photo_choice = dice.pick(photos.PICTURES)

    def picture(self, h: int | None = None, w: int | None = None) -> Picture:
        """A photograph or a procedural picture; one scene shows at most one photograph."""
        shape = (h or self.h, w or self.w)
        if self.dice.p(0.4):
            self.photo_name = self._photo_choice
            out = photos.crop(self.dice, photos.load(self._photo_choice), shape)
            if self.dice.p(0.15):
                out = cv2.cvtColor(out, cv2.COLOR_RGB2GRAY)[..., None].repeat(3, 2)
            return out
        return artwork.paint(self.dice, shape)

    def flat(self, colour: NDArray | tuple) -> Picture:
        out = np.empty((self.h, self.w, 3), np.uint8)
        out[:] = colour
        return out

    # --- overlays -----------------------------------------------------------------
    def menu_box(self, out: Picture, *, full: bool = False) -> None:
        """A settings menu: title, rows, a highlighted one, sliders or values."""
        d, h, w = self.dice, self.h, self.w
        bw, bh = (w, h) if full else (int(w * d.u(0.25, 0.65)), int(h * d.u(0.45, 0.9)))
        x0 = 0 if full else int((w - bw) * d.pick((0.04, 0.5, 0.96, d.u(0, 1))))
        y0 = 0 if full else int((h - bh) * d.u(0.02, 0.98))
        dark = d.p(0.6)
        ground = hsv(d.u(0, 1), d.u(0, 0.8), d.u(0.02, 0.35)) if dark else hsv(d.u(0, 1), d.u(0, 0.2), d.u(0.8, 1))
        ink = hsv(d.u(0, 1), d.u(0, 0.2), d.u(0.85, 1)) if dark else hsv(d.u(0, 1), d.u(0, 0.5), d.u(0, 0.3))
        accent = hsv(d.u(0, 1), d.u(0.3, 0.9), d.u(0.4, 0.9))
        part = out[y0:y0 + bh, x0:x0 + bw]
        alpha = 1.0 if full or d.p(0.5) else d.u(0.6, 0.97)
        part[:] = np.rint(part * (1 - alpha) + ground * alpha).astype(np.uint8)
        rows = d.i(4, 13)
        step = bh / (rows + 2.2)
        size = step * d.u(0.42, 0.62)
        pad = bw * d.u(0.04, 0.09)
        write(out, sentence(d, self.style, d.i(1, 2)), x0 + pad, y0 + step * 1.15, size * 1.35, ink, self.style)
        if d.p(0.6):
            cv2.line(out, (int(x0 + pad), int(y0 + step * 1.45)), (int(x0 + bw - pad), int(y0 + step * 1.45)),
                     tuple(int(c) for c in accent), max(int(size / 10), 1))
        chosen = d.i(0, rows - 1)
        sliders, values = d.p(0.5), d.p(0.5)
        bar_x = x0 + bw * d.u(0.55, 0.7)
        for k in range(rows):
            y = y0 + step * (k + 2.3)
            if k == chosen:
                out[int(y - step * 0.68):int(y + step * 0.3), int(x0 + pad / 2):int(x0 + bw - pad / 2)] = accent
            room = max(int((bar_x - x0 - pad) / (size * 0.62)), 3) if sliders or values else 60
            write(out, sentence(d, self.style, d.i(1, 3))[:room], x0 + pad, y, size, ink, self.style)
            if sliders and d.p(0.85):
                end = x0 + bw - pad
                ty0, ty1 = int(y - size * 0.5), int(y - size * 0.15) + 1
                out[ty0:ty1, int(bar_x):int(end)] = (ground * 0.5 + ink * 0.5).astype(np.uint8)
                out[ty0:ty1, int(bar_x):int(bar_x + (end - bar_x) * d.u(0, 1))] = ink
            elif values:
                write(out, word(d, self.style), bar_x, y, size, ink, self.style)

    def subtitle(self, out: Picture) -> None:
        d = self.dice
        size = self.h * d.u(0.035, 0.065)
        ink = d.pick((np.array([250, 250, 250]), np.array([250, 235, 60])))
        text = sentence(d, self.style, d.i(3, 7))
        x, y = self.w * d.u(0.12, 0.3), self.h * d.u(0.86, 0.95)
        for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
            write(out, text, x + dx * size / 14, y + dy * size / 14, size, (0, 0, 0), self.style)
        write(out, text, x, y, size, ink, self.style)

    def banner(self, out: Picture) -> None:
        d = self.dice
        y0 = int(self.h * d.u(0.8, 0.9))
        y1 = int(min(y0 + self.h * d.u(0.06, 0.12), self.h))
        out[y0:y1] = hsv(d.u(0, 1), d.u(0.2, 1), d.u(0.15, 0.6))
        head = int(self.w * d.u(0, 0.2))
        out[y0:y1, :head] = random_colour(d, vivid=0.9)
        write(out, sentence(d, self.style, 14), head + 8, y1 - (y1 - y0) * 0.3, (y1 - y0) * 0.55, (245, 245, 245), self.style)

    def badge(self, out: Picture) -> None:
        """A channel mark or a clock in a corner."""
        d = self.dice
        size = self.h * d.u(0.025, 0.06)
        x, y = d.pick((0.04, 0.82)) * self.w, d.pick((0.09, 0.95)) * self.h
        write(out, word(d, self.style) if d.p(0.5) else f"{d.i(0, 23)}:{d.i(0, 59):02d}", x, y, size, (235, 235, 235), self.style)


def _photo(p: _Painter) -> Picture:
    out = p.picture()
    if p.dice.p(0.15):
        p.badge(out)
    return out


def _photo_menu(p: _Painter) -> Picture:
    out = p.picture()
    p.menu_box(out)
    return out


def _menu(p: _Painter) -> Picture:
    out = p.flat((0, 0, 0))
    p.menu_box(out, full=True)
    return out


def _black_menu(p: _Painter) -> Picture:
    out = p.flat(p.dice.pick(((0, 0, 0), (0, 0, 0), (16, 16, 16), (0, 0, 60))))
    p.menu_box(out)
    return out


def _page(p: _Painter) -> Picture:
    d = p.dice
    light = d.p(0.75)
    out = p.flat(hsv(d.u(0, 1), d.u(0, 0.12), d.u(0.85, 1)) if light else hsv(d.u(0, 1), d.u(0, 0.6), d.u(0, 0.2)))
    ink = (20, 20, 25) if light else (225, 225, 225)
    size = p.h * d.lu(0.018, 0.05)
    margin = p.w * d.u(0.02, 0.12)
    top = p.h * d.u(0.03, 0.1)
    if d.p(0.7):
        write(out, sentence(d, p.style, d.i(2, 4)), margin, top + size * 1.6, size * 1.8, ink, p.style)
        top += size * 3
    columns = d.pick((1, 1, 2, 3))
    step = (p.w - 2 * margin) / columns
    for k in range(columns):
        paragraph(out, d, p.style, (margin + k * step, top, margin + (k + 0.93) * step, p.h * 0.95), size, ink,
                  leading=d.u(1.2, 1.8))
    return out


def _subtitles(p: _Painter) -> Picture:
    out = p.picture()
    p.subtitle(out)
    return out


def _ticker(p: _Painter) -> Picture:
    out = p.picture()
    p.banner(out)
    return out


def _letterbox(p: _Painter) -> Picture:
    out = p.flat((0, 0, 0))
    bar = int(p.h * p.dice.u(0.06, 0.17))
    out[bar:p.h - bar] = p.picture(p.h - 2 * bar)
    if p.dice.p(0.3):
        p.subtitle(out)
    return out


def _pillarbox(p: _Painter) -> Picture:
    tone = p.dice.pick(((0, 0, 0), (0, 0, 0), (30, 30, 30), (128, 128, 128)))
    out = p.flat(tone)
    bar = int(p.w * p.dice.pick((0.125, 0.125, p.dice.u(0.06, 0.25), 0.34)))
    out[:, bar:p.w - bar] = p.picture(p.h, p.w - 2 * bar)
    if p.dice.p(0.2):
        out[:, :bar] = cv2.GaussianBlur(out[:, bar:2 * bar], (0, 0), p.h / 20) // 2
        out[:, p.w - bar:] = cv2.GaussianBlur(out[:, p.w - 2 * bar:p.w - bar], (0, 0), p.h / 20) // 2
    return out


def _nosignal(p: _Painter) -> Picture:
    d = p.dice
    tone = d.pick((hsv(0.64, d.u(0.8, 1), d.u(0.5, 1)), np.zeros(3, np.uint8), random_colour(d, vivid=0.5), np.full(3, 40, np.uint8)))
    out = p.flat(tone)
    bw, bh = int(p.w * d.u(0.15, 0.35)), int(p.h * d.u(0.08, 0.16))
    x0, y0 = int((p.w - bw) * d.u(0.1, 0.9)), int((p.h - bh) * d.u(0.1, 0.9))
    if d.p(0.7):
        out[y0:y0 + bh, x0:x0 + bw] = random_colour(d)
    write(out, sentence(d, p.style, 2), x0 + bw * 0.08, y0 + bh * 0.65, bh * 0.42, (245, 245, 245), p.style)
    return out


def _ramp(p: _Painter) -> Picture:
    d = p.dice
    x, y = grid((p.h, p.w))
    kind = d.i(0, 3)
    t = x + 0 * y if kind == 0 else (y + 0 * x if kind == 1 else 0.5 * (x + y))
    if kind == 3:
        t = np.sqrt((x - 0.5) ** 2 + (y - 0.5) ** 2) * 1.4
    if d.p(0.5):
        t = 1 - t
    if d.p(0.45):
        steps = d.i(5, 20)
        t = np.floor(t * steps) / (steps - 1)
    top = np.array([255, 255, 255]) if d.p(0.75) else random_colour(d, vivid=1.0)
    return np.clip(t[..., None] * top, 0, 255).astype(np.uint8)


def _bars(p: _Painter) -> Picture:
    d = p.dice
    level = d.pick((191, 255))
    colours = [np.array([(k >> 1) & 1, (k >> 2) & 1, k & 1]) * level for k in range(7, -1, -1)]
    colours = colours[:d.pick((7, 8))] if d.p(0.8) else list(palette(d, d.i(4, 12)))
    out = p.flat((0, 0, 0))
    n = len(colours)
    across = d.p(0.85)
    for k, c in enumerate(colours):
        if across:
            out[:, round(k * p.w / n):round((k + 1) * p.w / n)] = c
        else:
            out[round(k * p.h / n):round((k + 1) * p.h / n)] = c
    if d.p(0.45):
        y0 = int(p.h * d.u(0.62, 0.75))
        out[y0:] = 0
        for k in range(6):
            out[y0 + p.h // 12:, k * p.w // 6:(k + 1) * p.w // 6] = d.pick((0, 16, 40, 128, 191, 255))
    if d.p(0.25):
        cv2.circle(out, (p.w // 2, p.h // 2), int(p.h * 0.45), (255, 255, 255), max(p.h // 250, 1), cv2.LINE_AA)
    return out


def _checker(p: _Painter) -> Picture:
    d = p.dice
    n = d.pick((4, 6, 8, 12, 16, 20, 32))
    m = max(round(n * p.h / p.w), 2)
    cells = (np.arange(n)[None, :] + np.arange(m)[:, None]) % 2
    a, b = (np.zeros(3), np.full(3, 255)) if d.p(0.7) else (random_colour(d), random_colour(d, vivid=1.0))
    small = np.where(cells[..., None], b, a).astype(np.uint8)
    return cv2.resize(small, (p.w, p.h), interpolation=cv2.INTER_NEAREST)


def _crosshatch(p: _Painter) -> Picture:
    d = p.dice
    out = p.flat(d.pick(((0, 0, 0), (0, 0, 0), (60, 60, 60), (255, 255, 255))))
    ink = (255, 255, 255) if out[0, 0, 0] < 128 else (0, 0, 0)
    n, thick = d.i(8, 30), max(int(p.h * d.u(0.002, 0.006)), 1)
    for k in range(n + 1):
        x = round(k * (p.w - thick) / n)
        out[:, x:x + thick] = ink
    m = max(round(n * p.h / p.w), 2)
    for k in range(m + 1):
        y = round(k * (p.h - thick) / m)
        out[y:y + thick] = ink
    if d.p(0.5):
        cv2.circle(out, (p.w // 2, p.h // 2), int(p.h * 0.42), ink, thick, cv2.LINE_AA)
    return out


def _split(p: _Painter) -> Picture:
    """Two to four pictures side by side, sometimes split exactly in the middle."""
    d = p.dice
    n = d.pick((2, 2, 2, 3, 3, 4))
    out = p.flat(d.pick(((0, 0, 0), (255, 255, 255), (20, 20, 30))))
    gap = int(p.w * d.pick((0.0, 0.0, 0.004, 0.012)))
    cuts = [round(k * p.w / n) for k in range(n + 1)]
    if n == 2 and d.p(0.4):
        cuts[1] = int(p.w * d.u(0.3, 0.7))
    for a, b in zip(cuts, cuts[1:], strict=False):
        part = p.picture(p.h, max(b - a - gap, 8))
        out[:, a:a + part.shape[1]] = part
    if d.p(0.5):
        for a in cuts[:-1]:
            y = int(p.h * 0.86)
            out[y:y + p.h // 12, a + p.w // 60:a + int(p.w / n * 0.85)] = random_colour(d)
            write(out, word(d, p.style).upper() + f" {d.i(0, 99)}", a + p.w // 40, y + p.h / 17, p.h / 18, (250, 250, 250), p.style)
    if n > 2 and d.p(0.3):
        y = p.h // 2
        out[y:] = out[:p.h - y]
    return out


def _night(p: _Painter) -> Picture:
    return (p.picture() * p.dice.lu(0.06, 0.45)).astype(np.uint8)


def _stripes(p: _Painter) -> Picture:
    """Upright, level or slanted stripes of random widths, as shirts, pages and test charts show."""
    d = p.dice
    upright = d.p(0.7)
    length = p.w if upright else p.h
    colours = palette(d, d.i(2, 8))
    line = np.empty((length, 3), np.uint8)
    x = 0
    even = d.i(length // 40, length // 5) if d.p(0.4) else 0
    while x < length:
        step = even or max(int(length * d.lu(0.005, 0.15)), 1)
        line[x:x + step] = d.pick(colours)
        x += step
    out = np.broadcast_to(line[None] if upright else line[:, None], (p.h, p.w, 3)).copy()
    if d.p(0.25):
        shear = np.array([[1, d.u(-0.6, 0.6), 0], [d.u(-0.3, 0.3), 1, 0]], np.float32)
        out = cv2.warpAffine(out, shear, (p.w, p.h), borderMode=cv2.BORDER_WRAP)
    if d.p(0.35):
        bw, bh = p.w // 3, p.h // 4
        out[p.h // 3:p.h // 3 + bh, p.w // 3:p.w // 3 + bw] = random_colour(d, vivid=0.2)
        write(out, sentence(d, p.style, 2), p.w // 3 + 8, p.h // 3 + bh * 0.6, bh * 0.25, (20, 20, 20), p.style)
    return out


def _plain(p: _Painter) -> Picture:
    """One colour: test pages of white, primaries, grey; black only with something on it."""
    d = p.dice
    tone = d.pick((np.full(3, 255), np.full(3, 255), np.full(3, d.i(60, 240)), *[np.array(c) * 255 for c in
                   ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1))], random_colour(d)))
    out = p.flat(tone)
    if d.p(0.3) or int(tone.max()) < 40:
        p.badge(out)
    return out


def _windows(p: _Painter) -> Picture:
    """A desktop: overlapping windows with text on a wallpaper."""
    d = p.dice
    out = p.picture() if d.p(0.6) else p.flat(random_colour(d))
    for _ in range(d.i(1, 3)):
        bw, bh = int(p.w * d.u(0.25, 0.7)), int(p.h * d.u(0.25, 0.7))
        x0, y0 = d.i(0, p.w - bw), d.i(0, p.h - bh)
        light = d.p(0.7)
        out[y0:y0 + bh, x0:x0 + bw] = 245 if light else 35
        head = max(int(p.h * 0.035), 4)
        out[y0:y0 + head, x0:x0 + bw] = random_colour(d)
        if d.p(0.7):
            paragraph(out, d, p.style, (x0 + 8, y0 + head + 4, x0 + bw - 8, y0 + bh - 8), max(p.h * 0.022, 5),
                      (30, 30, 30) if light else (220, 220, 220))
        elif bh > head + 30 and bw > 40:
            out[y0 + head:y0 + bh, x0:x0 + bw] = p.picture(bh - head, bw)
    return out


def _dots(p: _Painter) -> Picture:
    d = p.dice
    out = p.flat(d.pick(((0, 0, 0), (0, 0, 60), (40, 40, 40))))
    n = d.i(12, 36)
    colour = random_colour(d, vivid=0.7)
    s = max(int(p.w / n * d.u(0.3, 0.7)), 1)
    for x in np.arange(n) * p.w / n + p.w / n / 4:
        for y in np.arange(int(n * p.h / p.w)) * p.w / n + p.w / n / 4:
            out[int(y):int(y) + s, int(x):int(x) + s] = colour
    return out


def _snow(p: _Painter) -> Picture:
    d = p.dice
    cell = d.i(1, 4)
    small = d.rng.integers(0, 256, (p.h // cell + 1, p.w // cell + 1), np.uint8)
    out = cv2.resize(small, (p.w, p.h), interpolation=cv2.INTER_NEAREST)
    return out[..., None].repeat(3, 2)


def _guide(p: _Painter) -> Picture:
    """Tiles of a streaming home page or a programme guide."""
    d = p.dice
    out = p.flat(hsv(d.u(0, 1), d.u(0, 0.7), d.u(0.03, 0.25)))
    rows, columns = d.i(2, 5), d.i(3, 7)
    rh, cw = p.h / (rows + 0.6), p.w / (columns + 0.4)
    for r in range(rows):
        y = int((r + 0.4) * rh)
        write(out, sentence(d, p.style, 2), cw * 0.2, y - rh * 0.05, rh * 0.13, (230, 230, 230), p.style)
        for c in range(columns):
            x, bw, bh = int((c + 0.2) * cw), int(cw * 0.9), int(rh * 0.72)
            if d.p(0.35) and bw > 30 and bh > 30:
                out[y:y + bh, x:x + bw] = p.picture(bh, bw)[:out[y:y + bh].shape[0], :out[y:y + bh, x:x + bw].shape[1]]
            else:
                out[y:y + bh, x:x + bw] = random_colour(d)
    return out


_DRAW: dict[str, Callable[[_Painter], Picture]] = {
    "photo": _photo, "photo_menu": _photo_menu, "menu": _menu, "page": _page, "subtitles": _subtitles,
    "letterbox": _letterbox, "pillarbox": _pillarbox, "nosignal": _nosignal, "ramp": _ramp,
    "ticker": _ticker, "bars": _bars, "checker": _checker, "split": _split, "crosshatch": _crosshatch,
    "night": _night, "stripes": _stripes, "plain": _plain, "black+menu": _black_menu,
    "windows": _windows, "dots": _dots, "snow": _snow, "guide": _guide,
}


def render(dice: Dice, shape: tuple[int, int], *, kind: str | None = None,
           without: tuple[str, ...] = ()) -> Content:
    """Draw content of one kind (or one by weight, leaving out `without`) as (H, W, 3) uint8.

    Raises KeyError for an unknown kind.
    """
    chosen = kind or dice.weighted({k: v for k, v in KINDS.items() if k not in without})
    painter = _Painter(dice, shape)
    picture = _DRAW[chosen](painter)
    return Content(np.ascontiguousarray(picture), chosen, painter.photo_name)
