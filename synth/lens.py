"""The lens: flare, defocus, motion, distortion, vignetting, and moire from sampling."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Floats
from synth.dice import Dice
from synth.fields import scale
from synth.panel import Panel

Array = Floats


@dataclass(frozen=True)
class Blur:
    """defocus: Gaussian sigma px. motion: length px. angle: of the motion, radians. k1: radial
    distortion, x_d = x (1 + k1 r^2) with r = 1 at half the long side.
    """

    defocus: float
    motion: float
    angle: float
    k1: float


#: A lens that does nothing.
PINHOLE = Blur(0.0, 0.0, 0.0, 0.0)


def distort_points(points: NDArray, b: Blur, size: tuple[int, int]) -> NDArray[np.float64]:
    """Where undistorted pixel positions (N, 2) land on the photo."""
    centre, unit = (np.array(size) - 1) / 2, max(size) / 2
    d = (np.asarray(points, np.float64) - centre) / unit
    return d * (1 + b.k1 * (d * d).sum(1, keepdims=True)) * unit + centre


def _distort(image: Array, b: Blur) -> Array:
    h, w = image.shape[:2]
    step = 16
    gx, gy = np.meshgrid(
        np.arange(0, w + step, step, dtype=np.float64),
        np.arange(0, h + step, step, dtype=np.float64),
    )
    centre, unit = ((w - 1) / 2, (h - 1) / 2), max(w, h) / 2
    xd, yd = (gx - centre[0]) / unit, (gy - centre[1]) / unit
    xu, yu = xd.copy(), yd.copy()
    for _ in range(6):
        f = 1 + b.k1 * (xu * xu + yu * yu)
        xu, yu = xd / f, yd / f
    m = np.array([[1 / step, 0, 0], [0, 1 / step, 0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    mx = cv2.warpAffine(
        (xu * unit + centre[0]).astype(np.float32),
        m,
        (w, h),
        flags=flags,
        borderMode=cv2.BORDER_REPLICATE,
    )
    my = cv2.warpAffine(
        (yu * unit + centre[1]).astype(np.float32),
        m,
        (w, h),
        flags=flags,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return cv2.remap(image, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def finish_optics(
    dice: Dice, size: tuple[int, int], *, quick: bool
) -> tuple[Blur, Callable[[Array], Array]]:
    """The lens of this photo and the function that applies it to a radiance image."""
    w, h = size
    unit = max(w, h) / 1600
    defocus = dice.lu(0.45, 1.1) * unit if dice.p(0.75) else dice.lu(1.0, 3.2) * unit
    motion = dice.lu(1.5, 9) * unit if dice.p(0.22) else 0.0
    k1 = dice.n(0, 0.015) if dice.p(0.35) and not quick else 0.0
    b = Blur(defocus, motion, dice.u(0, np.pi), k1)
    flare, reach, veil = dice.lu(0.002, 0.04), dice.u(0.01, 0.05), dice.lu(0.0003, 0.006)
    corner = dice.u(0, 0.45)

    def apply(image: Array) -> Array:
        small = cv2.resize(image, (max(w // 8, 4), max(h // 8, 4)), interpolation=cv2.INTER_AREA)
        near = cv2.GaussianBlur(small, (0, 0), max(reach * w / 8, 0.5))
        far = cv2.GaussianBlur(small, (0, 0), w / 8 * 0.15)
        bloom = np.float32(flare) * near + np.float32(veil) * (far + small.mean((0, 1)))
        # three sigma are enough: 0.3 % of the light lies beyond
        taps = 2 * int(np.ceil(3 * b.defocus)) + 1
        out = cv2.GaussianBlur(image, (taps, taps), b.defocus, borderType=cv2.BORDER_REPLICATE)
        if b.motion > 0:
            n = int(np.ceil(b.motion)) | 1
            kernel = np.zeros((n + 2, n + 2), np.float32)
            c, half = (n + 1) / 2, b.motion / 2
            d = np.array([np.cos(b.angle), np.sin(b.angle)]) * half
            cv2.line(
                kernel,
                tuple(np.rint((c - d) * 16).astype(int).tolist()),
                tuple(np.rint((c + d) * 16).astype(int).tolist()),
                1.0,
                1,
                cv2.LINE_8,
                4,
            )
            kernel /= max(float(kernel.sum()), 1e-6)
            out = cv2.filter2D(out, -1, kernel, borderType=cv2.BORDER_REPLICATE)
        out += cv2.resize(bloom, (w, h), interpolation=cv2.INTER_LINEAR)
        if b.k1:
            out = _distort(out, b)
        x = (np.arange(w, dtype=np.float32) - (w - 1) / 2) / (max(w, h) / 2)
        y = (np.arange(h, dtype=np.float32) - (h - 1) / 2) / (max(w, h) / 2)
        scale(out, 1 / (1 + np.float32(corner) * (x[None, :] ** 2 + y[:, None] ** 2)))
        return out

    return b, apply


#: Share of a picture element's pitch that one colour's stripe fills, and of its height.
STRIPE, ROW = 0.28, 0.82


def transfer(pitch: float, sigma: float) -> float:
    """Contrast that a grating of this period in photo pixels keeps through blur and pixel area."""
    f = 1.0 / pitch
    return float(np.exp(-2 * (np.pi * sigma * f) ** 2) * abs(np.sinc(f)))


def moire(image: Array, corners: NDArray, panel: Panel, b: Blur) -> float:
    """Multiply the panel's sub-pixel grid into the image where the optics still carry it.

    The grid's Fourier fundamental is evaluated at the pixels' centres: where it is finer than two
    pixels it folds back as moire by itself, in each colour with its own phase. Returns the depth.
    """
    c = np.asarray(corners, np.float64)
    across = float((np.hypot(*(c[1] - c[0])) + np.hypot(*(c[2] - c[3]))) / 2)
    down = float((np.hypot(*(c[3] - c[0])) + np.hypot(*(c[2] - c[1]))) / 2)
    pitch_x, pitch_y = across / panel.columns, down / panel.rows
    sigma = float(np.hypot(b.defocus, b.motion * 0.29)) * 0.8
    depth_x = 2 * np.sin(np.pi * STRIPE) / (np.pi * STRIPE) * transfer(pitch_x, sigma)
    depth_y = 2 * np.sin(np.pi * ROW) / (np.pi * ROW) * transfer(pitch_y, sigma)
    if depth_x < 0.01 and depth_y < 0.01:
        return 0.0
    h, w = image.shape[:2]
    x0, y0 = max(int(c[:, 0].min()), 0), max(int(c[:, 1].min()), 0)
    x1, y1 = min(int(c[:, 0].max()) + 1, w), min(int(c[:, 1].max()) + 1, h)
    if x1 - x0 < 8 or y1 - y0 < 8:
        return 0.0
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    hom = cv2.getPerspectiveTransform((c - (x0, y0)).astype(np.float32), unit).astype(np.float64)
    x = np.arange(x1 - x0, dtype=np.float32)[None, :]
    y = np.arange(y1 - y0, dtype=np.float32)[:, None]
    den = 1 / (np.float32(hom[2, 0]) * x + (np.float32(hom[2, 1]) * y + np.float32(hom[2, 2])))
    u = (np.float32(hom[0, 0]) * x + (np.float32(hom[0, 1]) * y + np.float32(hom[0, 2]))) * den
    v = (np.float32(hom[1, 0]) * x + (np.float32(hom[1, 1]) * y + np.float32(hom[1, 2]))) * den
    inside = (u > 0) & (u < 1) & (v > 0) & (v < 1)
    part = image[y0:y1, x0:x1]
    if depth_y >= 0.01:
        part *= np.where(
            inside, 1 + np.float32(depth_y) * np.cos(v * np.float32(2 * np.pi * panel.rows)), 1
        )[..., None]
    if depth_x >= 0.01:
        phase = u * np.float32(2 * np.pi * panel.columns)
        cos, sin = np.cos(phase) * inside, np.sin(phase) * inside
        for k in range(3):
            shift = 2 * np.pi * (k - 1) / 3
            part[..., k] *= 1 + np.float32(depth_x) * (
                np.float32(np.cos(shift)) * cos + np.float32(np.sin(shift)) * sin
            )
    np.maximum(part, 0, out=part)
    return float(max(depth_x, depth_y))
