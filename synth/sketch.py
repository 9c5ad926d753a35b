"""Shaded shapes on a flat linear picture (H, W, 3): the vocabulary of the still lifes and views.

Light comes from the upper left unless a caller says otherwise. Positions are pixels.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import matter
from synth.arrays import Bytes, Floats
from synth.colour import from_linear
from synth.dice import Dice
from synth.fields import blur, mix, polygon

Points = NDArray[np.float64]


# 4096 steps of linear light: below one code value of sRGB even in the blacks.
_CODES = from_linear(np.arange(4096) / 4095.0)


def finish(image: Floats, *, soft: float = 0.0) -> Bytes:
    """Linear picture to 8-bit sRGB, perhaps softened."""
    light = blur(image, soft) if soft > 0 else image
    return _CODES[np.clip(light * np.float32(4095), 0, 4095).astype(np.uint16)]


def window(image: Floats, x0: float, y0: float, x1: float, y1: float) -> tuple[slice, slice] | None:
    """The part of the picture that a box covers, or None."""
    h, w = image.shape[:2]
    a, b = max(int(np.floor(x0)), 0), min(int(np.ceil(x1)) + 1, w)
    c, d = max(int(np.floor(y0)), 0), min(int(np.ceil(y1)) + 1, h)
    return (slice(c, d), slice(a, b)) if b > a + 1 and d > c + 1 else None


def ball(
    image: Floats, x: float, y: float, r: float, colour: Floats, *, shine: float = 0.3
) -> None:
    """A shaded ball with a highlight and a bounce from below."""
    part = window(image, x - r, y - r, x + r, y + r)
    if part is None or r < 1:
        return
    gy, gx = np.mgrid[part[0], part[1]].astype(np.float32)
    dx, dy = (gx - x) / r, (gy - y) / r
    d2 = dx * dx + dy * dy
    z = np.sqrt(np.clip(1 - d2, 0, 1))
    lit = np.clip(-0.45 * dx - 0.6 * dy + 0.66 * z, 0, 1)
    glint = np.clip(-0.3 * dx - 0.4 * dy + 0.87 * z, 0, 1) ** 45
    value = colour * (0.12 + 0.9 * lit)[..., None] + (shine * glint)[..., None]
    mix(image[part], value.astype(np.float32), np.clip((1 - np.sqrt(d2)) * r + 0.5, 0, 1))


def shade(image: Floats, points: Points, amount: float, soft: float) -> None:
    """A soft dark patch: the shadow of something."""
    pts = np.asarray(points, np.float64)
    pad = 3 * soft
    part = window(image, *(pts.min(0) - pad), *(pts.max(0) + pad))
    if part is None:
        return
    here = image[part]
    mask = polygon(here.shape[:2], pts - (part[1].start, part[0].start))
    here *= 1 - np.float32(amount) * blur(mask, soft)[..., None]


def fill(image: Floats, points: Points, colour: Floats, *, ramp: float = 0.0) -> None:
    """A flat polygon; `ramp` brightens its left and darkens its right."""
    pts = np.asarray(points, np.float64)
    part = window(image, *pts.min(0), *pts.max(0))
    if part is None:
        return
    here = image[part]
    mask = polygon(here.shape[:2], pts - (part[1].start, part[0].start))
    tone = np.linspace(1 + ramp, 1 - ramp, here.shape[1], dtype=np.float32)[None, :, None]
    mix(here, np.broadcast_to(colour * tone, here.shape).astype(np.float32), mask)


def rect(x0: float, y0: float, x1: float, y1: float) -> Points:
    """Corners of an upright rectangle."""
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def oval(x: float, y: float, rx: float, ry: float, count: int = 28) -> Points:
    """Points of an ellipse."""
    a = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.stack([x + rx * np.cos(a), y + ry * np.sin(a)], 1)


def turned(
    image: Floats,
    x: float,
    foot: float,
    profile: NDArray[np.float64],
    colour: Floats,
    *,
    gloss: float = 0.3,
) -> None:
    """A turned vessel standing at (x, foot): `profile` (N, 2) of radius and height, pixels."""
    r, hgt = profile[:, 0], profile[:, 1]
    pts = np.concatenate([np.stack([x - r, foot - hgt], 1), np.stack([x + r, foot - hgt], 1)[::-1]])
    part = window(image, *pts.min(0), *pts.max(0))
    if part is None:
        return
    here = image[part]
    off = np.array([part[1].start, part[0].start])
    mask = polygon(here.shape[:2], pts - off)
    rows = foot - np.arange(part[0].start, part[0].stop)
    order = np.argsort(hgt)
    radius = np.maximum(np.interp(rows, hgt[order], r[order]), 1)[:, None]
    u = np.clip((np.arange(part[1].start, part[1].stop)[None, :] - x) / radius, -1, 1)
    lit = 0.18 + 0.8 * np.clip(np.sqrt(1 - u * u) * 0.75 - 0.55 * u, 0, 1)
    glint = gloss * np.exp(-(((u + 0.45) / 0.07) ** 2)) + 0.3 * gloss * np.exp(
        -(((u - 0.7) / 0.06) ** 2)
    )
    mix(here, (colour * lit[..., None] + glint[..., None]).astype(np.float32), mask)


def cord(image: Floats, points: Points, width: float, colour: Floats, *, soft: float = 0.0) -> None:
    """A cable, mast or twig through points; a thinner bright line makes it round when wide."""
    pts = np.asarray(points, np.float64)
    pad = width + 3 * soft + 2
    part = window(image, *(pts.min(0) - pad), *(pts.max(0) + pad))
    if part is None:
        return
    here = image[part]
    line = np.rint((pts - (part[1].start, part[0].start)) * 16).astype(np.int32)
    thick = max(round(width), 1)
    mask = np.zeros(here.shape[:2], np.uint8)
    cv2.polylines(mask, [line], False, min(int(255 * width), 255), thick, cv2.LINE_AA, 4)
    alpha = blur(mask.astype(np.float32) * np.float32(1 / 255), soft)
    mix(here, np.broadcast_to(colour, here.shape).astype(np.float32), alpha)
    if thick >= 4:
        core = np.zeros(here.shape[:2], np.uint8)
        up = line - np.int32(thick * 3)
        cv2.polylines(core, [up], False, 255, max(thick // 3, 1), cv2.LINE_AA, 4)
        soft_core = blur(core.astype(np.float32) * np.float32(1 / 255), thick / 5) * alpha
        mix(here, np.broadcast_to(colour * 1.9 + 0.01, here.shape).astype(np.float32), soft_core)


def wander(dice: Dice, start: Points, step: float, count: int) -> Points:
    """Points (count, 2) of a lazily curling line, such as a cable left lying."""
    turn = np.cumsum(np.cumsum(dice.normal((count,)) * 0.09) + dice.n(0, 0.05))
    way = np.stack([np.cos(turn + dice.u(0, 6.28)), np.sin(turn + dice.u(0, 6.28))], 1)
    return np.asarray(start + np.cumsum(way * step, 0), np.float64)


LEAF = np.array(
    [[0, 0], [0.25, 0.2], [0.5, 0.27], [0.75, 0.18], [1, 0], [0.75, -0.18], [0.5, -0.27],
     [0.25, -0.2]]
)  # fmt: skip


def scatter(
    image: Floats,
    dice: Dice,
    at: Points,
    size: Floats,
    colours: Floats,
    *,
    wide: float = 1.0,
    shape: Points = LEAF,
) -> None:
    """Many small shapes (leaves, blades, petals) in order; at (N, 2), size (N,), colours (N, 3)."""
    n = len(at)
    a = dice.array(0, 2 * np.pi, (n,))
    squeeze = wide * dice.array(0.4, 1.1, (n,))
    c, s = np.cos(a) * size, np.sin(a) * size
    lx, ly = shape[:, 0][None, :], shape[:, 1][None, :] * squeeze[:, None]
    x = at[:, :1] + c[:, None] * lx - s[:, None] * ly
    y = at[:, 1:] + s[:, None] * lx + c[:, None] * ly
    polys = np.rint(np.stack([x, y], -1) * 16).astype(np.int32)
    tones = colours.astype(float).tolist()
    for k in range(n):
        cv2.fillConvexPoly(image, polys[k], tones[k], cv2.LINE_8, 4)


def ground(
    dice: Dice, h: int, w: int, colour: Floats, rough: float = 0.3, *, stretch: float = 1.0
) -> Floats:
    """A field or water seen at a slant, filling (h, w): finer at the top, coarser below."""
    tall = np.maximum(np.linspace(0.12, 1, h, dtype=np.float32), 0.02)
    depth = np.cumsum(1 / tall)
    pattern = matter.cloud(dice, (256, 256), 40, 3, gain=0.8) + 0.6 * matter.cloud(
        dice, (256, 256), 4, 3
    )
    v = (depth * (256 / max(float(depth[-1]), 1) * 2.5)).astype(np.float32)[:, None]
    u = (np.linspace(-1, 1, w, dtype=np.float32)[None, :] / tall[:, None]) * (90 / stretch)
    out = cv2.remap(
        pattern, np.mod(u, 256), np.broadcast_to(np.mod(v, 256), (h, w)).astype(np.float32),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP,
    )  # fmt: skip
    tone = np.clip(1 + rough * out, 0.1, 2.2)
    return (colour * tone[..., None]).astype(np.float32)
