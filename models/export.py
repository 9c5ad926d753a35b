"""Fitted scikit-learn models as plain arrays, the form in which they ship."""

import io
from typing import Any

import numpy as np
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import Pipeline

from models.ranks_network import MOST_SCORE, RanksNetwork
from panelvision.arrays import FloatArray
from panelvision.evaluators import Evaluator, read_members


def arrays_of(member: Any) -> dict[str, np.ndarray]:
    """The numbers that define a fitted member, in the smallest types that keep its answers."""
    if isinstance(member, HistGradientBoostingClassifier):
        return _trees(member)
    if isinstance(member, ExtraTreesClassifier):
        return _forest(member)
    if isinstance(member, Pipeline):
        ranks, last = (step for _, step in member.steps)
        out = {
            "quantiles": ranks.quantiles_.astype(np.float32),
            "references": ranks.references_.astype(np.float32),
        }
        if isinstance(last, LogisticRegression):
            out.update(limit=np.array(np.inf), bias0=last.intercept_)
            weights = [last.coef_.T]
        elif isinstance(last, RanksNetwork):
            out["limit"] = np.array(MOST_SCORE)
            out.update({f"bias{k}": bias for k, bias in enumerate(last.biases_)})
            weights = last.weights_
        else:
            raise TypeError(f"no plain form of {type(last).__name__} is known")
        out = {k: v.astype(np.float32) for k, v in out.items()}
        # Many and small: half precision keeps three figures of each.
        return {**out, **{f"weight{k}": w.astype(np.float16) for k, w in enumerate(weights)}}
    raise TypeError(f"no plain form of {type(member).__name__} is known")


def _trees(member: HistGradientBoostingClassifier) -> dict[str, np.ndarray]:
    root, label = [], []
    columns: dict[str, list[np.ndarray]] = {
        k: [] for k in ("feature", "left", "right", "threshold", "value")
    }
    offset = 0
    for iteration in member._predictors:
        for k, tree in enumerate(iteration):
            nodes = tree.nodes
            index = np.arange(len(nodes))
            leaf = nodes["is_leaf"].astype(bool)
            root.append(offset)
            label.append(k)
            columns["feature"].append(np.where(leaf, 0, nodes["feature_idx"]))
            columns["left"].append(offset + np.where(leaf, index, nodes["left"]))
            columns["right"].append(offset + np.where(leaf, index, nodes["right"]))
            columns["threshold"].append(np.where(leaf, 0.0, nodes["num_threshold"]))
            columns["value"].append(np.where(leaf, nodes["value"], 0.0))
            offset += len(nodes)
    joined = {k: np.concatenate(v) for k, v in columns.items()}
    return {
        "root": np.array(root, np.int32),
        "label": np.array(label, np.uint8),
        "feature": joined["feature"].astype(np.uint16),
        "left": joined["left"].astype(np.int32),
        "right": joined["right"].astype(np.int32),
        # Thresholds keep their precision: features may sit right beside them.
        "threshold": joined["threshold"].astype(np.float64),
        "value": joined["value"].astype(np.float32),
        "start": np.asarray(member._baseline_prediction, np.float64).reshape(-1),
    }


def _forest(member: ExtraTreesClassifier) -> dict[str, np.ndarray]:
    root = []
    columns: dict[str, list[np.ndarray]] = {
        k: [] for k in ("feature", "left_ahead", "right_ahead", "threshold", "shares")
    }
    offset = 0
    for estimator in member.estimators_:
        tree = estimator.tree_
        index = np.arange(tree.node_count)
        leaf = tree.children_left < 0
        root.append(offset)
        columns["feature"].append(np.where(leaf, 0, tree.feature))
        columns["left_ahead"].append(np.where(leaf, 0, tree.children_left - index))
        columns["right_ahead"].append(np.where(leaf, 0, tree.children_right - index))
        columns["threshold"].append(np.where(leaf, 0.0, tree.threshold))
        # Inner nodes need no shares; zeros compress to nothing.
        columns["shares"].append(np.where(leaf[:, None], tree.value[:, 0, :], 0.0))
        offset += tree.node_count
    joined = {k: np.concatenate(v) for k, v in columns.items()}
    shares = joined["shares"]
    shares = shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-9)
    return {
        "root": np.array(root, np.int32),
        "feature": joined["feature"].astype(np.uint16),
        "left_ahead": joined["left_ahead"].astype(np.int32),
        "right_ahead": joined["right_ahead"].astype(np.int32),
        # The forest reads 32-bit numbers, so the nearest one below parts them just the same.
        "threshold": _rounded_down(joined["threshold"]),
        # A share in 255ths; a leaf holds few photos, so this loses nothing that counts.
        "shares": np.rint(shares * 255).astype(np.uint8),
    }


def _rounded_down(values: FloatArray) -> FloatArray:
    """The largest 32-bit numbers that are not above the values."""
    nearest = values.astype(np.float32)
    return np.where(nearest > values, np.nextafter(nearest, np.float32(-np.inf)), nearest)


def pack(members: list[Any]) -> bytes:
    """All members as the bytes of one compressed array file."""
    numbers: dict[str, np.ndarray] = {"members": np.array(len(members))}
    for i, member in enumerate(members):
        numbers.update({f"{i}.{k}": v for k, v in arrays_of(member).items()})
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **numbers)
    return buffer.getvalue()


def unpack(data: bytes, labels: int, features: int) -> list[Evaluator]:
    """The evaluators that the program will have when it reads these bytes."""
    with np.load(io.BytesIO(data), allow_pickle=False) as stored:
        return read_members({k: stored[k] for k in stored.files}, labels, features)
