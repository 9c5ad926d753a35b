"""Straight steps that run through the whole height (or width): where, how sure, how sharp."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import maximum_filter1d

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.measure.profile import StripProfile
from panelvision.measure.step_fit import fit_step
from panelvision.order_statistics import median

# chosen: means over three view pixels on each side; a blurred step of a phone photo
# is 2 to 4 view pixels wide.
_SIDE = 3
# chosen: the step is compared with its surroundings this many pixels away, so that a
# ramp, vignetting or a dim zone's soft edge gives no response.
_AWAY = 6
# chosen: five times the noise of a strip value, and never less than two code values.
_NOISE_TIMES = 5.0
_LEAST_STEP = 2.0 / 255
# chosen: an outline that is off by 0.5 % of the diagonal tilts an upright line by up to
# about 1 % of the width from end to end.
_TILT_SHARE = 0.010
# chosen: an edge must show in this share of the strips to be looked at.
LEAST_SUPPORT = 0.6
# chosen: half-length, in pixels, of the samples that one edge is fitted to.
_HALF = 8


@dataclass(frozen=True)
class Edge:
    """A straight edge along the whole height (axis vertical) or width (horizontal).

    Attributes
    ----------
    position : float
        Fraction of the active area, halfway along the edge.
    sigma : float
        Standard error of ``position``, from the scatter of the strips (the error of
        the outline is not in it).
    tilt : float
        Change of position from one end to the other, fraction of the same axis:
        what is left of the outline's error.
    support : float
        0..1, share of the strips that show an edge there.
    contrast : float
        Median size of the step over the strips, in signal (square root of light).
    agreement : float
        0..1, length of the mean step direction: 1 when every strip steps the same
        way, near 0 when the sign follows the content.
    width : float
        Standard deviation of the blur of the edge, fraction of the axis; NaN if the
        fit failed.
    steps : ndarray of shape (strips, 3)
        Step (after minus before) in each strip and channel.
    present : ndarray of shape (strips,), bool
    reaches : float
        0, 0.5 or 1: at how many of its two ends it shows up to the last per cent.
    """

    position: float
    sigma: float
    tilt: float
    support: float
    contrast: float
    agreement: float
    width: float
    steps: FloatArray
    present: BoolArray
    reaches: float


def step_response(profile: StripProfile) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Sharp step at every position and strip.

    Returns
    -------
    response : ndarray of shape (strips, n + 1, 3)
        Entry j: mean of the pixels after minus mean before the border between pixels
        j - 1 and j, less the same a few pixels away (so that slopes cancel).
    size : ndarray of shape (strips, n + 1)
        Length of the step vector at j less the larger of the two a few pixels away: 0
        on slopes and beside an edge, the step's size on a lone edge.
    known : ndarray of shape (strips, n + 1), bool
        False near the ends and where the view left the photo's frame.
    """
    s, n = profile.signal.shape[:2]
    step = np.zeros((s, n + 1, 3), dtype=np.float32)
    k = _SIDE
    # Entry i: mean of pixels i .. i + k - 1.
    mean = cv2.blur(profile.signal, (k, 1))[:, k // 2 : n - k // 2]
    step[:, k : n + 1 - k] = mean[:, k:] - mean[:, :-k]
    a = _AWAY
    length = np.sqrt(step[..., 0] ** 2 + step[..., 1] ** 2 + step[..., 2] ** 2)
    response, size = step.copy(), length.copy()
    inner = slice(k + a, n + 1 - k - a)
    before, after = slice(k, n + 1 - k - 2 * a), slice(k + 2 * a, n + 1 - k)
    response[:, inner] -= 0.5 * (step[:, before] + step[:, after])
    size[:, inner] -= np.maximum(length[:, before], length[:, after])
    # Near the ends the one neighbour that exists decides.
    size[:, k : k + a] -= length[:, k + a : k + 2 * a]
    size[:, n + 1 - k - a : n + 1 - k] -= length[:, n + 1 - k - 2 * a : n + 1 - k - a]
    count = np.zeros((s, n + 1), dtype=np.int32)
    np.cumsum(~profile.valid, axis=1, out=count[:, 1:])
    known = np.zeros((s, n + 1), dtype=bool)
    known[:, k : n + 1 - k] = count[:, 2 * k :] == count[:, : n + 1 - 2 * k]
    response[~known] = 0
    size[~known] = 0
    return response, size, known


def full_length_edges(profile: StripProfile, *, most: int = 30) -> tuple[Edge, ...]:
    """Edges that show in most strips along one straight, nearly upright line.

    Returns
    -------
    tuple of Edge
        By position; at most ``most``, the best supported.
    """
    n = profile.length
    if n < 60 or profile.strips < 6:
        return ()
    response, size, known = step_response(profile)
    limit = max(_NOISE_TIMES * profile.noise, _LEAST_STEP)
    peak = (size >= maximum_filter1d(size, 5, axis=1, mode="nearest")) & (size > limit)
    # A peak counts one pixel to either side: strips place it to about half a pixel.
    near = maximum_filter1d(peak.view(np.uint8), 3, axis=1, mode="constant")
    scores, shifts = support_by_tilt(near[None], known, profile.centres)
    best = scores[0].max(axis=0)
    choice = scores[0].argmax(axis=0)
    order = np.flatnonzero(best >= LEAST_SUPPORT)
    order = order[np.argsort(-best[order], kind="stable")]
    taken = np.zeros(n + 1, dtype=bool)
    edges: list[Edge] = []
    for j in order:
        if taken[max(0, j - 3) : j + 4].any():
            continue
        edge = _refine(profile, response, near, known, int(j), shifts[choice[j]])
        if edge is None:
            continue
        centre = min(max(round(edge.position * n), 0), n)
        if taken[max(0, centre - 2) : centre + 3].any():
            continue
        taken[j] = taken[centre] = True
        edges.append(edge)
        if len(edges) >= most:
            break
    return tuple(sorted(edges, key=lambda e: e.position))


def support_by_tilt(
    near: IntArray, known: BoolArray, centres: FloatArray
) -> tuple[FloatArray, list[IntArray]]:
    """Share of the known strips with a hit at each position, for a few tilts.

    Parameters
    ----------
    near : ndarray of shape (kinds, strips, n)
        Hits (0 or 1) of one or several kinds.
    known : ndarray of shape (strips, n)
        Where a hit could have been seen.
    centres : ndarray of shape (strips,)
        Places of the strips across the axis, -0.5..0.5.

    Returns
    -------
    score : ndarray of shape (kinds, tilts, n)
    shifts : list of ndarray of shape (strips,)
        Whole positions by which each strip is off, for each tilt.
    """
    kinds, strips, n = near.shape
    reach = int(np.ceil(_TILT_SHARE * n / 2))
    tilts = np.arange(-reach, reach + 1) * 2
    # Sums over the first 0, 1, ... strips: neighbouring strips are off by the same whole number,
    # and what they add together is a difference of these.
    sums = np.zeros((strips + 1, kinds + 1, n), dtype=np.float32)
    np.cumsum(near.transpose(1, 0, 2), axis=0, dtype=np.float32, out=sums[1:, :kinds])
    np.cumsum(known, axis=0, dtype=np.float32, out=sums[1:, kinds])
    scores = np.empty((kinds, len(tilts), n))
    shifts = []
    for t, tilt in enumerate(tilts):
        shift = np.rint(tilt * centres).astype(int)
        total = np.zeros((kinds + 1, n), dtype=np.float32)
        starts = np.flatnonzero(np.diff(shift, prepend=shift[0] - 1)).tolist()
        for first, end in zip(starts, [*starts[1:], strips], strict=True):
            by = int(shift[first])
            lo, hi = max(0, -by), min(n, n - by)
            total[:, lo:hi] += sums[end, :, lo + by : hi + by] - sums[first, :, lo + by : hi + by]
        hit, seen = total[:kinds], total[kinds]
        # chosen: a place seen in less than half of the strips has no score.
        share = np.where(seen >= 0.5 * strips, hit / np.maximum(seen, 1), 0)
        # Between equals the smaller tilt wins.
        scores[:, t] = share - 1e-4 * abs(tilt)
        shifts.append(shift)
    return scores, shifts


def _refine(
    profile: StripProfile,
    response: FloatArray,
    near: FloatArray,
    known: BoolArray,
    j: int,
    shift: IntArray,
) -> Edge | None:
    """Straight line through the strips' own edge places, then one fit to all of them."""
    n = profile.length
    rows = np.arange(profile.strips)
    place = np.clip(j + shift, 0, n)
    seen = known[rows, place] & _lit(profile, place)
    present = (near[rows, place] > 0) & seen
    if present.sum() < 4:
        return None
    steps = response[rows, place]
    power = np.sqrt((steps**2).sum(axis=1))
    direction = steps / np.maximum(power, 1e-6)[:, None]
    # Projected on its own step, every strip rises.
    offsets = np.arange(-_HALF, _HALF)
    columns = np.clip(place[:, None] + offsets, 0, n - 1)
    curve = np.einsum("ijk,ik->ij", profile.signal[rows[:, None], columns], direction)
    middle = slice(_HALF - 5, _HALF + 4)
    slope = np.clip(np.diff(curve, axis=1), 0, None)[:, middle]
    weight = slope.sum(axis=1)
    usable = present & (weight > 0)
    if usable.sum() < 4:
        return None
    centre = (slope * offsets[1:][middle]).sum(axis=1) / np.maximum(weight, 1e-9) + place
    at, tilt = _straight(profile.centres[usable], centre[usable], power[usable])
    line = at + tilt * profile.centres
    residual = centre[usable] - line[usable]
    scatter = 1.4826 * float(median(np.abs(residual))) / np.sqrt(usable.sum())
    # Align on the line and average: one clean curve for place, width and error.
    share = power[usable] ** 2
    share = share / share.sum()
    samples = _along_line(profile.signal, line[usable] - 0.5, direction[usable], rows[usable])
    fit = fit_step(share @ samples, start=float(_HALF))
    width = float("nan")
    # A fit that runs to the narrowest blur, or that is unsure, adds nothing to the strips.
    if fit is not None and abs(fit.position - _HALF) < 2.5 and fit.width > 0.25 and fit.sigma < 0.5:
        at += fit.position - _HALF
        scatter = float(np.hypot(scatter, fit.sigma))
        width = fit.width / n
    return Edge(
        position=float(at / n),
        # chosen: resampling and the shape of the blur leave a fiftieth of a pixel.
        sigma=float(max(scatter, 0.02) / n),
        tilt=float(tilt / n),
        support=float(present.sum() / max(seen.sum(), 1)),
        contrast=float(median(power[seen])),
        agreement=float(np.linalg.norm(direction[usable].mean(axis=0))),
        width=width,
        steps=steps,
        present=present,
        reaches=_reaches(profile, at, tilt, float(median(power[seen]))),
    )


# chosen: where both sides are darker than this (square root of light), a dark fault on a
# film's bar cannot be seen, and its absence says nothing.
_DARK_SIGNAL = 0.12


def _lit(profile: StripProfile, place: IntArray) -> BoolArray:
    """Strips where at least one side of the place is lit."""
    n = profile.length
    rows = np.arange(profile.strips)
    before = profile.signal[rows, np.clip(place - 4, 0, n - 1)].max(axis=1)
    after = profile.signal[rows, np.clip(place + 3, 0, n - 1)].max(axis=1)
    lit = np.maximum(before, after) > _DARK_SIGNAL
    # A dark screen altogether: then every strip counts.
    return lit if lit.mean() >= 0.5 else np.ones_like(lit)


def _reaches(profile: StripProfile, at: float, tilt: float, contrast: float) -> float:
    """Share of the two ends (0, 0.5, 1) where the step shows just inside the border."""
    n = profile.length
    found = 0
    for k, side in enumerate((-0.49, 0.49)):
        j = round(at + tilt * side)
        lo, hi = max(j - 8, 0), min(j + 8, n)
        if hi - lo < 10:
            continue
        line = profile.ends[k, lo:hi]
        if float(line.max()) < _DARK_SIGNAL:
            # Border of the panel, or a film's bar: nothing to see here.
            found += 1
            continue
        jump = np.sqrt(((line[6:] - line[:-6]) ** 2).sum(axis=1)).max()
        found += bool(jump > 0.35 * contrast)
    return found / 2


def _straight(y: FloatArray, x: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Robust weighted line x = a + b y: outliers beyond three spreads are left out."""
    keep = np.ones(y.size, dtype=bool)
    a, b = float(median(x)), 0.0
    for _ in range(3):
        w = weight[keep]
        total = w.sum(dtype=np.float64)
        mean_y, mean_x = (y[keep] * w).sum() / total, (x[keep] * w).sum() / total
        off_y, off_x = y[keep] - mean_y, x[keep] - mean_x
        spread = (off_y**2 * w).sum() / total
        # chosen: places that cover less than a few strips say nothing on the tilt.
        if spread > 1e-3:
            b = float((off_y * off_x * w).sum() / total / spread)
        a = float(mean_x - b * mean_y)
        residual = np.abs(x - a - b * y)
        again = residual <= max(3 * 1.4826 * float(median(residual[keep])), 0.3)
        if again.sum() < 4 or np.array_equal(again, keep):
            break
        keep = again
    return a, b


def _along_line(
    signal: FloatArray, centre: FloatArray, direction: FloatArray, rows: IntArray
) -> FloatArray:
    """Samples about a sub-pixel centre in each strip, projected on its step, (rows, 17)."""
    n = signal.shape[1]
    at = np.clip(centre[:, None] + np.arange(-_HALF, _HALF + 1), 0, n - 1)
    low = np.minimum(at.astype(int), n - 2)
    part = (at - low)[..., None]
    values = signal[rows[:, None], low] * (1 - part) + signal[rows[:, None], low + 1] * part
    return np.einsum("ijk,ik->ij", values, direction)


def straightened(profile: StripProfile, edges: tuple[Edge, ...]) -> StripProfile:
    """The profile with the tilt that its own edges share taken out.

    An outline that is not perfect leaves upright lines slightly tilted, by an amount
    that changes evenly from side to side. Stripes one or two pixels wide only add up
    over the strips when they are upright. Positions halfway along stay where they are.
    """
    sure = [e for e in edges if e.support > 0.8 and e.contrast > 0.02]
    if not sure:
        return profile
    n = profile.length
    x = np.array([e.position for e in sure])
    tilt = np.array([e.tilt for e in sure])
    slope = 0.0
    # chosen: edges over less than a third of the axis do not tell how the tilt changes.
    if len(sure) >= 3 and np.ptp(x) > 0.33:
        pairs = [
            (tilt[j] - tilt[i]) / (x[j] - x[i])
            for i in range(x.size)
            for j in range(i)
            if abs(x[j] - x[i]) > 0.1
        ]
        slope = float(median(pairs))
    offset = float(median(tilt - slope * x))
    places = (np.arange(n) + 0.5) / n
    shift = (offset + slope * places) * n
    # chosen: half a pixel from middle to end is not worth a resampling.
    if np.abs(shift).max() < 1.0:
        return profile
    at = (np.arange(n)[None, :] + profile.centres[:, None] * shift[None, :]).astype(np.float32)
    rows = np.broadcast_to(np.arange(profile.strips, dtype=np.float32)[:, None], at.shape).copy()
    signal = cv2.remap(profile.signal, at, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return replace(profile, signal=np.asarray(signal, dtype=np.float32))
