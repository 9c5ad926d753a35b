"""Light in the room: torch, ambient, the lit screen itself; and what the glass mirrors of it.

The torch test follows L = E/pi * [haze + R T (T conv h)] + mirror + room reflections.
Units: metres, candela, lux, cd/m2; colours are linear RGB with luminance 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Floats
from synth.colour import lamp
from synth.dice import Dice
from synth.fields import blur, fractal
from synth.geometry import View
from synth.panel import Panel

Array = Floats


@dataclass(frozen=True)
class Torch:
    """A torch. kind: none, phone or hand. position, aim: world metres. candela: on its axis.

    spread: Gaussian half width of the beam in radians. spill: share of the axis intensity that
    goes everywhere. colour: linear RGB.
    """

    kind: str
    position: NDArray[np.float64]
    aim: NDArray[np.float64]
    candela: float
    spread: float
    spill: float
    colour: Array

    def irradiance(self, points: NDArray, normal: NDArray) -> Array:
        """Illuminance in lux on surfaces at points (..., 3) with one normal (3,); no colour."""
        if self.kind == "none":
            return np.zeros(points.shape[:-1], np.float32)
        to = self.position - points
        d2 = np.maximum((to * to).sum(-1), 1e-3)
        d = np.sqrt(d2)
        axis = self.aim - self.position
        axis = axis / np.linalg.norm(axis)
        cos_beam = np.clip(-(to @ axis) / d, -1, 1)
        angle = np.arccos(cos_beam)
        power = self.candela * (
            np.exp(-0.5 * (angle / self.spread) ** 2) + self.spill * (cos_beam > 0)
        )
        cos_in = np.clip((to @ normal) / d, 0, 1)
        return (power * cos_in / d2).astype(np.float32)


@dataclass(frozen=True)
class Rig:
    """All light of one photograph.

    torch. ambient: lux on a surface. ambient_colour. tilt: how ambient varies with direction, a
    vector (3,). name: dark, dim or lit. screen_light: mean emitted RGB in cd/m2 (zeros when
    dark). screen_area in m2.
    """

    torch: Torch
    ambient: float
    ambient_colour: Array
    tilt: NDArray[np.float64]
    name: str
    screen_light: Array
    screen_area: float

    def bounce(self) -> Array:
        """Illuminance (3,) that returns from a room of about 35 m2 of walls, half absorbed."""
        flux = np.pi * self.screen_light * self.screen_area
        flux = flux + self.torch.colour * np.float32(
            4.5 * self.torch.candela * min(self.torch.spread, 0.9) ** 2
        )
        return (0.5 * flux / 35.0).astype(np.float32)

    def on(self, points: NDArray, normal: NDArray, *, shade: NDArray | float = 1.0) -> Array:
        """Illuminance (..., 3) on points (..., 3); `shade` 0..1 scales the torch (shadows)."""
        n = np.asarray(normal, np.float64)
        level = self.ambient * (1 + float(n @ self.tilt) + 0.25 * (points @ self.tilt))
        out = (
            np.maximum(level, 0.15 * self.ambient)[..., None].astype(np.float32)
            * self.ambient_colour
        )
        out = out + self.bounce()
        if self.torch.kind != "none":
            out = (
                out
                + (self.torch.irradiance(points, n) * shade)[..., None].astype(np.float32)
                * self.torch.colour
            )
        if self.screen_area > 0 and float(self.screen_light.max()) > 0:
            d2 = (points * points).sum(-1)
            d = np.sqrt(np.maximum(d2, 1e-4))
            cos_out = np.clip(-points[..., 2] / d, 0, 1)
            cos_in = np.clip(-(points @ n) / d, 0, 1)
            form = self.screen_area * cos_out * cos_in / (d2 + self.screen_area / np.pi)
            out = out + form[..., None].astype(np.float32) * self.screen_light
        return out


def draw_torch(dice: Dice, panel: Panel, view: View, kind: str) -> Torch:
    """A phone lamp beside the lens, or a torch held to the side and aimed at the screen."""
    camera = view.centre
    w, h = panel.width_m, panel.height_m
    if kind == "phone":
        side = view.R.T @ np.array(
            [dice.pick((-1, 1)) * dice.u(0.008, 0.03), dice.u(-0.02, 0.02), 0]
        )
        forward = view.R.T @ np.array([dice.n(0, 0.05), dice.n(0, 0.05), 1.0])
        return Torch(
            "phone",
            camera + side,
            camera + side + forward,
            dice.lu(30, 250),
            dice.u(0.45, 0.8),
            0.05,
            lamp(dice.u(4300, 7500)),
        )
    offset = np.array(
        [
            dice.pick((-1, 1)) * dice.u(0.05, 0.8),
            dice.u(-0.5, 0.3),
            dice.u(-0.15, 0.3) * abs(camera[2]),
        ]
    )
    aim = np.array([dice.n(0, 0.25) * w, dice.n(0, 0.25) * h, 0])
    return Torch(
        "hand",
        camera + offset,
        aim,
        dice.lu(300, 8000),
        dice.lu(0.1, 0.5),
        dice.lu(0.004, 0.08),
        lamp(dice.u(3000, 8500)),
    )


def ggx(cos_half: NDArray, alpha: float) -> NDArray:
    """Microfacet distribution D(h) of Walter et al. 2007 (GGX) for the half-vector's cosine."""
    c2 = cos_half * cos_half
    return alpha**2 / (np.pi * (c2 * (alpha**2 - 1) + 1) ** 2)


def torch_mirror(torch: Torch, panel: Panel, view: View, points: NDArray) -> Array:
    """Mirrored torch (...,) in cd/m2 per unit colour at glass points (..., 3).

    One lobe of the glass's roughness and a second, wider one from the layers inside the cell.
    """
    normal = np.array([0.0, 0.0, -1.0])
    to_light = torch.position - points
    to_eye = view.centre - points
    ll = to_light / np.linalg.norm(to_light, axis=-1, keepdims=True)
    ee = to_eye / np.linalg.norm(to_eye, axis=-1, keepdims=True)
    half = ll + ee
    cos_half = np.clip(half @ normal / np.linalg.norm(half, axis=-1), 0, 1)
    nl, nv = np.clip(ll @ normal, 0.02, 1), np.clip(ee @ normal, 0.05, 1)
    lobe = panel.mirror * ggx(cos_half, panel.gloss) + panel.inner * panel.mirror * ggx(
        cos_half, min(panel.gloss * 3, 0.6)
    )
    return (lobe / (4 * nl * nv) * torch.irradiance(points, normal)).astype(np.float32)


def room_image(dice: Dice, rig: Rig, shape: tuple[int, int], *, lit_room: bool) -> Array:
    """What the glass mirrors: the room behind the photographer, (h, w, 3) cd/m2, already blurred.

    Furniture and walls at the ambient level, windows and lamps much brighter, the technician and
    the phone darker. Drawn small; it is out of focus anyway because it lies behind the glass.
    """
    h, w = shape
    wall = rig.ambient * rig.ambient_colour + rig.bounce()
    base = wall * np.float32(dice.u(0.1, 0.5) / np.pi)
    out = np.empty((h, w, 3), np.float32)
    out[:] = base
    out *= np.clip(1 + 0.8 * fractal(dice, shape, cells=3, octaves=3), 0.1, 3)[..., None]
    for _ in range(dice.i(0, 6)):
        x0, y0 = dice.i(-w // 4, w), dice.i(-h // 4, h)
        cv2.rectangle(
            out,
            (x0, y0),
            (x0 + dice.i(w // 20, w // 2), y0 + dice.i(h // 20, h)),
            tuple(float(v) for v in base * np.float32(dice.u(0.1, 2.0))),
            -1,
        )
    if lit_room:
        for _ in range(dice.pick((0, 1, 1, 2, 3))):  # windows with bars, or ceiling lamps
            bright = base * np.float32(dice.lu(4, 60))
            x0, y0, ww, hh = (
                dice.i(-w // 8, w),
                dice.i(-h // 8, h),
                dice.i(w // 20, w // 3),
                dice.i(h // 12, h // 2),
            )
            if dice.p(0.7):
                cv2.rectangle(
                    out, (x0, y0), (x0 + ww, y0 + hh), tuple(float(v) for v in bright), -1
                )
                for k in range(1, dice.i(1, 3)):
                    x = x0 + ww * k // 3
                    cv2.line(
                        out, (x, y0), (x, y0 + hh), tuple(float(v) for v in base), max(w // 100, 1)
                    )
            else:
                cv2.ellipse(
                    out,
                    (x0, y0),
                    (max(ww // 4, 1), max(ww // 6, 1)),
                    0,
                    0,
                    360,
                    tuple(float(v) for v in bright),
                    -1,
                )
    if dice.p(0.5):  # the photographer
        cx, shade = dice.i(w // 4, 3 * w // 4), base * np.float32(dice.u(0.02, 0.5))
        cv2.ellipse(
            out,
            (cx, int(h * dice.u(0.35, 0.6))),
            (int(w * 0.06), int(h * 0.14)),
            0,
            0,
            360,
            tuple(float(v) for v in shade),
            -1,
        )
        cv2.ellipse(
            out,
            (cx, int(h * 1.15)),
            (int(w * 0.17), int(h * 0.5)),
            0,
            0,
            360,
            tuple(float(v) for v in shade),
            -1,
        )
    return blur(out, w * dice.lu(0.004, 0.06))
