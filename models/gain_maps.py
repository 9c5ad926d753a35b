"""Gain maps to multiply a healthy screen's light with: backlight faults, and what is none.

They are drawn apart from ``synth``'s own, so that two ideas of a fault are taught.
"""

import math

import numpy as np
from scipy.special import erf

from panelvision.arrays import BoolArray, FloatArray, IntArray

ASPECT = 16 / 9


def gain_map(
    rng: np.random.Generator, size: tuple[int, int]
) -> tuple[FloatArray, BoolArray, IntArray]:
    """A backlight fault.

    Returns
    -------
    gain : ndarray of shape size, float32
        Factor on the light.
    there : ndarray of shape (*size, 2), bool
        Where it has dim zones, where bare LEDs.
    answers : ndarray of shape (2,), int64
        1 for which of the two it has.
    """
    x, y = _grid(size)
    if rng.random() < 0.5:
        gain = _spots(rng, x, y)
        there = np.stack([np.zeros_like(gain, bool), gain > 1 + 0.35 * (gain.max() - 1)], axis=-1)
        return gain, there, np.array([0, 1])
    left = math.exp(rng.uniform(math.log(0.02), math.log(0.8)))
    shape = rng.choice(["rows", "zone", "corner", "edge"], p=[0.4, 0.25, 0.2, 0.15])
    part = {"rows": _rows, "zone": _zone, "corner": _corner, "edge": _edge}[str(shape)](rng, x, y)
    gain = (1 - (1 - left) * part).astype(np.float32)
    there = np.stack([part > 0.35, np.zeros_like(part, bool)], axis=-1)
    return gain, there, np.array([1, 0])


def harmless_map(rng: np.random.Generator, size: tuple[int, int]) -> FloatArray:
    """What a lens, an oblique view and a tired but even backlight do: a smooth broad slope."""
    x, y = _grid(size)
    cx, cy = rng.normal(0.5, 0.25, 2)
    fall = rng.uniform(0, 0.35) * ((x - cx) ** 2 + ((y - cy) / ASPECT) ** 2)
    slope = rng.normal(0, 0.15) * (x - 0.5) + rng.normal(0, 0.12) * (y - 0.5)
    return np.exp(slope - fall).astype(np.float32)


def _grid(size: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    rows, columns = size
    return np.meshgrid((np.arange(columns) + 0.5) / columns, (np.arange(rows) + 0.5) / rows)


def _between(at: FloatArray, start: float, end: float, soft: float) -> FloatArray:
    """1 from start to end, with Gaussian edges of standard deviation ``soft``; open at borders."""
    up = 1.0 if start <= 0 else (1 + erf((at - start) / (soft * math.sqrt(2)))) / 2
    down = 1.0 if end >= 1 else (1 - erf((at - end) / (soft * math.sqrt(2)))) / 2
    return np.asarray(up * down + 0 * at)


def _rows(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    """Dead strips: whole rows of LEDs, or part of them."""
    count = int(rng.integers(2, 11))
    soft = rng.uniform(0.15, 0.5) / count
    out = np.zeros_like(x)
    cut = rng.choice([0, 0, 1, 2, 3])
    start, end = [(0.0, 1.0), (0.0, rng.uniform(0.25, 0.7)), (rng.uniform(0.3, 0.75), 1.0),
                  (rng.uniform(0.1, 0.4), rng.uniform(0.6, 0.9))][cut]  # fmt: skip
    most = max(1, count // 2)
    for k in rng.choice(count, int(rng.integers(1, most + 1)), replace=False):
        part = _between(y, k / count, (k + 1) / count, soft) * _between(
            x, start, end, soft / ASPECT
        )
        out = np.maximum(out, part)
    return out


def _zone(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    out = np.zeros_like(x)
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        cx, cy, rx, ry = rng.uniform(0, 1, 2).tolist() + rng.uniform(0.06, 0.35, 2).tolist()
        soft = math.exp(rng.uniform(math.log(0.015), math.log(0.1)))
        if rng.random() < 0.6:
            part = _between(x, cx - rx, cx + rx, soft / ASPECT) * _between(
                y, cy - ry, cy + ry, soft
            )
        else:
            part = np.exp(-((((x - cx) / rx) ** 2 + ((y - cy) / ry) ** 2) ** rng.uniform(0.8, 2)))
        out = np.maximum(out, part)
    return out


def _corner(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    right, bottom = rng.integers(0, 2, 2)
    rx, ry = rng.uniform(0.12, 0.5, 2)
    away = np.hypot((x - right) / rx, (y - bottom) / ry)
    return np.clip(1.2 - away, 0, 1) ** rng.uniform(0.6, 1.6)


def _edge(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    """A dead side of an edge-lit backlight: light falls off from the other side."""
    side = rng.integers(0, 4)
    away = [x, 1 - x, y, 1 - y][side]
    reach = rng.uniform(0.2, 0.7)
    return 1 / (1 + np.exp((away - reach) / (reach * rng.uniform(0.08, 0.3))))


def _spots(rng: np.random.Generator, x: FloatArray, y: FloatArray) -> FloatArray:
    """Bare LEDs: their light stands in a small soft disc instead of being spread."""
    across, down = int(rng.integers(5, 17)), int(rng.integers(2, 11))
    radius = rng.uniform(0.012, 0.042)  # standard deviation, share of the width
    more = math.exp(rng.uniform(math.log(0.3), math.log(3.0)))
    ring, power = rng.uniform(0, 0.25), rng.uniform(0.8, 1.4)
    out = np.ones_like(x)
    for _ in range(int(rng.choice([1, 1, 2, 2, 3, 4, 6, 9, 14]))):
        cx = (rng.integers(across) + 0.5) / across
        cy = (rng.integers(down) + 0.5) / down
        d2 = ((x - cx) ** 2 + ((y - cy) / ASPECT) ** 2) / (radius * rng.uniform(0.9, 1.1)) ** 2
        out *= 1 - ring * np.exp(-d2 / 18)
        out *= 1 + more * rng.uniform(0.8, 1.2) * np.exp(-((d2 / 2) ** power))
    return out.astype(np.float32)
