"""Small learned scorers kept as plain numbers: standardise, a few hidden layers, one log-odds.

Weights are JSON lists written by the training code; there is no code in the file and nothing
is unpickled. Evaluated with numpy only.
"""

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import ModelError

FORMAT = 1


@dataclass(frozen=True)
class Network:
    """A mean of small networks over the same standardised inputs.

    Attributes
    ----------
    names : tuple of str
        Inputs in order.
    centre, scale : ndarray of shape (n,)
        Standardisation; an input that is NaN counts as the centre.
    members : tuple
        Each a tuple of (weights (a, b), bias (b,)) layers; ReLU between, log-odds at the end.
    """

    names: tuple[str, ...]
    centre: FloatArray
    scale: FloatArray
    members: tuple[tuple[tuple[FloatArray, FloatArray], ...], ...]

    def log_odds(self, inputs: FloatArray) -> FloatArray:
        """Log-odds (m,) of inputs (m, n)."""
        x = (np.asarray(inputs, np.float32) - self.centre) / self.scale
        x = np.clip(np.nan_to_num(x, nan=0.0, posinf=0.0, neginf=0.0), -6, 6)
        total = np.zeros(len(x), np.float32)
        for layers in self.members:
            h = x
            for weights, bias in layers[:-1]:
                h = np.maximum(h @ weights + bias, 0)
            weights, bias = layers[-1]
            total += (h @ weights + bias)[:, 0]
        return total / len(self.members)


def network_from(data: dict[str, Any]) -> Network:
    """A network from its plain form."""
    members = tuple(
        tuple(
            (np.array(layer["weights"], np.float32), np.array(layer["bias"], np.float32))
            for layer in member
        )
        for member in data["members"]
    )
    return Network(
        tuple(data["names"]),
        np.array(data["centre"], np.float32),
        np.array(data["scale"], np.float32),
        members,
    )


@lru_cache(maxsize=4)
def load_numbers(name: str) -> dict[str, Any]:
    """A JSON file of learned numbers that ships beside this module.

    Raises
    ------
    ModelError
        When the file is missing, damaged, or of another format.
    """
    path = Path(__file__).parent / name
    try:
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise ModelError(f"{name}: learned numbers cannot be read ({fault}); reinstall") from None
    if data.get("format") != FORMAT:
        raise ModelError(
            f"{name}: format {data.get('format')} is not {FORMAT}; reinstall or retrain"
        )
    return data
