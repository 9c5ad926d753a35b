"""A large network of convolutions, kept as an ONNX file and evaluated by OpenCV.

The small networks of this program are evaluated with numpy (:mod:`convolution`); one of fifty
layers that filter each channel by itself takes OpenCV a third of numpy's time.
"""

from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import cv2
import numpy as np

from panelvision.arrays import FloatArray

# chosen: a larger file is none of ours.
_MOST_BYTES = 64_000_000
_PICTURE, _LEVELS = "picture", "level."


@dataclass(frozen=True)
class Trunk:
    """Pictures in, channels of several sizes out.

    Attributes
    ----------
    net : cv2.dnn.Net
        Holds what it is working on, so one photo at a time.
    levels : tuple of str
        Names of the outputs, finest first.
    """

    net: Any = field(repr=False)
    levels: tuple[str, ...]
    lock: Any = field(default_factory=Lock, repr=False)

    def __call__(self, picture: FloatArray) -> list[FloatArray]:
        """Every level (n_channels, rows, columns) of a picture.

        Parameters
        ----------
        picture : ndarray of shape (n_in, h, w), float32
            Of the size that the file was written for; values as in teaching.

        Raises
        ------
        ValueError
            When the file's layers do not fit the picture or each other.
        """
        with self.lock:
            try:
                self.net.setInput(np.ascontiguousarray(picture[None], np.float32), _PICTURE)
                # A later forward may write over what an earlier one gave.
                return [out[0].copy() for out in self.net.forward(self.levels)]
            except cv2.error as fault:
                raise ValueError(f"layers do not fit ({fault.err or fault.code})") from None


def read_trunk(data: np.ndarray, levels: int) -> Trunk:
    """A trunk from the bytes of its file, uint8 (n,), as ``models/pretrained.py`` writes it.

    Raises
    ------
    ValueError
        When they are no such file.
    """
    if data.dtype != np.uint8 or data.ndim != 1 or not 0 < data.size <= _MOST_BYTES:
        raise ValueError("trunk: not the bytes of a file")
    try:
        net = cv2.dnn.readNetFromONNX(np.ascontiguousarray(data))
    except cv2.error as fault:
        raise ValueError(f"trunk: not an ONNX file ({fault.err or fault.code})") from None
    return Trunk(net, tuple(f"{_LEVELS}{k}" for k in range(levels)))
