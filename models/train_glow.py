"""``python -m models.train_glow``: teach what tells a fault of the backlight from a picture.

Draws photos of seeds that nothing else is taught or judged on, half of them screens with dim
zones (a good quarter of which have bare LEDs), and looks at them with the pipeline's own
outlines. Two things are taught: a scorer of round bright spots one by one, and a network that
sees the whole screen's light. Figures come from scenes that what is judged never saw.
"""

import argparse
import math
import sys
from pathlib import Path
from typing import Any

import cv2
import joblib
import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

import synth
from models.convolutions import pytorch
from models.export import arrays_of
from models.geometry_truth import seen_in_view
from models.glow_network import Backlight, fit_network
from models.measure import LOCATED, SQUARED, cache_folder, drawn_shard, kept_rows, sources
from models.metrics import area_under_curve
from models.shipping import Worth, ship
from models.table import place_of
from models.train_panel import ALARMS, scorer
from panelvision.arrays import FloatArray, IntArray
from panelvision.errors import PanelvisionError
from panelvision.examine import whole_frame
from panelvision.locate import locate
from panelvision.measure import glow_network, spots
from panelvision.measure.camera import measure_camera
from panelvision.measure.glow_network import SIZE, glow_picture
from panelvision.measure.reduced import reduce_view
from panelvision.measure.scorers import MISSING
from panelvision.photo import read_photo
from panelvision.squareup import Outline, square_up

TARGET = Path(spots.__file__).with_name(spots.MODEL_FILE)
NETWORK = TARGET.with_name(glow_network.MODEL_FILE)
FIRST_SEED = 960_000_000
# What spots and the network's picture depend on, beside the drawing.
SOURCES = (
    *SQUARED,
    *LOCATED,
    *(f"measure/{name}.py" for name in ("spots", "reduced", "camera", "moire", "glow_network")),
)
ORDER = (
    *("dim-zones",) * 16,
    *("normal",) * 5,
    *("not-a-screen",) * 2,
    "half-screen",
    "vertical-bands",
    "horizontal-bands",
    "vertical-lines",
    "wrong-colours",
    "blocky",
    "cracked",
    "glow-no-image",
    "faint-image",
)
SHARD = len(ORDER)
FOLDS = 4
# chosen: a spot belongs to a drawn one when it lies this near, share of the screen's width.
NEAR = 0.02
# One of so many scenes is not taught to the network: they say what it is worth.
JUDGED = 5
# Symptoms whose screen is lit, by a backlight without a fault.
LIT = ("normal", "half-screen", "vertical-bands", "horizontal-bands", "vertical-lines",
       "wrong-colours", "blocky", "cracked", "glow-no-image")  # fmt: skip


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.train_glow", description=__doc__)
    parser.add_argument("--count", type=int, default=5120, help="photos to draw")
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument("--force", action="store_true", help="replace a better one all the same")
    args = parser.parse_args(argv)
    try:
        pytorch()  # told now, and not after half an hour of drawing
    except PanelvisionError as fault:
        print(f"models.train_glow: {fault}", file=sys.stderr)
        return 2
    starts = [FIRST_SEED + i * SHARD for i in range(math.ceil(args.count / SHARD))]
    photos: list[dict[str, Any]] = []
    work = joblib.Parallel(n_jobs=args.jobs, return_as="generator")(
        joblib.delayed(measured_shard)(s) for s in starts
    )
    for k, shard in enumerate(work):
        photos += shard
        if k % 10 == 9:
            print(f"  {len(photos)} photos measured", flush=True)
    scorer_numbers, of_spots = fit(photos)
    numbers, of_network = teach_network(photos)
    drawn = f"drawing version {synth.VERSION}, measured by {sources(*SOURCES)}"
    worth = Worth("glow", {**of_spots, **of_network}, len(photos), drawn)
    return ship(worth, {TARGET: scorer_numbers, NETWORK: numbers}, force=args.force)


def measured_shard(first: int) -> list[dict[str, Any]]:
    """Spots, the network's picture and the truth of one shard's photos; cached."""
    cv2.setNumThreads(1)
    made = sources(*SOURCES, by=("train_glow", "geometry_truth"))
    path = cache_folder() / f"glow-{synth.VERSION}-{made}" / f"shard-{first}.npz"

    def measured() -> list[dict[str, Any]]:
        drawn = drawn_shard(first, order=ORDER, kept_in="glow-drawn")
        return [_measure(*photo) for photo in drawn]

    return kept_rows(path, measured)


def _measure(jpeg: bytes, truth: dict[str, Any]) -> dict[str, Any]:
    photo = read_photo(jpeg, name=f"seed-{truth['seed']}")
    location = locate(photo)
    outline = location.outline or whole_frame(photo)
    view = square_up(photo, outline, aspect=location.aspect, aspect_source=location.aspect_source)
    view = measure_camera(photo, view).discount(view)
    fine, coarse = reduce_view(view, 480), reduce_view(view, 240)
    found = spots.spot_candidates(coarse, fine)
    return {
        "symptom": truth["symptom"],
        "scene": int(truth["scene"]),
        "drawn": float(len(truth.get("spots") or [])),
        "numbers": spots.spot_numbers(found, fine).astype(np.float32),
        "label": _labels(found, _spots(truth, outline)),
        "picture": glow_picture(coarse).astype(np.float16),
        "places": _places(truth, outline),
    }


def _places(truth: dict[str, Any], outline: Outline) -> IntArray:
    """Where the network's picture has dim zones and bare LEDs, uint8 (72, 128, 2)."""
    out = np.zeros((*SIZE, 2), np.uint8)
    to_pixels = np.array(SIZE[::-1], np.float64)
    for x0, y0, x1, y1 in truth.get("zones") or []:
        box = seen_in_view(
            truth["corners"], outline.corners, [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
        )
        mask = np.zeros(SIZE, np.uint8)
        cv2.fillConvexPoly(mask, np.rint(box * to_pixels).astype(np.int32), 1)
        out[..., 0] |= mask
    for x, y in _spots(truth, outline) * to_pixels:
        mask = np.zeros(SIZE, np.uint8)
        cv2.circle(mask, (round(float(x)), round(float(y))), 3, 1, -1)
        out[..., 1] |= mask
    return out


def _spots(truth: dict[str, Any], outline: Outline) -> FloatArray:
    return seen_in_view(truth["corners"], outline.corners, truth.get("spots") or [])


def _labels(found: tuple[spots.Spot, ...], drawn: FloatArray) -> IntArray:
    """1 a drawn spot, 0 picture."""
    out = np.zeros(len(found), dtype=np.int8)
    for i, spot in enumerate(found):
        away = np.hypot(drawn[:, 0] - spot.x, (drawn[:, 1] - spot.y) * 9 / 16)
        out[i] = bool((away < NEAR).any())
    return out


def fit(photos: list[dict[str, Any]]) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    """The contents of the scorer's file, and areas under the curve over scenes held out."""
    numbers = np.concatenate([p["numbers"] for p in photos]).astype(np.float64)
    numbers = np.nan_to_num(numbers, nan=MISSING)
    label = np.concatenate([p["label"] for p in photos]) > 0
    owner = np.concatenate([np.full(len(p["label"]), i) for i, p in enumerate(photos)])
    fold = np.array([int(place_of(int(p["scene"])) * 1000) % FOLDS for p in photos])[owner]
    odds = np.zeros(len(label))
    for f in range(FOLDS):
        member = scorer().fit(numbers[fold != f], label[fold != f])
        odds[fold == f] = member.decision_function(numbers[fold == f])
    whole: HistGradientBoostingClassifier = scorer().fit(numbers, label)
    best = np.full(len(photos), -20.0)
    np.maximum.at(best, owner, odds)
    symptom = np.array([str(p["symptom"]) for p in photos])
    lost = np.array([p["drawn"] > 0 for p in photos])
    threshold = float(np.quantile(best[symptom == "normal"], 1 - ALARMS, method="higher"))
    rule = np.full(len(photos), -20.0)
    np.maximum.at(rule, owner, numbers[:, spots.NAMES.index("by_rule")])
    figures = {
        "spots": area_under_curve(odds[label], odds[~label]),
        "photos with lost lenses": area_under_curve(best[lost], best[~lost]),
    }
    print(
        f"{len(label)} spots, {int(label.sum())} drawn; held-out area under the curve "
        f"{figures['spots']:.4f}; photos with lost lenses against "
        f"the rest {figures['photos with lost lenses']:.4f}, by the rule alone "
        f"{area_under_curve(rule[lost], rule[~lost]):.4f}; threshold {threshold:.2f}"
    )
    print(
        f"  lost lenses: reported in {(best[lost] > threshold).mean():.3f} of {lost.sum()} photos"
    )
    for name in sorted(set(symptom.tolist())):
        mine = (symptom == name) & ~lost
        said = (best[mine] > threshold).mean()
        print(f"  {name}, none lost: reported in {said:.3f} of {int(mine.sum())}", flush=True)
    contents = {
        "members": np.array(1),
        "names": np.array(spots.NAMES),
        "thresholds": np.array([threshold]),
        **{f"0.{k}": v for k, v in arrays_of(whole).items()},
    }
    return contents, figures


def backlight(photo: dict[str, Any]) -> Backlight:
    """A measured photo as the network learns from it."""
    spots_drawn = int(photo["drawn"] > 0)
    dim = int(str(photo["symptom"]) == "dim-zones" and not spots_drawn)
    healthy = str(photo["symptom"]) in LIT
    return Backlight(photo["picture"], np.array([dim, spots_drawn]), photo["places"], healthy)


def teach_network(
    photos: list[dict[str, Any]],
) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    """The contents of the network's file, and areas under the curve over scenes held out."""
    judged = np.array([int(p["scene"]) % JUDGED == 0 for p in photos])
    examples = [backlight(p) for p in photos]
    numbers = fit_network(
        [e for e, out in zip(examples, judged, strict=True) if not out],
        seed=0,
        progress=lambda epoch, of, loss: print(f"  epoch {epoch}/{of}: {loss:.4f}", flush=True),
    )
    network = glow_network.read_glow_network(numbers)
    kept = [e for e, out in zip(examples, judged, strict=True) if out]
    said = [network.read(e.picture.astype(np.float32)) for e in kept]
    truth = np.array([e.answers for e in kept]) > 0
    normal = np.array([str(p["symptom"]) == "normal" for p in photos])[judged]
    figures = {}
    for k, name in enumerate(glow_network.QUESTIONS):
        odds = np.array([getattr(s, name) for s in said])
        alarm = float(np.quantile(odds[normal], 0.98))
        yes, no = odds[truth[:, k]], odds[~truth.any(axis=1)]
        figures[f"network: {name}"] = area_under_curve(yes, no)
        print(
            f"{name}: {len(yes)} photos with, {len(no)} without; area under the curve "
            f"{figures[f'network: {name}']:.4f}; found {(yes > alarm).mean():.3f} where one "
            f"healthy screen in fifty alarms, with {(no > alarm).mean():.3f} of all others",
            flush=True,
        )
    return numbers, figures


if __name__ == "__main__":
    sys.exit(main())
