"""Where on the glass does it look like a panel's picture, as a network of convolutions sees it?

It reads the flattened light in units of its noise and says of every cell of 16 x 16 pixels (of
the 480-column view) whether the panel shows picture there. It was taught on drawn dark screens,
cell by cell, where the drawn picture is known to stand above the noise (``models/train_faint.py``).
"""

import hashlib
import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import ModelError
from panelvision.light import LUMINANCE_WEIGHTS
from panelvision.measure.convolution import Convolution, read_convolutions
from panelvision.measure.faint_features import Prepared

NETWORK_FILE = "faint_network.npz"
CHANNELS = 5
# chosen: what lies farther out is a speck or the torch itself, in units of noise and of ln(light).
_MOST_NOISE, _MOST_LIGHT = 6.0, 3.0
_MAX_BYTES = 5_000_000


@dataclass(frozen=True)
class FaintNetwork:
    """One network.

    Attributes
    ----------
    layers : tuple of Convolution
        Steps multiply to 16.
    weight : ndarray of shape (n_last,), float32
    bias : float
        Log-odds of a cell are ``weight`` on the last layer's channels plus ``bias``.
    """

    layers: tuple[Convolution, ...]
    weight: FloatArray
    bias: float

    def log_odds(self, x: FloatArray) -> FloatArray:
        """Log-odds (ceil(h / 16), ceil(w / 16)) of an input (5, h, w)."""
        for layer in self.layers:
            x = layer(x)
        return np.tensordot(self.weight, x, axes=1) + self.bias


def network_input(prepared: Prepared) -> FloatArray:
    """What the networks read of a prepared view, float32 (5, h, w), about -2..2.

    Light, red-green and blue-yellow residuals in thirds of the noise; 1 where the glass can be
    seen; ln of the smooth light against its middle, in units of 1.5.
    """
    use = prepared.flat.use
    white = np.clip(prepared.white, -_MOST_NOISE, _MOST_NOISE) / 3
    log = np.log(np.maximum(prepared.flat.light @ LUMINANCE_WEIGHTS, 1e-6))
    log = log - np.median(log[use]) if use.any() else np.zeros_like(log)
    light = np.clip(log, -_MOST_LIGHT, _MOST_LIGHT) / 1.5
    x = np.concatenate([white * use[..., None], use[..., None], light[..., None]], axis=-1)
    return np.ascontiguousarray(np.moveaxis(x.astype(np.float32), -1, 0))


def cell_share(prepared: Prepared, shape: tuple[int, int]) -> FloatArray:
    """Share 0..1 of every cell of a grid (rows, columns) whose glass can be seen."""
    inner = cv2.erode(prepared.flat.use.astype(np.uint8), np.ones((5, 5), np.uint8))
    return cv2.resize(inner.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)


def score_cells(
    networks: tuple[FaintNetwork, ...], prepared: Prepared
) -> tuple[FloatArray, FloatArray]:
    """Mean log-odds (rows, columns) that a cell shows a picture, and how much of it was seen."""
    x = network_input(prepared)
    odds = np.mean([network.log_odds(x) for network in networks], axis=0)
    return odds, cell_share(prepared, odds.shape)


def networks_from(numbers: dict[str, np.ndarray]) -> tuple[FaintNetwork, ...]:
    """Networks from their plain arrays, keys ``<network>.<layer>.<field>``.

    Raises
    ------
    ValueError, KeyError
        When arrays are missing or do not fit each other.
    """
    out = []
    for k in range(int(numbers["networks"])):
        layers = read_convolutions(numbers, str(k), CHANNELS)
        weight = numbers[f"{k}.last.weight"].astype(np.float32)
        bias = float(numbers[f"{k}.last.bias"])
        if weight.shape != layers[-1].bias.shape or not np.isfinite([*weight, bias]).all():
            raise ValueError("the last layer does not fit")
        out.append(FaintNetwork(layers, weight, bias))
    if not out:
        raise ValueError("no network")
    return tuple(out)


@lru_cache(maxsize=2)
def load_networks(sha256: str) -> tuple[FaintNetwork, ...]:
    """The networks that ship beside this module, where the file is the one that is named.

    Raises
    ------
    ModelError
        When the file is missing, damaged, or another one.
    """
    path = Path(__file__).with_name(NETWORK_FILE)
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise ValueError("larger than any network of ours")
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise ValueError("not the one that the detector was taught with")
        with np.load(io.BytesIO(data), allow_pickle=False) as stored:
            return networks_from({name: stored[name] for name in stored.files})
    except Exception as fault:  # zip, array and index errors all mean that it is not ours
        raise ModelError(
            f"{NETWORK_FILE}: cannot be used ({fault}); reinstall panelvision or run: "
            "python -m models.train_faint"
        ) from None
