"""Learned scorers of candidates: boosted trees as plain numbers, and from where on they count.

``models.train_panel`` and ``models.train_glow`` write them; there is no code in the files and
nothing is unpickled.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.evaluators import Trees, read_members
from panelvision.measure.profile import Axis
from panelvision.measure.stored import read_stored

AXES: tuple[Axis, ...] = ("vertical", "horizontal")
# What stands for a number that cannot be had; no measure is as low.
MISSING = -99.0


@dataclass(frozen=True)
class Scorer:
    """What tells a fault from picture, and from which log-odds on it is said."""

    trees: Trees
    threshold: float

    def log_odds(self, numbers: FloatArray) -> FloatArray:
        """ln(p / (1 - p)) (m,) of candidates with these numbers (m, n); NaN where not known."""
        return self.trees.scores(np.nan_to_num(numbers, nan=MISSING))[:, 0]


@lru_cache(maxsize=8)
def load_scorers(
    name: str, inputs: tuple[str, ...], keys: tuple[str, ...] = AXES
) -> Mapping[str, Scorer]:
    """The scorers in a file that ships beside this module.

    Parameters
    ----------
    name : str
        Of the file.
    inputs : tuple of str
        Names of the numbers that the caller has.
    keys : tuple of str
        What the file has one scorer each for.

    Raises
    ------
    ModelError
        When the file is missing, damaged, or made for other numbers.
    """
    return read_stored(name, lambda numbers: read_scorers(numbers, inputs, keys))


def read_scorers(
    numbers: Mapping[str, np.ndarray], inputs: tuple[str, ...], keys: tuple[str, ...] = AXES
) -> dict[str, Scorer]:
    """Scorers from a file's arrays, one for each key; ValueError if they do not fit."""
    if tuple(numbers["names"].tolist()) != inputs:
        raise ValueError("made for other measurements")
    members = read_members(numbers, 1, len(inputs))
    thresholds = numbers["thresholds"].tolist()
    if len(members) != len(keys) or len(thresholds) != len(keys):
        raise ValueError(f"one scorer each is needed for: {', '.join(keys)}")
    out: dict[str, Scorer] = {}
    for key, trees, threshold in zip(keys, members, thresholds, strict=True):
        if not isinstance(trees, Trees):
            raise ValueError("scorers are trees")
        out[key] = Scorer(trees, float(threshold))
    return out
