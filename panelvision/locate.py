"""Find the active area: candidates, one score, sub-pixel sides, aspect ratio."""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.errors import DataError
from panelvision.geometry import (
    area,
    aspect_with_focal,
    focal_and_aspect,
    is_convex,
    unit_square_to,
)
from panelvision.order_statistics import median
from panelvision.outline_candidates import (
    WorkImage,
    candidates,
    distinct,
    on_frame,
    work_image,
)
from panelvision.outline_refine import Side, refine_corners
from panelvision.outline_score import measure_candidates
from panelvision.outline_trees import load_trees
from panelvision.photo import Photo
from panelvision.squareup import Outline

# Focal length over the frame's diagonal: 28 mm on a 43.3 mm frame. From memory: phones'
# main cameras are 24 to 28 mm (equivalent), and technicians zoom in a little.
FOCAL_OVER_DIAGONAL = 0.65
# Factor by which the true focal length may differ either way (one standard deviation). chosen
FOCAL_SPREAD = 1.25
# Below this an outline is not worth showing as found. chosen
LEAST_CONFIDENCE = 0.05
# chosen: with less of the marked area in the photo the corners belong to another one.
LEAST_INSIDE = 0.1
# chosen: in frame sizes; a screen of which a tenth is in the photo ends nearer.
_FARTHEST = 20
# chosen: width over height of a marked area, or the other way round; a panel has 64 : 27 at most,
# and seen from the side it looks narrower.
_LONGEST = 8.0
# chosen: below it an upright shape is as likely a mistake as a phone held upright.
SURE_OF_SHAPE = 0.5
# Candidates that come this close to the best one are refined too, and the one whose sides
# convince most is taken: nested frames differ little on the small copy. chosen
WORTH_MARGIN = 0.3
MOST_TRIES = 3
# Confidence from which no other candidate is tried. chosen: saves a quarter of the time
CONVINCED = 0.97
# chosen: a user's corner this near the frame's edge, photo pixels, may be where the frame cuts.
_AT_FRAME = 3.0
# Prior share of each format among sets that come for repair: common practice, no source.
_FORMATS = (
    (16 / 9, 0.88),
    (16 / 10, 0.04),
    (4 / 3, 0.02),
    (64 / 27, 0.02),
    (5 / 4, 0.01),
    (9 / 16, 0.02),
    (10 / 16, 0.005),
    (3 / 4, 0.005),
)


@dataclass(frozen=True)
class Location:
    """Where the screen is.

    Attributes
    ----------
    outline : Outline or None
        None when nothing in the photo looks like a screen.
    aspect : float
        Width / height of the active area; 16/9 when there is no outline.
    aspect_source : str
        ``"prior"`` (16:9 assumed, the evidence does not object) or ``"perspective"``.
    candidates : tuple of Outline
        Runners-up, best first, unrefined.
    measures : dict
        What :meth:`features` reports.
    """

    outline: Outline | None
    aspect: float
    aspect_source: str
    candidates: tuple[Outline, ...]
    measures: dict[str, float]

    @property
    def on_its_side(self) -> bool:
        """Whether the screen's top was taken to be at one of the photo's sides."""
        outline = self.outline
        return outline is not None and outline.source != "frame" and outline.quarter_turns % 2 == 1

    def features(self) -> dict[str, float]:
        """Scale-free figures for the evidence; NaN where there is no outline."""
        return dict(self.measures)


_FEATURES = (
    "outline_confidence",
    "outline_runner_up",
    "outline_candidates",
    "outline_area_share",
    "outline_in_frame",
    "outline_corners_outside",
    "outline_sides_found",
    "outline_certainty_mean",
    "outline_certainty_min",
    "outline_strength_min",
    "outline_strength_mean",
    "outline_contrast_mean",
    "outline_contrast_min",
    "outline_contrast_max",
    "outline_sigma_share",
    "outline_moved_share",
    "outline_bow_share",
    "outline_log_aspect",
    "outline_aspect_deviation",
    "outline_support_mean",
    "outline_support_min",
    "outline_overshoot",
    "outline_rim_spread",
    "outline_rim_level",
)


@dataclass(frozen=True)
class Search:
    """What a small copy of a photo says of where its screen may be.

    Attributes
    ----------
    work : WorkImage
    found : ndarray of shape (n, 4, 2)
        Candidate outlines in working pixels.
    table, names
        Their measures (n, k) and what these are called.
    worth : ndarray of shape (n,)
        How well each is thought to overlap the screen.
    """

    work: WorkImage
    found: FloatArray
    table: FloatArray
    names: tuple[str, ...]
    worth: FloatArray


def search(small: IntArray, photo_size: tuple[int, int]) -> Search:
    """Look for the screen in a small copy, code values (h, w, 3), of a photo of that size."""
    work = work_image(small, photo_size=photo_size)
    focal = FOCAL_OVER_DIAGONAL * float(np.hypot(work.width, work.height))
    found = candidates(work)
    if len(found) == 0:
        return Search(work, found, np.empty((0, 0)), (), np.empty(0))
    table, names = measure_candidates(work, found, focal)
    return Search(work, found, table, tuple(names), load_trees("rank").sum(table))


def locate(photo: Photo, searched: Search | None = None) -> Location:
    """Find the screen's active area in a photo.

    Lit and dark screens, tilted, turned and partly outside the frame. One that stands on its
    short side was photographed with the phone turned: its corners begin at the photo's top right,
    so that it is upright once squared up (or on its head; which, a rectangle does not tell). The
    outline's ``confidence`` is the probability that it overlaps the true one by more than 0.9
    (intersection over union).

    ``searched``: what :func:`search` says of the photo's small copy, where it is known already.
    """
    searched = searched or search(photo.small, (photo.width, photo.height))
    work, found, worth = searched.work, searched.found, searched.worth
    if len(found) == 0:
        return _nothing(0)
    ranking = load_trees("rank")
    tries: list[Attempt] = []
    scores: list[float] = []
    for index in worth_trying(work, found, worth):
        if scores and _most(ranking.calibration, found, work, worth, index) <= max(scores):
            continue
        tries.append(attempt(photo, work, found, worth, index))
        scores.append(_logistic(float(ranking.calibration @ np.append(1.0, tries[-1].inputs))))
        if scores[-1] > CONVINCED:
            break
    confidence = max(scores)
    chosen = tries[scores.index(confidence)]
    size = (photo.width, photo.height)
    coarse = work.to_photo(found[chosen.index])
    tried = Outline(chosen.corners, confidence, chosen.sigma, cut=tuple(chosen.cut))
    sides, cut = chosen.sides, chosen.cut
    if confidence >= SURE_OF_SHAPE and stands_on_end(tried, size):
        tried, coarse = laid_down(tried), np.roll(coarse, -1, axis=0)
        sides = (*sides[1:], sides[0])
    corners, sigma = tried.corners, tried.sigma
    order = np.argsort(-worth, kind="stable")
    runners = _runners_up(work, found[order], np.clip(worth[order], 0, 1))
    if confidence < LEAST_CONFIDENCE:
        return Location(None, 16 / 9, "prior", runners, _measures_of_nothing(len(found)))
    outline = Outline(corners, confidence, sigma)
    if sum(cut) == 1:
        # The side outside the frame follows from the others if the set is 16:9.
        aspect, source = 16 / 9, "prior"
        whole = extend(corners, cut.index(True), 16 / 9, size)
        if whole is None:
            outline = replace(outline, cut=tuple(cut))
        else:
            outline = Outline(whole, confidence, np.full(4, np.nan))
    else:
        aspect, source = aspect_of(corners, size, sigma=sigma)
        # On the frame with all four sides it is a screenshot, or cropped to the screen.
        if 1 < sum(cut) < 4:
            outline = replace(outline, cut=tuple(cut))
    row = dict(zip(searched.names, searched.table[chosen.index], strict=True))
    measures = _measures(outline, coarse, sides, row, runners, size, len(found))
    return Location(outline, aspect, source, runners, measures)


@dataclass(frozen=True)
class Attempt:
    """One candidate with its sides refined.

    Attributes
    ----------
    index : int
        Which candidate.
    corners, sigma, sides
        As from :func:`panelvision.outline_refine.refine_corners`.
    cut : tuple of bool
        Sides that lie on the frame's border, because the screen goes on outside.
    inputs : ndarray of shape (6,)
        What the confidence is computed from: worth of the candidate, its lead over the best
        one elsewhere, mean and least certainty of the sides, share of sides found, number of
        sides on the frame's border.
    """

    index: int
    corners: FloatArray
    sigma: FloatArray
    sides: tuple[Side, ...]
    cut: tuple[bool, ...]
    inputs: FloatArray


def worth_trying(work: WorkImage, found: FloatArray, worth: FloatArray) -> IntArray:
    """Indices of the few best candidates that are different screens, best first."""
    order = np.argsort(-worth, kind="stable")[:40]
    order = order[worth[order] > worth[order[0]] - WORTH_MARGIN]
    apart = 0.012 * float(np.hypot(work.width, work.height))
    return order[distinct(found[order], apart, MOST_TRIES)]


def attempt(
    photo: Photo, work: WorkImage, found: FloatArray, worth: FloatArray, index: int
) -> Attempt:
    """Refine candidate ``index`` of ``found`` (n, 4, 2, working pixels) and describe it."""
    coarse = work.to_photo(found[index])
    cut = _cut(work, found, index)
    corners, sigma, sides = refine_corners(photo.pixels, coarse, fixed=cut)
    if not _close(corners, coarse):
        corners, sigma = coarse, np.full(4, np.nan)
    lead = _lead(work, found, worth, index)
    certainty = np.array([s.certainty for s, c in zip(sides, cut, strict=True) if not c] or [0.0])
    share = float(np.mean([s.found for s in sides]))
    inputs = np.array(
        [worth[index], lead, certainty.mean(), certainty.min(), share, float(sum(cut))]
    )
    return Attempt(int(index), corners, sigma, sides, cut, inputs)


def stands_on_end(outline: Outline, size: tuple[int, int]) -> bool:
    """Whether a whole screen of a usual format stands on its short side in the photo.

    A set at a bench never does; a phone held upright whose photo lost its orientation tag shows
    it so. Where the frame cuts a screen off, its shape says nothing.
    """
    inside = (outline.corners > _AT_FRAME) & (outline.corners < np.array(size) - 1 - _AT_FRAME)
    if any(outline.cut) or (outline.source == "user" and not inside.all()):
        return False
    aspect, _ = aspect_of(outline.corners, size, sigma=outline.sigma)
    return aspect in [ratio for ratio, _ in _FORMATS if ratio < 1]


def laid_down(outline: Outline) -> Outline:
    """The same outline with the photo's right side taken for the screen's top."""
    return replace(
        outline, corners=np.roll(outline.corners, -1, axis=0), sigma=np.roll(outline.sigma, -1)
    )


def _cut(work: WorkImage, found: FloatArray, index: int) -> tuple[bool, ...]:
    return tuple(bool(c) for c in on_frame(work, found[index : index + 1])[0])


def _lead(work: WorkImage, found: FloatArray, worth: FloatArray, index: int) -> float:
    """Worth of a candidate over that of the best one elsewhere."""
    far = 0.03 * np.hypot(work.width, work.height)
    apart = np.abs(found - found[index]).max(axis=(1, 2)) > far
    return float(worth[index] - (worth[apart].max() if apart.any() else 0.0))


def _most(
    calibration: FloatArray, found: FloatArray, work: WorkImage, worth: FloatArray, index: int
) -> float:
    """The confidence that a candidate would reach if its sides were as sure as can be."""
    start, of_worth, of_lead, *of_sides, of_cut = calibration
    known = start + of_worth * worth[index] + of_lead * _lead(work, found, worth, index)
    known += of_cut * sum(_cut(work, found, index))
    return _logistic(known + sum(max(c, 0.0) for c in of_sides))


def _logistic(x: float) -> float:
    return float(1 / (1 + np.exp(-x)))


def refine(photo: Photo, corners: FloatArray) -> Outline:
    """The outline that a user's corners mean: moved onto the edges near them.

    The user wins: where no clear edge lies within 1.5 % of the height, the corners stay
    as given, and their standard error is unknown (NaN).

    Parameters
    ----------
    corners : array-like of shape (4, 2)
        Top-left, top-right, bottom-right, bottom-left in pixels of the upright photo.

    Raises
    ------
    DataError
        When the four points are not a convex quadrilateral in that order, or lie outside the
        photo.
    """
    size = f"{photo.width} x {photo.height} pixels"
    outside = f"corners: they lie outside the photo, which has {size}"
    given = np.asarray(corners, dtype=np.float64)
    far = _FARTHEST * max(photo.width, photo.height)
    if given.shape == (4, 2) and np.isfinite(given).all() and np.abs(given).max() > far:
        raise DataError(outside)
    if given.shape != (4, 2) or not is_convex(given):
        raise DataError(
            "corners: give them in this order: top-left, top-right, bottom-right, bottom-left"
        )
    edge = np.roll(given, -1, axis=0) - given
    side = np.hypot(edge[:, 0], edge[:, 1])
    long = (side[0] + side[2]) / (side[1] + side[3])
    try:
        unit_square_to(given)
    except ValueError:
        long = np.inf  # three of them on one line
    if not 1 / _LONGEST <= long <= _LONGEST:
        raise DataError(
            "corners: no screen is so narrow; mark the four corners of the part that shows picture"
        )
    frame = np.array([[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]])
    inside, _ = cv2.intersectConvexConvex(given.astype(np.float32), frame.astype(np.float32))
    if inside < LEAST_INSIDE * area(given):
        raise DataError(outside)
    moved, sigma, _ = refine_corners(photo.pixels, given, reach=0.015)
    if not _close(moved, given, share=0.02):
        return Outline(given, 1.0, np.full(4, np.nan), "user")
    return Outline(moved, 1.0, sigma, "user")


def aspect_of(
    corners: FloatArray, size: tuple[int, int], *, sigma: FloatArray | None = None
) -> tuple[float, str]:
    """Width / height of the active area, and whether the evidence or the prior chose it.

    The rectangle's shape follows from its perspective (Zhang and He, MSR-TR-03-39) once
    the focal length is known; where the corners do not give it reliably, that of a usual
    phone camera is taken. Among the common formats the most probable one is returned: the
    prior is 16:9 unless the evidence speaks strongly. A shape that fits none is returned
    as measured.

    Parameters
    ----------
    corners : ndarray of shape (4, 2), photo pixels
    size : width and height of the photo in pixels
    sigma : ndarray of shape (4,), optional
        Standard error of each corner in pixels.

    Returns
    -------
    (aspect, ``"prior"`` or ``"perspective"``)
    """
    measured, spread = measured_aspect(corners, size, sigma=sigma)
    if not np.isfinite(measured):
        return 16 / 9, "prior"
    # A two-hundredth of the weight on "something else", spread evenly over 0.3 .. 4.
    other = 0.005 / np.log(4 / 0.3)
    scores = [
        prior
        * np.exp(-0.5 * (np.log(measured / ratio) / spread) ** 2)
        / (spread * np.sqrt(2 * np.pi))
        for ratio, prior in _FORMATS
    ]
    best = int(np.argmax(scores))
    if scores[best] < other:
        return float(measured), "perspective"
    return _FORMATS[best][0], "prior" if best == 0 else "perspective"


def measured_aspect(
    corners: FloatArray, size: tuple[int, int], *, sigma: FloatArray | None = None
) -> tuple[float, float]:
    """Aspect ratio from the perspective alone, and the standard error of its logarithm."""
    corners = np.asarray(corners, dtype=np.float64)
    centre = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    usual = FOCAL_OVER_DIAGONAL * float(np.hypot(*size))
    focal, spread_of_focal = usual, FOCAL_SPREAD
    with np.errstate(all="ignore"):
        own = focal_and_aspect(corners, centre)
        # The corners' own focal length only when it is a camera's; with hardly any tilt it
        # is anything, but then the ratio hardly depends on it.
        if own is not None and abs(np.log(own[0] / usual)) < 2 * np.log(FOCAL_SPREAD):
            focal = float(np.exp(0.5 * (np.log(own[0]) + np.log(usual))))
            spread_of_focal = FOCAL_SPREAD**0.7
        values = [
            aspect_with_focal(corners, focal * k, centre)
            for k in (1 / spread_of_focal, 1.0, spread_of_focal)
        ]
    if not np.all(np.isfinite(values)) or min(values) <= 0:
        return float("nan"), float("nan")
    edge = np.roll(corners, -1, axis=0) - corners
    side = float(median(np.hypot(edge[:, 0], edge[:, 1])))
    known = sigma is not None and np.isfinite(sigma).all()
    corner = float(np.mean(sigma)) if known and sigma is not None else 0.004 * side
    spread = np.hypot(np.log(values[2] / values[0]) / 2, 1.5 * corner / side)
    # chosen: lens distortion and outlines a border's width off leave 2 % even when all is sharp.
    return float(values[1]), float(np.hypot(spread, 0.02))


def extend(
    corners: FloatArray, side: int, aspect: float, size: tuple[int, int]
) -> FloatArray | None:
    """Corners of a screen cut off by the frame on one side, from its known aspect ratio.

    The two sides that are cut, and the whole one opposite, fix the plane for a given
    focal length (that of a usual phone camera): the cut sides meet in the vanishing point of
    their direction, the other direction is perpendicular to it in space.

    Parameters
    ----------
    corners : ndarray of shape (4, 2)
        Corners with the missing side laid anywhere across the cut sides.
    side : int
        Which side is missing: 0 top, 1 right, 2 bottom, 3 left.
    aspect : float
        Width / height of the active area.

    Returns
    -------
    ndarray of shape (4, 2), or None when the result would not be a proper outline or
    would lie inside the frame.
    """
    focal = FOCAL_OVER_DIAGONAL * float(np.hypot(*size))
    centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    rays = np.column_stack([(np.asarray(corners) - centre) / focal, np.ones(4)])
    order = [(side + 2 + k) % 4 for k in range(4)]  # kept a, kept b, then beyond b, beyond a
    a, b, past_b, past_a = (rays[k] for k in order)
    away = np.cross(np.cross(a, past_a), np.cross(b, past_b))
    length = float(np.linalg.norm(away))
    if length < 1e-12:
        return None
    away /= length
    if away @ (past_a - a) < 0:
        away = -away
    across = np.cross(np.cross(a, b), away)
    # a + s * across lies on the ray of b: solve for s and b's depth.
    solution = np.linalg.lstsq(np.column_stack([across, -b]), -a, rcond=None)[0]
    second = a + solution[0] * across
    kept = float(np.linalg.norm(second - a))
    reach = kept * (aspect if side % 2 == 1 else 1 / aspect)
    out = np.array(corners, dtype=np.float64)
    for k, start in ((order[3], a), (order[2], second)):
        point = start + reach * away
        if point[2] <= 0.05:
            return None
        out[k] = point[:2] / point[2] * focal + centre
    if not is_convex(out) or area(out) < area(np.asarray(corners)):
        return None
    return out


def _close(corners: FloatArray, coarse: FloatArray, *, share: float = 0.05) -> bool:
    diagonal = float(np.hypot(*(coarse[2] - coarse[0])))
    moved = np.hypot(*(corners - coarse).T).max()
    return bool(is_convex(corners) and moved < share * diagonal)


def _runners_up(
    work: WorkImage, ranked: FloatArray, probability: FloatArray
) -> tuple[Outline, ...]:
    apart = 0.03 * float(np.hypot(work.width, work.height))
    chosen = distinct(ranked[:60], apart, 4)[1:]
    return tuple(
        Outline(work.to_photo(ranked[k]), float(probability[k]), np.full(4, np.nan)) for k in chosen
    )


def _nothing(count: int) -> Location:
    return Location(None, 16 / 9, "prior", (), _measures_of_nothing(count))


def _measures_of_nothing(count: int) -> dict[str, float]:
    measures = dict.fromkeys(_FEATURES, float("nan"))
    measures["outline_confidence"] = 0.0
    measures["outline_candidates"] = float(count)
    return measures


def _measures(
    outline: Outline,
    coarse: FloatArray,
    sides: tuple[Side, ...],
    row: dict[str, float],
    runners: tuple[Outline, ...],
    size: tuple[int, int],
    count: int,
) -> dict[str, float]:
    corners = outline.corners
    diagonal = float(np.hypot(*(corners[2] - corners[0])))
    held = np.clip(corners, [-0.5, -0.5], [size[0] - 0.5, size[1] - 0.5])
    outside = (corners < -0.5) | (corners > np.array(size) - 0.5)
    strength = np.log1p([s.strength for s in sides])
    contrast = np.array([s.contrast for s in sides])
    contrast = contrast[np.isfinite(contrast)]
    # Scatter alone: how sharp and straight the sides are, whatever their certainty.
    along = np.array([np.hypot(s.offset_sigma, s.tilt_sigma / 2) for s in sides])
    scatter = np.sqrt((along**2 + np.roll(along, 1) ** 2) / 2)
    measured, spread = measured_aspect(corners, size, sigma=scatter)
    nan = float("nan")
    values = (
        outline.confidence,
        runners[0].confidence if runners else 0.0,
        float(count),
        area(held) / (size[0] * size[1]),
        area(held) / max(area(corners), 1e-9),
        float(outside.any(axis=1).sum()),
        float(sum(s.found for s in sides)),
        float(np.mean([s.certainty for s in sides])),
        float(min(s.certainty for s in sides)),
        float(strength.min()),
        float(strength.mean()),
        float(contrast.mean()) if len(contrast) else nan,
        float(contrast.min()) if len(contrast) else nan,
        float(contrast.max()) if len(contrast) else nan,
        float(np.nanmean(scatter)) / diagonal if np.isfinite(scatter).any() else nan,
        float(np.hypot(*(corners - coarse).T).max()) / diagonal,
        float(np.mean([s.bow for s in sides])) / diagonal,
        float(np.log(measured)) if np.isfinite(measured) else nan,
        abs(float(np.log(measured * 9 / 16))) / spread if np.isfinite(measured) else nan,
        row["support_mean"],
        row["support_min"],
        row["overshoot_mean"],
        row["outside_mid_spread_mean"],
        row["outside_mid_over_inside"],
    )
    return dict(zip(_FEATURES, map(float, values), strict=True))
