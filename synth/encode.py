"""JPEG as a phone or a messenger delivers it, with an EXIF orientation tag."""

from __future__ import annotations

import struct

import cv2
import numpy as np

from synth.arrays import Bytes

_TURN = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}


def decode_rgb(data: bytes, *, turn: bool = False) -> Bytes:
    """Image bytes to (H, W, 3) RGB, turned upright by the EXIF tag only if `turn`.

    ValueError for bytes that are no image.
    """
    way = cv2.IMREAD_COLOR if turn else cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), way)
    if bgr is None:
        raise ValueError("these bytes are not an image that OpenCV can read")
    return np.ascontiguousarray(bgr[..., ::-1])


def _exif(orientation: int) -> bytes:
    """An APP1 segment that holds only the orientation (TIFF tag 0x0112; EXIF 2.3)."""
    tiff = b"MM\x00*" + struct.pack(">I", 8) + struct.pack(">H", 1)
    tiff += struct.pack(">HHIHH", 0x0112, 3, 1, orientation, 0) + struct.pack(">I", 0)
    body = b"Exif\x00\x00" + tiff
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def jpeg(upright: Bytes, *, quality: int, orientation: int = 1, subsample: bool = True) -> bytes:
    """Encode an upright RGB picture; the pixels are stored turned so that the tag turns them back.

    orientation: 1, 3, 6 or 8. KeyError for another one.
    """
    stored = upright if orientation == 1 else cv2.rotate(upright, _TURN[orientation])
    params = [
        cv2.IMWRITE_JPEG_QUALITY,
        int(quality),
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420 if subsample else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(stored, cv2.COLOR_RGB2BGR), params)
    if not ok:
        raise ValueError(f"the picture of shape {upright.shape} could not be written as JPEG")
    raw = data.tobytes()
    return raw if orientation == 1 else raw[:2] + _exif(orientation) + raw[2:]
