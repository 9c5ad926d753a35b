"""Heads and single things before a soft ground, as portraits and advertisements show them."""

from __future__ import annotations

import cv2
import numpy as np

from synth.arrays import Bytes, Floats
from synth.colour import hsv, random_colour
from synth.dice import Dice
from synth.fields import blur, fractal, grid, mix, smooth_noise
from synth.shapes import grade

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
