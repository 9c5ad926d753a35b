"""Corners of a screen as they are given on the command line."""

from panelvision.arrays import FloatArray
from panelvision.errors import PanelvisionError

METAVAR = "X,Y,..."


def read_corners(text: str) -> FloatArray:
    """Corners (4, 2) in pixels of the photo, from eight numbers.

    Raises
    ------
    PanelvisionError
        When they are no eight numbers or do not go clockwise around an area.
    """
    import numpy as np

    from panelvision.geometry import is_convex

    try:
        values = np.array([float(part) for part in text.split(",")]).reshape(4, 2)
    except ValueError:
        raise PanelvisionError(
            "--corners: give eight numbers, x,y of the top left, top right, bottom right and "
            f"bottom left corner, got '{text[:60]}'"
        ) from None
    if not is_convex(values):
        raise PanelvisionError(
            "--corners: the four points must go clockwise from the top left without crossing"
        )
    return values
