"""Candidate outlines: where in a small copy of the photo could the active area be?

Several generators, none of which has to be right alone. Straight edges found by
a line-segment detector in log light and in chroma, and the sides of bright or
coloured regions at several thresholds, are pooled as lines; every pair of
near-horizontal lines with every pair of near-vertical lines makes a
quadrilateral, ranked by what lies along its sides. The regions' own
quadrilaterals are kept too, whatever their rotation.
"""

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.beside import beside
from panelvision.light import LUMINANCE_WEIGHTS, averaged, decode
from panelvision.order_statistics import median, quantile

# chosen: longest side of the working copy; a bezel of 2 cm round a 1 m set that
# fills a third of the frame is still 5 pixels wide.
WORK_SIDE = 800
# Floors of the logarithms, share of white: about where an 8-bit sRGB file of a
# phone ends in noise and JPEG steps (code 6 for light, code 26 for colour). chosen
LIGHT_FLOOR = 0.002
CHROMA_FLOOR = 0.01
# Gradient at which an edge counts half, stops per working pixel. chosen: the step from
# glass to black border under a torch is 0.1 to 0.3 stops (measured on own drawings).
HALF_GRADIENT = 0.06
# How far a line may lean from its main direction, as a slope: 30 degrees of yaw in a wide
# phone lens plus 8 degrees of roll stay below.
MAX_SLOPE = 0.75
MAX_LINES = 30
# The longest ones only, so that foliage or text costs no more than a wall. chosen
MOST_SEGMENTS = 900
SAMPLES = 256
SMALLEST_AREA = 0.012
# What the frame's border counts as a side, between nothing and a clear edge. chosen
FRAME_SUPPORT = 0.45
# Longest side over the one opposite: 35 degrees of yaw at a distance of the set's own width.
MOST_SKEW = 2.1
_CODES = np.arange(256, dtype=np.uint8)
_LINEAR = decode(_CODES)
_LOG_COLOUR = np.log2(_LINEAR + CHROMA_FLOOR)
_PER_STOP = np.float32(1 / np.log(2))
# Room for the light, red less green, blue less green.
_OVER_GREEN = np.array([[0, 0, 0], [1, -1, 0], [0, -1, 1]], np.float32)


@dataclass(frozen=True)
class WorkImage:
    """A small copy of a photo in the quantities that show edges.

    Attributes
    ----------
    channels : ndarray of shape (h, w, 3), float32
        Log2 of luminance; log2 of red over green; log2 of blue over green: all in stops.
    scale : float
        Photo pixels per working pixel.
    size : tuple of int
        Photo width and height in pixels.
    noise : float
        Standard deviation of the luminance channel's pixel-to-pixel noise, in stops.
    """

    channels: FloatArray
    scale: float
    size: tuple[int, int]
    noise: float

    @property
    def width(self) -> int:
        """Width in working pixels."""
        return int(self.channels.shape[1])

    @property
    def height(self) -> int:
        """Height in working pixels."""
        return int(self.channels.shape[0])

    def to_photo(self, points: FloatArray) -> FloatArray:
        """Working pixels (..., 2) to photo pixels (centres at integers in both)."""
        return (points + 0.5) * self._ratio() - 0.5

    def to_work(self, points: FloatArray) -> FloatArray:
        """Photo pixels (..., 2) to working pixels."""
        return (points + 0.5) / self._ratio() - 0.5

    def _ratio(self) -> FloatArray:
        return np.array([self.size[0] / self.width, self.size[1] / self.height])


def work_image(
    pixels: IntArray, *, side: int = WORK_SIDE, photo_size: tuple[int, int] | None = None
) -> WorkImage:
    """The working copy of sRGB code values (H, W, 3), averaged down to ``side`` pixels.

    ``photo_size``: width and height of the photo where ``pixels`` are a smaller copy of it.
    """
    w, h = photo_size or pixels.shape[1::-1]
    scale = max(1.0, max(h, w) / side)
    size = (max(8, round(w / scale)), max(8, round(h / scale)))
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    # To average light instead would cost ten times as much; the refinement works on the photo
    # itself.
    small = averaged(pixels, size) if scale > 1 else pixels
    light = cv2.LUT(small, _LINEAR)
    lum = cv2.transform(light, LUMINANCE_WEIGHTS.reshape(1, 3))
    channels = cv2.transform(cv2.LUT(small, _LOG_COLOUR), _OVER_GREEN)
    lum = cv2.log(lum + np.float32(LIGHT_FLOOR)) * _PER_STOP
    channels = cv2.insertChannel(lum, channels, 0)
    rough = lum[1:-1:3, 1:-1] - (lum[1:-1:3, :-2] + lum[1:-1:3, 2:]) / 2
    noise = 1.4826 * float(median(np.abs(rough))) / np.sqrt(1.5)
    return WorkImage(channels, scale, (w, h), noise)


@dataclass(frozen=True)
class Lines:
    """Straight lines along one main direction.

    For near-horizontal lines the running coordinate u is x and the line is
    v = y = offset + slope * (x - half width); for near-vertical ones x and y swap.

    Attributes
    ----------
    offset, slope : ndarray of shape (n,)
        Position at the middle of the frame in working pixels; change of v per u.
    frame : ndarray of shape (n,), bool
        The photo's own border, which closes screens that are partly outside.
    """

    offset: FloatArray
    slope: FloatArray
    frame: BoolArray

    def at(self, u: FloatArray, middle: float) -> FloatArray:
        """v of every line at positions u of shape (k,): shape (n, k)."""
        return self.offset[:, None] + self.slope[:, None] * (u - middle)[None, :]


def _as_bytes(channel: FloatArray, per_stop: float) -> IntArray:
    middle = float(median(channel))
    return np.clip((channel - middle) * per_stop + 128, 0, 255).astype(np.uint8)


def segments(work: WorkImage) -> FloatArray:
    """Straight edge segments (n, 5): x0, y0, x1, y1 in working pixels, and weight.

    R. Grompone von Gioi et al., "LSD: a line segment detector", IPOL 2012, in
    OpenCV's implementation, on log light (so that dim edges count as bright ones
    do) and on the stronger colour channel.
    """

    def in_light() -> FloatArray | None:
        lum = cv2.extractChannel(work.channels, 0)
        low = float(np.log2(LIGHT_FLOOR))
        return _detected(np.clip((lum - low) * 28, 0, 255).astype(np.uint8))

    def in_colour() -> FloatArray | None:
        spread = cv2.meanStdDev(work.channels)[1][1:, 0]
        chroma = cv2.extractChannel(work.channels, 1 + int(np.argmax(spread)))
        return _detected(_as_bytes(chroma, 28))

    parts = [f.reshape(-1, 4) for f in beside([in_light, in_colour]) if f is not None]
    if not parts:
        return np.empty((0, 5))
    seg = np.concatenate(parts).astype(np.float64)
    length = np.hypot(seg[:, 2] - seg[:, 0], seg[:, 3] - seg[:, 1])
    seg = np.column_stack([seg, length])[length > 0.012 * np.hypot(work.width, work.height)]
    return seg[np.argsort(-seg[:, 4], kind="stable")[:MOST_SEGMENTS]]


def _detected(channel: IntArray) -> FloatArray | None:
    segment: FloatArray | None
    segment = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE).detect(channel)[0]
    return segment


def group_lines(seg: FloatArray, middle: float, *, limit: int = MAX_LINES) -> Lines:
    """Merge segments (n, 5) given as u0, v0, u1, v1, length into at most ``limit`` lines.

    Segments join when both ends lie within a pixel or so of the longest one's
    line; the line is then fitted to all of them by length-weighted least squares.
    """
    if len(seg) == 0:
        return Lines(np.empty(0), np.empty(0), np.empty(0, dtype=bool))
    slope = (seg[:, 3] - seg[:, 1]) / (seg[:, 2] - seg[:, 0])
    # The detector turns a segment round with the gradient's sign: keep the signs apart,
    # or the two edges of a thin border would be averaged.
    sign = np.sign(seg[:, 2] - seg[:, 0])
    order = np.argsort(-seg[:, 4])
    used = np.zeros(len(seg), dtype=bool)
    u0, v0, u1, v1, length = np.ascontiguousarray(seg.T)
    u0, u1 = u0 - middle, u1 - middle
    # Each segment's share in the moments of a fit to both ends, weighted by its length.
    moments = length * np.stack(
        [np.full(len(seg), 2.0), u0 + u1, v0 + v1, u0 * u0 + u1 * u1, u0 * v0 + u1 * v1]
    )
    rows: list[tuple[float, float, float]] = []
    for k in order[: 40 * limit]:
        if used[k]:
            continue
        a, b = v0[k] - slope[k] * u0[k], slope[k]
        alike = sign == sign[k]
        weight = 0.0
        for _ in range(2):
            member = (np.abs(v0 - (a + b * u0)) < 1.6) & (np.abs(v1 - (a + b * u1)) < 1.6) & alike
            member[k] = True
            weight, um, vm, uu, uv = moments @ member
            um, vm = um / weight, vm / weight
            b = (uv / weight - um * vm) / max(uu / weight - um * um, 1e-9)
            a = vm - b * um
        used |= member
        rows.append((a, b, weight / 2))
        if len(rows) >= 6 * limit:
            break
    table = np.array(rows)
    table = table[np.argsort(-table[:, 2])]
    # Both ways of finding an edge often give it twice.
    single: list[int] = []
    for k, row in enumerate(table):
        gap = np.abs(table[single, :2] - row[:2])
        if not np.any((gap[:, 0] < 0.8) & (gap[:, 1] < 0.006)):
            single.append(k)
        if len(single) == limit:
            break
    table = table[single]
    return Lines(table[:, 0], table[:, 1], np.zeros(len(table), dtype=bool))


def with_frame(lines: Lines, last: int) -> Lines:
    """Lines and the two borders of the frame that run the same way, at 0 and ``last``."""
    return Lines(
        np.append(lines.offset, [0.0, float(last)]),
        np.append(lines.slope, [0.0, 0.0]),
        np.append(lines.frame, [True, True]),
    )


def region_quads(work: WorkImage) -> FloatArray:
    """Quadrilaterals (n, 4, 2) round connected regions above or below several thresholds.

    Thresholds lie at quantiles of log light and of the colour distance from the
    frame's rim, so no absolute exposure is assumed.
    """
    small = work.channels[::2, ::2]
    lum = cv2.GaussianBlur(small[..., 0], (0, 0), 1.0)
    rim = np.concatenate([small[:6].reshape(-1, 3), small[-6:].reshape(-1, 3)])
    colour = np.hypot(*(small[..., c] - median(rim[:, c]) for c in (1, 2)))
    colour = cv2.GaussianBlur(colour.astype(np.float32), (0, 0), 1.0)
    quads = []
    smallest = SMALLEST_AREA * lum.size
    kernel = np.ones((5, 5), np.uint8)
    for image, both in ((lum, True), (colour, False)):
        low, high = quantile(image, [0.02, 0.98])
        for level in np.linspace(low, high, 9)[1:-1]:
            masks = [image > level] + ([image < level] if both else [])
            for mask in masks:
                closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
                found, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
                for contour in found:
                    if cv2.contourArea(contour) < smallest:
                        continue
                    quad = _four_sides(cv2.convexHull(contour))
                    if quad is not None:
                        quads.append(quad * 2 + 0.5)
    return np.array(quads).reshape(-1, 4, 2)


def _four_sides(hull: IntArray) -> FloatArray | None:
    """Four corners of a convex hull that is nearly a quadrilateral, else None."""
    length = cv2.arcLength(hull, True)
    for share in (0.02, 0.035, 0.05, 0.07):
        shape = cv2.approxPolyDP(hull, share * length, True)
        if len(shape) == 4:
            quad = shape.reshape(4, 2).astype(np.float64)
            covered = cv2.contourArea(shape) / max(cv2.contourArea(hull), 1.0)
            return ordered(quad) if covered > 0.85 else None
        if len(shape) < 4:
            return None
    return None


def ordered(quad: FloatArray) -> FloatArray:
    """Corners (4, 2) as top-left, top-right, bottom-right, bottom-left."""
    centre = quad.mean(axis=0)
    angle = np.arctan2(quad[:, 1] - centre[1], quad[:, 0] - centre[0])
    round_ = quad[np.argsort(angle)]  # clockwise on the screen, from the left
    return np.roll(round_, -int(np.argmin(round_.sum(axis=1))), axis=0)


@dataclass(frozen=True)
class _Along:
    """What lies along each line of one direction: running sums over SAMPLES positions."""

    support: FloatArray  # (n, SAMPLES + 1) of 0..1 edge support
    step: FloatArray  # (n, SAMPLES + 1) of log light after minus before the line, in stops


def _along(work: WorkImage, lines: Lines, vertical: bool) -> _Along:
    length, middle = _axis(work, vertical)
    u = (np.arange(SAMPLES) + 0.5) * length / SAMPLES - 0.5
    v = lines.at(u, middle)
    uu = np.broadcast_to(u, v.shape)
    inside = (v > 3) & (v < (work.width if vertical else work.height) - 4)

    def sample(shift: float) -> FloatArray:
        a, b = uu.astype(np.float32), (v + shift).astype(np.float32)
        at = (b, a) if vertical else (a, b)
        return cv2.remap(
            work.channels, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )

    near = [sample(s) for s in (-2.0, -1.0, 0.0, 1.0, 2.0)]
    # Steepest of three steps across the line, so that a pixel's error of the line is forgiven.
    steps = np.stack([near[k + 2] - near[k] for k in range(3)])
    grad = np.sqrt(steps[..., 0] ** 2 + 0.5 * (steps[..., 1] ** 2 + steps[..., 2] ** 2)).max(axis=0)
    half = 2 * max(HALF_GRADIENT, 1.5 * work.noise)
    support = np.where(inside, grad / (grad + half), 0.0)
    step = np.where(inside, (sample(4.0) - sample(-4.0))[..., 0], 0.0)
    support[lines.frame] = FRAME_SUPPORT
    return _Along(_sums(support), _sums(step))


def _sums(values: FloatArray) -> FloatArray:
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def _axis(work: WorkImage, vertical: bool) -> tuple[int, float]:
    length = work.height if vertical else work.width
    return length, (length - 1) / 2


def _mean_between(sums: FloatArray, line: IntArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Mean of a summed profile between sample positions a < b (clipped to the frame)."""
    i = np.clip(np.rint(a), 0, SAMPLES).astype(np.intp)
    j = np.clip(np.rint(b), 0, SAMPLES).astype(np.intp)
    n = np.maximum(j - i, 1)
    return (sums[line, j] - sums[line, i]) / n


def quads_from_lines(
    work: WorkImage, rows: Lines, columns: Lines, *, keep: int = 150
) -> tuple[FloatArray, FloatArray]:
    """Quadrilaterals of two near-horizontal and two near-vertical lines, best first.

    Returns
    -------
    corners : ndarray of shape (n, 4, 2), working pixels
    score : ndarray of shape (n,)
        Preliminary: support of the sides, ends that stop at the corners, size.
    """
    none = np.empty((0, 4, 2)), np.empty(0)
    w, h = work.width, work.height
    top, bottom = _pairs(rows, 0.06 * h)
    left, right = _pairs(columns, 0.06 * w)
    if len(top) == 0 or len(left) == 0:
        return none
    _, mx = _axis(work, False)
    _, my = _axis(work, True)
    # Intersections of every row line r with every column line c.
    r_a, r_b = rows.offset[:, None], rows.slope[:, None]
    c_a, c_b = columns.offset[None, :], columns.slope[None, :]
    x = (c_a + c_b * (r_a - r_b * mx - my)) / (1 - r_b * c_b)
    y = r_a + r_b * (x - mx)
    # A side is a line and the two lines that cut it: far fewer than quadrilaterals.
    of_rows = _sides(_along(work, rows, False), x[:, left], x[:, right], w)
    of_columns = _sides(_along(work, columns, True), y[top].T, y[bottom].T, h)
    score = _quick_score(of_rows, of_columns, (top, bottom), (left, right))
    wide = (columns.offset[right] - columns.offset[left])[None, :]
    high = (rows.offset[bottom] - rows.offset[top])[:, None]
    score += 0.06 * np.log(np.clip(wide * high / (w * h), 0.01, 0.9))
    score[(wide > 5 * high) | (wide < 0.3 * high)] = -np.inf
    count = min(60 * keep, int(np.isfinite(score).sum()))
    if count == 0:
        return none
    flat = np.argpartition(-score, count - 1, axis=None)[:count]
    flat = flat[np.argsort(-score.ravel()[flat], kind="stable")]
    q, p = np.unravel_index(flat, score.shape)
    t, b, lo, hi = top[q], bottom[q], left[p], right[p]
    corners = np.stack(
        [
            np.stack([x[t, lo], y[t, lo]], axis=-1),
            np.stack([x[t, hi], y[t, hi]], axis=-1),
            np.stack([x[b, hi], y[b, hi]], axis=-1),
            np.stack([x[b, lo], y[b, lo]], axis=-1),
        ],
        axis=1,
    )
    good = np.flatnonzero(_plausible(corners, w, h))[: 8 * keep]
    chosen = good[distinct(corners[good], 0.008 * np.hypot(w, h), keep)]
    return corners[chosen], score.ravel()[flat[chosen]]


def _pairs(lines: Lines, gap: float) -> tuple[IntArray, IntArray]:
    count = np.arange(len(lines.offset))
    i, j = np.meshgrid(count, count, indexing="ij")
    good = (lines.offset[j] - lines.offset[i] > gap) & ~(lines.frame[i] & lines.frame[j])
    return i[good], j[good]


def _sides(
    along: _Along, start: FloatArray, end: FloatArray, size: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Support, support beyond the ends, step and length of lines (n) between cuts (n, pairs)."""
    a = (start + 0.5) * SAMPLES / size
    b = (end + 0.5) * SAMPLES / size
    span = b - a
    line = np.broadcast_to(np.arange(len(a))[:, None], a.shape)
    support = _mean_between(along.support, line, a + 0.02 * span, b - 0.02 * span)
    beyond = np.maximum(
        _mean_between(along.support, line, a - 0.12 * span, a - 0.02 * span),
        _mean_between(along.support, line, b + 0.02 * span, b + 0.12 * span),
    )
    step = _mean_between(along.step, line, a + 0.02 * span, b - 0.02 * span)
    return support, beyond, step, span


def _quick_score(
    of_rows: tuple[FloatArray, ...],
    of_columns: tuple[FloatArray, ...],
    row_pairs: tuple[IntArray, IntArray],
    column_pairs: tuple[IntArray, IntArray],
) -> FloatArray:
    """Preliminary score (row pairs, column pairs); a cut that keeps many, so not fitted."""
    (top, bottom), (left, right) = row_pairs, column_pairs

    def four(k: int) -> list[FloatArray]:
        r, c = of_rows[k].astype(np.float32), of_columns[k].T.astype(np.float32, order="C")
        return [r.take(top, 0), r.take(bottom, 0), c.take(left, 1), c.take(right, 1)]

    support, beyond, step = four(0), four(1), four(2)
    total = support[0] + support[1] + support[2] + support[3]
    least = np.minimum(np.minimum(support[0], support[1]), np.minimum(support[2], support[3]))
    past = beyond[0] + beyond[1] + beyond[2] + beyond[3]
    same = np.abs(np.sign(step[0]) - np.sign(step[1]) + np.sign(step[2]) - np.sign(step[3]))
    score = total / 4 + 0.7 * least - 0.09 * past + 0.025 * same
    span = [np.maximum(s, 1e-3) for s in four(3)]
    for a, b in ((0, 1), (2, 3)):
        score[(span[a] > MOST_SKEW * span[b]) | (span[b] > MOST_SKEW * span[a])] = -np.inf
    return score


def _plausible(corners: FloatArray, w: int, h: int) -> BoolArray:
    """Convex, large enough, not absurdly long, and mostly near the frame."""
    edge = np.roll(corners, -1, axis=1) - corners
    after = np.roll(edge, -1, axis=1)
    turn = edge[..., 0] * after[..., 1] - edge[..., 1] * after[..., 0]
    side = np.hypot(edge[..., 0], edge[..., 1])
    across = (side[:, 0] + side[:, 2]) / np.maximum(side[:, 1] + side[:, 3], 1e-9)
    beyond = np.maximum(
        np.maximum(-corners[..., 0], corners[..., 0] - w) / w,
        np.maximum(-corners[..., 1], corners[..., 1] - h) / h,
    ).max(axis=1)
    skew_h = side[:, 0] / np.maximum(side[:, 2], 1e-9)
    skew_v = side[:, 1] / np.maximum(side[:, 3], 1e-9)
    return (
        (turn > 0).all(axis=1)
        & (area_of(corners) > SMALLEST_AREA * w * h)
        & (across > 0.35)
        & (across < 4.2)
        & (beyond < 0.3)
        & (np.abs(np.log(np.maximum(skew_h, 1e-9))) < np.log(MOST_SKEW))
        & (np.abs(np.log(np.maximum(skew_v, 1e-9))) < np.log(MOST_SKEW))
    )


def area_of(corners: FloatArray) -> FloatArray:
    """Areas (n,) of quadrilaterals (n, 4, 2)."""
    d1, d2 = corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1]
    return np.abs(d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]) / 2


def distinct(corners: FloatArray, apart: float, keep: int) -> IntArray:
    """Indices of at most ``keep`` quadrilaterals, in order, no two closer than ``apart``.

    Distance is the largest distance between corresponding corners.
    """
    kept: list[int] = []
    left = np.arange(len(corners))
    flat = np.ascontiguousarray(corners.reshape(len(corners), 8).T)
    while len(left) and len(kept) < keep:
        kept.append(int(left[0]))
        far = np.abs(flat - flat[:, :1]).max(axis=0) >= apart
        far[0] = False
        left, flat = left[far], flat[:, far]
    return np.array(kept, dtype=np.intp)


def candidates(work: WorkImage, *, keep: int = 150) -> FloatArray:
    """All candidate outlines (n, 4, 2) in working pixels, most promising first."""
    seg, regions = beside([partial(segments, work), partial(region_quads, work)])
    if len(regions):
        ends = np.concatenate([regions, np.roll(regions, -1, axis=1)], axis=2).reshape(-1, 4)
        length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
        seg = np.concatenate([seg, np.column_stack([ends, 0.5 * length])])
    dx, dy = seg[:, 2] - seg[:, 0], seg[:, 3] - seg[:, 1]
    flat = np.abs(dy) < MAX_SLOPE * np.abs(dx)
    steep = np.abs(dx) < MAX_SLOPE * np.abs(dy)
    rows = group_lines(seg[flat], _axis(work, False)[1])
    columns = group_lines(seg[steep][:, [1, 0, 3, 2, 4]], _axis(work, True)[1])
    rows, columns = with_frame(rows, work.height - 1), with_frame(columns, work.width - 1)
    quads, _ = quads_from_lines(work, rows, columns, keep=keep)
    if len(regions):
        regions = regions[_plausible(regions, work.width, work.height)]
        extra = distinct(regions, 0.008 * np.hypot(work.width, work.height), 30)
        quads = np.concatenate([quads, regions[extra]])
    return quads


def on_frame(work: WorkImage, corners: FloatArray) -> BoolArray:
    """Which sides (top, right, bottom, left) of (n, 4, 2) lie on the frame's border: (n, 4)."""
    near = 1.5
    x, y = corners[..., 0], corners[..., 1]
    hit = np.stack(
        [y < near, x > work.width - 1 - near, y > work.height - 1 - near, x < near], axis=-1
    )
    side = np.arange(4)
    return hit[:, side, side] & hit[:, (side + 1) % 4, side]
