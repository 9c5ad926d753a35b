"""The table that training works on: one row a photo, its features, its truth, its scene."""

import hashlib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.labels import SYMPTOMS
from synth.photos import PICTURES

# chosen: share of the scenes that models are fitted to.
FIT_SHARE = 0.82


@dataclass(frozen=True)
class Table:
    """Measured photos.

    Attributes
    ----------
    values : ndarray of shape (n, n_features), float64
        NaN where something could not be measured.
    names : tuple of str
        Feature names, in column order.
    labels : ndarray of shape (n,), int
        Index into ``SYMPTOMS``.
    scenes : ndarray of shape (n,), int
        Photos of one scene share content, set and room and never straddle a split.
    weights : ndarray of shape (n,), float64
    gradients : ndarray of shape (n, n_hog), float32
        Histogram of oriented gradients, for the baseline only.
    truths : tuple of dict
        The truth object of each photo.
    """

    values: FloatArray
    names: tuple[str, ...]
    labels: IntArray
    scenes: IntArray
    weights: FloatArray
    gradients: FloatArray
    truths: tuple[dict[str, Any], ...]

    def __len__(self) -> int:
        return len(self.labels)

    def pick(self, rows: BoolArray | IntArray) -> "Table":
        """The table of some rows."""
        index = np.arange(len(self))[rows]
        return Table(
            self.values[index],
            self.names,
            self.labels[index],
            self.scenes[index],
            self.weights[index],
            self.gradients[index],
            tuple(self.truths[i] for i in index),
        )

    def columns(self, names: tuple[str, ...]) -> "Table":
        """The table with these features only, in this order.

        Raises
        ------
        ValueError
            When one of them was not measured.
        """
        order = [self.names.index(name) for name in names]
        return replace(self, values=self.values[:, order], names=names)

    def naming(self, said: IntArray) -> IntArray:
        """The labels, but a photo's second fault (``also`` of its truth) where that was said."""
        also = [
            SYMPTOMS.index(truth["also"]["symptom"]) if "also" in truth else -1
            for truth in self.truths
        ]
        return np.where(said == np.array(also), said, self.labels)


def from_records(records: list[dict[str, Any]], *, weight: float = 1.0) -> Table:
    """A table from measured records (keys ``features``, ``truth``, ``hog``)."""
    if not records:
        raise ValueError("records: none were measured")
    names = tuple(records[0]["features"])
    values = np.array(
        [[r["features"].get(n, np.nan) for n in names] for r in records], dtype=np.float64
    )
    return Table(
        values=values,
        names=names,
        labels=np.array([SYMPTOMS.index(r["truth"]["symptom"]) for r in records]),
        scenes=np.array([_scene(r["truth"], i) for i, r in enumerate(records)]),
        weights=np.full(len(records), weight),
        gradients=np.array([r["hog"] for r in records], dtype=np.float32),
        truths=tuple(r["truth"] for r in records),
    )


def _scene(truth: dict[str, Any], row: int) -> int:
    """Number of the scene; a photo that carries none is a scene of its own."""
    scene = truth.get("scene")
    return scene if isinstance(scene, int) else -1 - row


def join(first: Table, second: Table) -> Table:
    """Rows of both; the second's columns are put in the order of the first."""
    second = second.columns(first.names)
    return Table(
        np.vstack([first.values, second.values]),
        first.names,
        np.concatenate([first.labels, second.labels]),
        np.concatenate([first.scenes, second.scenes]),
        np.concatenate([first.weights, second.weights]),
        np.vstack([first.gradients, second.gradients]),
        first.truths + second.truths,
    )


@dataclass(frozen=True)
class Split:
    """Four parts that share no scene: to fit, to calibrate, to set the promises, to judge."""

    fit: Table
    calibrate: Table
    promise: Table
    judge: Table


def split_by_scene(table: Table) -> Split:
    """Shares of about 0.82 / 0.06 / 0.06 / 0.06 of the scenes, each placed by its own number.

    A scene keeps its part whatever else is drawn, so a model taught earlier has never been
    fitted to what it is judged on later. Scenes of a bundled photograph, which
    many photos show, are fitted to: any other part would be that one picture for a quarter.
    """
    at = np.array([place_of(scene) for scene in table.scenes.tolist()])
    at[(table.scenes >= 0) & (table.scenes < len(PICTURES))] = 0.0
    return Split(
        table.pick(at < FIT_SHARE),
        table.pick((at >= FIT_SHARE) & (at < 0.88)),
        table.pick((at >= 0.88) & (at < 0.94)),
        table.pick(at >= 0.94),
    )


def place_of(scene: int) -> float:
    """A number 0..1 that depends on the scene's number alone, on every machine."""
    digest = hashlib.blake2b(str(scene).encode(), digest_size=8).digest()
    return int.from_bytes(digest, "big") / 2**64
