"""Pages that computers show: web pages, dialogs and messages."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.colour import hsv, random_colour
from synth.painter import Painter, Picture
from synth.shapes import box, centred, ink_on, rgb, soft_ground
from synth.text import paragraph, sentence, word, write

Rect = tuple[float, float, float, float]


# --- web pages ------------------------------------------------------------------------
def web(p: Painter) -> Picture:
    """A page in a browser: header, hero, then rows of cards, columns, rules or a table."""
    d = p.dice
    dark = d.p(0.22)
    ground = hsv(d.u(0, 1), d.u(0, 0.3), d.u(0.03, 0.2)) if dark else np.full(3, d.i(236, 255))
    accent = hsv(d.u(0, 1), d.u(0.4, 1), d.u(0.4, 0.95))
    out = p.flat(ground)
    unit = min(p.h, p.w) * d.u(0.016, 0.03)
    y = _browser(p, out, unit) if d.p(0.35) else 0.0
    y = _header(p, out, y, unit, accent)
    margin = p.w * d.pick((0.0, 0.02, 0.08, 0.16))
    if d.p(0.6):
        y = _hero(p, out, (margin, y, p.w - margin, y + p.h * d.u(0.2, 0.55)), accent)
    while y < p.h:
        tall = p.h * d.u(0.15, 0.4)
        rect = (margin + unit, y + unit, p.w - margin - unit, y + tall)
        block = d.weighted({"cards": 1.0, "columns": 1.0, "rules": 0.5, "air": 0.4, "strip": 0.25})
        if block == "cards":
            _cards(p, out, rect, unit, ground, accent)
        elif block == "columns":
            _columns(p, out, rect, unit, ink_on(ground, strength=d.u(0.6, 0.95)))
        elif block == "rules":
            _rules(p, out, rect, unit, ground)
        elif block == "strip":
            box(out, 0, rect[1], p.w, rect[3], random_colour(d, vivid=0.4))
        y += tall
    return out


def _browser(p: Painter, out: Picture, unit: float) -> float:
    """Tabs and address bar; gives the height used."""
    d = p.dice
    tone = d.pick((225, 200, 60, 40))
    box(out, 0, 0, p.w, unit * 3.6, (tone, tone, tone))
    for k in range(d.i(1, 5)):
        shade = tone + (20 if k == 0 else -12)
        x = unit * (1 + 9 * k)
        box(out, x, unit * 0.3, x + unit * 8.6, unit * 1.8, (shade, shade, shade), radius=unit / 3)
    bright = 255 if tone > 100 else 25
    box(
        out,
        unit * 5,
        unit * 2,
        p.w - unit * 4,
        unit * 3.3,
        (bright, bright, bright),
        radius=unit * 0.6,
    )
    text = word(d, p.style) + "." + word(d, p.style)
    write(out, text, unit * 6, unit * 2.95, unit * 0.8, (128, 128, 128), p.style)
    return unit * 3.6


def _header(p: Painter, out: Picture, y: float, unit: float, accent: NDArray) -> float:
    d = p.dice
    tall = unit * d.u(2, 4.5)
    tone = d.pick((accent, out[min(int(y) + 1, p.h - 1), 0].copy(), np.full(3, d.i(10, 60))))
    box(out, 0, y, p.w, y + tall, tone)
    ink = ink_on(tone)
    base = y + tall * 0.62
    write(out, word(d, p.style).title(), unit * 2, base, unit * 1.6, ink, p.style)
    x = p.w * d.u(0.3, 0.6)
    for _ in range(d.i(0, 6)):
        x = write(out, word(d, p.style), x, base, unit, ink, p.style) + unit * 1.5
    if d.p(0.5):
        box(
            out,
            p.w - unit * 8,
            y + tall * 0.2,
            p.w - unit * 2,
            y + tall * 0.8,
            random_colour(d, vivid=0.9),
            radius=unit / 2,
        )
    return y + tall


def _hero(p: Painter, out: Picture, rect: Rect, accent: NDArray) -> float:
    d = p.dice
    x0, y0, x1, y1 = (int(v) for v in rect)
    y1 = min(y1, p.h)
    if y1 - y0 < 12 or x1 - x0 < 12:
        return rect[3]
    if d.p(0.55):
        out[y0:y1, x0:x1] = p.picture(y1 - y0, x1 - x0)
        ink = np.full(3, 250)
    else:
        tone = d.pick((accent, np.full(3, d.i(200, 245)), random_colour(d)))
        box(out, x0, y0, x1, y1, tone)
        ink = ink_on(tone)
    size = (y1 - y0) * d.u(0.09, 0.17)
    left = x0 + (x1 - x0) * d.pick((0.06, 0.3, 0.55))
    y = y0 + (y1 - y0) * d.u(0.25, 0.5)
    for k in range(d.i(1, 3)):
        text = sentence(d, p.style, d.i(2, 4))
        write(out, text, left, y, size * (1 if k == 0 else 0.6), ink, p.style)
        y += size * 1.2
    if d.p(0.6):
        box(out, left, y, left + size * 4, y + size * 1.2, accent, radius=size * d.u(0, 0.6))
        write(
            out,
            word(d, p.style).title(),
            left + size * 0.6,
            y + size * 0.8,
            size * 0.55,
            ink_on(accent),
            p.style,
        )
    return float(y1)


def _cards(
    p: Painter, out: Picture, rect: Rect, unit: float, ground: NDArray, accent: NDArray
) -> None:
    d = p.dice
    x0, y0, x1, y1 = rect
    n = d.i(2, 5)
    step = (x1 - x0) / n
    tone = np.clip(np.asarray(ground, int) + d.pick((-14, 18, 0)), 0, 255)
    pictured, ink = d.p(0.6), ink_on(ground)
    for k in range(n):
        a, b = x0 + k * step + unit * 0.4, x0 + (k + 1) * step - unit * 0.4
        box(out, a, y0, b, y1, tone, radius=unit * 0.5)
        split = y0 + (y1 - y0) * 0.55
        if pictured:
            _inset(p, out, (a, y0, b, split), accent)
        top = split if pictured else y0
        write(
            out,
            sentence(d, p.style, 2)[:18],
            a + unit * 0.6,
            top + unit * 1.5,
            unit * 1.1,
            ink,
            p.style,
        )
        paragraph(
            out, d, p.style, (a + unit * 0.6, top + unit * 2, b - unit, y1 - unit), unit * 0.7, ink
        )


def _inset(p: Painter, out: Picture, rect: Rect, accent: NDArray) -> None:
    """A small picture, or the coloured box that stands for one."""
    x0, y0, x1, y1 = (int(v) for v in rect)
    y0, y1, x0, x1 = max(y0, 0), min(y1, p.h), max(x0, 0), min(x1, p.w)
    if y1 - y0 < 10 or x1 - x0 < 10:
        return
    if p.dice.p(0.4):
        out[y0:y1, x0:x1] = p.picture(y1 - y0, x1 - x0)
    else:
        tone = accent if p.dice.p(0.3) else random_colour(p.dice, vivid=0.35)
        box(out, x0, y0, x1, y1, tone)


def _columns(p: Painter, out: Picture, rect: Rect, unit: float, ink: NDArray) -> None:
    d = p.dice
    x0, y0, x1, y1 = rect
    n = d.pick((1, 1, 2, 3))
    step = (x1 - x0) / n
    write(out, sentence(d, p.style, d.i(1, 4)), x0, y0 + unit * 1.4, unit * 1.6, ink, p.style)
    for k in range(n):
        part = (x0 + k * step, y0 + unit * 2, x0 + (k + 0.92) * step, min(y1, p.h))
        paragraph(out, d, p.style, part, unit * d.u(0.7, 1.0), ink)


def _rules(p: Painter, out: Picture, rect: Rect, unit: float, ground: NDArray) -> None:
    """A table or list with grey rules."""
    d = p.dice
    x0, y0, x1, y1 = rect
    step = unit * d.u(1.6, 2.6)
    ink = ink_on(ground, strength=0.8)
    rule = ink_on(ground, strength=0.2)
    columns = [x0 + (x1 - x0) * f for f in (0, 0.4, 0.62, 0.85)[: d.i(1, 4)]]
    y = y0
    while y < min(y1, p.h):
        for x in columns:
            write(out, word(d, p.style), x, y + step * 0.65, unit * 0.9, ink, p.style)
        box(out, x0, y + step - 1, x1, y + step + unit * 0.08, rule)
        y += step


# --- dialogs and messages -------------------------------------------------------------
def dialog(p: Painter) -> Picture:
    """A message on a quiet ground, in a box or by itself."""
    d = p.dice
    if d.p(0.2):
        out = p.picture()
        if d.p(0.5):
            out = (out * d.u(0.3, 0.7)).astype(np.uint8)
    else:
        out = soft_ground(d, (p.h, p.w))
    if d.p(0.62):
        for _ in range(d.pick((1, 1, 1, 2))):
            _message_box(p, out)
    else:
        _message(p, out)
    if d.p(0.25):
        p.badge(out)
    return out


def _message_box(p: Painter, out: Picture) -> None:
    d = p.dice
    bw, bh = p.w * d.u(0.18, 0.75), p.h * d.u(0.1, 0.55)
    x0 = (p.w - bw) * d.pick((0.5, 0.5, d.u(0, 1)))
    y0 = (p.h - bh) * d.pick((0.5, 0.4, d.u(0, 1)))
    tone = d.pick((np.full(3, d.i(225, 255)), np.full(3, d.i(20, 70)), random_colour(d, vivid=0.7)))
    radius = bh * d.pick((0, 0, 0.05, 0.12))
    if d.p(0.4):
        box(
            out, x0 + bh / 30, y0 + bh / 20, x0 + bw + bh / 30, y0 + bh * 1.05, (0, 0, 0), alpha=0.4
        )
    box(out, x0, y0, x0 + bw, y0 + bh, tone, radius=radius)
    ink = ink_on(tone)
    lines = d.i(1, 4)
    size = min(bh / (lines + 2.5), bw / 14) * d.u(0.6, 0.95)
    y = y0 + size * 1.8
    if d.p(0.6):
        head = hsv(d.u(0, 1), d.u(0, 1), d.u(0.2, 0.9))
        box(out, x0, y0, x0 + bw, y0 + size * 1.5, head)
        write(
            out,
            word(d, p.style).title(),
            x0 + size * 0.5,
            y0 + size * 1.05,
            size * 0.8,
            ink_on(head),
            p.style,
        )
        box(out, x0 + bw - size * 1.3, y0 + size * 0.3, x0 + bw - size * 0.4, y0 + size * 1.2, tone)
        y += size * 1.3
    left = x0 + bw * 0.06
    if d.p(0.5):
        r = int(max(size * 0.9, 2))
        sign = hsv(d.pick((0.0, 0.13, 0.58)), 0.85, 0.9)
        cv2.circle(out, (int(left + r), int(y + size * 0.3)), r, rgb(sign), -1, cv2.LINE_AA)
        left += r * 2.8
    room = max(int((x0 + bw - left) / (size * 0.58)), 3)
    for _ in range(lines):
        write(out, sentence(d, p.style, d.i(2, 7))[:room], left, y, size * 0.85, ink, p.style)
        y += size * 1.2
    x = x0 + bw - size * 0.6
    for _ in range(d.i(0, 2)):
        tone = hsv(d.u(0, 1), d.u(0, 0.9), d.u(0.5, 0.9))
        top = y0 + bh - size * 1.7
        box(out, x - size * 4, top, x, top + size * 1.3, tone, radius=radius)
        write(
            out,
            word(d, p.style)[:6],
            x - size * 3.4,
            top + size * 0.95,
            size * 0.7,
            ink_on(tone),
            p.style,
        )
        x -= size * 4.6


def _message(p: Painter, out: Picture) -> None:
    """Lines of text straight on the ground, with a sign, bar or ring of dots perhaps."""
    d = p.dice
    size = min(p.h, p.w) * d.lu(0.03, 0.2)
    lines = d.i(1, 4)
    y = p.h * d.u(0.2, 0.75 - 0.08 * lines)
    tone = out[p.h // 4 : p.h * 3 // 4 : 8, p.w // 8 : p.w * 7 // 8 : 8].mean((0, 1))
    ink = ink_on(tone, strength=d.u(0.7, 1.0))
    if d.p(0.2):
        ink = hsv(d.u(0, 1), 0.9, 0.95 if ink[1] > 128 else 0.6)
    left = p.w * d.pick((0.05, 0.12, 0.25, 0.4))
    middle = d.p(0.5)
    if d.p(0.4):
        sign = random_colour(d, vivid=0.6) if d.p(0.5) else ink
        r = int(size * d.u(0.5, 1.2))
        where = (p.w // 2 if middle else int(left + r), int(max(y - size - r * 1.2, r)))
        cv2.circle(out, where, r, rgb(sign), d.pick((-1, max(r // 6, 1))), cv2.LINE_AA)
    for k in range(lines):
        s = size if k == 0 else size * d.u(0.45, 0.8)
        room = max(int((p.w * 0.97 - (0 if middle else left)) / (s * 0.58)), 3)
        text = sentence(d, p.style, d.i(1, 6))[:room]
        if middle:
            centred(out, text, p.w / 2, y, s, ink, p.style)
        else:
            write(out, text, left, y, s, ink, p.style)
        y += s * 1.6
    if d.p(0.3):
        wide = p.w * d.u(0.15, 0.5)
        box(out, left, y, left + wide, y + size * 0.3, ink_on(tone, strength=0.3))
        box(out, left, y, left + wide * d.u(0, 1), y + size * 0.3, random_colour(d, vivid=0.9))
