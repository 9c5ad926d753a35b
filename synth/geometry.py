"""The pinhole camera and the places of things, in metres.

World: the origin is the middle of the active area, x to the right, y down, z away from the
photographer (into the wall). Pixels: the centre of the first pixel is (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from synth.dice import Dice
from synth.panel import Panel

Points = NDArray[np.float64]


def rotation(yaw: float, pitch: float, roll: float) -> NDArray[np.float64]:
    """World-to-camera rotation Rz(roll) Rx(pitch) Ry(yaw), degrees."""
    a, b, c = np.radians([yaw, pitch, roll])
    ry = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    rx = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return rz @ rx @ ry


@dataclass(frozen=True)
class View:
    """A camera: focal length f px, principal point (cx, cy) px, pose R, t, image size (w, h) px."""

    f: float
    cx: float
    cy: float
    R: NDArray[np.float64]
    t: NDArray[np.float64]
    width: int
    height: int

    @property
    def centre(self) -> NDArray[np.float64]:
        """Position of the camera in the world, metres."""
        return -self.R.T @ self.t

    def project(self, points: Points) -> Points:
        """World points (N, 3) to pixels (N, 2); those behind the camera are pushed before it."""
        c = np.atleast_2d(points) @ self.R.T + self.t
        z = np.maximum(c[:, 2], 0.02)
        return np.stack([self.f * c[:, 0] / z + self.cx, self.f * c[:, 1] / z + self.cy], 1)

    def depth(self, points: Points) -> NDArray[np.float64]:
        """Distance along the optical axis of world points (N, 3), metres."""
        return (np.atleast_2d(points) @ self.R.T + self.t)[:, 2]

    def on_plane(self, px: NDArray, py: NDArray, axis: int, value: float) -> NDArray[np.float64]:
        """World points (..., 3) where the rays of pixels meet the plane coordinate[axis] = value.

        Rays that miss it (parallel or backwards) get points 50 m away.
        """
        d = (
            np.stack([(px - self.cx) / self.f, (py - self.cy) / self.f, np.ones_like(px)], -1)
            @ self.R
        )
        centre = self.centre
        with np.errstate(divide="ignore", invalid="ignore"):
            s = (value - centre[axis]) / d[..., axis]
        s = np.where(np.isfinite(s) & (s > 0), s, 50.0)
        return centre + np.minimum(s, 50.0)[..., None] * d

    def plane_homography(
        self, axis: int, value: float, axes: tuple[int, int]
    ) -> NDArray[np.float64]:
        """3x3 map from plane coordinates (world[axes[0]], world[axes[1]], 1) to pixels."""
        k = np.array([[self.f, 0, self.cx], [0, self.f, self.cy], [0, 0, 1]])
        return k @ np.stack(
            [self.R[:, axes[0]], self.R[:, axes[1]], self.R[:, axis] * value + self.t], 1
        )

    def scaled(self, s: float) -> View:
        """The same view on an image s times as large."""
        return replace(
            self,
            f=self.f * s,
            cx=(self.cx + 0.5) * s - 0.5,
            cy=(self.cy + 0.5) * s - 0.5,
            width=round(self.width * s),
            height=round(self.height * s),
        )


def panel_corners(panel: Panel) -> Points:
    """World corners (4, 3) of the active area: tl, tr, br, bl."""
    return glass_corners(panel, 0.0)


def glass_corners(panel: Panel, reach: float) -> Points:
    """World corners (4, 3) of the front glass that goes `reach` metres beyond the active area."""
    w, h = panel.width_m / 2 + reach, panel.height_m / 2 + reach
    return np.array([[-w, -h, 0], [w, -h, 0], [w, h, 0], [-w, h, 0]])


def turned(corners: Points, width: int, height: int) -> Points:
    """Corners after turning the image by 180 degrees (kept tl, tr, br, bl of the upright panel)."""
    return np.array([width - 1, height - 1]) - corners


@dataclass(frozen=True)
class Pose:
    """How the phone is held: view, angles in degrees, distance in metres."""

    view: View
    yaw: float
    pitch: float
    roll: float
    distance: float


def draw_pose(dice: Dice, panel: Panel, size: tuple[int, int], *, dark: bool) -> Pose:
    """Hold the phone somewhere in front of the set so that most of the screen is in the frame.

    Dark sets are photographed from a little closer, as the advice for the torch test says.
    """
    w, h = size
    long_side = max(w, h)
    f = long_side * (dice.u(0.68, 0.86) if dice.p(0.8) else dice.u(0.95, 1.9))
    yaw = float(np.clip(dice.n(0, 11), -38, 38))
    pitch = float(np.clip(dice.n(0, 7), -25, 25))
    roll = dice.n(0, 2.5) if dice.p(0.9) else dice.n(0, 9)
    # chosen: people fill the frame with what they complain about; few stand far away
    cover = dice.u(0.5, 1.0) if dice.p(0.72) else dice.u(0.36, 0.6)
    if dice.p(0.12):
        cover = dice.u(1.0, 1.6) if dice.p(0.8) else dice.u(1.6, 3.0)
    if not dark and dice.p(0.03):
        cover = dice.u(0.22, 0.36)
    fit = min(w / panel.width_m, h / panel.height_m)
    distance = max(f / (fit * cover), 0.12)
    rot = rotation(yaw, pitch, roll)
    view = View(f, (w - 1) / 2, (h - 1) / 2, rot, np.array([0, 0, distance]), w, h)
    pts = view.project(panel_corners(panel))
    lo, hi = pts.min(0), pts.max(0)
    room = np.array([w, h]) - (hi - lo)
    inside = cover < 1.0 and not dice.p(0.1)
    if inside:
        # shrink until it fits with a small margin, then place it anywhere inside
        need = float(((hi - lo) / np.array([w, h])).max()) * 1.03
        if need > 1:
            distance *= need
            view = replace(view, t=np.array([0, 0, distance]))
            pts = view.project(panel_corners(panel))
            lo, hi = pts.min(0), pts.max(0)
            room = np.array([w, h]) - (hi - lo)
        share = np.array(
            [np.clip(0.5 + dice.n(0, 0.2), 0.02, 0.98), np.clip(0.5 + dice.n(0, 0.2), 0.02, 0.98)]
        )
        move = room * share - lo
    else:
        move = room * 0.5 - lo + np.array([dice.n(0, 0.12) * w, dice.n(0, 0.12) * h])
    t = np.array([move[0] * distance / f, move[1] * distance / f, distance])
    return Pose(replace(view, t=t), yaw, pitch, roll, distance)
