"""How far a found outline is from the true one, and where it puts what was drawn."""

from collections.abc import Sequence

import cv2
import numpy as np

from panelvision.arrays import FloatArray


def seen_in_view(
    true: FloatArray | Sequence[Sequence[float]],
    found: FloatArray,
    points: FloatArray | Sequence[Sequence[float]],
) -> FloatArray:
    """Where points of the panel lie in the view of the outline that was found.

    Parameters
    ----------
    true, found : array_like of shape (4, 2)
        Corners in the photo.
    points : array_like of shape (n, 2)
        Fractions of the active area.

    Returns
    -------
    ndarray of shape (n, 2)
        Fractions of the found one.
    """
    drawn = np.asarray(points, dtype=np.float64).reshape(-1, 1, 2)
    if not drawn.size:
        return np.zeros((0, 2))
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    to_photo = cv2.getPerspectiveTransform(unit, np.asarray(true, dtype=np.float32))
    to_view = cv2.getPerspectiveTransform(np.asarray(found, dtype=np.float32), unit)
    return np.asarray(cv2.perspectiveTransform(drawn, to_view @ to_photo)[:, 0])


def overlap(first: FloatArray, second: FloatArray, *, within: FloatArray | None = None) -> float:
    """Intersection over union of two convex quadrilaterals (4, 2), exact polygon clipping.

    within: a third (4, 2); only what lies inside it counts. Without an area there it is 0.
    """
    a, b = (np.asarray(quad, dtype=np.float32) for quad in (first, second))
    if within is not None:
        frame = np.asarray(within, dtype=np.float32)
        a, b = (_common(quad, frame) for quad in (a, b))
        if min(len(a), len(b)) < 3:
            return 0.0
    both = cv2.intersectConvexConvex(a, b)[0]
    total = abs(cv2.contourArea(a)) + abs(cv2.contourArea(b)) - both
    return float(both / total) if total > 0 else 0.0


def _common(one: FloatArray, other: FloatArray) -> FloatArray:
    corners = cv2.intersectConvexConvex(one, other)[1]
    return np.zeros((0, 2), np.float32) if corners is None else corners.reshape(-1, 2)


def corner_error(found: FloatArray, true: FloatArray) -> float:
    """Mean distance of the four corners as a share of the true outline's mean diagonal."""
    found, true = np.asarray(found, dtype=np.float64), np.asarray(true, dtype=np.float64)
    diagonal = (np.linalg.norm(true[0] - true[2]) + np.linalg.norm(true[1] - true[3])) / 2
    return float(np.linalg.norm(found - true, axis=1).mean() / diagonal)
