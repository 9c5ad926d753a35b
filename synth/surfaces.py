"""Albedo textures of walls, benches and floors: tileable-enough (H, W, 3) float32, 0..1 linear."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth import artwork, photos
from synth.arrays import Floats
from synth.colour import random_colour, to_linear
from synth.dice import Dice
from synth.fields import fractal, grid, smooth_noise

Texture = Floats
SIZE = 384


def paint_colour(dice: Dice, *, wall: bool) -> Floats:
    """A wall or furniture colour, linear albedo (3,)."""
    if wall:
        tone = dice.u(0.25, 0.85) if dice.p(0.75) else dice.u(0.03, 0.25)
        tint = dice.array(-1, 1, (3,)) * np.float32(dice.pick((0.04, 0.1, 0.25)))
        return np.clip(tone * (1 + tint), 0.02, 0.9).astype(np.float32)
    return np.clip(to_linear(random_colour(dice, vivid=0.35)[None])[0], 0.02, 0.85)


def _plain(dice: Dice, base: Texture) -> Texture:
    return (
        base * (1 + dice.u(0.0, 0.08) * fractal(dice, (SIZE, SIZE), cells=6, octaves=5))[..., None]
    )


def _stripes(dice: Dice, base: Texture) -> Texture:
    n = dice.i(3, 16)
    x, _ = grid((SIZE, SIZE))
    on = ((x * n) % 1 < dice.u(0.3, 0.7)).astype(np.float32)
    on = np.broadcast_to(on, (SIZE, SIZE))
    if dice.p(0.2):
        on = on.T
    other = base * np.float32(dice.u(0.45, 0.9)) if dice.p(0.8) else paint_colour(dice, wall=True)
    return base + on[..., None] * (other - base)


def _grain(dice: Dice, base: Texture) -> Texture:
    """Planks of wood."""
    x, y = grid((SIZE, SIZE))
    planks = dice.i(1, 7)
    f = smooth_noise(dice, (SIZE, SIZE), 3)
    rings = np.sin(
        (y * dice.u(8, 30) + f * dice.u(1, 4) + 0.2 * smooth_noise(dice, (SIZE, SIZE), 20)) * 6.28
    )
    tone = 1 + dice.u(0.05, 0.35) * rings + 0.1 * fractal(dice, (SIZE, SIZE), cells=60, octaves=2)
    row = np.floor(y * planks)
    tone = tone * (1 + 0.15 * np.sin(row * 12.9898)) * np.where((y * planks) % 1 < 0.02, 0.4, 1)
    wood = np.array(
        [dice.u(0.25, 0.55), dice.u(0.14, 0.32), dice.u(0.05, 0.18)], np.float32
    ) * np.float32(dice.u(0.4, 1.4))
    return wood * np.broadcast_to(tone, (SIZE, SIZE))[..., None].astype(np.float32)


def _tiles(dice: Dice, base: Texture) -> Texture:
    n = dice.i(3, 10)
    x, y = grid((SIZE, SIZE))
    joint = (((x * n) % 1 < 0.05) | ((y * n) % 1 < 0.05)).astype(np.float32)
    cells = cv2.resize(dice.array(0.85, 1.1, (n, n)), (SIZE, SIZE), interpolation=cv2.INTER_NEAREST)
    return base * (cells * (1 - joint * dice.u(0.2, 0.7)))[..., None]


def _photo_texture(dice: Dice, base: Texture) -> Texture:
    picture = photos.load(dice.pick(photos.TEXTURES))
    part = to_linear(cv2.resize(picture, (SIZE, SIZE), interpolation=cv2.INTER_AREA))
    return part / float(part.mean()) * base


def cloth(dice: Dice, base: Texture) -> Texture:
    f = fractal(dice, (SIZE, SIZE), cells=3, octaves=3)
    x, y = grid((SIZE, SIZE))
    weave = np.sin(x * 500) * np.sin(y * 500)
    return base * np.clip(1 + 0.4 * np.sin(f * 9) * dice.u(0.2, 1) + 0.1 * weave, 0.2, 2)[..., None]


def _clutter(dice: Dice, base: Texture) -> Texture:
    """Shelves with boxes, tools and cables seen from afar."""
    out = np.broadcast_to(base * np.float32(0.5), (SIZE, SIZE, 3)).copy()
    for _ in range(dice.i(25, 120)):
        x, y, w, h = (
            dice.i(-20, SIZE),
            dice.i(-20, SIZE),
            dice.i(6, SIZE // 4),
            dice.i(6, SIZE // 5),
        )
        colour = tuple(float(v) for v in paint_colour(dice, wall=False) * dice.u(0.3, 1))
        if dice.p(0.75):
            cv2.rectangle(out, (x, y), (x + w, y + h), colour, -1)
        elif dice.p(0.5):
            cv2.circle(out, (x, y), w // 4 + 1, colour, -1, cv2.LINE_AA)
        else:
            pts = np.cumsum(
                np.array([[x, y]] + [[dice.n(0, 25), dice.n(0, 25)] for _ in range(6)]), 0
            )
            cv2.polylines(out, [pts.astype(np.int32)], False, colour, dice.i(1, 4), cv2.LINE_AA)
    return out * (1 + 0.15 * fractal(dice, (SIZE, SIZE), cells=10, octaves=4))[..., None]


def _scene(dice: Dice, base: Texture) -> Texture:
    return to_linear(artwork.paint(dice, (SIZE, SIZE))) * np.float32(0.8)


_KINDS: dict[str, Callable[[Dice, Texture], Texture]] = {
    "plain": _plain,
    "stripes": _stripes,
    "wood": _grain,
    "tiles": _tiles,
    "photo": _photo_texture,
    "cloth": cloth,
    "clutter": _clutter,
    "scene": _scene,
}
WALLS = {
    "plain": 0.46,
    "stripes": 0.17,
    "wood": 0.06,
    "tiles": 0.06,
    "photo": 0.08,
    "cloth": 0.05,
    "clutter": 0.09,
    "scene": 0.03,
}
BENCHES = {
    "plain": 0.28,
    "wood": 0.46,
    "tiles": 0.06,
    "photo": 0.06,
    "cloth": 0.08,
    "clutter": 0.04,
    "stripes": 0.02,
}


def surface(dice: Dice, *, wall: bool) -> Texture:
    """A texture for a wall or for a bench or floor."""
    kind = dice.weighted(WALLS if wall else BENCHES)
    base = paint_colour(dice, wall=wall)
    return np.clip(_KINDS[kind](dice, base), 0.005, 0.95).astype(np.float32)
