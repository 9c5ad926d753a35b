"""Is there a thing with a screen in the photo? A network that knows everyday things is asked.

The classifier's other voices were taught on drawings. Of rooms, windows, pictures on a wall and
whatever else is photographed, drawings know few; a network that was taught on a million
photographs of everyday things (ImageNet, 1000 kinds) knows monitors and televisions among them,
and nothing here is taught anew. It says how likely one of the kinds with a screen is shown.
``models/everyday.py`` writes its numbers.

M. Tan and Q. V. Le, "EfficientNet: Rethinking model scaling for convolutional neural networks",
ICML 2019, arXiv 1905.11946. O. Russakovsky et al., "ImageNet large scale visual recognition
challenge", IJCV 115 (2015): the kinds and their order.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.evaluators import log_softmax
from panelvision.light import can_be_halved, halved
from panelvision.measure.stored import read_stored
from panelvision.measure.trunk import Trunk, read_trunk
from panelvision.photo import Photo
from panelvision.squareup import Outline

TRUNK_FILE, HEAD_FILE = "everyday_trunk.npz", "everyday_head.npz"
EVERYDAY_SCORE = "everyday_screen"
SIDE = 224  # rows and columns of the pictures that the network was taught on (as published)
KINDS = 1000
LEVELS = 3  # what the trunk gives; the last is read
CHANNELS, WIDE = 320, 1280
# Code value that the network takes for nothing, and how many it takes for one (as published).
_MIDDLE, _UNIT = 127.0, 128.0
# Kinds of ImageNet, counted from 0, that are a display or have one for pictures or pages.
DISPLAYS = (
    480,  # cash machine
    487,  # cellular telephone
    527,  # desktop computer
    548,  # entertainment center
    590,  # hand-held computer
    598,  # home theater
    605,  # portable player
    620,  # laptop
    664,  # monitor
    681,  # notebook computer
    688,  # oscilloscope
    782,  # screen
    851,  # television
    916,  # web site
)
# chosen: surer than this it may not be of one photo, either way.
_MOST = 5.0


@dataclass(frozen=True)
class EverydayReading:
    """What the network says.

    Attributes
    ----------
    screen : float
        Log-odds that the thing in the photo is one with a screen, -5..5.
    """

    screen: float

    def features(self) -> dict[str, float]:
        """The same by name, for the classifier."""
        return {EVERYDAY_SCORE: self.screen}


@dataclass(frozen=True)
class EverydayNetwork:
    """Log-probabilities of the kinds of things.

    Attributes
    ----------
    trunk : Trunk
    widen : tuple of two arrays, (1280, 320) and (1280,)
        From the trunk's last channels, place by place, to those that are pooled.
    kinds : tuple of two arrays, (1000, 1280) and (1000,)
    """

    trunk: Trunk
    widen: tuple[FloatArray, FloatArray]
    kinds: tuple[FloatArray, FloatArray]

    def log_probabilities(self, picture: IntArray) -> FloatArray:
        """Of the kinds (1000,) for a picture (224, 224, 3), uint8 sRGB code values."""
        x = (picture.astype(np.float32) - _MIDDLE) / _UNIT
        last = self.trunk(np.moveaxis(x, -1, 0))[-1].reshape(CHANNELS, -1)
        places = np.clip(self.widen[0] @ last + self.widen[1][:, None], 0, 6)
        z = self.kinds[0] @ places.mean(axis=1) + self.kinds[1]
        return log_softmax(z[None].astype(np.float64))[0]


def measure_everyday(photo: Photo, outline: Outline | None) -> EverydayReading:
    """How likely the photo shows a thing with a screen.

    The photo is looked at twice, squeezed into the network's square and fitted into it whole, and
    the log-odds are averaged; ``outline`` tells which way is up, where a screen was found.

    Raises
    ------
    ModelError
        When the network's numbers are missing or damaged.
    """
    network = load_network()
    turns = 0 if outline is None else outline.quarter_turns
    odds = [_odds(network.log_probabilities(np.rot90(p, turns))) for p in _pictures(photo)]
    return EverydayReading(float(np.mean(odds)))


def _pictures(photo: Photo) -> tuple[IntArray, IntArray]:
    """The whole frame squeezed into the square, and fitted into it, (224, 224, 3) uint8."""
    pixels = photo.small
    # As long as both sides stay long enough: one of the pictures is squeezed along one side only.
    while can_be_halved(pixels) and min(pixels.shape[:2]) >= 2 * SIDE:
        pixels = halved(pixels)
    shrink = SIDE / max(photo.width, photo.height)
    w, h = (max(1, round(n * shrink)) for n in (photo.width, photo.height))
    fitted = np.full((SIDE, SIDE, 3), round(_MIDDLE), np.uint8)
    top, left = (SIDE - h) // 2, (SIDE - w) // 2
    fitted[top : top + h, left : left + w] = _shrunk(pixels, (w, h))
    return _shrunk(pixels, (SIDE, SIDE)), fitted


def _shrunk(codes: IntArray, size: tuple[int, int]) -> IntArray:
    return _eight_bits(cv2.resize(codes, size, interpolation=cv2.INTER_AREA))


def _eight_bits(codes: IntArray) -> IntArray:
    return (codes // 257 if codes.dtype == np.uint16 else codes).astype(np.uint8)


def _odds(log_p: FloatArray) -> float:
    shown = float(np.exp(log_p[list(DISPLAYS)]).sum())
    tiny = float(np.finfo(np.float64).eps)
    odds = np.log(max(shown, tiny)) - np.log(max(1 - shown, tiny))
    return float(np.clip(odds, -_MOST, _MOST))


@lru_cache(maxsize=1)
def load_network() -> EverydayNetwork:
    """The network that ships beside this module.

    Raises
    ------
    ModelError
        When a file of it is missing or damaged.
    """
    trunk = read_stored(TRUNK_FILE, _read_trunk)
    return read_stored(HEAD_FILE, lambda numbers: _read_head(numbers, trunk))


def _read_trunk(numbers: Mapping[str, np.ndarray]) -> Trunk:
    trunk = read_trunk(numbers, "trunk", LEVELS)
    last = trunk(np.zeros((3, SIDE, SIDE), np.float32))[-1]
    if len(last) != CHANNELS or not np.isfinite(last).all():
        raise ValueError("trunk: does not fit")
    return trunk


def _read_head(numbers: Mapping[str, np.ndarray], trunk: Trunk) -> EverydayNetwork:
    widen, kinds = (
        (_weights(numbers, name), numbers[f"{name}.bias"].astype(np.float32))
        for name in ("widen", "kinds")
    )
    shapes = ((WIDE, CHANNELS), (WIDE,)), ((KINDS, WIDE), (KINDS,))
    if tuple(tuple(a.shape for a in pair) for pair in (widen, kinds)) != shapes:
        raise ValueError("dense layers do not fit")
    if not all(np.isfinite(a).all() for a in (*widen, *kinds)):
        raise ValueError("numbers are not finite")
    return EverydayNetwork(trunk, widen, kinds)


def _weights(numbers: Mapping[str, np.ndarray], name: str) -> FloatArray:
    """Weights (n_out, n_in), kept as whole numbers and a step for each output."""
    whole, step = numbers[f"{name}.weight"], numbers[f"{name}.step"]
    if whole.dtype != np.int8 or whole.ndim != 2 or step.shape != whole.shape[:1]:
        raise ValueError("not the weights of a layer")
    return whole.astype(np.float32) * step.astype(np.float32)[:, None]
