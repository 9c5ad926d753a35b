"""A finding: one sentence in the trade's words and one mark on the picture."""

from dataclasses import dataclass
from typing import Literal

MarkShape = Literal["band", "line", "zone", "spot", "point"]
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Mark:
    """Where a finding is drawn, in fractions of the active area.

    Attributes
    ----------
    shape : str
        ``"band"``: box with a hatch along its direction; ``"line"``: the box's long
        middle line; ``"zone"``: rounded box, dotted (a soft border); ``"spot"``: ellipse
        inside the box; ``"point"``: a cross with rays at the box's middle.
    box : tuple of float
        (x0, y0, x1, y1), each 0..1 with x0 <= x1 and y0 <= y1.
    label : str
        A word or two to stand beside the mark.
    more : tuple of tuples of float
        Further boxes where the same is seen; they get the shape and no label.
    """

    shape: MarkShape
    box: Box
    label: str
    more: tuple[Box, ...] = ()


@dataclass(frozen=True)
class Finding:
    """Something seen in the photo.

    Attributes
    ----------
    sentence : str
        One full sentence.
    kind : str
        ``"half"``, ``"band"``, ``"line"``, ``"rows"``, ``"zone"``, ``"colour"``,
        ``"blocks"``, ``"crack"``, ``"faint"``, ``"camera"``, ...
    confidence : float
        0..1.
    mark : Mark or None
        None where there is nothing to point at.
    """

    sentence: str
    kind: str
    confidence: float
    mark: Mark | None = None
