"""Screens of computers: terminals full of text, and desktops with windows."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.colour import hsv, random_colour
from synth.painter import Painter, Picture
from synth.shapes import box, frame, ink_on, soft_ground
from synth.text import paragraph, word, write

_GLYPHS = "abcdefghijklmnopqrstuvwxyz0123456789.:/-_=()[]$#>*"


def _atlas(p: Painter, cw: int, ch: int) -> NDArray:
    """Coverage of each glyph and, last, of the blank: (N, ch, cw) 0..255."""
    cells = np.zeros((len(_GLYPHS) + 1, ch, cw), np.uint8)
    font = p.dice.pick((cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_PLAIN, cv2.FONT_HERSHEY_DUPLEX))
    for k, glyph in enumerate(_GLYPHS):
        (gw, gh), _ = cv2.getTextSize(glyph, font, 1.0, 1)
        scale = min(cw * 0.95 / max(gw, 1), ch * 0.7 / 20)
        thick = 2 if ch > 26 else 1
        card = np.zeros((ch, cw), np.uint8)
        cv2.putText(card, glyph, (0, int(ch * 0.75)), font, scale, 255, thick, cv2.LINE_AA)
        cells[k] = card
    return cells


def _lines(p: Painter, rows: int, columns: int) -> NDArray:
    """Glyph numbers (rows, columns) of invented listings; the blank is the last number."""
    d = p.dice
    blank = len(_GLYPHS)
    out = np.full((rows, columns), blank)
    style = d.pick(("listing", "prose", "dense", "columns"))
    used = rows if d.p(0.55) else d.i(1, rows)
    for r in range(used):
        if style != "dense" and d.p(0.12):
            continue
        indent = 0 if style in ("prose", "dense") else d.pick((0, 0, 2, 4, 8))
        long = d.u(0.75, 1) if style in ("prose", "dense") else d.u(0.1, 0.8)
        end = max(int(columns * long), indent + 1)
        out[r, indent:end] = d.rng.integers(0, blank, end - indent)
        gaps = d.rng.random(columns) < (0.12 if style == "dense" else 0.18)
        out[r, gaps] = blank
    if style == "columns":
        step = d.i(8, 22)
        out[:, np.arange(columns) % step > step * 0.6] = blank
    return out


def terminal_on(p: Painter, out: Picture, rect: tuple[int, int, int, int]) -> None:
    """A text screen in the rectangle (x0, y0, x1, y1 px)."""
    d = p.dice
    x0, y0, x1, y1 = rect
    h, w = y1 - y0, x1 - x0
    ch = int(max(min(p.h, p.w) * d.lu(0.016, 0.05), 7))
    cw = max(int(ch * d.u(0.48, 0.6)), 4)
    rows, columns = max(h // ch, 1), max(w // cw, 1)
    dark = d.p(0.8)
    ground = hsv(d.u(0, 1), d.pick((0, 0, 0.6, 0.9)), d.pick((0, 0.05, 0.12, 0.35)))
    ground = ground if dark else np.full(3, d.i(225, 255))
    ink = d.pick((ink_on(ground, strength=d.u(0.6, 1.0)), hsv(d.pick((0.33, 0.12, 0.5)), 0.8, 0.9)))
    ink = ink if dark else ink_on(ground)
    lines = _lines(p, rows, columns)
    mask = _atlas(p, cw, ch)[lines].transpose(0, 2, 1, 3).reshape(rows * ch, columns * cw)
    text = _inked(mask, ground, ink)
    for _ in range(d.pick((0, 0, rows // 3, rows))):
        r, c = d.i(0, rows - 1) * ch, d.i(0, columns - 1) * cw
        part = (slice(r, r + ch), slice(c, c + d.i(3, 20) * cw))
        text[part] = _inked(mask[part], ground, hsv(d.u(0, 1), 0.75, 0.9 if dark else 0.6))
    area = out[y0:y1, x0:x1]
    area[:] = ground
    area[: rows * ch, : columns * cw] = text[:h, :w]


def _inked(mask: NDArray, ground: NDArray, ink: NDArray) -> Picture:
    """Coverage 0..255 (H, W) as ink on a ground."""
    share = np.arange(256)[:, None] / 255
    lut = np.rint(ground * (1 - share) + ink * share).astype(np.uint8)
    return np.asarray(cv2.LUT(cv2.merge([mask] * 3), lut[None]))


def terminal(p: Painter) -> Picture:
    out = p.flat((0, 0, 0))
    pad = int(p.h * p.dice.pick((0, 0, 0.02)))
    terminal_on(p, out, (pad, pad, p.w - pad, p.h - pad))
    if p.dice.p(0.2):
        top = p.h * 0.05
        box(out, 0, 0, p.w, top, random_colour(p.dice, vivid=0.4))
        write(
            out, word(p.dice, p.style), p.w * 0.02, top * 0.7, top * 0.5, (240, 240, 240), p.style
        )
    return out


# --- desktops -------------------------------------------------------------------------
def desktop(p: Painter) -> Picture:
    """Wallpaper, a bar at one edge, icons, and up to two windows, large or nearly blank."""
    d = p.dice
    out = p.picture() if d.p(0.6) else soft_ground(d, (p.h, p.w))
    _icons(p, out)
    for _ in range(d.pick((0, 1, 1, 1, 2, 2))):
        _window(p, out)
    _taskbar(p, out)
    return out


def _icons(p: Painter, out: Picture) -> None:
    d = p.dice
    size = min(p.h, p.w) * d.u(0.035, 0.07)
    columns = d.pick((0, 1, 1, 2, 4))
    right = d.p(0.3)
    for c in range(columns):
        x = size * (0.6 + 2.2 * c)
        x = p.w - x - size if right else x
        for r in range(d.i(1, max(int(p.h / size / 2.2), 1))):
            y = size * (0.5 + 2.1 * r)
            box(out, x, y, x + size, y + size, random_colour(d), radius=size * 0.2)
            write(
                out,
                word(d, p.style)[:9],
                x - size * 0.3,
                y + size * 1.5,
                size * 0.32,
                (245,) * 3,
                p.style,
            )


def _taskbar(p: Painter, out: Picture) -> None:
    d = p.dice
    if d.p(0.15):
        return
    thick = min(p.h, p.w) * d.u(0.03, 0.06)
    tone = hsv(d.u(0, 1), d.u(0, 0.5), d.pick((0.08, 0.2, 0.9)))
    side = d.weighted({"bottom": 0.7, "top": 0.15, "left": 0.15})
    if side == "left":
        box(out, 0, 0, thick, p.h, tone, alpha=d.pick((0.99, 0.7)))
    else:
        y = 0 if side == "top" else p.h - thick
        box(out, 0, y, p.w, y + thick, tone, alpha=d.pick((0.99, 0.7)))
        clock = f"{d.i(0, 23)}:{d.i(0, 59):02d}"
        write(out, clock, p.w - thick * 2.2, y + thick * 0.68, thick * 0.45, ink_on(tone), p.style)
    for k in range(d.i(1, 9)):
        at = thick * (0.2 + 1.1 * k)
        x, y = (thick * 0.15, at) if side == "left" else (at, 0 if side == "top" else p.h - thick)
        y += 0 if side == "left" else thick * 0.15
        box(out, x, y, x + thick * 0.7, y + thick * 0.7, random_colour(d), radius=thick * 0.15)


def _window(p: Painter, out: Picture) -> None:
    d = p.dice
    bw, bh = int(p.w * d.u(0.3, 0.95)), int(p.h * d.u(0.3, 0.92))
    x0, y0 = d.i(0, max(p.w - bw, 0)), d.i(0, max(p.h - bh, 0))
    head = max(int(min(p.h, p.w) * d.u(0.025, 0.045)), 4)
    tone = hsv(d.u(0, 1), d.u(0, 0.7), d.pick((0.2, 0.5, 0.92)))
    body = np.full(3, d.pick((255, 255, 245, 225, 190, 40)))
    box(out, x0, y0, x0 + bw, y0 + bh, body)
    inner = (x0, y0 + head, x0 + bw, y0 + bh)
    kind = d.weighted({"blank": 1.0, "text": 1.0, "terminal": 0.7, "picture": 0.5, "panes": 0.7})
    ink, size = ink_on(body), max(head * 0.6, 5)
    if kind == "text":
        paragraph(
            out, d, p.style, (x0 + head, y0 + 2 * head, x0 + bw - head, y0 + bh - head), size, ink
        )
    elif kind == "terminal":
        terminal_on(p, out, inner)
    elif kind == "picture" and bh > head + 20:
        out[y0 + head : y0 + bh, x0 : x0 + bw] = p.picture(bh - head, bw)
    elif kind == "panes":
        side = x0 + bw * d.u(0.15, 0.4)
        box(out, x0, y0, side, y0 + bh, hsv(d.u(0, 1), d.u(0, 0.3), d.u(0.1, 0.9)))
        paragraph(
            out, d, p.style, (side + 8, y0 + 2 * head, x0 + bw, y0 + bh * d.u(0.3, 1)), size, ink
        )
    box(out, x0, y0, x0 + bw, y0 + head, tone)
    write(
        out, word(d, p.style), x0 + head * 0.5, y0 + head * 0.7, head * 0.55, ink_on(tone), p.style
    )
    for k in range(3):
        box(
            out,
            x0 + bw - head * (k + 0.8),
            y0 + head * 0.3,
            x0 + bw - head * (k + 0.4),
            y0 + head * 0.7,
            ink_on(tone),
        )
    if d.p(0.5):
        frame(out, x0, y0, x0 + bw - 1, y0 + bh - 1, (120, 120, 120), p.h / 600)
