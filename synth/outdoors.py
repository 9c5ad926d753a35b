"""Views of the outdoors as general photographs: (dice, h, w) -> 8-bit sRGB (h, w, 3)."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from synth import matter, sketch
from synth.arrays import Bytes, Floats
from synth.dice import Dice
from synth.fields import blur, fractal, grid, mix, smooth_noise

Picture = Bytes


def _rgb(*values: float) -> Floats:
    return np.array(values, np.float32)


def sky(dice: Dice, h: int, w: int) -> Floats:
    """Linear sky: blue, hazy, overcast or evening, with clouds; the horizon is at the bottom."""
    x, y = grid((h, w))
    kind = dice.weighted({"blue": 0.5, "overcast": 0.25, "evening": 0.13, "deep": 0.12})
    top, low = {
        "blue": (_rgb(0.1, 0.26, 0.6), _rgb(0.5, 0.66, 0.85)),
        "deep": (_rgb(0.03, 0.1, 0.38), _rgb(0.12, 0.3, 0.68)),
        "overcast": (_rgb(0.5, 0.54, 0.6), _rgb(0.75, 0.77, 0.8)),
        "evening": (_rgb(0.12, 0.17, 0.35), _rgb(0.9, 0.5, 0.25)),
    }[kind]
    t = np.clip(y**1.3 + dice.n(0, 0.15) * (x - 0.5), 0, 1)[..., None]
    out = ((top + t * (low - top)) * np.float32(dice.u(0.7, 1.15))).astype(np.float32)
    if dice.p(0.75):
        f = fractal(dice, (h, w), cells=dice.u(1.5, 5), octaves=6, gain=0.55)
        streaks = matter.noise(dice, (h, w), 8, stretch=5) if dice.p(0.4) else np.float32(0)
        cover = np.clip((f + 0.3 * streaks - dice.u(-0.25, 0.25)) * dice.u(1.5, 4), 0, 1)
        body = 0.92 - 0.45 * np.clip(f * 1.5, 0, 1)
        white = body[..., None] * (low * 0.25 + 0.75)
        mix(out, white, cover * np.float32(dice.u(0.4, 1)))
    return np.clip(out, 0.01, 1)


def _profile(dice: Dice, w: int, cells: float, *, gain: float = 0.5) -> Floats:
    return fractal(dice, (4, w), cells=cells, octaves=7, gain=gain)[1]


def _below(h: int, line: Floats) -> Floats:
    rows = np.arange(h, dtype=np.float32)[:, None]
    return np.clip(rows - line[None, :] + 0.5, 0, 1).astype(np.float32)


Season = tuple[tuple[float, float, float], ...]
_SEASONS: tuple[Season, ...] = (
    ((0.05, 0.1, 0.025), (0.1, 0.16, 0.04), (0.03, 0.07, 0.02)),
    ((0.32, 0.14, 0.03), (0.16, 0.12, 0.03), (0.22, 0.08, 0.03), (0.06, 0.08, 0.03)),
    ((0.04, 0.06, 0.035), (0.07, 0.08, 0.045)),
    ((0.12, 0.2, 0.04), (0.2, 0.24, 0.07)),
)


def _leaf(dice: Dice) -> Floats:
    return np.array(dice.pick(dice.pick(_SEASONS)), np.float32)


def _wood_line(dice: Dice, image: Floats, level: float, height: float, season: Season) -> None:
    """A row of tree crowns made of dabs, lit from the upper left."""
    w = image.shape[1]
    for row in range(dice.i(1, 3)):
        foot = level + row * height * 0.35
        count = int(w / height * dice.u(1.2, 2.2)) + 2
        xs = dice.array(-0.05 * w, 1.05 * w, (count,))
        tall = height * dice.array(0.5, 1.15, (count,))
        for k in range(count):
            n = int(np.clip(tall[k] * 1.6, 12, 110))
            a, r = dice.array(0, 6.28, (n,)), np.sqrt(dice.array(0, 1, (n,)))
            dx, dy = r * np.cos(a) * tall[k] * 0.42, r * np.sin(a) * tall[k] * 0.5
            order = np.argsort(-dy)
            shade = 0.75 - 0.5 * dy / tall[k] - 0.35 * dx / tall[k] + dice.array(-0.3, 0.3, (n,))
            base = np.array(dice.pick(season), np.float32) * dice.u(0.7, 1.4)
            at = np.stack([xs[k] + dx, foot - tall[k] * 0.45 + dy], 1)[order]
            size = np.full(n, max(tall[k] * 0.16, 2.0), np.float32)
            tones = base * np.clip(shade, 0.15, 1.8)[order][:, None]
            sketch.scatter(image, dice, at, size, tones, wide=2.2)


def _ridge(dice: Dice, h: int, w: int, line: Floats) -> Floats:
    """Rock, scree or woods of one mountain, perhaps with snow below its line."""
    rock = fractal(dice, (h, w), cells=dice.u(6, 14), octaves=5, gain=0.65)
    tone = np.clip(1 + 1.3 * rock, 0.25, 2.2)[..., None]
    earth = _rgb(*dice.pick(((0.16, 0.15, 0.13), (0.1, 0.12, 0.07), (0.2, 0.17, 0.13))))
    ridge = earth * tone
    if dice.p(0.25):
        snow = np.clip((line[None, :] + h * 0.12 - np.arange(h)[:, None]) / (h * 0.05), 0, 1)
        mix(ridge, 0.75, (snow * np.clip(rock * 3 + 0.5, 0, 1)).astype(np.float32))
    return ridge


def mountains(dice: Dice, h: int, w: int) -> Picture:
    """Ridges in haze, woods in season, a meadow or a lake in front."""
    season = dice.pick(_SEASONS)
    horizon = dice.u(0.35, 0.6) * h
    out = sky(dice, h, w)
    haze = out[min(int(horizon), h - 1)].mean(0) * 0.9
    count = dice.i(1, 3)
    for k in range(count):
        near = (k + 1) / count
        rise = dice.u(0.05, 0.2) * _profile(dice, w, dice.u(2, 5))
        line = horizon - h * (0.3 - 0.22 * near) * dice.u(0.5, 1) - h * rise
        top, end = int(np.clip(line.min(), 0, h - 8)), min(int(horizon + h * 0.1), h)
        if end - top < 8:
            continue
        ridge = _ridge(dice, end - top, w, line - top)
        ridge += (haze - ridge) * np.float32(0.75 * (1 - near) + 0.15)
        mix(out[top:end], ridge, _below(end - top, line - top))
    line = horizon + h * dice.u(0.0, 0.06) * _profile(dice, w, 1.5)
    low = int(np.clip(line.min(), 0, h - 8))
    green = _rgb(*dice.pick(((0.08, 0.15, 0.03), (0.14, 0.16, 0.05), (0.2, 0.17, 0.08))))
    meadow = sketch.ground(dice, h - low, w, green, dice.u(0.15, 0.5))
    if dice.p(0.25):
        n = min(h - low, low)
        ripple = 1 + 0.12 * matter.noise(dice, (n, w), 30, stretch=6)
        meadow[:n] = 0.55 * out[low - n : low][::-1] * ripple[..., None]
    mix(out[low:], meadow, _below(h - low, line - low))
    if dice.p(0.7):
        _wood_line(dice, out, float(line.mean()), h * dice.u(0.05, 0.16), season)
    return sketch.finish(out)


def sea(dice: Dice, h: int, w: int) -> Picture:
    """Sea or a flat shore under the sky, often with thin cables, masts or rails in front."""
    horizon = int(h * dice.u(0.35, 0.75))
    out = np.empty((h, w, 3), np.float32)
    out[:horizon] = sky(dice, horizon, w)
    n = h - horizon
    tone = out[horizon - 1].mean(0)
    water = _rgb(0.05, 0.11, 0.15) if dice.p(0.6) else _rgb(0.3, 0.24, 0.15)
    depth = np.linspace(0, 1, n, dtype=np.float32)[:, None, None]
    body = tone * 0.6 + depth**0.5 * (water - tone * 0.6)
    waves = sketch.ground(dice, n, w, _rgb(1, 1, 1), dice.u(0.15, 0.6), stretch=dice.u(2, 5))
    out[horizon:] = body * waves
    if dice.p(0.5):  # a far shore
        line = horizon - h * 0.012 * (1 + _profile(dice, w, 6))
        shore = _below(h, line)
        shore[horizon + 1 :] = 0
        mix(out, tone * 0.3 + 0.03, shore)
    _rigging(dice, out, horizon)
    return sketch.finish(out)


def _rigging(dice: Dice, out: Floats, horizon: int) -> None:
    h, w = out.shape[:2]
    dark = _rgb(0.08, 0.075, 0.07) * dice.lu(0.3, 5)
    for _ in range(dice.pick((0, 1, 2, 4, 8))):
        a = np.array([-0.05 * w, dice.u(-0.3, 1.1) * h])
        b = np.array([1.05 * w, dice.u(-0.3, 1.2) * h])
        if dice.p(0.4):
            a, b = np.array([dice.u(0, 1) * w, -0.1 * h]), np.array([dice.u(0, 1) * w, 1.1 * h])
        t = np.linspace(0, 1, 12)[:, None]
        pts = a + t * (b - a) + np.array([0, 1.0]) * (4 * t * (1 - t) * h * dice.u(0, 0.08))
        sketch.cord(out, pts, w * dice.lu(0.001, 0.012), dark * dice.u(0.6, 2))
    if dice.p(0.4):  # deck and rail
        top, count = h * dice.u(0.7, 0.92), dice.i(6, 30)
        for k in range(count):
            x = w * (k + 0.5) / count
            sketch.cord(out, np.array([[x, top], [x, h]]), w * 0.004, dark)
        sketch.cord(out, np.array([[0, top], [w, top * dice.u(0.97, 1.03)]]), w * 0.009, dark)
    if dice.p(0.4):
        x = w * dice.u(0.1, 0.9)
        foot = horizon + h * dice.u(0, 0.1)
        sketch.cord(out, np.array([[x, foot], [x, foot - h * dice.u(0.2, 0.9)]]), w * 0.005, dark)


def _twigs(dice: Dice, image: Floats, count: int, tone: Floats) -> Floats:
    """Branches that fork; returns points (N, 2) along them for leaves to hang on."""
    h, w = image.shape[:2]
    spots: list[Floats] = []
    stack = []
    for _ in range(count):
        start = np.array([dice.u(0, 1) * w, 1.05 * h])
        if dice.p(0.5):
            start = np.array([dice.pick((-0.05, 1.05)) * w, dice.u(0, 1) * h])
        aim = np.arctan2(h * 0.4 - start[1], w * 0.5 - start[0]) + dice.n(0, 0.4)
        stack.append((start, aim, w * dice.lu(0.006, 0.03), 0))
    while stack and len(spots) < 2500:
        p, angle, width, level = stack.pop()
        pts = [p]
        for _ in range(dice.i(5, 9)):
            angle += dice.n(0, 0.2)
            p = p + np.array([np.cos(angle), np.sin(angle)]) * w * dice.u(0.015, 0.05)
            pts.append(p)
            if level < 3 and dice.p(0.5):
                side = angle + dice.pick((-1, 1)) * dice.u(0.4, 1.1)
                stack.append((p, side, width * 0.6, level + 1))
        line = np.rint(np.array(pts) * 16).astype(np.int32)
        thick = max(round(width), 1)
        shade = tone * dice.u(0.6, 1.4)
        cv2.polylines(image, [line], False, shade.tolist(), thick, cv2.LINE_8, 4)
        if thick > 3:
            lit = (shade * 2 + 0.01).tolist()
            cv2.polylines(image, [line - thick * 3], False, lit, thick // 3, cv2.LINE_8, 4)
        spots.extend(pts)
    return np.array(spots)


def foliage(dice: Dice, h: int, w: int) -> Picture:
    """Leaves and branches against the sky or against a blurred garden."""
    out, leaf = sky(dice, h, w), _leaf(dice)
    if dice.p(0.35):
        dabs = fractal(dice, (h, w), cells=dice.u(4, 12), octaves=3)
        mix(out, leaf * 0.7, np.clip(dabs * 3 + dice.u(0, 1), 0, 1))
        out = blur(out, w * 0.012)
    layers = dice.i(1, 3)
    for k in range(layers):
        near = (k + 1) / layers
        soft = 0.0 if near == 1 or dice.p(0.4) else w * dice.u(0.003, 0.012)
        bark = _rgb(0.09, 0.065, 0.045) * dice.u(0.3, 2)
        base = _twigs(dice, out, dice.i(2, 6), bark)
        n = dice.pick((0, 400, 900, 1600, 2200)) if layers > 1 else dice.i(0, 1800)
        at = base[dice.rng.integers(0, len(base), n)] + dice.normal((n, 2)) * w * 0.02
        size = w * dice.u(0.015, 0.05) * (0.5 + 0.5 * near) * dice.array(0.6, 1.3, (n,))
        lit = np.exp(dice.normal((n,)) * 0.55) * (0.35 + 0.65 * near)
        hue = 1 + dice.array(-0.2, 0.25, (n, 3)) * _rgb(1.0, 0.6, 0.5)
        sketch.scatter(out, dice, at, size, leaf * lit[:, None] * hue, wide=dice.u(0.7, 2.2))
        if soft:
            out = blur(out, soft)
    return sketch.finish(out, soft=0.7)


def forest(dice: Dice, h: int, w: int) -> Picture:
    """Trunks in a wood, light between them, ground with leaves or snow."""
    season = dice.pick(_SEASONS)
    glow = np.array(dice.pick(season), np.float32) * 1.6 + np.float32(dice.u(0, 0.25))
    f = fractal(dice, (h, w), cells=9, octaves=4, gain=0.6)
    out = glow * np.clip(0.6 + 0.9 * f, 0.05, 2)[..., None]
    n = 900
    at = dice.array(0, 1, (n, 2)) * _rgb(w, h * 0.8)
    tones = np.array([dice.pick(season) for _ in range(n)], np.float32)
    tones *= np.exp(dice.normal((n, 1)) * 0.6 + 0.2)
    dab = w * dice.u(0.01, 0.025)
    sketch.scatter(out, dice, at, np.full(n, dab), tones, wide=2)
    out = blur(out, dab * dice.u(0.25, 0.8))
    level = int(h * dice.u(0.55, 0.8))
    earth = _rgb(0.12, 0.08, 0.045) if dice.p(0.6) else np.array(dice.pick(season), np.float32)
    if dice.p(0.12):
        earth = _rgb(0.6, 0.63, 0.68)
    for k in range(dice.i(6, 26)):
        near = k / 26
        x, r = dice.u(-0.02, 1.02) * w, w * (0.004 + 0.03 * near * dice.u(0.5, 1.4))
        foot = level + near * (h - level) * 0.7
        bark = _rgb(0.09, 0.075, 0.06) * (1.6 - near) * dice.u(0.6, 1.6) + glow * 0.15 * (1 - near)
        profile = np.array([[r * 1.25, 0], [r, h * 0.08], [r * 0.8, foot + 4.0]])
        sketch.turned(out, x, foot, profile, bark, gloss=0)
    floor = sketch.ground(dice, h - level, w, earth, 0.6)
    edge = np.clip((np.arange(h - level)[:, None] - 20 * (1 + f[level:])) / 40, 0, 1)
    fade = np.linspace(0.95, 0.6, h - level)[:, None]
    mix(out[level:], floor, (edge * fade).astype(np.float32))
    out *= np.clip(1 + 0.15 * smooth_noise(dice, (h, w), w / 3), 0.3, 2)[..., None]
    return sketch.finish(out)


_PETALS = (
    (0.7, 0.68, 0.6), (0.65, 0.4, 0.05), (0.45, 0.1, 0.15), (0.3, 0.2, 0.5), (0.6, 0.3, 0.35),
)  # fmt: skip


def bloom(dice: Dice, h: int, w: int) -> Picture:
    """Grass or a flower bed close by: sharp blades or petals in front, the rest out of focus."""
    leaf = _leaf(dice)
    spots = fractal(dice, (h, w), cells=dice.u(3, 9), octaves=2)
    out = leaf * np.clip(1 + 0.9 * spots, 0.1, 3)[..., None]
    petal = _rgb(*dice.pick(_PETALS))
    for k in range(3):
        n = dice.i(60, 500)
        at = dice.array(0, 1, (n, 2)) * _rgb(w, h)
        size = w * dice.u(0.03, 0.1) * (0.5 + 0.4 * k) * dice.array(0.5, 1.2, (n,))
        tone = leaf * np.exp(dice.normal((n, 1)) * 0.5)
        sketch.scatter(out, dice, at, size, tone, wide=dice.u(0.2, 1.2))
        for _ in range(dice.i(0, 7)):
            m, r = dice.i(5, 16), w * dice.u(0.01, 0.035) * (1 + k)
            c = np.array([dice.u(0, w), dice.u(0, h)])
            tones = petal * dice.array(0.55, 1.2, (m, 1))
            sketch.scatter(out, dice, np.tile(c, (m, 1)), np.full(m, r), tones, wide=1.3)
            sketch.ball(out, c[0], c[1], r * 0.25, _rgb(0.4, 0.25, 0.03), shine=0)
        if k < 2:
            out = blur(out, w * dice.u(0.004, 0.02) / (k + 1))
    return sketch.finish(out, soft=0.6)


def night(dice: Dice, h: int, w: int) -> Picture:
    """Night: lamps and their discs out of focus over dark shapes."""
    out = np.empty((h, w, 3), np.float32)
    out[:] = _rgb(0.004, 0.006, 0.012) * dice.lu(0.5, 5)
    line = h * (dice.u(0.3, 0.8) + 0.1 * _profile(dice, w, 5))
    mix(out, _rgb(0.002, 0.002, 0.003), _below(h, line))
    r = w * dice.lu(0.001, 0.03)
    lamps = ((1, 0.6, 0.25), (0.9, 0.85, 0.75), (0.7, 0.1, 0.05), (0.6, 0.8, 1))
    for _ in range(dice.i(3, 60)):
        at = dice.u(0, w), float(h * np.clip(dice.n(0.6, 0.15), 0, 1))
        spot = sketch.oval(*at, r * dice.u(0.6, 1.4), r * dice.u(0.8, 1.2))
        sketch.fill(out, spot, _rgb(*dice.pick(lamps)) * np.float32(dice.lu(0.05, 1)))
    return sketch.finish(out + 0.4 * blur(out, w * 0.02), soft=r * 0.15)


VIEWS: dict[str, tuple[Callable[[Dice, int, int], Picture], float]] = {
    "mountains": (mountains, 0.24),
    "sea": (sea, 0.2),
    "foliage": (foliage, 0.24),
    "forest": (forest, 0.1),
    "bloom": (bloom, 0.14),
    "night": (night, 0.06),
}


def view(dice: Dice, h: int, w: int) -> Picture:
    """One outdoor view, kind by weight."""
    return VIEWS[dice.weighted({k: v[1] for k, v in VIEWS.items()})][0](dice, h, w)
