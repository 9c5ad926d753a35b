"""Impact: star cracks, ink-like bleed, dead columns and rows that start at the break."""

from __future__ import annotations

import cv2
import numpy as np

from synth.arrays import Floats
from synth.dice import Dice
from synth.faults.state import Screen
from synth.fields import cover, fractal, grid, mix


def _crack(dice: Dice, start: np.ndarray, angle: float, length: float) -> np.ndarray:
    """A jagged polyline (N, 2) in units of the height."""
    steps = dice.i(6, 18)
    a = angle
    points = [start]
    for _ in range(steps):
        a += dice.n(0, 0.16)
        points.append(points[-1] + length / steps * np.array([np.cos(a), np.sin(a)]))
    return np.array(points)


def crack(dice: Dice, screen: Screen) -> None:
    """One impact with cracks, perhaps bleeding, perhaps with dead lines."""
    h, w = screen.shape
    aspect = w / h
    ix, iy = dice.u(0.05, 0.95), dice.u(0.05, 0.95)
    impact = np.array([ix * aspect, iy])
    bright = np.zeros((h, w), np.uint8)
    dark = np.zeros((h, w), np.uint8)
    count = dice.i(4, 14)
    base = dice.u(0, 6.28)
    unit = max(h / 900, 0.5)
    reach = dice.lu(0.15, 1.2)
    for k in range(count):
        line = _crack(
            dice, impact, base + 6.28 * k / count + dice.n(0, 0.25), reach * dice.u(0.4, 1.2)
        )
        pts = np.rint(line * h * 16).astype(np.int32)
        thick = max(round(unit * dice.pick((1, 1, 2, 3))), 1)
        canvas = bright if dice.p(0.5) else dark
        cv2.polylines(canvas, [pts], False, dice.i(90, 255), thick, cv2.LINE_AA, 4)
        if dice.p(0.5):
            cv2.polylines(
                dark if canvas is bright else bright,
                [pts + 16],
                False,
                dice.i(60, 200),
                thick,
                cv2.LINE_AA,
                4,
            )
        if dice.p(0.4):
            mid = line[dice.i(2, len(line) - 1)]
            branch = _crack(
                dice,
                mid,
                base + 6.28 * k / count + dice.pick((-0.7, 0.7)),
                reach * dice.u(0.1, 0.4),
            )
            cv2.polylines(
                canvas,
                [np.rint(branch * h * 16).astype(np.int32)],
                False,
                dice.i(60, 220),
                thick,
                cv2.LINE_AA,
                4,
            )
    for _ in range(dice.i(0, 3)):  # rings between the rays
        radius = int(h * reach * dice.u(0.03, 0.3))
        a0 = dice.u(0, 360)
        cv2.ellipse(
            dark,
            (int(ix * w), int(iy * h)),
            (max(radius, 2), max(radius, 2)),
            0,
            a0,
            a0 + dice.u(40, 200),
            dice.i(80, 220),
            1,
            cv2.LINE_AA,
        )
    # dead lines that begin at the break
    lines = []
    for _ in range(dice.pick((0, 1, 2, 3, 5, 8))):
        colour = np.array(
            dice.pick(
                ((0, 0, 0), (1, 1, 1), (1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 1, 1), (1, 0, 1))
            ),
            np.float32,
        )
        start = float(np.clip(dice.n(0, 0.12), -0.3, 0.3))
        if dice.p(0.5):
            x = float(np.clip(ix + start, 0.003, 0.99))
            y0, y1 = dice.pick(((0.0, 1.0), (0.0, iy), (iy, 1.0)))
            down = cover(h, y0, y1)
            across = cover(w, x, x + dice.i(1, 4) / screen.panel.columns)
            lines.append({"x": round(x, 4)})
        else:
            y = float(np.clip(iy + start, 0.003, 0.99))
            x0, x1 = dice.pick(((0.0, 1.0), (0.0, ix), (ix, 1.0)))
            down = cover(h, y, y + dice.i(1, 4) / screen.panel.rows)
            across = cover(w, x0, x1)
            lines.append({"y": round(y, 4)})
        high, wide = down.nonzero()[0], across.nonzero()[0]
        part = screen.drive[high[0] : high[-1] + 1, wide[0] : wide[-1] + 1]
        mix(part, colour, np.outer(down[high], across[wide]))
    # a sector between two cracks loses its drive
    if dice.p(0.3):
        a0 = base + 6.28 * dice.i(0, count - 1) / count
        far = np.array(
            [[np.cos(a), np.sin(a)] for a in np.linspace(a0, a0 + dice.u(0.4, 1.6), 6)]
        ) * dice.u(0.3, 1.5)
        sector = np.zeros((h, w), np.uint8)
        cv2.fillPoly(
            sector,
            [np.rint(np.vstack([impact, impact + far]) * h).astype(np.int32)],
            255,
            cv2.LINE_AA,
        )
        mix(
            screen.drive,
            dice.pick((0.0, dice.u(0, 0.2), dice.u(0.5, 1.0))),
            sector.astype(np.float32) * np.float32(dice.u(0.6, 1) / 255),
        )
    # bleed: liquid crystal leaving the cell, ink-like with a ragged rim
    ink: Floats = np.zeros((h, w), np.float32)
    if dice.p(0.8):
        sh, sw = max(h // 2, 8), max(w // 2, 8)
        gx, gy = grid((sh, sw))
        blobs = np.full((sh, sw), -9.0, np.float32)
        rough = fractal(dice, (sh, sw), cells=dice.u(5, 12), octaves=4, gain=0.6)
        for k in range(dice.i(1, 4)):
            cx = ix + (0 if k == 0 else dice.n(0, 0.15))
            cy = iy + (0 if k == 0 else dice.n(0, 0.15))
            r = dice.lu(0.05, 0.32)
            d = np.sqrt(((gx - cx) * aspect) ** 2 + ((gy - cy) * dice.u(0.6, 1.4)) ** 2)
            blobs = np.maximum(blobs, (r - d) / r)
        if dice.p(0.25):  # bleed creeping in from an edge
            side = dice.pick((gx + 0 * gy, 1 - gx + 0 * gy, gy + 0 * gx, 1 - gy + 0 * gx))
            blobs = np.maximum(blobs, (dice.u(0.03, 0.2) - side) / 0.15)
        soft = dice.lu(15, 120)
        ink = np.clip((blobs + 0.55 * rough) * soft + 0.5, 0, 1)
        ink = cv2.resize(ink, (w, h), interpolation=cv2.INTER_LINEAR)
        tint = np.array(
            dice.pick(
                ((0, 0, 0), (0, 0, 0), (0.01, 0.0, 0.03), (0.02, 0.02, 0.02), (0.06, 0.0, 0.12))
            ),
            np.float32,
        )
        mix(screen.drive, tint, ink * np.float32(dice.u(0.85, 1)))
        if dice.p(0.4):  # violet rim
            rim = np.clip(1 - np.abs(ink - 0.5) * 2, 0, 1) * np.float32(dice.u(0.2, 0.7))
            mix(screen.drive, np.array([0.25, 0.05, 0.5], np.float32), rim)
    mix(screen.drive, 0.0, dark.astype(np.float32) * np.float32(1 / 255))
    mix(
        screen.drive,
        np.array([0.9, 0.95, 1.0], np.float32) * np.float32(dice.u(0.4, 1.0)),
        bright.astype(np.float32) * np.float32(1 / 255),
    )
    screen.truth.update(
        impact=[round(ix, 4), round(iy, 4)],
        cracks=count,
        ink_share=round(float((ink > 0.5).mean()), 4),
        lines=lines,
    )
