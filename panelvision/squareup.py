"""Square-up: the active area as a camera straight in front of it would see it, in linear light."""

from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.beside import beside
from panelvision.geometry import area, homography, project
from panelvision.light import decode, highest, luminance, root
from panelvision.photo import Photo

# chosen: 960 columns give 8-pixel resolution of a 120-block grid and keep every stage quick;
# measures that need single panel columns square up again, finer.
VIEW_WIDTH = 960
# chosen: rows of a view in its columns; an upright panel has 16 : 9.
_MOST_ROWS = 3
# Code values from here on are taken as clipped: from memory, phone tone curves
# compress the last few codes and JPEG ringing eats a few more.
CLIPPED_CODE = 250
# chosen: below this confidence an outline is not reported; a view by it is only a guess.
LEAST_OUTLINE_CONFIDENCE = 0.2


@dataclass(frozen=True)
class Outline:
    """The four corners of the active area.

    Attributes
    ----------
    corners : ndarray of shape (4, 2), float64
        Top-left, top-right, bottom-right, bottom-left of the screen, in pixels of the upright
        photo; corners of a cropped screen may lie outside the frame.
    confidence : float
        0..1, probability that the outline overlaps the true one by more than 0.9 (IoU).
    sigma : ndarray of shape (4,)
        Standard error of each corner along each axis, in photo pixels; NaN if unknown.
    source : str
        ``"found"``, ``"user"``, or ``"frame"`` for the photo's own border.
    cut : tuple of 4 bool
        Top, right, bottom, left: sides that are the frame's, because the screen goes on outside
        and nobody knows how far.
    """

    corners: FloatArray
    confidence: float
    sigma: FloatArray
    source: str = "found"
    cut: tuple[bool, ...] = (False, False, False, False)

    @property
    def sure(self) -> bool:
        """Likely enough to be right that it may be shown as found."""
        return self.confidence >= LEAST_OUTLINE_CONFIDENCE

    @property
    def quarter_turns(self) -> int:
        """By how many quarter turns to the left the photo shows the screen upright, 0..3."""
        right, down = self.corners[1] - self.corners[0]
        return round(float(np.arctan2(down, right)) / (np.pi / 2)) % 4


@dataclass(frozen=True)
class ScreenView:
    """The squared-up active area.

    Positions: the centre of view pixel (column j, row i) lies at the fraction
    ((j + 0.5) / width, (i + 0.5) / height) of the active area.

    Attributes
    ----------
    linear : ndarray of shape (h, w, 3), float32
        Linear light, RGB, 1.0 = white of the sensor. Where ``valid`` is false it is 0.
    valid : ndarray of shape (h, w), bool
        Inside the frame of the photo.
    clipped : ndarray of shape (h, w), bool
        At least one channel at the sensor's upper end, so its value is only a lower bound.
    to_photo : ndarray of shape (3, 3)
        Maps view pixels (x, y, 1) to photo pixels.
    photo_px_per_view_px : float
        Linear scale: photo pixels across one view pixel, mean over the area.
    outline : Outline
    aspect : float
        Width / height of the active area.
    aspect_source : str
        ``"perspective"`` or ``"prior"``.
    margin : float
        Extra border around the active area that the view includes, as a fraction of the
        active area's width and height on each side; 0 in the pipeline's own view.
    """

    linear: FloatArray
    valid: BoolArray
    clipped: BoolArray
    to_photo: FloatArray
    photo_px_per_view_px: float
    outline: Outline
    aspect: float
    aspect_source: str = "prior"
    margin: float = 0.0

    @property
    def width(self) -> int:
        """Columns of the view."""
        return int(self.linear.shape[1])

    @property
    def height(self) -> int:
        """Rows of the view."""
        return int(self.linear.shape[0])

    @cached_property
    def luminance(self) -> FloatArray:
        """Relative luminance, float32 of shape (h, w)."""
        return luminance(self.linear)

    @cached_property
    def root(self) -> FloatArray:
        """Square root of the light, float32 of shape (h, w, 3), for columns and rows alike."""
        return root(self.linear)

    @cached_property
    def reduced(self) -> dict[int, Any]:
        """Coarser copies by their width, kept by ``measure.reduced.reduce_view``."""
        return {}

    @property
    def in_frame(self) -> float:
        """Share of the view inside the photo's frame, 0..1."""
        return float(self.valid.mean())


# chosen: photo pixels reduced at a time, so that their linear light stays in the cache.
_STRIP_PIXELS = 200_000


@dataclass(frozen=True)
class PartLight:
    """Light of an upright part of a photo, averaged over blocks of pixels.

    Attributes
    ----------
    linear : ndarray of shape (h, w, 3), float32
        Linear light, mean over each block of ``step`` x ``step`` photo pixels.
    clipped : ndarray of shape (h, w), uint8, or None
        255 where any of a block's pixels is clipped; None where nobody looked.
    offset : tuple of int
        Photo column and row of the part's first pixel.
    step : int
        Photo pixels along a block's side.
    """

    linear: FloatArray
    clipped: IntArray | None
    offset: tuple[int, int]
    step: int


def part_light(
    photo: Photo,
    outline: Outline,
    *,
    aspect: float = 16 / 9,
    width: int = VIEW_WIDTH,
    margin: float = 0.0,
) -> PartLight:
    """What :func:`square_up` samples, so that several views of one outline can share it.

    Parameters are those of :func:`square_up`; the views may be narrower, not wider, in
    columns and in margin.
    """
    to_photo, size, scale = _geometry(outline, aspect, width, margin)
    return _part_light(photo, to_photo, size, max(1, int(scale)), mark_clipped=True)


def square_up(
    photo: Photo,
    outline: Outline,
    *,
    aspect: float = 16 / 9,
    aspect_source: str = "prior",
    width: int = VIEW_WIDTH,
    margin: float = 0.0,
    mark_clipped: bool = True,
    light: PartLight | None = None,
) -> ScreenView:
    """Resample the active area to a rectangle.

    The photo is averaged down before it is sampled when several photo pixels
    fall on one view pixel (so noise averages and moire is not made here);
    magnified areas are interpolated bilinearly, which adds no information.
    The averaging works on linear light.

    Parameters
    ----------
    photo : Photo
    outline : Outline
    aspect : float
        Width / height of the active area; sets the view's height.
    width : int
        Columns of the active area in the view (margin excluded).
    margin : float
        Border to include on each side, as a fraction of width and of height.
    mark_clipped : bool
        Whether to look for clipped pixels; without, none is marked.
    light : PartLight, optional
        From :func:`part_light`, for views of the same outline that are no wider.
    """
    to_photo, size, scale = _geometry(outline, aspect, width, margin)
    step = max(1, int(scale))
    if light is None:
        light = _part_light(photo, to_photo, size, step, mark_clipped=mark_clipped)
    light = _coarser(light, step // light.step)
    clipped = light.clipped if mark_clipped else None
    # Pixel centres: old = step * new + (step - 1) / 2.
    back = (light.step - 1) / 2
    x0, y0 = light.offset
    to_part = np.array([[1, 0, -x0 - back], [0, 1, -y0 - back], [0, 0, light.step]])
    local = to_part / light.step @ to_photo
    linear = _sampled(light.linear, local, size)
    valid = _inside(to_photo, size, photo.width, photo.height)
    glare = np.zeros(valid.shape, bool)
    if clipped is not None:
        glare = cv2.warpPerspective(
            clipped,
            local,
            size,
            flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0,
        ).astype(bool)
    linear[~valid] = 0
    return ScreenView(
        linear=linear,
        valid=valid,
        clipped=glare & valid,
        to_photo=to_photo,
        photo_px_per_view_px=scale,
        outline=outline,
        aspect=aspect,
        aspect_source=aspect_source,
        margin=margin,
    )


def square_up_codes(
    photo: Photo, outline: Outline, *, aspect: float = 16 / 9, width: int
) -> tuple[IntArray, BoolArray]:
    """Columns as fine as :func:`square_up` makes them, rows half as many, in code values.

    Three times as quick, for what is averaged along the columns anyway. The photo's rows, or its
    columns where it shows the screen on its side, are averaged in pairs, and codes interpolated
    between pixels: light would differ by less than the rounding.

    Returns
    -------
    codes : ndarray of shape (h, width, 3), of the photo's type
    valid : ndarray of shape (h, width), bool
        Inside the photo's frame.
    """
    to_photo, (_, rows), _ = _geometry(outline, aspect, width, 0.0)
    size = (width, max(4, rows // 2))
    # Row i of the result lies between rows 2 i and 2 i + 1 of the full view.
    to_photo = to_photo @ np.array([[1, 0, 0], [0, rows / size[1], 0.5], [0, 0, 1]])
    crop, (x0, y0) = _crop(photo, to_photo, size)
    if outline.quarter_turns % 2:
        pairs = crop.shape[1] // 2
        first, second = crop[:, : 2 * pairs : 2], crop[:, 1 : 2 * pairs : 2]
        to_pairs = np.array([[0.5, 0, -0.5 * x0 - 0.25], [0, 1, -y0], [0, 0, 1]])
    else:
        pairs = crop.shape[0] // 2
        first, second = crop[: 2 * pairs : 2], crop[1 : 2 * pairs : 2]
        to_pairs = np.array([[1, 0, -x0], [0, 0.5, -0.5 * y0 - 0.25], [0, 0, 1]])
    paired = cv2.addWeighted(first, 0.5, second, 0.5, 0)
    local = to_pairs @ to_photo
    codes = _sampled(paired, local, size)
    valid = _inside(to_photo, size, photo.width, photo.height)
    codes[~valid] = 0
    return codes, valid


def _sampled(part: np.ndarray, to_part: FloatArray, size: tuple[int, int]) -> np.ndarray:
    """Interpolated where ``to_part`` maps the pixels of a view of this size (columns, rows)."""
    return cv2.warpPerspective(
        part,
        to_part,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def _geometry(
    outline: Outline, aspect: float, width: int, margin: float
) -> tuple[FloatArray, tuple[int, int], float]:
    """View pixels to photo pixels, the view's size, photo pixels across one view pixel."""
    # Perspective may make any shape of four corners; a view of no end would not fit the memory.
    height = min(max(8, round(width / aspect)), _MOST_ROWS * width)
    mx, my = round(margin * width), round(margin * height)
    box = np.array(
        [
            [mx - 0.5, my - 0.5],
            [mx + width - 0.5, my - 0.5],
            [mx + width - 0.5, my + height - 0.5],
            [mx - 0.5, my + height - 0.5],
        ]
    )
    scale = float(np.sqrt(area(outline.corners) / (width * height)))
    return homography(box, outline.corners), (width + 2 * mx, height + 2 * my), scale


def _part_light(
    photo: Photo, to_photo: FloatArray, size: tuple[int, int], step: int, *, mark_clipped: bool
) -> PartLight:
    crop, offset = _crop(photo, to_photo, size)
    return PartLight(*_reduced(crop, step, mark_clipped=mark_clipped), offset, step)


def _coarser(light: PartLight, times: int) -> PartLight:
    """The same, averaged over ``times`` x ``times`` of its pixels."""
    if times <= 1:
        return light
    h, w = (max(1, n // times) for n in light.linear.shape[:2])
    linear = cv2.resize(
        light.linear[: h * times, : w * times], (w, h), interpolation=cv2.INTER_AREA
    )
    clipped = light.clipped
    if clipped is not None:
        spread = cv2.dilate(clipped, np.ones((times, times), np.uint8), anchor=(0, 0))
        clipped = spread[::times, ::times][:h, :w]
    return PartLight(linear, clipped, light.offset, light.step * times)


def _crop(
    photo: Photo, to_photo: FloatArray, size: tuple[int, int]
) -> tuple[np.ndarray, tuple[int, int]]:
    """The part of the photo that the view samples, and the position of its first pixel."""
    w, h = size
    ring = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], dtype=np.float64)
    seen = project(to_photo, ring)
    x0 = int(np.clip(np.floor(seen[:, 0].min()) - 2, 0, photo.width - 2))
    y0 = int(np.clip(np.floor(seen[:, 1].min()) - 2, 0, photo.height - 2))
    x1 = int(np.clip(np.ceil(seen[:, 0].max()) + 3, x0 + 2, photo.width))
    y1 = int(np.clip(np.ceil(seen[:, 1].max()) + 3, y0 + 2, photo.height))
    return photo.pixels[y0:y1, x0:x1], (x0, y0)


def _reduced(
    crop: np.ndarray, step: int, *, mark_clipped: bool
) -> tuple[FloatArray, np.ndarray | None]:
    """Linear light, averaged over blocks of step x step photo pixels, and the clipped mask."""
    if step == 1:
        return decode(crop), _clipped(crop) if mark_clipped else None
    h, w = max(1, crop.shape[0] // step), max(1, crop.shape[1] // step)
    light = np.empty((h, w, 3), dtype=np.float32)
    mark = np.zeros((h, w), dtype=np.uint8)
    rows = max(1, _STRIP_PIXELS // (w * step * step))

    def reduce_rows(tops: range) -> None:
        for top in tops:
            end = min(h, top + rows)
            part = np.ascontiguousarray(crop[top * step : end * step, : w * step])
            size = (w, end - top)
            cv2.resize(decode(part), size, dst=light[top:end], interpolation=cv2.INTER_AREA)
            if mark_clipped and _may_be_clipped(part):
                # A window maximum before sampling, so that a single clipped pixel is not lost.
                spread = cv2.dilate(_clipped(part), np.ones((step, step), np.uint8), anchor=(0, 0))
                mark[top:end] = spread[::step, ::step]

    tops = range(0, h, rows)
    beside([partial(reduce_rows, tops[k::2]) for k in (0, 1)])
    return light, mark if mark_clipped else None


def _may_be_clipped(part: np.ndarray) -> bool:
    """Far quicker than to look at each pixel, and most of a photo is not."""
    return part.dtype != np.uint8 or int(part.max()) >= CLIPPED_CODE


def _clipped(crop: np.ndarray) -> np.ndarray:
    """uint8 mask, 255 where any channel is at the sensor's upper end."""
    if crop.dtype != np.uint8:
        return np.where(highest(crop) >= CLIPPED_CODE * 257, 255, 0).astype(np.uint8)
    return cv2.bitwise_not(cv2.inRange(crop, (0, 0, 0), (CLIPPED_CODE - 1,) * 3))


def _inside(to_photo: FloatArray, size: tuple[int, int], width: int, height: int) -> BoolArray:
    if _all_inside(to_photo, size, width, height):
        return np.ones((size[1], size[0]), dtype=bool)
    x, y = np.meshgrid(np.arange(size[0], dtype=np.float32), np.arange(size[1], dtype=np.float32))
    m = to_photo.astype(np.float32)
    d = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    u = (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / d
    v = (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / d
    return (d > 0) & (u >= -0.5) & (v >= -0.5) & (u <= width - 0.5) & (v <= height - 0.5)


def _all_inside(to_photo: FloatArray, size: tuple[int, int], width: int, height: int) -> bool:
    """Whether the four corner pixels are inside: the rest lies between them."""
    ring = np.array([[0, 0, 1], [size[0] - 1, 0, 1], [size[0] - 1, size[1] - 1, 1]])
    ring = np.vstack([ring, [0, size[1] - 1, 1]]) @ to_photo.T
    if not (ring[:, 2] > 0).all():
        return False
    u, v = ring[:, 0] / ring[:, 2], ring[:, 1] / ring[:, 2]
    return bool(u.min() >= 0 and v.min() >= 0 and u.max() <= width - 1 and v.max() <= height - 1)
