"""How often each thing that looks structured is taken for a faint picture.

``python -m tests.benchmarks.faint_alarms [--scenes N]``: torch-lit dark screens without a picture
(``tests/faint_scenes.py``), each with one nuisance, judged at the threshold that ships. Prints the
false alarms of each nuisance with their 95 % interval, beside the rate that is stated.
"""

import argparse
import json

import cv2
import joblib
import numpy as np

from models.metrics import wilson
from panelvision.measure.faint import find_faint
from panelvision.photo import from_array
from panelvision.squareup import Outline, square_up
from tests.faint_scenes import NUISANCES, draw

FIRST = 900_000


def alarm(seed: int, nuisance: str) -> tuple[bool, float]:
    """Whether a picture is found where there is none, and the rate that is stated."""
    cv2.setNumThreads(1)
    scene = draw(seed, nuisances=(nuisance,) if nuisance else ())
    outline = Outline(scene.corners, 1.0, np.full(4, np.nan))
    photo = from_array(scene.pixels)
    view = square_up(photo, outline)
    seen = find_faint(photo, view, limit=False)
    return seen.found, seen.false_alarm_rate


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=200, help="scenes of each nuisance")
    args = parser.parse_args()
    table: dict[str, list[float]] = {}
    stated = float("nan")
    for nuisance in ("", *NUISANCES):
        work = joblib.Parallel(n_jobs=-1)(
            joblib.delayed(alarm)(FIRST + k, nuisance) for k in range(args.scenes)
        )
        hits, stated = sum(found for found, _ in work), work[0][1]
        low, high = wilson(hits, args.scenes)
        name = nuisance or "none of them"
        print(f"{name:13s} {hits:3d}/{args.scenes} [{low:.3f}, {high:.3f}]", flush=True)
        table[name] = [hits, args.scenes]
    print(json.dumps({"stated": stated, "alarms": table}))


if __name__ == "__main__":
    main()
