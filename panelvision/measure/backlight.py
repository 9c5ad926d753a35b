"""The backlight's map, whatever the picture: smooth gain separated from content in log light.

Light = backlight x picture, so their logarithms add. The backlight changes slowly
and leaves the ratios of the colours alone; a picture's edges are steep or change
colour. Gradients of the second kind are given no weight, the rest are put together
again by least squares (a weighted Poisson problem): the steps of the picture vanish,
the slopes of the light remain. A grey ramp in the picture cannot be told from a
slope of the light; measures downstream must not take a lone linear slope for a fault.
"""

from functools import lru_cache

import cv2
import numpy as np
import scipy.sparse as sp
from scipy.linalg import solveh_banded

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.reduced import Reduced, largest
from panelvision.order_statistics import median

WIDTH = 64  # columns of the map: 1.6 % of the width, no coarser than a diffuser's edge
_FLOOR = 1.5e-3  # chosen: linear light of about code 5; darker picture carries no gain
# chosen: linear light above which a cell's channel is taken as clipped (code 245; the mean of
# a cell with some noise stays below the end itself).
_FULL = 0.91
# chosen: slope of log light per cell beyond which it is picture. A zone at a quarter of its
# light with a Gaussian edge of 3 % (sigma) slopes 1.39 / (1.9 sqrt(2 pi)) = 0.29.
_STEEP = 0.42
# A soft edge spans several cells, so its slope is close to its neighbours'; a step of the
# picture stands alone. From this ratio on, a slope loses its weight (chosen).
_ALONE = 1.4
_QUIET = 0.05  # slopes below this are believed whatever their neighbours do (chosen)
_STEEP_COLOUR = 0.045  # the same for the logarithm of colour ratios
_TIE = 0.01  # weight of "no slope" where the picture says nothing (chosen)
_BEND = 0.05  # weight against bending there (chosen)


def upper_light(
    reduced: Reduced, width: int = WIDTH
) -> tuple[FloatArray, FloatArray, BoolArray, FloatArray]:
    """Cells of the picture's brighter parts.

    Returns
    -------
    log_light : ndarray (h, width), ln of the largest channel in the cell's brighter part
    ratios : ndarray (h, width, 2), ln(R/G) and ln(B/G) there
    valid : ndarray (h, width), bool
    logs : ndarray (h, width, 3), ln of each channel there, NaN where it is at the sensor's end
    """
    light = reduced.light
    h = max(4, round(light.shape[0] * width / light.shape[1]))
    size = (min(width, light.shape[1]), min(h, light.shape[0]))
    # Dilation picks paper instead of print; it acts alike on all channels, roughly.
    factor = max(1, round(light.shape[1] / size[0]))
    kernel = np.ones((factor + 1, factor + 1), np.uint8)
    bright = cv2.dilate(light, kernel)
    cell = cv2.resize(bright, size, interpolation=cv2.INTER_AREA)
    valid = cv2.resize(reduced.valid.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.9
    logs = np.log(cell + _FLOOR)
    ratios = np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)
    free = np.where(cell > _FULL, np.nan, logs)
    return np.log(largest(cell) + _FLOOR), ratios, valid, free


def backlight_map(
    log_light: FloatArray, ratios: FloatArray, valid: BoolArray, logs: FloatArray
) -> tuple[FloatArray, float]:
    """Separate the smooth gain from the picture.

    Parameters are those of :func:`upper_light`.

    Returns
    -------
    gain : ndarray of shape (h, w)
        ln of the backlight's gain, median 0.
    support : float
        Share of the neighbour pairs whose slope was believed, 0..1: how much of the map
        rests on light rather than on the assumption that it does not change.
    """
    # Where the picture is nearly black the gain cannot be seen.
    seen = np.where(valid, np.clip(np.exp(log_light) / (6 * _FLOOR) - 0.3, 0, 1), 0)
    sides, weights = [], []
    for axis in (0, 1):
        g, burnt, c_free = _slopes(log_light, logs, axis)
        c = np.abs(np.diff(ratios, axis=axis)).max(axis=2)
        # A clipped channel changes the colour where the light alone changes.
        c = np.where(burnt, c_free, c)
        both = np.minimum(*(_halves(seen, axis)))
        trust = both * np.exp(-((g / _STEEP) ** 4)) * np.exp(-((c / _STEEP_COLOUR) ** 2))
        trust *= np.exp(-((np.maximum(_standing_alone(g, axis) - _ALONE, 0) / 0.5) ** 2))
        # A pair without trust is tied to "no slope".
        sides.append(g * trust)
        weights.append(trust + _TIE)
    gain = _put_together(weights[0], weights[1], sides[0], sides[1])
    believed = float(np.mean(np.concatenate([w.ravel() for w in weights]) - _TIE))
    return (gain - median(gain)).astype(np.float32), believed


def _put_together(
    weight_y: FloatArray, weight_x: FloatArray, side_y: FloatArray, side_x: FloatArray
) -> FloatArray:
    """The map (h, w) whose steps agree best with what neighbours say, bending little.

    Parameters
    ----------
    weight_y, side_y : ndarray of shape (h - 1, w)
        Weight of each step downwards, and the step times its weight.
    weight_x, side_x : ndarray of shape (h, w - 1)
        The same to the right.
    """
    h, w = weight_x.shape[0], weight_y.shape[1]
    if h > w:  # the band of the system is as wide as the side along which cells are numbered
        return _put_together(weight_x.T, weight_y.T, side_x.T, side_y.T).T
    right, diagonal = np.zeros((h, w)), np.zeros((h, w))
    below, beside = np.zeros((h, w)), np.zeros((h, w))
    for first, second, weight, side, off in (
        (np.s_[:-1], np.s_[1:], weight_y, side_y, below),
        (np.s_[:, :-1], np.s_[:, 1:], weight_x, side_x, beside),
    ):
        right[first] -= side
        right[second] += side
        diagonal[first] += weight
        diagonal[second] += weight
        off[first] = -weight
    system = _BEND * _bending(h, w)
    system[0] += diagonal.T.ravel() + 1e-6
    system[1] += below.T.ravel()
    system[h] += beside.T.ravel()
    solved: FloatArray = solveh_banded(system, right.T.ravel(), lower=True, check_finite=False)
    return solved.reshape(w, h).T


@lru_cache(maxsize=16)
def _bending(h: int, w: int) -> FloatArray:
    """Square of the grid's Laplacian with free borders, as the lower bands of its matrix.

    Cells are numbered down the columns; entry [k, j] is the matrix's at row j + k, column j.
    """

    def differences(n: int) -> sp.csr_matrix:
        return sp.diags([-1.0, 1.0], [0, 1], shape=(n - 1, n), format="csr")

    down = sp.kron(sp.identity(w), differences(h).T @ differences(h))
    across = sp.kron(differences(w).T @ differences(w), sp.identity(h))
    laplacian = (down + across).tocsr()
    square = (laplacian @ laplacian).tocoo()
    bands = np.zeros((2 * h + 1, h * w))
    lower = square.row >= square.col
    row, column = square.row[lower], square.col[lower]
    bands[row - column, column] = square.data[lower]
    return bands


def _slopes(
    log_light: FloatArray, logs: FloatArray, axis: int
) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Slope of log light along ``axis``, where a clipped channel was passed over, colour there.

    Where the brightest channel is clipped, the next one that is not and that is well lit
    at both ends tells the slope, and a third one whether the colour changes with it.
    """
    steps = np.diff(logs, axis=axis)
    first, second = _halves(logs, axis)
    level = np.minimum(first, second)
    usable = np.isfinite(level) & (level > np.log(10 * _FLOOR))
    level = np.where(usable, level, -np.inf)
    order = np.argsort(-level, axis=2)
    ranked = np.take_along_axis(np.nan_to_num(steps), order, axis=2)
    burnt: BoolArray = np.any(~np.isfinite(first) | ~np.isfinite(second), axis=2)
    plain = np.diff(log_light, axis=axis)
    slope = np.where(burnt & usable.any(axis=2), ranked[..., 0], plain)
    # With one channel left nothing is known of the colour: half belief.
    two = usable.sum(axis=2) >= 2
    colour = np.where(two, np.abs(ranked[..., 0] - ranked[..., 1]), 0.8 * _STEEP_COLOUR)
    # With none left nothing is known of the light either: no belief.
    colour[burnt & ~usable.any(axis=2)] = np.inf
    return slope, burnt, colour


def _standing_alone(g: FloatArray, axis: int) -> FloatArray:
    """Each slope over the steeper of its two neighbours along ``axis``, both of its sign."""
    padded = np.concatenate([np.take(g, [0], axis), g, np.take(g, [-1], axis)], axis=axis)
    before, after = (
        np.take(padded, range(g.shape[axis]), axis),
        np.take(padded, range(2, g.shape[axis] + 2), axis),
    )
    sign = np.sign(g)
    # At the border the padding makes a slope its own neighbour, which keeps it.
    beside = np.maximum(np.maximum(sign * before, sign * after), 0)
    return np.where(np.abs(g) < _QUIET, 0, np.abs(g) / np.maximum(beside, _QUIET / 2))


def _halves(a: FloatArray, axis: int) -> tuple[FloatArray, FloatArray]:
    return (a[:-1], a[1:]) if axis == 0 else (a[:, :-1], a[:, 1:])


def upper_surface(gain: FloatArray, *, rounds: int = 8) -> FloatArray:
    """Quadratic surface over the healthy part of a gain map: vignetting and viewing angle.

    Asymmetric least squares: points well below the surface (dim zones) lose their weight.
    """
    h, w = gain.shape
    y, x = np.meshgrid(np.linspace(-1, 1, h), np.linspace(-1, 1, w), indexing="ij")
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 6)
    target = gain.ravel().astype(np.float64)
    weight = np.ones_like(target)
    for _ in range(rounds):
        a = basis * weight[:, None]
        # Ridge on the bends: a zone's edge must not be explained by a strong curvature.
        ridge = np.diag([0, 0.02, 0.02, 0.05, 0.05, 0.05]) * weight.sum()
        solution = np.linalg.solve(a.T @ basis + ridge, a.T @ target)
        rest = target - basis @ solution
        weight = np.where(rest < 0, np.exp(-((rest / 0.12) ** 2)), np.exp(-((rest / 0.3) ** 2)))
        weight = np.maximum(weight, 1e-3)
    return (basis @ solution).reshape(h, w).astype(np.float32)
