"""Draws lit surfaces in perspective on a radiance image: planes, boxes, balls, cans, pictures."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Bytes, Floats
from synth.colour import to_linear
from synth.fields import blur, mix, polygon
from synth.geometry import Points, View
from synth.light import Rig, Torch

Array = Floats


class Canvas:
    """Draws lit surfaces on a radiance image (h, w, 3) in cd/m2, far things first."""

    def __init__(self, view: View, rig: Rig) -> None:
        self.view, self.rig = view, rig
        self.image = np.zeros((view.height, view.width, 3), np.float32)

    def roi(self, pts: Points, pad: int = 2) -> tuple[int, int, int, int] | None:
        """Pixel box (x0, y0, x1, y1) of projected points, or None when out of frame."""
        x0 = max(int(np.floor(pts[:, 0].min())) - pad, 0)
        y0 = max(int(np.floor(pts[:, 1].min())) - pad, 0)
        x1 = min(int(np.ceil(pts[:, 0].max())) + pad + 1, self.view.width)
        y1 = min(int(np.ceil(pts[:, 1].max())) + pad + 1, self.view.height)
        return (x0, y0, x1, y1) if x1 > x0 + 1 and y1 > y0 + 1 else None

    def light(
        self,
        box: tuple[int, int, int, int],
        axis: int,
        value: float,
        normal: NDArray,
        *,
        gain: Array | float = 1.0,
        step: int = 14,
    ) -> Array:
        """Illuminance (h, w, 3) over a pixel box on an axis-parallel plane, computed coarsely.

        It is multiplied by the gain, which costs less here than on the whole box.
        """
        x0, y0, x1, y1 = box
        nx, ny = max((x1 - x0) // step, 2), max((y1 - y0) // step, 2)
        px, py = np.meshgrid(np.linspace(x0, x1 - 1, nx), np.linspace(y0, y1 - 1, ny))
        points = self.view.on_plane(px, py, axis, value)
        coarse = self.rig.on(points, normal) * np.asarray(gain, np.float32)
        return cv2.resize(coarse, (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR)

    def plane(
        self,
        axis: int,
        value: float,
        outline: Points | None,
        albedo: Array,
        normal: NDArray,
        *,
        texture_size: float = 1.5,
        axes: tuple[int, int] = (0, 1),
        shadow: Points | None = None,
        shadow_soft: float = 8,
        dark: float = 0.85,
    ) -> None:
        """An axis-parallel surface bounded by `outline` (N, 3), or the whole frame when None.

        albedo: (3,) or a texture repeated every `texture_size` metres. shadow: outline (N, 3) on
        the plane from which the torch is hidden.
        """
        v = self.view
        pts = (
            v.project(outline)
            if outline is not None
            else np.array([[0, 0], [v.width, v.height]], float)
        )
        box = self.roi(pts)
        if box is None:
            return
        x0, y0, x1, y1 = box
        gain = (albedo if albedo.ndim == 1 else 1.0) / np.pi
        light = self.light(box, axis, value, normal, gain=gain)
        if shadow is not None and self.rig.torch.kind != "none":
            mask = polygon((y1 - y0, x1 - x0), v.project(shadow) - (x0, y0))
            mask = blur(mask, shadow_soft) * np.float32(dark)
            rest = Rig(
                _off(self.rig),
                self.rig.ambient,
                self.rig.ambient_colour,
                self.rig.tilt,
                self.rig.name,
                self.rig.screen_light,
                self.rig.screen_area,
            )
            saved, self.rig = self.rig, rest
            mix(light, self.light(box, axis, value, normal, gain=gain), mask)
            self.rig = saved
        if albedo.ndim > 1:
            n = albedo.shape[0]
            hom = v.plane_homography(axis, value, axes)
            scale = np.diag([texture_size / n, texture_size / n, 1.0])
            shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
            m = np.linalg.inv(shift @ hom @ scale)
            gx, gy = np.meshgrid(
                np.arange(0, x1 - x0 + 16, 16, dtype=np.float64),
                np.arange(0, y1 - y0 + 16, 16, dtype=np.float64),
            )
            den = m[2, 0] * gx + m[2, 1] * gy + m[2, 2]
            den = np.where(np.abs(den) < 1e-9, 1e-9, den)
            u = ((m[0, 0] * gx + m[0, 1] * gy + m[0, 2]) / den).astype(np.float32)
            w = ((m[1, 0] * gx + m[1, 1] * gy + m[1, 2]) / den).astype(np.float32)
            big = (u.shape[1] * 16, u.shape[0] * 16)
            # a coarse map enlarged: planes are smooth, and remap wraps around for us
            mu = _upsample(u, big)[: y1 - y0, : x1 - x0]
            mw = _upsample(w, big)[: y1 - y0, : x1 - x0]
            tone = cv2.remap(
                albedo, _wrap(mu, n), _wrap(mw, n), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP
            )
            light *= tone
        if outline is None:
            self.image[y0:y1, x0:x1] = light
        else:
            mix(self.image[y0:y1, x0:x1], light, polygon((y1 - y0, x1 - x0), pts - (x0, y0)))

    def face(
        self,
        corners: Points,
        albedo: Array,
        normal: NDArray,
        *,
        gain: float = 1.0,
        gloss: float = 0.0,
    ) -> None:
        """A small flat face (N, 3) lit with a gradient between its corners' illuminances."""
        pts = self.view.project(corners)
        if self.view.depth(corners).min() < 0.03:
            return
        box = self.roi(pts)
        if box is None:
            return
        x0, y0, x1, y1 = box
        lux = self.rig.on(corners, np.asarray(normal, np.float64))
        a = polygon((y1 - y0, x1 - x0), pts - (x0, y0))
        scale = (albedo * np.float32(gain) + np.float32(gloss)) * np.float32(1 / np.pi)
        if len(corners) == 4 and (x1 - x0) * (y1 - y0) > 900:
            # a plane through the corners' illuminances, evaluated at the box's own corners
            basis = np.c_[np.ones(4), pts - (x0, y0)]
            fit = np.linalg.lstsq(basis, lux * scale, rcond=None)[0]
            ends = (
                np.array([[1, 0, 0], [1, x1 - x0, 0], [1, 0, y1 - y0], [1, x1 - x0, y1 - y0]]) @ fit
            )
            ends = np.clip(ends, (lux * scale).min(0), (lux * scale).max(0))
            value = cv2.resize(
                ends.reshape(2, 2, 3).astype(np.float32),
                (x1 - x0, y1 - y0),
                interpolation=cv2.INTER_LINEAR,
            )
            mix(self.image[y0:y1, x0:x1], value, a)
        else:
            mix(self.image[y0:y1, x0:x1], (lux.mean(0) * scale).astype(np.float32), a)

    def box(
        self, low: NDArray, high: NDArray, albedo: Array, *, gloss: float = 0.0, front: bool = True
    ) -> None:
        """An upright box between two corners: the faces the camera can see, far ones first."""
        x0, y0, z0 = low
        x1, y1, z1 = high
        c = self.view.centre
        if c[0] < x0:
            self.face(
                np.array([[x0, y0, z1], [x0, y0, z0], [x0, y1, z0], [x0, y1, z1]]),
                albedo,
                np.array([-1, 0, 0]),
                gain=0.9,
            )
        elif c[0] > x1:
            self.face(
                np.array([[x1, y0, z0], [x1, y0, z1], [x1, y1, z1], [x1, y1, z0]]),
                albedo,
                np.array([1, 0, 0]),
                gain=0.9,
            )
        if c[1] < y0:
            self.face(
                np.array([[x0, y0, z1], [x1, y0, z1], [x1, y0, z0], [x0, y0, z0]]),
                albedo,
                np.array([0, -1, 0]),
                gloss=gloss,
            )
        elif c[1] > y1:
            self.face(
                np.array([[x0, y1, z0], [x1, y1, z0], [x1, y1, z1], [x0, y1, z1]]),
                albedo,
                np.array([0, 1, 0]),
            )
        if front:
            self.face(
                np.array([[x0, y0, z0], [x1, y0, z0], [x1, y1, z0], [x0, y1, z0]]),
                albedo,
                np.array([0, 0, -1]),
                gloss=gloss,
            )

    def ball(self, centre: NDArray, radius: float, albedo: Array) -> None:
        """A ball, shaded from above and from the torch."""
        p = self.view.project(centre[None])[0]
        d = float(self.view.depth(centre[None])[0])
        if d < 0.1:
            return
        r = self.view.f * radius / d
        box = self.roi(np.array([p - r, p + r]))
        if box is None or r < 1:
            return
        x0, y0, x1, y1 = box
        y, x = np.mgrid[y0:y1, x0:x1].astype(np.float32)
        dx, dy = (x - p[0]) / r, (y - p[1]) / r
        d2 = dx * dx + dy * dy
        z = np.sqrt(np.clip(1 - d2, 0, 1))
        lux = self.rig.on(centre[None], np.array([0, 0, -1.0]))[0]
        side = self.rig.on(centre[None], np.array([0, -1.0, 0]))[0]
        tone = lux * z[..., None] + side * np.clip(-dy, 0, 1)[..., None] * 0.5 + 0.1 * lux
        shine = np.clip(z * 0.8 - dx * 0.3 - dy * 0.5, 0, 1) ** 40
        value = tone * albedo / np.pi + 0.3 * shine[..., None] * lux / np.pi
        mix(
            self.image[y0:y1, x0:x1],
            value.astype(np.float32),
            np.clip((1 - np.sqrt(d2)) * r + 0.5, 0, 1),
        )

    def can(self, foot: NDArray, radius: float, height: float, albedo: Array) -> None:
        """An upright cylinder standing on `foot`."""
        k = np.linspace(0, 2 * np.pi, 20, endpoint=False)
        ring = np.stack(
            [foot[0] + radius * np.cos(k), np.full(20, foot[1]), foot[2] + radius * np.sin(k)], 1
        )
        top = ring - (0, height, 0)
        pts = self.view.project(np.vstack([ring, top]))
        if self.view.depth(ring).min() < 0.1:
            return
        box = self.roi(pts)
        if box is None:
            return
        x0, y0, x1, y1 = box
        hull = cv2.convexHull(pts.astype(np.float32))[:, 0] - (x0, y0)
        x = np.linspace(-1, 1, x1 - x0, dtype=np.float32)[None, :, None]
        lux = self.rig.on(foot[None] - (0, height / 2, 0), np.array([0, 0, -1.0]))[0]
        value = (
            lux
            * albedo
            / np.float32(np.pi)
            * (0.25 + 0.75 * np.sqrt(np.clip(1 - (x * 0.95 + 0.2) ** 2, 0, 1)))
        )
        mix(
            self.image[y0:y1, x0:x1],
            np.broadcast_to(value, (y1 - y0, x1 - x0, 3)),
            polygon((y1 - y0, x1 - x0), hull),
        )
        self.face(top, albedo, np.array([0, -1.0, 0]))


def _upsample(coarse: Floats, size: tuple[int, int]) -> Floats:
    """Enlarge a map sampled every 16 px from pixel 0, exactly linear between samples."""
    m = np.array([[1 / 16, 0, 0], [0, 1 / 16, 0]], np.float64)
    return cv2.warpAffine(
        coarse,
        m,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def _wrap(position: Floats, period: int) -> Floats:
    """The position within its period; several times faster than the exact remainder."""
    turns = np.floor(position * np.float32(1 / period))
    turns *= np.float32(-period)
    turns += position
    return turns


def _off(rig: Rig) -> Torch:
    return replace(rig.torch, kind="none")


def picture(canvas: Canvas, corners: Points, image: Bytes, *, emission: float = 0.0) -> None:
    """A printed picture on a quad (4, 3), or a window of `emission` cd/m2 at white."""
    pts = canvas.view.project(corners)
    box = canvas.roi(pts)
    if box is None:
        return
    x0, y0, x1, y1 = box
    ih, iw = image.shape[:2]
    src = np.array(
        [[-0.5, -0.5], [iw - 0.5, -0.5], [iw - 0.5, ih - 0.5], [-0.5, ih - 0.5]], np.float32
    )
    hom = cv2.getPerspectiveTransform(src, (pts - (x0, y0)).astype(np.float32))
    tone = cv2.warpPerspective(
        to_linear(image),
        hom,
        (x1 - x0, y1 - y0),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if emission > 0:
        value = tone * np.float32(emission)
    else:
        towards = np.array([0, 0, -1.0])
        depth = float(corners[:, 2].mean())
        value = tone * canvas.light(box, 2, depth, towards, gain=0.85 / np.pi)
    mix(canvas.image[y0:y1, x0:x1], value, polygon((y1 - y0, x1 - x0), pts - (x0, y0)))
