"""The network that reads a glance.

It sees the two pictures of a :class:`~panelvision.measure.glance.Glance` through convolutions,
pools their channels, and puts two dense layers on that. The screen's picture goes through a large
trunk that knew photographs before it saw drawings (``models/pretrained.py``) and is pooled at
three sizes; the frame's through a small stack. Whether there is a screen at all is seen in what
surrounds it: on that, and on nothing else, the trunk's reading of the whole frame has a say.
Pooled are mean and maximum, and the largest mean
of a column and of a row: faults of the panel run along one of the two. What each place of the
screen shows by itself, label by label, is pooled as well.
``models/train_glance.py`` teaches it, on photos that the classifier does not learn from.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.evaluators import log_softmax
from panelvision.labels import SYMPTOMS
from panelvision.measure.convolution import POOLED, Convolution, pooled, read_convolutions
from panelvision.measure.glance import FRAME_SIZE, Glance, glance_of
from panelvision.measure.stored import read_stored
from panelvision.measure.trunk import Trunk, read_trunk
from panelvision.photo import Photo
from panelvision.squareup import Outline, ScreenView

MODEL_FILE = "glance_network.npz"

_FRAME_CHANNELS = 4
_NO_SCREEN = SYMPTOMS.index("not-a-screen")
# Channels of the levels that the trunk gives, and which of them says what a place shows.
LEVEL_CHANNELS = (40, 112, 320)
PLACES_LEVEL = 1
# Rows and columns that the trunk sees the screen at. chosen: three quarters of the glance's take
# half the time.
SCREEN_SEEN = (135, 240)
# Rows and columns that a picture is cut by before the network sees it. It is taught on cuttings at
# random places, and what it pools over a larger picture is no longer what it was taught on. What
# is left of the screen halves four times and nearly five.
SCREEN_CUT = (7, 8)
FRAME_CUT = (10, 10)
# The same for the frame as the trunk sees it. Its layers pad as for the screen: what is left
# halves as often without a rest, so that what they see lies where it lay in teaching.
WHOLE_CUT = (16, 8)

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
    screen : Trunk
    frame : tuple of Convolution
        What each of the two pictures goes through.
    places : tuple of two arrays, (n_channels, n_labels) and (n_labels,)
        From the screen's channels at the middle size to what a place shows.
    weights, biases : tuples of two arrays
        Dense layers on what was pooled.
    presence : tuple of two arrays, (n_pooled, 1) and (1,)
        What the trunk's channels, pooled over the whole frame, add to the score of "not-a-screen".
    """

    screen: Trunk
    frame: tuple[Convolution, ...]
    places: tuple[FloatArray, FloatArray]
    weights: tuple[FloatArray, FloatArray]
    biases: tuple[FloatArray, FloatArray]
    presence: tuple[FloatArray, FloatArray]

    def read(self, glance: Glance) -> GlanceReading:
        """What one glance shows; the middle of both pictures, in the size that was taught."""
        levels = self.screen(_seen(seen_screen(glance.screen), SCREEN_CUT))
        frame = _seen(glance.frame, FRAME_CUT)
        for layer in self.frame:
            frame = layer(frame)
        there = self._places(levels[PLACES_LEVEL])
        x = np.concatenate([*map(pooled, (*levels, frame)), there.mean(axis=0), there.max(axis=0)])
        x = np.maximum(x @ self.weights[0] + self.biases[0], 0)
        z = (x @ self.weights[1] + self.biases[1]).astype(np.float64)
        whole = self.screen(_seen(framed(glance.frame), WHOLE_CUT))
        surroundings = np.concatenate([*map(pooled, whole)])
        z[_NO_SCREEN] += (surroundings @ self.presence[0] + self.presence[1])[0]
        return GlanceReading(log_softmax(z[None])[0])

    def _places(self, level: FloatArray) -> FloatArray:
        """Log-probabilities (n_places, n_labels) of the places one by one."""
        channels = level.reshape(len(level), -1).T
        return log_softmax(channels @ self.places[0] + self.places[1])


def seen_screen(picture: IntArray, size: tuple[int, int] = SCREEN_SEEN) -> IntArray:
    """The screen's picture of a glance in the rows and columns that the trunk sees, uint8."""
    # OpenCV averages four channels at most.
    halves = (np.ascontiguousarray(picture[..., part]) for part in (slice(3), slice(3, 6)))
    rows, columns = size
    return np.concatenate(
        [cv2.resize(p, (columns, rows), interpolation=cv2.INTER_AREA) for p in halves], axis=-1
    )


def framed(picture: IntArray) -> IntArray:
    """The frame's picture of a glance as the trunk sees it: where the screen's holds what stands
    out, (rows, columns, 6), the outline and twice nothing.
    """
    return np.concatenate([picture, np.full_like(picture[..., :2], 128)], axis=-1)


def _seen(picture: IntArray, cut: tuple[int, int]) -> FloatArray:
    """The middle of a picture as the network sees it, (n_channels, rows, columns), -1..1."""
    rows, columns = (slice(c // 2, c // 2 - c) for c in cut)
    return np.moveaxis(picture[rows, columns].astype(np.float32) / 127.5 - 1, -1, 0)


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
    screen = read_trunk(numbers, "screen", len(LEVEL_CHANNELS))
    frame = read_convolutions(numbers, "frame", _FRAME_CHANNELS)
    places = tuple(numbers[f"places.{name}"].astype(np.float32) for name in ("weight", "bias"))
    weights = tuple(numbers[f"dense.{k}.weight"].astype(np.float32) for k in range(2))
    biases = tuple(numbers[f"dense.{k}.bias"].astype(np.float32) for k in range(2))
    presence = tuple(numbers[f"presence.{name}"].astype(np.float32) for name in ("weight", "bias"))
    width = POOLED * (sum(LEVEL_CHANNELS) + len(frame[-1].bias)) + 2 * labels
    fits = (
        places[0].shape == (LEVEL_CHANNELS[PLACES_LEVEL], labels)
        and places[1].shape == (labels,)
        and weights[0].shape == (width, len(biases[0]))
        and weights[1].shape == (len(biases[0]), labels)
        and biases[1].shape == (labels,)
        and presence[0].shape == (POOLED * sum(LEVEL_CHANNELS), 1)
        and presence[1].shape == (1,)
        and all(np.isfinite(a).all() for a in (*places, *weights, *biases, *presence))
    )
    if not fits:
        raise ValueError("dense layers do not fit")
    network = GlanceNetwork(
        screen,
        frame,
        (places[0], places[1]),
        (weights[0], weights[1]),
        (biases[0], biases[1]),
        (presence[0], presence[1]),
    )
    _check_levels(screen, SCREEN_SEEN, SCREEN_CUT)
    _check_levels(screen, (FRAME_SIZE, FRAME_SIZE), WHOLE_CUT)
    return network


def _check_levels(trunk: Trunk, size: tuple[int, int], cut: tuple[int, int]) -> None:
    """ValueError where the trunk does not give the levels; the first photo is not to find out."""
    seen = (n - c for n, c in zip(size, cut, strict=True))
    levels = trunk(np.zeros((2 * 3, *seen), np.float32))
    if tuple(map(len, levels)) != LEVEL_CHANNELS or not all(np.isfinite(x).all() for x in levels):
        raise ValueError("trunk: does not fit")
