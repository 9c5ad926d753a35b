"""The screen cut into strips along one axis: what every column (or row) shows, strip by strip.

A panel-side vertical fault runs through every strip at one column, whatever the
content does there; a content edge seldom does. So the measures of columns and
rows never look at one averaged profile but at many independent ones.

Values are the square root of linear light ("signal" below): close to the code
values of a photo (so JPEG and shot noise are near even over the range), and
monotonic in light, so that an edge stays an edge.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.light import decode, highest, root
from panelvision.measure.reduced import largest
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

Axis = Literal["vertical", "horizontal"]

# chosen: 36 strips of 15 view rows each: enough independent votes for a 1-in-10^6
# chance agreement, tall enough that the noise of a phone photo averages out.
STRIPS = 36
# chosen: a strip whose pixels lie less than this share inside the frame has no vote.
MIN_VALID = 0.6
# chosen: changes over fewer positions than this are stripes, over more picture or glow.
_FINE_SCALE = 9
# chosen: the outermost 0.4 % may be border (the outline is not perfect); menus and
# pages leave 1.5 % and more.
_END_FROM, _END_TO = 0.004, 0.013


@dataclass(frozen=True)
class StripProfile:
    """Signal along one axis in independent strips across it.

    "Along" is the axis on which faults of this kind have a position: columns for
    vertical faults, rows for horizontal ones.

    Attributes
    ----------
    axis : str
        ``"vertical"``: positions are columns; ``"horizontal"``: positions are rows.
    signal : ndarray of shape (strips, n, 3), float32
        Square root of linear light, mean over the strip, 0..1.
    valid : ndarray of shape (strips, n), bool
        Enough of the strip lies inside the frame.
    along : ndarray of shape (strips, n), float32
        Share of pixels (0..1) whose signal changes along the axis within a few pixels
        by more than the noise: 0 where nothing is shown, whatever the glow.
    across : ndarray of shape (strips, n), float32
        The same for changes across the axis (the camera's bars show up in one of the two).
    noise : float
        Standard deviation of one value of ``signal`` (per channel), from neighbours.
    ends : ndarray of shape (2, n, 3), float32
        Signal just inside the two ends of the strips' direction (for columns: along the
        top and the bottom edge), where a menu leaves a margin and a fault does not.
    """

    axis: Axis
    signal: FloatArray
    valid: BoolArray
    along: FloatArray
    across: FloatArray
    noise: float
    ends: FloatArray

    @property
    def length(self) -> int:
        """Number of positions along the axis."""
        return int(self.signal.shape[1])

    @property
    def strips(self) -> int:
        """Number of strips."""
        return int(self.signal.shape[0])

    @property
    def centres(self) -> FloatArray:
        """Centres of the strips as fractions of the other axis minus one half, (strips,)."""
        return (np.arange(self.strips) + 0.5) / self.strips - 0.5

    @cached_property
    def fine(self) -> FloatArray:
        """Signal less its mean over a few positions: structure too fine for picture or glow."""
        smooth = cv2.blur(self.signal, (_FINE_SCALE, 1), borderType=cv2.BORDER_REPLICATE)
        return self.signal - smooth

    @cached_property
    def shared_fine(self) -> FloatArray:
        """Median over the strips of :attr:`fine`, (n, 3); the end strips have no say."""
        # Sorting is many times quicker here than numpy's median.
        ordered = np.sort(self.fine[1:-1], axis=0)
        n = len(ordered)
        middle: FloatArray = (ordered[(n - 1) // 2] + ordered[n // 2]) / 2
        return middle


def strip_profile(view: ScreenView, axis: Axis, *, strips: int = STRIPS) -> StripProfile:
    """Cut a squared-up screen into strips along an axis; see :class:`StripProfile`."""
    return profile_of_signal(view.root, view.valid, axis, strips=strips)


def signal_of_codes(codes: IntArray) -> FloatArray:
    """The signal of 8- or 16-bit sRGB code values (h, w, 3)."""
    if codes.dtype == np.uint8:
        signal: FloatArray = cv2.LUT(codes, _SIGNAL_8)
        return signal
    return root(decode(codes))


def profile_of_signal(
    signal: FloatArray, valid: BoolArray, axis: Axis, *, strips: int = STRIPS
) -> StripProfile:
    """As :func:`strip_profile`, from the signal (h, w, 3), float32, and its mask (h, w)."""
    if axis == "horizontal":
        signal = cv2.transpose(signal)
        valid = np.ascontiguousarray(valid.T)
    height, n = valid.shape
    strips = int(min(strips, height))
    mean = _strip_mean(signal, strips)
    if valid.all():
        share = np.ones((strips, n), dtype=np.float32)
    else:
        share = _strip_mean(valid, strips)
        mean = mean / np.maximum(share, 1e-3)[..., None]
    half = _resized(signal, max(n // 2, 1), max(height // 2, 1), cv2.INTER_AREA)
    noise_at = _noise_by_level(half)
    along, across = (
        _resized(_strip_mean(map_, strips), n, strips, cv2.INTER_NEAREST)
        for map_ in _active(half, noise_at)
    )
    return StripProfile(
        axis=axis,
        signal=mean,
        valid=share >= MIN_VALID,
        along=along,
        across=across,
        noise=_neighbour_noise(mean),
        ends=_ends(signal),
    )


def _ends(signal: FloatArray) -> FloatArray:
    height = signal.shape[0]
    a = int(_END_FROM * height)
    b = max(a + 2, round(_END_TO * height))
    return np.stack([signal[a:b].mean(axis=0), signal[height - b : height - a].mean(axis=0)])


_SIGNAL_8 = root(decode(np.arange(256, dtype=np.uint8))).ravel()


def _strip_mean(values: FloatArray | BoolArray, strips: int) -> FloatArray:
    return _resized(values.astype(np.float32, copy=False), values.shape[1], strips, cv2.INTER_AREA)


def _resized(values: FloatArray, width: int, height: int, how: int) -> FloatArray:
    return np.asarray(cv2.resize(values, (width, height), interpolation=how), dtype=np.float32)


# 0.6745 is the median of |z| for a standard normal z; the second difference
# x[-1] - 2 x[0] + x[1] of white noise has standard deviation sqrt(6) sigma.
_SECOND = 1 / (0.6745 * np.sqrt(6))
# chosen: half a code value of an 8-bit photo; no photo is cleaner than its own rounding.
_NOISE_FLOOR = 0.5 / 255
# chosen: noise is told apart at eight levels of brightness; it varies smoothly.
_LEVELS = 8


def _neighbour_noise(mean: FloatArray) -> float:
    if mean.shape[1] < 5:
        return _NOISE_FLOOR
    # Every second strip says as much.
    mean = mean[::2]
    second = mean[:, :-2] - 2 * mean[:, 1:-1] + mean[:, 2:]
    return max(float(median(np.abs(second))) * _SECOND, _NOISE_FLOOR / 3)


def _noise_by_level(half: FloatArray) -> FloatArray:
    """Noise of a half-size pixel at each level of brightness, (_LEVELS,).

    From second differences two pixels apart on a sparse grid (closer pixels share
    photo pixels); the lower quartile, because content only ever adds. For a normal
    deviate the lower quartile of |z| is 0.3186.
    """
    level = np.full(_LEVELS, _NOISE_FLOOR, dtype=np.float32)
    if min(half.shape[:2]) < 8:
        return level
    part = half[::4]
    middle = part[:, 2:-2]
    second = highest(np.abs(part[:, :-4] - 2 * middle + part[:, 4:]))
    index = np.minimum((middle[..., 1] * _LEVELS).astype(np.int32), _LEVELS - 1)
    for k in range(_LEVELS):
        there = second[index == k]
        if there.size >= 100:
            level[k] = max(float(quantile(there, 0.25)) / 0.3186 / np.sqrt(6), _NOISE_FLOOR)
    return level


# chosen: changes over this many half-size pixels count as content; shorter is noise and
# blur, longer is glow.
_BASELINE = 3
# chosen: 4 code values; below it the camera's own rounding and 8x8 blocks show.
_LEAST_CHANGE = 4.0 / 255


def _active(half: FloatArray, noise_at: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Pixels where the smoothed signal changes within a few pixels by more than the noise.

    First along the rows of the array, then along its columns.
    """
    smooth = np.asarray(cv2.blur(half, (3, 3), borderType=cv2.BORDER_REPLICATE), dtype=np.float32)
    b = _BASELINE
    index = np.minimum((cv2.extractChannel(smooth, 1) * _LEVELS).astype(np.int32), _LEVELS - 1)
    # Nine pixels are averaged (correlated by resampling, so the noise of the mean is
    # taken as half a pixel's); four of those on the largest of three channels.
    limit = np.maximum(2.0 * noise_at, _LEAST_CHANGE).astype(np.float32).take(index)
    along = np.zeros(half.shape[:2], dtype=bool)
    across = np.zeros(half.shape[:2], dtype=bool)
    if half.shape[1] > b:
        change = largest(cv2.absdiff(smooth[:, b:], smooth[:, :-b])) > limit[:, b:]
        along[:, b // 2 : b // 2 + change.shape[1]] = change
    if half.shape[0] > b:
        change = largest(cv2.absdiff(smooth[b:], smooth[:-b])) > limit[b:]
        across[b // 2 : b // 2 + change.shape[0]] = change
    return along, across
