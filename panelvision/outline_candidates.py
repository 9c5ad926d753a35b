"""Candidate outlines: where in a small copy of the photo could the active area be?

Several generators, none of which has to be right alone. Straight edges found by
a line-segment detector in log light and in chroma, and the sides of bright or
coloured regions at several thresholds, are pooled as lines; every pair of
near-horizontal lines with every pair of near-vertical lines makes a
quadrilateral, ranked by what lies along its sides. The regions' own
quadrilaterals are kept too, whatever their rotation.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.light import decode, luminance

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
SAMPLES = 256
SMALLEST_AREA = 0.012


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


def work_image(pixels: IntArray, *, side: int = WORK_SIDE) -> WorkImage:
    """The working copy of sRGB code values (H, W, 3), averaged down to ``side`` pixels."""
    h, w = pixels.shape[:2]
    scale = max(1.0, max(h, w) / side)
    size = (max(8, round(w / scale)), max(8, round(h / scale)))
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    # Averaging codes instead of light biases a mixed pixel by a fraction of a stop and
    # costs a tenth; the refinement works on the photo itself.
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if scale > 1 else pixels
    light = decode(small)
    channels = np.empty(light.shape, dtype=np.float32)
    channels[..., 0] = np.log2(luminance(light) + LIGHT_FLOOR)
    logs = np.log2(light + CHROMA_FLOOR)
    channels[..., 1] = logs[..., 0] - logs[..., 1]
    channels[..., 2] = logs[..., 2] - logs[..., 1]
    lum = channels[..., 0]
    rough = lum[1:-1, 1:-1] - (lum[1:-1, :-2] + lum[1:-1, 2:]) / 2
    noise = 1.4826 * float(np.median(np.abs(rough))) / np.sqrt(1.5)
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
    covered : ndarray of shape (n,)
        Length of the segments it was made of, working pixels.
    """

    offset: FloatArray
    slope: FloatArray
    covered: FloatArray

    def at(self, u: FloatArray, middle: float) -> FloatArray:
        """v of every line at positions u of shape (k,): shape (n, k)."""
        return self.offset[:, None] + self.slope[:, None] * (u - middle)[None, :]


def _as_bytes(channel: FloatArray, per_stop: float) -> IntArray:
    middle = float(np.median(channel))
    return np.clip((channel - middle) * per_stop + 128, 0, 255).astype(np.uint8)


def segments(work: WorkImage) -> FloatArray:
    """Straight edge segments (n, 5): x0, y0, x1, y1 in working pixels, and weight.

    R. Grompone von Gioi et al., "LSD: a line segment detector", IPOL 2012, in
    OpenCV's implementation, on log light (so that dim edges count as bright ones
    do) and on the stronger colour channel.
    """
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE)
    lum = work.channels[..., 0]
    low = float(np.log2(LIGHT_FLOOR))
    found = [detector.detect(np.clip((lum - low) * 28, 0, 255).astype(np.uint8))[0]]
    spread = work.channels[..., 1:].std(axis=(0, 1))
    chroma = work.channels[..., 1 + int(np.argmax(spread))]
    found.append(detector.detect(_as_bytes(chroma, 28))[0])
    parts = [f.reshape(-1, 4) for f in found if f is not None]
    if not parts:
        return np.empty((0, 5))
    seg = np.concatenate(parts).astype(np.float64)
    length = np.hypot(seg[:, 2] - seg[:, 0], seg[:, 3] - seg[:, 1])
    keep = length > 0.012 * np.hypot(work.width, work.height)
    return np.column_stack([seg[keep], length[keep]])


def group_lines(seg: FloatArray, middle: float, *, limit: int = MAX_LINES) -> Lines:
    """Merge segments (n, 5) given as u0, v0, u1, v1, length into at most ``limit`` lines.

    Segments join when both ends lie within a pixel or so of the longest one's
    line; the line is then fitted to all of them by length-weighted least squares.
    """
    if len(seg) == 0:
        empty = np.empty(0)
        return Lines(empty, empty, empty)
    slope = (seg[:, 3] - seg[:, 1]) / (seg[:, 2] - seg[:, 0])
    # The detector turns a segment round with the gradient's sign: keep the signs apart,
    # or the two edges of a thin border would be averaged.
    sign = np.sign(seg[:, 2] - seg[:, 0])
    order = np.argsort(-seg[:, 4])
    used = np.zeros(len(seg), dtype=bool)
    rows: list[tuple[float, float, float]] = []
    for k in order[: 40 * limit]:
        if used[k]:
            continue
        a, b = seg[k, 1] + slope[k] * (middle - seg[k, 0]), slope[k]
        member = np.zeros(len(seg), dtype=bool)
        for _ in range(2):
            r0 = seg[:, 1] - (a + b * (seg[:, 0] - middle))
            r1 = seg[:, 3] - (a + b * (seg[:, 2] - middle))
            member = (np.maximum(np.abs(r0), np.abs(r1)) < 1.6) & (sign == sign[k])
            member[k] = True
            w = np.tile(seg[member, 4], 2)
            u = np.concatenate([seg[member, 0], seg[member, 2]]) - middle
            v = np.concatenate([seg[member, 1], seg[member, 3]])
            um, vm = np.average(u, weights=w), np.average(v, weights=w)
            var = np.average((u - um) ** 2, weights=w)
            b = np.average((u - um) * (v - vm), weights=w) / max(var, 1e-9)
            a = vm - b * um
        used |= member
        rows.append((a, b, float(seg[member, 4].sum())))
        if len(rows) >= 6 * limit:
            break
    table = np.array(rows)
    table = table[np.argsort(-table[:, 2])][:limit]
    return Lines(table[:, 0], table[:, 1], table[:, 2])


def region_quads(work: WorkImage) -> FloatArray:
    """Quadrilaterals (n, 4, 2) round connected regions above or below several thresholds.

    Thresholds lie at quantiles of log light and of the colour distance from the
    frame's rim, so no absolute exposure is assumed.
    """
    small = work.channels[::2, ::2]
    lum = cv2.GaussianBlur(small[..., 0], (0, 0), 1.0)
    rim = np.concatenate([small[:6].reshape(-1, 3), small[-6:].reshape(-1, 3)])
    colour = np.hypot(*(small[..., c] - np.median(rim[:, c]) for c in (1, 2)))
    colour = cv2.GaussianBlur(colour.astype(np.float32), (0, 0), 1.0)
    quads = []
    smallest = SMALLEST_AREA * lum.size
    kernel = np.ones((5, 5), np.uint8)
    for image, both in ((lum, True), (colour, False)):
        low, high = np.percentile(image, [2, 98])
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
    if len(rows.offset) < 2 or len(columns.offset) < 2:
        return none
    w, h = work.width, work.height
    _, mx = _axis(work, False)
    _, my = _axis(work, True)
    # Intersections of every row line r with every column line c.
    r_a, r_b = rows.offset[:, None], rows.slope[:, None]
    c_a, c_b = columns.offset[None, :], columns.slope[None, :]
    x = (c_a + c_b * (r_a - r_b * mx - my)) / (1 - r_b * c_b)
    y = r_a + r_b * (x - mx)
    top, bottom = _pairs(rows.offset, 0.06 * h)
    left, right = _pairs(columns.offset, 0.06 * w)
    if len(top) == 0 or len(left) == 0:
        return none
    t = np.repeat(top, len(left))
    b = np.repeat(bottom, len(left))
    lo = np.tile(left, len(top))
    hi = np.tile(right, len(top))
    corners = np.stack(
        [
            np.stack([x[t, lo], y[t, lo]], axis=-1),
            np.stack([x[t, hi], y[t, hi]], axis=-1),
            np.stack([x[b, hi], y[b, hi]], axis=-1),
            np.stack([x[b, lo], y[b, lo]], axis=-1),
        ],
        axis=1,
    )
    good = _plausible(corners, w, h)
    corners, t, b, lo, hi = corners[good], t[good], b[good], lo[good], hi[good]
    if len(corners) == 0:
        return none
    along_r, along_c = _along(work, rows, False), _along(work, columns, True)
    score = _quick_score(corners, t, b, lo, hi, along_r, along_c, w, h)
    best = np.argsort(-score, kind="stable")[: 12 * keep]
    chosen = distinct(corners[best], 0.008 * np.hypot(w, h), keep)
    return corners[best][chosen], score[best][chosen]


def _pairs(offset: FloatArray, gap: float) -> tuple[IntArray, IntArray]:
    i, j = np.meshgrid(np.arange(len(offset)), np.arange(len(offset)), indexing="ij")
    good = offset[j] - offset[i] > gap
    return i[good], j[good]


def _plausible(corners: FloatArray, w: int, h: int) -> FloatArray:
    """Convex, large enough, not absurdly long, and mostly near the frame."""
    edge = np.roll(corners, -1, axis=1) - corners
    after = np.roll(edge, -1, axis=1)
    turn = edge[..., 0] * after[..., 1] - edge[..., 1] * after[..., 0]
    side = np.hypot(edge[..., 0], edge[..., 1])
    across = (side[:, 0] + side[:, 2]) / np.maximum(side[:, 1] + side[:, 3], 1e-9)
    size = (
        np.abs(
            (corners[:, 2, 0] - corners[:, 0, 0]) * (corners[:, 3, 1] - corners[:, 1, 1])
            - (corners[:, 3, 0] - corners[:, 1, 0]) * (corners[:, 2, 1] - corners[:, 0, 1])
        )
        / 2
    )
    beyond = np.maximum(
        np.maximum(-corners[..., 0], corners[..., 0] - w) / w,
        np.maximum(-corners[..., 1], corners[..., 1] - h) / h,
    ).max(axis=1)
    skew_h = side[:, 0] / np.maximum(side[:, 2], 1e-9)
    skew_v = side[:, 1] / np.maximum(side[:, 3], 1e-9)
    return (
        (turn > 0).all(axis=1)
        & (size > SMALLEST_AREA * w * h)
        & (across > 0.35)
        & (across < 4.2)
        & (beyond < 0.3)
        & (np.abs(np.log(np.maximum(skew_h, 1e-9))) < 0.75)
        & (np.abs(np.log(np.maximum(skew_v, 1e-9))) < 0.75)
    )


def _quick_score(
    corners: FloatArray,
    top: IntArray,
    bottom: IntArray,
    left: IntArray,
    right: IntArray,
    along_r: _Along,
    along_c: _Along,
    w: int,
    h: int,
) -> FloatArray:
    supports, overshoots, steps = [], [], []
    for line, p, q, size, axis, along, flip in (
        (top, 0, 1, w, 0, along_r, 1),
        (bottom, 3, 2, w, 0, along_r, -1),
        (left, 0, 3, h, 1, along_c, 1),
        (right, 1, 2, h, 1, along_c, -1),
    ):
        a = (corners[:, p, axis] + 0.5) * SAMPLES / size
        b = (corners[:, q, axis] + 0.5) * SAMPLES / size
        span = b - a
        supports.append(_mean_between(along.support, line, a + 0.02 * span, b - 0.02 * span))
        over = np.maximum(
            _mean_between(along.support, line, a - 0.12 * span, a - 0.02 * span),
            _mean_between(along.support, line, b + 0.02 * span, b + 0.12 * span),
        )
        overshoots.append(over)
        steps.append(flip * _mean_between(along.step, line, a + 0.02 * span, b - 0.02 * span))
    s = np.stack(supports, axis=1)
    o = np.stack(overshoots, axis=1)
    d = np.stack(steps, axis=1)
    same = np.abs(np.sign(d).sum(axis=1)) / 4
    size = area_of(corners) / (w * h)
    # Weights chosen by reasoning, not fitted: a preliminary cut that keeps many.
    return (
        s.mean(axis=1)
        + 0.7 * s.min(axis=1)
        - 0.35 * o.mean(axis=1)
        + 0.1 * same
        + 0.06 * np.log(np.clip(size, 0.01, 0.9))
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
    store = np.empty((keep, 4, 2))
    for k, quad in enumerate(corners):
        if kept:
            gap = np.abs(store[: len(kept)] - quad).max(axis=(1, 2))
            if gap.min() < apart:
                continue
        store[len(kept)] = quad
        kept.append(k)
        if len(kept) == keep:
            break
    return np.array(kept, dtype=np.intp)


def candidates(work: WorkImage, *, keep: int = 150) -> FloatArray:
    """All candidate outlines (n, 4, 2) in working pixels, most promising first."""
    seg = segments(work)
    regions = region_quads(work)
    if len(regions):
        ends = np.concatenate([regions, np.roll(regions, -1, axis=1)], axis=2).reshape(-1, 4)
        length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
        seg = np.concatenate([seg, np.column_stack([ends, 0.5 * length])])
    dx, dy = seg[:, 2] - seg[:, 0], seg[:, 3] - seg[:, 1]
    flat = np.abs(dy) < MAX_SLOPE * np.abs(dx)
    steep = np.abs(dx) < MAX_SLOPE * np.abs(dy)
    rows = group_lines(seg[flat], _axis(work, False)[1])
    columns = group_lines(seg[steep][:, [1, 0, 3, 2, 4]], _axis(work, True)[1])
    quads, _ = quads_from_lines(work, rows, columns, keep=keep)
    if len(regions):
        regions = regions[_plausible(regions, work.width, work.height)]
        extra = distinct(regions, 0.008 * np.hypot(work.width, work.height), 30)
        quads = np.concatenate([quads, regions[extra]])
    return quads
