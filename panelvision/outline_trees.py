"""Boosted decision trees as plain arrays: loading and evaluating, nothing else.

The trees are fitted elsewhere and stored as numbers in an .npz file, which is read
without unpickling anything.
"""

from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files

import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.errors import ModelError


@dataclass(frozen=True)
class Trees:
    """A sum of regression trees.

    Attributes
    ----------
    names : tuple of str
        Features in the order of the table's columns.
    feature, left, right : ndarray of shape (trees, nodes)
        Column compared at a node, and the nodes to go on with; a leaf points at itself.
    threshold : ndarray of shape (trees, nodes)
        Go left when the value is at most this.
    value : ndarray of shape (trees, nodes)
        What a leaf adds.
    start : float
        Added to the sum.
    depth : int
        Steps after which every sample has reached its leaf.
    calibration : ndarray of shape (m,)
        Further numbers fitted with the trees, as their user needs them; empty where none are.
    """

    names: tuple[str, ...]
    feature: IntArray
    left: IntArray
    right: IntArray
    threshold: FloatArray
    value: FloatArray
    start: float
    depth: int
    calibration: FloatArray

    def sum(self, table: FloatArray) -> FloatArray:
        """Sum of the trees (n,) for a table of features (n, k)."""
        root = np.arange(len(self.feature)) * self.feature.shape[1]
        node = np.tile(root, (len(table), 1))
        first = (np.arange(len(table)) * table.shape[1])[:, None]
        flat = np.ascontiguousarray(table).ravel()
        feature, threshold = self.feature.ravel(), self.threshold.ravel()
        for _ in range(self.depth):
            low = flat.take(feature.take(node) + first) <= threshold.take(node)
            after = self._following.take(2 * node + low)
            if np.array_equal(after, node):
                break
            node = after
        return self.value.take(node).sum(axis=1) + self.start

    @cached_property
    def _following(self) -> IntArray:
        """Right and left successor of every node of all trees in a row, one after the other."""
        first = (np.arange(len(self.feature)) * self.feature.shape[1])[:, None]
        return np.stack([self.right + first, self.left + first], axis=-1).ravel()

    def probability(self, table: FloatArray) -> FloatArray:
        """Logistic function of :meth:`sum`."""
        return 1 / (1 + np.exp(-self.sum(table)))


@cache
def load_trees(name: str) -> Trees:
    """The trees shipped as ``data/outline_NAME.npz``.

    Raises
    ------
    ModelError
        When the file is missing or not such a file.
    """
    source = files("panelvision").joinpath("data", f"outline_{name}.npz")
    try:
        with source.open("rb") as stream, np.load(stream, allow_pickle=False) as held:
            return Trees(
                tuple(str(n) for n in held["names"]),
                held["feature"].astype(np.intp),
                held["left"].astype(np.intp),
                held["right"].astype(np.intp),
                held["threshold"].astype(np.float64),
                held["value"].astype(np.float64),
                float(held["start"]),
                int(held["depth"]),
                held["calibration"].astype(np.float64) if "calibration" in held else np.empty(0),
            )
    except (OSError, KeyError, ValueError) as fault:
        raise ModelError(
            f"outline_{name}.npz: missing or damaged ({fault}); reinstall panelvision"
        ) from None
