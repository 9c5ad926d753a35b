"""Noise at each light level, estimated from the photo itself.

The photo's own quiet places tell the noise: in every class of light level, the lower
quartile of small tiles' fine-scale variance is taken as noise, so that text and edges do
not count. What comes out includes photon and read noise, quantisation, and what the
phone's denoising and JPEG left of them.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.light import LUMINANCE_WEIGHTS, linear_to_srgb
from panelvision.order_statistics import median, quantile

_TILE = 12
_LEVELS = 8
# Mean over lower quartile of a scaled chi-square with about 60 degrees of freedom (the
# effective count of a 12 x 12 tile after the band's correlation): 1 / 0.877. Computed with
# scipy.stats.chi2.
_QUARTILE_TO_MEAN = 1.14


@dataclass(frozen=True)
class NoiseCurve:
    """Relative noise against light level, per channel.

    Attributes
    ----------
    level : ndarray of shape (k,)
        Relative luminance of each class, 0..1, ascending.
    sigma : ndarray of shape (k, 3)
        Standard deviation of ln(light) in a one-pixel fine band, R, G, B.
    quantum : float
        Relative light step of one 8-bit code at the median level; 0.05 means that one code
        is 5 % of light.
    """

    level: FloatArray
    sigma: FloatArray
    quantum: float

    def at(self, luminance: FloatArray) -> FloatArray:
        """Sigma of ln(light), shape (..., 3), at luminances of any shape."""
        position = np.log(np.maximum(luminance, 1e-6))
        grid = np.log(np.maximum(self.level, 1e-6))
        out = np.empty((*np.shape(luminance), 3), np.float32)
        for c in range(3):
            out[..., c] = np.exp(np.interp(position, grid, np.log(self.sigma[:, c])))
        return out


def code_step(luminance: float) -> float:
    """Relative light step of one 8-bit sRGB code at a linear level (IEC 61966-2-1)."""
    v = max(float(linear_to_srgb(np.array(luminance))), 1e-4)
    slope = 1 / 12.92 if v <= 0.04045 else 2.4 / 1.055 * ((v + 0.055) / 1.055) ** 1.4
    return slope / 255 / max(luminance, 1e-6)


def estimate_noise(residual: FloatArray, light: FloatArray, use: BoolArray) -> NoiseCurve:
    """Noise curve of a flattened view.

    Parameters
    ----------
    residual : ndarray of shape (h, w, 3)
        ln(light) with the smooth light removed.
    light : ndarray of shape (h, w, 3)
        The smooth light.
    use : ndarray of shape (h, w), bool

    Returns
    -------
    NoiseCurve
    """
    h, w = use.shape
    luma = np.maximum(light @ LUMINANCE_WEIGHTS, 1e-6)
    fine = residual - cv2.GaussianBlur(residual, (0, 0), 1.0)
    size = (max(1, w // _TILE), max(1, h // _TILE))
    inner = cv2.erode(use.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
    full = cv2.resize(inner, size, interpolation=cv2.INTER_AREA) > 0.98
    variance = cv2.resize(fine * fine, size, interpolation=cv2.INTER_AREA)
    level = cv2.resize(luma.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    middle = float(median(luma[use])) if use.any() else 0.01
    quantum = code_step(middle)
    # Quantisation alone leaves a twelfth of a step squared; dithering by noise spreads it.
    # chosen: a third of that as the floor, since resampling averages several photo pixels.
    floor = quantum**2 / 36
    if full.sum() < 8:
        sigma = np.full((1, 3), np.sqrt(floor))
        return NoiseCurve(np.array([middle]), sigma, quantum)
    tiles, levels = variance[full], level[full]
    order = np.argsort(levels)
    parts = np.array_split(order, min(_LEVELS, max(1, full.sum() // 8)))
    at = np.array([median(levels[p]) for p in parts])
    quiet = np.array([quantile(tiles[p], 0.25, axis=0) for p in parts]) * _QUARTILE_TO_MEAN
    at, keep = np.unique(at, return_index=True)
    return NoiseCurve(at, np.sqrt(quiet[keep] + floor), quantum)
