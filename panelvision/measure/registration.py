"""Two hand-held frames of the same screen brought onto each other, to a fraction of a pixel."""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.geometry import project
from panelvision.light import LUMINANCE_WEIGHTS
from panelvision.measure.illumination import LOG_FLOOR, glare_mask
from panelvision.photo import Photo
from panelvision.squareup import Outline, ScreenView, square_up

_WIDTH = 480
_MARGIN = 0.03  # chosen: takes in the inner edge of the frame, which does not move on the panel
_LIMIT = 0.25  # chosen: ln light; keeps the bright wall from outvoting the panel's own texture
# chosen: an outline is at most this far off, share of the width; a larger step is a mismatch.
_FARTHEST = 0.04


@dataclass(frozen=True)
class Registration:
    """How the second frame's outline was moved to match the first.

    Attributes
    ----------
    outline : Outline
        Of the second photo, corrected.
    shift : float
        Mean corner movement, as a share of the width of the active area.
    agreement : float
        Correlation of the two frames after registration, -1..1.
    trusted : bool
        Whether the movement was accepted; else ``outline`` is as given.
    """

    outline: Outline
    shift: float
    agreement: float
    trusted: bool


def register(
    photo_a: Photo, view_a: ScreenView, photo_b: Photo, view_b: ScreenView
) -> Registration:
    """Correct the second outline so that both squared-up frames coincide.

    Enhanced correlation coefficient, Evangelidis and Psarakis 2008 (OpenCV), on the
    high-passed, limited log light of both, coarse first, glare of either left out.
    """
    frames = [
        square_up(photo, view.outline, aspect=view_a.aspect, width=_WIDTH, margin=_MARGIN)
        for photo, view in ((photo_a, view_a), (photo_b, view_b))
    ]
    images, masks = zip(*(texture(f.linear, f.clipped, f.valid) for f in frames), strict=True)
    both = (masks[0] & masks[1]).astype(np.float32)
    dx, dy = shift_between(images[0] * both, images[1] * both)
    warp = np.eye(3, dtype=np.float32)
    # chosen: the peak of the correlation of two unlike frames lies anywhere; a hand moves a
    # screen by a few percent of its width between outlines.
    if np.hypot(dx, dy) < _FARTHEST * _WIDTH:
        warp[0, 2], warp[1, 2] = dx, dy
    agreement = float("nan")
    try:
        for scale, sigma in ((0.5, 5), (1.0, 5)):
            a, b, m = (
                cv2.resize(i, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
                for i in (images[0], images[1], (masks[0] & masks[1]).astype(np.uint8))
            )
            change = np.diag([scale, scale, 1.0])
            start = (change @ warp @ np.linalg.inv(change)).astype(np.float32)
            agreement, found = cv2.findTransformECC(
                a,
                b,
                start,
                cv2.MOTION_HOMOGRAPHY,
                (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-5),
                m,
                sigma,
            )
            warp = np.linalg.inv(change) @ found @ change
            warp = (warp / warp[2, 2]).astype(np.float32)
    except cv2.error:
        # No common texture: the frames cannot be brought closer than their outlines.
        return Registration(view_b.outline, 0.0, float("nan"), False)
    corner = project(np.linalg.inv(frames[0].to_photo), view_a.outline.corners)
    moved = project(warp.astype(np.float64), corner)
    shift = float(np.hypot(*(moved - corner).T).mean() / _WIDTH)
    trusted = bool(np.isfinite(shift) and shift <= _FARTHEST and agreement > 0.2)
    if not trusted:
        return Registration(view_b.outline, shift, float(agreement), False)
    corners = project(frames[1].to_photo, moved)
    outline = Outline(
        corners, view_b.outline.confidence, view_b.outline.sigma, view_b.outline.source
    )
    return Registration(outline, shift, float(agreement), True)


def texture(
    linear: FloatArray, clipped: BoolArray, valid: BoolArray
) -> tuple[FloatArray, BoolArray]:
    """What registration matches: high-passed, limited log light, and where it may look."""
    logs = np.log(np.maximum(linear @ LUMINANCE_WEIGHTS, 0) + LOG_FLOOR).astype(np.float32)
    high = cv2.GaussianBlur(logs, (0, 0), 1.0) - cv2.GaussianBlur(logs, (0, 0), 12.0)
    mask = valid & ~glare_mask(linear, clipped, valid)
    return (_LIMIT * np.tanh(high / _LIMIT)).astype(np.float32), mask


def shift_between(a: FloatArray, b: FloatArray) -> tuple[float, float]:
    """Sub-pixel shift (dx, dy) that moves image ``a`` onto ``b``, by phase correlation (OpenCV).

    Parameters
    ----------
    a, b : ndarray of shape (h, w)
    """
    window = cv2.createHanningWindow(a.shape[1::-1], cv2.CV_32F)
    (dx, dy), _ = cv2.phaseCorrelate(a.astype(np.float32), b.astype(np.float32), window)
    return float(dx), float(dy)
