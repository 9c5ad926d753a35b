"""Noise that is common to a row of the sensor: bars along the photo's rows, which look like print.

A sensor reads row by row, and what its supply adds in that moment it adds to the whole row (EMVA
1288, release 4, tells this noise from that of single pixels; from memory). In a photo of a dark
screen such bars pass for lines of text. They know nothing of the panel: they follow the photo's
rows to the pixel, however the screen is turned, differ from each row to the next, and add the same
light all along.
"""

import math

import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.geometry import project
from panelvision.order_statistics import median
from panelvision.photo import Photo

# chosen: band of the rows' spectrum, cycles a row, where what a lens passes of a picture is least.
_FINE = (0.2, 0.4)
# chosen: squaring up interpolates between rows, which takes about half of the finest noise away
# (a linear one leaves sinc to the fourth, 0.57 at 0.3 cycles).
_LOST = 2.0
# chosen: places a row at which its noise is told, since views lie slanted over the photo's rows.
_PER_ROW = 2
# chosen: standard errors by which what both halves share must exceed nothing.
_SURE = 2.0
# chosen: neighbours on each side over which the spectrum is smoothed.
_AROUND = 3
# chosen: share of the usual count of pixels that a row must have to say anything.
_LEAST_SHARE = 0.3
_LEAST_ROWS = 40
# chosen: sides of the view.
_MOST_ROWS = 8
# chosen: noise units; dirt and glare's skirt must not move a row's mean.
_CLIP = 3.0
_MAD = 1.4826  # median absolute deviation to standard deviation of a normal (textbook)


def rows_run_upright(photo: Photo) -> bool:
    """Whether the sensor's rows run top to bottom in the upright photo, as far as can be known.

    A phone's sensor reads along its longer side: a photo that is taller than wide and does not say
    that it was turned was turned before it was sent (common practice, no source).
    """
    turned = photo.orientation == 1 and photo.height > photo.width
    return photo.sensor_rows_are_columns or turned


def sensor_rows(to_photo: FloatArray, shape: tuple[int, int], *, upright: bool) -> FloatArray:
    """The sensor row that each pixel of a squared-up view comes from.

    Parameters
    ----------
    to_photo : ndarray of shape (3, 3)
        Maps view pixels (x, y, 1) to photo pixels.
    shape : (h, w)
        Of the view.
    upright : bool
        Whether the sensor's rows run top to bottom in the photo.

    Returns
    -------
    ndarray of shape (h, w), float64
        In pixels of the view: two pixels in neighbouring rows differ by about one, from 0 on.
    """
    h, w = shape
    y, x = np.mgrid[0:h, 0:w]
    at = project(to_photo, np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64))
    corners = project(to_photo, np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1.0]]))
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    step = (sides[0] + sides[2]) / (2 * max(w - 1, 1))
    rows = at[:, 0 if upright else 1].reshape(h, w) / step
    return rows - rows.min()


def without_row_noise(
    residual: FloatArray, light: FloatArray, use: BoolArray, rows: FloatArray
) -> FloatArray:
    """A residual of ln(light) less what each sensor row adds to its light.

    The rows' means hold their noise, what is left of the pixels' and, where the panel lies level,
    picture. Only what the left and the right half share can be noise of rows; of a picture they
    share little, the less the more the panel is turned. That noise is as strong at every frequency,
    pictures are weak at the finest: from there its power is taken, and of each frequency as much
    removed as that power explains (N. Wiener's filter, textbook).

    Parameters
    ----------
    residual : ndarray of shape (h, w, 3)
    light : ndarray of shape (h, w, 3)
        The smooth light.
    use : ndarray of shape (h, w), bool
    rows : ndarray of shape (h, w)
        As :func:`sensor_rows` gives them.
    """
    seen = rows[use]
    # An outline so slanted that it comes near the horizon has rows without end.
    if not seen.size or not seen.max() < _MOST_ROWS * max(use.shape):
        return residual
    index = np.rint(seen * _PER_ROW).astype(np.int64)
    bins = int(index.max()) + 1
    y, x = np.nonzero(use)
    # The rows run along whichever side of the view they change less on.
    down = np.ptp(rows[:, 0]) > np.ptp(rows[0])
    place = x if down else y
    halves = place > np.median(place)
    counts = [np.bincount(index[halves == k], minlength=bins) for k in (0, 1)]
    least = np.minimum(*counts)
    known = least > _LEAST_SHARE * np.median(least[least > 0]) if least.any() else least > 0
    if known.sum() < _LEAST_ROWS * _PER_ROW:
        return residual
    out = residual.copy()
    for c in range(3):
        under = light[..., c][use]
        added = residual[..., c][use] * under
        spread = _MAD * float(median(np.abs(added))) + 1e-12
        held = np.clip(added, -_CLIP * spread, _CLIP * spread)
        means = [
            np.where(
                known,
                np.bincount(index[halves == k], held[halves == k], minlength=bins)
                / np.maximum(counts[k], 1),
                0.0,
            )
            for k in (0, 1)
        ]
        out[..., c][use] -= (_noise_of_rows(*means)[index] / under).astype(np.float32)
    return out


def _noise_of_rows(one: FloatArray, other: FloatArray) -> FloatArray:
    """What noise of rows explains of the rows' means, given of both halves."""
    a, b = np.fft.rfft(one), np.fft.rfft(other)
    frequency = np.fft.rfftfreq(one.size, 1 / _PER_ROW)
    fine = (frequency >= _FINE[0]) & (frequency <= _FINE[1])
    common = (a * b.conj()).real[fine]
    chance = common.std() / math.sqrt(max(int(fine.sum()), 1))
    level = float(common.mean())
    if level < _SURE * chance:
        return np.zeros_like(one)
    both = (a + b) / 2
    kernel = np.ones(2 * _AROUND + 1) / (2 * _AROUND + 1)
    power = np.convolve(np.pad(np.abs(both) ** 2, _AROUND, mode="reflect"), kernel, "valid")
    share = np.minimum(_LOST * level / np.maximum(power, 1e-30), 1.0)
    return np.fft.irfft(both * share, one.size)
