"""Landscapes and people that look like photographs: haze, texture at all scales, soft light.

Drawn at up to 900 px across and enlarged; the last grain is added at that size.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth.arrays import Bytes, Floats
from synth.colour import hsv
from synth.dice import Dice
from synth.fields import fractal, grid, mix, smooth_noise
from synth.shapes import grade

Picture = Bytes
Shape = tuple[int, int]


def _rgb(hue: float, saturation: float, value: float) -> Floats:
    return hsv(hue, saturation, value).astype(np.float32)


def _sky(dice: Dice, shape: Shape, horizon: float, *, low_sun: bool) -> Floats:
    """Sky with clouds, brighter towards the horizon (a fraction of the height)."""
    _, y = grid(shape)
    t = np.clip(y / horizon, 0, 1)[..., None]
    if low_sun:
        top = _rgb(dice.u(0.58, 0.8), dice.u(0.3, 0.7), dice.u(0.2, 0.6))
        low = _rgb(dice.u(0.02, 0.12), dice.u(0.4, 0.9), dice.u(0.75, 1))
    else:
        top = _rgb(dice.u(0.56, 0.63), dice.u(0.1, 0.75), dice.u(0.45, 0.9))
        low = _rgb(dice.u(0.54, 0.62), dice.u(0.02, 0.25), dice.u(0.75, 1))
    out = np.broadcast_to(top + (low - top) * t ** dice.u(0.7, 2), (*shape, 3)).copy()
    f = fractal(dice, shape, cells=dice.u(1.5, 4), octaves=6, gain=0.55)
    # clouds flatten towards the horizon
    f = _recede(f, horizon) if dice.p(0.5) else f
    cover = np.clip((f - dice.u(-0.25, 0.4)) * dice.u(1.5, 4), 0, 1) * dice.u(0.2, 0.95)
    lit = _rgb(dice.u(0.02, 0.1), 0.45, 1.0) if low_sun else np.full(3, 250, np.float32)
    shade = np.clip(0.75 + 0.5 * (f - np.roll(f, max(shape[0] // 50, 1), 0)) * 3, 0.45, 1.05)
    mix(out, np.clip(lit * shade[..., None], 0, 255), cover.astype(np.float32))
    return out


def _recede(field: Floats, horizon: float) -> Floats:
    """Squeeze a field towards a level line as a ceiling or floor seen in perspective."""
    h, w = field.shape
    x, y = grid((h, w))
    depth = 0.3 + 0.85 * np.abs(y - horizon) / max(horizon, 1 - horizon)
    mx = ((x - 0.5) / (0.35 + depth) * 0.7 + 0.5) * w
    my = 0.6 * h * (1 / depth - 0.87) + 0 * x
    return cv2.remap(
        field,
        np.broadcast_to(mx, (h, w)).astype(np.float32),
        my.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )


def _relief(dice: Dice, shape: Shape, cells: float, rough: float = 0.62) -> Floats:
    """Side-lit rough ground, about 0..1.5 round 0.75."""
    f = fractal(dice, shape, cells=cells, octaves=6, gain=rough)
    step = cv2.Sobel(f, cv2.CV_32F, 1, 0, ksize=3) + 0.5 * cv2.Sobel(f, cv2.CV_32F, 0, 1, ksize=3)
    return np.clip(0.75 + step / (float(step.std()) + 1e-4) * 0.25, 0.1, 1.5)


def _skyline(dice: Dice, w: int, cells: float, rough: float) -> Floats:
    """A mountain-like profile (W,) about -1..1."""
    f = fractal(dice, (4, w), cells=cells, octaves=7, gain=rough)[1]
    return f / (float(np.abs(f).max()) + 1e-4)


def _below(shape: Shape, level: Floats) -> Floats:
    """Coverage of everything under the level (W,), in fractions of the height."""
    _, y = grid(shape)
    return np.clip((y - level[None, :]) * shape[0] + 0.5, 0, 1)


def _trees(dice: Dice, shape: Shape, level: float, tall: float) -> Floats:
    """Coverage of a line of conifers or round crowns standing on a level."""
    h, w = shape
    top = np.full(w, level, np.float32)
    x = np.arange(w, dtype=np.float32)
    pointed = dice.p(0.6)
    for _ in range(dice.i(40, 110)):
        c, s = dice.u(0, w), tall * dice.lu(0.3, 1.0)
        wide = s * h * (dice.u(0.15, 0.25) if pointed else dice.u(0.4, 0.7))
        a, b = max(int(c - wide), 0), min(int(c + wide) + 1, w)
        r = np.abs(x[a:b] - c) / wide
        form = 1 - r if pointed else np.sqrt(np.clip(1 - r * r, 0, 1))
        np.minimum(top[a:b], level - s * form, out=top[a:b])
    top += 0.012 * fractal(dice, (4, w), cells=60, octaves=3)[1]
    return _below(shape, top)


def _mirror(dice: Dice, out: Floats, line: int) -> None:
    """Water below `line` (px) that mirrors what stands above it, with ripples."""
    h, w = out.shape[:2]
    depth = h - line
    if depth < 4 or line < 4:
        return
    x, y = grid((depth, w))
    waves = smooth_noise(dice, (depth, w), 8) + smooth_noise(dice, (depth, w), 40)
    waves = cv2.resize(waves[: max(depth // 6, 2)], (w, depth))
    swing = waves * y * h * dice.u(0.002, 0.03)
    my = np.clip(line - 1 - y * depth * dice.u(0.9, 1.3) + swing, 0, line - 1)
    mx = x * w + 0.3 * swing
    water = cv2.remap(out, mx.astype(np.float32), my.astype(np.float32), cv2.INTER_LINEAR)
    tint = _rgb(dice.u(0.5, 0.62), dice.u(0.3, 0.8), dice.u(0.1, 0.5))
    keep = np.float32(dice.u(0.6, 0.95))
    out[line:] = (water * keep + tint * (1 - keep)) * np.float32(dice.u(0.7, 1))


def alpine(dice: Dice, shape: Shape) -> Floats:
    """Layers of mountains with snow or rock, wooded feet, and a lake or meadow before them."""
    h, w = shape
    base = dice.u(0.5, 0.78)
    low_sun = dice.p(0.3)
    out = _sky(dice, shape, base, low_sun=low_sun)
    haze = out[int(base * h) - 1].mean(0)
    count = dice.i(1, 3)
    for k in range(count):
        near = (k + 1) / count
        tall = dice.u(0.1, 0.28) * (1.3 - 0.5 * near)
        level = base - 0.06 - tall * (0.6 + _skyline(dice, w, dice.u(1.5, 4), dice.u(0.42, 0.6)))
        rock = _rgb(dice.u(0.02, 0.65), dice.u(0.05, 0.35), dice.u(0.3, 0.6))
        face = rock * _relief(dice, shape, dice.u(3, 7))[..., None]
        if dice.p(0.5):
            _, y = grid(shape)
            snow = (base - dice.u(0.1, 0.3) - y) * 9 + 1.6 * fractal(
                dice, shape, cells=9, octaves=4, gain=0.6
            )
            mix(face, 0.4 * face + 150, np.clip(snow, 0, 1))
        face += (haze - face) * np.float32((1 - near) * 0.6 + dice.u(0.05, 0.3))
        mix(out, np.clip(face, 0, 255), _below(shape, level))
    leaf = _rgb(dice.u(0.08, 0.42), dice.u(0.25, 0.7), dice.u(0.1, 0.4))
    wood = leaf * _relief(dice, shape, 25)[..., None]
    mix(out, wood, _trees(dice, shape, base + 0.002, dice.u(0.03, 0.16)))
    line = int(base * h)
    if dice.p(0.55):
        _mirror(dice, out, line)
    else:
        _meadow(dice, out, base)
    return out


def _meadow(dice: Dice, out: Floats, base: float) -> None:
    """Grass, field or sand below the base line."""
    shape = (out.shape[0], out.shape[1])
    green = _rgb(dice.u(0.1, 0.36), dice.u(0.35, 0.85), dice.u(0.25, 0.65))
    f = fractal(dice, shape, cells=30, octaves=4, gain=0.85)
    ground = green * (1 + 0.55 * _recede(f, base))[..., None]
    ground *= (1 + 0.3 * smooth_noise(dice, shape, 3))[..., None]
    level = np.full(shape[1], base, np.float32) + 0.02 * _skyline(dice, shape[1], 2, 0.3)
    mix(out, np.clip(ground, 0, 255), _below(shape, level))


def country(dice: Dice, shape: Shape) -> Floats:
    """Open fields, hills and single trees."""
    base = dice.u(0.35, 0.7)
    out = _sky(dice, shape, base, low_sun=dice.p(0.3))
    haze = out[int(base * shape[0]) - 1].mean(0)
    for k in range(dice.i(1, 3)):
        level = base - dice.u(0.02, 0.12) * (1 + _skyline(dice, shape[1], dice.u(1, 3), 0.35)) / (
            k + 1
        )
        tone = _rgb(dice.u(0.15, 0.6), dice.u(0.15, 0.5), dice.u(0.25, 0.55))
        hill = tone * _relief(dice, shape, 20)[..., None]
        mix(out, hill + (haze - hill) * np.float32(0.6 / (k + 1)), _below(shape, level))
    if dice.p(0.6):
        crown = _rgb(dice.u(0.05, 0.4), dice.u(0.3, 0.7), dice.u(0.1, 0.4))
        wood = crown * _relief(dice, shape, 35)[..., None]
        mix(out, wood, _trees(dice, shape, base + 0.005, dice.u(0.02, 0.3)))
    _meadow(dice, out, base)
    return out


def sea(dice: Dice, shape: Shape) -> Floats:
    """Sea and sky, a low sun perhaps, a beach or a far coast perhaps."""
    h, w = shape
    base = dice.u(0.3, 0.65)
    low_sun = dice.p(0.5)
    out = _sky(dice, shape, base, low_sun=low_sun)
    x, y = grid(shape)
    sun = (dice.u(0.15, 0.85), base - dice.u(0.01, 0.2))
    if low_sun:
        d2 = ((x - sun[0]) * w / h) ** 2 + (y - sun[1]) ** 2
        mix(out, np.array((255, 240, 200), np.float32), np.exp(-d2 / 0.012) * 0.7)
        mix(out, np.array((255, 250, 235), np.float32), np.clip((0.03 - np.sqrt(d2)) * h / 3, 0, 1))
    near = _rgb(dice.u(0.45, 0.64), dice.u(0.3, 0.85), dice.u(0.15, 0.55))
    far = out[int(base * h) - 1].mean(0) * np.float32(0.75)
    t = np.clip((y - base) / (1 - base), 0, 1)[..., None] ** np.float32(0.6)
    f = cv2.resize(fractal(dice, (h * 4, w // 2), cells=10, octaves=5, gain=0.7), (w, h))
    swell = _recede(f, base)
    water = (far + (near - far) * t) * (1 + dice.u(0.2, 0.7) * swell)[..., None]
    if low_sun:
        path = np.exp(-(((x - sun[0]) / (0.03 + 0.12 * (y - base))) ** 2))
        glint = np.clip(swell * 4, 0, 1) * path
        mix(water, np.array((255, 225, 160), np.float32), glint.astype(np.float32))
    foam = np.clip((swell - dice.u(0.35, 0.7)) * 4, 0, 1)
    mix(water, np.array((235, 240, 240), np.float32), foam)
    mix(out, np.clip(water, 0, 255), _below(shape, np.full(w, base, np.float32)))
    if dice.p(0.35):
        level = base - 0.05 * (0.5 + _skyline(dice, w, 2, 0.5))
        level = level + 0.3 * np.abs(x[0] - dice.u(0, 1)) ** 1.5
        strip = _below(shape, level) * (1 - _below(shape, np.full(w, base, np.float32)))
        mix(out, far * np.float32(0.6), strip)
    if dice.p(0.35):
        shore = dice.u(0.75, 0.92) + 0.04 * _skyline(dice, w, 1.5, 0.3)
        sand = _rgb(dice.u(0.07, 0.12), dice.u(0.15, 0.5), dice.u(0.5, 0.9))
        mix(
            out,
            sand * (1 + 0.15 * fractal(dice, shape, cells=90, octaves=2))[..., None],
            _below(shape, shore),
        )
    return out


def forest(dice: Dice, shape: Shape) -> Floats:
    """Trunks one behind the other in haze, leaves above and litter below."""
    h, w = shape
    x, y = grid(shape)
    light = _rgb(dice.u(0.1, 0.5), dice.u(0.1, 0.5), dice.u(0.5, 0.95))
    dark = _rgb(dice.u(0.08, 0.4), dice.u(0.2, 0.6), dice.u(0.06, 0.2))
    f = fractal(dice, shape, cells=dice.u(14, 30), octaves=5, gain=0.75)
    out = light * np.clip(0.75 + 0.7 * f, 0, 1.2)[..., None]
    layers = 4
    for k in range(layers):
        near = (k + 1) / layers
        tone = light + (dark - light) * np.float32(near * 0.9)
        mask = np.zeros((h, w), np.uint8)
        for _ in range(dice.i(3, 14 - 2 * k)):
            c, s = dice.u(0, w), w * dice.u(0.004, 0.02) * (0.5 + 1.5 * near)
            lean = dice.n(0, 0.04) * w
            quad = np.array(
                [(c - s, h), (c + s, h), (c + s * 0.6 + lean, 0), (c - s * 0.6 + lean, 0)]
            )
            cv2.fillPoly(mask, [quad.astype(np.int32)], 255, cv2.LINE_AA)
        bark = tone * (1 + 0.5 * cv2.resize(dice.array(-1, 1, (h // 12 + 2, w)), (w, h)))[..., None]
        mix(out, np.clip(bark, 0, 255), mask.astype(np.float32) / 255)
        leaves = fractal(dice, shape, cells=18 + 8 * k, octaves=4, gain=0.8)
        cover = np.clip((leaves + dice.u(0.1, 0.5) - 2.2 * y) * 5, 0, 1)
        mix(out, tone * (1 + 0.6 * f)[..., None], cover.astype(np.float32))
    ground = _rgb(dice.u(0.05, 0.35), dice.u(0.3, 0.7), dice.u(0.15, 0.5))
    litter = (
        ground
        * (1 + 0.7 * _recede(fractal(dice, shape, cells=40, octaves=3, gain=0.8), 0.6))[..., None]
    )
    mix(out, np.clip(litter, 0, 255), _below(shape, 0.78 + 0.05 * _skyline(dice, w, 2, 0.5)))
    if dice.p(0.4):
        mix(out, light, np.clip(np.exp(-((x - dice.u(0.2, 0.8)) ** 2) / 0.05) * (1 - y), 0, 0.6))
    return out


def dusk(dice: Dice, shape: Shape) -> Floats:
    """Black outlines of hills, trees or roofs before a burning sky."""
    base = dice.u(0.6, 0.9)
    out = _sky(dice, shape, base, low_sun=True)
    level = base + 0.06 * _skyline(dice, shape[1], dice.u(1, 4), 0.45)
    tone = _rgb(dice.u(0.6, 1.1), dice.u(0, 0.6), dice.u(0, 0.12))
    mix(out, tone, _below(shape, level))
    mix(out, tone, _trees(dice, shape, base + 0.04, dice.u(0.03, 0.35)))
    if dice.p(0.3):
        _mirror(dice, out, int(shape[0] * min(base + 0.05, 0.9)))
    return out


def city(dice: Dice, shape: Shape) -> Floats:
    """A city at night: towers with lit windows, street glow, water that mirrors them."""
    h, w = shape
    base = dice.u(0.6, 0.9)
    _, y = grid(shape)
    top = _rgb(dice.u(0.58, 0.75), dice.u(0.2, 0.9), dice.u(0.03, 0.25))
    glow = _rgb(dice.u(0.02, 0.14), dice.u(0.3, 0.8), dice.u(0.15, 0.55))
    t = np.clip(y / base, 0, 1)[..., None] ** np.float32(dice.u(2, 5))
    out = np.broadcast_to(top + (glow - top) * t, (h, w, 3)).copy()
    for depth in range(3):
        x = -dice.i(0, 20)
        while x < w:
            bw = max(int(w * dice.u(0.015, 0.07)), 6)
            roof = int(h * (base - dice.u(0.05, 0.5) * (1 - 0.2 * depth)))
            a, b = max(x, 0), min(x + bw, w)
            if b > a:
                _tower(dice, out[max(roof, 0) : int(base * h), a:b], depth)
            x += bw + dice.i(0, int(w * 0.02))
    small = cv2.GaussianBlur(out, (0, 0), h / 60)
    out = out + small * np.float32(dice.u(0.3, 0.8))
    if dice.p(0.6):
        _mirror(dice, out, int(base * h))
    else:
        out[int(base * h) :] = glow * np.float32(0.25)
    return out


def _tower(dice: Dice, part: Floats, depth: int) -> None:
    if part.shape[0] < 4 or part.shape[1] < 4:
        return
    part[:] = _rgb(dice.u(0.5, 0.75), dice.u(0, 0.5), dice.u(0.03, 0.16) * (1.4 - 0.3 * depth))
    step = dice.i(4, 7)
    rows, columns = part.shape[0] // step, part.shape[1] // step
    if rows < 1 or columns < 1:
        return
    lit = dice.rng.random((rows, columns, 1)) < dice.u(0.1, 0.6)
    tone = _rgb(dice.pick((0.1, 0.12, 0.14, 0.55)), dice.u(0.1, 0.7), 1.0)
    panes = np.where(lit, tone * dice.array(0.3, 1, (rows, columns, 1)), 0).astype(np.float32)
    big = np.zeros((rows, step, columns, step, 3), np.float32)
    big[:, 1 : step - 1, :, 1 : step - 1] = panes[:, None, :, None]
    area = part[: rows * step, : columns * step]
    np.maximum(area, big.reshape(rows * step, columns * step, 3), out=area)


def dunes(dice: Dice, shape: Shape) -> Floats:
    """Sand, snow or bare ground under the sky, in long smooth ridges."""
    base = dice.u(0.25, 0.5)
    out = _sky(dice, shape, base, low_sun=dice.p(0.4))
    hue, sat = dice.pick(((0.08, 0.5), (0.05, 0.65), (0.6, 0.08), (0.1, 0.2)))
    for k in range(dice.i(2, 5)):
        level = base + 0.14 * k + 0.09 * _skyline(dice, shape[1], dice.u(1, 3), 0.3)
        tone = _rgb(hue, sat, dice.u(0.5, 0.95))
        face = tone * (0.6 + 0.5 * _relief(dice, shape, dice.u(3, 8), 0.45))[..., None]
        mix(out, np.clip(face, 0, 255), _below(shape, level))
    return out


SCENES: dict[str, tuple[Callable[[Dice, Shape], Floats], float]] = {
    "alpine": (alpine, 1.6),
    "country": (country, 1.2),
    "sea": (sea, 1.2),
    "forest": (forest, 0.9),
    "dusk": (dusk, 0.8),
    "city": (city, 0.9),
    "dunes": (dunes, 0.6),
}


def scenery(dice: Dice, h: int, w: int) -> Picture:
    """One landscape as a graded 8-bit picture."""
    name = dice.weighted({k: v[1] for k, v in SCENES.items()})
    out = np.clip(SCENES[name][0](dice, (h, w)), 0, 255)
    if name not in ("dusk", "city"):  # a camera would have exposed for the brightest parts
        bright = float(np.percentile(out[::8, ::8].max(-1), 97))
        out *= np.float32(dice.u(190, 275) / max(bright, 60))
    out += dice.normal((h, w, 1)) * np.float32(dice.u(0.5, 6))
    picture = np.clip(out, 0, 255).astype(np.uint8)
    if dice.p(0.5):
        picture = np.ascontiguousarray(picture[:, ::-1])
    return grade(dice, picture)
