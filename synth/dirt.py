"""Dust, smears, scratches, fingerprints and film on the glass: colourless, and not of the panel."""

from __future__ import annotations

import cv2
import numpy as np

from synth.dice import Dice
from synth.fields import Field, blur, fractal, grid

KINDS = {"dust": 0.55, "fingerprints": 0.4, "smears": 0.45, "scratches": 0.15, "film": 0.4}


def _strokes(dice: Dice, h: int, w: int) -> Field:
    """Wiping marks: bundles of arcs."""
    out = np.zeros((h, w), np.uint8)
    for _ in range(dice.i(1, 5)):
        points = np.cumsum(
            np.array(
                [[dice.u(0, w), dice.u(0, h)]]
                + [[dice.n(0, w * 0.06), dice.n(0, h * 0.12)] for _ in range(dice.i(2, 7))]
            ),
            0,
        )
        width = max(int(h * dice.u(0.01, 0.06)), 2)
        cv2.polylines(
            out, [np.rint(points).astype(np.int32)], False, dice.i(60, 255), width, cv2.LINE_AA
        )
    soft = blur(out.astype(np.float32) / 255, h * dice.u(0.003, 0.02))
    return soft * (0.6 + 0.6 * np.abs(fractal(dice, (h, w), cells=12, octaves=3)))


def _prints(dice: Dice, h: int, w: int) -> Field:
    """Oval finger marks with ridges (ridge pitch about 1/60 of the oval)."""
    out = np.zeros((h, w), np.float32)
    for _ in range(dice.i(1, 8)):
        r = max(int(h * dice.u(0.012, 0.035)), 4)
        y, x = np.mgrid[-r : r + 1, -r : r + 1].astype(np.float32) / r
        a = dice.u(0, np.pi)
        u, v = x * np.cos(a) + y * np.sin(a), -x * np.sin(a) + y * np.cos(a)
        oval = np.clip((1 - (u * 1.5) ** 2 - v * v) * 2, 0, 1)
        ridges = 0.6 + 0.4 * np.sin(np.sqrt(u * u + (v - 0.2) ** 2) * dice.u(20, 40))
        cx, cy = dice.i(r, max(w - r - 2, r)), dice.i(r, max(h - r - 2, r))
        part = out[cy - r : cy + r + 1, cx - r : cx + r + 1]
        if part.shape == oval.shape:
            np.maximum(part, oval * ridges * dice.u(0.3, 1), out=part)
    return out


def draw_dirt(dice: Dice, shape: tuple[int, int], *, heavy: bool) -> tuple[Field | None, list[str]]:
    """Extra diffuse reflectance (H, W) of the glass, and the kinds drawn. None when clean.

    `heavy` (dark sets, where the torch makes dirt matter) raises the amounts. Reflectances
    0..0.02 are chosen to bracket the panel's own haze.
    """
    h, w = shape
    sh, sw = (h + 1) // 2, (w + 1) // 2
    kinds = [k for k, p in KINDS.items() if dice.p(p if heavy else p * 0.7)]
    if not kinds:
        return None, []
    half = np.zeros((sh, sw), np.float32)
    gain = 1.5 if heavy else 1.0
    if "film" in kinds:
        half += (
            gain
            * dice.lu(0.0002, 0.003)
            * np.clip(0.4 + fractal(dice, (sh, sw), cells=dice.u(1.5, 5), octaves=4), 0, 2)
        )
    if "smears" in kinds:
        half += gain * dice.lu(0.0004, 0.006) * _strokes(dice, sh, sw)
        if dice.p(0.3):  # arcs of a cloth
            x, y = grid((sh, sw))
            r = np.sqrt((x - dice.u(-0.5, 1.5)) ** 2 + (y - dice.u(-0.5, 1.5)) ** 2)
            half += (
                gain
                * dice.lu(0.0001, 0.001)
                * np.clip(
                    np.sin(r * dice.u(40, 150)) * fractal(dice, (sh, sw), cells=4, octaves=2), 0, 1
                )
            )
    if "fingerprints" in kinds:
        half += gain * dice.lu(0.0005, 0.006) * _prints(dice, sh, sw)
    out: Field = cv2.resize(half, (w, h), interpolation=cv2.INTER_LINEAR)
    if "dust" in kinds:
        n = int(dice.lu(20, 900))
        xs, ys = dice.rng.integers(0, w, n), dice.rng.integers(0, h, n)
        specks = np.zeros((h, w), np.float32)
        np.maximum.at(specks, (ys, xs), (dice.rng.random(n) ** 3).astype(np.float32))
        big = dice.rng.random(n) < 0.04
        for x, y in zip(xs[big], ys[big], strict=True):
            if dice.p(0.4):
                cv2.line(
                    specks,
                    (int(x), int(y)),
                    (int(x + dice.n(0, 5)), int(y + dice.n(0, 5))),
                    dice.u(0.2, 0.8),
                    1,
                    cv2.LINE_AA,
                )
            else:
                cv2.circle(
                    specks, (int(x), int(y)), dice.i(1, 3), dice.u(0.2, 0.9), -1, cv2.LINE_AA
                )
        out += gain * dice.lu(0.004, 0.05) * cv2.GaussianBlur(specks, (0, 0), 0.7)
    if "scratches" in kinds:
        marks = np.zeros((h, w), np.uint8)
        for _ in range(dice.i(1, 6)):
            px, py, a, reach = dice.u(0, w), dice.u(0, h), dice.u(0, 6.3), dice.u(0.03, 0.4) * h
            cv2.line(
                marks,
                (int(px), int(py)),
                (int(px + reach * np.cos(a)), int(py + reach * np.sin(a))),
                dice.i(60, 255),
                1,
                cv2.LINE_AA,
            )
        out += gain * dice.lu(0.002, 0.02) * marks.astype(np.float32) / 255
    return out, kinds
