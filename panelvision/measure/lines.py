"""Thin lines of one to a few panel columns (or rows), over the whole length or from one end."""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import maximum_filter1d, percentile_filter

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.light import highest
from panelvision.measure.profile import Axis, StripProfile
from panelvision.measure.steps import support_by_tilt
from panelvision.order_statistics import median

# chosen: a line is compared with the mean of three pixels beyond one pixel of blur on
# either side; it may itself be up to this many pixels wide.
_WIDEST = 5
_WIDTHS = (1, 3, _WIDEST)
_RING = 3
# chosen: a line must show in this share of the strips of its length.
_LEAST_HITS = 0.75
# chosen: part-length lines start at one end and reach at least this far.
_LEAST_LENGTH = 0.3
_LEAST_RIDGE = 1.5 / 255
_NOISE_TIMES = 4.0
# chosen: more candidates than this are clutter; the best are looked at.
_MOST_LOOKED_AT = 600
_MOST_DESCRIBED = 16
# chosen: as for edges: darker than this (square root of light) a black line cannot be seen.
_DARK_SIGNAL = 0.12


@dataclass(frozen=True)
class Line:
    """A thin straight line on the panel's own grid.

    Attributes
    ----------
    axis : str
        ``"vertical"`` or ``"horizontal"``.
    position : float
        Fraction of the active area, halfway along the screen.
    sigma : float
        Standard error of the position (without the outline's).
    width : float
        Fraction of the active area; an upper bound when the photo's blur is wider.
    start, end : float
        Where it begins and ends along its own direction, fractions.
    colour : str
        ``"white"``, ``"black"``, ``"red"``, ``"yellow"``, ...
    contrast : float
        Median height over its surroundings, in signal (square root of light).
    hits : float
        0..1, share of the strips of its length in which it shows.
    agreement : float
        0..1, how alike its colour difference is over its length.
    continuity : float
        0..1, share of its length where the picture is the same on both sides.
    prominence : float
        Contrast, times the share of the length, over the picture's own ridges nearby.
    reaches : float
        0, 0.5 or 1: at how many of its ends it shows up to the active area's border.
    lift : float
        Mean over the channels of its height, in signal; below 0 for a dark line.
    by_rule : float
        0..1, how well it fits what a panel's line looks like, by a written rule.
    score : float
        0..1, chance that this is a fault of the panel, not of the picture; ``by_rule`` until
        :func:`panelvision.measure.line_scores.score_lines` has weighed it.
    reported : bool
        Likely enough to be said.
    """

    axis: Axis
    position: float
    sigma: float
    width: float
    start: float
    end: float
    colour: str
    contrast: float
    hits: float
    agreement: float
    continuity: float
    prominence: float
    reaches: float
    lift: float
    by_rule: float
    score: float
    reported: bool = False

    def to_json(self) -> dict[str, Any]:
        """For the machine-readable output."""
        return {
            "axis": self.axis,
            "position": round(self.position, 5),
            "width": round(self.width, 5),
            "start": round(self.start, 3),
            "end": round(self.end, 3),
            "colour": self.colour,
            "score": round(self.score, 4),
        }


@dataclass(frozen=True)
class _Ridges:
    """Response of every position and strip to a line."""

    excess: FloatArray  # (strips, n, 3) line minus mean of both sides
    size: FloatArray  # (strips, n) signed against the nearer side; 0 where none
    across: FloatArray  # (strips, n) length of right side minus left side


def _ridges(profile: StripProfile, width: int, ring: FloatArray) -> _Ridges:
    """``ring``: the signal's mean over the stretch that is looked at to either side."""
    signal = profile.signal
    n = signal.shape[1]
    half = width // 2
    gap = 1 if width == 1 else 2
    # The ring's own middle lies this far from the line's.
    away = half + gap + _RING // 2 + 1
    line = cv2.blur(signal, (width, 1)) if width > 1 else signal
    reach = away + _RING // 2 + 1
    inner = slice(reach, n - reach)
    middle = line[:, inner]
    left = ring[:, reach - away : n - reach - away]
    right = ring[:, reach + away : n - reach + away]
    over_left, over_right = middle - left, middle - right
    mean = 0.5 * (over_left + over_right)
    length = _norm(mean)
    unit = mean / np.maximum(length, 1e-6)[..., None]
    nearer = np.minimum(_dot(over_left, unit), _dot(over_right, unit))
    excess = np.zeros_like(signal)
    size = np.zeros(signal.shape[:2], dtype=np.float32)
    across = np.zeros(signal.shape[:2], dtype=np.float32)
    excess[:, inner] = mean
    size[:, inner] = np.maximum(nearer, 0)
    across[:, inner] = _norm(right - left)
    return _Ridges(excess, size, across)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Dot product over three channels; plain sums are much quicker than a reduction."""
    return a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2]


def _norm(a: FloatArray) -> FloatArray:
    return np.sqrt(_dot(a, a))


def find_lines(profile: StripProfile, *, most: int = 24) -> tuple[Line, ...]:
    """Thin lines along the whole length, or from one end over a good part of it.

    Parameters
    ----------
    profile : StripProfile
        From a view as wide as the photo supports: a line of one panel column is to
        cover about one pixel.
    most : int
        The best so many by rule are returned, by position.
    """
    n = profile.length
    if n < 60 or profile.strips < 8:
        return ()
    limit = max(_NOISE_TIMES * profile.noise, _LEAST_RIDGE)
    ring = cv2.blur(profile.signal, (_RING, 1))
    ridges = [_ridges(profile, width, ring) for width in _WIDTHS]
    near = np.stack([_near_peaks(r.size, limit) for r in ridges])
    scores, shifts = support_by_tilt(near, profile.valid, profile.centres)
    lit = highest(profile.signal) > _DARK_SIGNAL
    found: list[tuple[Line, int]] = []
    for k, width in enumerate(_WIDTHS):
        places = _Places(near[k], lit, scores[k].max(axis=0), scores[k].argmax(axis=0), shifts)
        found += _lines_of_width(profile, ridges[k], places, width)
    # A line along the whole length is not also one along a part of it.
    found.sort(key=lambda item: (-_full(item[0]), -item[0].by_rule, -item[0].contrast))
    kept: list[Line] = []
    for line, width in found:
        apart = max(_WIDEST, width) / n
        if all(abs(line.position - other.position) > apart for other in kept):
            kept.append(line)
    kept = [line for line in kept if not _halo_of_another(line, kept)]
    kept = _doubt_even_spacing(kept)
    kept.sort(key=lambda line: -line.by_rule)
    return tuple(sorted(kept[:most], key=lambda line: line.position))


def _full(line: Line) -> bool:
    return line.start <= 0 and line.end >= 1


def _halo_of_another(line: Line, lines: list[Line]) -> bool:
    """Whether a much stronger line is near: sharpening and JPEG draw weak ones beside it."""
    # chosen: sharpening reaches about 1 % of the width, at a twelfth of the line's height.
    return any(
        other.contrast > 8 * line.contrast and abs(other.position - line.position) < 0.012
        for other in lines
    )


def _doubt_even_spacing(lines: list[Line]) -> list[Line]:
    """Lower the score of lines on an even grid of four or more: text, a hatch, a table."""
    likely = sorted((x for x in lines if x.by_rule > 0.3), key=lambda x: x.position)
    if len(likely) < 5:
        return lines
    place = np.array([x.position for x in likely])
    gaps = np.diff(place)
    even = np.zeros(len(likely), dtype=bool)
    # chosen: gaps alike within 8 %, or one twice the other.
    ratio = gaps[1:] / gaps[:-1]
    alike = np.any([np.abs(ratio / r - 1) < 0.08 for r in (0.5, 1.0, 2.0)], axis=0)
    even[1:-1] = alike
    if even.sum() < max(4, 0.5 * (len(likely) - 2)):
        return lines
    doubted = {id(x) for x in likely}
    return [
        _with_rule(x, _logistic(logit(x.by_rule) - 5.0)) if id(x) in doubted else x for x in lines
    ]


def _with_rule(line: Line, value: float) -> Line:
    return replace(line, by_rule=value, score=value)


def _logistic(z: float) -> float:
    return float(1 / (1 + np.exp(-z)))


def logit(p: float) -> float:
    """ln(p / (1 - p)), p kept off 0 and 1."""
    p = min(max(p, 1e-6), 1 - 1e-6)
    return float(np.log(p / (1 - p)))


@dataclass(frozen=True)
class _Places:
    """Where lines of one width may be."""

    near: FloatArray  # (strips, n) 1 at a peak and beside it, else 0
    lit: BoolArray  # (strips, n) bright enough to show a black line
    support: FloatArray  # (n,) share of the strips with a peak, at the best tilt
    tilt: IntArray  # (n,) which tilt that is
    shifts: list[IntArray]  # (strips,) whole positions by which each strip is off, for each tilt


def _near_peaks(size: FloatArray, limit: float) -> IntArray:
    """1 where a response (strips, n) has a peak above the limit, and one position beside it."""
    peak = (size >= maximum_filter1d(size, 5, axis=1, mode="nearest")) & (size > limit)
    near: IntArray = maximum_filter1d(peak.view(np.uint8), 3, axis=1, mode="constant")
    return near


def _lines_of_width(
    profile: StripProfile, ridges: _Ridges, at: _Places, width: int
) -> list[tuple[Line, int]]:
    n = profile.length
    least = _LEAST_LENGTH if profile.axis == "vertical" else _LEAST_HITS
    order = np.flatnonzero(at.support >= least)
    if order.size == 0:
        return []
    order = order[np.argsort(-at.support[order], kind="stable")][:_MOST_LOOKED_AT]
    rows = np.arange(profile.strips)
    places = np.clip(order[:, None] + np.array(at.shifts)[at.tilt[order]], 1, n - 2)
    valid = profile.valid[rows, places]
    seen = valid & at.lit[rows, places]
    # On a dark screen every strip counts; on a film's bars a black line cannot be seen.
    dark = seen.mean(axis=1) < 0.5
    seen[dark] = valid[dark]
    hits = (at.near[rows, places] > 0) & valid
    seen |= hits
    first, last, good = _spans(hits, seen, profile.axis)
    # What a line stands out from: the ridges of the picture around it.
    level = ridges.size.mean(axis=0)
    clutter = percentile_filter(level, 80, size=max(21, n // 12))
    out: list[tuple[Line, int]] = []
    taken = np.zeros(n, dtype=bool)
    reached = (hits * good[:, None]).sum(axis=1)
    for i in np.argsort(-reached, kind="stable")[: int(good.sum())]:
        j = order[i]
        if taken[max(0, j - 3) : j + 4].any():
            continue
        taken[j] = True
        span = (int(first[i]), int(last[i]))
        line = _describe(
            profile, ridges, places[i], hits[i], seen[i], span, width, float(clutter[j])
        )
        if line is not None:
            out.append((line, width))
        if len(out) >= _MOST_DESCRIBED:
            break
    return out


def _spans(hits: BoolArray, seen: BoolArray, axis: Axis) -> tuple[IntArray, IntArray, BoolArray]:
    """First and past-the-last strip of each candidate's best run, and whether it is a line.

    A run spans the whole length, or (columns) starts at one end: a source driver's
    output is open from some row on, a gate line seldom shows on half of its length.
    """
    count, strips = hits.shape
    share = hits.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    # Strips that could not show it count as if they did.
    open_ = hits | ~seen
    ends = open_[:, :3].any(axis=1) & open_[:, -3:].any(axis=1)
    whole = (share >= _LEAST_HITS) & ends
    first = np.zeros(count, dtype=int)
    last = np.full(count, strips)
    good = whole.copy()
    if axis == "horizontal":
        return first, last, good
    # A strip without the line costs nine with it: runs stay at nine in ten or better.
    gain = np.where(hits, 1.0, np.where(seen, -9.0, 0.0))
    head, tail = np.cumsum(gain, axis=1), np.cumsum(gain[:, ::-1], axis=1)
    a, b = head.argmax(axis=1) + 1, tail.argmax(axis=1) + 1
    from_start = head.max(axis=1) >= tail.max(axis=1)
    length = np.where(from_start, a, b)
    run = ~whole & (np.maximum(head.max(axis=1), tail.max(axis=1)) > 0)
    run &= length >= _LEAST_LENGTH * strips
    first = np.where(run & ~from_start, strips - b, first)
    last = np.where(run & from_start, a, last)
    return first, last, good | run


def _describe(
    profile: StripProfile,
    ridges: _Ridges,
    place: IntArray,
    hit: BoolArray,
    seen: BoolArray,
    span: tuple[int, int],
    width: int,
    clutter: float,
) -> Line | None:
    n, strips = profile.length, profile.strips
    everywhere = np.arange(strips)
    # Every strip has its own nearest peak; look one pixel to either side.
    around = np.stack([ridges.size[everywhere, np.clip(place + d, 0, n - 1)] for d in (-1, 0, 1)])
    nearest = np.clip(place + around.argmax(axis=0) - 1, 0, n - 1)
    # What is a ridge by chance has another colour or height than the line.
    steps = ridges.excess[everywhere, nearest]
    inside = hit & (everywhere >= span[0]) & (everywhere < span[1])
    if inside.sum() < 4:
        return None
    typical = median(steps[inside], axis=0)
    along = steps @ typical / max(float(typical @ typical), 1e-9)
    hit = hit & (along > 0.3)
    first, last, good = _spans(hit[None], seen[None], profile.axis)
    if not good[0]:
        return None
    span = (int(first[0]), int(last[0]))
    rows = np.arange(span[0], span[1])
    present = hit[rows]
    if present.sum() < 4:
        return None
    own = nearest[rows]
    excess = steps[rows]
    length = np.sqrt((excess**2).sum(axis=1))
    unit = excess[present] / np.maximum(length[present], 1e-6)[:, None]
    agreement = float(np.linalg.norm(unit.mean(axis=0)))
    contrast = float(median(length[present]))
    # Alike within a quarter of the line's height (8 % of signal at most), or no more
    # different than the picture is over the same distance elsewhere nearby.
    near = [ridges.across[rows, np.clip(own + d, 0, n - 1)] for d in (-24, -18, -12, 12, 18, 24)]
    usual = median(np.stack(near), axis=0)[present]
    alike = np.maximum(np.minimum(0.25 * length[present], 0.08) + 3 / 255, 1.5 * usual)
    same = ridges.across[rows, own][present] < alike
    continuity = float(same.mean())
    centres = profile.centres
    t, x = centres[rows][present], own[present].astype(np.float64)
    spread = float(((t - t.mean()) ** 2).mean())
    tilt = float(((t - t.mean()) * (x - x.mean())).mean() / spread) if spread > 1e-3 else 0.0
    middle = float(x.mean() - tilt * t.mean())
    # A part-length line is not to be carried on over the whole height by its tilt's error.
    middle = float(np.clip(middle, x.min() - 0.01 * n, x.max() + 0.01 * n))
    scatter = float(np.std(x - x.mean() - tilt * (t - t.mean())))
    background = profile.signal[rows, own] - excess
    colour = _colour_name(median(background[present], axis=0), median(excess[present], axis=0))
    hits = float(present.sum() / max(seen[rows].sum(), 1))
    full = span[0] <= 1 and span[1] >= strips - 1
    length_share = (span[1] - span[0]) / strips
    prominence = contrast * length_share / max(clutter, 0.5 / 255)
    ends = _ends_with(profile, middle, excess[present].mean(axis=0), contrast, span)
    score = _line_score(
        hits,
        agreement,
        continuity,
        length_share,
        full=full,
        prominence=prominence,
        ends=ends,
        position=middle / n,
        contrast=contrast,
        axis=profile.axis,
    )
    return Line(
        axis=profile.axis,
        position=(middle + 0.5) / n,
        sigma=max(scatter / np.sqrt(present.sum()), 0.05) / n,
        width=width / n,
        start=0.0 if span[0] <= 1 else span[0] / strips,
        end=1.0 if span[1] >= strips - 1 else span[1] / strips,
        colour=colour,
        contrast=contrast,
        hits=hits,
        agreement=agreement,
        continuity=continuity,
        prominence=prominence,
        reaches=ends,
        lift=float(excess[present].mean()),
        by_rule=score,
        score=score,
    )


def _ends_with(
    profile: StripProfile,
    place: float,
    excess: FloatArray,
    contrast: float,
    span: tuple[int, int],
) -> float:
    """Share of the line's screen-border ends at which it shows in the last per cent."""
    n = profile.length
    ends = [k for k, inside in enumerate((span[0] <= 1, span[1] >= profile.strips - 1)) if inside]
    if not ends:
        return 0.0
    unit = excess / max(float(np.linalg.norm(excess)), 1e-6)
    found = 0
    for k in ends:
        if float(profile.ends[k].max()) < _DARK_SIGNAL:
            # All of it is border: the outline is a little too large here.
            found += 1
            continue
        # The tilt moves the line by up to half a per cent at the end.
        reach = max(6, int(0.006 * n))
        lo, hi = max(round(place) - reach, 4), min(round(place) + reach + 1, n - 4)
        if hi - lo < 3:
            found += 1
            continue
        row = profile.ends[k] @ unit
        at = np.arange(lo, hi)
        height = row[at] - np.maximum(row[at - 4], row[at + 4])
        found += bool(height.max() > 0.3 * contrast)
    return found / len(ends)


def _line_score(
    hits: float,
    agreement: float,
    continuity: float,
    length: float,
    *,
    full: bool,
    prominence: float,
    ends: float,
    position: float,
    contrast: float,
    axis: Axis,
) -> float:
    """Logistic in the evidence; chosen so that a full-length line that shows in nine
    strips of ten, always in one colour, with the picture unbroken around it, gets 0.9."""
    z = 14 * (hits - 0.86) + 6 * (agreement - 0.75) + 10 * (continuity - 0.75)
    if not full:
        z += -2.5 + 3.0 * (length - 0.5)
        # A stem of letters, a reflection's rim: what is faint must be long to be sure.
        z -= 3.0 * float(np.clip((0.05 - contrast) / 0.03, 0.0, 1.0))
    # Several times the picture's own ridges nearby, or it is one of them.
    z += 1.5 * float(np.clip(np.log(max(prominence, 0.1) / 3.0), -2.0, 1.0))
    # The glow of a bezel and the panel's own border look like faint lines next to it.
    if not 0.015 < position < 0.985 and contrast < 0.1:
        z -= 4.0
    elif not 0.08 < position < 0.92:
        # Menus draw rules near the border.
        z -= 1.5
    if axis == "horizontal":
        # Pages, tables and menus have many level rules and few upright ones.
        z -= 1.0
    # A panel's line runs to the border; a menu's stops short of it, at both ends.
    z += 0.0 if ends >= 1 else (-2.5 if ends > 0 else -8.0)
    return _logistic(z)


_NAMES = {
    (1, 1, 1): "white",
    (0, 0, 0): "black",
    (1, 0, 0): "red",
    (0, 1, 0): "green",
    (0, 0, 1): "blue",
    (1, 1, 0): "yellow",
    (0, 1, 1): "cyan",
    (1, 0, 1): "magenta",
}


def _colour_name(background: FloatArray, excess: FloatArray) -> str:
    """Name of the colour that a blurred line would have if it were wide.

    Blur mixes the line with its background; going on in the direction of the mix until
    a channel reaches black or the picture's white gives the colour that was mixed in.
    """
    b = np.maximum(background, 0) ** 2
    d = np.maximum(background + excess, 0) ** 2 - b
    white = max(float((b + np.abs(d)).max()), 0.02)
    room = np.where(d > 0, (white - b) / np.maximum(d, 1e-6), b / np.maximum(-d, 1e-6))
    gain = float(np.clip(np.min(np.where(np.abs(d) > 0.1 * np.abs(d).max(), room, np.inf)), 1, 20))
    colour = np.clip(b + gain * d, 0, None)
    top = float(colour.max())
    if top < 0.25 * white:
        return "black"
    return _NAMES[tuple(int(c > 0.45 * top) for c in colour)]  # type: ignore[index]
