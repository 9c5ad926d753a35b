"""Faults on the row side: stuck gate lines, bands of rows, combs, torn and repeated rows."""

from __future__ import annotations

import numpy as np

from synth.dice import Dice
from synth.faults.state import Screen
from synth.fields import cover

MODES = {"lines": 0.4, "block": 0.38, "comb": 0.22}
_COLOURS = {
    "white": (1, 1, 1),
    "black": (0, 0, 0),
    "red": (1, 0, 0),
    "green": (0, 1, 0),
    "blue": (0, 0, 1),
    "yellow": (1, 1, 0),
    "cyan": (0, 1, 1),
    "magenta": (1, 0, 1),
}


def _cover_rows(
    screen: Screen, y0: float, y1: float, target: np.ndarray | float, alpha: float = 1.0
) -> None:
    weight = cover(screen.shape[0], y0, y1) * np.float32(alpha)
    rows = np.nonzero(weight)[0]
    if len(rows) == 0:
        return
    s = slice(int(rows[0]), int(rows[-1]) + 1)
    part = screen.drive[s]
    full = np.broadcast_to(np.asarray(target, np.float32), screen.drive.shape)[s]
    part += weight[s, None, None] * (full - part)


def _repeat(screen: Screen, y0: float, y1: float, alpha: float) -> None:
    """The row above the band is latched for the whole band."""
    h = screen.shape[0]
    source = int(np.clip(y0 * h - 1, 0, h - 1))
    _cover_rows(screen, y0, y1, screen.drive[source][None].copy(), alpha)


def _fill(dice: Dice, screen: Screen, kind: str, y0: float, y1: float, alpha: float) -> None:
    if kind == "repeat":
        _repeat(screen, y0, y1, alpha)
    elif kind == "torn":
        _cover_rows(
            screen,
            y0,
            y1,
            np.roll(screen.drive, int(screen.shape[1] * dice.u(0.02, 0.5)), 1),
            alpha,
        )
    elif kind == "shifted":
        _cover_rows(
            screen,
            y0,
            y1,
            np.roll(screen.drive, int(screen.shape[0] * dice.u(0.03, 0.3)), 0),
            alpha,
        )
    elif kind == "grey":
        _cover_rows(screen, y0, y1, dice.u(0.08, 0.5), alpha)
    elif kind == "tint":
        pale = dice.u(0.0, 0.6)
        _cover_rows(screen, y0, y1, pale + (1 - pale) * dice.array(0, 1, (3,)) ** 1.5, alpha)
    elif kind == "washed":
        _cover_rows(screen, y0, y1, screen.drive * 0.4 + dice.u(0.2, 0.5), alpha)
    else:
        _cover_rows(screen, y0, y1, np.array(_COLOURS[kind]), alpha)


def rows(dice: Dice, screen: Screen, mode: str | None = None) -> None:
    """A few lines, one or more blocks of rows, or a comb; drawn when it is not given."""
    n = screen.panel.rows
    style = mode or dice.weighted(MODES)
    out = []
    weak = 1.0 if dice.p(0.85) else dice.u(0.35, 0.85)
    if style == "lines":
        for _ in range(dice.pick((1, 1, 2, 2, 3, 4, 6, 8))):
            y = dice.i(2, n - 8)
            thick = dice.pick((1, 1, 2, 2, 3, 4, 5)) * (2 if n > 1800 and dice.p(0.7) else 1)
            kind = dice.weighted(
                {
                    "white": 0.3,
                    "black": 0.3,
                    "repeat": 0.14,
                    "red": 0.06,
                    "green": 0.06,
                    "blue": 0.05,
                    "cyan": 0.03,
                    "magenta": 0.03,
                    "yellow": 0.03,
                }
            )
            _fill(dice, screen, kind, y / n, (y + thick) / n, weak)
            out.append({"y0": round(y / n, 5), "y1": round((y + thick) / n, 5), "kind": kind})
    elif style == "block":
        count = dice.pick((1, 1, 1, 2, 2, 3))
        for _ in range(count):
            y = dice.i(int(0.02 * n), int(0.85 * n))
            tall = int(n * dice.lu(0.015, 0.3))
            end = min(y + tall, n - int(0.01 * n))
            kind = dice.weighted(
                {
                    "black": 0.24,
                    "white": 0.17,
                    "grey": 0.13,
                    "repeat": 0.2,
                    "torn": 0.12,
                    "shifted": 0.07,
                    "washed": 0.07,
                    "tint": 0.1,
                }
            )
            _fill(dice, screen, kind, y / n, end / n, weak)
            out.append({"y0": round(y / n, 5), "y1": round(end / n, 5), "kind": kind})
    else:
        for _ in range(dice.pick((1, 1, 2))):
            y0 = dice.i(0, int(0.7 * n))
            y1 = min(y0 + int(n * dice.u(0.08, 0.6)), n)
            if dice.p(0.2):
                y0, y1 = 0, n
            period = dice.pick((4, 6, 8, 12, 16, 24, 32)) * max(n // 1080, 1)
            kind = dice.pick(("black", "black", "white", "repeat", "torn"))
            share = dice.u(0.25, 0.6)
            for y in range(y0, y1, period):
                _fill(dice, screen, kind, y / n, min(y + period * share, y1) / n, weak)
            out.append({"y0": round(y0 / n, 5), "y1": round(y1 / n, 5), "kind": "comb"})
    screen.truth.update(style=style, bands=out)
