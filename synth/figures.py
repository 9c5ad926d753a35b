"""Pictures with somebody in them: heads before a soft ground, games, sports fields."""

from __future__ import annotations

import cv2
import numpy as np

from synth.arrays import Bytes, Floats
from synth.colour import hsv, palette, random_colour
from synth.dice import Dice
from synth.fields import blur, fractal, grid, mix, smooth_noise
from synth.painter import Painter
from synth.shapes import box, grade, gradient, rgb
from synth.text import word, write

Picture = Bytes


def _oval(shape: tuple[int, int], x0: float, y0: float, rx: float, ry: float) -> Floats:
    """Soft-edged ellipse; positions in fractions of the height, x from the middle."""
    h, w = shape
    x, y = grid(shape)
    r = np.sqrt((((x - 0.5) * w / h - x0) / rx) ** 2 + ((y - y0) / ry) ** 2)
    return np.clip((1 - r) * h * min(rx, ry) / 1.5 + 0.5, 0, 1)


def _soft_backdrop(dice: Dice, shape: tuple[int, int]) -> Floats:
    h, w = shape
    f = fractal(dice, shape, cells=dice.u(1, 4), octaves=3)
    a = hsv(dice.u(0, 1), dice.u(0, 0.6), dice.u(0.1, 0.9)).astype(np.float32)
    b = hsv(dice.u(0, 1), dice.u(0, 0.6), dice.u(0.1, 0.9)).astype(np.float32)
    out = a + (b - a) * np.clip(0.5 + 0.7 * f, 0, 1)[..., None]
    for _ in range(dice.i(0, 7)):
        spot = _oval(shape, dice.u(-0.9, 0.9), dice.u(0, 1), dice.u(0.03, 0.3), dice.u(0.03, 0.4))
        mix(out, random_colour(dice, vivid=0.4).astype(np.float32), spot * np.float32(0.6))
    return np.asarray(blur(out.astype(np.float32), h * dice.u(0.01, 0.05)))


def head(dice: Dice, h: int, w: int) -> Picture:
    """A head and shoulders before a blurred ground, or a shaded thing on a plain one."""
    shape = (h, w)
    out = _soft_backdrop(dice, shape)
    x, y = grid(shape)
    tilt = dice.u(0.3, 1)
    light = np.clip(
        0.85 + 0.9 * tilt * ((x - 0.5) * w / h * dice.pick((-1, 1)) - 0.4 * (y - 0.5)), 0.2, 1.4
    )
    cx, size = dice.u(-0.35, 0.35), dice.u(0.13, 0.27)
    cy = dice.u(0.36, 0.5)
    skin = hsv(dice.u(0.03, 0.09), dice.u(0.25, 0.6), dice.u(0.3, 0.95)).astype(np.float32)
    hair = hsv(dice.u(0.03, 0.12), dice.u(0.1, 0.7), dice.lu(0.05, 0.7)).astype(np.float32)
    cloth = random_colour(dice).astype(np.float32)
    strands = 1 + 0.4 * cv2.resize(dice.array(-1, 1, (h // 20 + 2, w // 3 + 2)), (w, h))
    shade = light[..., None]
    if dice.p(0.6):  # long hair lies behind the shoulders
        mix(
            out,
            hair * strands[..., None] * shade,
            _oval(shape, cx, cy + size * 0.5, size * 1.15, size * 2),
        )
    folds = 1 + 0.25 * fractal(dice, shape, cells=8, octaves=4)
    body = _oval(shape, cx, cy + size * 3.6, size * dice.u(2.1, 2.9), size * 2.2)
    mix(out, cloth * (folds[..., None] * shade), body)
    mix(
        out,
        skin * shade * np.float32(0.75),
        _oval(shape, cx, cy + size * 1.2, size * 0.42, size * 0.75),
    )
    mix(
        out,
        hair * strands[..., None] * shade,
        _oval(shape, cx, cy - size * 0.22, size * 1.0, size * 1.22),
    )
    dx = ((x - 0.5) * w / h - cx) / size
    face = np.clip(light * (1.05 - 0.35 * dx * dx), 0, 1.3)[..., None]
    pores = (1 + 0.05 * fractal(dice, shape, cells=40, octaves=3))[..., None]
    mix(out, skin * face * pores, _oval(shape, cx, cy + size * 0.12, size * 0.78, size * 1.05))
    for side in (-1, 1):
        ex, ey = cx + side * size * 0.32, cy + size * 0.02
        mix(
            out,
            skin * np.float32(0.55),
            _oval(shape, ex, ey - size * 0.05, size * 0.22, size * 0.14) * 0.6,
        )
        mix(
            out,
            np.array((225, 222, 218), np.float32),
            _oval(shape, ex, ey, size * 0.14, size * 0.07),
        )
        mix(
            out, np.array((35, 28, 25), np.float32), _oval(shape, ex, ey, size * 0.065, size * 0.07)
        )
        mix(
            out,
            hair * np.float32(0.7),
            _oval(shape, ex, ey - size * 0.22, size * 0.2, size * 0.035),
        )
    mix(
        out,
        skin * np.float32(0.6),
        _oval(shape, cx + 0.04 * size, cy + size * 0.4, size * 0.1, size * 0.07) * 0.7,
    )
    lips = skin * np.array((0.85, 0.5, 0.5), np.float32)
    mix(out, lips, _oval(shape, cx, cy + size * 0.66, size * 0.27, size * dice.u(0.04, 0.1)))
    return np.clip(out, 0, 255).astype(np.uint8)


def thing(dice: Dice, h: int, w: int) -> Picture:
    """One turned object - a vase, a fruit, a bottle - on a soft ground."""
    shape = (h, w)
    out = _soft_backdrop(dice, shape)
    x, y = grid(shape)
    t = np.linspace(0, 1, h, dtype=np.float32)
    bumps = sum(dice.u(0.05, 0.4) * np.sin(np.pi * (k + 1) * t + dice.u(0, 3)) for k in range(3))
    half = np.clip(0.22 + 0.12 * np.asarray(bumps), 0.05, 0.45)[:, None]
    top, foot = dice.u(0.05, 0.35), dice.u(0.75, 0.95)
    u = ((x - dice.u(0.35, 0.65)) * w / h) / half
    inside = np.clip((1 - np.abs(u)) * half * h, 0, 1) * (y > top) * (y < foot)
    z = np.sqrt(np.clip(1 - u * u, 0, 1))
    light = np.clip(0.25 + 0.7 * (z * 0.7 - dice.pick((-0.6, 0.6)) * u), 0.05, 1.1)
    skin = random_colour(dice, vivid=0.6).astype(np.float32)
    mark = 1 + 0.3 * smooth_noise(dice, shape, dice.u(2, 20))
    glaze = 200 * np.exp(-(((u - dice.u(-0.5, 0.5)) / 0.12) ** 2))
    shadow = np.exp(-((((y - foot) * 14) ** 2) + (u / 1.6) ** 2)) * 0.6
    out *= (1 - shadow)[..., None]
    body = skin * (light * mark)[..., None] + glaze[..., None] * z[..., None]
    mix(out, np.clip(body, 0, 255).astype(np.float32), inside.astype(np.float32))
    return np.clip(out, 0, 255).astype(np.uint8)


def portrait(dice: Dice, h: int, w: int) -> Picture:
    """Somebody or something on a soft ground, graded."""
    out = head(dice, h, w) if dice.p(0.65) else thing(dice, h, w)
    return grade(dice, out)


# --- games and sports -----------------------------------------------------------------
def game(p: Painter) -> Picture:
    """A side view with sky, ground, blocks and a score line, or a maze or board from above."""
    d = p.dice
    if d.p(0.3):
        out = _board_game(p)
    else:
        out = _platforms(p)
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
