"""Fitted classifiers as plain arrays: read from a file of numbers, evaluated with numpy.

Training fits scikit-learn models and writes their numbers (``models/export.py``);
here they are only evaluated. So an artefact can hold nothing that runs, loads in
milliseconds, and a photo is judged without importing the learning library. That both
sides give the same probabilities is tested against scikit-learn itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.special import ndtri

from panelvision.arrays import FloatArray, IntArray

# scikit-learn's QuantileTransformer keeps its normal scores inside this probability.
_TAIL = 1e-7


class Evaluator(Protocol):
    """Anything that turns feature vectors into log-probabilities."""

    def log_probabilities(self, vectors: FloatArray) -> FloatArray:
        """Log-probabilities (n, n_labels) of vectors (n, n_features) without NaN."""
        ...


def log_softmax(z: FloatArray) -> FloatArray:
    """Log of the softmax of each row."""
    z = z - z.max(axis=1, keepdims=True)
    return z - np.log(np.exp(z).sum(axis=1, keepdims=True))


@dataclass(frozen=True)
class Ranks:
    """Each feature replaced by the normal score of its rank in the training data.

    Attributes
    ----------
    quantiles : ndarray of shape (n_quantiles, n_features)
    references : ndarray of shape (n_quantiles,)
        Probabilities of the quantiles, 0..1.
    """

    quantiles: FloatArray
    references: FloatArray

    def transform(self, vectors: FloatArray) -> FloatArray:
        """Normal scores, same shape; ties get the middle of their ranks."""
        # As the quantiles are kept: a number that many photos share (what stands for "not
        # measured") would else lie beside its own tie and get one end of its ranks.
        vectors = vectors.astype(np.float32).astype(np.float64)
        out = np.array([self._shares(vector) for vector in vectors]).reshape(vectors.shape)
        low = ndtri(_TAIL - np.spacing(1))
        high = ndtri(1 - (_TAIL - np.spacing(1)))
        with np.errstate(divide="ignore"):
            return np.clip(ndtri(out), low, high)

    def _shares(self, x: FloatArray) -> FloatArray:
        """Share of the training data below each number of x (n_features,), 0..1."""
        q, r, last = self.quantiles, self.references, len(self.references) - 1
        share = np.zeros(x.shape)
        # Once up to the first quantile that is not below x, once from the last not above it on:
        # ties get the mean of both.
        for before in (q < x, q <= x):
            k = np.clip(before.sum(axis=0), 1, last)
            low, high = (np.take_along_axis(q, i[None], axis=0)[0] for i in (k - 1, k))
            at = np.clip((x - low) / np.where(high > low, high - low, 1), 0, 1)
            share += (r[k - 1] + at * (r[k] - r[k - 1])) / 2
        return np.where(x <= q[0], 0.0, np.where(x >= q[-1], 1.0, share))


@dataclass(frozen=True)
class Layers:
    """Ranks, then layers with rectifiers between them; one layer is logistic regression.

    Attributes
    ----------
    ranks : Ranks
    limit : float
        Normal scores beyond it count as those at it.
    weights : tuple of ndarray of shape (n_in, n_out)
    biases : tuple of ndarray of shape (n_out,)
    """

    ranks: Ranks
    limit: float
    weights: tuple[FloatArray, ...]
    biases: tuple[FloatArray, ...]

    def log_probabilities(self, vectors: FloatArray) -> FloatArray:
        """Log-probabilities (n, n_labels)."""
        x = np.clip(self.ranks.transform(vectors), -self.limit, self.limit)
        for weight, bias in zip(self.weights[:-1], self.biases[:-1], strict=True):
            x = np.maximum(x @ weight + bias, 0)
        return log_softmax(x @ self.weights[-1] + self.biases[-1])


@dataclass(frozen=True)
class Trees:
    """Boosted decision trees, all of them walked down at once.

    Attributes
    ----------
    root : ndarray of shape (n_trees,), int
        Index of each tree's first node.
    label : ndarray of shape (n_trees,), int
        The label whose score the tree adds to.
    feature, left, right : ndarray of shape (n_nodes,), int
        Feature asked, and where to go; a leaf leads to itself.
    threshold, value : ndarray of shape (n_nodes,)
        Left when the feature is at most the threshold; value of a leaf.
    start : ndarray of shape (n_labels,)
        Scores before any tree.
    """

    root: IntArray
    label: IntArray
    feature: IntArray
    left: IntArray
    right: IntArray
    threshold: FloatArray
    value: FloatArray
    start: FloatArray

    def scores(self, vectors: FloatArray) -> FloatArray:
        """Scores (n, n_labels); with a single label its log-odds."""
        out = np.empty((len(vectors), len(self.start)))
        for i, x in enumerate(vectors):
            node = _leaves(x, self.root, self.feature, self.left, self.right, self.threshold)
            out[i] = self.start + np.bincount(
                self.label, weights=self.value[node], minlength=len(self.start)
            )
        return out

    def log_probabilities(self, vectors: FloatArray) -> FloatArray:
        """Log-probabilities (n, n_labels)."""
        return log_softmax(self.scores(vectors))


@dataclass(frozen=True)
class Forest:
    """Independent decision trees; the label shares of their leaves are averaged.

    Attributes
    ----------
    root : ndarray of shape (n_trees,), int
    feature, left, right : ndarray of shape (n_nodes,), int
        As in :class:`Trees`.
    threshold : ndarray of shape (n_nodes,)
    shares : ndarray of shape (n_nodes, n_labels)
        Label shares of a leaf, summing to 1.
    """

    root: IntArray
    feature: IntArray
    left: IntArray
    right: IntArray
    threshold: FloatArray
    shares: FloatArray

    def log_probabilities(self, vectors: FloatArray) -> FloatArray:
        """Log-probabilities (n, n_labels)."""
        out = np.empty((len(vectors), self.shares.shape[1]))
        for i, x in enumerate(vectors.astype(np.float32)):
            node = _leaves(x, self.root, self.feature, self.left, self.right, self.threshold)
            out[i] = self.shares[node].mean(axis=0)
        return np.log(np.clip(out, 1e-9, 1.0))


def _leaves(
    x: FloatArray,
    root: IntArray,
    feature: IntArray,
    left: IntArray,
    right: IntArray,
    threshold: FloatArray,
) -> IntArray:
    """The leaf that each tree leads to."""
    node = root
    while True:
        go = np.where(x[feature[node]] <= threshold[node], left[node], right[node])
        if np.array_equal(go, node):
            return node
        node = go


def read_members(numbers: Mapping[str, np.ndarray], labels: int, features: int) -> list[Evaluator]:
    """Evaluators from the arrays of an artefact.

    Parameters
    ----------
    numbers : mapping of str to ndarray
        Keys ``<member>.<field>`` as ``models.export`` writes them.
    labels, features : int
        What the members must fit; every index is checked so that no walk leaves its arrays.

    Raises
    ------
    ValueError
        When arrays are missing or do not fit each other.
    """
    members: list[Evaluator] = []
    for i in range(int(numbers["members"])):
        part = {k.split(".", 1)[1]: v for k, v in numbers.items() if k.startswith(f"{i}.")}
        if "shares" in part:
            members.append(_forest(part, labels, features))
        elif "root" in part:
            members.append(_trees(part, labels, features))
        else:
            members.append(_layers(part, labels, features))
    return members


def _layers(part: Mapping[str, np.ndarray], labels: int, features: int) -> Layers:
    count = sum(key.startswith("weight") for key in part)
    weights = tuple(part[f"weight{k}"].astype(np.float64) for k in range(count))
    biases = tuple(part[f"bias{k}"].astype(np.float64) for k in range(count))
    quantiles = part["quantiles"].astype(np.float64)
    references = part["references"].astype(np.float64)
    limit = float(part["limit"])
    widths = [features, *(w.shape[1] for w in weights)]
    fits = (
        count > 0
        and limit > 0
        and quantiles.shape == (len(references), features)
        and all(w.shape[0] == n for w, n in zip(weights, widths, strict=False))
        and all(b.shape == (w.shape[1],) for w, b in zip(weights, biases, strict=True))
        and widths[-1] == labels
    )
    if not fits:
        raise ValueError("layers do not fit each other")
    return Layers(Ranks(quantiles, references), limit, weights, biases)


def _trees(part: Mapping[str, np.ndarray], labels: int, features: int) -> Trees:
    _check_nodes(part, features)
    fits = (
        len(part["value"]) == len(part["feature"])
        and bool(np.all(part["label"] < labels))
        and len(part["root"]) == len(part["label"])
        and part["start"].shape == (labels,)
    )
    if not fits:
        raise ValueError("trees do not fit each other")
    left, right = part["left"].astype(np.int64), part["right"].astype(np.int64)
    return Trees(
        root=part["root"].astype(np.int64),
        label=part["label"].astype(np.int64),
        feature=part["feature"].astype(np.int64),
        left=left,
        right=right,
        threshold=part["threshold"].astype(np.float64),
        value=part["value"].astype(np.float64),
        start=part["start"].astype(np.float64),
    )


def _forest(stored: Mapping[str, np.ndarray], labels: int, features: int) -> Forest:
    # Children are stored by how far ahead they lie: small numbers, which take little space.
    index = np.arange(len(stored["feature"]))
    part = {**stored, **{k: index + stored[f"{k}_ahead"] for k in ("left", "right")}}
    _check_nodes(part, features)
    if part["shares"].shape != (len(part["feature"]), labels):
        raise ValueError("forest does not fit the labels")
    shares = part["shares"].astype(np.float64)
    return Forest(
        root=part["root"].astype(np.int64),
        feature=part["feature"].astype(np.int64),
        left=part["left"].astype(np.int64),
        right=part["right"].astype(np.int64),
        threshold=part["threshold"].astype(np.float64),
        shares=shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-9),
    )


def _check_nodes(part: Mapping[str, np.ndarray], features: int) -> None:
    """Every walk from a root stays inside the arrays and ends at a leaf."""
    nodes = len(part["feature"])
    index = np.arange(nodes)
    left, right = part["left"].astype(np.int64), part["right"].astype(np.int64)
    leaf = left == index
    fits = (
        all(len(part[k]) == nodes for k in ("left", "right", "threshold"))
        # Children lie behind their parent, so a walk always ends.
        and bool(np.all(leaf | ((left > index) & (right > index))))
        and bool(np.all(right[leaf] == index[leaf]))
        and bool(np.all((left < nodes) & (right < nodes) & (part["feature"] < features)))
        and bool(np.all(part["root"] < nodes))
    )
    if not fits:
        raise ValueError("nodes do not fit each other")
