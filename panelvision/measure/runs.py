"""Stretches along one axis that stand still or go blank, found without looking for edges first.

A band that shows one colour is blank from end to end of the other axis while the picture beside
it is not; a band that latched one line of the picture repeats that line over its whole width.
Both are read from the strips directly, so that they are seen even where an edge is too weak, or
the picture too busy, for a border to be called one.
"""

import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.light import highest
from panelvision.measure.profile import StripProfile
from panelvision.order_statistics import median, quantile

# chosen: what is compared lies this far apart along the axis (share of it): beyond the photo's
# blur, below the width of a band worth the name.
_LAG = 0.008
# chosen: shortest run that counts, share of the axis.
_SHORTEST = 0.008
# chosen: runs that begin or end this close to the border are margins, straps and film bars.
_BORDER = 0.02
# chosen: signal (0..1) by which strips may differ in a blank run, their slow trend apart; JPEG
# and noise of a mean over a strip stay below.
_BLANK = 0.015
# chosen: strips that differ by more than this show a picture.
_SHOWN = 0.05
# chosen: stripes are judged over windows of this share of the axis.
_COMB_WINDOW = 0.03
_COMB = 0.012  # chosen: three code values, root mean square

NAMES = (
    "blank_run",
    "blank_between",
    "blank_contrast",
    "blank_goes_on",
    "blank_runs",
    "still_run",
    "still_spread",
    "still_contrast",
    "comb_share",
    "comb_strength",
)


def run_features(profile: StripProfile) -> dict[str, float]:
    """Blank and still runs of a profile; keys ``{rows|columns}_{name}``, NaN if too few strips see.

    ``blank_run`` and ``still_run`` are lengths as shares of the axis, ``blank_between`` the lesser
    spread (signal, 0..1) of the picture on the two sides of the blank run, ``blank_contrast`` the
    lesser step to them, ``blank_goes_on`` the correlation of the two sides, -1..1,
    ``blank_runs`` how many there are; ``still_spread`` how much the strips differ inside the still
    run, ``still_contrast`` how much the picture moves outside over how much it does inside (log).
    ``comb_share`` is the share of the axis on which fine stripes run through all strips alike,
    ``comb_strength`` the strongest such stripes (signal, root mean square over a window).
    """
    prefix = "columns" if profile.axis == "vertical" else "rows"
    seen = profile.valid.mean(axis=1) > 0.9
    if seen.sum() < 8 or profile.length < 64:
        return {f"{prefix}_{name}": float("nan") for name in NAMES}
    signal = profile.signal[seen]
    rest, spread = _detrended(signal)
    lag = max(3, round(_LAG * profile.length))
    tolerance = max(4 * profile.noise, 0.02)
    step = quantile(highest(np.abs(signal[:, lag:] - signal[:, :-lag])), 0.9, axis=0)
    values = (
        *_blank(signal, rest, spread, lag),
        *_still(step, spread[: len(step)], tolerance, lag, profile.length),
        *_comb(profile),
    )
    return {f"{prefix}_{name}": value for name, value in zip(NAMES, values, strict=True)}


def _detrended(signal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Signal (s, n, 3) less a parabola over the strips, and its largest deviation (n,)."""
    x = np.linspace(-1, 1, signal.shape[0])
    basis = np.linalg.qr(np.stack([np.ones_like(x), x, x * x], axis=1))[0].astype(np.float32)
    flat = signal.reshape(signal.shape[0], -1)
    rest = (flat - basis @ (basis.T @ flat)).reshape(signal.shape)
    return rest, rest.std(axis=0).max(axis=1)


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    """Start and end (exclusive) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _inner(runs: list[tuple[int, int]], n: int) -> list[tuple[int, int]]:
    return [
        (a, b)
        for a, b in runs
        if a > _BORDER * n and b < (1 - _BORDER) * n and b - a > _SHORTEST * n
    ]


def _blank(
    signal: FloatArray, rest: FloatArray, spread: FloatArray, lag: int
) -> tuple[float, float, float, float, float]:
    n = signal.shape[1]
    best, count = (0.0, 0.0, 0.0, 0.0), 0
    for a, b in _inner(_runs(spread < _BLANK), n):
        before, after = a - lag, b - 1 + lag
        if before < 0 or after >= n:
            continue
        between = float(min(spread[before], spread[after]))
        count += between > _SHOWN
        if between <= best[1]:
            continue
        middle = signal[:, a:b].mean(axis=(0, 1))
        contrast = min(
            float(np.abs(median(signal[:, p], axis=0) - middle).max()) for p in (before, after)
        )
        best = ((b - a) / n, between, contrast, _alike(rest[:, before], rest[:, after]))
    return (*best, float(count))


def _alike(a: FloatArray, b: FloatArray) -> float:
    a, b = a.ravel(), b.ravel()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 1e-9 else 0.0


def _comb(profile: StripProfile) -> tuple[float, float]:
    """Every second or third line wrong: stripes finer than picture, alike in all strips."""
    window = max(9, round(_COMB_WINDOW * profile.length))
    kernel = np.ones(window) / window
    inner = slice(window, profile.length - window)

    def windowed(power: FloatArray) -> FloatArray:
        return np.sqrt(np.convolve(power, kernel, mode="same"))[inner]

    shared = windowed((profile.shared_fine**2).max(axis=1))
    each = windowed((profile.fine**2).mean(axis=0).max(axis=1))
    found = (shared > 0.6 * each) & (shared > _COMB)
    return float(found.mean()), float(shared.max(initial=0.0))


def _still(
    step: FloatArray, spread: FloatArray, tolerance: float, lag: int, n: int
) -> tuple[float, float, float]:
    still = (step < tolerance) & (spread > _SHOWN)
    runs = _inner(_runs(still), n)
    if not runs:
        return 0.0, 0.0, 0.0
    a, b = max(runs, key=lambda r: r[1] - r[0])
    outside = np.concatenate([step[: max(a - lag, 0)], step[b + lag :]])
    moves = float(median(outside)) if outside.size else 0.0
    inside = float(median(step[a:b]))
    return (
        (b - a) / n,
        float(median(spread[a:b])),
        float(np.log((moves + 0.01) / (inside + 0.01))),
    )
