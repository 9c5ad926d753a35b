"""How many driver blocks the columns are split into, from where the faults end.

A source driver feeds ``channels / 3`` columns, so ``N = ceil(3 * columns / channels)``
drivers feed a panel and the last one has unused outputs; few of them, or the maker
would have taken another driver. Exact division is the wrong test: 3 * 1366 = 4098
divides by no driver's channel count. Sources of the counts: data sheets of source
drivers (300 to 1446 channels) and the selectable counts named in patents US7586474
and US8847946.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, exp, log, pi

import numpy as np

from panelvision.arrays import FloatArray, IntArray

COLUMNS = (1366, 1920, 3840)
CHANNELS = (
    300, 309, 384, 402, 414, 420, 480, 516, 600, 618, 630, 642, 684, 720, 768, 840, 960,
    966, 1026, 1050, 1152, 1200, 1284, 1368, 1440, 1446,
)  # fmt: skip
# Share of outputs that a maker leaves unused at most: 2 % (the same sources).
MOST_SPARE = 0.02
# chosen: more blocks than this cannot be told in a photo, and sets use fewer.
MOST_DRIVERS = 24
# The left-filled and the centred layout of 1366 columns differ by up to 1.5 columns, so
# an edge cannot be trusted to better than 0.11 % of the width.
_LAYOUT = 1.5 / 1366
# Standard deviation of an evenly likely error of up to that size on either side.
LAYOUT_SIGMA = _LAYOUT / 3**0.5
# chosen: error of the outline's left and right border that no edge shows by itself, when
# the outline does not state its own: 0.3 % of the width.
OUTLINE_SIGMA = 0.003
# chosen: one edge in twenty is not on the grid at all (picture, or a wrong edge).
_STRAY = 0.05
# chosen: an answer needs this much of the posterior.
ANSWER = 0.7


@dataclass(frozen=True)
class DriverGrid:
    """Number of driver blocks across the width.

    Attributes
    ----------
    posterior : dict of int to float
        Probability of each admissible number of blocks; sums to 1; empty without edges.
    drivers : int or None
        The number, or None when the edges do not decide.
    blocks : tuple of int
        Bad blocks, counted from 1 at the left edge; empty when undecided.
    reason : str
        Why it cannot be told, or ``""``.
    """

    posterior: dict[int, float]
    drivers: int | None
    blocks: tuple[int, ...]
    reason: str = ""


@lru_cache(maxsize=8)
def admissible(columns: int) -> dict[int, float]:
    """Possible numbers of drivers for a panel, with the smallest share of unused outputs.

    Dual-gate panels need half of the outputs, so half of the data lines counts as well.

    Parameters
    ----------
    columns : int
        Panel columns (pixels across).
    """
    out: dict[int, float] = {}
    for lines in (3 * columns, ceil(3 * columns / 2)):
        for channels in CHANNELS:
            n = ceil(lines / channels)
            spare = (n * channels - lines) / lines
            if spare <= MOST_SPARE and 2 <= n <= MOST_DRIVERS:
                out[n] = min(spare, out.get(n, 1.0))
    return out


@lru_cache(maxsize=1)
def prior() -> dict[int, float]:
    """Prior probability of each number of drivers over the three column counts.

    chosen: every column count has the same say; within it fewer drivers are likelier
    (each costs money): weight 1 / N.
    """
    total: dict[int, float] = {}
    for columns in COLUMNS:
        options = admissible(columns)
        norm = sum(1 / n for n in options)
        for n in options:
            total[n] = total.get(n, 0.0) + 1 / n / norm / len(COLUMNS)
    return dict(sorted(total.items()))


def driver_grid(
    edges: FloatArray | list[float],
    sigmas: FloatArray | list[float],
    *,
    bands: list[tuple[float, float]] | tuple[tuple[float, float], ...] = (),
    outline_sigma: float = OUTLINE_SIGMA,
) -> DriverGrid:
    """Posterior over the number of driver blocks.

    Each inner edge lies on one of the N - 1 inner borders with equal chance (so a finer
    grid explains every edge but none of them well), with its own normal error and a
    common one: the outline's left and right border may be off, which shifts and
    stretches all positions together. Each band is as likely to be of m blocks as
    0.35 ** (m - 1): one block alone fails more often than neighbours together.

    Parameters
    ----------
    edges : sequence of float
        Fractions of the width; edges at the border (0 or 1) say nothing and are left out.
    sigmas : sequence of float
        Standard errors of the edges, fractions of the width.
    bands : sequence of (start, end), optional
        The bad stretches, for their width in blocks and to name the blocks.
    outline_sigma : float
        Standard error of the outline's left and right border, fraction of the width.

    Raises
    ------
    ValueError
        When there is not one sigma for each edge.
    """
    places = np.asarray(edges, dtype=np.float64)
    errors = np.asarray(sigmas, dtype=np.float64)
    if places.shape != errors.shape:
        raise ValueError(
            f"sigmas: expected {places.size} values, one for each edge, got {errors.size}"
        )
    keep = (places > 0.01) & (places < 0.99) & np.isfinite(places)
    places, errors = places[keep], np.nan_to_num(errors[keep], nan=0.002)
    # Two bands that touch share an edge; it counts once.
    places, first = np.unique(np.round(places, 3), return_index=True)
    errors = errors[first]
    if places.size == 0:
        return DriverGrid({}, None, (), "no edge inside the screen to tell the grid from")
    variance = errors**2 + LAYOUT_SIGMA**2
    fits = _fits(places, variance, outline_sigma, np.array(list(prior())))
    weights = {
        n: log(p) + float(fit) + sum(_blocks_wide(end - start, n) for start, end in bands)
        for (n, p), fit in zip(prior().items(), fits, strict=True)
    }
    top = max(weights.values())
    raw = {n: exp(v - top) for n, v in weights.items()}
    total = sum(raw.values())
    posterior = {n: w / total for n, w in raw.items()}
    best = max(posterior, key=lambda n: posterior[n])
    spread = np.sqrt(variance + outline_sigma**2)
    if np.all(np.abs(places - 0.5) < 3 * spread):
        return DriverGrid(
            posterior, None, (), "an edge at the middle fits every even number of blocks"
        )
    away = np.abs(places - np.round(places * best) / best)
    if posterior[best] < ANSWER or float((away < 3 * spread).mean()) < 0.6:
        return DriverGrid(posterior, None, (), "the edges fit several numbers of blocks")
    bad = sorted({b for start, end in bands for b in blocks_of(start, end, best)})
    return DriverGrid(posterior, best, tuple(bad))


def _fits(
    places: FloatArray, variance: FloatArray, outline_sigma: float, blocks: IntArray
) -> FloatArray:
    """Log likelihood of the edges under grids of ``blocks``; the worst fitting may be strays."""
    k = places.size
    n = blocks[:, None]
    off = places - np.clip(np.round(places * n), 1, n - 1) / n
    shared = outline_sigma**2 * (np.outer(1 - places, 1 - places) + np.outer(places, places))
    best = np.full(len(blocks), k * log(_STRAY))
    # One more edge is left out in each round, the one that fits worst; what is left out stands
    # as a variance of one, by itself and without an error, which adds nothing.
    order = np.argsort(-np.abs(off), axis=1, kind="stable")
    kept = np.ones(off.shape, dtype=bool)
    for left in range(k, 0, -1):
        cov = np.where(kept[:, :, None] & kept[:, None, :], shared + np.diag(variance), 0.0)
        cov[:, range(k), range(k)] += np.where(kept, 0.0, 1 / (2 * pi))
        rest = np.where(kept, off, 0.0)
        solved = np.linalg.solve(cov, rest[..., None])[..., 0]
        value = -0.5 * ((rest * solved).sum(axis=1) + np.linalg.slogdet(2 * pi * cov)[1])
        value += left * (log(1 - _STRAY) - np.log(blocks - 1)) + (k - left) * log(_STRAY)
        best = np.maximum(best, value)
        kept[range(len(blocks)), order[:, k - left]] = False
    return best


def _blocks_wide(width: float, n: int) -> float:
    """Log chance that one bad stretch is as many blocks wide as this."""
    blocks = width * n
    m = max(1, round(blocks))
    return (m - 1) * log(0.35) if abs(blocks - m) < 0.25 else log(0.05)


def blocks_of(start: float, end: float, drivers: int) -> tuple[int, ...]:
    """Blocks (from 1) of which the stretch from ``start`` to ``end`` covers more than half."""
    bad = []
    for k in range(drivers):
        overlap = min(end, (k + 1) / drivers) - max(start, k / drivers)
        if overlap * drivers > 0.5:
            bad.append(k + 1)
    return tuple(bad)


def grid_distance(position: float, *, most: int = MOST_DRIVERS) -> tuple[int, float]:
    """The smallest admissible N whose grid has a border within 0.3 % of a position.

    Returns
    -------
    (N, distance)
        N = 0 and the distance to the nearest border of the grid of 12 when none fits.
    """
    for n in prior():
        if n <= most:
            away = abs(position - round(position * n) / n)
            if away < 0.003 and 0 < round(position * n) < n:
                return n, away
    return 0, abs(position - round(position * 12) / 12)
