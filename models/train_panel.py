"""``python -m models.train_panel``: teach which stretches and lines are faults of the panel.

The photos are drawn as ``models.train`` draws its own, from another seed and kept in the same
cache, and half as many again of halves, bands, rows and lines alone; the candidates are those
that the pipeline finds in them with its own outlines. Stretches between two edges and thin lines
have one scorer an axis each; figures come from scenes that the judging fold's scorer never saw,
and the scenes on which the classifier is judged are left out altogether.
"""

import argparse
import math
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import joblib
import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

import synth
from models.export import arrays_of
from models.geometry_truth import seen_in_view
from models.measure import LOCATED, SHARD, SQUARED, cache_folder, drawn_shard, kept_rows, sources
from models.metrics import area_under_curve
from models.shipping import Contents, Worth, ship
from models.table import FIT_SHARE, place_of
from panelvision.arrays import IntArray
from panelvision.examine import whole_frame
from panelvision.locate import locate
from panelvision.measure import bands, line_scores, stretches
from panelvision.measure.camera import measure_camera
from panelvision.measure.columns import column_candidates
from panelvision.measure.lines import Line
from panelvision.measure.profile import Axis
from panelvision.measure.rows import row_candidates
from panelvision.measure.scorers import AXES, MISSING
from panelvision.measure.stretches import Stretches
from panelvision.photo import read_photo
from panelvision.squareup import Outline, square_up

FOLDER = Path(bands.__file__).parent
FOLDS = 4
EXTRA_SEED = 940_000_000
# What outlines and candidates depend on, beside the drawing.
SOURCES = (
    *SQUARED,
    *LOCATED,
    *(
        f"measure/{name}.py"
        for name in (
            "camera",
            "columns",
            "driver_grid",
            "edges",
            "line_features",
            "line_scores",
            "lines",
            "moire",
            "noise",
            "profile",
            "reduced",
            "regions",
            "rows",
            "runs",
            "segments",
            "step_fit",
            "steps",
            "stretches",
        )
    ),
)
# chosen: rows fail in more ways than columns, and few of them have two clean edges.
EXTRA = (
    *("horizontal-bands",) * 8,
    *("vertical-bands",) * 4,
    *("half-screen",) * 4,
    *("vertical-lines",) * 4,
)
# chosen: an edge belongs to a fault's when it lies this near, share of the axis: the outline's
# error, and the panel's border where the outline is off.
NEAR, NEAR_BORDER = 0.008, 0.02
# chosen: a stretch that covers a fault this well, with an edge elsewhere, teaches neither way.
COVERS = 0.75
# chosen: a line belongs to a drawn one when it lies this near, share of the axis.
NEAR_LINE = 0.006
# Share of healthy screens that may carry a reported candidate of one kind along one axis.
# chosen: four of them, and the backlight's, share the 5 % that all findings may alarm.
ALARMS = 0.0125


@dataclass(frozen=True)
class Kind:
    """One kind of candidate: its file, its numbers, and which symptoms are made of it."""

    name: str
    file: str
    inputs: tuple[str, ...]
    symptoms: dict[Axis, tuple[str, ...]]


KINDS = (
    Kind(
        "stretches",
        bands.MODEL_FILE,
        stretches.NAMES,
        {"vertical": ("half-screen", "vertical-bands"), "horizontal": ("horizontal-bands",)},
    ),
    Kind(
        "lines",
        line_scores.MODEL_FILE,
        line_scores.NAMES,
        {"vertical": ("vertical-lines",), "horizontal": ("horizontal-bands",)},
    ),
)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.train_panel", description=__doc__)
    parser.add_argument("--count", type=int, default=4096, help="photos to draw")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--extra", type=int, default=2000, help="faults drawn besides")
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument("--force", action="store_true", help="replace a better one all the same")
    args = parser.parse_args(argv)
    starts = [1_000_000 * args.seed + i * SHARD for i in range(math.ceil(args.count / SHARD))]
    photos: list[dict[str, Any]] = []
    starts += [EXTRA_SEED + i * len(EXTRA) for i in range(args.extra // len(EXTRA))]
    work = joblib.Parallel(n_jobs=args.jobs, return_as="generator")(
        joblib.delayed(measured_shard)(s) for s in starts
    )
    for k, shard in enumerate(work):
        photos += shard
        if k % 16 == 15:
            print(f"  {len(photos)} photos measured", flush=True)
    files: dict[Path, Contents] = {}
    figures: dict[str, float] = {}
    for kind in KINDS:
        files[FOLDER / kind.file], areas = fit(photos, kind)
        figures |= areas
    drawn = f"drawing version {synth.VERSION}, measured by {sources(*SOURCES)}"
    return ship(Worth("panel", figures, len(photos), drawn), files, force=args.force)


def measured_shard(first: int) -> list[dict[str, Any]]:
    """Numbers and truth of every candidate of one shard's photos; cached."""
    cv2.setNumThreads(1)
    made = sources(*SOURCES, by=("train_panel", "geometry_truth"))
    path = cache_folder() / f"panel-{synth.VERSION}-{made}" / f"shard-{first}.npz"
    return kept_rows(path, lambda: [_measure(*photo) for photo in _drawn(first)])


def _drawn(first: int) -> list[tuple[bytes, dict[str, Any]]]:
    if first < EXTRA_SEED:
        return drawn_shard(first)
    samples = [synth.draw(first + k, symptom=symptom) for k, symptom in enumerate(EXTRA)]
    return [(sample.jpeg, sample.truth) for sample in samples]


def _measure(jpeg: bytes, truth: dict[str, Any]) -> dict[str, Any]:
    photo = read_photo(jpeg, name=f"seed-{truth['seed']}")
    location = locate(photo)
    outline = location.outline or whole_frame(photo)
    view = square_up(photo, outline, aspect=location.aspect, aspect_source=location.aspect_source)
    view = measure_camera(photo, view).discount(view)  # as the pipeline hands it on
    found = {"vertical": column_candidates(photo, view), "horizontal": row_candidates(view)}
    out: dict[str, Any] = {"symptom": truth["symptom"], "scene": int(truth["scene"])}
    for axis in AXES:
        c = found[axis]
        faults = [
            (_seen(truth, outline, axis, a), _seen(truth, outline, axis, b))
            for a, b in _faults(truth, axis)
        ]
        out[f"{axis}.stretches.numbers"] = c.stretches.numbers.astype(np.float32)
        out[f"{axis}.stretches.label"] = _labels(c.stretches, faults)
        numbers = line_scores.line_numbers(c.line_profile, c.lines)
        out[f"{axis}.lines.numbers"] = numbers.astype(np.float32)
        drawn = [
            (_seen(truth, outline, axis, at), start, end)
            for at, start, end in _drawn_lines(truth, axis)
        ]
        out[f"{axis}.lines.label"] = _line_labels(c.lines, drawn, faults)
    return out


def _faults(truth: dict[str, Any], axis: Axis) -> list[tuple[float, float]]:
    """The faulty stretches of the drawing, neighbours also taken together, panel fractions."""
    if axis == "vertical":
        single = [tuple(x) for x in truth.get("band_edges") or []]
    else:
        single = [
            (b["y0"], b["y1"])
            for b in (truth.get("bands") or [])
            if isinstance(b, dict) and b["y1"] - b["y0"] > 0.01
        ]
    single.sort()
    out = list(single)
    for i in range(len(single)):
        for j in range(i + 1, len(single)):
            if any(single[k + 1][0] - single[k][1] > 0.004 for k in range(i, j)):
                break
            out.append((single[i][0], single[j][1]))
    return out


def _drawn_lines(truth: dict[str, Any], axis: Axis) -> list[tuple[float, float, float]]:
    """Place of every drawn line, and where it begins and ends along itself; panel fractions."""
    if axis == "horizontal":
        rows = [b for b in truth.get("bands") or [] if isinstance(b, dict)]
        thin = [((b["y0"] + b["y1"]) / 2, 0.0, 1.0) for b in rows if b["y1"] - b["y0"] <= 0.01]
        return thin + [(x["y"], 0.0, 1.0) for x in truth.get("lines") or [] if "y" in x]
    return [
        (x["x"] + 0.0005, x.get("y0", 0.0), x.get("y1", 1.0))
        for x in truth.get("lines") or []
        if "x" in x
    ]


def _line_labels(
    lines: tuple[Line, ...],
    drawn: list[tuple[float, float, float]],
    faults: list[tuple[float, float]],
) -> IntArray:
    """1 a drawn line, 0 picture, -1 inside a faulty stretch, whose own lines teach nothing."""
    out = np.zeros(len(lines), dtype=np.int8)
    for i, line in enumerate(lines):
        if any(lo - NEAR < line.position < hi + NEAR for lo, hi in faults):
            out[i] = -1
        for at, start, end in drawn:
            overlap = min(line.end, end) - max(line.start, start)
            if abs(line.position - at) < NEAR_LINE and overlap > 0.5 * (end - start):
                out[i] = 1
    return out


def _seen(truth: dict[str, Any], outline: Outline, axis: Axis, place: float) -> float:
    """Where a panel fraction lies in the view of the outline that was found."""
    at = (place, 0.5) if axis == "vertical" else (0.5, place)
    x, y = seen_in_view(truth["corners"], outline.corners, [at])[0]
    return float(x if axis == "vertical" else y)


def _labels(found: Stretches, faults: list[tuple[float, float]]) -> IntArray:
    """1 a fault, 0 picture, -1 neither: nearly a fault, but with an edge elsewhere."""
    out = np.zeros(len(found), dtype=np.int8)
    for i in range(len(found)):
        a, b = found.span(i)
        for lo, hi in faults:
            near = [
                abs(mine - true) < (NEAR_BORDER if at_border else NEAR)
                for mine, true, at_border in (
                    (a, lo, a == 0.0 or lo < NEAR_BORDER),
                    (b, hi, b == 1.0 or hi > 1 - NEAR_BORDER),
                )
            ]
            if all(near):
                out[i] = 1
                break
            overlap = max(0.0, min(b, hi) - max(a, lo))
            if overlap > COVERS * max(b - a, hi - lo):
                out[i] = -1
    return out


def fit(photos: list[dict[str, Any]], kind: Kind) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    """The contents of a kind's file, and areas under the curve over scenes held out."""
    kept = [p for p in photos if place_of(int(p["scene"])) < FIT_SHARE]
    numbers: dict[str, np.ndarray] = {
        "members": np.array(len(AXES)),
        "names": np.array(kind.inputs),
    }
    thresholds, figures = [], {}
    for i, axis in enumerate(AXES):
        member, threshold, area = _fit_axis(kept, kind, axis)
        figures[f"{axis} {kind.name}"] = area
        numbers.update({f"{i}.{k}": v for k, v in arrays_of(member).items()})
        thresholds.append(threshold)
    return {**numbers, "thresholds": np.array(thresholds)}, figures


def _fit_axis(
    photos: list[dict[str, Any]], kind: Kind, axis: Axis
) -> tuple[HistGradientBoostingClassifier, float, float]:
    key = f"{axis}.{kind.name}"
    numbers = np.concatenate([p[f"{key}.numbers"] for p in photos]).astype(np.float64)
    numbers = np.nan_to_num(numbers, nan=MISSING)
    label = np.concatenate([p[f"{key}.label"] for p in photos])
    owner = np.concatenate([np.full(len(p[f"{key}.label"]), i) for i, p in enumerate(photos)])
    fold = np.array([int(place_of(int(p["scene"])) * 1000) % FOLDS for p in photos])[owner]
    odds = np.zeros(len(label))
    for f in range(FOLDS):
        use = (label >= 0) & (fold != f)
        member = scorer().fit(numbers[use], label[use] > 0)
        odds[fold == f] = member.decision_function(numbers[fold == f])
    use = label >= 0
    whole = scorer().fit(numbers[use], label[use] > 0)
    symptom = np.array([str(p["symptom"]) for p in photos])
    best = np.full(len(photos), -20.0)
    np.maximum.at(best, owner, odds)
    threshold = float(np.quantile(best[symptom == "normal"], 1 - ALARMS, method="higher"))
    area = area_under_curve(odds[label == 1], odds[label == 0])
    print(
        f"{axis} {kind.name}: {int(use.sum())}, {int((label == 1).sum())} faults; held-out area "
        f"under the curve {area:.4f}; "
        f"threshold {threshold:.2f}"
    )
    right, offered = np.zeros((2, len(photos)), dtype=bool)
    np.logical_or.at(right, owner, (label == 1) & (odds > threshold))
    np.logical_or.at(offered, owner, label == 1)
    for name in sorted(set(symptom.tolist())):
        mine = symptom == name
        said = f"reported in {(best[mine] > threshold).mean():.3f} of {int(mine.sum())} photos"
        if name in kind.symptoms[axis]:
            said += f", rightly {right[mine].mean():.3f}, offered {offered[mine].mean():.3f}"
        print(f"  {name}: {said}", flush=True)
    return whole, threshold, area


def scorer() -> HistGradientBoostingClassifier:
    """What tells faults from picture, untaught."""
    return HistGradientBoostingClassifier(
        max_iter=250,
        learning_rate=0.05,
        max_leaf_nodes=12,
        min_samples_leaf=15,
        l2_regularization=3.0,
        random_state=0,
    )


if __name__ == "__main__":
    sys.exit(main())
