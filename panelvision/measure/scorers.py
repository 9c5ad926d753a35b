"""Learned scorers of an axis: boosted trees as plain numbers, and from where on they count.

``models.train_panel`` writes them; there is no code in the file and nothing is unpickled.
"""

import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import ModelError
from panelvision.evaluators import Trees, read_members
from panelvision.measure.profile import Axis

AXES: tuple[Axis, ...] = ("vertical", "horizontal")
# What stands for a number that cannot be had; no measure is as low.
MISSING = -99.0


@dataclass(frozen=True)
class Scorer:
    """What tells a fault from picture along one axis, and from which log-odds on it is said."""

    trees: Trees
    threshold: float

    def log_odds(self, numbers: FloatArray) -> FloatArray:
        """ln(p / (1 - p)) (m,) of candidates with these numbers (m, n); NaN where not known."""
        return self.trees.scores(np.nan_to_num(numbers, nan=MISSING))[:, 0]


@lru_cache(maxsize=4)
def load_scorers(name: str, inputs: tuple[str, ...]) -> Mapping[Axis, Scorer]:
    """The scorers in a file that ships beside this module.

    Parameters
    ----------
    name : str
        Of the file.
    inputs : tuple of str
        Names of the numbers that the caller has.

    Raises
    ------
    ModelError
        When the file is missing, damaged, or made for other numbers.
    """
    try:
        with np.load(Path(__file__).with_name(name), allow_pickle=False) as stored:
            numbers = {k: stored[k] for k in stored.files}
        return read_scorers(numbers, inputs)
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as fault:
        raise ModelError(
            f"{Path(name).name}: learned numbers cannot be read ({fault}); reinstall"
        ) from None


def read_scorers(numbers: Mapping[str, np.ndarray], inputs: tuple[str, ...]) -> dict[Axis, Scorer]:
    """Scorers from arrays as ``models.train_panel`` writes them; ValueError if they do not fit."""
    if tuple(numbers["names"].tolist()) != inputs:
        raise ValueError("made for other measurements")
    members = read_members(numbers, 1, len(inputs))
    thresholds = numbers["thresholds"].tolist()
    if len(members) != len(AXES) or len(thresholds) != len(AXES):
        raise ValueError("one scorer an axis is needed")
    out: dict[Axis, Scorer] = {}
    for axis, trees, threshold in zip(AXES, members, thresholds, strict=True):
        if not isinstance(trees, Trees):
            raise ValueError("scorers are trees")
        out[axis] = Scorer(trees, float(threshold))
    return out
