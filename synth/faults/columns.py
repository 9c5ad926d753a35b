"""Faults on the column side: halves, driver blocks, single source outputs. Edges are sharp."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Floats
from synth.dice import Dice
from synth.faults.state import Screen
from synth.fields import cover, fractal, mix, scale
from synth.panel import driver_edges

FILLS = {
    "black": 0.22,
    "grey": 0.2,
    "white": 0.16,
    "noisy": 0.13,
    "repeat": 0.1,
    "ghost": 0.09,
    "wrong_colour": 0.1,
    "tint": 0.08,
}
HALF_FILLS = {
    "black": 0.26,
    "grey": 0.2,
    "white": 0.24,
    "tint": 0.1,
    "washed": 0.06,
    "repeat": 0.06,
    "noisy": 0.04,
    "dim": 0.04,
}
LINE_COLOURS = {
    "white": (1, 1, 1),
    "black": (0, 0, 0),
    "red": (1, 0, 0),
    "green": (0, 1, 0),
    "blue": (0, 0, 1),
    "cyan": (0, 1, 1),
    "magenta": (1, 0, 1),
    "yellow": (1, 1, 0),
}


def _noise_columns(dice: Dice, h: int, w: int) -> Floats:
    """Columns of unrelated colours: a driver latching noise, with breaks down the height."""
    cell = dice.i(1, max(w // 60, 1) + 1)
    n = w // cell + 2
    rows = 1 if dice.p(0.6) else dice.i(2, 6)
    pastel = dice.p(0.4)
    line = dice.array(0.3 if pastel else 0, 1, (rows, n, 3))
    if not pastel:
        line = np.where(line > dice.u(0.3, 0.7), 1, line * dice.u(0, 0.6)).astype(np.float32)
    line = line.repeat(cell, 1)[:, :w]
    return cv2.resize(np.ascontiguousarray(line), (w, h), interpolation=cv2.INTER_NEAREST)


def _fill(dice: Dice, screen: Screen, kind: str, x0: int, x1: int) -> Floats:
    """What columns x0..x1 of the texture show in place of their picture, (H, x1-x0, 3) linear."""
    drive = screen.drive
    h, w = screen.shape
    n = max(x1 - x0, 1)
    own = drive[:, x0:x1]
    if kind == "black":
        return np.full_like(own, dice.pick((0.0, 0.0, dice.u(0, 0.02))))
    if kind == "grey":
        return np.full_like(own, dice.u(0.05, 0.45))
    if kind == "white":
        return np.full_like(own, dice.u(0.75, 1.0))
    if kind == "tint":
        tone = dice.array(0, 1, (3,)) ** 1.5
        return np.broadcast_to(np.clip(tone + dice.u(0, 0.4), 0, 1), own.shape).astype(np.float32)
    if kind == "noisy":
        return _noise_columns(dice, h, n)
    if kind == "washed":
        return own * dice.u(0.15, 0.5) + dice.u(0.25, 0.55)
    if kind == "dim":
        return own * dice.u(0.15, 0.5)
    if kind == "repeat":
        other = 0 if x0 > n or x0 >= w - n else min(x1, w - n)
        return drive[:, other : other + n][:, :n].copy()
    if kind == "ghost":
        shift = int(w * dice.u(0.01, 0.06)) + 1
        moved = np.roll(own, shift, 1) if n > shift else own[:, ::-1]
        share = dice.u(0.35, 0.6)
        return own * (1 - share) + moved * share
    gains = np.array(
        dice.pick(
            ((1, 0.1, 0.1), (0.1, 1, 0.1), (0.1, 0.1, 1), (1, 1, 0.1), (0.1, 1, 1), (1, 0.1, 1))
        )
    )
    if dice.p(0.5):
        return (own * gains + dice.u(0, 0.25) * gains).astype(np.float32)
    return (1 - own) if dice.p(0.4) else own[..., [1, 2, 0]]


def _put(
    screen: Screen,
    x0: float,
    x1: float,
    fill: Floats,
    a: int,
    alpha: NDArray | float = 1.0,
) -> None:
    """Lay `fill` (columns from texture column a) over fractions x0..x1, with exact coverage."""
    w = screen.shape[1]
    weight = (cover(w, x0, x1)[a : a + fill.shape[1]] * np.float32(alpha))[None, :, None]
    part = screen.drive[:, a : a + fill.shape[1]]
    part += weight * (fill - part)


def _span(w: int, x0: float, x1: float) -> tuple[int, int]:
    return max(int(np.floor(x0 * w)), 0), min(int(np.ceil(x1 * w)), w)


def half(dice: Dice, screen: Screen, mode: str | None = None) -> None:
    """One half lost: a cable, its connector, or that half of the timing board.

    What it shows instead is drawn when it is not given.
    """
    side = dice.pick(("left", "right"))
    x0, x1 = (0.0, 0.5) if side == "left" else (0.5, 1.0)
    kind = mode or dice.weighted(HALF_FILLS)
    a, b = _span(screen.shape[1], x0, x1)
    fill = _fill(dice, screen, kind, a, b)
    if dice.p(0.2) and kind in ("black", "grey", "white", "tint"):
        fill = np.clip(fill + 0.05 * _noise_columns(dice, fill.shape[0], fill.shape[1]), 0, 1)
    _put(screen, x0, x1, fill, a)
    if dice.p(0.12):  # a few columns beside the boundary go with the cable
        n = dice.u(0.002, 0.01)
        c, d = _span(screen.shape[1], 0.5 - n, 0.5 + n)
        _put(screen, 0.5 - n, 0.5 + n, _noise_columns(dice, screen.shape[0], d - c), c)
    screen.truth.update(bad_side=side, fill=kind, boundary_x=0.5, band_edges=[[x0, x1]])


def bands(dice: Dice, screen: Screen, mode: str | None = None) -> None:
    """Some driver blocks wrong: driver, its bond, or the data to it.

    What the first of them shows is drawn when it is not given.
    """
    edges = driver_edges(screen.panel)
    n = screen.panel.drivers
    most = max(min(n // 2, 5), 1)
    count = min(dice.pick((1, 1, 1, 2, 2, 3, 4, 5)), most)
    start = dice.i(0, n - 1)
    if dice.p(0.3) and count > 1:
        blocks = sorted({(start + k) % n for k in range(count)})
    else:
        blocks = sorted(dice.sample(range(n), count))
    # Half of an even grid, and nothing else, is what half-screen means: do not draw that here.
    if n % 2 == 0 and blocks in (list(range(n // 2)), list(range(n // 2, n))):
        blocks = blocks[:-1] or [blocks[0]]
        if len(blocks) * 2 == n or n == 2:
            blocks = [0]
    same = dice.p(0.5)
    first = mode or dice.weighted(FILLS)
    fills, spans = [], []
    for k in blocks:
        kind = first if same or k == blocks[0] else dice.weighted(FILLS)
        x0, x1 = float(edges[k]), float(edges[k + 1])
        a, b = _span(screen.shape[1], x0, x1)
        fill = _fill(dice, screen, kind, a, b)
        if dice.p(0.12):  # severity down to barely visible
            fill = fill + np.float32(dice.u(0.3, 0.8)) * (screen.drive[:, a:b] - fill)
        _put(screen, x0, x1, fill, a)
        fills.append(kind)
        spans.append([round(x0, 5), round(x1, 5)])
    screen.truth.update(drivers=n, blocks=[int(k) for k in blocks], fill=fills, band_edges=spans)


def lines(dice: Dice, screen: Screen) -> None:
    """Single source outputs stuck: thin upright lines of one to four columns."""
    h, w = screen.shape
    columns = screen.panel.columns
    count = dice.pick((1, 1, 2, 2, 3, 4, 5, 7))
    cluster = dice.u(0.05, 0.95) if dice.p(0.25) else None
    out = []
    for _ in range(count):
        width = dice.pick((1, 1, 2, 2, 3, 4)) * (2 if columns > 3000 and dice.p(0.6) else 1)
        centre = (
            dice.u(0.01, 0.99)
            if cluster is None
            else float(np.clip(cluster + dice.n(0, 0.02), 0.01, 0.99))
        )
        start = int(centre * (columns - width))
        x0, x1 = start / columns, (start + width) / columns
        name = dice.weighted(
            {
                "white": 0.22,
                "black": 0.18,
                "red": 0.14,
                "green": 0.13,
                "blue": 0.12,
                "cyan": 0.07,
                "magenta": 0.08,
                "yellow": 0.06,
            }
        )
        y0, y1 = 0.0, 1.0
        if dice.p(0.25):
            cut = dice.u(0.25, 0.9)
            y0, y1 = (0.0, cut) if dice.p(0.65) else (1 - cut, 1.0)
        alpha = 1.0 if dice.p(0.8) else dice.u(0.25, 0.8)
        a, b = _span(w, x0, x1)
        mask = np.outer(cover(h, y0, y1), cover(w, x0, x1)[a:b]).astype(np.float32) * np.float32(
            alpha
        )
        colour = np.array(LINE_COLOURS[name], np.float32)
        if dice.p(0.15):  # the line still follows the picture: a gain fault
            target = np.clip(screen.drive[:, a:b] * 0.4 + 0.6 * colour, 0, 1)
        else:
            target = np.broadcast_to(colour, (h, b - a, 3))
        mix(screen.drive[:, a:b], target, mask)
        out.append(
            {
                "x": round(x0, 5),
                "columns": width,
                "colour": name,
                "y0": round(y0, 4),
                "y1": round(y1, 4),
            }
        )
    screen.truth.update(lines=out)


def ghost_texture(dice: Dice, screen: Screen) -> None:
    """Faint column-to-column unevenness that healthy panels have (well below a line)."""
    h, w = screen.shape
    screen.drive *= np.repeat(1 + dice.u(0, 0.006) * dice.normal((w, 1)), 3, 1)
    if dice.p(0.2):
        scale(screen.drive, 1 + 0.01 * fractal(dice, (h, w), cells=20, octaves=2))
