"""Test patterns and plain pages: what a technician puts on the screen to judge it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.colour import hsv, palette, random_colour
from synth.fields import blur
from synth.fields import grid as _grid
from synth.painter import Painter, Picture
from synth.text import sentence, write


def ramp(p: Painter) -> Picture:
    d = p.dice
    x, y = _grid((p.h, p.w))
    kind = d.i(0, 3)
    t = x + 0 * y if kind == 0 else (y + 0 * x if kind == 1 else 0.5 * (x + y))
    if kind == 3:
        t = np.sqrt((x - 0.5) ** 2 + (y - 0.5) ** 2) * 1.4
    if d.p(0.5):
        t = 1 - t
    if d.p(0.45):
        steps = d.i(5, 20)
        t = np.floor(t * steps) / (steps - 1)
    top = np.array([255, 255, 255]) if d.p(0.75) else random_colour(d, vivid=1.0)
    table = (np.linspace(0, 1, 256)[:, None] * top).astype(np.uint8)
    return table[np.clip(t * 255, 0, 255).astype(np.uint8)]


def bars(p: Painter) -> Picture:
    d = p.dice
    level = d.pick((191, 255))
    colours = [np.array([(k >> 1) & 1, (k >> 2) & 1, k & 1]) * level for k in range(7, -1, -1)]
    colours = colours[: d.pick((7, 8))] if d.p(0.8) else list(palette(d, d.i(4, 12)))
    out = p.flat((0, 0, 0))
    n = len(colours)
    across = d.p(0.85)
    for k, c in enumerate(colours):
        if across:
            out[:, round(k * p.w / n) : round((k + 1) * p.w / n)] = c
        else:
            out[round(k * p.h / n) : round((k + 1) * p.h / n)] = c
    if d.p(0.45):
        y0 = int(p.h * d.u(0.62, 0.75))
        out[y0:] = 0
        for k in range(6):
            out[y0 + p.h // 12 :, k * p.w // 6 : (k + 1) * p.w // 6] = d.pick(
                (0, 16, 40, 128, 191, 255)
            )
    if d.p(0.25):
        cv2.circle(
            out,
            (p.w // 2, p.h // 2),
            int(p.h * 0.45),
            (255, 255, 255),
            max(p.h // 250, 1),
            cv2.LINE_AA,
        )
    return out


def checker(p: Painter) -> Picture:
    d = p.dice
    n = d.pick((4, 6, 8, 12, 16, 20, 32))
    m = max(round(n * p.h / p.w), 2)
    cells = (np.arange(n)[None, :] + np.arange(m)[:, None]) % 2
    a, b = (
        (np.zeros(3), np.full(3, 255))
        if d.p(0.7)
        else (random_colour(d), random_colour(d, vivid=1.0))
    )
    small = np.where(cells[..., None], b, a).astype(np.uint8)
    return cv2.resize(small, (p.w, p.h), interpolation=cv2.INTER_NEAREST)


def crosshatch(p: Painter) -> Picture:
    d = p.dice
    out = p.flat(d.pick(((0, 0, 0), (0, 0, 0), (60, 60, 60), (255, 255, 255))))
    ink = (255, 255, 255) if out[0, 0, 0] < 128 else (0, 0, 0)
    n, thick = d.i(8, 30), max(int(p.h * d.u(0.002, 0.006)), 1)
    for k in range(n + 1):
        x = round(k * (p.w - thick) / n)
        out[:, x : x + thick] = ink
    m = max(round(n * p.h / p.w), 2)
    for k in range(m + 1):
        y = round(k * (p.h - thick) / m)
        out[y : y + thick] = ink
    if d.p(0.5):
        cv2.circle(out, (p.w // 2, p.h // 2), int(p.h * 0.42), ink, thick, cv2.LINE_AA)
    return out


def stripes(p: Painter) -> Picture:
    """Upright, level or slanted stripes of random widths, as shirts, pages and test charts show."""
    d = p.dice
    upright = d.p(0.7)
    length = p.w if upright else p.h
    colours = palette(d, d.i(2, 8))
    line = np.empty((length, 3), np.uint8)
    x = 0
    even = d.i(length // 40, length // 5) if d.p(0.4) else 0
    while x < length:
        step = even or max(int(length * d.lu(0.005, 0.15)), 1)
        line[x : x + step] = d.pick(colours)
        x += step
    out = np.broadcast_to(line[None] if upright else line[:, None], (p.h, p.w, 3)).copy()
    if d.p(0.25):
        shear = np.array([[1, d.u(-0.6, 0.6), 0], [d.u(-0.3, 0.3), 1, 0]], np.float32)
        out[:] = cv2.warpAffine(out, shear, (p.w, p.h), borderMode=cv2.BORDER_WRAP)
    if d.p(0.35):
        bw, bh = p.w // 3, p.h // 4
        out[p.h // 3 : p.h // 3 + bh, p.w // 3 : p.w // 3 + bw] = random_colour(d, vivid=0.2)
        write(
            out,
            sentence(d, p.style, 2),
            p.w // 3 + 8,
            p.h // 3 + bh * 0.6,
            bh * 0.25,
            (20, 20, 20),
            p.style,
        )
    return out


def plain(p: Painter) -> Picture:
    """One colour: test pages of white, primaries, grey; black only with something on it."""
    d = p.dice
    tone = d.pick(
        (
            np.full(3, 255),
            np.full(3, 255),
            np.full(3, d.i(60, 240)),
            *[
                np.array(c) * 255
                for c in ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1))
            ],
            random_colour(d),
        )
    )
    out = p.flat(tone)
    if d.p(0.3) or int(tone.max()) < 40:
        p.badge(out)
    return out


def dots(p: Painter) -> Picture:
    d = p.dice
    out = p.flat(d.pick(((0, 0, 0), (0, 0, 60), (40, 40, 40))))
    n = d.i(12, 36)
    colour = random_colour(d, vivid=0.7)
    s = max(int(p.w / n * d.u(0.3, 0.7)), 1)
    for x in np.arange(n) * p.w / n + p.w / n / 4:
        for y in np.arange(int(n * p.h / p.w)) * p.w / n + p.w / n / 4:
            out[int(y) : int(y) + s, int(x) : int(x) + s] = colour
    return out


def snow(p: Painter) -> Picture:
    d = p.dice
    cell = d.i(1, 4)
    small = d.rng.integers(0, 256, (p.h // cell + 1, p.w // cell + 1), np.uint8)
    out = cv2.resize(small, (p.w, p.h), interpolation=cv2.INTER_NEAREST)
    return out[..., None].repeat(3, 2)


# --- grids and coloured bars ------------------------------------------------------------
def grid(p: Painter) -> Picture:
    """Blocks, dots and coloured bars that are neither black and white nor even."""
    kind = p.dice.weighted(
        {
            "checker": 1.0,
            "blocks": 0.6,
            "plaid": 0.5,
            "dots": 0.9,
            "bars": 1.6,
            "soft": 0.5,
            "rainbow": 0.5,
        }
    )
    return _GRIDS[kind](p)


def _two_colours(p: Painter) -> Picture:
    d = p.dice
    n = d.pick((4, 6, 7, 8, 10, 16, 24, 40))
    m = max(round(n * p.h / p.w), 2)
    cells = (np.arange(n)[None, :] + np.arange(m)[:, None]) % 2
    a, b = random_colour(d, vivid=0.8), random_colour(d, vivid=0.8)
    if d.p(0.4):
        b = np.full(3, d.pick((0, 255)))
    small = np.where(cells[..., None], b, a).astype(np.uint8)
    return cv2.resize(small, (p.w, p.h), interpolation=cv2.INTER_NEAREST)


def _blocks(p: Painter) -> Picture:
    d = p.dice
    n, colours = d.i(3, 12), np.stack(palette(d, 6))
    small = colours[d.rng.integers(0, d.i(2, 6), (max(round(n * p.h / p.w), 2), n))]
    return cv2.resize(small, (p.w, p.h), interpolation=cv2.INTER_NEAREST)


def _plaid(p: Painter) -> Picture:
    """Level and upright stripes that add up."""
    d = p.dice
    a, b = random_colour(d, vivid=1.0), random_colour(d, vivid=1.0)
    u = (np.arange(p.w) * d.i(3, 14) // p.w % 2)[None, :, None]
    v = (np.arange(p.h) * d.i(3, 10) // p.h % 2)[:, None, None]
    return np.clip(u * a.astype(int) + v * b.astype(int), 0, 255).astype(np.uint8)


def _dot_field(p: Painter) -> Picture:
    """Round or square dots, coarse to fine, coloured by place or all alike."""
    d = p.dice
    step = max(int(p.w / d.pick((12, 20, 40, 70, 110))), 4)
    cell = np.zeros((step, step), np.uint8)
    r = step * d.u(0.15, 0.42)
    if d.p(0.5):
        cv2.circle(cell, (step // 2, step // 2), max(int(r), 1), 255, -1, cv2.LINE_AA)
    else:
        a, b = int(step / 2 - r), int(step / 2 + r) + 1
        cell[a:b, a:b] = 255
    mask = np.tile(cell, (p.h // step + 1, p.w // step + 1))[: p.h, : p.w]
    ground = p.flat(d.pick((np.zeros(3), np.full(3, 255), random_colour(d, vivid=0.8))))
    ink = p.flat(hsv(d.u(0, 1), d.pick((0.0, d.u(0.3, 1))), d.u(0.7, 1)))
    if d.p(0.3):
        ink = cv2.resize(np.stack(palette(d, 4)).reshape(2, 2, 3), (p.w, p.h))
    weight = mask.astype(np.float32) / 255
    return np.asarray(cv2.blendLinear(ink, ground, weight, 1 - weight))


def _bar_widths(p: Painter, n: int) -> list[int]:
    """Edges of n bars: even, or some wide and some narrow."""
    d = p.dice
    wide = np.ones(n) if d.p(0.55) else np.exp(d.rng.normal(0, 0.8, n))
    return [0, *np.rint(np.cumsum(wide) / wide.sum() * p.w).astype(int).tolist()]


def _shaded_bars(p: Painter) -> Picture:
    """Upright bars, pale or strong, each with shading downwards or across it."""
    d = p.dice
    n = d.i(4, 16)
    pale = d.p(0.4)
    edges = _bar_widths(p, n)
    line = np.zeros((1, p.w, 3), np.float32)
    hues = np.linspace(0, d.u(0.6, 1), n) + d.u(0, 1) if d.p(0.4) else d.array(0, 1, (n,))
    across = np.zeros(p.w, np.float32)
    for k in range(n):
        a, b = edges[k], edges[k + 1]
        sat = d.u(0.1, 0.45) if pale else d.u(0.4, 1)
        line[0, a:b] = hsv(float(hues[k]), d.pick((sat, sat, 0.0)), d.u(0.5, 1))
        across[a:b] = np.linspace(-1, 1, max(b - a, 1))
    _, y = _grid((p.h, p.w))
    form = d.weighted({"down": 1.0, "round": 0.8, "flat": 0.8})
    shade: NDArray = np.ones((1, p.w), np.float32)
    if form == "down":
        shade = 1 - d.u(0.3, 1) * (y if d.p(0.5) else 1 - y) * np.ones((1, p.w), np.float32)
    elif form == "round":
        shade = (1 - d.u(0.3, 0.9) * across**2)[None, :]
    out = np.broadcast_to(line * shade[..., None], (p.h, p.w, 3))
    return np.clip(out, 0, 255).astype(np.uint8)


def _soft_stripes(p: Painter) -> Picture:
    """A few wide stripes with soft edges, upright or level."""
    d = p.dice
    n, colours = d.i(3, 8), palette(d, 5)
    upright = d.p(0.5)
    line = np.stack([colours[d.i(0, 4)] for _ in range(n)]).astype(np.float32)
    if d.p(0.4):
        line[1::2] *= d.u(0, 0.5)
    strip = cv2.resize(line[None], (400, 1), interpolation=cv2.INTER_NEAREST)
    strip = np.asarray(blur(strip.repeat(3, 0), d.u(1, 30)))[1:2]
    strip = np.clip(strip, 0, 255).astype(np.uint8)
    strip = strip if upright else np.ascontiguousarray(strip.transpose(1, 0, 2))
    return np.asarray(cv2.resize(strip, (p.w, p.h), interpolation=cv2.INTER_LINEAR))


def _rainbow(p: Painter) -> Picture:
    """Hue or brightness running steadily across, down or aslant."""
    d = p.dice
    x, y = _grid((p.h // 4 + 1, p.w // 4 + 1))
    a = d.pick((0.0, np.pi / 2, d.u(0, np.pi)))
    t = np.cos(a) * (x - 0.5) + np.sin(a) * (y - 0.5) + 0.5
    start, span = d.u(0, 1), d.u(0.15, 1)
    table = np.stack([hsv(start + span * k / 255, d.u(0.95, 1), 1.0) for k in range(256)])
    if d.p(0.3):
        table = (table * np.linspace(0, 1, 256)[:, None]).astype(np.uint8)
    small = table[np.clip(t * 255, 0, 255).astype(np.uint8)]
    return np.asarray(cv2.resize(small, (p.w, p.h), interpolation=cv2.INTER_LINEAR))


_GRIDS = {
    "checker": _two_colours,
    "blocks": _blocks,
    "plaid": _plaid,
    "dots": _dot_field,
    "bars": _shaded_bars,
    "soft": _soft_stripes,
    "rainbow": _rainbow,
}
