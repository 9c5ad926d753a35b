"""The networks that say of every tile of the glass whether it shows a panel's picture.

They see the residual in units of its noise (light, red-green, blue-yellow) and where the glass
could be seen, through convolutions whose last places stand for the cells of
:mod:`panelvision.measure.faint_tiles`; so they know a tile's surroundings, which the tile's own
statistics do not: a smear goes on beyond the tile, text stands in lines, the torch's image has
a rim. ``models/faint_network.py`` teaches it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.measure.convolution import Convolution, read_convolutions
from panelvision.measure.faint_tiles import CELL, compressed, pool_cells
from panelvision.measure.stored import read_stored

MODEL_FILE = "faint_network.npz"
UNIT = 8  # steps of the quantised residual in one unit of noise
INPUT_SCALE = 24.0  # steps that the network takes for one: three units of noise (chosen)
CHANNELS = 4
_MOST_NETWORKS = 8  # chosen: more are none of ours


@dataclass(frozen=True)
class FaintNetwork:
    """Log-odds of a picture, tile by tile.

    Attributes
    ----------
    layers : tuple of Convolution
        Together they halve the picture four times: one last place for each cell of 16 x 16.
    weight, bias : ndarray of shape (n,), float
        From the last channels to log-odds.
    """

    layers: tuple[Convolution, ...]
    weight: FloatArray
    bias: float

    def log_odds(self, white: FloatArray, use: BoolArray) -> FloatArray:
        """Log-odds (rows, columns) of the tiles, as `faint_tiles.tile_statistics` places them.

        Parameters
        ----------
        white : ndarray of shape (h, w, 3)
            Residual in units of its noise; h and w at least 32.
        use : ndarray of shape (h, w), bool
            Where the glass could be seen.
        """
        return self.of_quantised(quantised(white, use))

    def of_quantised(self, picture: IntArray) -> FloatArray:
        """The same of a picture that :func:`quantised` made."""
        x = np.empty((CHANNELS, *picture.shape[:2]), np.float32)
        x[:3] = np.moveaxis(picture, -1, 0) / np.float32(INPUT_SCALE)
        x[3] = (picture[..., 0] | picture[..., 1] | picture[..., 2]) != 0
        for layer in self.layers:
            x = layer(x)
        cells: FloatArray = np.tensordot(self.weight, x, axes=1) + self.bias
        return pool_cells(cells)


def quantised(white: FloatArray, use: BoolArray) -> IntArray:
    """The residual as the network sees it, int8 (16 rows, 16 columns, 3), cut to whole cells.

    Eighths of the noise's unit, compressed; 0 where not seen.
    """
    seen = np.where(use[..., None], np.nan_to_num(white), 0)
    h, w = (n // CELL * CELL for n in use.shape)
    top, left = (use.shape[0] - h) // 2, (use.shape[1] - w) // 2
    inner = seen[top : top + h, left : left + w]
    return np.rint(np.clip(compressed(inner) * UNIT, -127, 127)).astype(np.int8)


@lru_cache(maxsize=1)
def load_networks(name: str = MODEL_FILE) -> tuple[FaintNetwork, ...]:
    """The networks that ship beside this module; what they say is to be averaged.

    Raises
    ------
    ModelError
        When the file is missing or damaged.
    """
    return read_stored(name, read_networks)


def read_networks(numbers: Mapping[str, np.ndarray]) -> tuple[FaintNetwork, ...]:
    """All networks of a file (keys ``{k}.{name}``); ValueError or KeyError when they do not fit."""
    parts = {key.split(".", 1)[0] for key in numbers}
    if not 1 <= len(parts) <= _MOST_NETWORKS:
        raise ValueError("no networks, or too many")
    return tuple(
        read_network(
            {k.removeprefix(f"{part}."): v for k, v in numbers.items() if k.startswith(f"{part}.")}
        )
        for part in sorted(parts)
    )


def read_network(numbers: Mapping[str, np.ndarray]) -> FaintNetwork:
    """One network from its arrays; ValueError or KeyError when they do not fit."""
    layers = read_convolutions(numbers, "glass", CHANNELS)
    weight = numbers["last.weight"].astype(np.float32)
    bias = numbers["last.bias"].astype(np.float32)
    step = int(np.prod([layer.step for layer in layers]))
    if weight.shape != (len(layers[-1].bias),) or bias.shape != (1,) or step != CELL:
        raise ValueError("layers do not fit")
    if not all(np.isfinite(a).all() for a in (weight, bias)):
        raise ValueError("numbers are not finite")
    return FaintNetwork(layers, weight, float(bias[0]))
