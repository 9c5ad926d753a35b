"""A photo's perceptual hash: nearly the same for copies, different for different scenes.

The signs of the low-frequency cosine coefficients of a small grey copy, the usual "pHash"
(Zauner, "Implementation and Benchmarking of Perceptual Image Hash Functions", 2010), with 16 x 16
coefficients rather than 8 x 8: photos of dark screens share their coarsest shape (a blob of torch
light), so that 64 bits do not tell them apart.
"""

import io

import cv2
import numpy as np
from PIL import Image

from panelvision.arrays import IntArray
from panelvision.errors import PhotoError
from panelvision.order_statistics import median
from panelvision.photo import read_photo

_SIDE = 64
_COEFFICIENTS = 16
BITS = _COEFFICIENTS * _COEFFICIENTS
# chosen: unrelated photos differ in about half of the bits, with a spread of a few per cent;
# copies that were scaled and compressed again differ in a few, in very even photos in up to a
# fifth, because there many coefficients are nearly zero and their signs chance.
NEAR = BITS // 5


def fingerprint(pixels: IntArray) -> str:
    """The hash of an upright RGB picture (H, W, 3), uint8 or uint16: 64 hexadecimal digits."""
    small = cv2.resize(pixels, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA)
    grey = small.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32)
    # the root evens out how noisy bright and dark parts are, so that dark photos count too
    low = cv2.dct(np.sqrt(grey))[:_COEFFICIENTS, :_COEFFICIENTS].ravel()
    # without the mean, which is the same sign for all
    bits = np.append(low[1:] > median(low[1:]), False)
    return np.packbits(bits).tobytes().hex()


def fingerprint_of_file(data: bytes) -> str:
    """The hash of a photo file; empty when it cannot be read."""
    try:
        with Image.open(io.BytesIO(data)) as image:
            if image.format == "JPEG" and image.getexif().get(0x0112, 1) == 1:
                # a JPEG decoder can skip the fine detail, which takes most of the time
                image.draft("RGB", (4 * _SIDE, 4 * _SIDE))
                return fingerprint(np.array(image.convert("RGB")))
        return fingerprint(read_photo(data).pixels)
    except (PhotoError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return ""


def distance(one: str, two: str) -> int:
    """In how many bits two hashes differ (0..256); 256 when either is empty."""
    if not one or not two:
        return BITS
    return (int(one, 16) ^ int(two, 16)).bit_count()
