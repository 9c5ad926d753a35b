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


def overlap(first: FloatArray, second: FloatArray) -> float:
    """Intersection over union of two convex quadrilaterals (4, 2), exact polygon clipping."""
    a = np.asarray(first, dtype=np.float32)
    b = np.asarray(second, dtype=np.float32)
    both, _ = cv2.intersectConvexConvex(a, b)
    total = abs(cv2.contourArea(a)) + abs(cv2.contourArea(b)) - both
    return float(both / total) if total > 0 else 0.0


def corner_error(found: FloatArray, true: FloatArray) -> float:
    """Mean distance of the four corners as a share of the true outline's mean diagonal."""
    found, true = np.asarray(found, dtype=np.float64), np.asarray(true, dtype=np.float64)
    diagonal = (np.linalg.norm(true[0] - true[2]) + np.linalg.norm(true[1] - true[3])) / 2
    return float(np.linalg.norm(found - true, axis=1).mean() / diagonal)
