"""Block corruption: squares of 8 to 64 panel pixels displaced, frozen, flat or in wild colours.

Blocks are made where video is decoded, so their edges are exactly along the
panel's axes, short, and on a grid that starts at the panel's corner. The
photo's own 8 x 8 grid of JPEG lies along the photo's axes; after square-up it is
neither straight nor periodic, and its steps are small.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.measure.reduced import NAN, inset, whole_codes_of
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

ComplexArray = NDArray[np.complexfloating[Any, Any]]

_BORDER = 0.015
# chosen: a step of 14 codes between neighbours two pixels apart stands clear of JPEG
# quantisation and noise in photos of a lit screen.
_STEP = 14
_COLOUR_STEP = 14
_LENGTHS = (5, 9, 17, 33, 65)  # px of the view; straight runs are sorted into these octaves
_TILES = (12, 8)
# Block sizes of the common coding standards in panel pixels, and panel widths (addressing
# arithmetic in checks): the share of the width that one block takes.
_BLOCKS = (8, 16, 32, 64)
_WIDTHS = (1366, 1920, 3840)
# Straightening errors of the outline stretch the grid by up to about this share (chosen).
_STRETCH = 0.012


@dataclass(frozen=True)
class BlockFindings:
    """Blocks on the panel's grid.

    Attributes
    ----------
    size : float
        Side of a block as a share of the width; NaN when no grid stands out.
    phase_x, phase_y : float
        Offset of the grid from the panel's corner, in blocks, -0.5..0.5; NaN without a grid.
    grid_score : float
        How far both axes' spectra stand out at one common period, geometric mean of the
        peak over the typical power.
    corner_density : float
        Right-angled corners per 1000 pixels of the worst tile.
    share : float
        Share of tiles with many corners in several colours.
    box : tuple of float
        Bounding box (x0, y0, x1, y1) of those tiles, fractions of the active area.
    found : bool
        Corners and grid both say so.
    """

    size: float
    phase_x: float
    phase_y: float
    grid_score: float
    corner_density: float
    share: float
    box: tuple[float, float, float, float]
    found: bool
    values: dict[str, float]


def find_blocks(view: ScreenView) -> BlockFindings:
    """Look for block corruption in a squared-up view at its own width."""
    h, w = view.height, view.width
    use = view.valid & inset((h, w), _BORDER)
    if min(h, w) < 96 or use.mean() < 0.2:
        return _none()
    planes = list(cv2.split(whole_codes_of(view.linear)))
    mask = use.astype(np.uint8)
    vertical, colour_v = _straight_edges(planes, mask)
    horizontal_t, colour_ht = _straight_edges(
        [cv2.transpose(p) for p in planes], cv2.transpose(mask)
    )
    horizontal, colour_h = cv2.transpose(horizontal_t), cv2.transpose(colour_ht)
    runs_v = _run_lengths(vertical)
    runs_h = _run_lengths(horizontal_t)
    kernel = np.ones((5, 5), np.uint8)
    corners = cv2.dilate(vertical, kernel) & cv2.dilate(horizontal, kernel)
    coloured = (vertical & colour_v) | (horizontal & colour_h)
    grid = _grid(vertical, horizontal)
    tiles, box = _tiles(corners, coloured, vertical | horizontal, use)
    seen = cv2.countNonZero(mask)

    def share(marks: IntArray) -> float:
        return cv2.countNonZero(marks & mask) / seen

    straight = share(vertical | horizontal)
    values = {
        "blocks_straight": straight,
        "blocks_colour_share": _ratio(share(coloured), straight),
        "blocks_corner_density": share(corners),
        "blocks_horizontal_share": _ratio(share(horizontal), straight),
        **{f"blocks_run_v_{n}": v for n, v in zip(_LENGTHS, runs_v, strict=True)},
        **{f"blocks_run_h_{n}": v for n, v in zip(_LENGTHS, runs_h, strict=True)},
        "blocks_grid_score": grid[0],
        "blocks_grid_x": grid[1],
        "blocks_grid_y": grid[2],
        "blocks_grid_size": 100 * grid[3],
        "blocks_grid_phase": max(abs(grid[4]), abs(grid[5])),
        **tiles,
    }
    # The larger the blocks, the fewer corners they have in a tile.
    enough = 0.06 * min(1.0, 0.01 / grid[3]) if np.isfinite(grid[3]) else np.inf
    found = bool(
        grid[0] > 8
        and tiles["blocks_tile_corners_high"] > enough
        and values["blocks_colour_share"] > 0.3
    )
    return BlockFindings(
        size=grid[3] if found else NAN,
        phase_x=grid[4] if found else NAN,
        phase_y=grid[5] if found else NAN,
        grid_score=grid[0],
        corner_density=1000 * tiles["blocks_tile_corners_high"],
        share=tiles["blocks_tile_share"],
        box=box,
        found=found,
        values=values,
    )


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 1e-6 else 0.0


def _straight_edges(planes: list[IntArray], mask: IntArray) -> tuple[IntArray, IntArray]:
    """Pixels on straight vertical edges of 5 px or more, and those with coloured steps; uint8."""
    h, w = mask.shape
    high, low = np.zeros((h, w), np.int16), np.zeros((h, w), np.int16)
    r, g, b = (cv2.subtract(p[:, 2:], p[:, :-2], dtype=cv2.CV_16S) for p in planes)
    high[:, 1:-1] = cv2.max(cv2.max(r, g), b)
    low[:, 1:-1] = cv2.min(cv2.min(r, g), b)
    size = cv2.max(high, -low)
    # A colour step changes one channel against another.
    colour = (high - low > _COLOUR_STEP).view(np.uint8)
    middle = size[:, 1:-1]
    ridge = np.zeros((h, w), np.uint8)
    ridge[:, 1:-1] = (middle > _STEP) & (middle >= size[:, :-2]) & (middle > size[:, 2:])
    # A slanted edge moves on by more than the pixel of tolerance within five rows.
    near = cv2.dilate(ridge, np.ones((1, 3), np.uint8))
    full = cv2.erode(near, np.ones((5, 1), np.uint8))
    straight = cv2.dilate(full, np.ones((5, 1), np.uint8)) & ridge & mask
    return straight, colour


def _run_lengths(straight: IntArray) -> tuple[float, ...]:
    """Share of straight vertical edge pixels in runs of each octave of length."""
    near = cv2.dilate(straight, np.ones((1, 3), np.uint8))
    total = cv2.countNonZero(near)
    if total < 50:
        return (0.0,) * len(_LENGTHS)
    left = [
        cv2.countNonZero(cv2.morphologyEx(near, cv2.MORPH_OPEN, np.ones((n, 1), np.uint8)))
        for n in _LENGTHS
    ]
    left.append(0)
    return tuple((a - b) / total for a, b in pairwise(left))


def _tiles(
    corners: IntArray, coloured: IntArray, edges: IntArray, use: BoolArray
) -> tuple[dict[str, float], tuple[float, float, float, float]]:
    size = _TILES

    def per_tile(a: IntArray | BoolArray) -> FloatArray:
        return cv2.resize(a.astype(np.float32), size, interpolation=cv2.INTER_AREA)

    seen = per_tile(use) > 0.5
    c, k, e = per_tile(corners), per_tile(coloured), per_tile(edges)
    both = np.sqrt(c * k)
    if not seen.any():
        seen = np.ones_like(seen)
    rows, columns = np.nonzero((both > 0.08) & seen)
    box = (0.0, 0.0, 1.0, 1.0)
    if rows.size:
        box = (
            float(columns.min() / size[0]),
            float(rows.min() / size[1]),
            float((columns.max() + 1) / size[0]),
            float((rows.max() + 1) / size[1]),
        )
    return {
        "blocks_tile_corners_high": float(quantile(c[seen], 0.95)),
        "blocks_tile_corners_mid": float(median(c[seen])),
        "blocks_tile_colour_high": float(quantile(k[seen], 0.95)),
        "blocks_tile_both_high": float(quantile(both[seen], 0.95)),
        "blocks_tile_both_upper": float(quantile(both[seen], 0.75)),
        "blocks_tile_share": float((both[seen] > 0.08).mean()),
        "blocks_tile_edges_spread": float(e[seen].std() / max(e[seen].mean(), 1e-4)),
    }, box


def _grid(vertical: IntArray, horizontal: IntArray) -> tuple[float, ...]:
    """Score, both axes' prominence, block size (share of width) and phases of the best grid."""
    w, h = vertical.shape[1], vertical.shape[0]
    spectrum_x, level_x = _spectrum(vertical.sum(axis=0).astype(np.float64))
    spectrum_y, level_y = _spectrum(horizontal.sum(axis=1).astype(np.float64))
    best: tuple[float, ...] = (0.0, 0.0, 0.0, NAN, NAN, NAN)
    sizes = sorted({b / n for b in _BLOCKS for n in _WIDTHS})
    for share in sizes:
        period = share * w
        if period < 2.6 or h / period < 8:
            continue
        x, fx, px = _comb(spectrum_x, level_x, period)
        y, fy, py = _comb(spectrum_y, level_y, period)
        # Both axes must agree on the size; a stretch of the outline moves each a little.
        if abs(np.log(fx / fy)) > 2 * _STRETCH:
            continue
        score = float(np.sqrt(x * y))
        if score > best[0]:
            best = (score, x, y, share, px, py)
    return best


def _spectrum(profile: FloatArray) -> tuple[ComplexArray, float]:
    """Spectrum of a profile, and the power that white noise of its variance would have.

    The local mean is taken out and the rest clipped, so that one long line does not rule.
    """
    smooth = cv2.blur(profile.reshape(1, -1), (41, 1)).ravel()
    rest = profile - smooth
    # In a smooth picture most places have no edge at all and say nothing of what is usual.
    edges = np.abs(rest[rest != 0])
    typical = (median(edges) if edges.size else 0.0) + 1e-9
    rest = np.clip(rest, -6 * typical, 6 * typical)
    rest = (rest - rest.mean()) * np.hanning(profile.size)
    return np.fft.fft(rest, _PADDED), float((rest**2).sum())


_PADDED = 1 << 15  # FFT length: steps of 1/34 of the resolution of a 960-pixel profile


def _comb(spectrum: ComplexArray, level: float, period: float) -> tuple[float, float, float]:
    """Prominence, period (px) and phase (-0.5..0.5) of a comb near ``period``."""
    f = 1 / (period * (1 + np.linspace(-_STRETCH, _STRETCH, 49)))
    harmonics = [k for k in (1, 2, 3) if k / period < 0.45]
    bins = np.rint(f * _PADDED).astype(int)
    total = np.zeros(f.size)
    for k in harmonics:
        total += np.abs(spectrum[k * bins]) ** 2
    best = int(np.argmax(total))
    # Edges between pixels j and j+1 show at their middle, which is the block's limit.
    turn = np.angle(spectrum[bins[best]]) - 2 * np.pi * 0.5 * f[best]
    phase = float((-turn / (2 * np.pi) + 0.5) % 1 - 0.5)
    return float(total[best] / (level * len(harmonics) + 1e-9)), float(1 / f[best]), phase


def _none() -> BlockFindings:
    names = [
        "blocks_straight",
        "blocks_colour_share",
        "blocks_corner_density",
        "blocks_horizontal_share",
        *(f"blocks_run_v_{n}" for n in _LENGTHS),
        *(f"blocks_run_h_{n}" for n in _LENGTHS),
        "blocks_grid_score",
        "blocks_grid_x",
        "blocks_grid_y",
        "blocks_grid_size",
        "blocks_grid_phase",
        "blocks_tile_corners_high",
        "blocks_tile_corners_mid",
        "blocks_tile_colour_high",
        "blocks_tile_both_high",
        "blocks_tile_both_upper",
        "blocks_tile_share",
        "blocks_tile_edges_spread",
    ]
    return BlockFindings(
        NAN, NAN, NAN, NAN, NAN, NAN, (0.0, 0.0, 1.0, 1.0), False, dict.fromkeys(names, NAN)
    )
