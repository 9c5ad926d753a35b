"""Test patterns and plain pages: what a technician puts on the screen to judge it."""

from __future__ import annotations

import cv2
import numpy as np

from synth.colour import palette, random_colour
from synth.fields import grid
from synth.painter import Painter, Picture
from synth.text import sentence, write


def ramp(p: Painter) -> Picture:
    d = p.dice
    x, y = grid((p.h, p.w))
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
    return np.clip(t[..., None] * top, 0, 255).astype(np.uint8)


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
