"""Where in a glance a drawn fault is: what the network is shown besides the label.

One label says little of a picture of 57 600 pixels; that the label stands here and a healthy
picture there says much more, so that a small network learns from few photos where to look.
"""

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.measure.glance import VIEW_MARGIN

PLACES = (45, 80)  # rows and columns, a quarter of the glance's
HEALTHY, FAULT, UNKNOWN = 0, 1, 2
# chosen: least change that counts, of 255 square-root code values; below it nobody would see it.
_LEAST_CHANGE = 20
# Labels of the whole photo: what shows them is not in one place.
_EVERYWHERE = ("faint-image", "no-image", "glow-no-image", "not-a-screen")


def unknown_places() -> IntArray:
    """Places of a photo of which only the label is known."""
    return np.full(PLACES, UNKNOWN, np.uint8)


def fault_places(
    symptom: str,
    changed: IntArray | None,
    corners: FloatArray | None,
    outline: FloatArray | None,
) -> IntArray:
    """Which places of the glance show the fault.

    Parameters
    ----------
    symptom : str
        The photo's label.
    changed : ndarray of shape (rows, columns), uint8, or None
        What the fault changed, spread evenly over the active area.
    corners : array_like of shape (4, 2) or None
        The true outline in the photo.
    outline : array_like of shape (4, 2) or None
        The outline that the glance was squared up with.

    Returns
    -------
    ndarray of shape PLACES, uint8
        ``HEALTHY``, ``FAULT``, or ``UNKNOWN`` throughout.
    """
    if symptom in _EVERYWHERE:
        return np.full(PLACES, FAULT, np.uint8)
    if symptom == "normal":
        return np.full(PLACES, HEALTHY, np.uint8)
    if changed is None or corners is None or outline is None:
        return unknown_places()
    rows, columns = PLACES
    inner = VIEW_MARGIN / (1 + 2 * VIEW_MARGIN)
    to_photo = cv2.getPerspectiveTransform(
        _box(0, 0, changed.shape[1], changed.shape[0]), np.asarray(corners, np.float32)
    )
    to_glance = cv2.getPerspectiveTransform(
        np.asarray(outline, np.float32),
        _box(inner * columns, inner * rows, (1 - inner) * columns, (1 - inner) * rows),
    )
    change = cv2.warpPerspective(
        changed, to_glance @ to_photo, (columns, rows), flags=cv2.INTER_NEAREST
    )
    places = np.where(change >= _LEAST_CHANGE, FAULT, HEALTHY).astype(np.uint8)
    return places if places.any() else unknown_places()


def _box(left: float, top: float, right: float, bottom: float) -> FloatArray:
    """Corners of a box from edge to edge, where the first pixel's centre is (0, 0)."""
    corners = [[left, top], [right, top], [right, bottom], [left, bottom]]
    return np.array(corners, np.float32) - np.float32(0.5)
