"""The photo at a glance: two small pictures that a network of convolutions reads as a whole.

The special measures ask one question each; these pictures keep what no question was asked
about. They hold light as it is (cube root, so that a dark screen is not all zeros) and what
stands out of its surroundings (so that a faint picture weighs as much as a bright one).
"""

from dataclasses import dataclass, field

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.light import LUMINANCE_WEIGHTS, averaged, decode
from panelvision.order_statistics import median
from panelvision.photo import Photo
from panelvision.squareup import Outline, ScreenView

# Columns of the active area and the margin of the view that the glance is made from. chosen:
# 288 columns and one eighteenth on each side make 320 columns in all.
VIEW_WIDTH = 288
VIEW_MARGIN = 1 / 18
SCREEN_SIZE = (180, 320)  # rows, columns
FRAME_SIZE = 144  # rows and columns
# Added to linear light before a logarithm: about one 8-bit code value near black
# (sRGB code 1 is 3.0e-4, IEC 61966-2-1).
_FLOOR = 1e-3
# chosen: what is wider than this is shading, in columns of the small picture.
_SHADING = 12.0
# chosen: contrasts below this are not stretched any further, in units of ln(light).
_LEAST_SPREAD = 0.003
_MAD = 1.4826  # median absolute deviation to standard deviation of a normal (textbook)
_SQUASH = 4.0  # spreads at which what stands out starts to saturate; chosen


@dataclass(frozen=True)
class Glance:
    """What the network reads.

    Attributes
    ----------
    screen : ndarray of shape (180, 320, 6), uint8
        The squared-up screen with a narrow margin. First three: cube root of linear R, G, B
        (0 = black, 255 = the sensor's white). Last three: what stands out of its surroundings
        in light, red against green, blue against green, in units of its own spread
        (128 = nothing).
    frame : ndarray of shape (144, 144, 4), uint8
        The whole photo, turned so that the screen is upright, fitted into a square: cube root
        of linear R, G, B; last, 255 inside the outline, 128 outside it, 0 where the photo does
        not reach.
    """

    screen: IntArray = field(repr=False)
    frame: IntArray = field(repr=False)


def glance_of(photo: Photo, wide: ScreenView, outline: Outline | None) -> Glance:
    """The two small pictures of a photo.

    Parameters
    ----------
    photo : Photo
    wide : ScreenView
        Squared up with ``VIEW_WIDTH`` and ``VIEW_MARGIN``.
    outline : Outline or None
        Where the screen was found.
    """
    return Glance(_screen(wide), _frame(photo, outline))


def _screen(wide: ScreenView) -> IntArray:
    size = SCREEN_SIZE[::-1]
    light = cv2.resize(wide.linear, size, interpolation=cv2.INTER_AREA)
    seen = cv2.resize(wide.valid.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    log = np.log(np.maximum(light, 0) + _FLOOR)
    parts = np.stack(
        [log @ LUMINANCE_WEIGHTS, log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]], axis=-1
    )
    weight = np.maximum(cv2.GaussianBlur(seen, (0, 0), _SHADING), 1e-3)
    shading = cv2.GaussianBlur(parts * seen[..., None], (0, 0), _SHADING) / weight[..., None]
    out = (parts - shading) * seen[..., None]
    inner = out[10:-10, 16:-16].reshape(-1, 3)
    spread = np.maximum(_MAD * median(np.abs(inner), axis=0), _LEAST_SPREAD)
    standing = 128 + 127 * np.tanh(out / (_SQUASH * spread))
    return np.concatenate([_cube_root(light), np.rint(standing).astype(np.uint8)], axis=-1)


def _frame(photo: Photo, outline: Outline | None) -> IntArray:
    shrink = FRAME_SIZE / max(photo.width, photo.height)
    w, h = (max(1, round(n * shrink)) for n in (photo.width, photo.height))
    light = decode(averaged(photo.small, (w, h)))
    mark = np.full((h, w), 128, np.uint8)
    if outline is not None:
        inside = np.rint((outline.corners + 0.5) * shrink - 0.5).clip(-9999, 9999)
        cv2.fillConvexPoly(mark, inside.astype(np.int32), 255)
    out = np.zeros((FRAME_SIZE, FRAME_SIZE, 4), np.uint8)
    top, left = (FRAME_SIZE - h) // 2, (FRAME_SIZE - w) // 2
    out[top : top + h, left : left + w] = np.dstack([_cube_root(light), mark])
    return np.ascontiguousarray(np.rot90(out, 0 if outline is None else outline.quarter_turns))


def _cube_root(light: FloatArray) -> IntArray:
    return np.rint(255 * np.cbrt(np.clip(light, 0, 1))).astype(np.uint8)
