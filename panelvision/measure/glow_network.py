"""The network that says of a screen whether its backlight has dim zones or bare LEDs.

What a backlight does to a picture is a product: the same factor on every channel, soft at its
edges, blind to what is shown. In log light it is a sum, and convolutions can tell it from the
picture's own dark and bright places by what goes on beneath it. ``models/train_glow.py`` teaches
it, among others on photos of healthy screens whose light is multiplied by gain maps.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from panelvision.arrays import FloatArray
from panelvision.measure.convolution import POOLED, Convolution, pooled, read_convolutions
from panelvision.measure.reduced import Reduced, largest
from panelvision.measure.stored import read_stored

MODEL_FILE = "glow_network.npz"
SIZE = (72, 128)  # rows and columns of the network's picture
CHANNELS = 6
FLOOR = 1.5e-3  # linear light, about code 5 (chosen): darker picture carries no gain
# What the network is asked, in the order of its answers.
QUESTIONS = ("dim", "spot")
_LAST = 12.0  # log-odds beyond this are alike (chosen)


# Names of what the network says.
GLOW_NETWORK_SCORES = tuple(f"glow_net_{question}" for question in QUESTIONS)


@dataclass(frozen=True)
class GlowReading:
    """Log-odds, -12..12, that the backlight has dim zones, and that it has bare LEDs.

    ``places``: the same for every place, ndarray of shape (rows, columns, 2).
    """

    dim: float
    spot: float
    places: FloatArray

    def features(self) -> dict[str, float]:
        """Named numbers for the classifier."""
        return dict(zip(GLOW_NETWORK_SCORES, (self.dim, self.spot), strict=True))


@dataclass(frozen=True)
class GlowNetwork:
    """Log-odds from a picture of log light.

    Attributes
    ----------
    layers : tuple of Convolution
    places : two arrays, (n_channels, 2) and (2,)
        From the last channels to what a place shows.
    weights, biases : tuples of two arrays
        Dense layers on what was pooled.
    """

    layers: tuple[Convolution, ...]
    places: tuple[FloatArray, FloatArray]
    weights: tuple[FloatArray, FloatArray]
    biases: tuple[FloatArray, FloatArray]

    def read(self, picture: FloatArray) -> GlowReading:
        """What one picture of :func:`glow_picture` shows."""
        x = inputs(picture)
        for layer in self.layers:
            x = layer(x)
        there = np.moveaxis(x, 0, -1) @ self.places[0] + self.places[1]
        flat = there.reshape(-1, len(QUESTIONS))
        seen = np.concatenate([pooled(x), flat.mean(axis=0), flat.max(axis=0)])
        hidden = np.maximum(seen @ self.weights[0] + self.biases[0], 0)
        odds = np.clip(hidden @ self.weights[1] + self.biases[1], -_LAST, _LAST)
        return GlowReading(float(odds[0]), float(odds[1]), np.clip(there, -_LAST, _LAST))


def glow_picture(reduced: Reduced) -> FloatArray:
    """What the network sees of a screen, float32 of shape (72, 128, 6).

    ln(light + ``FLOOR``) of red, green and blue, the same of the brightest channel of the
    brightest place beneath (paper rather than print), the valid share and the clipped share.
    """
    size = (SIZE[1], SIZE[0])
    light = reduced.light
    mean = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    top = cv2.resize(
        cv2.dilate(largest(light), np.ones((5, 5), np.uint8)), size, interpolation=cv2.INTER_AREA
    )
    shares = [
        cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        for mask in (reduced.valid, reduced.clipped)
    ]
    logs = np.log(np.maximum(np.dstack([mean, top]), 0) + np.float32(FLOOR))
    return np.dstack([logs, *shares]).astype(np.float32)


def inputs(picture: FloatArray) -> FloatArray:
    """The picture as the network takes it, (6, 72, 128): levels apart from the screen's own."""
    x = np.moveaxis(picture, -1, 0).astype(np.float32)
    seen = x[4] > 0.5
    level = float(x[3][seen].mean()) if seen.any() else 0.0
    x[:4] = np.clip((x[:4] - level) / 2, -2.5, 2.5) * (x[4] > 0)
    return x


@lru_cache(maxsize=1)
def load_glow_network(name: str = MODEL_FILE) -> GlowNetwork:
    """The network that ships beside this module.

    Raises
    ------
    ModelError
        When the file is missing or damaged.
    """
    return read_stored(name, read_glow_network)


def read_glow_network(numbers: Mapping[str, np.ndarray]) -> GlowNetwork:
    """The network from the arrays of its file; ValueError or KeyError when they do not fit."""
    layers = read_convolutions(numbers, "glow", CHANNELS)
    last, asked = len(layers[-1].bias), len(QUESTIONS)
    places = tuple(numbers[f"places.{name}"].astype(np.float32) for name in ("weight", "bias"))
    weights = tuple(numbers[f"dense.{k}.weight"].astype(np.float32) for k in range(2))
    biases = tuple(numbers[f"dense.{k}.bias"].astype(np.float32) for k in range(2))
    fits = (
        places[0].shape == (last, asked)
        and places[1].shape == (asked,)
        and weights[0].shape == (POOLED * last + 2 * asked, len(biases[0]))
        and weights[1].shape == (len(biases[0]), asked)
        and biases[1].shape == (asked,)
        and all(np.isfinite(a).all() for a in (*places, *weights, *biases))
    )
    if not fits:
        raise ValueError("dense layers do not fit")
    return GlowNetwork(
        layers, (places[0], places[1]), (weights[0], weights[1]), (biases[0], biases[1])
    )
