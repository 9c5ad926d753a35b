"""A squared-up view at a coarser scale, its code values, and helpers that measures share."""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.geometry import project, unit_square_to
from panelvision.light import decode, linear_to_srgb, luminance
from panelvision.order_statistics import median
from panelvision.photo import Photo
from panelvision.squareup import Outline, ScreenView

NAN = float("nan")
# 16-bit steps of linear light are at most 0.05 of an 8-bit code apart (slope 12.92 at black).
_CODES = (linear_to_srgb(np.arange(65536) / 65535.0) * 255).astype(np.float32)

_WHOLE_CODES = np.rint(_CODES).astype(np.uint8)


@dataclass(frozen=True)
class Reduced:
    """A view averaged down.

    Attributes
    ----------
    light : ndarray of shape (h, w, 3), float32
        Linear light, mean of the valid pixels under each pixel; 0 where there are none.
    valid : ndarray of shape (h, w), bool
        At least half of the pixels under it lie in the photo's frame.
    clipped : ndarray of shape (h, w), bool
        Some pixel under it is clipped.
    """

    light: FloatArray
    valid: BoolArray
    clipped: BoolArray

    @cached_property
    def luminance(self) -> FloatArray:
        """Relative luminance, float32 of shape (h, w)."""
        return luminance(self.light)

    @cached_property
    def codes(self) -> FloatArray:
        """sRGB code values 0..255 (not rounded), float32 of shape (h, w, 3)."""
        return codes_of(self.light)


def codes_of(light: FloatArray) -> FloatArray:
    """sRGB code values 0..255, float32, not rounded, of linear light in 0..1 of any shape."""
    codes: FloatArray = _CODES.take((np.clip(light, 0.0, 1.0) * 65535).astype(np.uint16))
    return codes


def whole_codes_of(light: FloatArray) -> IntArray:
    """The same rounded, uint8."""
    codes: IntArray = _WHOLE_CODES.take((np.clip(light, 0.0, 1.0) * 65535).astype(np.uint16))
    return codes


def largest(image: FloatArray) -> FloatArray:
    """Largest of the three channels at each pixel; far quicker than numpy over the last axis."""
    return cv2.max(cv2.max(image[..., 0], image[..., 1]), image[..., 2])


def reduce_view(view: ScreenView, width: int) -> Reduced:
    """Average a view down to ``width`` columns; a view that is not wider is kept as it is.

    Made once for each width: several measures ask for the same.
    """
    if width not in view.reduced:
        view.reduced[width] = _reduce(view, width)
    made: Reduced = view.reduced[width]
    return made


def _reduce(view: ScreenView, width: int) -> Reduced:
    if view.width <= width:
        return Reduced(view.linear, view.valid, view.clipped)
    size = (width, max(4, round(view.height * width / view.width)))
    light = cv2.resize(view.linear, size, interpolation=cv2.INTER_AREA)
    clipped = np.zeros(light.shape[:2], dtype=bool)
    if view.clipped.any():
        share = cv2.resize(view.clipped.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        clipped = share > 0
    if view.valid.all():
        return Reduced(light, np.ones(light.shape[:2], bool), clipped)
    share = cv2.resize(view.valid.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    valid = share >= 0.5
    light = np.where(valid[..., None], light / np.maximum(share, 0.5)[..., None], 0)
    return Reduced(light.astype(np.float32), valid, clipped & valid)


def inset(shape: tuple[int, int], share: float) -> BoolArray:
    """Mask of shape (h, w) that leaves out a border of ``share`` of each side."""
    h, w = shape
    mask = np.zeros(shape, bool)
    dy, dx = round(h * share), round(w * share)
    mask[dy : h - dy, dx : w - dx] = True
    return mask


def surround_light(
    photo: Photo, outline: Outline, *, near: float = 0.03, far: float = 0.10, count: int = 48
) -> FloatArray:
    """Linear light of points around the screen.

    Parameters
    ----------
    near, far : float
        Distance from the active area's edge, as a fraction of its width and height:
        beyond most bezels, still close enough to share the room's light.
    count : int
        Points along each side and at each of three distances.

    Returns
    -------
    ndarray of shape (n, 3), float32; n is 0 when nothing around the screen is in the frame.
    """
    along = np.linspace(0, 1, count)
    points = []
    for d in np.linspace(near, far, 3):
        points += [
            np.column_stack([along, np.full(count, -d)]),
            np.column_stack([along, np.full(count, 1 + d)]),
            np.column_stack([np.full(count, -d), along]),
            np.column_stack([np.full(count, 1 + d), along]),
        ]
    seen = np.rint(project(unit_square_to(outline.corners), np.vstack(points)))
    inside = (
        np.isfinite(seen).all(axis=1)
        & (seen[:, 0] >= 0)
        & (seen[:, 1] >= 0)
        & (seen[:, 0] < photo.width)
        & (seen[:, 1] < photo.height)
    )
    if not inside.any():
        return np.empty((0, 3), np.float32)
    at = seen[inside].astype(np.int64)
    return decode(photo.pixels[at[:, 1], at[:, 0]]).reshape(-1, 3)


def log_ratio(a: float, b: float, *, floor: float = 1e-6) -> float:
    """Base-10 logarithm of a / b with both kept above ``floor``; NaN when either is not finite."""
    if not (np.isfinite(a) and np.isfinite(b)):
        return NAN
    return float(np.log10(max(a, floor) / max(b, floor)))


def noise_sigma(image: FloatArray, mask: BoolArray | None = None) -> float:
    """Standard deviation of the noise of a 2-D image, in its own units.

    J. Immerkaer, "Fast noise variance estimation", CVIU 64 (1996): the mean absolute
    response to [1 -2 1; -2 4 -2; 1 -2 1], whose white-noise gain is 6. Here only the
    calmer half of the pixels counts (by the slope of the smoothed image, which says next
    to nothing about the noise itself), so that edges and text do not pass for noise.
    NaN for an image with fewer than 7 rows or columns.
    """
    if min(image.shape) < 7:
        return NAN
    image = image.astype(np.float32)
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    soft = cv2.blur(image, (5, 5))
    # Every fourth row says as much, in less time.
    rows = slice(2, -2, 4), slice(2, -2)
    response = np.abs(cv2.filter2D(image, cv2.CV_32F, kernel)[rows])
    slope = np.abs(cv2.Sobel(soft, cv2.CV_32F, 1, 0)[rows])
    slope += np.abs(cv2.Sobel(soft, cv2.CV_32F, 0, 1)[rows])
    if mask is not None:
        response, slope = response[mask[rows]], slope[mask[rows]]
    if response.size == 0:
        return NAN
    calm = response[slope <= median(slope)]
    return float(np.sqrt(np.pi / 2) * calm.mean() / 6)
