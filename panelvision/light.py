"""Light and code values: the sRGB transfer function and luminance.

Everything that measures works in linear light scaled so that 1.0 is the
sensor's white; code values are only for files and for the eye.
"""

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray

# Knee and slope of the sRGB transfer function, IEC 61966-2-1.
_DECODE_KNEE = 0.04045
_ENCODE_KNEE = 0.0031308

# Luminance weights of linear R, G, B: ITU-R BT.709, item 3.2.
LUMINANCE_WEIGHTS = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


def srgb_to_linear(value: FloatArray) -> FloatArray:
    """Linear light in 0..1 of sRGB values in 0..1 (IEC 61966-2-1), any shape."""
    value = np.asarray(value)
    low = value / 12.92
    high = ((np.maximum(value, 0) + 0.055) / 1.055) ** 2.4
    return np.where(value <= _DECODE_KNEE, low, high)


def linear_to_srgb(light: FloatArray) -> FloatArray:
    """sRGB values in 0..1 of linear light in 0..1 (IEC 61966-2-1), any shape; clipped."""
    light = np.clip(np.asarray(light), 0.0, 1.0)
    low = 12.92 * light
    high = 1.055 * light ** (1 / 2.4) - 0.055
    return np.where(light <= _ENCODE_KNEE, low, high)


_DECODE_8 = srgb_to_linear(np.arange(256) / 255.0).astype(np.float32)
_DECODE_16 = srgb_to_linear(np.arange(65536) / 65535.0).astype(np.float32)


def decode(pixels: IntArray) -> FloatArray:
    """Linear light, float32 in 0..1, of 8- or 16-bit sRGB code values of any shape."""
    if pixels.dtype == np.uint8:
        # The same table look-up as indexing, three times as quick on large photos.
        return cv2.LUT(pixels, _DECODE_8) if pixels.ndim >= 2 else _DECODE_8[pixels]
    if pixels.dtype == np.uint16:
        return _DECODE_16[pixels]
    raise TypeError(f"pixels: expected uint8 or uint16 code values, got {pixels.dtype}")


def encode(light: FloatArray) -> IntArray:
    """8-bit sRGB code values (uint8) of linear light in 0..1, any shape; clipped, rounded."""
    return np.rint(linear_to_srgb(light) * 255).astype(np.uint8)


def averaged(pixels: IntArray, size: tuple[int, int]) -> IntArray:
    """Code values (H, W, 3) averaged down to ``size`` (width, height).

    By halves first, which is many times quicker than to average over fractions of pixels; each
    halving rounds. Averaging codes instead of light biases a mixed pixel by a fraction of a stop.
    """
    while can_be_halved(pixels) and pixels.shape[1] >= 2 * size[0]:
        pixels = halved(pixels)
    small: IntArray = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return small


def can_be_halved(pixels: IntArray) -> bool:
    """Whether both sides are even."""
    return not (pixels.shape[0] % 2 or pixels.shape[1] % 2)


def halved(pixels: IntArray) -> IntArray:
    """Code values (H, W, 3) with even sides, averaged over blocks of 2 x 2 pixels."""
    h, w = pixels.shape[:2]
    half: IntArray = cv2.resize(pixels, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    return half


def highest(values: FloatArray) -> FloatArray:
    """Largest of the three channels of each pixel (...), much quicker than a reduction."""
    most: FloatArray = np.maximum(np.maximum(values[..., 0], values[..., 1]), values[..., 2])
    return most


def lowest(values: FloatArray) -> FloatArray:
    """Smallest of the three channels of each pixel (...), as :func:`highest`."""
    least: FloatArray = np.minimum(np.minimum(values[..., 0], values[..., 1]), values[..., 2])
    return least


def luminance(light: FloatArray) -> FloatArray:
    """Relative luminance (..., float32) of linear RGB (..., 3)."""
    return light @ LUMINANCE_WEIGHTS


# chosen: added to linear light before the root so that the noise of near-black
# (about ten code values) is not blown up.
_DARK = np.float32(0.003)


def root(light: FloatArray) -> FloatArray:
    """Square root of linear light (...), float32, 0 for black.

    Photon noise is nearly the same at every level of it (Anscombe 1948).
    """
    light_root: FloatArray = cv2.sqrt(light + _DARK)
    light_root -= np.sqrt(_DARK)
    return light_root
