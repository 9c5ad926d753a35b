"""Find the active area: candidates, one score, sub-pixel sides, aspect ratio."""

from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import DataError
from panelvision.geometry import area, aspect_with_focal, focal_and_aspect, is_convex
from panelvision.outline_candidates import WorkImage, candidates, distinct, work_image
from panelvision.outline_refine import Side, refine_corners
from panelvision.outline_score import measure_candidates, quick_confidence
from panelvision.photo import Photo
from panelvision.squareup import Outline

# Focal length over the frame's diagonal: 28 mm on a 43.3 mm frame. From memory: phones'
# main cameras are 24 to 28 mm (equivalent), and technicians zoom in a little.
FOCAL_OVER_DIAGONAL = 0.65
# Factor by which the true focal length may differ either way (one standard deviation). chosen
FOCAL_SPREAD = 1.25
# Below this an outline is not worth showing as found. chosen
LEAST_CONFIDENCE = 0.05
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


def locate(photo: Photo) -> Location:
    """Find the screen's active area in a photo.

    Lit and dark screens, tilted, turned and partly outside the frame. The outline's
    ``confidence`` is the probability that it overlaps the true one by more than 0.9
    (intersection over union).
    """
    work = work_image(photo.pixels)
    focal = FOCAL_OVER_DIAGONAL * float(np.hypot(work.width, work.height))
    found = candidates(work)
    if len(found) == 0:
        return _nothing(0)
    table, names = measure_candidates(work, found, focal)
    probability = 1 / (1 + np.exp(-quick_confidence(table, names)))
    order = np.argsort(-probability, kind="stable")
    best = int(order[0])
    runners = _runners_up(work, found[order], probability[order])
    if probability[best] < LEAST_CONFIDENCE:
        return Location(None, 16 / 9, "prior", runners, _measures_of_nothing(len(found)))
    coarse = work.to_photo(found[best])
    corners, sigma, sides = refine_corners(photo.pixels, coarse)
    if not _close(corners, coarse):
        corners, sigma = coarse, np.full(4, np.nan)
    outline = Outline(corners, float(probability[best]), sigma)
    size = (photo.width, photo.height)
    aspect, source = aspect_of(corners, size, sigma=sigma)
    row = dict(zip(names, table[best], strict=True))
    measures = _measures(outline, coarse, sides, row, runners, size, len(found))
    return Location(outline, aspect, source, runners, measures)


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
        When the four points are not a convex quadrilateral in that order.
    """
    given = np.asarray(corners, dtype=np.float64)
    if given.shape != (4, 2) or not is_convex(given):
        raise DataError(
            "corners: give them in this order: top-left, top-right, bottom-right, bottom-left"
        )
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
    # A twentieth of the weight on "something else", spread evenly over 0.3 .. 4.
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
    side = float(np.median(np.hypot(edge[:, 0], edge[:, 1])))
    known = sigma is not None and np.isfinite(sigma).all()
    corner = float(np.mean(sigma)) if known and sigma is not None else 0.004 * side
    spread = np.hypot(np.log(values[2] / values[0]) / 2, 1.5 * corner / side)
    # chosen: lens distortion and outlines a border's width off leave 2 % even when all is sharp.
    return float(values[1]), float(np.hypot(spread, 0.02))


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
    measured, spread = measured_aspect(corners, size, sigma=outline.sigma)
    nan = float("nan")
    values = (
        outline.confidence,
        runners[0].confidence if runners else 0.0,
        float(count),
        area(held) / (size[0] * size[1]),
        area(held) / max(area(corners), 1e-9),
        float(outside.any(axis=1).sum()),
        float(sum(s.found for s in sides)),
        float(strength.min()),
        float(strength.mean()),
        float(contrast.mean()) if len(contrast) else nan,
        float(contrast.min()) if len(contrast) else nan,
        float(contrast.max()) if len(contrast) else nan,
        float(np.nanmean(outline.sigma)) / diagonal if np.isfinite(outline.sigma).any() else nan,
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
