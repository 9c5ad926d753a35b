"""How far a found outline is from the true one."""

import cv2
import numpy as np

from panelvision.arrays import FloatArray


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
