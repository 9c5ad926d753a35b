"""The torch's light on the glass: a smooth surface in log light, fitted robustly and divided out.

Light on the screen varies smoothly (torch lobe, haze lobe, vignetting, defocused
reflections); whatever is left after dividing it out is structure of the panel,
of dirt on the glass, or of the camera.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.light import LUMINANCE_WEIGHTS
from panelvision.order_statistics import median

# chosen: half a code value of 8-bit sRGB near black, in linear light; keeps the logarithm
# of a black pixel finite without bending tones that carry a signal.
LOG_FLOOR = 0.5 / 255 / 12.92
# chosen: the fit works on cells of this share of the width ...
_CELL = 1 / 60
# ... under a Gaussian window of this share; a tenth of the width passes every torch lobe
# seen so far and leaves menus, text, and the edges of large shapes standing.
_WINDOW = 0.075
# A picture's steps are at most about 25 % (domain notes on the torch test, from memory); over a
# Gaussian of 8 px at 480 columns such a step slopes 0.0125 per px. Twice that is a light's image.
_STEEPEST = 0.03
_TUKEY = 4.685  # Tukey's biweight at 95 % efficiency (textbook value, from memory)


@dataclass(frozen=True)
class FlatField:
    """Log light split into smooth light and the rest.

    Attributes
    ----------
    residual : ndarray of shape (h, w, 3), float32
        ln(light) minus the smooth fit, RGB; 0 where ``use`` is false. A residual of 0.01
        is 1 % brighter than the surrounding light.
    light : ndarray of shape (h, w, 3), float32
        The fitted smooth light, linear, 1.0 = white of the sensor.
    use : ndarray of shape (h, w), bool
        Pixels that can show a picture: in frame, inside the inset, neither glare nor its skirt.
    glare : ndarray of shape (h, w), bool
        Clipped pixels and the steep skirt of the light's image.
    """

    residual: FloatArray
    light: FloatArray
    use: BoolArray
    glare: BoolArray


def glare_mask(linear: FloatArray, clipped: BoolArray, valid: BoolArray) -> BoolArray:
    """Where the image of a light hides the panel: clipped pixels and their steep skirt.

    Parameters
    ----------
    linear : ndarray of shape (h, w, 3), linear light
    clipped, valid : ndarray of shape (h, w), bool

    Returns
    -------
    ndarray of shape (h, w), bool
    """
    h, w = valid.shape
    luma = np.log(np.maximum(linear @ LUMINANCE_WEIGHTS, 0) + LOG_FLOOR)
    step = max(1, round(w / 120))
    small = cv2.resize(luma, (max(8, w // step), max(8, h // step)), interpolation=cv2.INTER_AREA)
    scale = w / small.shape[1]
    smooth = cv2.GaussianBlur(small, (0, 0), 2.0, borderType=cv2.BORDER_REPLICATE)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    # Slope per pixel of a 480-column view, whatever the view's width.
    slope = cv2.magnitude(gx, gy) / scale * (w / 480)
    seen = cv2.resize(valid.astype(np.float32), small.shape[::-1], interpolation=cv2.INTER_AREA)
    # What lies outside the photo has no light of its own.
    glass = smooth[seen > 0.5]
    if not glass.size:
        return np.zeros((h, w), bool)
    level = median(glass)
    steep = (slope > _STEEPEST) & (smooth > level)
    core = cv2.resize(clipped.astype(np.float32), small.shape[::-1], interpolation=cv2.INTER_AREA)
    hot = _keep_large((core > 0.02).astype(np.uint8), 3)
    # chosen: e-fold above the median is no panel picture (contrast at most 25 %).
    bright = smooth > level + 1.0
    steep &= _touching(steep, (cv2.dilate(hot, np.ones((5, 5), np.uint8)) > 0) | bright)
    # chosen: e to the 1.5 above the median light is the lobe's core, clipped or not.
    core_light = _keep_large((smooth > level + 1.5).astype(np.uint8), 12) > 0
    mark = cv2.dilate((steep | core_light | (hot > 0)).astype(np.uint8), np.ones((3, 3), np.uint8))
    mark = _fill_holes(mark, smooth - level)
    full = cv2.resize(mark, (w, h), interpolation=cv2.INTER_NEAREST).astype(bool)
    return full & valid


def _keep_large(mark: np.ndarray, least: int) -> np.ndarray:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mark)
    keep = np.zeros(count, np.uint8)
    keep[1:] = stats[1:, cv2.CC_STAT_AREA] >= least
    return keep[labels]


def _touching(mark: BoolArray, seed: BoolArray) -> BoolArray:
    """Parts of a mark that touch the seed."""
    count, labels = cv2.connectedComponents(mark.astype(np.uint8))
    keep = np.zeros(count, bool)
    keep[np.unique(labels[seed & mark])] = True
    keep[0] = False
    return keep[labels]


def _fill_holes(mark: np.ndarray, above: FloatArray) -> np.ndarray:
    """Fill holes well above the median light: a lobe's core, not glass within a bright frame."""
    contours, _ = cv2.findContours(mark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = mark.copy()
    cv2.drawContours(filled, contours, -1, 1, thickness=cv2.FILLED)
    count, labels = cv2.connectedComponents((filled & (1 - mark)).astype(np.uint8))
    for hole in range(1, count):
        inside = labels == hole
        # chosen: a lobe's core outshines the glass by more than e to the half.
        if median(above[inside]) < 0.5:
            filled[inside] = 0
    return filled


def flatten(
    linear: FloatArray,
    clipped: BoolArray,
    valid: BoolArray,
    *,
    inset: float = 0.02,
    window: float = _WINDOW,
) -> FlatField:
    """Divide out the smooth light.

    A local quadratic in log light under a Gaussian window, fitted by least squares with
    two rounds of Tukey weights so that dirt and the picture itself pull it little
    (local polynomial regression, Cleveland 1979 loess, textbook; from memory).

    Parameters
    ----------
    linear : ndarray of shape (h, w, 3), linear light of the active area
    clipped, valid : ndarray of shape (h, w), bool
    inset : float
        Share of the width left out along each edge: the bezel's shadow and the outline's error.
    window : float
        Standard deviation of the window as a share of the width.
    """
    h, w = valid.shape
    glare = glare_mask(linear, clipped, valid)
    use = valid & ~glare & ~cv2.dilate(clipped.astype(np.uint8), np.ones((3, 3))).astype(bool)
    border = max(1, round(inset * w))
    use[:border] = use[-border:] = False
    use[:, :border] = use[:, -border:] = False
    logs = np.log(np.maximum(linear, 0) + np.float32(LOG_FLOOR))
    size = (round(1 / _CELL), max(8, round(h / (w * _CELL))))
    weight = use.astype(np.float32)
    share = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
    cells = cv2.resize(logs * weight[..., None], size, interpolation=cv2.INTER_AREA)
    cells = cells / np.maximum(share, 1e-3)[..., None]
    fit = _smooth_fit(cells, share, window / _CELL)
    smooth = cv2.resize(fit, (w, h), interpolation=cv2.INTER_CUBIC)
    residual = np.where(use[..., None], logs - smooth, 0).astype(np.float32)
    return FlatField(residual, np.exp(smooth).astype(np.float32), use, glare)


# Exponents of x and y of a quadratic's terms, of the products of two of them (15 differ among
# the 36), and which product stands where in the normal equations.
_POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
_MOMENTS = tuple((a, b) for a in range(5) for b in range(5 - a))
_GRAM = np.array([[_MOMENTS.index((a + c, b + d)) for c, d in _POWERS] for a, b in _POWERS])


def _smooth_fit(cells: FloatArray, share: FloatArray, sigma: float) -> FloatArray:
    """Local quadratic of every cell by weighted least squares, via blurred moments."""
    h, w = share.shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float64)
    x, y = (x - (w - 1) / 2) / sigma, (y - (h - 1) / 2) / sigma
    base = np.stack([x**a * y**b for a, b in _POWERS], axis=-1)
    moments = np.stack([x**a * y**b for a, b in _MOMENTS], axis=-1)
    kx, ky = _kernel(w, sigma), _kernel(h, sigma)
    values = cells.astype(np.float64)
    weight = np.repeat(share.astype(np.float64)[..., None], 3, axis=-1)
    ridge = np.diag([1e-9, 1e-3, 1e-3, 1e-2, 1e-2, 1e-2])
    fit = values
    grey_weight = weight[..., :1]
    for turn in range(3):
        # The design matrix is common to the channels: dirt and pictures show in all of them.
        gram = _window(moments * grey_weight, ky, kx)[..., _GRAM]
        right = _window(
            (base[..., :, None] * (values * grey_weight)[..., None, :]).reshape(h, w, 18), ky, kx
        ).reshape(h, w, 6, 3)
        # Centre the polynomial on each cell so that the ridge means the same everywhere.
        shift = _shift(x, y)
        local = shift @ gram @ shift.transpose(0, 1, 3, 2)
        scale = np.maximum(local[..., :1, :1], 1e-6)
        solution = np.linalg.solve(local + ridge * scale, shift @ right)
        fit = solution[..., 0, :]
        if turn == 2:
            break
        off = (values - fit).mean(axis=-1)
        known = share > 0.3
        spread = 1.4826 * median(np.abs(off[known])) if known.any() else 1.0
        t = np.clip(np.abs(off) / (_TUKEY * max(spread, 1e-4)), 0, 1)
        grey_weight = (share * np.maximum((1 - t * t) ** 2, 0.02))[..., None]
    return fit.astype(np.float32)


def _kernel(n: int, sigma: float) -> FloatArray:
    d = np.arange(n)[:, None] - np.arange(n)[None, :]
    return np.exp(-0.5 * (d / sigma) ** 2)


def _window(field: FloatArray, ky: FloatArray, kx: FloatArray) -> FloatArray:
    h, w, k = field.shape
    out = ky @ field.reshape(h, w * k)
    out = out.reshape(h, w, k).transpose(1, 0, 2).reshape(w, h * k)
    return (kx @ out).reshape(w, h, k).transpose(1, 0, 2)


def _shift(x: FloatArray, y: FloatArray) -> FloatArray:
    """Matrix per cell that turns moments about the origin into moments about the cell."""
    h, w = x.shape
    m = np.zeros((h, w, 6, 6))
    m[..., range(6), range(6)] = 1
    m[..., 1, 0] = -x
    m[..., 2, 0] = -y
    m[..., 3, 0], m[..., 3, 1] = x * x, -2 * x
    m[..., 4, 0], m[..., 4, 1], m[..., 4, 2] = x * y, -y, -x
    m[..., 5, 0], m[..., 5, 2] = y * y, -2 * y
    return m
