"""A small network of convolutions as plain numbers, evaluated with numpy.

It reads a :class:`~panelvision.measure.glance.Glance`. Training (``models/glance.py``) folds
every normalisation into the convolution before it, so what is left is: 3 x 3 convolutions,
rectifiers, sums of a layer with its input, mean and maximum over the picture, two dense layers.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.evaluators import log_softmax
from panelvision.measure.glance import Glance

_SCREEN_CHANNELS = 6
_FRAME_CHANNELS = 4
# chosen: a larger layer is none of ours; it bounds what a forged file can make the program do.
_MOST_CHANNELS = 512


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
        padded = np.pad(x, ((0, 0), (1, 1), (1, 1)))
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


@dataclass(frozen=True)
class GlanceNetwork:
    """Log-probabilities of the labels from a glance.

    Attributes
    ----------
    screen, frame : tuple of Convolution
        What each of the two pictures goes through.
    weights, biases : tuples of two arrays
        Dense layers on the mean and the maximum of every last channel.
    """

    screen: tuple[Convolution, ...]
    frame: tuple[Convolution, ...]
    weights: tuple[FloatArray, FloatArray]
    biases: tuple[FloatArray, FloatArray]

    def log_probabilities(self, glance: Glance) -> FloatArray:
        """Log-probabilities (n_labels,) of one glance."""
        x = np.concatenate([_seen(self.screen, glance.screen), _seen(self.frame, glance.frame)])
        x = np.maximum(x @ self.weights[0] + self.biases[0], 0)
        return log_softmax((x @ self.weights[1] + self.biases[1])[None].astype(np.float64))[0]


def _seen(layers: tuple[Convolution, ...], picture: IntArray) -> FloatArray:
    x = np.moveaxis(picture.astype(np.float32) / 127.5 - 1, -1, 0)
    for layer in layers:
        x = layer(x)
    return np.concatenate([x.mean(axis=(1, 2)), x.max(axis=(1, 2))])


def read_network(numbers: Mapping[str, np.ndarray], labels: int) -> GlanceNetwork:
    """The network from the arrays of an artefact (keys as ``models/glance.py`` writes them).

    Raises
    ------
    ValueError, KeyError
        When arrays are missing or do not fit each other.
    """
    screen = _layers(numbers, "screen", _SCREEN_CHANNELS)
    frame = _layers(numbers, "frame", _FRAME_CHANNELS)
    weights = tuple(numbers[f"dense.{k}.weight"].astype(np.float32) for k in range(2))
    biases = tuple(numbers[f"dense.{k}.bias"].astype(np.float32) for k in range(2))
    width = 2 * (len(screen[-1].bias) + len(frame[-1].bias))
    fits = (
        weights[0].shape == (width, len(biases[0]))
        and weights[1].shape == (len(biases[0]), labels)
        and biases[1].shape == (labels,)
        and all(np.isfinite(a).all() for a in (*weights, *biases))
    )
    if not fits:
        raise ValueError("dense layers do not fit")
    return GlanceNetwork(screen, frame, (weights[0], weights[1]), (biases[0], biases[1]))


def _layers(
    numbers: Mapping[str, np.ndarray], picture: str, channels: int
) -> tuple[Convolution, ...]:
    steps = numbers[f"{picture}.steps"]
    if not 1 <= len(steps) <= 20:
        raise ValueError("layers: none, or too many")
    layers = []
    for k, step in enumerate(steps.tolist()):
        weight = numbers[f"{picture}.{k}.weight"].astype(np.float32)
        bias = numbers[f"{picture}.{k}.bias"].astype(np.float32)
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
