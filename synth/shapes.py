"""Small things that pages and pictures are put together from: boxes, gradients, charts, a grade."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Bytes
from synth.colour import hsv
from synth.dice import Dice
from synth.fields import grid
from synth.text import Hand, write

Picture = Bytes
Rgb = tuple[int, int, int]


def rgb(colour: NDArray | tuple) -> Rgb:
    """A colour as OpenCV wants it."""
    return int(colour[0]), int(colour[1]), int(colour[2])


def ink_on(colour: NDArray | tuple, *, strength: float = 0.9) -> NDArray:
    """Black-like or white-like writing colour that can be read on `colour`."""
    light = 0.3 * float(colour[0]) + 0.59 * float(colour[1]) + 0.11 * float(colour[2])
    end = 0.0 if light > 135 else 255.0
    return np.rint(np.asarray(colour, float) * (1 - strength) + end * strength).astype(np.uint8)


def box(
    out: Picture,
    x0: float,
    y0: float,
    x1: float,
    y1: float,
    colour: NDArray | tuple,
    *,
    radius: float = 0.0,
    alpha: float = 1.0,
) -> None:
    """Fill a rectangle given in pixels, with round corners or see-through when asked."""
    h, w = out.shape[:2]
    a, b = max(int(x0), 0), min(int(x1), w)
    c, d = max(int(y0), 0), min(int(y1), h)
    if b <= a or d <= c:
        return
    part = out[c:d, a:b]
    if alpha < 1:
        part[:] = cv2.addWeighted(
            part, 1 - alpha, np.full_like(part, np.asarray(colour, np.uint8)), alpha, 0
        )
        return
    r = int(min(radius, (b - a) / 2, (d - c) / 2))
    if r < 2:
        part[:] = colour
        return
    part[r : d - c - r] = colour
    part[:, r : b - a - r] = colour
    for x in (a + r, b - r - 1):
        for y in (c + r, d - r - 1):
            cv2.circle(out, (x, y), r, rgb(colour), -1, cv2.LINE_AA)


def frame(
    out: Picture, x0: float, y0: float, x1: float, y1: float, colour: NDArray | tuple, thick: float
) -> None:
    """The outline of a rectangle."""
    cv2.rectangle(
        out, (int(x0), int(y0)), (int(x1), int(y1)), rgb(colour), max(round(thick), 1), cv2.LINE_AA
    )


def centred(
    out: Picture, text: str, x: float, y: float, size: float, colour: NDArray, style: Hand
) -> None:
    """Write with the middle of the line at x px."""
    scrap = np.zeros((8, 8, 3), np.uint8)
    wide = write(scrap, text, 0, 8, size, colour, style)
    write(out, text, max(x - wide / 2, 0), y, size, colour, style)


def gradient(shape: tuple[int, int], a: NDArray, b: NDArray, angle: float) -> Picture:
    """A straight gradient from one colour to another."""
    h, w = shape
    x, y = grid((max(h // 4, 2), max(w // 4, 2)))
    t = np.cos(angle) * (x - 0.5) + np.sin(angle) * (y - 0.5) + 0.5
    t = np.clip(t, 0, 1).astype(np.float32)[..., None]
    small = np.asarray(a, np.float32) * (1 - t) + np.asarray(b, np.float32) * t
    return cv2.resize(small.astype(np.uint8), (w, h), interpolation=cv2.INTER_LINEAR)


def soft_ground(dice: Dice, shape: tuple[int, int]) -> Picture:
    """Flat or gently shaded ground of any colour, as start pages and sign screens have."""
    hue, sat = dice.pick((dice.u(0, 1), 0.6)), dice.pick((0.0, dice.u(0, 0.4), dice.u(0.5, 1)))
    value = dice.pick((dice.u(0.02, 0.3), dice.u(0.2, 0.8), dice.u(0.7, 1)))
    a = hsv(hue, sat, value)
    if dice.p(0.5):
        return np.broadcast_to(a, (*shape, 3)).copy()
    b = hsv(hue + dice.n(0, 0.06), sat * dice.u(0.6, 1), value * dice.u(0.4, 1))
    return gradient(shape, a, b, dice.u(0, 2 * np.pi))


def chart(
    out: Picture, dice: Dice, rect: tuple[float, float, float, float], colours: list[NDArray]
) -> None:
    """A bar, line, ring or gauge chart inside the rectangle (x0, y0, x1, y1 px)."""
    x0, y0, x1, y1 = rect
    w, h = x1 - x0, y1 - y0
    if w < 12 or h < 12:
        return
    kind = dice.weighted({"bars": 1.0, "line": 1.0, "ring": 0.6, "gauge": 0.5, "meter": 0.5})
    thick = max(int(min(w, h) / 40), 1)
    if kind == "bars":
        n = dice.i(4, 20)
        for k in range(n):
            top = y1 - h * dice.u(0.08, 0.95)
            left = x0 + k * w / n
            box(out, left, top, left + w / n * 0.7, y1, colours[k % len(colours)])
    elif kind == "line":
        for k in range(4):
            y = int(y0 + h * k / 3)
            cv2.line(out, (int(x0), y), (int(x1), y), (128, 128, 128), 1)
        n = dice.i(8, 60)
        for colour in colours[: dice.i(1, 3)]:
            ys = np.cumsum(dice.normal((n,)))
            ys = (ys - ys.min()) / max(float(np.ptp(ys)), 1e-3)
            pts = np.stack([np.linspace(x0, x1, n), y1 - ys * h * dice.u(0.5, 0.95)], 1)
            cv2.polylines(out, [pts.astype(np.int32)], False, rgb(colour), thick + 1, cv2.LINE_AA)
    elif kind == "ring":
        a = 0.0
        centre, r = (int(x0 + w / 2), int(y0 + h / 2)), int(min(w, h) * 0.42)
        for k in range(dice.i(2, 6)):
            b = a + dice.u(25, 110)
            cv2.ellipse(
                out,
                centre,
                (r, r),
                -90,
                a,
                min(b, 358),
                rgb(colours[k % len(colours)]),
                max(r // 3, 2),
                cv2.LINE_AA,
            )
            a = min(b, 358)
    elif kind == "gauge":
        centre, r = (int(x0 + w / 2), int(y0 + h * 0.65)), int(min(w * 0.42, h * 0.55))
        cv2.ellipse(out, centre, (r, r), 0, 180, 360, (128, 128, 128), max(r // 6, 2), cv2.LINE_AA)
        angle = dice.u(190, 350)
        cv2.ellipse(
            out, centre, (r, r), 0, 180, angle, rgb(colours[0]), max(r // 6, 2), cv2.LINE_AA
        )
        tip = np.deg2rad(angle)
        end = (int(centre[0] + r * 0.8 * np.cos(tip)), int(centre[1] + r * 0.8 * np.sin(tip)))
        cv2.line(out, centre, end, rgb(colours[-1]), thick + 1, cv2.LINE_AA)
    else:
        for k in range(dice.i(2, 6)):
            level = y0 + h * (k + 0.5) / 6
            box(out, x0, level, x1, level + h / 14, (128, 128, 128))
            stop = x0 + w * dice.u(0.1, 1)
            box(out, x0, level, stop, level + h / 14, colours[k % len(colours)])


def grade(dice: Dice, picture: Picture, *, strength: float = 1.0) -> Picture:
    """What lens, film and broadcaster do to a picture: tone curve, tint, saturation, vignette.

    Mild enough that nobody would call the colours wrong.
    """
    s = strength
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)[..., None].repeat(3, 2)
    keep = dice.pick((1.0, 1 + dice.u(-0.1, 0.6) * s, dice.u(0.5, 1.1)))
    out = cv2.addWeighted(picture, keep, grey, 1 - keep, 0)
    t = np.linspace(0, 1, 256)
    t = t ** np.exp(dice.n(0, 0.25 * s))
    bend = dice.u(-0.25, 0.6) * s
    t = t + bend * (t * t * (3 - 2 * t) - t)
    low, high = dice.pick((0.0, dice.u(0, 0.12))), dice.pick((1.0, dice.u(0.75, 1.0)))
    t = low + (high - low) * t
    warm, green = dice.n(0, 0.05 * s), dice.n(0, 0.02 * s)
    gains = np.array([1 + warm, 1 + green, 1 - warm])
    lut = np.clip(t[None, :, None] * gains * 255, 0, 255).astype(np.uint8)
    out = cv2.LUT(out, lut)
    if dice.p(0.4):
        h, w = out.shape[:2]
        x, y = grid((h, w))
        r2 = (x - 0.5) ** 2 + (y - 0.5) ** 2
        out = (out * (1 - dice.u(0.3, 1.2) * r2)[..., None]).astype(np.uint8)
    return out
