"""A large network of convolutions, kept as an ONNX file and evaluated by OpenCV.

The small networks of this program are evaluated with numpy (:mod:`convolution`); one of fifty
layers that filter each channel by itself takes OpenCV a third of numpy's time.

Three million weights are most of the file. They are kept beside it as whole numbers, a step for
each output channel, in less than a third of the room; in the file itself zeros stand for them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

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


def read_trunk(numbers: Mapping[str, np.ndarray], part: str, levels: int) -> Trunk:
    """A trunk from the arrays of its part, as ``models/pretrained.py`` writes them.

    Raises
    ------
    ValueError, KeyError
        When arrays are missing or do not fit each other.
    """
    try:
        net = cv2.dnn.readNetFromONNX(whole_file(numbers, part))
    except cv2.error as fault:
        raise ValueError(f"trunk: not an ONNX file ({fault.err or fault.code})") from None
    return Trunk(net, tuple(f"{_LEVELS}{k}" for k in range(levels)))


def whole_file(numbers: Mapping[str, np.ndarray], part: str) -> NDArray[np.uint8]:
    """The bytes of the ONNX file, uint8 (n,), its weights put in.

    Parameters
    ----------
    numbers : mapping
        ``<part>.onnx``, uint8 (n,): the file with zeros for weights. ``<part>.starts``, integers
        (n_layers,): the byte at which each layer's weights start, as 32-bit numbers in the order
        of memory. Of each layer ``k``: ``<part>.<k>.weight``, int8 (n_out, n_in, h, w), and
        ``<part>.<k>.step``, float32 (n_out,), by which it is multiplied.

    Raises
    ------
    ValueError, KeyError
        When arrays are missing or do not fit each other.
    """
    data, starts = numbers[f"{part}.onnx"], numbers[f"{part}.starts"]
    if data.dtype != np.uint8 or data.ndim != 1 or not 0 < data.size <= _MOST_BYTES:
        raise ValueError("trunk: not the bytes of a file")
    whole = data.copy()
    for k, start in enumerate(starts.astype(np.int64).ravel().tolist()):
        weight, step = numbers[f"{part}.{k}.weight"], numbers[f"{part}.{k}.step"]
        if weight.dtype != np.int8 or weight.ndim != 4 or step.shape != weight.shape[:1]:
            raise ValueError("trunk: not the weights of a layer")
        values = (weight * step.astype("<f4")[:, None, None, None]).astype("<f4")
        if not np.isfinite(values).all():
            raise ValueError("trunk: weights are not finite")
        place = whole[max(start, 0) : start + values.nbytes]
        if place.size != values.nbytes or place.any():
            raise ValueError("trunk: weights do not fit the file")
        place[:] = values.reshape(-1).view(np.uint8)
    return whole
