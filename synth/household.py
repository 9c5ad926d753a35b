"""Things in a home and a workshop as general photographs: (dice, h, w) -> 8-bit sRGB (h, w, 3)."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth import matter, sketch, surfaces
from synth.arrays import Bytes, Floats
from synth.colour import to_linear
from synth.dice import Dice
from synth.fields import blur, fractal, grid, smooth_noise
from synth.text import hand, paragraph, sentence, word, write

Picture = Bytes


def lit(dice: Dice, image: Floats) -> Floats:
    """Uneven light over a scene: a window or a lamp from one side, corners darker."""
    h, w = image.shape[:2]
    x, y = grid((h // 12 + 2, w // 12 + 2))
    a, k = dice.u(0, 2 * np.pi), dice.u(0, 0.9)
    slope = 1 + k * (np.cos(a) * (x - 0.5) + np.sin(a) * (y - 0.5))
    corner = 1 - dice.u(0, 0.5) * ((x - 0.5) ** 2 + (y - 0.5) ** 2)
    warm = np.array([1 + dice.n(0, 0.08), 1, 1 - dice.n(0, 0.1)])
    tone = (dice.u(0.7, 1.3) * slope * corner)[..., None] * warm
    return image * cv2.resize(tone.astype(np.float32), (w, h))


def _top(dice: Dice, h: int, w: int) -> Floats:
    """A table top or floor that fills the picture."""
    kind = dice.weighted({"wood": 0.4, "concrete": 0.2, "cloth": 0.2, "plain": 0.2})
    make = {
        "wood": matter.planks, "concrete": matter.concrete, "cloth": matter.cloth,
        "plain": matter.plain,
    }[kind]  # fmt: skip
    out = make(dice, h, w, surfaces.paint_colour(dice, wall=dice.p(0.5)))
    return np.clip(out, 0.01, 0.9).astype(np.float32)


def _room(dice: Dice, h: int, w: int) -> tuple[Floats, float]:
    """A blurred wall above a table top; the height of the table's far edge."""
    far = int(h * dice.u(0.3, 0.65))
    out = np.empty((h, w, 3), np.float32)
    wall = surfaces.surface(dice, wall=True)
    out[:far] = blur(_fit(wall, far, w), w * dice.u(0.0, 0.012))
    out[far:] = _fit(_top(dice, 256, 256), h - far, w)
    sketch.shade(out, sketch.rect(-9, far - 2, w + 9, far + h * 0.02), 0.3, h * 0.01)
    return out, far


def _fit(texture: Floats, h: int, w: int) -> Floats:
    th, tw = texture.shape[:2]
    reps = (-(-h // th), -(-w // tw), 1)
    return np.tile(texture, reps)[:h, :w]


_FRUIT = (
    (0.45, 0.05, 0.03), (0.55, 0.35, 0.04), (0.6, 0.22, 0.02), (0.25, 0.35, 0.05),
    (0.1, 0.03, 0.09), (0.65, 0.55, 0.1), (0.3, 0.06, 0.06),
)  # fmt: skip


def fruit(dice: Dice, h: int, w: int) -> Picture:
    """A bowl or plate with fruit seen from above or from the side."""
    above = dice.p(0.5)
    if above:
        out, cy = _top(dice, h, w), h * dice.u(0.35, 0.65)
    else:
        out, far = _room(dice, h, w)
        cy = far + (h - far) * dice.u(0.1, 0.5)
    cx, r = w * dice.u(0.3, 0.7), h * dice.u(0.2, 0.45)
    squash = dice.u(0.75, 1) if above else dice.u(0.2, 0.45)
    glaze = surfaces.natural(dice) if dice.p(0.75) else np.array(dice.pick(_FRUIT), np.float32)
    sketch.shade(out, sketch.oval(cx + r * 0.15, cy + r * 0.25, r, r * squash), 0.6, r * 0.12)
    if not above:
        body = np.array([[r * 0.4, 0], [r * 0.75, r * 0.2], [r, r * 0.55]])
        sketch.turned(out, cx, cy + r * 0.55, body, glaze)
    sketch.fill(out, sketch.oval(cx, cy, r, r * squash, 60), glaze, ramp=-0.25)
    sketch.fill(out, sketch.oval(cx, cy, r * 0.93, r * 0.92 * squash, 60), glaze * 0.55, ramp=0.4)
    skin = np.array(dice.pick(_FRUIT), np.float32)
    for _ in range(dice.i(1, 9)):
        a, d = dice.u(0, 6.28), dice.u(0, 0.5) * r
        b = r * dice.u(0.2, 0.38)
        x, y = cx + d * np.cos(a), cy + d * np.sin(a) * squash - (0 if above else b * 0.4)
        sketch.shade(out, sketch.oval(x + b * 0.2, y + b * 0.3, b, b * 0.9), 0.5, b * 0.2)
        tone = skin if dice.p(0.6) else np.array(dice.pick(_FRUIT), np.float32)
        sketch.ball(out, x, y, b, tone, shine=dice.u(0, 0.4))
        if dice.p(0.2):  # cut open
            sketch.fill(out, sketch.oval(x, y, b * 0.8, b * 0.7), tone * 0.4 + 0.35)
            sketch.fill(out, sketch.oval(x, y, b * 0.5, b * 0.45), tone * 0.9 + 0.03)
        else:
            sketch.cord(
                out, np.array([[x, y - b * 0.6], [x + b * 0.1, y - b]]), b * 0.07, skin * 0.2
            )
    if dice.p(0.3):
        x, y = dice.u(0, 1) * w, h * dice.pick((-0.1, 0.0, 1.05))
        sketch.shade(out, sketch.oval(x + 8, y + 8, w * 0.3, h * 0.28), 0.5, h * 0.02)
        rag = sketch.oval(x, y, w * 0.3, h * 0.28, 40)
        sketch.fill(out, rag, surfaces.natural(dice) * 0.6, ramp=0.3)
    return sketch.finish(lit(dice, out), soft=0.6)


def _bottle(dice: Dice, r: float, tall: float) -> np.ndarray:
    neck, shoulder = dice.u(0.25, 0.6), dice.u(0.5, 0.8)
    return np.array(
        [[r * 0.92, 0], [r, tall * 0.04], [r, tall * shoulder], [r * neck, tall * 0.86],
         [r * neck * 0.9, tall]]
    )  # fmt: skip


def _jar(dice: Dice, r: float, tall: float) -> np.ndarray:
    k = np.linspace(0, 1, 8)
    belly = 0.75 + 0.25 * np.sin(k * np.pi * dice.u(0.6, 1.3) + dice.u(0, 1))
    return np.stack([r * belly, k * tall], 1)


def _stand(dice: Dice, out: Floats, x: float, foot: float, size: float) -> None:
    """One thing standing: bottle, jar, box, books or ball."""
    colour = surfaces.paint_colour(dice, wall=False)
    kind = dice.weighted({"bottle": 0.25, "jar": 0.25, "box": 0.3, "books": 0.12, "ball": 0.08})
    r, tall = size * dice.u(0.18, 0.4), size * dice.u(0.4, 1)
    sketch.shade(out, sketch.oval(x + r * 0.3, foot, r * 1.3, r * 0.3), 0.6, r * 0.25 + 1)
    if kind in ("bottle", "jar"):
        profile = (_bottle if kind == "bottle" else _jar)(dice, r * 0.8, tall)
        sketch.turned(out, x, foot, profile, colour, gloss=dice.u(0, 0.6))
        if dice.p(0.5):
            tag = np.array([[r * 0.81, tall * 0.15], [r * 0.81, tall * 0.45]])
            sketch.turned(out, x, foot, tag, surfaces.natural(dice) * 0.5 + 0.3, gloss=0.05)
    elif kind == "ball":
        sketch.ball(out, x, foot - r, r, colour)
    elif kind == "box":
        sketch.fill(out, sketch.rect(x - r, foot - tall * 0.7, x + r, foot), colour, ramp=0.15)
        up, down = foot - tall * 0.78, foot - tall * 0.7
        lid = np.array([[x - r, down], [x + r, down], [x + r * 1.15, up], [x - r * 0.8, up]])
        sketch.fill(out, lid, colour * 1.3)
        if dice.p(0.6):
            mark = sketch.rect(x - r * 0.6, foot - tall * 0.5, x + r * 0.5, foot - tall * 0.25)
            sketch.fill(out, mark, surfaces.natural(dice), ramp=0.1)
    else:
        left = x - r
        while left < x + r:
            wide, high = r * dice.u(0.1, 0.35), tall * dice.u(0.7, 1)
            book = sketch.rect(left, foot - high, left + wide, foot)
            sketch.fill(out, book, surfaces.paint_colour(dice, wall=False), ramp=0.3)
            left += wide


def shelves(dice: Dice, h: int, w: int) -> Picture:
    """Shelves with boxes, bottles and books."""
    out = _fit(surfaces.surface(dice, wall=True), h, w) * np.float32(dice.u(0.2, 0.7))
    board = matter.wood_colour(dice) if dice.p(0.6) else surfaces.natural(dice)
    rows = dice.i(2, 5)
    for k in range(rows):
        foot = h * (k + dice.u(0.85, 0.95)) / rows
        sketch.shade(out, sketch.rect(0, foot - h / rows, w, foot - h / rows * 0.7), 0.5, h * 0.03)
        x = -h * 0.05
        while x < w:
            size = h / rows * dice.u(0.4, 0.95)
            x += size * dice.u(0.25, 0.6)
            if dice.p(0.88):
                _stand(dice, out, x, foot, size)
            x += size * dice.u(0.2, 0.5)
        sketch.fill(out, sketch.rect(-2, foot, w + 2, foot + h * 0.02), board, ramp=0.15)
        sketch.fill(out, sketch.rect(-2, foot + h * 0.02, w + 2, foot + h * 0.035), board * 0.5)
    return sketch.finish(lit(dice, out), soft=dice.u(0, 1.2))


def table(dice: Dice, h: int, w: int) -> Picture:
    """Crockery, jars and things on a table before a wall out of focus."""
    out, far = _room(dice, h, w)
    count = dice.i(1, 9)
    for k in range(count):
        foot = far + (h - far) * (0.1 + 0.8 * (k + dice.u(0, 1)) / count)
        _stand(dice, out, w * dice.u(0.05, 0.95), foot, h * dice.u(0.25, 0.6))
    if dice.p(0.35):
        x, y, r = w * dice.u(0.2, 0.8), far + (h - far) * dice.u(0.4, 0.9), h * dice.u(0.1, 0.25)
        china = np.full(3, 0.7, np.float32) if dice.p(0.6) else surfaces.natural(dice)
        sketch.shade(out, sketch.oval(x, y + 4, r * 1.1, r * 0.4), 0.5, r * 0.1)
        sketch.fill(out, sketch.oval(x, y, r, r * 0.35), china, ramp=0.2)
        sketch.fill(out, sketch.oval(x, y + 2, r * 0.65, r * 0.2), china * 0.8, ramp=-0.15)
        cup = np.array([[r * 0.25, 0], [r * 0.45, r * 0.2], [r * 0.5, r * 0.55]])
        sketch.turned(out, x, y, cup, china)
    return sketch.finish(lit(dice, out), soft=0.6)


def tools(dice: Dice, h: int, w: int) -> Picture:
    """Screwdrivers, pliers, screws, coins and cables lying on a bench."""
    out = _top(dice, h, w)
    for _ in range(dice.i(3, 16)):
        at = np.array([dice.u(0, 1) * w, dice.u(0, 1) * h])
        a, n = dice.u(0, np.pi), h * dice.u(0.15, 0.4)
        d = np.array([np.cos(a), np.sin(a)])
        pts = at + np.linspace(-0.5, 0.5, 6)[:, None] * n * d
        grip, steel = surfaces.paint_colour(dice, wall=False), np.full(3, dice.u(0.2, 0.5))
        thick = n * dice.u(0.03, 0.09)
        sketch.shade(out, np.vstack([pts, pts[::-1] + thick]), 0.5, thick * 0.5 + 1)
        kind = dice.i(0, 4)
        if kind <= 1:
            sketch.cord(out, pts, max(thick * 0.4, 2), steel.astype(np.float32))
            sketch.cord(out, pts[:3], max(thick, 4), grip)
        elif kind == 2:
            for side in (-1, 1):
                bend = (
                    pts
                    + side
                    * np.array([-d[1], d[0]])
                    * np.abs(np.linspace(-1, 0.5, 6)[:, None])
                    * n
                    * 0.12
                )
                sketch.cord(out, bend, thick, grip if dice.p(0.9) else steel)
            sketch.cord(out, pts[4:], thick * 1.3, steel.astype(np.float32))
        elif kind == 3:
            for _ in range(dice.i(2, 14)):
                x, y = at + dice.normal((2,)) * n * 0.4
                r = h * dice.u(0.008, 0.02)
                sketch.shade(out, sketch.oval(x + 2, y + 2, r, r), 0.6, 2)
                sketch.fill(out, sketch.oval(x, y, r, r), steel, ramp=0.4)
        else:
            wire = sketch.wander(dice, at, n * 0.08, 40)
            sketch.cord(out, wire, max(thick * 0.4, 2), grip)
    return sketch.finish(lit(dice, out), soft=0.7)


def brushes(dice: Dice, h: int, w: int) -> Picture:
    """A bunch of brushes, pencils or sticks close by, the back out of focus."""
    out, _ = _room(dice, h, w)
    out = blur(out, w * 0.012)
    foot = np.array([w * dice.u(0.2, 0.8), h * dice.u(1.1, 1.6)])
    for _ in range(dice.i(4, 18)):
        a = -np.pi / 2 + dice.n(0, 0.4)
        d, n = np.array([np.cos(a), np.sin(a)]), h * dice.u(0.8, 1.6)
        base = foot + np.array([dice.n(0, 0.12) * w, 0])
        tip, r = base + d * n, h * dice.u(0.02, 0.07)
        s = np.array([-d[1], d[0]]) * r
        ink = surfaces.paint_colour(dice, wall=False)
        if dice.p(0.4):
            ink = np.clip(ink * np.array(dice.pick(_FRUIT), np.float32) * 6, 0.01, 0.8)
        sketch.cord(out, np.array([base, tip]), r, matter.wood_colour(dice))
        mid = tip - d * r * 4
        band = np.array([mid - s, mid + s, mid + s - d * r * 2, mid - s - d * r * 2])
        sketch.fill(out, band, np.full(3, 0.4, np.float32), ramp=0.4)
        for _ in range(40):
            p = mid + s * dice.u(-1, 1)
            q = p + d * r * dice.u(2.5, 4.5) + s * dice.u(-0.4, 0.4)
            sketch.cord(out, np.array([p, q]), 2, ink * dice.u(0.3, 1.8))
    return sketch.finish(lit(dice, out), soft=0.6)


def keyboard(dice: Dice, h: int, w: int) -> Picture:
    """Keys of a keyboard or a remote control, close by."""
    body = surfaces.natural(dice) * np.float32(0.5)
    out = np.clip(matter.plain(dice, h, w, body), 0.005, 0.9).astype(np.float32)
    rows, key = dice.i(3, 9), surfaces.natural(dice)
    pitch, style = h / rows, hand(dice)
    ink = (20, 20, 20) if key.mean() > 0.25 else (225, 225, 220)
    marks = []
    for r in range(rows):
        x = -pitch * dice.u(0, 1)
        while x < w:
            wide = pitch * dice.pick((1, 1, 1, 1, 1, 1.5, 2.2))
            x0, y0, x1, y1 = x, r * pitch, x + wide - pitch * 0.08, (r + 0.92) * pitch
            sketch.fill(out, sketch.rect(x0, y0, x1, y1), key * 0.5, ramp=0.2)
            top = sketch.rect(x0 + pitch * 0.08, y0 + pitch * 0.05, x1 - pitch * 0.08,
                              y1 - pitch * 0.17)  # fmt: skip
            sketch.fill(out, top, key, ramp=0.12)
            marks.append((x0 + pitch * 0.2, y0 + pitch * 0.45))
            x += wide
    image = sketch.finish(lit(dice, out))
    for x, y in marks:
        write(image, word(dice, style, syllables=(1, 1))[:1].upper(), x, y, pitch * 0.3, ink, style)
    soft = np.clip(np.abs(grid((h, w))[1] - dice.u(0, 1)) * 2, 0, 1)[..., None]
    far = blur(image.astype(np.float32), w * dice.u(0.001, 0.01))
    return np.clip(image + soft * (far - image), 0, 255).astype(np.uint8)


def page(dice: Dice, h: int, w: int) -> Picture:
    """Print close by: text, a table or a rating label with bars, on paper or metal."""
    paper = dice.u(0.45, 0.8) * (1 + dice.array(-0.06, 0.02, (3,)))
    sheet = paper * (1 + 0.05 * fractal(dice, (h, w), cells=4, octaves=4))[..., None]
    image = sketch.finish(lit(dice, sheet.astype(np.float32)))
    style, size = hand(dice), h * dice.u(0.02, 0.07)
    ink = (25, 25, 30) if dice.p(0.85) else (40, 50, 120)
    box = (w * dice.u(0.03, 0.12), h * 0.12, w * dice.u(0.6, 0.97), h * dice.u(0.5, 0.95))
    write(image, sentence(dice, style, 3), box[0], h * 0.09, size * 1.6, ink, style)
    if dice.p(0.45):
        paragraph(image, dice, style, box, size, ink)
    else:
        rows, cols = dice.i(3, 12), dice.i(2, 5)
        tall = (box[3] - box[1]) / rows
        for r in range(rows):
            y = box[1] + r * tall
            image[int(y) : int(y) + 2, int(box[0]) : int(box[2])] = ink
            for c in range(cols):
                x = box[0] + (box[2] - box[0]) * c / cols
                text = word(dice, style) if dice.p(0.7) else f"{dice.u(0, 400):.1f}"
                write(image, text[:9], x + 4, y + tall * 0.7, min(tall * 0.5, size), ink, style)
    if dice.p(0.4):
        x, y0, y1 = box[0], int(h * 0.82), int(h * 0.96)
        while x < w * 0.6:
            wide = w * 0.004 * dice.i(1, 3)
            image[y0:y1, int(x) : int(x + wide)] = ink
            x += wide + w * 0.004 * dice.i(1, 3)
    return image


_PARTS = (
    (0.02, 0.02, 0.02), (0.5, 0.5, 0.5), (0.3, 0.22, 0.1), (0.03, 0.05, 0.1), (0.6, 0.6, 0.5),
)  # fmt: skip


def circuit(dice: Dice, h: int, w: int) -> Picture:
    """The open back of a set: a metal plate with boards, wires and screws."""
    plate = np.float32(dice.u(0.12, 0.4)) * np.array([1, 1, dice.u(0.95, 1.05)], np.float32)
    out = plate * (1 + 0.06 * smooth_noise(dice, (h, w), 40))[..., None]
    for _ in range(dice.i(2, 6)):  # pressed ribs
        y, tall = dice.u(0, h), h * dice.u(0.01, 0.04)
        sketch.fill(out, sketch.rect(0, y, w, y + tall), plate * 1.25)
        sketch.fill(out, sketch.rect(0, y + tall, w, y + tall * 1.5), plate * 0.6)
    for _ in range(dice.i(1, 4)):
        x, y, bw, bh = dice.u(0, 0.7) * w, dice.u(0, 0.7) * h, dice.u(0.15, 0.5) * w, dice.u(
            0.15, 0.6
        ) * h  # fmt: skip
        mask = _rgb(dice)
        sketch.shade(out, sketch.rect(x, y, x + bw + 6, y + bh + 6), 0.6, 5)
        sketch.fill(out, sketch.rect(x, y, x + bw, y + bh), mask, ramp=0.1)
        for _ in range(dice.i(15, 90)):
            px, py, r = x + bw * dice.u(0.02, 0.95), y + bh * dice.u(0.02, 0.95), h * dice.lu(
                0.003, 0.04
            )  # fmt: skip
            sketch.shade(out, sketch.rect(px, py, px + r * 1.3, py + r * 1.3), 0.5, r * 0.2 + 0.5)
            part = np.array(dice.pick(_PARTS), np.float32)
            if dice.p(0.3):
                sketch.fill(out, sketch.oval(px, py, r * 0.6, r * 0.6), part, ramp=0.3)
                sketch.fill(out, sketch.oval(px, py, r * 0.45, r * 0.45), part * 0.5 + 0.2)
            else:
                box = sketch.rect(px, py, px + r * dice.u(0.5, 2), py + r * dice.u(0.5, 1.2))
                sketch.fill(out, box, part, ramp=0.15)
    for _ in range(dice.i(2, 9)):
        wire = sketch.wander(dice, np.array([dice.u(0, w), dice.u(0, h)]), h * 0.03, 50)
        sketch.cord(out, wire, max(h * 0.006, 2), surfaces.paint_colour(dice, wall=False))
    return sketch.finish(lit(dice, out.astype(np.float32)), soft=0.6)


def _rgb(dice: Dice) -> Floats:
    board = ((20, 70, 35), (25, 45, 90), (90, 70, 30), (15, 40, 20), (140, 110, 60))
    return to_linear(np.array([dice.pick(board)], np.uint8))[0]


THINGS: dict[str, tuple[Callable[[Dice, int, int], Picture], float]] = {
    "fruit": (fruit, 0.18),
    "shelves": (shelves, 0.14),
    "table": (table, 0.16),
    "tools": (tools, 0.12),
    "brushes": (brushes, 0.1),
    "keyboard": (keyboard, 0.08),
    "page": (page, 0.1),
    "circuit": (circuit, 0.12),
}


def things(dice: Dice, h: int, w: int) -> Picture:
    """One still life, kind by weight."""
    return THINGS[dice.weighted({k: v[1] for k, v in THINGS.items()})][0](dice, h, w)
