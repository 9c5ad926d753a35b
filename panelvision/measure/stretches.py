"""Every stretch between two full-length edges, described by numbers: what it shows, how it is
bounded, and how it differs from what lies beside it.

A fault of a half, of a driver block or of a block of rows is one of these stretches; most of
them are picture. :mod:`panelvision.measure.bands` weighs them. All sums run over prefix sums
of the strips, so that a hundred stretches cost little more than one.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.measure.driver_grid import prior
from panelvision.measure.profile import StripProfile
from panelvision.measure.regions import beside
from panelvision.measure.segments import (
    BORDER,
    LEAST_BAND,
    STRONG_SUPPORT,
    WIDEST,
    noise_bounds,
)
from panelvision.measure.steps import Edge
from panelvision.order_statistics import median

# chosen: the best edges, in support and contrast; more of them are the picture's own.
MOST_EDGES = 13
# chosen: how far a split may lie from the middle and still be the middle: the outline's
# error of 0.5 % of the diagonal is 0.6 % of the width.
MIDDLE = 0.012
# Pixels left out on either side of an edge: its blur.
_GUARD = 3
# chosen: width of the blocks whose means make the texture, in positions.
_BLOCK = 4
# chosen: veil of a dim room on a dark screen; noise of near-black is no texture.
_VEIL = 0.05
# chosen: what lies beside a stretch is looked at over the stretch's width, within these limits.
_BESIDE = (0.04, 0.2)
# chosen: floors below which differences are noise, in the units of each measure.
_FLOORS = {
    "texture": 0.004,
    "along": 0.004,
    "across": 0.004,
    "variation": 0.004,
    "flatness": 0.003,
}

NAMES = (
    "width",
    "log_width",
    "at_start",
    "at_end",
    "half",
    "support_least",
    "support_most",
    "contrast_least",
    "contrast_most",
    "agreement_least",
    "agreement_most",
    "blur",
    "reaches",
    "tilt_apart",
    *(f"in_{n}" for n in _FLOORS),
    *(f"beside_{n}" for n in _FLOORS),
    *(f"rest_{n}" for n in _FLOORS),
    "stripes",
    "stripes_common",
    "goes_on",
    "same_inside",
    "drawn_out",
    "interruption",
    "before_shows",
    "after_shows",
    "jump_least",
    "jump_most",
    "sides_apart",
    "level",
    "saturation",
    "lowest",
    "highest",
    "level_over_rest",
    "texture_apart_blank",
    "texture_apart_busy",
    "level_apart",
    "edges_inside",
    "edges_outside",
    "mirror_edge",
    "mirror_colour",
    "grid",
    "noise_stretch",
    "all_edges",
    "all_texture",
    "all_level",
    "all_noise",
)


@dataclass(frozen=True)
class Stretches:
    """Candidates along one axis.

    Attributes
    ----------
    bounds : tuple of Edge or None
        The edges in order; None stands at either end for the active area's border.
    first, last : ndarray of shape (m,), int
        Places in ``bounds`` of each stretch's two edges.
    noise : ndarray of shape (m,), bool
        The stretch is filled with fine stripes of its own.
    numbers : ndarray of shape (m, len(NAMES))
        NaN where something cannot be said.
    """

    bounds: tuple[Edge | None, ...]
    first: IntArray
    last: IntArray
    noise: BoolArray
    numbers: FloatArray

    def __len__(self) -> int:
        return len(self.first)

    def span(self, i: int) -> tuple[float, float]:
        """Start and end of stretch ``i``, fractions of the active area."""
        a, b = self.bounds[self.first[i]], self.bounds[self.last[i]]
        return (a.position if a else 0.0), (b.position if b else 1.0)

    def column(self, name: str) -> FloatArray:
        """One of the numbers for all stretches."""
        return self.numbers[:, NAMES.index(name)]


def stretches_of(profile: StripProfile, edges: tuple[Edge, ...]) -> Stretches:
    """Describe every stretch between two of the best edges, no wider than a half.

    Parameters
    ----------
    profile : StripProfile
    edges : tuple of Edge
        Full-length edges that are no flanks of lines.
    """
    bounds, noisy = _bounds(profile, edges)
    places = np.array([0.0, *(e.position for e in bounds[1:-1] if e), 1.0])
    pairs = [
        (i, j)
        for i, j in combinations(range(len(bounds)), 2)
        if LEAST_BAND <= places[j] - places[i] <= WIDEST
    ]
    if not pairs or profile.strips < 8 or profile.length < 60:
        empty = np.zeros(0, dtype=int)
        return Stretches(bounds, empty, empty, empty.astype(bool), np.zeros((0, len(NAMES))))
    first, last = np.array(pairs).T
    noise = np.array(
        [
            any(lo - 0.004 <= a and b <= hi + 0.004 for lo, hi in noisy)
            for a, b in zip(places[first], places[last], strict=True)
        ]
    )
    numbers = _numbers(profile, bounds, places, first, last, noise, len(edges))
    return Stretches(bounds, first, last, noise, numbers)


def _bounds(
    profile: StripProfile, edges: tuple[Edge, ...]
) -> tuple[tuple[Edge | None, ...], list[tuple[float, float]]]:
    """The edges to cut at, and the stretches of noise between some of them."""
    n = profile.length
    inner = [e for e in edges if BORDER < e.position < 1 - BORDER]
    noisy = noise_bounds(profile, edges)
    for left, right in noisy:
        inner = [
            e for e in inner if not left.position - 2 / n < e.position < right.position + 2 / n
        ]
    inner.sort(key=lambda e: -e.support * min(e.contrast, 0.3) ** 0.5)
    kept = inner[:MOST_EDGES]
    kept += [e for pair in noisy for e in pair if BORDER < e.position < 1 - BORDER]
    kept.sort(key=lambda e: e.position)
    # What reaches the border is found to end half a window before it.
    reach = [
        (
            0.0 if a.position <= BORDER else a.position,
            1.0 if b.position >= 1 - BORDER else b.position,
        )
        for a, b in noisy
    ]
    return (None, *kept, None), reach


class _Sums:
    """Prefix sums of a profile, from which any stretch's measures follow."""

    def __init__(self, profile: StripProfile) -> None:
        # The end strips hold the panel's border; they have no say on what is shown.
        rows = np.zeros(profile.strips, dtype=bool)
        rows[1:-1] = profile.valid[1:-1].mean(axis=1) > 0.5
        if rows.sum() < 6:
            rows[1:-1] = True
        signal = profile.signal[rows].astype(np.float64)
        s, n, _ = signal.shape
        self.n = n
        self.signal = _prefix(signal)
        self.square = _prefix((signal**2).mean(axis=0)[None])[0]
        self.along = _prefix(profile.along[rows].mean(axis=0)[None])[0]
        self.across = _prefix(profile.across[rows].mean(axis=0)[None])[0]
        self.shared = _prefix((profile.shared_fine**2).sum(axis=1)[None])[0]
        self.fine = _prefix((profile.fine[rows] ** 2).sum(axis=2).mean(axis=0)[None])[0]
        blocks = n // _BLOCK
        mean = signal[:, : blocks * _BLOCK].reshape(s, blocks, _BLOCK, 3).mean(axis=2)
        log = np.log(np.maximum(mean, 0) + _VEIL)
        self.blocks = blocks
        self.log = _prefix(log)
        self.log_square = _prefix((log**2).mean(axis=0)[None])[0]
        self.log_shared = _prefix((log.mean(axis=0) ** 2)[None])[0]
        t = np.linspace(-1, 1, s)
        self.trend = np.linalg.qr(np.stack([np.ones_like(t), t, t * t], axis=1))[0]

    def measure(self, start: FloatArray, end: FloatArray) -> dict[str, FloatArray]:
        """Measures of the stretches from ``start`` to ``end``; NaN where too narrow."""
        n = self.n
        guard = np.minimum(_GUARD, np.maximum(1, ((end - start) * n / 6).astype(int)))
        lo = np.clip(np.rint(start * n).astype(int) + guard, 0, n)
        hi = np.clip(np.rint(end * n).astype(int) - guard, 0, n)
        ok = hi - lo >= 3
        hi = np.maximum(hi, lo + 1)
        hi, lo = np.minimum(hi, n), np.minimum(lo, n - 1)
        width = (hi - lo).astype(np.float64)
        rows = (self.signal[:, hi] - self.signal[:, lo]) / width[:, None]
        colour = median(rows, axis=0)
        flat = rows.transpose(1, 0, 2)
        rest = flat - self.trend @ (self.trend.T @ flat)
        inside = (self.square[hi] - self.square[lo]) / width[:, None] - (rows**2).mean(axis=0)
        out = {
            "texture": self._texture(lo, hi),
            "along": (self.along[hi] - self.along[lo]) / width,
            "across": (self.across[hi] - self.across[lo]) / width,
            "variation": np.sqrt((rest**2).mean(axis=1)).max(axis=1),
            "flatness": np.sqrt(np.maximum(inside, 0)).max(axis=1),
            "stripes": np.sqrt(np.maximum(self.shared[hi] - self.shared[lo], 0) / width),
            "fine": np.sqrt(np.maximum(self.fine[hi] - self.fine[lo], 0) / width),
        }
        out = {name: np.where(ok, value, np.nan) for name, value in out.items()}
        out["colour"] = np.where(ok[:, None], colour, np.nan)
        return out

    def _texture(self, lo: IntArray, hi: IntArray) -> FloatArray:
        """RMS of doubly centred log signal, largest channel."""
        a = np.clip(-(-lo // _BLOCK), 0, self.blocks)
        b = np.clip(hi // _BLOCK, 0, self.blocks)
        enough = b - a >= 2
        a = np.minimum(a, self.blocks - 2)
        b = np.maximum(b, a + 1)
        width = (b - a).astype(np.float64)[:, None]
        rows = (self.log[:, b] - self.log[:, a]) / width
        total = (self.log_square[b] - self.log_square[a]) / width
        columns = (self.log_shared[b] - self.log_shared[a]) / width
        centred = total - (rows**2).mean(axis=0) - columns + rows.mean(axis=0) ** 2
        return np.where(enough, np.sqrt(np.maximum(centred, 0)).max(axis=1), 0.0)


def _prefix(values: FloatArray) -> FloatArray:
    """Sums over axis 1 of everything before each position; one longer than the input."""
    shape = list(values.shape)
    shape[1] += 1
    out = np.zeros(shape)
    np.cumsum(values, axis=1, out=out[:, 1:])
    return out


def _numbers(
    profile: StripProfile,
    bounds: tuple[Edge | None, ...],
    places: FloatArray,
    first: IntArray,
    last: IntArray,
    noise: BoolArray,
    all_edges: int,
) -> FloatArray:
    start, end = places[first], places[last]
    width = end - start
    at_start, at_end = first == 0, last == len(bounds) - 1
    sums = _Sums(profile)
    one, zero = np.ones_like(start), np.zeros_like(start)
    reach = np.clip(width, *_BESIDE)
    inside = sums.measure(start, end)
    left = sums.measure(np.maximum(start - reach, 0), start)
    right = sums.measure(end, np.minimum(end + reach, 1))
    before, after = sums.measure(zero, start), sums.measure(end, one)
    whole = sums.measure(zero[:1], one[:1])
    f: dict[str, FloatArray] = {
        "width": width,
        "log_width": np.log(width),
        "at_start": at_start.astype(float),
        "at_end": at_end.astype(float),
        "half": (
            (at_start & (np.abs(end - 0.5) < MIDDLE)) | (at_end & (np.abs(start - 0.5) < MIDDLE))
        ).astype(float),
        "noise_stretch": noise.astype(float),
    }
    f.update(_edge_numbers(bounds, first, last, profile.length))
    for name, floor in _FLOORS.items():
        own = np.log(inside[name] + floor)
        f[f"in_{name}"] = own
        f[f"beside_{name}"] = own - np.log(_mean(left[name], right[name]) + floor)
        f[f"rest_{name}"] = own - np.log(np.fmax(before[name], after[name]) + floor)
    f["stripes"] = np.log(inside["stripes"] + 0.003)
    f["stripes_common"] = inside["stripes"] / (inside["fine"] + 0.003)
    f.update(_pictures(profile, places, first, last))
    f.update(_colours(inside, left, right, before, after))
    f.update(_apart(sums, start, end, reach))
    inner = np.array([e.position for e in bounds[1:-1] if e and e.support >= STRONG_SUPPORT])
    within = ((inner > start[:, None] + 1e-6) & (inner < end[:, None] - 1e-6)).sum(axis=1)
    own_edges = (~at_start).astype(int) + (~at_end).astype(int)
    f["edges_inside"] = np.log1p(within)
    f["edges_outside"] = np.log1p(np.maximum(inner.size - within - own_edges, 0))
    f.update(_mirror(sums, inner, start, end, at_start, at_end, inside["colour"]))
    f["grid"] = _grid(start, end, at_start, at_end) if profile.axis == "vertical" else zero * np.nan
    f["all_edges"] = zero + np.log1p(all_edges)
    f["all_texture"] = zero + np.log(whole["texture"][0] + _FLOORS["texture"])
    f["all_level"] = zero + float(np.mean(whole["colour"]))
    f["all_noise"] = zero + np.log(profile.noise + 1e-4)
    return np.stack([np.asarray(f[name], dtype=np.float64) for name in NAMES], axis=1)


def _mean(a: FloatArray, b: FloatArray) -> FloatArray:
    """Mean of those of the two that are known."""
    known = np.isfinite(a).astype(float) + np.isfinite(b)
    return np.where(known > 0, (np.nan_to_num(a) + np.nan_to_num(b)) / np.maximum(known, 1), np.nan)


def _edge_numbers(
    bounds: tuple[Edge | None, ...], first: IntArray, last: IntArray, n: int
) -> dict[str, FloatArray]:
    def of(name: str) -> tuple[FloatArray, FloatArray]:
        values = np.array([np.nan if e is None else getattr(e, name) for e in bounds])
        return values[first], values[last]

    support, contrast, agreement = of("support"), of("contrast"), of("agreement")
    blur, reaches, tilt = of("width"), of("reaches"), of("tilt")
    return {
        "support_least": np.fmin(*support),
        "support_most": np.fmax(*support),
        "contrast_least": np.log(np.fmin(*contrast) + 0.005),
        "contrast_most": np.log(np.fmax(*contrast) + 0.005),
        "agreement_least": np.fmin(*agreement),
        "agreement_most": np.fmax(*agreement),
        "blur": np.log(np.fmax(*blur) * n + 0.2),
        "reaches": np.fmin(*reaches),
        "tilt_apart": np.abs(tilt[0] - tilt[1]) * n,
    }


def _pictures(
    profile: StripProfile, places: FloatArray, first: IntArray, last: IntArray
) -> dict[str, FloatArray]:
    """Whether the picture goes on across a stretch, into it, and through it: correlations."""
    before = [_series(beside(profile, x, -1)) for x in places]
    after = [_series(beside(profile, x, +1)) for x in places]
    spread = np.array([[b[1] for b in before], [a[1] for a in after]])
    b = np.array([x[0] for x in before])
    a = np.array([x[0] for x in after])

    def alike(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("ij,ij->i", x, y))

    across = alike(b[first], a[last])
    inside = np.maximum(alike(b[first], a[first]), alike(b[last], a[last]))
    return {
        "goes_on": across,
        "same_inside": inside,
        "drawn_out": alike(a[first], b[last]),
        "interruption": across - np.maximum(inside, 0),
        "before_shows": np.log(spread[0][first] + 0.004),
        "after_shows": np.log(spread[1][last] + 0.004),
    }


def _series(colours: FloatArray) -> tuple[FloatArray, float]:
    """Strip colours about their mean as a unit vector, 0 where flat or unknown, and their RMS."""
    known = np.asarray(np.isfinite(colours).all(axis=1))
    if known.sum() < 6:
        return np.zeros(colours.size), 0.0
    rest = np.where(known[:, None], colours - colours[known].mean(axis=0), 0.0).ravel()
    power = float((rest**2).sum())
    rms = float(np.sqrt(power / known.sum()))
    # chosen: below one code value of spread there is nothing to compare.
    return (rest / np.sqrt(power) if rms > 1 / 255 else np.zeros(colours.size)), rms


def _colours(
    inside: dict[str, FloatArray],
    left: dict[str, FloatArray],
    right: dict[str, FloatArray],
    before: dict[str, FloatArray],
    after: dict[str, FloatArray],
) -> dict[str, FloatArray]:
    own = inside["colour"]
    jumps = [np.abs(own - side["colour"]).max(axis=1) for side in (left, right)]
    top = np.maximum(own.max(axis=1), 0.02)
    rest = np.fmax(before["colour"].mean(axis=1), after["colour"].mean(axis=1))
    return {
        "jump_least": np.fmin(*jumps),
        "jump_most": np.fmax(*jumps),
        "sides_apart": np.abs(left["colour"] - right["colour"]).max(axis=1),
        "level": own.mean(axis=1),
        "saturation": (own.max(axis=1) - own.min(axis=1)) / top,
        "lowest": own.min(axis=1),
        "highest": own.max(axis=1),
        "level_over_rest": np.log((own.mean(axis=1) + 0.02) / (rest + 0.02)),
    }


def _apart(
    sums: _Sums, start: FloatArray, end: FloatArray, reach: FloatArray
) -> dict[str, FloatArray]:
    """Whether all parts of a stretch are unlike all parts beside it, not the average only.

    Positive where even the closest two parts differ, in ln (texture) or signal (level).
    """
    thirds = (end - start) / 3
    own = [sums.measure(start + k * thirds, start + (k + 1) * thirds) for k in range(3)]
    other = [
        sums.measure(
            np.maximum(start - (k + 1) * reach / 2, 0), np.maximum(start - k * reach / 2, 0)
        )
        for k in range(2)
    ]
    other += [
        sums.measure(np.minimum(end + k * reach / 2, 1), np.minimum(end + (k + 1) * reach / 2, 1))
        for k in range(2)
    ]

    def ends(parts: list[dict[str, FloatArray]], name: str) -> tuple[FloatArray, FloatArray]:
        values = np.stack([p[name].mean(axis=1) if name == "colour" else p[name] for p in parts])
        return np.fmin.reduce(values), np.fmax.reduce(values)

    floor = _FLOORS["texture"]
    low, high = ends(own, "texture")
    low_other, high_other = ends(other, "texture")
    dark, bright = ends(own, "colour")
    dark_other, bright_other = ends(other, "colour")
    return {
        "texture_apart_blank": np.log((low_other + floor) / (high + floor)),
        "texture_apart_busy": np.log((low + floor) / (high_other + floor)),
        "level_apart": np.maximum(dark - bright_other, dark_other - bright),
    }


def _mirror(
    sums: _Sums,
    inner: FloatArray,
    start: FloatArray,
    end: FloatArray,
    at_start: BoolArray,
    at_end: BoolArray,
    colour: FloatArray,
) -> dict[str, FloatArray]:
    """The bar at the other end that a film or an old programme leaves."""
    at_border = at_start | at_end
    place = np.where(at_start, 1 - end, 1 - start)
    away = np.abs(inner[None, :] - place[:, None]).min(axis=1, initial=1.0)
    other = sums.measure(np.where(at_start, place, 0.0), np.where(at_start, 1.0, place))
    apart = np.abs(other["colour"] - colour).max(axis=1)
    return {
        "mirror_edge": np.where(at_border, np.log(away + 0.003), np.nan),
        "mirror_colour": np.where(at_border, np.log(apart + 0.01), np.nan),
    }


def _grid(start: FloatArray, end: FloatArray, at_start: BoolArray, at_end: BoolArray) -> FloatArray:
    """ln of the distance to the nearest borders of the best fitting coarse driver grid."""
    best = np.full(start.shape, 0.05)
    # chosen: a finer grid than 16 fits any edge.
    for n in (k for k in prior() if k <= 16):
        off = np.maximum(
            np.where(at_start, 0.0, np.abs(start - np.round(start * n) / n)),
            np.where(at_end, 0.0, np.abs(end - np.round(end * n) / n)),
        )
        best = np.minimum(best, off * n / 8)
    return np.log(best + 0.001)
