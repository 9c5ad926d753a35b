"""The network that reads a glance, as plain numbers.

It sees the two pictures of a :class:`~panelvision.measure.glance.Glance` through convolutions,
pools every last channel, and puts two dense layers on that. Pooled are mean and maximum, and
the largest mean of a column and of a row: faults of the panel run along one of the two. What
each place of the screen shows by itself, label by label, is pooled as well.
``models/train_glance.py`` teaches it, on photos that the classifier does not learn from.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.evaluators import log_softmax
from panelvision.labels import SYMPTOMS
from panelvision.measure.convolution import POOLED, Convolution, pooled, read_convolutions
from panelvision.measure.glance import Glance, glance_of
from panelvision.measure.stored import read_stored
from panelvision.photo import Photo
from panelvision.squareup import Outline, ScreenView

MODEL_FILE = "glance_network.npz"

_SCREEN_CHANNELS = 6
_FRAME_CHANNELS = 4


# Rows and columns that a picture is cut by before the network sees it. It is taught on cuttings at
# random places, and what it pools over a larger picture is no longer what it was taught on.
SCREEN_CUT = 12
FRAME_CUT = 10

# Names of what the network says, label by label.
GLANCE_SCORES = tuple(f"glance_{symptom.replace('-', '_')}" for symptom in SYMPTOMS)


@dataclass(frozen=True)
class GlanceReading:
    """What the network says of a photo.

    Attributes
    ----------
    log_probabilities : ndarray of shape (13,), float64
        Of the labels, in the order of ``SYMPTOMS``.
    """

    log_probabilities: FloatArray

    def probability(self, symptom: str) -> float:
        """Of one label, 0..1."""
        return float(np.exp(self.log_probabilities[SYMPTOMS.index(symptom)]))

    def features(self) -> dict[str, float]:
        """The same by name, for the classifier; finite."""
        return dict(zip(GLANCE_SCORES, self.log_probabilities.tolist(), strict=True))


def measure_glance(photo: Photo, wide: ScreenView, outline: Outline | None) -> GlanceReading:
    """Read a photo at a glance; parameters as of :func:`panelvision.measure.glance.glance_of`.

    Raises
    ------
    ModelError
        When the network's numbers are missing or damaged.
    """
    return load_network().read(glance_of(photo, wide, outline))


@dataclass(frozen=True)
class GlanceNetwork:
    """Log-probabilities of the labels from a glance.

    Attributes
    ----------
    screen, frame : tuple of Convolution
        What each of the two pictures goes through.
    places : tuple of two arrays, (n_channels, n_labels) and (n_labels,)
        From the screen's last channels to what a place shows.
    weights, biases : tuples of two arrays
        Dense layers on what was pooled.
    """

    screen: tuple[Convolution, ...]
    frame: tuple[Convolution, ...]
    places: tuple[FloatArray, FloatArray]
    weights: tuple[FloatArray, FloatArray]
    biases: tuple[FloatArray, FloatArray]

    def read(self, glance: Glance) -> GlanceReading:
        """What one glance shows; the middle of both pictures, in the size that was taught."""
        screen = _seen(self.screen, _middle(glance.screen, SCREEN_CUT))
        frame = _seen(self.frame, _middle(glance.frame, FRAME_CUT))
        there = self._places(screen)
        x = np.concatenate([pooled(screen), pooled(frame), there.mean(axis=0), there.max(axis=0)])
        x = np.maximum(x @ self.weights[0] + self.biases[0], 0)
        z = (x @ self.weights[1] + self.biases[1]).astype(np.float64)
        return GlanceReading(log_softmax(z[None])[0])

    def _places(self, screen: FloatArray) -> FloatArray:
        """Log-probabilities (n_places, n_labels) of the places one by one."""
        channels = screen.reshape(len(screen), -1).T
        return log_softmax(channels @ self.places[0] + self.places[1])


def _middle(picture: IntArray, cut: int) -> IntArray:
    return picture[cut // 2 : cut // 2 - cut, cut // 2 : cut // 2 - cut]


def _seen(layers: tuple[Convolution, ...], picture: IntArray) -> FloatArray:
    x = np.moveaxis(picture.astype(np.float32) / 127.5 - 1, -1, 0)
    for layer in layers:
        x = layer(x)
    return x


@lru_cache(maxsize=1)
def load_network(name: str = MODEL_FILE) -> GlanceNetwork:
    """The network that ships beside this module.

    Raises
    ------
    ModelError
        When the file is missing or damaged.
    """
    return read_stored(name, lambda numbers: read_network(numbers, len(SYMPTOMS)))


def read_network(numbers: Mapping[str, np.ndarray], labels: int) -> GlanceNetwork:
    """The network from the arrays of its file (keys as ``models/glance.py`` writes them).

    Raises
    ------
    ValueError, KeyError
        When arrays are missing or do not fit each other.
    """
    screen = read_convolutions(numbers, "screen", _SCREEN_CHANNELS)
    frame = read_convolutions(numbers, "frame", _FRAME_CHANNELS)
    places = tuple(numbers[f"places.{name}"].astype(np.float32) for name in ("weight", "bias"))
    weights = tuple(numbers[f"dense.{k}.weight"].astype(np.float32) for k in range(2))
    biases = tuple(numbers[f"dense.{k}.bias"].astype(np.float32) for k in range(2))
    width = POOLED * (len(screen[-1].bias) + len(frame[-1].bias)) + 2 * labels
    fits = (
        places[0].shape == (len(screen[-1].bias), labels)
        and places[1].shape == (labels,)
        and weights[0].shape == (width, len(biases[0]))
        and weights[1].shape == (len(biases[0]), labels)
        and biases[1].shape == (labels,)
        and all(np.isfinite(a).all() for a in (*places, *weights, *biases))
    )
    if not fits:
        raise ValueError("dense layers do not fit")
    return GlanceNetwork(
        screen, frame, (places[0], places[1]), (weights[0], weights[1]), (biases[0], biases[1])
    )
