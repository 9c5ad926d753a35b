"""Convolutions as plain numbers, evaluated with numpy.

Training (PyTorch, in ``models``) folds every normalisation into the convolution before it, so
that 3 x 3 convolutions, rectifiers, and sums of a layer with its input are all that is left.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray

# chosen: a larger layer is none of ours; it bounds what a forged file can make the program do.
_MOST_CHANNELS = 512
_MOST_LAYERS = 20
POOLED = 4  # numbers that :func:`pooled` makes of a channel


@dataclass(frozen=True)
class Convolution:
    """One 3 x 3 convolution with a border of zeros and a rectifier.

    Attributes
    ----------
    weight : ndarray of shape (n_out, n_in, 3, 3), float32
    bias : ndarray of shape (n_out,), float32
    step : int
        Every how many pixels, 1 or 2. A step of 1 that keeps the number of channels adds its
        input before the rectifier (He et al. 2016, arXiv 1512.03385).
    """

    weight: FloatArray
    bias: FloatArray
    step: int

    def __call__(self, x: FloatArray) -> FloatArray:
        """Output (n_out, h', w') of ``x`` (n_in, h, w)."""
        n_in, h, w = x.shape
        rows, columns = -(-h // self.step), -(-w // self.step)
        padded = np.zeros((n_in, h + 2, w + 2), np.float32)
        padded[:, 1:-1, 1:-1] = x
        patches = np.empty((n_in, 9, rows, columns), np.float32)
        for k in range(9):
            i, j = divmod(k, 3)
            patches[:, k] = padded[:, i : i + h : self.step, j : j + w : self.step]
        out = self.weight.reshape(len(self.weight), -1) @ patches.reshape(n_in * 9, -1)
        out = out.reshape(-1, rows, columns) + self.bias[:, None, None]
        if self.adds_input:
            out += x
        return np.maximum(out, 0)

    @property
    def adds_input(self) -> bool:
        """Whether the input is added to the output."""
        return self.step == 1 and self.weight.shape[0] == self.weight.shape[1]


def pooled(x: FloatArray) -> FloatArray:
    """Four numbers of every channel of ``x`` (n, h, w), (4 n,).

    Mean and maximum, and the largest mean of a column and of a row: faults of the panel run
    along one of the two.
    """
    columns, rows = x.mean(axis=1), x.mean(axis=2)
    return np.concatenate(
        [columns.mean(axis=1), x.max(axis=(1, 2)), columns.max(axis=1), rows.max(axis=1)]
    )


def read_convolutions(
    numbers: Mapping[str, np.ndarray], part: str, channels: int
) -> tuple[Convolution, ...]:
    """The layers of one part of an artefact, whose input has so many channels.

    Raises
    ------
    ValueError, KeyError
        When arrays are missing or do not fit each other.
    """
    steps = numbers[f"{part}.steps"]
    if not 1 <= len(steps) <= _MOST_LAYERS:
        raise ValueError("layers: none, or too many")
    layers = []
    for k, step in enumerate(steps.tolist()):
        weight = numbers[f"{part}.{k}.weight"].astype(np.float32)
        bias = numbers[f"{part}.{k}.bias"].astype(np.float32)
        fits = (
            weight.shape == (len(bias), channels, 3, 3)
            and 1 <= len(bias) <= _MOST_CHANNELS
            and step in (1, 2)
            and bool(np.isfinite(weight).all() and np.isfinite(bias).all())
        )
        if not fits:
            raise ValueError("convolutions do not fit each other")
        layers.append(Convolution(weight, bias, int(step)))
        channels = len(bias)
    return tuple(layers)
