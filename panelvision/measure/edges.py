"""Spread of edges in photo pixels: defocus and motion blur without a threshold in code values.

Method: the gradient at an edge is compared with the gradient after a further
known blur (S. Zhuo and T. Sim, "Defocus map estimation from a single image",
Pattern Recognition 44, 2011). For a step of any height, blurred to s, the ratio
of the two is sqrt((s^2 + s0^2) / s^2). Unlike the variance of the Laplacian this
does not change with contrast, and noise only sets which edges are usable.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import erf

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.reduced import NAN, noise_sigma
from panelvision.order_statistics import median, quantile

_PRE = 0.8  # px; smoothing before the derivative, subtracted again in quadrature (chosen)
# A central difference averages the slope over 2 px: variance 4 / 12, subtracted as well.
_DIFFERENCE = 1 / 3
_EXTRA = 1.5  # px; the further blur s0 (chosen: larger ones reach neighbouring edges)
_DIRECTIONS = 8
# chosen: the sharpest third of the edges shows the camera; softer ones may be picture.
_SHARPEST = 0.35
_FEWEST = 12


@dataclass(frozen=True)
class EdgeSpread:
    """Spread of the sharpest edges.

    Attributes
    ----------
    sigma_px : float
        Standard deviation of the line spread in photo pixels, along the sharpest
        direction: the focus. NaN without usable edges.
    motion_px : float
        Length of a uniform motion that explains the difference between directions,
        in photo pixels; NaN when edges of one direction only are there.
    motion_deg : float
        Direction of that motion, 0 = along the photo's rows, 0..180.
    edges : int
        Edge points used.
    strength : float
        Median gradient of the used edges over its own noise.
    """

    sigma_px: float
    motion_px: float
    motion_deg: float
    edges: int
    strength: float


NO_EDGES = EdgeSpread(NAN, NAN, NAN, 0, NAN)


def edge_points(grey: FloatArray, noise: float | None = None) -> FloatArray:
    """Usable edge points of a grey tile: (n, 3) with sigma (px), direction (deg), gradient / noise.

    The direction is the gradient's, 0..180, 0 = across a vertical edge. ``noise``: the tile's, by
    :func:`panelvision.measure.reduced.noise_sigma`, where it is known already.
    """
    if min(grey.shape) < 24:
        return np.empty((0, 3))
    noise = max(noise_sigma(grey) if noise is None else noise, 0.3)
    soft = cv2.GaussianBlur(grey, (0, 0), _PRE)
    softer = cv2.GaussianBlur(soft, (0, 0), _EXTRA)
    gx, gy = _central(soft)
    hx, hy = _central(softer)
    g, h = cv2.magnitude(gx, gy), cv2.magnitude(hx, hy)
    # Noise of a central difference after a Gaussian of p px: sigma / (sqrt(8 pi) p^2).
    gradient_noise = noise / (np.sqrt(8 * np.pi) * _PRE**2)
    ridge = _is_ridge(g, gx, gy)
    usable = ridge & (g > 8 * gradient_noise) & (h > 0)
    margin = 6
    usable[:margin], usable[-margin:], usable[:, :margin], usable[:, -margin:] = (False,) * 4
    if not usable.any():
        return np.empty((0, 3))
    strong = usable & (g > 0.25 * quantile(g[usable], 0.95))
    ratio = g[strong] / h[strong]
    spread2 = _EXTRA**2 / np.maximum(ratio**2 - 1, 1e-3) - _PRE**2 - _DIFFERENCE
    direction = np.degrees(np.arctan2(gy[strong], gx[strong])) % 180
    # ratio above that of a perfect step means a thin line or a double edge, not a step.
    sharpest = _PRE**2 + _DIFFERENCE
    fits = ratio < np.sqrt((sharpest + _EXTRA**2) / sharpest) * 1.05
    sigma = np.sqrt(np.maximum(spread2, 0.01))
    return np.column_stack([sigma, direction, g[strong] / gradient_noise])[fits]


def _central(image: FloatArray) -> tuple[FloatArray, FloatArray]:
    kernel = np.array([[-0.5, 0, 0.5]], np.float32)
    return cv2.filter2D(image, cv2.CV_32F, kernel), cv2.filter2D(image, cv2.CV_32F, kernel.T)


def _is_ridge(g: FloatArray, gx: FloatArray, gy: FloatArray) -> BoolArray:
    """Gradient maxima across the edge (to the nearer of the two axes); none at the border."""
    ridge = np.zeros(g.shape, dtype=bool)
    inner = g[1:-1, 1:-1]
    level = (inner >= g[1:-1, :-2]) & (inner > g[1:-1, 2:])
    upright = (inner >= g[:-2, 1:-1]) & (inner > g[2:, 1:-1])
    across = np.abs(gx) >= np.abs(gy)
    ridge[1:-1, 1:-1] = np.where(across[1:-1, 1:-1], level, upright)
    return ridge


def spread_of(points: FloatArray) -> EdgeSpread:
    """Focus and motion from edge points of :func:`edge_points` (sigma already in photo px)."""
    if len(points) < _FEWEST:
        return NO_EDGES
    width = 180 / _DIRECTIONS
    bins = np.floor(((points[:, 1] + width / 2) % 180) / width).astype(int)
    sigma, angle = [], []
    for b in range(_DIRECTIONS):
        inside = points[bins == b, 0]
        if inside.size >= _FEWEST:
            sigma.append(float(quantile(inside, _SHARPEST)))
            angle.append(b * width)
    strength = float(median(points[:, 2]))
    if not sigma:
        focus = float(quantile(points[:, 0], _SHARPEST))
        return EdgeSpread(focus, NAN, NAN, len(points), strength)
    low, high = int(np.argmin(sigma)), int(np.argmax(sigma))
    apart = abs((angle[high] - angle[low] + 90) % 180 - 90)
    if len(sigma) < 2 or apart < 30:
        return EdgeSpread(sigma[low], NAN, NAN, len(points), strength)
    motion = _motion(sigma[low], sigma[high])
    return EdgeSpread(sigma[low], motion, angle[high], len(points), strength)


def _motion(focus: float, along: float) -> float:
    """Length of a uniform motion that makes an edge of spread ``focus`` look like ``along``.

    A uniform motion over L blurs by a box: the slope at the edge is erf(L / (2 sqrt 2 s)) / L
    for a focus s. The ratio of slopes before and after the further blur, from which ``along``
    was had as if the blur were Gaussian, is inverted for L.
    """
    s1 = np.sqrt(focus**2 + _PRE**2 + _DIFFERENCE)
    s2 = np.hypot(s1, _EXTRA)
    lengths = np.linspace(0.05, 20, 400) * s1
    ratio = erf(lengths / (2 * np.sqrt(2) * s1)) / erf(lengths / (2 * np.sqrt(2) * s2))
    seen = np.sqrt(1 + _EXTRA**2 / (along**2 + _PRE**2 + _DIFFERENCE))
    return float(np.interp(-seen, -ratio, lengths, left=0.0))
