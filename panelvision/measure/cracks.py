"""Broken glass: lines that run out from a point of impact, and ink-like bleeds.

Cracks are thin, slanted, and point back at one place from many directions.
Ink (liquid crystal run out of a broken cell) is black in every colour, shows no
picture, and has a ragged border that follows neither the panel's axes nor any
smooth curve.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.reduced import NAN, Reduced, codes_of, inset, largest, reduce_view
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

_LINE_WIDTH = 640
_AXIS_DEG = 8.0  # chosen: straightened picture edges and panel faults lie within this of the axes
_SHORTEST = 0.012  # share of the width (chosen)
_BINS = 16
_GRID = (40, 22)
_NEAR = 0.012  # distance at which a line counts as passing a point, share of the width (chosen)
_REACH = 0.35  # farther pieces say nothing about a point (chosen)
_INK_WIDTH = 240


@dataclass(frozen=True)
class Ink:
    """A black ragged patch.

    Attributes
    ----------
    x, y : float
        Centre, fractions of the active area.
    area : float
        Share of the active area.
    light : float
        Its light over the median light of the rest.
    solidity : float
        Area over that of its convex hull.
    extent : float
        Area over that of its bounding box.
    ragged : float
        Perimeter over that of the disc of equal area.
    axis_share : float
        Share of its border (inside the screen) that runs along the panel's axes.
    """

    x: float
    y: float
    area: float
    light: float
    solidity: float
    extent: float
    ragged: float
    axis_share: float
    border_share: float
    texture: float


@dataclass(frozen=True)
class CrackFindings:
    """Star and ink.

    Attributes
    ----------
    impact : tuple of float, or None
        Point that the lines run out from, fractions of the active area.
    star : float
        How many of 16 directions have lines through that point, weighted by length, 0..16.
    star_over_typical : float
        The same over the median of all points.
    ink : Ink or None
        The patch that looks most like ink.
    ink_score : float
        0..1, how much it does.
    found : bool
    """

    impact: tuple[float, float] | None
    star: float
    star_over_typical: float
    ink: Ink | None
    ink_score: float
    found: bool
    values: dict[str, float]


def find_cracks(view: ScreenView) -> CrackFindings:
    """Look for an impact star and for ink in a squared-up view."""
    lines = reduce_view(view, _LINE_WIDTH)
    dark = reduce_view(view, _INK_WIDTH)
    if min(lines.valid.shape) < 64 or lines.valid.mean() < 0.2:
        return CrackFindings(None, NAN, NAN, None, NAN, False, dict.fromkeys(_NAMES, NAN))
    segments = _segments(lines)
    star, point, typical, slanted, length, about = _star(
        segments, lines.light.shape[1], lines.light.shape[0]
    )
    inks = _inks(dark)
    ink = inks[0] if inks else None
    distance = NAN
    if ink is not None and point is not None:
        distance = float(np.hypot(ink.x - point[0], (ink.y - point[1]) * 9 / 16))
    ratio = star / (typical + 0.5)
    ink_score = _ink_score(ink) if ink else 0.0
    values = dict(
        zip(
            _NAMES,
            (
                star,
                ratio,
                slanted,
                length,
                distance,
                ink_score,
                ink.area if ink else 0.0,
                ink.light if ink else NAN,
                ink.solidity if ink else NAN,
                ink.extent if ink else NAN,
                ink.ragged if ink else NAN,
                ink.axis_share if ink else NAN,
                ink.border_share if ink else NAN,
                ink.texture if ink else NAN,
                float(len(inks)),
                float(sum(i.area for i in inks)),
                star * (0.2 + ink_score),
                *about,
                star * about[0],
            ),
            strict=True,
        )
    )
    found = bool((star > 5.5 and ratio > 3.0) or (ink_score > 0.5 and star > 3.0))
    return CrackFindings(
        impact=point if found and star > 3 else None,
        star=star,
        star_over_typical=ratio,
        ink=ink,
        ink_score=ink_score,
        found=found,
        values=values,
    )


_NAMES = (
    "cracks_star",
    "cracks_star_over_typical",
    "cracks_slanted_share",
    "cracks_slanted_length",
    "cracks_ink_to_star",
    "cracks_ink_score",
    "cracks_ink_area",
    "cracks_ink_light",
    "cracks_ink_solidity",
    "cracks_ink_extent",
    "cracks_ink_ragged",
    "cracks_ink_axis_share",
    "cracks_ink_border_share",
    "cracks_ink_texture",
    "cracks_dark_patches",
    "cracks_dark_area",
    "cracks_star_and_ink",
    "cracks_radial_purity",
    "cracks_near_directions",
    "cracks_longest_radial",
    "cracks_pure_star",
)


def _segments(reduced: Reduced) -> FloatArray:
    """Line segments (n, 4) x0 y0 x1 y1 in pixels; thin ridges count, both edges of each."""
    codes = codes_of(reduced.luminance)
    # Local contrast evens out bright and dark parts, so that cracks in shade count too.
    soft = cv2.GaussianBlur(codes, (0, 0), 8)
    even = np.clip(128 + 90 * (codes - soft) / (soft + 25), 0, 255).astype(np.uint8)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, 1.0).detect(even)[0]
    if found is None:
        return np.empty((0, 4))
    found = found.reshape(-1, 4).astype(np.float64)
    h, w = codes.shape
    middle = np.clip((found[:, :2] + found[:, 2:]) / 2, 0, (w - 1, h - 1)).astype(int)
    keep = (reduced.valid & inset((h, w), 0.02))[middle[:, 1], middle[:, 0]]
    return found[keep]


def _star(
    segments: FloatArray, w: int, h: int
) -> tuple[float, tuple[float, float] | None, float, float, float, tuple[float, float, float]]:
    """Best point's score, the point, the median score, share and length of slanted segments.

    Last come the purity, the directions close by and the longest piece of the star.
    """
    if len(segments) == 0:
        return 0.0, None, 0.0, 0.0, 0.0, (NAN, 0.0, 0.0)
    vector = segments[:, 2:] - segments[:, :2]
    length = np.hypot(*vector.T)
    angle = np.degrees(np.arctan2(vector[:, 1], vector[:, 0])) % 90
    slanted = (np.minimum(angle, 90 - angle) > _AXIS_DEG) & (length > _SHORTEST * w)
    share = float(length[slanted].sum() / max(length.sum(), 1e-9))
    total = float(length[slanted].sum() / w)
    if slanted.sum() < 4:
        return 0.0, None, 0.0, share, total, (NAN, 0.0, 0.0)
    order = np.argsort(-length[slanted])[:600]
    a = segments[slanted][order, :2]
    v = vector[slanted][order]
    n = length[slanted][order]
    unit = v / n[:, None]
    middle = a + v / 2
    gx, gy = np.meshgrid(
        (np.arange(_GRID[0]) + 0.5) * w / _GRID[0], (np.arange(_GRID[1]) + 0.5) * h / _GRID[1]
    )
    best, scores = _vote(np.column_stack([gx.ravel(), gy.ravel()]), middle, unit, n, w, _NEAR * 1.2)
    typical = float(median(scores))
    centre = np.array([gx.ravel()[best], gy.ravel()[best]])
    step = w / _GRID[0] / 3
    local = centre + step * np.stack(np.meshgrid(np.arange(-2, 3), np.arange(-2, 3)), -1).reshape(
        -1, 2
    )
    best, scores = _vote(local, middle, unit, n, w, _NEAR)
    point = local[best]
    x, y = (float(c) for c in np.clip(point / (w, h), 0, 1))
    return float(scores[best]), (x, y), typical, share, total, _about(point, middle, unit, n, w)


def _about(
    point: FloatArray, middle: FloatArray, unit: FloatArray, length: FloatArray, w: int
) -> tuple[float, float, float]:
    """Share of the slanted length near a point that points at it, directions close by, longest.

    Twigs and letters lie in all directions about any point; cracks near an impact are radial.
    """
    to = middle - point
    far = np.hypot(to[:, 0], to[:, 1])
    off = np.abs(to[:, 0] * unit[:, 1] - to[:, 1] * unit[:, 0])
    radial = off < _NEAR * w + 0.06 * far
    near = far < 0.15 * w
    total = float(length[near].sum())
    purity = float(length[near & radial].sum()) / total if total > 0 else NAN
    close = radial & (far < 0.10 * w)
    direction = (np.arctan2(to[close, 1], to[close, 0]) + np.pi) / (2 * np.pi) * _BINS
    directions = float(len(set((direction.astype(int) % _BINS).tolist())))
    longest = float(length[radial & near].max(initial=0)) / w
    return purity, directions, longest


def _vote(
    points: FloatArray,
    middle: FloatArray,
    unit: FloatArray,
    length: FloatArray,
    w: int,
    near: float,
) -> tuple[int, FloatArray]:
    to = middle[None] - points[:, None]
    far = np.hypot(to[..., 0], to[..., 1])
    off = np.abs(to[..., 0] * unit[None, :, 1] - to[..., 1] * unit[None, :, 0])
    # The tolerance grows with distance: cracks wind a little.
    hit = (off < near * w + 0.06 * far) & (far < _REACH * w)
    weight = hit * np.minimum(length / w, 0.08) / 0.03 * np.exp(-far / (0.2 * w))
    direction = ((np.arctan2(to[..., 1], to[..., 0]) + np.pi) / (2 * np.pi) * _BINS).astype(
        int
    ) % _BINS
    scores = np.zeros(len(points))
    for b in range(_BINS):
        scores += np.minimum((weight * (direction == b)).sum(axis=1), 1.0)
    return int(np.argmax(scores)), scores


def _inks(dark: Reduced) -> list[Ink]:
    """Dark patches, most ink-like first."""
    h, w = dark.valid.shape
    light = largest(dark.light)
    use = dark.valid & inset((h, w), 0.012)
    if use.sum() < 500:
        return []
    level = float(quantile(light[use], 0.75))
    if level < 3e-3:
        return []
    soft = cv2.GaussianBlur(light, (0, 0), 0.8)
    # chosen: a tenth of the upper light above the darkest; ink blocks all of the picture's, the
    # room's light on the glass remains.
    floor = float(quantile(light[use], 0.01))
    if floor > 0.3 * level:
        return []
    black = ((soft < max(floor + 0.10 * (level - floor), 1.5e-3)) & use).astype(np.uint8)
    black = cv2.morphologyEx(black, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, centres = cv2.connectedComponentsWithStats(black, connectivity=8)
    rest = float(median(light[use & (labels == 0)])) if (use & (labels == 0)).any() else level
    inks = []
    order = np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:8] + 1
    for k in order:
        x, y, bw, bh, size = (int(v) for v in stats[k])
        if size < 0.003 * h * w:
            break
        inks.append(_describe(labels == k, light, rest, use, (x, y, bw, bh), centres[k]))
    return sorted(inks, key=lambda i: -_ink_score(i))


def _describe(
    mask: BoolArray,
    light: FloatArray,
    rest: float,
    use: BoolArray,
    box: tuple[int, int, int, int],
    centre: FloatArray,
) -> Ink:
    h, w = mask.shape
    x, y, bw, bh = box
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=len)
    area = float(mask.sum())
    hull = float(cv2.contourArea(cv2.convexHull(outline)))
    points = outline.reshape(-1, 2)
    on_border = (
        (points[:, 0] <= 0.02 * w)
        | (points[:, 0] >= 0.98 * w - 1)
        | (points[:, 1] <= 0.03 * h)
        | (points[:, 1] >= 0.97 * h - 1)
    )
    # Direction over 7 contour points: ragged borders turn, straight ones keep to an axis.
    ahead = np.roll(points, -7, axis=0) - points
    along = np.minimum(np.abs(ahead[:, 0]), np.abs(ahead[:, 1])) <= 0.5
    inner = ~on_border
    axis_share = float(along[inner].mean()) if inner.sum() >= 8 else 1.0
    inside = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    values = light[inside] if inside.any() else light[mask]
    perimeter = float(cv2.arcLength(outline, True))
    return Ink(
        x=float((centre[0] + 0.5) / w),
        y=float((centre[1] + 0.5) / h),
        area=area / (h * w),
        light=float(median(values) / max(rest, 1e-6)),
        solidity=area / hull if hull > 0 else 1.0,
        extent=area / (bw * bh),
        ragged=perimeter / (2 * np.sqrt(np.pi * area)),
        axis_share=axis_share,
        border_share=float(on_border.mean()),
        texture=float(values.std() / max(rest, 1e-6)),
    )


def _ink_score(ink: Ink) -> float:
    """0..1: size, blackness and a ragged border off the axes."""
    size = np.clip((ink.area - 0.004) / 0.02, 0, 1) * np.clip((0.5 - ink.area) / 0.2, 0, 1)
    black = np.clip((0.12 - ink.light) / 0.08, 0, 1)
    free = np.clip((0.45 - ink.axis_share) / 0.25, 0, 1)
    shape = np.clip((ink.ragged - 1.0) / 0.4, 0, 1) * np.clip((ink.solidity - 0.3) / 0.3, 0, 1)
    inside = np.clip((1.0 - ink.border_share) / 0.4, 0, 1)
    return float(size * black * free * shape * inside)
