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


def moire(image: Array, corners: NDArray, panel: Panel, sampling: Sampling) -> float:
    """Multiply the panel's sub-pixel grid into the image where the optics still carry it.

    The grid's Fourier fundamental folds on the sensor's raster, of which red and blue have every
    second pixel, in each colour with its own phase; what is left of the beat in the smaller photo
    is drawn. Returns the depth.
    """
    placed = _on_panel(image, corners)
    if placed is None:
        return 0.0
    (x0, y0, x1, y1), u, v, inside = placed
    part = image[y0:y1, x0:x1]
    depth = 0.0
    for axis, (at, count, fill) in enumerate(((u, panel.columns, STRIPE), (v, panel.rows, ROW))):
        # Cycles a sensor pixel, as the grid has them in the middle of the screen.
        middle = at.shape[0] // 2, at.shape[1] // 2
        slope = np.array(
            [np.gradient(at[middle[0]])[middle[1]], np.gradient(at[:, middle[1]])[middle[0]]]
        )
        f = slope * count / sampling.scale
        pitch = 1 / max(float(np.hypot(*f)), 1e-6)
        carried = 2 * np.sin(np.pi * fill) / (np.pi * fill) * transfer(pitch, sampling.sigma)
        if carried < 0.01:
            continue
        phase = at * np.float32(2 * np.pi * count)
        for k in range(3):
            step = 1.0 if k == 1 else 0.5
            fold = np.round(f / step) * step
            beat = (f - fold) * sampling.scale
            if np.abs(beat).max() >= 0.5:
                continue
            left = carried * float(np.prod(np.abs(np.sinc(beat))))
            if k != 1 and (fold % 1 != 0).any():
                left *= _CHROMA
            if left < 0.01:
                continue
            turn = 2 * np.pi * sampling.scale * fold
            wave = phase - np.float32(turn[0]) * np.arange(x1 - x0, dtype=np.float32)[None, :]
            wave -= np.float32(turn[1]) * np.arange(y1 - y0, dtype=np.float32)[:, None]
            if axis == 0:
                wave -= np.float32(2 * np.pi * (k - 1) / 3)
            part[..., k] *= 1 + np.float32(left) * np.cos(wave) * inside
            depth = max(depth, left)
    np.maximum(part, 0, out=part)
    return float(depth)


def _on_panel(
    image: Array, corners: NDArray
) -> tuple[tuple[int, int, int, int], Array, Array, NDArray[np.bool_]] | None:
    """Pixel box of the screen, panel fractions u and v of its pixels, and which lie on it."""
    c = np.asarray(corners, np.float64)
    h, w = image.shape[:2]
    x0, y0 = max(int(c[:, 0].min()), 0), max(int(c[:, 1].min()), 0)
    x1, y1 = min(int(c[:, 0].max()) + 1, w), min(int(c[:, 1].max()) + 1, h)
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    hom = cv2.getPerspectiveTransform((c - (x0, y0)).astype(np.float32), unit).astype(np.float64)
    x = np.arange(x1 - x0, dtype=np.float64)[None, :]
    y = np.arange(y1 - y0, dtype=np.float64)[:, None]
    den = 1 / (hom[2, 0] * x + (hom[2, 1] * y + hom[2, 2]))
    u = ((hom[0, 0] * x + (hom[0, 1] * y + hom[0, 2])) * den).astype(np.float32)
    v = ((hom[1, 0] * x + (hom[1, 1] * y + hom[1, 2])) * den).astype(np.float32)
    return (x0, y0, x1, y1), u, v, (u > 0) & (u < 1) & (v > 0) & (v < 1)


#: Share of a picture element's pitch that one colour's stripe fills, and of its height.
STRIPE, ROW = 0.28, 0.82


def transfer(pitch: float, sigma: float) -> float:
    """Contrast that a grating of this period in photo pixels keeps through blur and pixel area."""
    f = 1.0 / pitch
    return float(np.exp(-2 * (np.pi * sigma * f) ** 2) * abs(np.sinc(f)))


@dataclass(frozen=True)
class Sampling:
    """scale: the sensor's pixels to one of the photo's, along each axis (1: the photo is as the
    sensor had it). sigma: of the blur (Gaussian), in the sensor's pixels.
    """

    scale: float
    sigma: float


def native_sampling(dice: Dice, b: Blur, size: tuple[int, int]) -> Sampling:
    """Phones make a photo smaller than their sensor: what folds, folds on the sensor's own grid.

    chosen: up to 2.8 times, sensors of at most 4600 pixels; lenses as sharp as pixels are fine.
    """
    most = max(1.0, min(2.8, 4600 / max(size)))
    scale = dice.u(1.0, most)
    out_of_focus = b.defocus > 1.15 * max(size) / 1600
    sharp = b.defocus * scale if out_of_focus else dice.lu(0.3, 0.6)
    return Sampling(scale, float(np.hypot(sharp, b.motion * 0.29 * scale)))


#: Colour moire that is left when red and blue are told with the help of green, share. chosen
_CHROMA = 0.6
