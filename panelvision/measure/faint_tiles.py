"""Local statistics on a grid of tiles: where on the glass does it look like a panel's picture?

A photo of a dark screen is mostly noise with dirt here and reflections there; a picture may
fill the screen or a corner. So the evidence is gathered tile by tile and only then pooled.
"""

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.order_statistics import median, quantile

CELL = 16  # px of the 480-column view; a tile is 2 x 2 cells, tiles overlap by half
LEVELS = 3
_KNEE = 4.0  # noise units; chosen, see compressed
_CHANNELS = ("light", "redgreen", "blueyellow")
_FLOOR = 1e-3


def _names() -> tuple[str, ...]:
    names = []
    for level in range(LEVELS):
        for c in _CHANNELS:
            names += [
                f"{c}{level}_power",
                f"{c}{level}_steps_x",
                f"{c}{level}_steps_y",
                f"{c}{level}_long_x",
                f"{c}{level}_long_y",
                f"{c}{level}_axis",
                f"{c}{level}_slant",
                f"{c}{level}_skew",
                f"{c}{level}_peak",
            ]
        names += [
            f"light_redgreen{level}",
            f"light_blueyellow{level}",
            f"redgreen_blueyellow{level}",
        ]
    return tuple(names)


TILE_STATISTICS = _names()
# What a scorer sees of a tile, in order: see tile_inputs.
TILE_INPUTS = (*TILE_STATISTICS, *(f"{name}_over_quiet" for name in TILE_STATISTICS))


def compressed(white: FloatArray) -> FloatArray:
    """A residual in units of its noise, which counts by its logarithm where it is large.

    A speck of dust must not outvote a tile, but where the phone has smoothed the noise away the
    steps within a picture are many times the noise that is left, and must not be cut off.
    """
    knee = np.float32(_KNEE)
    return knee * np.arcsinh(white / knee)


def tile_statistics(white: FloatArray, use: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Statistics of overlapping tiles.

    Parameters
    ----------
    white : ndarray of shape (h, w, 3), float32
        Light, red-green and blue-yellow residuals in units of local noise; 0 outside ``use``.
    use : ndarray of shape (h, w), bool

    Returns
    -------
    statistics : ndarray of shape (rows, columns, len(TILE_STATISTICS)), float32
        Powers as log10 in noise units, correlations and skews as they are.
    share : ndarray of shape (rows, columns)
        Share of each tile that could be measured, 0..1.
    """
    h, w = use.shape
    grid = (max(2, w // CELL), max(2, h // CELL))
    inner = cv2.erode(use.astype(np.uint8), np.ones((5, 5), np.uint8))
    field = compressed(white)
    mask = inner.astype(np.float32)
    share = pool_cells(cv2.resize(mask, grid, interpolation=cv2.INTER_AREA))
    columns: list[FloatArray] = []
    for level in range(LEVELS):
        if level:
            half = (max(8, field.shape[1] // 2), max(8, field.shape[0] // 2))
            # Averaging two by two halves white noise; doubling keeps its unit.
            field = cv2.resize(field, half, interpolation=cv2.INTER_AREA) * 2
            mask = (cv2.resize(mask, half, interpolation=cv2.INTER_AREA) > 0.99).astype(np.float32)
        columns += _level(field, mask, grid)
    return np.stack(columns, axis=-1).astype(np.float32), share


def pool_cells(cells: FloatArray) -> FloatArray:
    """Means over 2 x 2 cells, overlapping by one."""
    return (cells[:-1, :-1] + cells[1:, :-1] + cells[:-1, 1:] + cells[1:, 1:]) / 4


def _level(field: FloatArray, mask: FloatArray, grid: tuple[int, int]) -> list[FloatArray]:
    soft = cv2.GaussianBlur(field, (0, 0), 0.7)
    weight = pool_cells(cv2.resize(mask, grid, interpolation=cv2.INTER_AREA))
    weight = np.maximum(weight, 1e-3)

    def mean(values: FloatArray) -> FloatArray:
        v = values * (mask if values.ndim == 2 else mask[..., None])
        pooled = pool_cells(cv2.resize(v, grid, interpolation=cv2.INTER_AREA))
        return pooled / (weight if pooled.ndim == 2 else weight[..., None])

    # Away from the tile's own mean: what is left of the torch light must not count.
    band = soft - cv2.GaussianBlur(field, (0, 0), 5.0)
    gx = cv2.filter2D(soft, -1, np.array([[-0.5, 0, 0.5]], np.float32))
    gy = cv2.filter2D(soft, -1, np.array([[-0.5], [0], [0.5]], np.float32))
    long = 13
    long_x = cv2.blur(gy, (long, 1))
    long_y = cv2.blur(gx, (1, long))
    power = mean(band * band)
    steps_x, steps_y = mean(gx * gx), mean(gy * gy)
    cross = mean(gx * gy)
    lx, ly = mean(long_x * long_x), mean(long_y * long_y)
    skew = mean(band * band * band)
    peak = mean(np.square(np.square(band)))
    pairs = [mean(band[..., a] * band[..., b]) for a, b in ((0, 1), (0, 2), (1, 2))]
    out: list[FloatArray] = []
    for c in range(3):
        p = power[..., c] + _FLOOR
        jx, jy = steps_x[..., c] + _FLOOR, steps_y[..., c] + _FLOOR
        out += [
            np.log10(p),
            np.log10(jx),
            np.log10(jy),
            np.log10(lx[..., c] + _FLOOR / 4),
            np.log10(ly[..., c] + _FLOOR / 4),
            (jx - jy) / (jx + jy),
            np.abs(cross[..., c]) * 2 / (jx + jy),
            skew[..., c] / p**1.5,
            np.log10((peak[..., c] + _FLOOR**2) / p**2),
        ]
    out += [
        pairs[k] / np.sqrt((power[..., a] + _FLOOR) * (power[..., b] + _FLOOR))
        for k, (a, b) in enumerate(((0, 1), (0, 2), (1, 2)))
    ]
    return out


def tile_inputs(statistics: FloatArray, share: FloatArray) -> FloatArray:
    """What the tile scorer sees of each tile: its statistics, and how they exceed the quiet tiles.

    Numbers of the photo as a whole are left out on purpose: a scorer that sees them learns
    photos instead of tiles.

    Parameters
    ----------
    statistics, share : as :func:`tile_statistics` returns them

    Returns
    -------
    ndarray of shape (rows * columns, 2 n), float32
    """
    flat = np.nan_to_num(statistics.reshape(-1, statistics.shape[-1]))
    good = share.ravel() > 0.6
    quiet = quantile(flat[good], 0.25, axis=0) if good.sum() > 4 else median(flat, axis=0)
    return np.hstack([flat, flat - quiet]).astype(np.float32)
