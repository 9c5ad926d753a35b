"""Procedural pictures: wallpapers, landscapes, flowers and the like, 8-bit sRGB (H, W, 3).

Smooth ones are computed on a smaller canvas and enlarged, since they have nothing finer to show.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth.arrays import Bytes
from synth.colour import hsv, palette, random_colour
from synth.dice import Dice
from synth.faces import portrait
from synth.fields import Field, filled, fractal, grid, mix, smooth_noise
from synth.nature import scenery

Picture = Bytes


def _ramp(values: Field, colours: list[Bytes]) -> Picture:
    """Colour a field 0..1 through a list of colours by linear interpolation."""
    table = np.stack(colours).astype(np.float32)
    steps = np.linspace(0, 1, 256) * (len(table) - 1)
    lower = np.minimum(steps.astype(int), len(table) - 2) if len(table) > 1 else np.zeros(256, int)
    part = (steps - lower)[:, None]
    upper = np.minimum(lower + 1, len(table) - 1)
    lut = np.rint(table[lower] * (1 - part) + table[upper] * part).astype(np.uint8)
    return lut[np.clip(values * 255, 0, 255).astype(np.uint8)]


def mesh(dice: Dice, h: int, w: int) -> Picture:
    """Gradient mesh: a few colours melted into each other."""
    n = dice.i(2, 5)
    small = np.stack([np.stack(palette(dice, n + 1)) for _ in range(max(n - 1, 2))])
    big = cv2.resize(small.astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
    return np.clip(big, 0, 255).astype(np.uint8)


def waves(dice: Dice, h: int, w: int) -> Picture:
    """Stacked smooth regions with gradients inside: the usual desktop wallpaper."""
    x, y = grid((h, w))
    angle = dice.u(0, np.pi)
    s = np.float32(np.cos(angle)) * (x - 0.5) + np.float32(np.sin(angle)) * (y - 0.5)
    t = np.float32(-np.sin(angle)) * (x - 0.5) + np.float32(np.cos(angle)) * (y - 0.5)
    colours = palette(dice, 10)
    out = filled((h, w), colours[0], np.float32)
    count = dice.i(3, 8)
    for k in range(count):
        edge = -0.6 + 1.2 * (k + dice.u(0, 0.8)) / count
        bend = (
            dice.u(0.03, 0.25) * np.sin(t * dice.u(2, 9) + dice.u(0, 6.3))
            + dice.u(-0.6, 0.6) * t * t
        )
        d = (s - edge - bend) * w
        a = np.clip(d + 0.5, 0, 1)
        c1, c2 = colours[(k + 1) % 10].astype(np.float32), colours[(k + 4) % 10].astype(np.float32)
        shade = np.clip(d / w * dice.u(1, 4), 0, 1)
        ramp = [first + (last - first) * shade for first, last in zip(c1, c2, strict=True)]
        mix(out, cv2.merge(ramp), a)
    return np.clip(out, 0, 255).astype(np.uint8)


def folds(dice: Dice, h: int, w: int) -> Picture:
    """Warped stripes: fabric, marble, flowing hair."""
    x, y = grid((h, w))
    f = fractal(dice, (h, w), cells=dice.u(1, 3), octaves=3)
    g = np.sin(2 * np.pi * (dice.u(1, 7) * x + dice.u(-4, 4) * y + dice.u(0.5, 3) * f))
    return _ramp(0.5 + 0.5 * g, palette(dice, dice.i(2, 6)))


def ridges(dice: Dice, h: int, w: int) -> Picture:
    """Mountains in haze under a sky, perhaps mirrored in a lake."""
    x, y = grid((h, w))
    sky = [
        hsv(dice.u(0.5, 0.7), dice.u(0.1, 0.8), dice.u(0.3, 1)),
        hsv(dice.u(0, 0.15), dice.u(0, 0.6), dice.u(0.5, 1)),
    ]
    out = _ramp(np.broadcast_to(y * 1.6, (h, w)).astype(np.float32), sky).astype(np.float32)
    cloud = np.clip(fractal(dice, (h, w), cells=4, octaves=4) * 2 - 0.2, 0, 1)[..., None] * dice.u(
        0, 0.8
    )
    out += cloud * (np.float32(240) - out)
    count = dice.i(2, 5)
    ground = hsv(dice.u(0.05, 0.7), dice.u(0.1, 0.8), dice.u(0.05, 0.5)).astype(np.float32)
    for k in range(count):
        profile = fractal(dice, (4, w), cells=dice.u(2, 5), octaves=6, gain=0.5)[1]
        level = 0.3 + 0.5 * (k + 1) / count - dice.u(0.1, 0.5) * profile
        a = np.clip((y - level[None, :]) * h + 0.5, 0, 1)[..., None]
        shade = ground * (0.4 + 0.6 * k / count) + np.float32(90 * (1 - (k + 1) / count))
        out += a * (shade - out)
    if dice.p(0.35):
        line = int(h * dice.u(0.55, 0.75))
        mirror = out[line - 1 :: -1][: h - line]
        out[line : line + len(mirror)] = mirror * np.float32(dice.u(0.5, 0.9))
    if dice.p(0.6):
        out *= (1 + 0.3 * fractal(dice, (h, w), cells=40, octaves=3))[..., None]
    return np.clip(out, 0, 255).astype(np.uint8)


def blossom(dice: Dice, h: int, w: int) -> Picture:
    """A flower head of layered petals on a blurred ground."""
    out = mesh(dice, h, w).astype(np.float32) * dice.u(0.2, 0.7)
    x, y = grid((h, w))
    cx, cy = dice.u(0.3, 0.7), dice.u(0.35, 0.65)
    dx, dy = (x - cx) * (w / h), y - cy
    r, a = np.sqrt(dx * dx + dy * dy), np.arctan2(dy, dx)
    hue = dice.u(0, 1)
    layers = dice.i(3, 8)
    petals = dice.i(5, 20)
    for k in range(layers):
        size = dice.u(0.3, 0.48) * (1 - k / (layers + 0.5))
        edge = size * (0.75 + 0.25 * np.abs(np.sin(a * petals / 2 + k * 1.7)))
        m = np.clip((edge - r) * h, 0, 1)[..., None]
        light = 0.45 + 0.55 * np.clip(r / np.maximum(edge, 1e-4), 0, 1)
        colour = hsv(hue + dice.n(0, 0.02), dice.u(0.4, 1), dice.u(0.7, 1)).astype(np.float32)
        out += m * (colour * light[..., None] - out)
    return np.clip(out, 0, 255).astype(np.uint8)


def bokeh(dice: Dice, h: int, w: int) -> Picture:
    """Round blurred lights on a dark ground."""
    out = (mesh(dice, h, w) * dice.u(0.05, 0.4)).astype(np.uint8)
    for _ in range(dice.i(8, 50)):
        layer = np.zeros_like(out)
        centre = (dice.i(0, w), dice.i(0, h))
        radius = int(h * dice.u(0.01, 0.12))
        cv2.circle(
            layer,
            centre,
            radius,
            tuple(int(c) for c in random_colour(dice, vivid=0.8)),
            -1,
            cv2.LINE_AA,
        )
        x0, y0 = max(centre[0] - radius - 2, 0), max(centre[1] - radius - 2, 0)
        part = (slice(y0, centre[1] + radius + 3), slice(x0, centre[0] + radius + 3))
        out[part] = (
            cv2.addWeighted(out[part], 1.0, layer[part], dice.u(0.2, 0.9), 0)
            if out[part].size
            else out[part]
        )
    return out


def creature(dice: Dice, h: int, w: int) -> Picture:
    """Mirror-symmetric shapes with eyes on a plain or glowing ground."""
    half = w // 2 + 1
    f = fractal(dice, (h, half), cells=dice.u(2, 5), octaves=4)
    x, y = grid((h, half))
    f = f - 2.2 * ((x - 1.0) ** 2 * 1.5 + (y - 0.5) ** 2 * 2) + 0.35
    colours = palette(dice, 5)
    left = np.empty((h, half, 3), np.uint8)
    left[:] = (colours[0] * dice.u(0.1, 1)).astype(np.uint8)
    for k in range(4):
        left[f > 0.1 * k] = colours[k + 1]
    eye = (int(half * dice.u(0.75, 0.9)), int(h * dice.u(0.35, 0.55)))
    cv2.circle(left, eye, int(h * 0.05), (250, 250, 245), -1, cv2.LINE_AA)
    cv2.circle(left, eye, int(h * 0.025), (10, 10, 10), -1, cv2.LINE_AA)
    return np.ascontiguousarray(np.concatenate([left, left[:, ::-1]], 1)[:, :w])


def skyline(dice: Dice, h: int, w: int) -> Picture:
    """A city with lit windows, by day or night."""
    night = dice.p(0.6)
    out = mesh(dice, h, w)
    out = (out * (0.15 if night else 0.9)).astype(np.uint8)
    for depth in range(2):
        x = 0
        while x < w:
            bw = max(int(w * dice.u(0.03, 0.12)), 8)
            top = int(h * dice.u(0.15 + 0.2 * depth, 0.8))
            tone = (random_colour(dice, vivid=0.2) * (0.2 if night else 0.7)).astype(np.uint8)
            out[top:, x : x + bw] = tone
            step = max(h // dice.i(30, 60), 4)
            lit = dice.rng.random(((h - top) // step + 1, bw // step + 1)) < (
                0.35 if night else 0.1
            )
            glow = hsv(dice.u(0.08, 0.16), 0.5, 1.0)
            for r, c in np.argwhere(lit):
                out[
                    top + r * step + 1 : top + (r + 1) * step - 1,
                    x + c * step + 1 : min(x + (c + 1) * step - 1, x + bw),
                ] = glow
            x += bw
    return out


def shapes(dice: Dice, h: int, w: int) -> Picture:
    """Flat geometric poster: triangles, discs and stripes of one palette."""
    colours = palette(dice, 7)
    out = np.empty((h, w, 3), np.uint8)
    out[:] = colours[0]
    for k in range(dice.i(3, 14)):
        colour = tuple(int(c) for c in colours[k % 7])
        kind = dice.i(0, 3)
        if kind == 0:
            cv2.circle(
                out,
                (dice.i(0, w), dice.i(0, h)),
                int(h * dice.u(0.05, 0.5)),
                colour,
                -1,
                cv2.LINE_AA,
            )
        elif kind == 1:
            pts = np.array(
                [
                    (dice.i(-w // 4, w * 5 // 4), dice.i(-h // 4, h * 5 // 4))
                    for _ in range(dice.i(3, 5))
                ]
            )
            cv2.fillPoly(out, [pts.astype(np.int32)], colour, cv2.LINE_AA)
        elif kind == 2:
            cv2.ellipse(
                out,
                (dice.i(0, w), dice.i(0, h)),
                (dice.i(w // 20, w // 2), dice.i(h // 20, h // 2)),
                dice.u(0, 180),
                0,
                360,
                colour,
                -1,
                cv2.LINE_AA,
            )
        else:
            cv2.line(
                out,
                (dice.i(0, w), dice.i(0, h)),
                (dice.i(0, w), dice.i(0, h)),
                colour,
                max(int(h * dice.u(0.005, 0.1)), 1),
                cv2.LINE_AA,
            )
    return out


def still_life(dice: Dice, h: int, w: int) -> Picture:
    """Shaded balls and boxes on a table with soft shadows: looks like a photograph from afar."""
    x, y = grid((h, w))
    line = dice.u(0.4, 0.7)
    wall, table = random_colour(dice, vivid=0.3), random_colour(dice, vivid=0.4)
    ground = np.where((y < line)[..., None], wall, table).astype(np.float32)
    out = np.broadcast_to(ground, (h, w, 3)).copy()
    out *= (1 + 0.15 * fractal(dice, (h, w), cells=6, octaves=5))[..., None]
    out *= (0.55 + 0.6 * np.exp(-((x - dice.u(0, 1)) ** 2 + (y - dice.u(0, 0.7)) ** 2) * 3))[
        ..., None
    ]
    aspect = w / h
    for _ in range(dice.i(2, 7)):
        cx, cy, r = dice.u(0.05, 0.95), dice.u(line - 0.02, 0.9), dice.u(0.05, 0.2)
        dx, dy = (x - cx) * aspect / r, (y - cy) / r
        shadow = np.exp(-((dx - 0.7) ** 2 + ((dy - 0.9) * 3) ** 2))[..., None]
        out *= 1 - 0.5 * shadow
        d2 = dx * dx + dy * dy
        z = np.sqrt(np.clip(1 - d2, 0, 1))
        light = np.clip(-0.5 * dx - 0.6 * dy + 0.62 * z, 0.05, 1)
        a = np.clip((1 - np.sqrt(d2)) * r * h, 0, 1)[..., None]
        colour = random_colour(dice, vivid=0.8).astype(np.float32)
        gloss = 255 * np.clip(light, 0, 1) ** dice.u(10, 60)
        out += a * (np.clip(colour * light[..., None] + gloss[..., None], 0, 255) - out)
    return np.clip(out, 0, 255).astype(np.uint8)


def mosaic(dice: Dice, h: int, w: int) -> Picture:
    """Pixel art or tiles: healthy content that looks like blocks."""
    n = dice.i(10, 70)
    m = max(int(n * h / w), 4)
    if dice.p(0.5):
        small = _ramp(
            0.5 + 0.5 * fractal(dice, (m, n), cells=4, octaves=3), palette(dice, dice.i(3, 7))
        )
    else:
        colours = np.stack(palette(dice, 6))
        small = colours[dice.rng.integers(0, 6, (m, n))]
    return cv2.resize(small, (w, h), interpolation=cv2.INTER_NEAREST)


def poster(dice: Dice, h: int, w: int) -> Picture:
    """Posterised artwork: few flat tones by intention."""
    f = (
        np.round((0.5 + 0.6 * fractal(dice, (h, w), cells=dice.u(2, 6), octaves=5)) * dice.i(3, 7))
        / 6
    )
    return _ramp(np.clip(f, 0, 1), palette(dice, dice.i(3, 6)))


def foliage(dice: Dice, h: int, w: int) -> Picture:
    """Fine natural texture: leaves, gravel, crowds."""
    f = fractal(dice, (h, w), cells=dice.u(15, 60), octaves=4, gain=0.75)
    g = smooth_noise(dice, (h, w), 4)
    return _ramp(np.clip(0.5 + 0.9 * f + 0.25 * g, 0, 1), palette(dice, dice.i(3, 6)))


def planet(dice: Dice, h: int, w: int) -> Picture:
    """Dark sky with stars and a lit disc."""
    out = np.zeros((h, w, 3), np.uint8)
    out[:] = hsv(dice.u(0.5, 0.8), dice.u(0, 1), dice.u(0, 0.12))
    for _ in range(dice.i(20, 200)):
        out[dice.i(0, h - 1), dice.i(0, w - 1)] = dice.i(60, 255)
    x, y = grid((h, w))
    cx, cy, r = dice.u(0.1, 0.9), dice.u(0.2, 0.9), dice.u(0.1, 0.6)
    dx, dy = (x - cx) * (w / h) / r, (y - cy) / r
    z = np.sqrt(np.clip(1 - dx * dx - dy * dy, 0, 1))
    light = np.clip(dice.u(-0.8, 0.8) * dx - 0.5 * dy + 0.5 * z, 0, 1) * (z > 0)
    skin = _ramp(0.5 + 0.5 * fractal(dice, (h, w), cells=8, octaves=5), palette(dice, 3))
    return np.clip(out + skin * light[..., None], 0, 255).astype(np.uint8)


PAINTERS: dict[str, tuple[Callable[[Dice, int, int], Picture], float]] = {
    "mesh": (mesh, 1.0),
    "waves": (waves, 1.6),
    "folds": (folds, 1.2),
    "ridges": (ridges, 1.5),
    "blossom": (blossom, 1.0),
    "bokeh": (bokeh, 0.6),
    "creature": (creature, 0.8),
    "skyline": (skyline, 0.8),
    "shapes": (shapes, 1.2),
    "still_life": (still_life, 1.6),
    "mosaic": (mosaic, 0.35),
    "poster": (poster, 0.35),
    "foliage": (foliage, 0.7),
    "planet": (planet, 0.4),
    "scenery": (scenery, 3.5),
    "portrait": (portrait, 1.0),
}


def enlarged(
    draw: Callable[[Dice, int, int], Picture], dice: Dice, shape: tuple[int, int], across: int
) -> Picture:
    """Draw at `across` pixels of the longer side at most and enlarge to the shape."""
    h, w = shape
    scale = min(1.0, across / max(w, h))
    small = draw(dice, max(int(h * scale), 24), max(int(w * scale), 32))
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC))


def paint(dice: Dice, shape: tuple[int, int]) -> Picture:
    """One procedural picture (H, W, 3), kind by weight, sometimes laid over another."""
    h, w = shape
    name = dice.weighted({k: v[1] for k, v in PAINTERS.items()})
    scale = min(1.0, {"scenery": 680, "portrait": 560}.get(name, 800) / max(h, w))
    ph, pw = max(int(h * scale), 24), max(int(w * scale), 32)
    out = PAINTERS[name][0](dice, ph, pw)
    if name not in ("scenery", "portrait") and dice.p(0.25):
        second = dice.weighted({k: v[1] for k, v in PAINTERS.items() if k != "portrait"})
        other = PAINTERS[second][0](dice, ph, pw)
        a = np.clip(0.5 + 6 * smooth_noise(dice, (ph, pw), 2), 0, 1)[..., None]
        out = np.rint(out + a * (other.astype(np.float32) - out)).astype(np.uint8)
    if (ph, pw) != (h, w):
        nearest = name == "mosaic"
        out = cv2.resize(
            out, (w, h), interpolation=cv2.INTER_NEAREST if nearest else cv2.INTER_CUBIC
        )
    return out
