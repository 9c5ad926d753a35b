"""Figures of luminance uniformity, each under the name of its own formula.

Five formulas share the word "uniformity" and give five numbers for the same nine
readings, so every figure here carries its formula in its name.
"""

from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.order_statistics import median

# Points of the sampled uniformity: a 3 x 3 grid at 1/6, 1/2, 5/6 of each side. The
# 5-point subset at W/6, W/2, 5W/6 was read in a panel data sheet (see checks); the
# 9-point grid at the same positions is from memory of the display-measurement standard.
NINE_POINTS = (1 / 6, 1 / 2, 5 / 6)


@dataclass(frozen=True)
class Uniformity:
    """Uniformity of sampled luminance.

    Attributes
    ----------
    min_over_max : float
        Lmin / Lmax, 0..1, 1 = even.
    nonuniformity_percent : float
        100 (1 - Lmin / Lmax): sampled vantage-point non-uniformity of the IDMS.
    max_over_min : float
        Lmax / Lmin, as panel data sheets state it.
    tg18_percent : float
        200 (Lmax - Lmin) / (Lmax + Lmin), the form of AAPM TG18.
    range_over_mean_percent : float
        100 (Lmax - Lmin) / mean.
    """

    min_over_max: float
    nonuniformity_percent: float
    max_over_min: float
    tg18_percent: float
    range_over_mean_percent: float


def uniformity(luminances: FloatArray) -> Uniformity | None:
    """Uniformity figures of sampled luminances (any shape, any unit, at least 2 positive values).

    None when fewer than two finite readings are there or the largest is not positive.
    """
    values = np.asarray(luminances, dtype=np.float64).ravel()
    values = values[np.isfinite(values)]
    if values.size < 2 or values.max() <= 0 or values.min() < 0:
        return None
    low, high, mean = float(values.min()), float(values.max()), float(values.mean())
    return Uniformity(
        min_over_max=low / high,
        nonuniformity_percent=100 * (1 - low / high),
        max_over_min=high / low if low > 0 else float("inf"),
        tg18_percent=200 * (high - low) / (high + low),
        range_over_mean_percent=100 * (high - low) / mean,
    )


def nine_points(luminance: FloatArray, *, patch: float = 0.05) -> FloatArray:
    """Median luminance around the nine points of a (h, w) map, as a (3, 3) array.

    ``patch`` is the side of the square patch as a fraction of the height (chosen: wide
    enough to average noise, small beside the distance of the points). NaN pixels are
    left out; a patch of NaN only gives NaN.
    """
    h, w = luminance.shape
    half = max(1, round(patch * h / 2))
    out = np.full((3, 3), np.nan)
    for i, fy in enumerate(NINE_POINTS):
        for j, fx in enumerate(NINE_POINTS):
            y, x = round(fy * h - 0.5), round(fx * w - 0.5)
            tile = luminance[max(0, y - half) : y + half + 1, max(0, x - half) : x + half + 1]
            tile = tile[np.isfinite(tile)]
            if tile.size:
                out[i, j] = median(tile)
    return out


def semu(contrast_percent: float, area_mm2: float) -> float:
    """Visibility of a mura spot in SEMU, SEMI D31-1102: |C| / (1.97 / S^0.33 + 0.72).

    Parameters
    ----------
    contrast_percent : float
        Contrast of the spot against its background, in per cent.
    area_mm2 : float
        Area of the spot in square millimetres, > 0.

    Raises
    ------
    ValueError
        If the area is not positive.

    Warnings
    --------
    The formula was fitted to mid-grey spots on a lit panel of 50 +- 10 cd/m2 in a dark
    room, 8 to 30 inch, seen from 500 mm. It says nothing about a torch-lit dark screen,
    about lines under 0.3 mm, about black, white or coloured backgrounds, nor, by its
    scope, about larger sets. Use :func:`semu_applies` before quoting it.
    """
    if not area_mm2 > 0:
        raise ValueError(f"area_mm2: expected a positive area, got {area_mm2}")
    return abs(contrast_percent) / (1.97 / area_mm2**0.33 + 0.72)


def semu_applies(
    *, diagonal_inch: float, background_cd_m2: float, lit: bool, neutral_grey: bool
) -> bool:
    """Whether a reading lies within the scope of SEMI D31 (see :func:`semu`)."""
    return lit and neutral_grey and 8 <= diagonal_inch <= 30 and 40 <= background_cd_m2 <= 60
