"""Arrays everything is drawn from: coverage profiles, smooth noise, anti-aliased polygons."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import DTypeLike, NDArray

from synth.arrays import Floats
from synth.dice import Dice

Field = Floats


def cover(count: int, start: float, stop: float) -> Field:
    """How much of each of `count` equal cells the interval [start, stop] covers, 0..1.

    Positions are fractions 0..1 of the whole axis. Exact, so that a one-column line keeps its
    energy at any drawing resolution.
    """
    edges = np.arange(count + 1, dtype=np.float64)
    inside = np.clip(
        np.minimum(edges[1:], stop * count) - np.maximum(edges[:-1], start * count), 0, 1
    )
    return inside.astype(np.float32)


def smooth_noise(dice: Dice, shape: tuple[int, int], cells: float) -> Field:
    """Smooth noise (H, W) with about `cells` features across the width, roughly -1..1."""
    h, w = shape
    gw = max(int(cells) + 3, 4)
    gh = max(int(cells * h / max(w, 1)) + 3, 4)
    wide = dice.array(-1, 1, (gh, gw))
    if gw * 24 < w and gh * 24 < h:  # so coarse that the curves can be drawn at a quarter
        wide = cv2.resize(wide, (w // 4, h // 4), interpolation=cv2.INTER_CUBIC)
        return cv2.resize(wide, (w, h), interpolation=cv2.INTER_LINEAR)
    return cv2.resize(wide, (w, h), interpolation=cv2.INTER_CUBIC)


def fractal(
    dice: Dice, shape: tuple[int, int], *, cells: float = 3, octaves: int = 4, gain: float = 0.5
) -> Field:
    """Sum of smooth noises of rising frequency, roughly -1..1."""
    out = np.zeros(shape, np.float32)
    total = 0.0
    for k in range(octaves):
        weight = gain**k
        out += weight * smooth_noise(dice, shape, cells * 2**k)
        total += weight
    out /= total
    return out


def grid(shape: tuple[int, int]) -> tuple[Field, Field]:
    """x (1, W) and y (H, 1) of the cell centres as fractions 0..1, ready to broadcast."""
    h, w = shape
    x = ((np.arange(w, dtype=np.float32) + 0.5) / w)[None, :]
    y = ((np.arange(h, dtype=np.float32) + 0.5) / h)[:, None]
    return x, y


def tinted(tone: Field, colour: NDArray) -> Field:
    """The colour (3,) times a tone (H, W), as an image (H, W, 3)."""
    return cv2.merge([np.float32(c) * tone for c in colour])


def polygon(shape: tuple[int, int], points: Sequence[Sequence[float]] | NDArray) -> Field:
    """Anti-aliased mask (H, W) 0..1 of a polygon in pixel coordinates (pixel centres at integers).

    For clutter and furniture; the active area uses `quad_mask`, which is exact to 0.02 px.
    """
    mask = np.zeros(shape, np.uint8)
    pts = np.clip(np.asarray(points, np.float64), -30000, 30000)
    cv2.fillPoly(mask, [np.rint(pts * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) * np.float32(1 / 255)


def filled(shape: tuple[int, int], colour: Sequence[float] | NDArray, kind: DTypeLike) -> NDArray:
    """An image (H, W, 3) of one colour; whole rows are copied, which is far faster than pixels."""
    out = np.empty((*shape, 3), kind)
    out[0] = colour
    out[1:] = out[0]
    return out


#: Rows that are worked on at a time, so that the intermediate values stay in the cache.
STRIP = 64


def scale(image: NDArray, gain: Field) -> None:
    """Multiply every channel of the image (H, W, 3) by the gain (H, W), in place."""
    for y in range(0, len(image), STRIP):
        part, g = image[y : y + STRIP], gain[y : y + STRIP]
        cv2.multiply(part, cv2.merge([g, g, g]), dst=part)


def quad_mask(
    shape: tuple[int, int], corners: NDArray, *, offset: tuple[float, float] = (0, 0)
) -> Field:
    """Area coverage (H, W) 0..1 of a convex quad with corners (4, 2) in clockwise order.

    Each edge is a half-plane; a pixel's coverage is 0.5 + signed distance, which is exact for
    edges along the axes and within 0.02 px of centroid for tilted ones.
    """
    h, w = shape
    x = np.arange(w, dtype=np.float32)[None, :] + np.float32(offset[0])
    y = np.arange(h, dtype=np.float32)[:, None] + np.float32(offset[1])
    c = np.asarray(corners, np.float64)
    out = np.ones(shape, np.float32)
    area = float(sum(c[k][0] * c[(k + 1) % 4][1] - c[(k + 1) % 4][0] * c[k][1] for k in range(4)))
    sign = 1.0 if area > 0 else -1.0
    for k in range(4):
        a, b = c[k], c[(k + 1) % 4]
        length = float(np.hypot(*(b - a)))
        if length < 1e-9:
            continue
        nx, ny = sign * -(b[1] - a[1]) / length, sign * (b[0] - a[0]) / length
        along = np.float32(nx) * (x - np.float32(a[0]))
        down = np.float32(ny) * (y - np.float32(a[1])) + np.float32(0.5)
        for top in range(0, h, STRIP):
            d = along + down[top : top + STRIP]
            np.clip(d, 0, 1, out=d)
            out[top : top + STRIP] *= d
    return out


def mix(base: NDArray, top: NDArray | float, alpha: Field) -> None:
    """base += alpha * (top - base), in place; alpha (H, W) or broadcastable against (H, W)."""
    if base.ndim == 3 and alpha.shape == base.shape[:2] and alpha.size > 4096:
        # one pass in place of four; its guard against 0/0 costs 1e-5 of the value
        full = np.asarray(top, np.float32)
        if full.shape == (3,):
            full = filled(base.shape[:2], full, np.float32)
        elif full.shape != base.shape:
            full = np.broadcast_to(full, base.shape).copy()
        weight = np.asarray(alpha, np.float32)
        base[:] = cv2.blendLinear(full, base, weight, 1 - weight)
        return
    a = alpha[..., None] if base.ndim == 3 and alpha.ndim == 2 else alpha
    base += a * (np.asarray(top, np.float32) - base)


def blur(image: NDArray, sigma: float) -> NDArray:
    """Gaussian blur; wide ones are done on a shrunken copy (error below 1 % of the step)."""
    if sigma < 0.15:
        return image
    if sigma > 6:
        h, w = image.shape[:2]
        f = sigma / 3.0
        small = cv2.resize(
            image, (max(int(w / f), 2), max(int(h / f), 2)), interpolation=cv2.INTER_AREA
        )
        small = cv2.GaussianBlur(small, (0, 0), 2.8, borderType=cv2.BORDER_REPLICATE)
        return cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
    return cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
