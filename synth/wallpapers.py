"""Still pictures without things in them: what sets, boxes and computers show when left alone.

Large bright regions with crisp or soft borders and gradients inside, few of them fine. To a
fault detector their borders are edges and their colours too strong to be true.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth.arrays import Bytes, Floats
from synth.artwork import blossom, creature, folds, mesh, shapes, waves
from synth.colour import hsv
from synth.dice import Dice
from synth.fields import Field, blur, filled, grid, mix, polygon, smooth_noise

Picture = Bytes


def _family(dice: Dice, count: int) -> list[Floats]:
    """Colours that a designer of wallpapers would put side by side, mostly bright and full."""
    base, width = dice.u(0, 1), dice.pick((0.06, 0.15, 0.35, 0.6))
    full, bright = dice.u(0.25, 1.0), dice.u(0.4, 1.0)
    return [
        hsv(
            base + width * dice.u(-1, 1),
            full * dice.u(0.6, 1.1),
            bright * dice.u(0.65, 1.15),
        ).astype(np.float32)
        for _ in range(count)
    ]


def _melted(dice: Dice, h: int, w: int, colours: list[Floats]) -> Floats:
    """Colours melted into each other around a few points (H, W, 3)."""
    x, y = grid((h, w))
    total = np.full((h, w), 1e-6, np.float32)
    out = np.zeros((h, w, 3), np.float32)
    tight = dice.u(4, 25)
    for colour in colours:
        d2 = (x - dice.u(-0.1, 1.1)) ** 2 + (y - dice.u(-0.1, 1.1)) ** 2
        weight = np.exp(-tight * d2)
        total += weight
        out += cv2.merge([np.float32(c) * weight for c in colour])
    return out / total[..., None]


def _curve(dice: Dice, h: int, w: int) -> Field:
    """Signed distance in pixels (H, W) from a bent line across the picture."""
    x, y = grid((h, w))
    angle, bend = dice.u(0, 2 * np.pi), dice.n(0, 0.6)
    s = np.float32(np.cos(angle)) * (x - 0.5) * (w / h) + np.float32(np.sin(angle)) * (y - 0.5)
    t = np.float32(-np.sin(angle)) * (x - 0.5) * (w / h) + np.float32(np.cos(angle)) * (y - 0.5)
    wave = dice.u(0, 0.15) * np.sin(t * dice.u(2, 7) + dice.u(0, 6.3))
    return ((s - dice.u(-0.6, 0.6) - bend * t * t - wave) * h).astype(np.float32)


def dunes(dice: Dice, h: int, w: int) -> Picture:
    """Melted colours with a few crisp bent edges, shaded on one side."""
    out = _melted(dice, h, w, _family(dice, dice.i(3, 6)))
    for _ in range(dice.i(1, 4)):
        d = _curve(dice, h, w)
        inside = np.clip(d / dice.pick((1.0, 1.0, 3.0, 20.0)) + 0.5, 0, 1)
        depth = np.exp(-np.maximum(d, 0) / (h * dice.u(0.05, 0.6)))
        if dice.p(0.5):
            top = _melted(dice, h, w, _family(dice, 3))
            mix(out, top, inside * dice.u(0.5, 1.0))
        else:
            out *= (1 + dice.u(-0.7, 0.7) * inside * depth)[..., None]
    return np.clip(out, 0, 255).astype(np.uint8)


def petals(dice: Dice, h: int, w: int) -> Picture:
    """Large translucent leaves over each other, each with its own gradient and rim."""
    out = _melted(dice, h, w, _family(dice, 3))
    colours = _family(dice, 8)
    root = np.array([dice.u(-0.1, 1.1) * w, dice.u(0.3, 1.3) * h])
    turn = dice.u(0, 2 * np.pi)
    a = np.linspace(0, 1, 60)
    for k in range(dice.i(3, 9)):
        length, wide = h * dice.u(0.5, 1.6), dice.u(0.12, 0.5)
        way = turn + dice.n(0, 0.9)
        along = np.concatenate([a, a[::-1]]) * length
        side = np.sin(np.pi * a**0.8) * wide * length
        across = np.concatenate([side, -side[::-1]])
        c, s = np.cos(way), np.sin(way)
        points = root + np.stack([along * c - across * s, along * s + across * c], 1)
        mask = polygon((h, w), points)
        ramp = np.clip(blur(mask, h * dice.u(0.03, 0.2)), 0, 1)
        first, last = colours[k % 8], colours[(k + 3) % 8]
        top = cv2.merge([f + (t - f) * ramp for f, t in zip(first, last, strict=True)])
        mix(out, top, mask * dice.u(0.4, 1.0))
    return np.clip(out, 0, 255).astype(np.uint8)


def ribbons(dice: Dice, h: int, w: int) -> Picture:
    """Wide slanting stripes, flat, straight or wavy."""
    x, y = grid((h, w))
    angle = dice.pick((dice.u(0, np.pi), 0.0, np.pi / 2, np.pi / 4))
    place = np.float32(np.cos(angle)) * x * (w / h) + np.float32(np.sin(angle)) * y
    ragged = dice.pick((0.0, 0.02, 0.1))
    place = place + np.float32(ragged) * smooth_noise(dice, (h, w), dice.u(2, 12))
    edges = np.cumsum(dice.array(0.05, 0.45, (40,)))
    which = np.searchsorted(edges, place.ravel() + 0.5).reshape(h, w)
    table = np.stack(_family(dice, 42))
    return np.clip(table[np.minimum(which, 41)], 0, 255).astype(np.uint8)


def facets(dice: Dice, h: int, w: int) -> Picture:
    """Paper folded into large flat triangles."""
    n = dice.i(2, 6)
    m = max(round(n * h / w), 1)
    gx = np.linspace(-0.1, 1.1, n + 1)[None, :] + dice.normal((m + 1, n + 1)) * (0.3 / n)
    gy = np.linspace(-0.1, 1.1, m + 1)[:, None] + dice.normal((m + 1, n + 1)) * (0.3 / m)
    points = np.stack([gx * w, gy * h], -1)
    colours = _family(dice, 4)
    out = filled((h, w), colours[0], np.float32)
    for r in range(m):
        for c in range(n):
            quad = [points[r, c], points[r, c + 1], points[r + 1, c + 1], points[r + 1, c]]
            flip = dice.i(0, 1)
            for corners in (quad[flip : flip + 3], [quad[flip + 2], quad[flip - 1], quad[flip]]):
                tone = colours[dice.i(0, 3)] * dice.u(0.6, 1.15)
                line = np.rint(np.array(corners) * 16).astype(np.int32)
                cv2.fillConvexPoly(out, line, [float(v) for v in tone], cv2.LINE_AA, 4)
    return np.clip(out, 0, 255).astype(np.uint8)


def emblem(dice: Dice, h: int, w: int) -> Picture:
    """A mark with an outline, alone on a flat or melted ground."""
    colours = _family(dice, 5)
    out = filled((h, w), colours[0], np.float32)
    if dice.p(0.4):
        out = _melted(dice, h, w, colours[:3])
    x, y = dice.u(0.2, 0.8) * w, dice.u(0.3, 0.7) * h
    size = h * dice.u(0.15, 0.5)
    a = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    for k in range(dice.i(2, 6)):
        lobes, deep = dice.i(2, 9), dice.u(0, 0.5)
        r = size * (1 - k / 7) * (1 + deep * np.sin(lobes * a + dice.u(0, 6.3)))
        points = np.stack([x + r * np.cos(a) * dice.u(0.7, 1.3), y + r * np.sin(a)], 1)
        ink = np.full(3, dice.pick((8.0, 250.0)), np.float32)
        line = np.rint(points * 16).astype(np.int32)
        mix(out, colours[(k + 1) % 5], polygon((h, w), points))
        if dice.p(0.6):
            cv2.polylines(
                out, [line], True, [float(v) for v in ink], max(int(h * 0.012), 1), cv2.LINE_AA, 4
            )
    return np.clip(out, 0, 255).astype(np.uint8)


PAINTERS: dict[str, tuple[Callable[[Dice, int, int], Picture], float]] = {
    "dunes": (dunes, 2.0),
    "petals": (petals, 1.5),
    "ribbons": (ribbons, 1.0),
    "facets": (facets, 0.7),
    "emblem": (emblem, 1.0),
    "mesh": (mesh, 0.6),
    "waves": (waves, 0.8),
    "folds": (folds, 0.8),
    "shapes": (shapes, 0.5),
    "blossom": (blossom, 0.5),
    "creature": (creature, 0.4),
}


def wallpaper(dice: Dice, h: int, w: int) -> Picture:
    """One wallpaper (H, W, 3), kind by weight."""
    name = dice.weighted({k: v[1] for k, v in PAINTERS.items()})
    return PAINTERS[name][0](dice, h, w)
