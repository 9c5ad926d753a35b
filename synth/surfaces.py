"""Albedo textures of walls, benches and floors: seamless (H, W, 3) float32, 0..1 linear."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth import artwork, matter, photos
from synth.arrays import Floats
from synth.colour import hsv, random_colour, to_linear
from synth.dice import Dice

Texture = Floats
SIZE = 384

#: Hue, saturation (low, high) and value (low, high) of things as they come, in sRGB.
_NATURAL = {
    "white": (0.12, 0.0, 0.08, 0.75, 0.97),
    "grey": (0.6, 0.0, 0.08, 0.2, 0.7),
    "black": (0.6, 0.0, 0.12, 0.05, 0.2),
    "wood": (0.075, 0.35, 0.7, 0.25, 0.75),
    "beige": (0.1, 0.12, 0.35, 0.55, 0.9),
    "brown": (0.05, 0.3, 0.65, 0.15, 0.45),
    "green": (0.28, 0.15, 0.5, 0.2, 0.6),
    "blue": (0.59, 0.15, 0.55, 0.2, 0.7),
    "brick": (0.02, 0.4, 0.7, 0.3, 0.65),
    "ochre": (0.11, 0.4, 0.7, 0.5, 0.85),
}


def natural(dice: Dice) -> Floats:
    """The colour of an everyday thing, linear albedo (3,): greys, woods, earths; few are vivid."""
    hue, s0, s1, v0, v1 = dice.pick(tuple(_NATURAL.values()))
    rgb = hsv(hue + dice.n(0, 0.02), dice.u(s0, s1), dice.u(v0, v1))
    return to_linear(rgb[None])[0]


def paint_colour(dice: Dice, *, wall: bool) -> Floats:
    """A wall or furniture colour, linear albedo (3,)."""
    if wall:
        if dice.p(0.1):
            return np.clip(natural(dice), 0.02, 0.9).astype(np.float32)
        tone = dice.u(0.25, 0.85) if dice.p(0.78) else dice.u(0.03, 0.25)
        warm = dice.n(0.03, 0.07)
        tint = np.array([warm, dice.n(0, 0.02), -warm * dice.u(0.6, 1.6)])
        tint = tint + dice.array(-1, 1, (3,)) * np.float32(dice.pick((0.01, 0.05, 0.16)))
        return np.clip(tone * (1 + tint), 0.02, 0.9).astype(np.float32)
    if dice.p(0.84):
        return np.clip(natural(dice), 0.02, 0.85).astype(np.float32)
    return np.clip(to_linear(random_colour(dice, vivid=0.5)[None])[0], 0.02, 0.85)


def _photo_texture(dice: Dice, base: Texture) -> Texture:
    picture = photos.load(dice.pick(photos.TEXTURES))
    part = to_linear(cv2.resize(picture, (SIZE, SIZE), interpolation=cv2.INTER_AREA))
    return _seamless(part) / float(part.mean()) * base


def _seamless(texture: Texture) -> Texture:
    """The texture with its right and lower edge faded into what lies before the left and upper."""
    out = texture
    for axis in (0, 1):
        n = out.shape[axis]
        band = n // 5
        keep = np.moveaxis(out, axis, 0)
        body = keep[band:].copy()
        fade = np.linspace(0, 1, band, dtype=np.float32)[:, None, None]
        body[-band:] += fade * (keep[:band] - body[-band:])
        out = np.moveaxis(body, 0, axis)
    return cv2.resize(np.ascontiguousarray(out), (SIZE, SIZE), interpolation=cv2.INTER_LINEAR)


def cloth(dice: Dice, base: Texture) -> Texture:
    """Woven cloth of the colour `base`."""
    return matter.cloth(dice, SIZE, SIZE, base)


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
    return _seamless(out * (1 + 0.15 * matter.cloud(dice, (SIZE, SIZE), 10, 4))[..., None])


def _scene(dice: Dice, base: Texture) -> Texture:
    return _seamless(to_linear(artwork.paint(dice, (SIZE, SIZE))) * np.float32(0.8))


def _of(make: Callable[[Dice, int, int, Floats], Texture]) -> Callable[[Dice, Texture], Texture]:
    def draw(dice: Dice, base: Texture) -> Texture:
        return make(dice, SIZE, SIZE, base)

    return draw


_KINDS: dict[str, Callable[[Dice, Texture], Texture]] = {
    "plain": _of(matter.plain),
    "plaster": _of(matter.plaster),
    "concrete": _of(matter.concrete),
    "wallpaper": _of(matter.wallpaper),
    "wood": _of(matter.planks),
    "brick": _of(matter.bricks),
    "stone": _of(matter.stones),
    "tiles": _of(matter.tiles),
    "carpet": _of(matter.carpet),
    "curtain": _of(matter.curtain),
    "cloth": cloth,
    "photo": _photo_texture,
    "clutter": _clutter,
    "scene": _scene,
}
WALLS = {
    "plain": 0.4,
    "plaster": 0.1,
    "concrete": 0.04,
    "wallpaper": 0.15,
    "wood": 0.06,
    "brick": 0.06,
    "stone": 0.01,
    "tiles": 0.04,
    "curtain": 0.03,
    "photo": 0.03,
    "clutter": 0.06,
    "scene": 0.02,
}
BENCHES = {
    "plain": 0.26,
    "wood": 0.46,
    "tiles": 0.06,
    "carpet": 0.06,
    "concrete": 0.04,
    "photo": 0.03,
    "cloth": 0.06,
    "clutter": 0.03,
}


def surface(dice: Dice, *, wall: bool) -> Texture:
    """A texture for a wall or for a bench or floor."""
    kind = dice.weighted(WALLS if wall else BENCHES)
    base = paint_colour(dice, wall=wall)
    return np.clip(_KINDS[kind](dice, base), 0.005, 0.95).astype(np.float32)
