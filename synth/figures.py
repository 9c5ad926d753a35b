"""Games and sports: blocks and sprites, roads, and fields with players."""

from __future__ import annotations

import cv2
import numpy as np

from synth.arrays import Bytes
from synth.colour import hsv, palette, random_colour
from synth.dice import Dice
from synth.fields import fractal, grid
from synth.painter import Painter
from synth.shapes import box, gradient, rgb
from synth.text import word, write

Picture = Bytes


def game(p: Painter) -> Picture:
    """Blocks and platforms from the side, a board from above or a road, with a score line."""
    d = p.dice
    view = d.weighted({"side": 0.5, "above": 0.25, "road": 0.25})
    out = {"side": _platforms, "above": _board_game, "road": _road}[view](p)
    size = min(p.h, p.w) * d.u(0.035, 0.07)
    x = p.w * 0.03
    for _ in range(d.i(1, 4)):
        text = f"{word(d, p.style)} {d.i(0, 99999)}"
        x = write(out, text, x, size * 1.4, size, (250, 250, 250), p.style) + p.w * 0.08
    return out


def _platforms(p: Painter) -> Picture:
    d = p.dice
    sky = gradient(
        (p.h, p.w),
        hsv(d.u(0.4, 0.8), d.u(0.2, 0.8), d.u(0.2, 1)),
        hsv(d.u(0, 1), d.u(0.1, 0.6), d.u(0.3, 1)),
        np.pi / 2,
    )
    out = sky
    for k in range(d.i(0, 3)):
        tone = hsv(d.u(0.2, 0.6), d.u(0.2, 0.6), 0.75 - 0.18 * k)
        for _ in range(d.i(2, 5)):
            c, r = (d.i(0, p.w), int(p.h * d.u(0.8, 1.0))), int(p.h * d.u(0.15, 0.4))
            cv2.circle(out, c, r, rgb(tone), -1, cv2.LINE_AA)
    cell = max(int(min(p.h, p.w) / d.i(9, 22)), 6)
    soil = hsv(d.u(0, 0.45), d.u(0.3, 0.9), d.u(0.3, 0.8))
    crust = hsv(d.u(0.15, 0.5), d.u(0.4, 1), d.u(0.4, 0.95))
    ground = p.h - cell * d.i(1, 3)
    for x in range(0, p.w, cell):
        if d.p(0.08):
            continue
        box(out, x, ground, x + cell, p.h, soil)
        box(out, x, ground, x + cell, ground + cell * 0.25, crust)
        box(out, x, ground, x + max(cell // 16, 1), p.h, soil // 2)
    brick = random_colour(d, vivid=0.9)
    for _ in range(d.i(3, 9)):
        x, y = d.i(0, p.w // cell) * cell, ground - cell * d.i(2, 6)
        for k in range(d.i(1, 6)):
            a = x + k * cell
            box(out, a, y, a + cell, y + cell, brick // 2)
            box(out, a + cell / 14, y + cell / 14, a + cell * 0.93, y + cell * 0.93, brick)
    for _ in range(d.i(1, 6)):
        _sprite(d, out, d.i(0, p.w - cell), ground - cell - d.pick((0, 0, cell * 3)), cell)
    return out


def _road(p: Painter) -> Picture:
    """A road that bends away between fields, with kerbs, a dashed middle and cars."""
    d = p.dice
    line = int(p.h * d.u(0.3, 0.55))
    out = gradient(
        (p.h, p.w),
        hsv(d.u(0.5, 0.9), d.u(0.3, 0.9), d.u(0.2, 1)),
        hsv(d.u(0, 1), d.u(0.1, 0.7), d.u(0.5, 1)),
        np.pi / 2,
    )
    field, kerb = hsv(d.u(0.08, 0.4), d.u(0.3, 0.9), d.u(0.25, 0.8)), hsv(d.u(0, 1), 0.85, 0.85)
    t = (np.arange(line, p.h) - line + 1) / (p.h - line)
    band = (np.floor(d.u(4, 9) / (t + 0.12)).astype(int) % 2).astype(bool)
    middle = p.w * (0.5 + d.u(-0.5, 0.5) * (1 - t) ** 2)
    half = p.w * (0.01 + d.u(0.3, 0.6) * t)
    x = np.arange(p.w)[None, :]
    r = np.abs(x - middle[:, None]) / half[:, None]
    row = band[:, None]
    land = np.where(row[..., None], field, (field * 0.88).astype(np.uint8))
    land = np.where((r < 1.1)[..., None], np.where(row[..., None], kerb, np.uint8(240)), land)
    land = np.where((r < 1)[..., None], np.uint8(d.i(60, 120)), land)
    out[line:] = np.where(((r < 0.03) & row)[..., None], np.uint8(235), land)
    for k in range(d.i(1, 5)):
        v = d.u(0.1, 0.9) if k else 0.85
        s, at = half[int(v * (len(t) - 1))] * 0.3, middle[int(v * (len(t) - 1))]
        cx, cy, tone = at + d.u(-0.6, 0.6) * s * 2.5, line + v * (p.h - line), random_colour(d)
        box(out, cx - s, cy - s * 0.5, cx + s, cy, tone, radius=s * 0.15)
        box(out, cx - s * 0.7, cy - s * 0.85, cx + s * 0.7, cy - s * 0.45, tone // 2)
        for side in (-0.85, 0.6):
            box(out, cx + side * s, cy - s * 0.15, cx + (side + 0.25) * s, cy + s * 0.1, (15,) * 3)
    return out


def _sprite(dice: Dice, out: Picture, x: int, y: int, cell: int) -> None:
    """A mirror-symmetric pixel figure."""
    colours = [random_colour(dice, vivid=0.9) for _ in range(3)]
    half = dice.rng.integers(0, 4, (8, 4))
    bits = np.concatenate([half, half[:, ::-1]], 1)
    s = cell / 8
    for r, c in np.argwhere(bits > 0):
        box(out, x + c * s, y + r * s, x + (c + 1) * s, y + (r + 1) * s, colours[bits[r, c] - 1])


def _board_game(p: Painter) -> Picture:
    """Falling blocks, a maze or counters on a board."""
    d = p.dice
    out = p.flat(hsv(d.u(0, 1), d.u(0, 0.7), d.u(0, 0.35)))
    n = d.i(8, 20)
    cell = int(min(p.h, p.w) * 0.84 / n)
    x0, y0 = int((p.w - cell * n) * d.u(0.1, 0.9)), int(p.h * 0.12)
    colours = palette(d, 6)
    box(out, x0, y0, x0 + n * cell, y0 + n * cell, hsv(d.u(0, 1), d.u(0, 0.4), d.u(0, 0.9)))
    fill, round_ = d.u(0.15, 0.6), d.p(0.4)
    for r in range(n):
        for c in range(n):
            if not d.p(fill * (0.3 + 1.2 * r / n)):
                continue
            a, b, tone = x0 + c * cell, y0 + r * cell, colours[d.i(0, 5)]
            if round_:
                centre = (a + cell // 2, b + cell // 2)
                cv2.circle(out, centre, max(int(cell * 0.42), 1), rgb(tone), -1, cv2.LINE_AA)
            else:
                box(out, a + 1, b + 1, a + cell - 1, b + cell - 1, tone)
    return out


def sports(p: Painter) -> Picture:
    """A field seen from the stand: white lines in perspective, players, stand, score box."""
    d = p.dice
    hue, sat = d.pick(((0.3, 0.6), (0.3, 0.6), (0.27, 0.5), (0.07, 0.5), (0.57, 0.5), (0.6, 0.05)))
    base = hsv(hue, sat * d.u(0.8, 1.4), d.u(0.35, 0.8)).astype(np.float32)
    h, w = p.h // 2, p.w // 2
    x, y = grid((h, w))
    top = d.u(0.0, 0.35)
    depth = np.clip((y - top) / (1 - top), 0.001, 1)
    mown = np.sign(np.sin((x - 0.5) / (0.5 + depth) * d.u(15, 50) + 0 * y)) * d.pick(
        (0, 0.05, 0.09)
    )
    field = base * (1 + mown + 0.08 * fractal(d, (h, w), cells=60, octaves=3))[..., None]
    crowd = random_colour(d, vivid=0.2) * np.clip(0.6 + 0.6 * d.normal((h, w, 1)), 0, 2)
    field = np.where((y > top)[..., None], field, crowd * 0.6)
    out = cv2.resize(np.clip(field, 0, 255).astype(np.uint8), (p.w, p.h))
    _pitch_lines(p, out, top)
    _players(p, out, top)
    size = min(p.h, p.w) * d.u(0.03, 0.05)
    sx, sy = p.w * d.pick((0.04, 0.4, 0.7)), p.h * d.pick((0.04, 0.04, 0.88))
    box(out, sx, sy, sx + size * 9, sy + size * 1.6, hsv(d.u(0, 1), d.u(0, 0.8), d.u(0.05, 0.4)))
    text = (
        f"{word(d, p.style)[:3].upper()} {d.i(0, 9)}-{d.i(0, 9)} {d.i(0, 90):02d}:{d.i(0, 59):02d}"
    )
    write(out, text, sx + size * 0.4, sy + size * 1.15, size, (245, 245, 245), p.style)
    return out


def _pitch_lines(p: Painter, out: Picture, top: float) -> None:
    """Lines, boxes and an ellipse of a field, laid into perspective."""
    d = p.dice
    y0 = p.h * (top + d.u(0.02, 0.12))
    squeeze, shift = d.u(0.45, 0.9), d.u(-0.4, 0.4) * p.w
    thick = max(int(p.h * d.u(0.003, 0.008)), 1)

    def place(u: float, v: float) -> tuple[int, int]:
        scale = squeeze + (1.5 - squeeze) * v * v
        return int(p.w / 2 + shift + (u - 0.5) * p.w * scale), int(y0 + (p.h * 1.05 - y0) * v)

    def stroke(points: list[tuple[float, float]]) -> None:
        pts = np.array([place(u, v) for u, v in points], np.int32)
        cv2.polylines(out, [pts], False, (238, 240, 238), thick, cv2.LINE_AA)

    stroke([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)])
    if d.p(0.7):
        mid = d.u(0.2, 0.8)
        stroke([(mid, 0), (mid, 1)])
        turn = np.linspace(0, 2 * np.pi, 40)
        stroke([(mid + 0.09 * np.cos(a), 0.5 + 0.17 * np.sin(a)) for a in turn])
    for side in (0.0, 1.0):
        s = 1 - 2 * side
        stroke([(side, 0.25), (side + 0.15 * s, 0.25), (side + 0.15 * s, 0.75), (side, 0.75)])
    if d.p(0.3):
        for k in range(1, 10):
            stroke([(k / 10, 0), (k / 10, 1)])


def _players(p: Painter, out: Picture, top: float) -> None:
    d = p.dice
    kits = [random_colour(d, vivid=0.9) for _ in range(2)]
    large = d.lu(0.03, 0.15)
    for k in range(d.i(2, 18)):
        v = d.u(0.08, 0.95)
        x, y = d.u(0.02, 0.98) * p.w, p.h * (top + (1 - top) * v)
        s = p.h * large * (0.5 + v)
        cv2.ellipse(
            out,
            (int(x + s * 0.15), int(y)),
            (int(s * 0.3) + 1, int(s * 0.07) + 1),
            0,
            0,
            360,
            (25, 45, 25),
            -1,
        )
        for leg in (-1, 1):
            foot = (int(x + leg * s * d.u(0.05, 0.25)), int(y))
            cv2.line(
                out,
                (int(x), int(y - s * 0.45)),
                foot,
                (200, 160, 130),
                max(int(s * 0.09), 1),
                cv2.LINE_AA,
            )
        box(out, x - s * 0.13, y - s * 0.85, x + s * 0.13, y - s * 0.4, kits[k % 2])
        cv2.circle(
            out, (int(x), int(y - s * 0.95)), max(int(s * 0.1), 1), (190, 150, 120), -1, cv2.LINE_AA
        )
