"""Thin lines of one to a few panel columns (or rows), over the whole length or from one end."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.ndimage import maximum_filter1d

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.measure.profile import Axis, StripProfile
from panelvision.measure.steps import support_by_tilt

# chosen: a line is compared with the mean of three pixels beyond one pixel of blur on
# either side; it may itself be up to this many pixels wide.
_WIDEST = 5
_RING = 3
# chosen: a line must show in this share of the strips of its length.
_LEAST_HITS = 0.75
# chosen: part-length lines start at one end and reach at least this far.
_LEAST_LENGTH = 0.3
_LEAST_RIDGE = 1.5 / 255
_NOISE_TIMES = 4.0


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
    score : float
        0..1, chance that this is a fault of the panel, not of the picture.
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
    score: float

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


def _ridges(profile: StripProfile, width: int) -> _Ridges:
    signal = profile.signal
    s, n = signal.shape[:2]
    total = np.zeros((s, n + 1, 3))
    np.cumsum(signal, axis=1, out=total[:, 1:])
    half = width // 2
    gap = 1 if width == 1 else 2
    reach = half + gap + _RING
    excess = np.zeros((s, n, 3), dtype=np.float32)
    size = np.zeros((s, n), dtype=np.float32)
    across = np.zeros((s, n), dtype=np.float32)
    at = np.arange(reach, n - reach)
    lo, hi = at - half, at - half + width
    middle = (total[:, hi] - total[:, lo]) / width
    left = (total[:, lo - gap] - total[:, lo - gap - _RING]) / _RING
    right = (total[:, hi + gap + _RING] - total[:, hi + gap]) / _RING
    mean = middle - 0.5 * (left + right)
    length = np.sqrt((mean**2).sum(axis=2))
    unit = mean / np.maximum(length, 1e-6)[..., None]
    nearer = np.minimum(
        ((middle - left) * unit).sum(axis=2), ((middle - right) * unit).sum(axis=2)
    )
    excess[:, at] = mean
    size[:, at] = np.maximum(nearer, 0)
    across[:, at] = np.sqrt(((right - left) ** 2).sum(axis=2))
    return _Ridges(excess, size, across)


def find_lines(profile: StripProfile, *, most: int = 24) -> tuple[Line, ...]:
    """Thin lines along the whole length, or from one end over a good part of it.

    Parameters
    ----------
    profile : StripProfile
        From a view as wide as the photo supports: a line of one panel column is to
        cover about one pixel.
    most : int
        The best so many are returned.
    """
    n = profile.length
    if n < 60 or profile.strips < 8:
        return ()
    limit = max(_NOISE_TIMES * profile.noise, _LEAST_RIDGE)
    found: list[tuple[Line, int]] = []
    for width in (1, 3, _WIDEST):
        ridges = _ridges(profile, width)
        found += _lines_of_width(profile, ridges, limit, width)
    found.sort(key=lambda item: (-item[0].score, -item[0].contrast))
    kept: list[Line] = []
    for line, width in found:
        apart = max(_WIDEST, width) / n
        if all(abs(line.position - other.position) > apart for other in kept):
            kept.append(line)
        if len(kept) >= most:
            break
    return tuple(sorted(kept, key=lambda line: line.position))


def _lines_of_width(
    profile: StripProfile, ridges: _Ridges, limit: float, width: int
) -> list[tuple[Line, int]]:
    n = profile.length
    size = ridges.size
    peak = (size >= maximum_filter1d(size, 5, axis=1, mode="nearest")) & (size > limit)
    near = maximum_filter1d(peak.view(np.uint8), 3, axis=1, mode="constant")
    score, shifts = support_by_tilt(near, profile.valid, profile.centres)
    best, choice = score.max(axis=0), score.argmax(axis=0)
    rows = np.arange(profile.strips)
    out: list[tuple[Line, int]] = []
    taken = np.zeros(n, dtype=bool)
    for j in np.flatnonzero(best >= _LEAST_LENGTH)[np.argsort(-best[best >= _LEAST_LENGTH])]:
        if taken[max(0, j - 3) : j + 4].any():
            continue
        place = np.clip(j + shifts[choice[j]], 1, n - 2)
        seen = profile.valid[rows, place]
        hit = (near[rows, place] > 0) & seen
        span = _span(hit, seen)
        if span is None:
            continue
        taken[j] = True
        line = _describe(profile, ridges, place, hit, span, width)
        if line is not None:
            out.append((line, width))
        if len(out) >= 40:
            break
    return out


def _span(hit: BoolArray, seen: BoolArray) -> tuple[int, int] | None:
    """First and past-the-last strip of the best run that touches an end; None if too short."""
    index = np.flatnonzero(seen)
    if index.size < 8:
        return None
    h = hit[index].astype(np.float64)
    if h.mean() >= 0.9:
        return int(index[0]), int(index[-1]) + 1
    # A strip without the line costs three with it: runs stay at three in four or better.
    gain = np.where(h > 0, 1.0, -3.0)
    head = np.cumsum(gain)
    tail = np.cumsum(gain[::-1])
    a, b = int(head.argmax()) + 1, int(tail.argmax()) + 1
    whole = h.mean() >= _LEAST_HITS
    if whole and h[:3].any() and h[-3:].any():
        return int(index[0]), int(index[-1]) + 1
    if head.max() >= tail.max():
        first, last = 0, a
    else:
        first, last = index.size - b, index.size
    if max(head.max(), tail.max()) <= 0 or (last - first) < _LEAST_LENGTH * hit.size:
        return None
    return int(index[first]), int(index[last - 1]) + 1


def _describe(
    profile: StripProfile,
    ridges: _Ridges,
    place: IntArray,
    hit: BoolArray,
    span: tuple[int, int],
    width: int,
) -> Line | None:
    n, strips = profile.length, profile.strips
    rows = np.arange(span[0], span[1])
    at = place[rows]
    present = hit[rows]
    if present.sum() < 4:
        return None
    # Every strip has its own nearest peak; look one pixel to either side.
    around = np.stack([ridges.size[rows, np.clip(at + d, 0, n - 1)] for d in (-1, 0, 1)])
    move = around.argmax(axis=0) - 1
    own = np.clip(at + move, 0, n - 1)
    excess = ridges.excess[rows, own]
    length = np.sqrt((excess**2).sum(axis=1))
    unit = excess[present] / np.maximum(length[present], 1e-6)[:, None]
    agreement = float(np.linalg.norm(unit.mean(axis=0)))
    contrast = float(np.median(length[present]))
    same = ridges.across[rows, own][present] < np.maximum(0.5 * length[present], 3 / 255)
    continuity = float(same.mean())
    centres = profile.centres
    fit = np.polyfit(centres[rows][present], own[present].astype(float), 1) if present.sum() > 5 else None
    middle = float(np.polyval(fit, 0.0)) if fit is not None else float(np.median(own))
    middle = float(np.clip(middle, own.min() - 0.01 * n, own.max() + 0.01 * n))
    scatter = float(np.std(own[present] - (np.polyval(fit, centres[rows][present]) if fit is not None else middle)))
    background = profile.signal[rows, own] - excess
    colour = _colour_name(np.median(background[present], axis=0), np.median(excess[present], axis=0))
    hits = float(present.mean())
    full = span[0] <= 1 and span[1] >= strips - 1
    score = _line_score(hits, agreement, continuity, (span[1] - span[0]) / strips, full)
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
        score=score,
    )


def _line_score(
    hits: float, agreement: float, continuity: float, length: float, full: bool
) -> float:
    """Logistic in the evidence; chosen so that a full-length line that shows in nine
    strips of ten, always in one colour, with the picture unbroken around it, gets 0.9."""
    z = 12 * (hits - 0.8) + 6 * (agreement - 0.75) + 5 * (continuity - 0.75)
    z += 0.0 if full else -2.0 + 3.0 * (length - 0.5)
    return float(1 / (1 + np.exp(-z)))


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
