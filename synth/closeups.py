"""Walls, buildings, skin and cloth close by, and spoiled photographs: (dice, h, w) -> sRGB."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth import matter, outdoors, sketch, surfaces
from synth.arrays import Bytes, Floats
from synth.dice import Dice
from synth.fields import blur, fractal, grid, mix, smooth_noise
from synth.household import lit, table
from synth.text import hand, sentence, write

Picture = Bytes


def skin_colour(dice: Dice) -> Floats:
    """Linear albedo (3,) of skin, from pale to dark."""
    tone = dice.lu(0.1, 0.75)
    return (tone * np.array([1.0, 0.64 - 0.08 * (1 - tone), 0.45 - 0.12 * (1 - tone)])).astype(
        np.float32
    )


def fence(dice: Dice, h: int, w: int) -> Picture:
    """Boards of a fence, floor or wall, perhaps with an animal or a plant before them."""
    out = matter.planks(dice, h, w, np.zeros(3, np.float32))
    if dice.p(0.5):
        out = matter.planks(dice, w, h, np.zeros(3, np.float32)).transpose(1, 0, 2).copy()
    if dice.p(0.6):
        _animal(dice, out)
    return sketch.finish(lit(dice, np.clip(out, 0, 1)), soft=0.5)


def _animal(dice: Dice, out: Floats) -> None:
    """A furry shape: body, head, ears, eyes and nose."""
    h, w = out.shape[:2]
    tone = (
        dice.lu(0.03, 0.6) * np.array([1, 0.9, 0.75]) if dice.p(0.4) else matter.wood_colour(dice)
    )
    coat = matter.fur(dice, h, w, tone.astype(np.float32))
    x, y, r = w * dice.u(0.25, 0.75), h * dice.u(0.35, 0.7), h * dice.u(0.12, 0.3)
    shape = np.zeros((h, w, 3), np.float32)
    one = np.ones(3, np.float32)
    sketch.fill(shape, sketch.oval(x + r * dice.u(-1, 1), y + r * 1.7, r * 1.3, r * 1.7), one)
    for side in (-1, 1):
        ear = np.array([[x + side * r * 0.9, y - r * 0.2], [x + side * r * 0.25, y - r * 0.8],
                        [x + side * r * 0.85, y - r * dice.u(0.9, 1.5)]])  # fmt: skip
        sketch.fill(shape, ear, one)
    sketch.fill(shape, sketch.oval(x, y, r, r * 0.9), one)
    wild = shape[..., 0] + 0.5 * smooth_noise(dice, (h, w), w / 6)
    mask = np.clip(blur(wild.astype(np.float32), 2) * 4 - 1.6, 0, 1)
    gy, gx = np.mgrid[:h, :w].astype(np.float32)
    round_ = 1.1 - 0.5 * np.clip(((gx - x) * 0.5 + (gy - y) * 0.3) / r, -0.4, 1)
    sketch.shade(out, sketch.oval(x + r * 0.4, y + r * 1.6, r * 1.4, r * 1.8), 0.5, r * 0.2)
    mix(out, coat * round_[..., None], mask.astype(np.float32))
    for side in (-1, 1):
        sketch.ball(out, x + side * r * 0.4, y - r * 0.1, r * 0.13, np.full(3, 0.02, np.float32),
                    shine=0.8)  # fmt: skip
    sketch.ball(out, x, y + r * 0.35, r * 0.17, np.full(3, 0.02, np.float32))


def masonry(dice: Dice, h: int, w: int) -> Picture:
    """A wall, floor or path fills the frame: brick, stone, tiles, plaster, concrete, carpet."""
    make = dice.pick((matter.bricks, matter.stones, matter.tiles, matter.plaster,
                      matter.concrete, matter.carpet, matter.wallpaper))  # fmt: skip
    out = make(dice, h, w, surfaces.paint_colour(dice, wall=True))
    stain = np.clip(fractal(dice, (h, w), cells=3, octaves=4) * 2, 0, 1) * dice.u(0, 0.5)
    out = np.clip(out * (1 - stain)[..., None], 0, 1).astype(np.float32)
    return sketch.finish(lit(dice, out), soft=dice.u(0, 1.5))


def textile(dice: Dice, h: int, w: int) -> Picture:
    """Cloth, a curtain or fur fills the frame."""
    make = dice.pick((matter.cloth, matter.cloth, matter.curtain, matter.fur, matter.fur))
    out = make(dice, h, w, surfaces.paint_colour(dice, wall=dice.p(0.4)))
    far = np.clip(smooth_noise(dice, (h, w), 1) * 2, 0, 1)
    mix(out, blur(out.astype(np.float32), w * 0.008), far.astype(np.float32))
    return sketch.finish(lit(dice, np.clip(out, 0, 1).astype(np.float32)), soft=0.5)


def facade(dice: Dice, h: int, w: int) -> Picture:
    """House fronts with rows of windows, sky above and a street below; day or dusk."""
    out = np.empty((h, w, 3), np.float32)
    out[:] = outdoors.sky(dice, h, w)
    dusk = dice.u(0.05, 0.3) if dice.p(0.2) else 1.0
    out *= np.float32(dusk)
    street = h * dice.u(0.75, 1.1)
    x = -w * dice.u(0, 0.2)
    while x < w:
        wide, roof = w * dice.u(0.2, 0.9), h * dice.u(-0.3, 0.45)
        _house(dice, out, x, min(roof, h * 0.5), x + wide, street, dusk)
        x += wide
    if street < h - 8:
        low = int(street)
        grey = np.full(3, 0.16, np.float32) * dusk
        out[low:] = sketch.ground(dice, h - low, w, grey, 0.15)
        for _ in range(dice.i(0, 5)):
            _car(dice, out, w * dice.u(0, 1), street + h * dice.u(0.02, 0.1), h * 0.12, dusk)
    return sketch.finish(np.clip(out, 0, 1), soft=0.7)


def _house(
    dice: Dice, out: Floats, x0: float, y0: float, x1: float, y1: float, dusk: float
) -> None:
    skin = surfaces.surface(dice, wall=True) if dice.p(0.4) else None
    colour = skin.mean((0, 1)) if skin is not None else surfaces.paint_colour(dice, wall=True)
    colour = colour.astype(np.float32) * dusk
    sketch.fill(out, sketch.rect(x0, y0, x1, y1), colour, ramp=dice.u(-0.2, 0.2))
    part = sketch.window(out, x0, y0, x1, y1)
    if part is not None:
        here = out[part]
        here *= (
            np.float32(1) + dice.u(0.02, 0.08) * smooth_noise(dice, here.shape[:2], 60)[..., None]
        )
        if dice.p(0.5):
            tall = here.shape[0]
            here *= (1 - 0.15 * (np.arange(tall) % max(tall // 40, 2) == 0))[:, None, None]
    cols, rows = dice.i(2, 9), dice.i(2, 9)
    cw, ch = (x1 - x0) / cols, (y1 - y0) / rows
    fw, fh = dice.u(0.3, 0.7), dice.u(0.4, 0.75)
    rim = np.float32(dice.u(0.2, 0.8)) * dusk * np.ones(3, np.float32)
    for r in range(rows):
        for c in range(cols):
            a, b = x0 + (c + 0.5 - fw / 2) * cw, y0 + (r + 0.5 - fh / 2) * ch
            lamp = dusk < 0.5 and dice.p(0.4)
            glass = np.array([0.5, 0.35, 0.15]) if lamp else dice.u(0.02, 0.2) * np.array(
                [0.8, 0.95, 1.1]
            ) * dusk  # fmt: skip
            frame = sketch.rect(a - cw * 0.04, b - cw * 0.04, a + cw * (fw + 0.04), b + ch * fh + cw
                                * 0.04)  # fmt: skip
            sketch.fill(out, frame, rim)
            sketch.fill(out, sketch.rect(a, b, a + cw * fw, b + ch * fh), glass.astype(np.float32),
                        ramp=dice.u(-0.5, 0.5))  # fmt: skip
            mid = a + cw * fw / 2
            sketch.fill(out, sketch.rect(mid - cw * 0.015, b, mid + cw * 0.015, b + ch * fh), rim)


def _car(dice: Dice, out: Floats, x: float, y: float, size: float, dusk: float) -> None:
    paint = surfaces.paint_colour(dice, wall=False) * dusk
    dark = np.full(3, 0.02, np.float32)
    sketch.shade(out, sketch.oval(x, y, size * 1.3, size * 0.15), 0.7, size * 0.08)
    cabin = np.array([[-0.7, -0.4], [-0.45, -0.75], [0.4, -0.75], [0.75, -0.4]]) * size + (x, y)
    sketch.fill(out, cabin, dark * 2, ramp=0.4)
    sketch.fill(
        out, sketch.rect(x - size * 1.2, y - size * 0.45, x + size * 1.2, y), paint, ramp=0.2
    )
    for side in (-0.75, 0.75):
        sketch.ball(out, x + side * size, y, size * 0.2, dark)


def finger(dice: Dice, h: int, w: int) -> Picture:
    """A finger, palm or cloth over part or all of the lens: a soft warm blur."""
    x, y = grid((h, w))
    tone = skin_colour(dice)
    if dice.p(0.6):  # light shining through: deep red
        tone = np.array([dice.u(0.25, 0.6), dice.u(0.04, 0.16), dice.u(0.02, 0.12)], np.float32)
    elif dice.p(0.3):  # a strap, a sleeve, the lid of a case
        tone = surfaces.natural(dice) * np.float32(dice.lu(0.05, 1))
    f = fractal(dice, (h, w), cells=2, octaves=2)
    slope = dice.u(-0.6, 0.6) * (x - 0.5) + dice.u(-0.6, 0.6) * (y - 0.5)
    out = tone * np.clip(0.8 + 0.35 * f + slope, 0.05, 2)[..., None]
    if dice.p(0.4):  # it leaves a part of the room free
        room = blur(np.clip(_fit_room(dice, h, w), 0, 1), w * 0.01)
        a = dice.u(0, 6.28)
        d = np.cos(a) * (x - 0.5) + np.sin(a) * (y - 0.5) + 0.1 * f
        mix(out, room, np.clip((d - dice.u(-0.1, 0.3)) * dice.u(4, 12), 0, 1).astype(np.float32))
    return sketch.finish(out.astype(np.float32))


def _fit_room(dice: Dice, h: int, w: int) -> Floats:
    return surfaces.to_linear(table(dice, h, w))


def fingers(dice: Dice, h: int, w: int) -> Picture:
    """A hand held into the picture."""
    out = surfaces.to_linear(masonry(dice, h, w))
    skin = skin_colour(dice)
    palm = np.array([w * dice.u(0.2, 0.8), h * dice.u(0.8, 1.2)])
    r, aim = h * dice.u(0.07, 0.13), dice.n(-np.pi / 2, 0.4)
    sketch.shade(out, sketch.oval(palm[0] + r, palm[1], r * 4, r * 4), 0.5, r)
    sketch.ball(out, palm[0], palm[1], r * 3.2, skin, shine=0.02)
    for k in range(5):
        a = aim + (k - 2) * 0.22 + (-0.5 if k == 0 else 0)
        d = np.array([np.cos(a), np.sin(a)])
        base = palm + d * r * 2.2
        n = r * (4.5 - 0.35 * (k - 2.5) ** 2) * dice.u(0.5, 1)
        for t in np.linspace(0, 1, 22):
            p = base + d * n * t
            sketch.ball(out, p[0], p[1], r * (0.85 - 0.2 * t), skin, shine=0.02)
        nail = base + d * n * 1.08
        sketch.fill(out, sketch.oval(nail[0], nail[1], r * 0.3, r * 0.35), skin * 1.15 + 0.03)
    return sketch.finish(lit(dice, np.clip(out, 0, 1)), soft=dice.lu(0.7, 6))


def face(dice: Dice, h: int, w: int) -> Picture:
    """A made-up head and shoulders, mostly a little out of focus."""
    out = blur(_fit_room(dice, h, w), w * 0.012)
    skin, coat = skin_colour(dice), surfaces.natural(dice)
    x, y, r = w * dice.u(0.3, 0.7), h * dice.u(0.35, 0.55), h * dice.u(0.18, 0.3)
    dark = np.array([0.03, 0.02, 0.015], np.float32) * dice.lu(0.5, 8)
    trunk = np.array([[-1.9, 4], [-1.8, 2], [-0.8, 1.4], [0.8, 1.4], [1.8, 2], [1.9, 4]]) * r
    sketch.fill(out, sketch.oval(x, y - r * 0.25, r * 1.0, r * 1.25), dark)
    sketch.fill(out, trunk + (x, y), coat, ramp=0.3)
    sketch.fill(out, sketch.rect(x - r * 0.4, y + r * 0.6, x + r * 0.4, y + r * 1.6), skin * 0.7)
    head = np.zeros_like(out)
    sketch.ball(head, x, y, r * 1.15, skin, shine=0.03)
    mask = np.zeros_like(out)
    sketch.fill(mask, sketch.oval(x, y, r * 0.8, r * 1.08), np.ones(3, np.float32))
    mix(out, np.maximum(head, skin * 0.15), mask[..., 0])
    for side in (-1, 1):
        eye = x + side * r * 0.32, y - r * 0.12
        sketch.shade(out, sketch.oval(*eye, r * 0.2, r * 0.14), 0.4, r * 0.06)
        sketch.fill(out, sketch.oval(*eye, r * 0.12, r * 0.05), np.full(3, 0.5, np.float32))
        sketch.fill(out, sketch.oval(*eye, r * 0.05, r * 0.05), dark * 0.5)
        sketch.fill(out, sketch.oval(eye[0], eye[1] - r * 0.2, r * 0.18, r * 0.03), dark)
    sketch.shade(out, sketch.oval(x + r * 0.06, y + r * 0.25, r * 0.14, r * 0.1), 0.35, r * 0.06)
    lips = skin * np.array([0.9, 0.5, 0.5], np.float32)
    sketch.fill(out, sketch.oval(x, y + r * 0.55, r * 0.26, r * 0.06), lips)
    return sketch.finish(lit(dice, np.clip(out, 0, 1)), soft=dice.lu(0.8, 8))


def blurred(dice: Dice, h: int, w: int) -> Picture:
    """A photograph that went wrong: shaken or far out of focus."""
    make = dice.pick((_fit_room, _view_light, _view_light))
    out = make(dice, h, w)
    if dice.p(0.5):
        return sketch.finish(blur(out, w * dice.lu(0.012, 0.06)))
    n, a = int(w * dice.u(0.04, 0.2)), dice.u(0, np.pi)
    small = out[::2, ::2]
    kernel = np.zeros((n, n, 3), np.float32)
    mid = np.array([n / 2, n / 2])
    d = np.array([np.cos(a), np.sin(a)]) * n / 2
    sketch.cord(kernel, np.array([mid - d, mid, mid + d + dice.normal((2,)) * n * 0.1]), 1.2,
                np.ones(3, np.float32))  # fmt: skip
    k = kernel[..., 0] / max(float(kernel[..., 0].sum()), 1e-6)
    return sketch.finish(cv2.resize(cv2.filter2D(small, -1, k), (w, h)))


def _view_light(dice: Dice, h: int, w: int) -> Floats:
    return surfaces.to_linear(outdoors.view(dice, h, w))


def washed(dice: Dice, h: int, w: int) -> Picture:
    """Overexposed: almost white, a few pale rests of a room."""
    pale = _fit_room(dice, h, w)
    return sketch.finish(np.clip(pale * dice.u(0, 3) + dice.u(0.75, 1), 0, 1).astype(np.float32))


def spot(dice: Dice, h: int, w: int) -> Picture:
    """The light of a torch or a lamp on a wall in the dark."""
    wall = surfaces.to_linear(masonry(dice, h, w))
    x, y = grid((h, w))
    dx, dy = (x - dice.u(0.1, 0.9)) * w / h, y - dice.u(0.1, 0.9)
    d = np.sqrt(dx * dx + dy * dy) / dice.u(0.1, 0.5)
    beam = np.exp(-0.5 * d * d) + 0.3 * np.exp(-d) + dice.u(0, 0.05)
    warm = np.array([1, dice.u(0.75, 1), dice.u(0.45, 1.05)], np.float32)
    return sketch.finish(np.clip(wall * beam[..., None] * warm * dice.u(1, 4), 0, 1))


def notices(dice: Dice, h: int, w: int) -> Picture:
    """A notice board or refrigerator door with papers."""
    cork = np.array([0.4, 0.25, 0.12], np.float32) if dice.p(0.6) else surfaces.natural(dice)
    out = np.clip(matter.carpet(dice, h, w, cork), 0, 1).astype(np.float32)
    texts = []
    for _ in range(dice.i(3, 14)):
        pw, ph = h * dice.u(0.12, 0.4), h * dice.u(0.12, 0.45)
        x, y, t = w * dice.u(-0.05, 0.9), h * dice.u(-0.05, 0.85), dice.n(0, 0.05)
        turn = np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])
        card = sketch.rect(0, 0, pw, ph) @ turn + (x, y)
        sketch.shade(out, card + 3, 0.5, 4)
        paper = surfaces.natural(dice) * 0.4 + np.float32(dice.u(0.2, 0.5))
        sketch.fill(out, card, paper, ramp=0.06)
        texts.append((x, y, pw, ph))
        sketch.ball(out, x + pw / 2, y + 6, h * 0.012, surfaces.paint_colour(dice, wall=False))
    image = sketch.finish(lit(dice, out))
    style = hand(dice)
    for x, y, pw, ph in texts:
        size = ph * dice.u(0.06, 0.12)
        for k in range(dice.i(1, 6)):
            text = sentence(dice, style, 3)[: max(int(pw / size * 1.6), 2)]
            write(image, text, x + pw * 0.08, y + ph * 0.25 + k * size * 1.5, size, (40, 40, 45),
                  style)  # fmt: skip
    return image


CLOSE: dict[str, tuple[Callable[[Dice, int, int], Picture], float]] = {
    "fence": (fence, 0.12),
    "masonry": (masonry, 0.1),
    "textile": (textile, 0.1),
    "facade": (facade, 0.18),
    "finger": (finger, 0.1),
    "fingers": (fingers, 0.07),
    "face": (face, 0.08),
    "blurred": (blurred, 0.08),
    "washed": (washed, 0.02),
    "spot": (spot, 0.07),
    "notices": (notices, 0.08),
}


def close(dice: Dice, h: int, w: int) -> Picture:
    """One of the close-ups and accidents, kind by weight."""
    return CLOSE[dice.weighted({k: v[1] for k, v in CLOSE.items()})][0](dice, h, w)
