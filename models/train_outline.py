"""Train what ``panelvision.locate`` needs: which candidate is the screen, which edge is its side.

    python -m models.train_outline [--photos N] [--workers W] [--keep DIR] [--force]

Draws photographs, measures every candidate outline and every edge along the sides,
fits boosted trees and a calibration on photographs held back from the fit, and
writes them as plain numbers to ``panelvision/data/outline_*.npz``. The seeds lie apart
from those of the symptom classifier, which would otherwise train on outlines
better than it will meet.
"""

import argparse
import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np
from joblib import Parallel, delayed
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.linear_model import LogisticRegression

import panelvision
import synth
from models.geometry_truth import overlap
from models.shipping import Contents, Worth, ship
from models.table import place_of
from panelvision import outline_refine
from panelvision.arrays import FloatArray
from panelvision.geometry import area
from panelvision.locate import FOCAL_OVER_DIAGONAL, attempt, extend, worth_trying
from panelvision.outline_candidates import candidates, work_image
from panelvision.outline_refine import REACH, RIDGE_FEATURES, refine_corners, ridges, side_strip
from panelvision.outline_score import measure_candidates
from panelvision.outline_trees import Trees
from panelvision.photo import Photo, read_photo

FIRST_SEED = 500_000_000
# A tenth of photos each: dark sets are half of what technicians photograph with a torch, and
# their sides are the hardest; the rest as the drawing's own mix has it. chosen
DARK = ("no-image", "no-image", "faint-image", "faint-image")
# Share of the photos that are held back for the calibration. chosen
HELD = 0.2
# Overlap from which a candidate is worth something, and of a perfect one.
WORTHLESS, PERFECT = 0.75, 0.98
# A ridge is the true side when it lies within this share of the height, or these pixels.
SAME_SHARE, SAME_PIXELS = 0.0025, 1.3
# Edges of the same border as the true side lie within this share of the height.
NEIGHBOUR = 0.015


@dataclass(frozen=True)
class Measured:
    """One photo's rows: candidates with their overlap, ridges with their label."""

    seed: int
    table: FloatArray
    overlap: FloatArray
    ridge_table: FloatArray
    ridge_label: FloatArray
    ridge_shift: FloatArray


def draw(seed: int, keep: Path | None) -> tuple[Photo, dict[str, Any]]:
    """Draw one photograph, or read the kept one."""
    picture, text = (keep / f"{seed}.jpg", keep / f"{seed}.json") if keep else (None, None)
    if picture is not None and text is not None and text.is_file() and picture.is_file():
        return read_photo(picture), json.loads(text.read_text())
    place = seed % 10
    sample = synth.draw(seed, symptom=DARK[place] if place < len(DARK) else None)
    if picture is not None and text is not None:
        picture.write_bytes(sample.jpeg)
        text.write_text(json.dumps(sample.truth))
    return read_photo(sample.jpeg, name=f"seed-{seed}"), sample.truth


def measure(seed: int, keep: Path | None) -> Measured:
    """Draw and measure one photograph."""
    cv2.setNumThreads(1)
    photo, truth = draw(seed, keep)
    work = work_image(photo.small, photo_size=(photo.width, photo.height))
    found = candidates(work)
    focal = FOCAL_OVER_DIAGONAL * float(np.hypot(work.width, work.height))
    table, _ = measure_candidates(work, found, focal)
    none = np.empty((0, len(RIDGE_FEATURES))), np.empty(0), np.empty(0)
    if truth["corners"] is None:
        return Measured(seed, table, np.zeros(len(found)), *none)
    true = np.array(truth["corners"])
    seen = work.to_work(true)
    # Judged inside the frame: what lies outside is computed later from the aspect ratio.
    frame = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [work.width - 1, work.height - 1]
    values = np.array([overlap(seen, q, within=frame) for q in found])
    dice = np.random.default_rng(seed)
    height = np.sqrt(area(true) * 9 / 16)
    starts: list[FloatArray] = [true + dice.normal(0, 0.006 * height, (4, 2))]
    if len(values) and values.max() > 0.88:
        starts.append(work.to_photo(found[int(np.argmax(values))]))
    parts = zip(*(label_sides(photo, s, true) for s in starts), strict=True)
    return Measured(seed, table, values, *(np.concatenate(p) for p in parts))


def label_sides(
    photo: Photo, corners: FloatArray, true: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ridges of the four sides of a roughly right outline: features, label, way to the truth.

    The way is a share of the height, positive inwards.
    """
    edge = np.roll(corners, -1, axis=0) - corners
    length = np.hypot(edge[:, 0], edge[:, 1])
    height = (length[1] + length[3]) / 2
    half = float(np.clip(REACH * min(height, (length[0] + length[2]) / 2), 4.0, 120.0))
    rows: list[FloatArray] = [np.empty((0, len(RIDGE_FEATURES)))]
    labels, shifts = [np.empty(0)], [np.empty(0)]
    for k in range(4):
        strip = side_strip(photo.pixels, corners[k], corners[(k + 1) % 4], half=half)
        if strip is None:
            continue
        found = ridges(strip, height=height)
        if not found.found:
            continue
        depth = [(true[i] - strip.origin) @ strip.inward for i in (k, (k + 1) % 4)]
        way = np.mean(depth) - np.array([r.offset for r in found.found])
        gap = np.abs(way)
        label = np.zeros(len(gap))
        if gap.min() < max(SAME_SHARE * height, SAME_PIXELS):
            label[int(np.argmin(gap))] = 1
        rows.append(found.table)
        labels.append(label)
        shifts.append(way / height)
    return np.concatenate(rows), np.concatenate(labels), np.concatenate(shifts)


def fit_errors(seeds: list[int], keep: Path | None) -> FloatArray:
    """Systematic errors of a side, (2,), for :func:`panelvision.outline_refine.end_sigma`.

    Gaussian likelihood of the sides' errors on photos held back, each error bounded
    at a hundredth of the height: what is farther off is a wrong candidate, not a wrong edge.
    """
    rows = []
    for seed in seeds:
        photo, truth = draw(seed, keep)
        if truth["corners"] is None:
            continue
        true = np.array(truth["corners"])
        height = np.sqrt(area(true) * 9 / 16)
        start = true + np.random.default_rng(seed).normal(0, 0.004 * height, (4, 2))
        for k, side in enumerate(refine_corners(photo.pixels, start)[2]):
            if not side.found:
                continue
            run = true[(k + 1) % 4] - true[k]
            inward = np.array([-run[1], run[0]]) / np.hypot(*run)
            scatter = np.hypot(side.offset_sigma, side.tilt_sigma / 2) / height
            for error in ((side.start - true[k]) @ inward, (side.end - true[(k + 1) % 4]) @ inward):
                rows.append((error / height, scatter, 1 - side.certainty))
    error, scatter, doubt = np.array(rows).T
    error = np.clip(error, -0.01, 0.01)
    best, least = np.zeros(2), np.inf
    for sure in np.geomspace(1e-4, 3e-3, 30):
        for unsure in np.geomspace(1e-3, 2e-2, 30):
            variance = scatter**2 + sure**2 + (unsure * doubt) ** 2
            cost = float((np.log(variance) + error**2 / variance).sum())
            if cost < least:
                best, least = np.array([sure, unsure]), cost
    return best


def as_arrays(model: Any, names: tuple[str, ...]) -> dict[str, Any]:
    """A fitted histogram-boosting model as the arrays of :class:`Trees`."""
    nodes = [stage[0].nodes for stage in model._predictors]
    most = max(len(n) for n in nodes)
    shape = (len(nodes), most)
    feature, left, right = (np.zeros(shape, np.int16) for _ in range(3))
    threshold, value = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    depth = 0
    for i, n in enumerate(nodes):
        own = np.arange(len(n))
        leaf = n["is_leaf"].astype(bool)
        feature[i, : len(n)] = np.where(leaf, 0, n["feature_idx"])
        left[i, : len(n)] = np.where(leaf, own, n["left"])
        right[i, : len(n)] = np.where(leaf, own, n["right"])
        threshold[i, : len(n)] = np.where(leaf, 0, n["num_threshold"])
        value[i, : len(n)] = n["value"]
        depth = max(depth, int(n["depth"].max()))
    return {
        "names": np.array(names),
        "feature": feature,
        "left": left,
        "right": right,
        "threshold": threshold,
        "value": value,
        "start": np.float64(np.ravel(model._baseline_prediction)[0]),
        "depth": np.int64(depth),
    }


def trees_of(arrays: dict[str, Any]) -> Trees:
    """The same trees, ready to evaluate."""
    return Trees(
        tuple(arrays["names"]),
        arrays["feature"].astype(np.intp),
        arrays["left"].astype(np.intp),
        arrays["right"].astype(np.intp),
        arrays["threshold"].astype(np.float64),
        arrays["value"].astype(np.float64),
        float(arrays["start"]),
        int(arrays["depth"]),
        np.empty(0),
    )


def fit_ranking(measured: list[Measured], names: tuple[str, ...]) -> dict[str, Any]:
    """Trees that give a candidate's worth, 0..1, from its features."""
    x = np.concatenate([m.table for m in measured])
    y = np.concatenate([m.overlap for m in measured])
    worth = np.clip((y - WORTHLESS) / (PERFECT - WORTHLESS), 0, 1) ** 2
    # Each photo counts alike, and its few good candidates as much as its many bad ones.
    weight = np.concatenate(
        [
            np.where(m.overlap > 0.85, 1 / max((m.overlap > 0.85).sum(), 1), 3 / len(m.overlap))
            for m in measured
            if len(m.overlap)
        ]
    )
    model = HistGradientBoostingRegressor(
        max_iter=260,
        learning_rate=0.07,
        max_leaf_nodes=20,
        min_samples_leaf=25,
        l2_regularization=1.0,
        max_features=0.35,
        random_state=1,
    ).fit(x, worth, sample_weight=weight / weight.mean())
    return as_arrays(model, names)


def fit_sides(measured: list[Measured]) -> dict[str, Any]:
    """Trees that give the log-odds that a ridge is the active area's edge."""
    x = np.concatenate([m.ridge_table for m in measured])
    y = np.concatenate([m.ridge_label for m in measured])
    model = HistGradientBoostingClassifier(
        max_iter=220,
        learning_rate=0.07,
        max_leaf_nodes=16,
        min_samples_leaf=20,
        l2_regularization=1.0,
        max_features=0.5,
        random_state=1,
    ).fit(x, y)
    return as_arrays(model, RIDGE_FEATURES)


def fit_shift(measured: list[Measured]) -> dict[str, Any]:
    """Trees that give the way from a ridge to the true side, share of the height."""
    x = np.concatenate([m.ridge_table for m in measured])
    y = np.concatenate([m.ridge_shift for m in measured])
    # Only neighbours of the truth: what is farther off is another thing's edge.
    near = np.abs(y) < NEIGHBOUR
    model = HistGradientBoostingRegressor(
        loss="absolute_error",
        max_iter=150,
        learning_rate=0.07,
        max_leaf_nodes=12,
        min_samples_leaf=25,
        l2_regularization=1.0,
        max_features=0.5,
        random_state=1,
    ).fit(x[near], y[near])
    return as_arrays(model, RIDGE_FEATURES)


def calibrate(
    seeds: list[int], measured: list[Measured], ranking: Trees, keep: Path | None
) -> tuple[FloatArray, dict[str, float]]:
    """Logistic regression of "overlap > 0.9" on held-back photos, after the refinement."""
    rows: list[FloatArray] = []
    hits: list[bool] = []
    photos: list[list[tuple[FloatArray, bool]]] = []
    for seed, m in zip(seeds, measured, strict=True):
        if len(m.table) == 0:
            continue
        photo, truth = draw(seed, keep)
        work = work_image(photo.small, photo_size=(photo.width, photo.height))
        found = candidates(work)
        worth = ranking.sum(m.table)
        tried = []
        for index in worth_trying(work, found, worth):
            one = attempt(photo, work, found, worth, index)
            corners = one.corners
            if sum(one.cut) == 1:
                whole = extend(corners, one.cut.index(True), 16 / 9, (photo.width, photo.height))
                corners = corners if whole is None else whole
            true = truth["corners"]
            hit = true is not None and overlap(np.array(true), corners) > 0.9
            tried.append((one.inputs, hit))
        rows += [t[0] for t in tried]
        hits += [t[1] for t in tried]
        photos.append(tried)
    x, y = np.array(rows), np.array(hits)
    model = LogisticRegression(C=1.0, max_iter=1000).fit(x, y)
    p, y = np.array(
        [
            max((float(model.predict_proba(t[0][None])[0, 1]), t[1]) for t in tried)
            for tried in photos
        ]
    ).T
    report = {
        "held_back": float(len(y)),
        "found": float(y.mean()),
        "mean_confidence": float(p.mean()),
        "brier": float(np.mean((p - y) ** 2)),
    }
    return np.concatenate([model.intercept_, model.coef_[0]]), report


def main(argv: list[str] | None = None) -> int:
    """Draw, measure, fit, calibrate, write."""
    parser = argparse.ArgumentParser(prog="python -m models.train_outline", description=__doc__)
    parser.add_argument("--photos", type=int, default=600)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder for the drawn photos, to draw them once")
    parser.add_argument("--force", action="store_true", help="replace better ones all the same")
    options = parser.parse_args(argv)
    begin = time.perf_counter()
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
    seeds = list(range(options.first_seed, options.first_seed + options.photos))
    measured = Parallel(n_jobs=options.workers)(delayed(measure)(s, options.keep) for s in seeds)
    status = write(measured, options.keep, force=options.force)
    print(f"{time.perf_counter() - begin:.0f} s")
    return status


def write(measured: list[Measured], keep: Path | None, *, force: bool) -> int:
    """Fit on most of the photos, calibrate on the rest, store the numbers; the exit status."""
    # By the seed's hash: its last digit says which symptom was drawn.
    fit = [m for m in measured if place_of(m.seed) >= HELD]
    held = [m for m in measured if place_of(m.seed) < HELD]
    photo, _ = draw(measured[0].seed, keep)
    work = work_image(photo.small, photo_size=(photo.width, photo.height))
    _, names = measure_candidates(work, candidates(work), 500.0)
    folder = Path(panelvision.__file__).parent / "data"
    side, shift, rank = (folder / f"outline_{name}.npz" for name in ("side", "shift", "rank"))
    sides, ranking = fit_sides(fit), fit_ranking(fit, names)
    shifts = fit_shift(fit)
    seeds = [m.seed for m in held]
    with _refining_by(sides, shifts, np.array([1e-3, 1e-2])):
        errors = fit_errors(seeds, keep)
    with _refining_by(sides, shifts, errors):
        weights, report = calibrate(seeds, held, trees_of(ranking), keep)
    right = _right_sides(held, trees_of(sides))
    print(json.dumps(report | {"side_chosen": right, "synth_version": synth.VERSION}))
    new: dict[Path, Contents] = {
        side: {**sides, "calibration": errors},
        shift: shifts,
        rank: {**ranking, "calibration": weights},
    }
    figures = {"found": report["found"], "Brier score": report["brier"], "sides chosen": right}
    first, last = measured[0].seed, measured[-1].seed
    photos = f"drawing version {synth.VERSION}, held back of seeds {first} to {last}"
    return ship(Worth("outline", figures, len(held), photos), new, force=force)


@contextmanager
def _refining_by(
    sides: dict[str, Any], shifts: dict[str, Any], errors: FloatArray
) -> Iterator[None]:
    """The refinement in this process with these trees instead of those that ship."""
    trees = {
        "side": replace(trees_of(sides), calibration=errors),
        "shift": trees_of(shifts),
    }
    with patch.object(outline_refine, "load_trees", trees.__getitem__):
        yield


def _right_sides(held: list[Measured], trees: Trees) -> float:
    """Share of ridges rightly called, on photos held back."""
    x = np.concatenate([m.ridge_table for m in held])
    y = np.concatenate([m.ridge_label for m in held])
    return float(((trees.sum(x) > 0) == (y > 0.5)).mean())


if __name__ == "__main__":
    sys.exit(main())
