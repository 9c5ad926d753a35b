"""Public screens: timetables, price lists, room signs, dashboards."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synth.colour import hsv, palette, random_colour
from synth.painter import Painter, Picture
from synth.shapes import box, chart, frame, ink_on, soft_ground
from synth.text import paragraph, sentence, word, write


def _cell(p: Painter, kind: str) -> str:
    """A short entry of a table column."""
    d = p.dice
    if kind == "time":
        return f"{d.i(0, 23)}:{d.i(0, 59):02d}"
    if kind == "number":
        return str(d.i(1, 9999))
    if kind == "price":
        return f"{d.i(1, 40)}.{d.i(0, 99):02d}"
    if kind == "gate":
        return f"{d.pick('ABCDEFGH')}{d.i(1, 60)}"
    text = word(d, p.style, syllables=(2, 4))
    return text.upper() if kind == "caps" else text.capitalize()


def board(p: Painter) -> Picture:
    """A timetable or price list: a header, then many rows of short words and numbers."""
    d = p.dice
    light = d.p(0.3)
    hue = d.pick((0.0, 0.6, 0.6, 0.33, 0.1, d.u(0, 1)))
    ground = hsv(hue, d.u(0, 0.25), d.u(0.85, 1)) if light else hsv(hue, d.u(0, 1), d.u(0, 0.45))
    out = p.flat(ground)
    panes = d.pick((1, 1, 1, 2, 3)) if p.w > p.h else 1
    top = _board_header(p, out, ground)
    foot = p.h * d.pick((1.0, 1.0, 0.93))
    step = p.w / panes
    rows = d.i(5, 24)
    plan = _plan(p)
    for k in range(panes):
        if panes > 1 and d.p(0.2):
            x = int(k * step)
            tall = int(foot) - int(top)
            out[int(top) : int(top) + tall, x : x + int(step)] = p.picture(tall, int(step))
            continue
        rect = (k * step + p.w * 0.01, top, (k + 1) * step - p.w * 0.01, foot)
        _rows(p, out, rect, rows, plan, ground)
    if foot < p.h:
        box(out, 0, foot, p.w, p.h, random_colour(d, vivid=0.6))
        size = (p.h - foot) * 0.55
        write(out, sentence(d, p.style, 6), p.w * 0.03, p.h - size * 0.5, size, (245,) * 3, p.style)
    return out


def _board_header(p: Painter, out: Picture, ground: NDArray) -> float:
    d = p.dice
    if d.p(0.12):
        return 0.0
    tall = p.h * d.u(0.06, 0.2)
    tone = d.pick((random_colour(d, vivid=0.8), hsv(d.u(0.5, 0.7), 0.8, 0.5), ground))
    if d.p(0.2):
        out[: int(tall)] = p.picture(int(tall), p.w)
    else:
        box(out, 0, 0, p.w, tall, tone)
    size = min(tall * 0.55, p.w / 12)
    write(out, sentence(d, p.style, d.i(1, 2)), p.w * 0.03, tall * 0.7, size, ink_on(tone), p.style)
    if d.p(0.5):
        write(out, _cell(p, "time"), p.w * 0.85, tall * 0.7, size * 0.8, ink_on(tone), p.style)
    return tall


def _plan(p: Painter) -> list[tuple[str, float]]:
    """What each column holds and where it begins, as fractions of the pane."""
    d = p.dice
    choice = d.pick(
        (
            ("time", "caps", "number", "gate", "status"),
            ("caps", "number", "time", "status"),
            ("name", "price"),
            ("name", "price", "price"),
            ("gate", "name", "time"),
            ("time", "name", "name", "status"),
            ("number", "caps", "time", "time", "gate", "status"),
        )
    )
    share = {"name": 2.6, "caps": 2.6, "status": 1.6}
    wide = np.array([share.get(k, 1.0) for k in choice])
    start = np.concatenate([[0], np.cumsum(wide)[:-1]]) / wide.sum()
    return list(zip(choice, start.tolist(), strict=True))


def _rows(
    p: Painter,
    out: Picture,
    rect: tuple[float, float, float, float],
    rows: int,
    plan: list[tuple[str, float]],
    ground: NDArray,
) -> None:
    d = p.dice
    x0, y0, x1, y1 = rect
    step = (y1 - y0) / rows
    size = min(step * d.u(0.5, 0.72), (x1 - x0) / (len(plan) * 4.5))
    a = np.clip(np.asarray(ground, int) + d.i(-30, 45), 0, 255)
    striped, ruled = d.p(0.6), d.p(0.3)
    inks = [ink_on(ground), d.pick((ink_on(ground), hsv(0.14, 0.8, 1)))]
    states = [hsv(h, 0.85, 0.75) for h in (0.33, 0.0, 0.12)]
    filled = d.p(0.5)
    used = rows if d.p(0.7) else d.i(1, rows)
    for r in range(rows):
        y = y0 + r * step
        if striped and r % 2:
            box(out, x0, y, x1, y + step, a)
        if ruled:
            box(out, x0, y + step - 1, x1, y + step + step / 30, ink_on(ground, strength=0.3))
        if r >= used or d.p(0.03):
            continue
        for c, (kind, start) in enumerate(plan):
            x = x0 + (0.015 + start * 0.98) * (x1 - x0)
            base = y + step * 0.5 + size * 0.36
            if kind == "status":
                tone = states[int(d.u(0, 1) ** 2 * 3)]
                if filled:
                    box(out, x, y + step * 0.08, x1, y + step * 0.92, tone)
                write(
                    out,
                    _cell(p, "caps")[:9],
                    x + size * 0.2,
                    base,
                    size * 0.9,
                    ink_on(tone) if filled else tone,
                    p.style,
                )
            else:
                write(out, _cell(p, kind)[:14], x, base, size, inks[c % 2], p.style)


# --- dashboards -----------------------------------------------------------------------
def dashboard(p: Painter) -> Picture:
    """Tiles over a picture or flat ground: clock, charts, gauges, lists and small pictures."""
    d = p.dice
    if d.p(0.4):
        out = p.picture()
        if d.p(0.4):
            out = (out * d.u(0.4, 0.8)).astype(np.uint8)
    else:
        out = soft_ground(d, (p.h, p.w))
    columns, rows = (d.i(2, 5), d.i(2, 4)) if p.w > p.h else (d.i(1, 3), d.i(3, 6))
    gap = min(p.h, p.w) * d.u(0.005, 0.03)
    head = p.h * d.pick((0.0, 0.08, 0.12))
    if head:
        size = head * 0.5
        ink = ink_on(out[int(head / 2), p.w // 4])
        write(out, sentence(d, p.style, 2), gap * 2, head * 0.7, size, ink, p.style)
    cw, rh = (p.w - gap) / columns, (p.h - head - gap) / rows
    tone = d.pick((np.full(3, d.i(235, 255)), np.full(3, d.i(10, 60)), random_colour(d)))
    alpha, colours = d.pick((1.0, 1.0, 0.75, 0.55)), palette(d, 6)
    motley, bare = d.p(0.25), d.u(0, 0.35)
    taken = np.zeros((rows, columns), bool)
    for r in range(rows):
        for c in range(columns):
            if taken[r, c]:
                continue
            wide = 2 if c + 1 < columns and not taken[r, c + 1] and d.p(0.3) else 1
            tall = 2 if r + 1 < rows and d.p(0.25) else 1
            taken[r : r + tall, c : c + wide] = True
            if d.p(bare):
                continue
            x0, y0 = gap + c * cw, head + gap + r * rh
            rect = (x0, y0, x0 + wide * cw - gap, y0 + tall * rh - gap)
            _tile(p, out, rect, random_colour(d) if motley else tone, alpha, list(colours))
    return out


def _tile(
    p: Painter,
    out: Picture,
    rect: tuple[float, float, float, float],
    tone: NDArray,
    alpha: float,
    colours: list[NDArray],
) -> None:
    d = p.dice
    x0, y0, x1, y1 = rect
    w, h = x1 - x0, y1 - y0
    if w < 20 or h < 20:
        return
    kind = d.weighted(
        {"chart": 1.6, "clock": 0.8, "number": 1.0, "picture": 0.7, "text": 0.8, "list": 0.6}
    )
    if kind == "picture":
        a, b = int(x0), int(y0)
        out[b : int(y1), a : int(x1)] = p.picture(int(y1) - b, int(x1) - a)
        return
    box(out, x0, y0, x1, y1, tone, radius=min(w, h) * 0.06, alpha=alpha)
    if d.p(0.15):
        frame(out, x0, y0, x1, y1, colours[0], min(w, h) / 100)
    ink = ink_on(out[int((y0 + y1) / 2), int((x0 + x1) / 2)])
    size = min(h * 0.12, w * 0.09)
    left, top = x0 + w * 0.06, y0 + size * 1.4
    if kind == "clock":
        big = min(h * 0.5, w * 0.3)
        write(out, _cell(p, "time"), left, y0 + h * 0.6, big, ink, p.style)
        write(out, sentence(d, p.style, 2)[:22], left, y0 + h * 0.85, size, ink, p.style)
        return
    write(out, sentence(d, p.style, d.i(1, 2))[:18], left, top, size, ink, p.style)
    inner = (left, top + size * 0.6, x1 - w * 0.06, y1 - h * 0.08)
    if kind == "chart":
        chart(out, d, inner, colours)
    elif kind == "number":
        colour = d.pick((ink, colours[1]))
        big = min(h * 0.42, w * 0.22)
        write(out, _cell(p, d.pick(("number", "price"))), left, y0 + h * 0.7, big, colour, p.style)
    elif kind == "text":
        paragraph(out, d, p.style, inner, size * 0.7, ink)
    else:
        for k in range(d.i(2, 6)):
            y = top + size * 1.5 * (k + 1)
            if y > y1 - size * 0.3:
                break
            write(out, word(d, p.style)[:12], left, y, size * 0.8, ink, p.style)
            write(out, _cell(p, "price"), x0 + w * 0.68, y, size * 0.8, colours[2], p.style)
