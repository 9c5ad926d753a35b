"""``python -m models.train_change``: teach the change test on drawn pairs of the same dark set.

One logistic scorer over the pooled evidence of ``panelvision.measure.change``. Scores of
pairs without a change, each from a fold that did not learn from it, become the null
distribution of the p-value. Run ``models.train_faint`` first: the tiles are scored by it.
"""

import argparse
import json
import math
import os
import sys
from pathlib import Path
from typing import Any

import cv2
import joblib
import numpy as np
from sklearn.linear_model import LogisticRegression

import synth
from models.measure import cache_folder, sources
from models.metrics import area_under_curve
from models.shipping import Worth, ship
from models.train_faint import SOURCES as FAINT_SOURCES
from panelvision.measure import change, faint, faint_network
from panelvision.measure.combiner import FORMAT
from panelvision.measure.faint_features import prepare, shrink
from panelvision.measure.registration import register
from panelvision.photo import read_photo
from panelvision.squareup import Outline, square_up

TARGET = Path(change.__file__).with_name(change.MODEL_FILE)
# What the numbers of a pair depend on, beside the drawing.
SOURCES = (
    *FAINT_SOURCES,
    *(
        f"measure/{name}"
        for name in ("change.py", "registration.py", faint.MODEL_FILE, faint_network.MODEL_FILE)
    ),
)
FIRST_SEED = 800_000_000
SHARD = 10
FOLDS = 4


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.train_change", description=__doc__)
    parser.add_argument("--count", type=int, default=600, help="pairs to draw")
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument("--force", action="store_true", help="replace a better one all the same")
    args = parser.parse_args(argv)
    starts = [FIRST_SEED + i * SHARD for i in range(math.ceil(args.count / SHARD))]
    rows: list[list[float]] = []
    work = joblib.Parallel(n_jobs=args.jobs, return_as="generator")(
        joblib.delayed(measured_pairs)(s) for s in starts
    )
    for shard in work:
        rows += shard
        if len(rows) % 100 < SHARD:
            print(f"  {len(rows)} pairs measured", flush=True)
    model, area = fit(np.array(rows, dtype=np.float64))
    photos = f"drawing version {synth.VERSION}, measured by {sources(*SOURCES)}"
    worth = Worth("change", {"area under the curve": area}, len(rows), photos)
    return ship(worth, {TARGET: json.dumps(model)}, force=args.force)


def measured_pairs(first: int) -> list[list[float]]:
    """For each pair of a shard: whether it changed, then the numbers; cached."""
    cv2.setNumThreads(1)
    key = f"change-{synth.VERSION}-{sources(*SOURCES, by=('train_change',))}"
    path = cache_folder() / key / f"shard-{first}.json"
    if not path.exists():
        rows = [row for k in range(SHARD) if (row := _measure(first + k)) is not None]
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}.part")
        part.write_text(json.dumps(rows), encoding="utf-8")
        os.replace(part, path)
    loaded: list[list[float]] = json.loads(path.read_text(encoding="utf-8"))
    return loaded


def _measure(seed: int) -> list[float] | None:
    changed = seed % 2 == 1
    rng = np.random.default_rng(seed)
    pair = synth.draw_pair(seed, changed=changed, size=((1200, 900), (1600, 1200))[seed // 2 % 2])
    photos, views = [], []
    for sample in pair:
        photo = read_photo(sample.jpeg, name=f"seed-{seed}")
        corners = np.asarray(sample.truth["corners"], dtype=np.float64)
        diagonal = float(np.hypot(*(corners[2] - corners[0])))
        corners = corners + rng.normal(0, 0.003 * diagonal / math.sqrt(2), (4, 2))
        outline = Outline(corners, 1.0, np.full(4, np.nan))
        photos.append(photo)
        views.append(square_up(photo, outline, aspect=sample.truth["aspect"]))
    match = register(photos[0], views[0], photos[1], views[1])
    second = square_up(photos[1], match.outline, aspect=views[0].aspect)
    a = prepare(*shrink(views[0].linear, views[0].clipped, views[0].valid))
    b = prepare(*shrink(second.linear, second.clipped, second.valid))
    difference, use = change.noise_normalised_difference(a, b)
    if use.mean() < change.LEAST_SEEN:
        return None
    numbers, _, _ = change.change_numbers(a, b, difference, use)
    values = [numbers[n] for n in change.CHANGE_NUMBERS]
    return [float(changed), *(float(v) if np.isfinite(v) else 0.0 for v in values)]


def fit(rows: np.ndarray) -> tuple[dict[str, Any], float]:
    """The model file's contents, and the area under the curve over pairs held out."""
    changed, values = rows[:, 0] > 0, rows[:, 1:]
    centre = np.median(values, axis=0)
    scale = values.std(axis=0) + 1e-6
    inputs = np.clip((values - centre) / scale, -6, 6)
    fold = np.arange(len(rows)) // 2 % FOLDS
    scores = np.zeros(len(rows))
    for f in range(FOLDS):
        use = fold != f
        scores[~use] = _scorer().fit(inputs[use], changed[use]).decision_function(inputs[~use])
    null = np.sort(scores[~changed])
    area = area_under_curve(scores[changed], null)
    print(f"  held-out area under the curve {area:.3f}")
    whole = _scorer().fit(inputs, changed)
    model = {
        "format": FORMAT,
        "whole": {
            "names": list(change.CHANGE_NUMBERS),
            "centre": np.round(centre, 5).tolist(),
            "scale": np.round(scale, 5).tolist(),
            "members": [
                [
                    {
                        "weights": np.round(whole.coef_.T, 5).tolist(),
                        "bias": np.round(whole.intercept_, 5).tolist(),
                    }
                ]
            ],
        },
        "null_scores": np.round(null, 4).tolist(),
    }
    return model, area


def _scorer() -> LogisticRegression:
    return LogisticRegression(C=0.05, max_iter=800)


if __name__ == "__main__":
    sys.exit(main())
