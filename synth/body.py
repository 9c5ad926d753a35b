"""The set itself: bezel, rim, stand, standby lamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synth import surfaces
from synth.arrays import Floats
from synth.canvas import Canvas
from synth.dice import Dice
from synth.geometry import Points
from synth.panel import Panel

Array = Floats


@dataclass(frozen=True)
class Body:
    """The set's body, metres. left..bottom: bezel widths. gap: black rim around the active area.

    lip: how far the bezel stands out before the glass. depth: behind it. albedo: linear (3,).
    stand: "feet", "foot", "wall" or "none". stand_height. led: linear RGB of a
    standby lamp or None.
    """

    left: float
    right: float
    top: float
    bottom: float
    gap: float
    lip: float
    depth: float
    albedo: Array
    bevel: float
    stand: str
    stand_height: float
    led: Array | None
    shine: float


def draw_body(dice: Dice, panel: Panel) -> Body:
    """From frameless to wide old frames, black first but any colour."""
    wide = dice.p(0.3)
    side = dice.u(0.025, 0.09) * max(panel.width_m, 0.5) if wide else dice.lu(0.003, 0.022)
    chin = side * (dice.u(1, 2.2) if dice.p(0.5) else 1.0) + (dice.u(0, 0.03) if dice.p(0.3) else 0)
    if dice.p(0.72):
        albedo = np.full(3, dice.lu(0.012, 0.12), np.float32) * (1 + 0.1 * dice.array(-1, 1, (3,)))
    elif dice.p(0.85):
        albedo = np.full(3, dice.u(0.25, 0.8), np.float32) * (1 + 0.06 * dice.array(-1, 1, (3,)))
    else:
        albedo = surfaces.paint_colour(dice, wall=False)
    stand = dice.weighted({"feet": 0.42, "foot": 0.33, "wall": 0.13, "none": 0.12})
    led = None
    if dice.p(0.45):
        led = np.array(
            dice.pick(
                ((1, 0.05, 0.03), (0.05, 0.9, 0.15), (0.1, 0.3, 1), (1, 0.5, 0.05), (0.9, 0.95, 1))
            ),
            np.float32,
        )
    return Body(
        side,
        side,
        side * dice.u(0.8, 1.2),
        chin,
        dice.lu(0.0005, 0.012),
        dice.u(0.0, 0.012),
        dice.u(0.02, 0.1),
        albedo.astype(np.float32),
        dice.u(0, 0.6) if dice.p(0.5) else 0.0,
        stand,
        dice.u(0.01, 0.12) if stand != "none" else 0.003,
        led,
        dice.u(0, 0.08),
    )


def stand(dice: Dice, canvas: Canvas, panel: Panel, body: Body, bench: float) -> None:
    """Feet or a foot between the set and the bench."""
    y0 = panel.height_m / 2 + body.bottom
    albedo = body.albedo * np.float32(dice.u(0.6, 1.1))
    if body.stand == "foot":
        neck = dice.u(0.03, 0.12)
        canvas.box(np.array([-neck, y0 - 0.01, 0.0]), np.array([neck, bench, 0.05]), albedo)
        wide = panel.width_m * dice.u(0.13, 0.3)
        canvas.box(
            np.array([-wide, bench - 0.012, -0.12]),
            np.array([wide, bench, 0.1]),
            albedo,
            gloss=0.03,
        )
    elif body.stand == "feet":
        at, wide = panel.width_m * dice.u(0.22, 0.45), dice.u(0.01, 0.04)
        for side in (-1, 1):
            canvas.box(
                np.array([side * at - wide, y0 - 0.005, -0.08]),
                np.array([side * at + wide, bench, 0.08]),
                albedo,
            )


def set_body(dice: Dice, canvas: Canvas, panel: Panel, body: Body) -> None:
    """The frame around the screen and the black rim inside it (the screen itself comes later)."""
    w, h = panel.width_m / 2, panel.height_m / 2
    z = -body.lip
    low = np.array([-w - body.left, -h - body.top, z])
    high = np.array([w + body.right, h + body.bottom, body.depth])
    canvas.box(low, high, body.albedo, front=False)
    g = body.gap

    def ring(x: float, y0: float, y1: float, depth: float) -> Points:
        return np.array([[-x, -y0, depth], [x, -y0, depth], [x, y1, depth], [-x, y1, depth]])

    outer = np.array(
        [[low[0], low[1], z], [high[0], low[1], z], [high[0], high[1], z], [low[0], high[1], z]]
    )
    inner = ring(w + g, h + g, h + g, z)
    # only the frame is drawn: the screen covers the middle. Its inside reaches a little too far
    # in, because a lip that stands out hides part of the rim behind it.
    under = ring(max(w - 0.02, 0.01), max(h - 0.02, 0.01), max(h - 0.02, 0.01), 0.0)
    rim = ring(w + g, h + g, h + g, 0.0)
    tilts = np.array([[0, 0.5, -1], [-0.5, 0, -1], [0, -0.5, -1], [0.5, 0, -1.0]]) * (
        1,
        body.bevel,
        1,
    )
    tilts[:, 0] *= body.bevel
    for k in range(4):
        j = (k + 1) % 4
        canvas.face(
            np.array([rim[k], rim[j], under[j], under[k]]),
            np.full(3, 0.008, np.float32),
            np.array([0, 0, -1.0]),
        )
    for k in range(4):
        j = (k + 1) % 4
        canvas.face(
            np.array([outer[k], outer[j], inner[j], inner[k]]),
            body.albedo,
            tilts[k] / np.linalg.norm(tilts[k]),
            gloss=body.shine,
        )
    if body.bottom > 0.012 and dice.p(0.5):  # an invented badge on the chin
        bw, bh = dice.u(0.02, 0.07), min(body.bottom * 0.2, 0.006)
        y = h + body.bottom * 0.55
        canvas.face(
            np.array(
                [
                    [-bw, y - bh, z - 0.001],
                    [bw, y - bh, z - 0.001],
                    [bw, y + bh, z - 0.001],
                    [-bw, y + bh, z - 0.001],
                ]
            ),
            np.clip(body.albedo + 0.25, 0, 0.9).astype(np.float32),
            np.array([0, 0, -1.0]),
        )
    if body.led is not None:
        at = np.array([[dice.u(-0.95, 0.95) * w, h + body.bottom * 0.6, z - 0.002]])
        p = canvas.view.project(at)[0]
        r = max(canvas.view.f * 0.0025 / max(float(canvas.view.depth(at)[0]), 0.1), 1.0)
        box = canvas.roi(np.array([p - 6 * r, p + 6 * r]))
        if box is not None:
            x0, y0, x1, y1 = box
            yy, xx = np.mgrid[y0:y1, x0:x1].astype(np.float32)
            d2 = ((xx - p[0]) ** 2 + (yy - p[1]) ** 2) / r**2
            canvas.image[y0:y1, x0:x1] += (
                (np.exp(-d2 * 2) + 0.02 * np.exp(-d2 / 8))[..., None]
                * body.led
                * np.float32(dice.lu(3, 60))
            )
