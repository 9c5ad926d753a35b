"""Learned numbers that ship beside the measures: read, and nothing in the file can run."""

import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

import numpy as np

from panelvision.errors import ModelError

T = TypeVar("T")


def read_stored(name: str, make: Callable[[Mapping[str, np.ndarray]], T]) -> T:
    """What ``make`` makes of the arrays in a file beside this module.

    Parameters
    ----------
    name : str
        Of the ``.npz`` file; a whole path is taken as it is.
    make : callable
        Raises ValueError or KeyError for arrays that do not fit.

    Raises
    ------
    ModelError
        One line, when the file is missing, damaged, or does not fit.
    """
    path = Path(__file__).parent / name
    try:
        with np.load(path, allow_pickle=False) as stored:
            return make({key: stored[key] for key in stored.files})
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as fault:
        raise ModelError(
            f"{path.name}: learned numbers cannot be read ({fault}); reinstall"
        ) from None
