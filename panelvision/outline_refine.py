"""Sub-pixel sides and corners of an outline that is roughly right.

Each side is looked at in a strip along it, in the photo's own pixels. Straight
edges in the strip are found by summing the gradient along all slightly shifted and
tilted lines (so that a step far below the noise of one pixel counts when it
runs along the whole side), the edge of the active area is chosen among them,
and a line is fitted robustly to its sub-pixel positions.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from panelvision.arrays import FloatArray, IntArray
from panelvision.light import decode
from panelvision.order_statistics import median, quantile
from panelvision.outline_trees import load_trees

# Half width of the strip as a share of the outline's height. chosen: wider than the
# black border of a panel and the error of the search together.
REACH = 0.03
ALONG = 240
DEPTHS = 161
TILTS = 13
BOWS = 7
# Sagitta over length that an uncorrected wide lens gives a line near the frame's rim: from
# memory, phones stay below 1 % after their own correction.
MOST_BOW = 0.006
# Smallest mean step of root light that counts, whatever its steadiness: a tenth of a code. chosen
LEAST_STEP = 0.0004
# Added to linear light under the root: read noise and JPEG steps in the shadows. chosen
ROOT_FLOOR = 0.0008
# An edge's mean step must be this many times its standard error along the side. chosen: a
# strip offers 160 places, of which pure noise passes 5 with probability < 1e-4.
SIGNIFICANT = 5.0
CHUNKS = 40
ENDS = np.array([-0.5, 0.0, 0.5])
# Standard error of an edge known only to the grid of the search, photo pixels. chosen
COARSE_SIGMA = 1.0
_MEAN = np.full((1, 3), 1 / 3, np.float32)


@dataclass(frozen=True)
class Side:
    """One fitted side.

    Attributes
    ----------
    start, end : ndarray of shape (2,)
        Where the fitted line passes the coarse corners' perpendiculars, photo pixels.
    offset_sigma, tilt_sigma : float
        Standard errors: mean position across the side, and difference of the position
        between both ends, photo pixels. NaN where the side could not be fitted.
    bow : float
        Sagitta of the fitted parabola in photo pixels, positive outwards; 0 if straight.
    strength : float
        Significance of the chosen edge, in spreads of the summed gradient; 0 if none.
    contrast : float
        Root-light step across the edge, inside minus outside.
    found : bool
        Whether an edge was found; otherwise the coarse side stands.
    certainty : float
        Probability that the edge is the active area's and not a neighbour.
    """

    start: FloatArray
    end: FloatArray
    offset_sigma: float
    tilt_sigma: float
    bow: float
    strength: float
    contrast: float
    found: bool
    certainty: float


@dataclass(frozen=True)
class Strip:
    """Light along one side (along, depth), depth in photo pixels, inwards.

    ``values`` is root light, ``linear`` the light itself.
    """

    values: FloatArray
    linear: FloatArray
    depth: FloatArray
    along: FloatArray
    usable: FloatArray
    origin: FloatArray
    run: FloatArray
    inward: FloatArray


def refine_corners(
    pixels: IntArray,
    corners: FloatArray,
    *,
    reach: float = REACH,
    fixed: tuple[bool, ...] = (False, False, False, False),
) -> tuple[FloatArray, FloatArray, tuple[Side, ...]]:
    """Corners moved onto the active area's edges.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8 or uint16
        sRGB code values of the upright photo.
    corners : ndarray of shape (4, 2)
        Roughly right corners in photo pixels.
    reach : float
        How far to look on each side, share of the outline's height.
    fixed : tuple of bool
        Sides (top, right, bottom, left) to leave where they are.

    Returns
    -------
    corners : ndarray of shape (4, 2)
    sigma : ndarray of shape (4,)
        Standard error of each corner along each axis (root mean square of both axes),
        photo pixels; NaN where a side that meets there was not found.
    sides : tuple of Side
        Top, right, bottom, left.
    """
    corners = np.asarray(corners, dtype=np.float64)
    edge = np.roll(corners, -1, axis=0) - corners
    length = np.hypot(edge[:, 0], edge[:, 1])
    height = (length[1] + length[3]) / 2
    half = float(np.clip(reach * min(height, (length[0] + length[2]) / 2), 4.0, 120.0))

    def side(k: int) -> Side:
        strip = None
        if not fixed[k]:
            strip = side_strip(pixels, corners[k], corners[(k + 1) % 4], half=half)
        return _not_found(corners, k) if strip is None else fit_side(strip, height=height)

    # Not beside each other: many short steps, for which threads would only wait for one another.
    sides = tuple(side(k) for k in range(4))
    return (*_corners_of(sides, corners, height), sides)


def _not_found(corners: FloatArray, k: int) -> Side:
    nan = float("nan")
    return Side(corners[k], corners[(k + 1) % 4], nan, nan, 0.0, 0.0, nan, False, 0.0)


def side_strip(pixels: IntArray, a: FloatArray, b: FloatArray, *, half: float) -> Strip | None:
    """The strip ``half`` pixels to both sides of a -> b (clockwise), or None if out of frame."""
    h, w = pixels.shape[:2]
    run = b - a
    length = float(np.hypot(*run))
    if length < 16:
        return None
    inward = np.array([-run[1], run[0]]) / length
    along = 0.02 + 0.96 * (np.arange(ALONG) + 0.5) / ALONG
    depth = np.linspace(-half, half, DEPTHS)
    x, y = (
        (a[k] + along * run[k])[:, None] + (depth * inward[k])[None, :]  # (along, depth)
        for k in (0, 1)
    )
    inside = (x > 1) & (y > 1) & (x < w - 2) & (y < h - 2)
    usable = inside.mean(axis=1) > 0.5
    if usable.sum() < ALONG // 8:
        return None
    x0 = int(np.clip(np.floor(x.min()) - 1, 0, w - 2))
    y0 = int(np.clip(np.floor(y.min()) - 1, 0, h - 2))
    x1 = int(np.clip(np.ceil(x.max()) + 2, x0 + 2, w))
    y1 = int(np.clip(np.ceil(y.max()) + 2, y0 + 2, h))
    got = cv2.remap(
        pixels[y0:y1, x0:x1],
        (x - x0).astype(np.float32),
        (y - y0).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    light = decode(got)
    # The root of light has nearly the same noise at every level (Anscombe 1948).
    root = cv2.sqrt(light + np.float32(ROOT_FLOOR))
    values, linear = (cv2.transform(image, _MEAN) for image in (root, light))
    return Strip(values, linear, depth, along, usable, a, run, inward)


@dataclass(frozen=True)
class Ridge:
    """One straight or slightly bowed edge in a strip.

    Attributes
    ----------
    offset : float
        Depth of its chord at the middle of the side, photo pixels.
    tilt : float
        Change of depth from end to end, photo pixels.
    bow : float
        How far its middle lies inside of its chord, photo pixels.
    height : float
        Mean step across it in root light, positive when the inside is brighter.
    strength : float
        Mean step over its standard error, from the scatter along the side.
    """

    offset: float
    tilt: float
    bow: float
    height: float
    strength: float

    def at(self, along: FloatArray) -> FloatArray:
        """Depth at positions ``along`` (0..1 of the side)."""
        s = along - 0.5
        return self.offset + self.tilt * s + self.bow * (1 - 4 * s * s)


class _Chunks:
    """Gradients across a strip, averaged over short pieces along it."""

    def __init__(self, strip: Strip) -> None:
        self.step = float(strip.depth[1] - strip.depth[0])
        # Central difference over about two photo pixels, but no less than two samples.
        self.reach = max(1, round(1.0 / self.step))
        use = np.flatnonzero(strip.usable)
        values = strip.values[use]
        r = self.reach
        rise = np.zeros_like(values)
        rise[:, r:-r] = values[:, 2 * r :] - values[:, : -2 * r]
        # A content edge or a highlight that crosses the strip must not outweigh the rest
        # of the side: single steps are limited to a few times a typical strong one.
        limit = 3 * float(quantile(np.abs(rise), 0.97)) + 1e-6
        rise = np.clip(rise, -limit, limit)
        count = min(CHUNKS, max(1, len(use) // 4))
        bounds = np.linspace(0, len(use), count + 1).astype(int)[:-1]
        size = np.diff(np.append(bounds, len(use)))[:, None]
        self.rise = np.add.reduceat(rise, bounds, axis=0) / size
        self.light = np.add.reduceat(values, bounds, axis=0) / size
        self.along = np.add.reduceat(strip.along[use], bounds) / size[:, 0]

    def follow(self, image: FloatArray, tilt: float, bow: float) -> FloatArray:
        """Chunks moved so that a ridge of this shape is straight: (chunk, depth)."""
        moved, shift = self._moved(image, np.array([tilt]), np.array([bow]))
        return moved[np.arange(len(shift)), shift[:, 0]]

    def mean_along(self, tilts: FloatArray, bows: FloatArray) -> FloatArray:
        """Mean rise along ridges of each shape: (shape, depth)."""
        moved, shift = self._moved(self.rise, tilts, bows)
        # Chunk by chunk: a copy of all chunks for all shapes would not fit the cache.
        total = np.zeros((len(tilts), self.rise.shape[1]))
        for rows, at in zip(moved, shift, strict=True):
            total += rows[at]
        return total / len(shift)

    def _moved(
        self, image: FloatArray, tilts: FloatArray, bows: FloatArray
    ) -> tuple[FloatArray, IntArray]:
        """Each chunk at every shift (chunk, shift, depth), and the shapes' (chunk, shape)."""
        s = (self.along - 0.5)[:, None]
        shift = np.rint((tilts * s + bows * (1 - 4 * s * s)) / self.step).astype(int)
        most = int(np.abs(shift).max())
        padded = np.pad(image, ((0, 0), (most, most)), mode="edge")
        return sliding_window_view(padded, image.shape[1], axis=1), shift + most


@dataclass(frozen=True)
class Ridges:
    """The edges that run along one strip, from outside to inside.

    Attributes
    ----------
    found : tuple of Ridge
    table : ndarray of shape (n, k)
        What is measured about each; columns as in ``RIDGE_FEATURES``.
    """

    found: tuple[Ridge, ...]
    table: FloatArray


def ridges(strip: Strip, *, height: float) -> Ridges:
    """Edges that run along a strip.

    The shape (tilt and bow) is that of the strip's strongest edge: all edges of a
    set are nearly parallel and bent alike by the lens. Edges that are also there are then
    looked for along the same shape, where steps far below a single pixel's noise show.

    Parameters
    ----------
    height : float
        Height of the outline in photo pixels, for figures that are shares of it.
    """
    chunks = _Chunks(strip)
    length = float(np.hypot(*strip.run))
    most_tilt = 0.35 * strip.depth[-1]
    most_bow = min(MOST_BOW * length, 0.35 * strip.depth[-1])
    tilts, bows = np.meshgrid(
        np.linspace(-most_tilt, most_tilt, TILTS), np.linspace(-most_bow, most_bow, BOWS)
    )
    shapes = tilts.ravel(), bows.ravel()
    mean = np.abs(chunks.mean_along(*shapes))
    rim = max(chunks.reach + 1, round(0.05 * DEPTHS))
    mean[:, :rim] = 0
    mean[:, -rim:] = 0
    best = int(np.argmax(mean.max(axis=1)))
    shape = float(shapes[0][best]), float(shapes[1][best])
    rise = chunks.follow(chunks.rise, *shape)
    light = chunks.follow(chunks.light, *shape)
    step = rise.mean(axis=0)
    scatter = 1.4826 * median(np.abs(rise - median(rise, axis=0)), axis=0)
    scatter = np.hypot(scatter, 0.5 * rise.std(axis=0)) / np.sqrt(len(rise))
    strength = np.abs(step) / np.maximum(scatter, LEAST_STEP / SIGNIFICANT)
    size = np.abs(step)
    gap = max(chunks.reach, round(1.2 / chunks.step))
    highest = cv2.dilate(size[None], np.ones((1, 2 * gap + 1), np.uint8))[0]
    peak = (size >= highest - 1e-12) & (strength > SIGNIFICANT)
    at = rim + np.flatnonzero(peak[rim : DEPTHS - rim])
    found = tuple(
        Ridge(
            float(strip.depth[j]),
            *shape,
            float(step[j]),
            float(strength[j]),
        )
        for j in at
    )
    return Ridges(found, _describe(found, at, chunks, rise, light, height))


RIDGE_FEATURES = (
    "depth",
    "height",
    "height_size",
    "height_share",
    "height_over_noise",
    "strength",
    "agreement",
    "light_inside",
    "light_outside",
    "light_ratio",
    "light_ratio_far",
    "rough_inside",
    "rough_outside",
    "inner_gap",
    "inner_height",
    "inner_count",
    "inner_best_rise",
    "inner_best_fall",
    "outer_gap",
    "outer_height",
    "outer_count",
    "outer_best_rise",
    "outer_best_fall",
    "valley_inside",
    "valley_outside",
    "light_deep",
    "light_far_outside",
    "pixels_per_height",
)


def _describe(
    found: tuple[Ridge, ...],
    at: IntArray,
    chunks: _Chunks,
    rise: FloatArray,
    light: FloatArray,
    height: float,
) -> FloatArray:
    if not found:
        return np.empty((0, len(RIDGE_FEATURES)))
    level = light.mean(axis=0)
    rough = light.std(axis=0)
    heights = np.array([r.height for r in found])
    depth = np.array([r.offset for r in found]) / height
    top = np.abs(heights).max()
    near = max(2, round(3.0 / chunks.step))
    far = max(near + 1, round(0.012 * height / chunks.step))
    last = DEPTHS - 1
    rows = []
    for k, j in enumerate(at):
        i1, o1 = min(j + near, last), max(j - near, 0)
        i2, o2 = min(j + far, last), max(j - far, 0)
        inner, outer = heights[k + 1 :], heights[:k]
        rows.append(
            (
                depth[k],
                heights[k],
                np.log(abs(heights[k])),
                heights[k] / top,
                heights[k] / (rough[i1] + rough[o1] + 1e-4),
                np.log(found[k].strength),
                np.abs(np.sign(rise[:, j]).mean()),
                level[i1],
                level[o1],
                np.log(level[i1] / level[o1]),
                np.log(level[i2] / level[o2]),
                rough[i1],
                rough[o1],
                depth[k + 1] - depth[k] if len(inner) else 0.1,
                inner[0] / top if len(inner) else 0.0,
                len(inner),
                inner.max(initial=0) / top,
                inner.min(initial=0) / top,
                depth[k] - depth[k - 1] if len(outer) else 0.1,
                outer[-1] / top if len(outer) else 0.0,
                len(outer),
                outer.max(initial=0) / top,
                outer.min(initial=0) / top,
                np.log(level[j : i2 + 1].min() / level[i2]),
                np.log(level[o2 : j + 1].min() / level[o2]),
                level[round(0.9 * last)],
                level[round(0.1 * last)],
                np.log(height),
            )
        )
    return np.array(rows, dtype=np.float64)


def choose_ridge(found: Ridges) -> tuple[Ridge | None, float, float]:
    """The ridge that is most likely the edge of the active area.

    Learned from drawn photographs, because the order of edges differs: a lit picture ends
    where the light falls most; on a dark screen the bezel's edge is the strongest, and inside
    it, a black border away, the glass brightens a little where the pixels begin.

    Returns
    -------
    ridge : Ridge or None
    certainty : float
        Probability that it is the active area's edge and not a neighbour.
    shift : float
        Where it is not, the way from it to the expected edge, share of the outline's
        height, positive inwards.
    """
    if not found.found:
        return None, 0.0, 0.0
    probability = load_trees("side").probability(found.table)
    best = int(np.argmax(probability))
    shift = float(load_trees("shift").sum(found.table[best : best + 1])[0])
    return found.found[best], float(probability[best]), shift


def fit_side(strip: Strip, *, height: float) -> Side:
    """Fit the active area's edge in a strip; see :func:`choose_ridge`."""
    nan = float("nan")
    end = strip.origin + strip.run
    ridge, certainty, shift = choose_ridge(ridges(strip, height=height))
    if ridge is None:
        return Side(strip.origin, end, nan, nan, 0.0, 0.0, nan, False, 0.0)
    inwards = shift * height if certainty < 0.5 else 0.0
    t, d, weight = _positions(strip, ridge)
    plain = Side(
        strip.origin + (ridge.offset - ridge.tilt / 2 + inwards) * strip.inward,
        end + (ridge.offset + ridge.tilt / 2 + inwards) * strip.inward,
        COARSE_SIGMA,
        2 * COARSE_SIGMA,
        -ridge.bow,
        ridge.strength,
        ridge.height,
        True,
        certainty,
    )
    if len(t) < 6:
        return plain
    d += inwards
    coefficients, covariance = _robust_line(t, d, weight, 1)
    bow = 0.0
    slope_extra = 0.0
    curved, curved_cov = _robust_line(t, d, weight, 2)
    length = float(np.hypot(*strip.run))
    # A parabola only when it is beyond doubt, visible and as slight as a lens makes it.
    if (
        abs(curved[2]) > 5 * np.sqrt(curved_cov[2, 2])
        and 0.25 * abs(curved[2]) > 0.4
        and 0.25 * abs(curved[2]) < 0.012 * length
        and np.ptp(t) > 0.7
    ):
        coefficients, covariance = curved[:2], curved_cov[:2, :2]
        slope_extra = curved[2]
        bow = 0.25 * float(curved[2])
    # A fit to a few chunks at one end says nothing about the other end.
    strayed = np.polynomial.polynomial.polyval(ENDS, curved if slope_extra else coefficients)
    strayed -= ridge.at(ENDS + 0.5) + inwards
    if np.abs(strayed).max() > max(4.0, 0.006 * height):
        return plain
    at_start = coefficients[0] - 0.5 * coefficients[1] + 0.25 * slope_extra
    at_end = coefficients[0] + 0.5 * coefficients[1] + 0.25 * slope_extra
    return Side(
        strip.origin + at_start * strip.inward,
        end + at_end * strip.inward,
        float(np.sqrt(covariance[0, 0])),
        float(np.sqrt(covariance[1, 1])),
        bow,
        ridge.strength,
        ridge.height,
        True,
        certainty,
    )


def _positions(strip: Strip, ridge: Ridge) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sub-pixel edge positions in chunks along a ridge: t - 0.5, depth, weight."""
    step = float(strip.depth[1] - strip.depth[0])
    reach = max(1, round(1.0 / step))
    use = np.flatnonzero(strip.usable)
    along = strip.along[use] - 0.5
    # A lens blurs light, not its root: only in light does the edge lie at the centroid.
    values = strip.linear[use]
    count = min(CHUNKS, len(use) // 4)
    which = np.minimum((np.arange(len(use)) * count) // len(use), count - 1)
    window = max(2.5, 3 * step)
    rel = np.arange(-round(window / step) - reach, round(window / step) + reach + 1)
    centre_line = ridge.at(strip.along[use])
    j = (centre_line[:, None] - strip.depth[0]) / step + rel[None, :]
    inside = (j.min(axis=1) >= 0) & (j.max(axis=1) <= DEPTHS - 1)
    j = np.clip(j, 0, DEPTHS - 1.001)
    low = j.astype(int)
    frac = j - low
    rows = np.arange(len(use))[:, None]
    profile = values[rows, low] * (1 - frac) + values[rows, low + 1] * frac
    depth = rel[reach:-reach] * step
    whole = np.flatnonzero(inside)
    _, first, rows_of = np.unique(which[whole], return_index=True, return_counts=True)
    if len(whole) == 0:
        return np.empty(0), np.empty(0), np.empty(0)
    mean = np.add.reduceat(profile[whole], first, axis=0) / rows_of[:, None]
    t = np.add.reduceat(along[whole], first) / rows_of
    grad = (mean[:, 2 * reach :] - mean[:, : -2 * reach]) * np.sign(ridge.height)
    positive = np.maximum(grad, 0)
    total = positive.sum(axis=1)
    at = (positive * depth).sum(axis=1) / np.maximum(total, 1e-30)
    # Once more in a window centred on the first answer: the centroid of a window
    # that is not centred on the edge is drawn towards the window's middle.
    tapered = positive * np.maximum(1 - np.abs(depth - at[:, None]) / window, 0)
    near = tapered.sum(axis=1)
    at = (tapered * depth).sum(axis=1) / np.maximum(near, 1e-30)
    keep = (rows_of >= 3) & (total > 0) & (near > 0)
    t, at, weight = t[keep], at[keep], positive.max(axis=1)[keep]
    if len(weight):
        # The error of a chunk's position falls with its contrast; beyond twice the
        # median the file's own steps set the limit.
        weight = np.minimum(weight, 2 * median(weight)) ** 2
    return t, ridge.at(t + 0.5) + at, weight


def _robust_line(
    t: FloatArray, d: FloatArray, weight: FloatArray, degree: int
) -> tuple[FloatArray, FloatArray]:
    """Tukey-weighted polynomial in t and its covariance from the residuals' robust spread."""
    a = np.vander(t, degree + 1, increasing=True)
    w = weight / max(weight.mean(), 1e-12)
    x = _solve(a, d, w)
    # Start from the L1 fit, which half the points being off does not upset.
    for _ in range(12):
        r = np.abs(d - a @ x)
        x = _solve(a, d, w / np.maximum(r, 0.05))
    for _ in range(6):
        r = d - a @ x
        s = max(1.4826 * _weighted_median(np.abs(r), w), 0.02)
        tukey = np.maximum(1 - (r / (4.685 * s)) ** 2, 0) ** 2
        v = w * tukey
        if (v > 1e-6).sum() < degree + 3:
            break
        x = _solve(a, d, v)
    r = d - a @ x
    s = max(1.4826 * _weighted_median(np.abs(r), w), 0.02)
    keep = w * (np.abs(r) < 4.685 * s)
    normal = np.linalg.pinv((a * keep[:, None]).T @ a)
    meat = (a * (keep**2 * np.maximum(r**2, (0.3 * s) ** 2))[:, None]).T @ a
    return x, normal @ meat @ normal


def _solve(a: FloatArray, d: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted least squares by the normal equations, several times as quick as ``lstsq``.

    The ridge is far below the fit's own error; it only keeps points that lie all at one place
    from failing.
    """
    weighted = a.T * weight
    gram = weighted @ a
    gram.flat[:: len(gram) + 1] += 1e-12 * gram[0, 0]
    return np.linalg.solve(gram, weighted @ d)


def _weighted_median(x: FloatArray, w: FloatArray) -> float:
    order = np.argsort(x)
    total = np.cumsum(w[order])
    return float(x[order][np.searchsorted(total, total[-1] / 2)])


def end_sigma(side: Side, height: float, systematic: FloatArray) -> float:
    """Standard error of a side's position at its ends, photo pixels.

    The scatter along the side, what stays however long the side is, and the chance
    that the edge is a neighbour's.

    Parameters
    ----------
    height : float
        Height of the outline, photo pixels.
    systematic : ndarray of shape (2,)
        Standard error that remains at full certainty, as a share of the height; and at none.
    """
    scatter = np.hypot(side.offset_sigma, side.tilt_sigma / 2)
    sure, unsure = systematic * height
    return float(np.sqrt(scatter**2 + sure**2 + (unsure * (1 - side.certainty)) ** 2))


def _corners_of(
    sides: tuple[Side, ...], fallback: FloatArray, height: float
) -> tuple[FloatArray, FloatArray]:
    """Intersect neighbouring sides; propagate their errors."""
    corners = np.empty((4, 2))
    sigma = np.full(4, np.nan)
    systematic = load_trees("side").calibration
    for k in range(4):
        before, after = sides[k - 1], sides[k]
        before_line = _tangent(before, at_end=True)
        after_line = _tangent(after, at_end=False)
        point = _cross(before_line, after_line)
        corners[k] = fallback[k] if point is None else point
        if before.found and after.found and point is not None:
            n = np.array([_normal(before_line), _normal(after_line)])
            at_corner = np.array([end_sigma(side, height, systematic) for side in (before, after)])
            spread = np.linalg.inv(n) @ np.diag(at_corner**2) @ np.linalg.inv(n).T
            sigma[k] = float(np.sqrt(np.trace(spread) / 2))
    return corners, sigma


def _tangent(side: Side, *, at_end: bool) -> tuple[FloatArray, FloatArray]:
    """A point and direction of the side at one of its ends (its chord, turned by the bow)."""
    run = side.end - side.start
    length = float(np.hypot(*run))
    if length < 1e-9 or side.bow == 0:
        return (side.end if at_end else side.start), run
    outward = np.array([run[1], -run[0]]) / length
    turn = -4 * side.bow if at_end else 4 * side.bow
    return (side.end if at_end else side.start), run + turn * outward


def _cross(
    first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]
) -> FloatArray | None:
    (p, u), (q, v) = first, second
    det = u[0] * v[1] - u[1] * v[0]
    if abs(det) < 1e-3 * np.hypot(*u) * np.hypot(*v):
        return None
    s = ((q[0] - p[0]) * v[1] - (q[1] - p[1]) * v[0]) / det
    return p + s * u


def _normal(line: tuple[FloatArray, FloatArray]) -> FloatArray:
    run = line[1]
    return np.array([-run[1], run[0]]) / np.hypot(*run)
