"""Outline found and corner error on a folder of photos with truth.jsonl.

    python -m tests.benchmarks.outline [FOLDER] [--every N] [--quick] [--overlays DIR]

Prints each photo that fails and, on the last line, one JSON object.
"""

import argparse
import json
import time
from pathlib import Path

import cv2
import numpy as np

from models.geometry_truth import overlap
from panelvision.locate import locate
from panelvision.photo import read_photo
from tests.conftest import SHARED, truth_of


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=SHARED / "renders")
    parser.add_argument("--every", type=int, default=1, help="take every n-th photo")
    parser.add_argument("--quick", action="store_true", help="take every fifth photo")
    parser.add_argument("--overlays", type=Path, help="write pictures of the failures here")
    options = parser.parse_args()
    if not (options.folder / "truth.jsonl").is_file():
        parser.error(f"{options.folder}: no truth.jsonl; name a folder of photos that has one")
    cv2.setNumThreads(1)
    rows, negatives, seconds, busy = [], [], [], []
    for truth in truth_of(options.folder)[:: 5 if options.quick else options.every]:
        photo = read_photo(options.folder / truth["file"])
        begin, begin_busy = time.perf_counter(), time.process_time()
        location = locate(photo)
        seconds.append(time.perf_counter() - begin)
        busy.append(time.process_time() - begin_busy)
        confidence = location.outline.confidence if location.outline else 0.0
        if truth["symptom"] == "not-a-screen":
            negatives.append(confidence)
            print(f"not a screen  {truth['file']:50s} confidence {confidence:.2f}")
            continue
        if truth["corners"] is None:
            continue
        true = np.array(truth["corners"])
        diagonal = (np.hypot(*(true[2] - true[0])) + np.hypot(*(true[3] - true[1]))) / 2
        iou, errors, pulls = 0.0, np.full(4, np.inf), np.full(4, np.nan)
        if location.outline is not None:
            iou = overlap(true, location.outline.corners)
            offset = location.outline.corners - true
            errors = np.hypot(*offset.T) / diagonal
            pulls = errors * diagonal / (np.sqrt(2) * location.outline.sigma)
        right = location.aspect, truth.get("aspect")
        rows.append((truth, iou, errors, confidence, pulls, right))
        if iou <= 0.9 or errors.max() > 0.02:
            mark = "MISS" if iou <= 0.9 else "off "
            whole = "" if truth["fully_visible"] else "(cropped)"
            print(
                f"{mark} {truth['file']:50s} {truth['symptom']:16s} IoU {iou:.3f} "
                f"confidence {confidence:.2f} errors % {np.round(errors * 100, 2)} {whole}"
            )
            if options.overlays:
                _draw(options.overlays, photo, true, location)
    print(json.dumps(_summary(rows, negatives, seconds, busy)))


def _summary(rows: list, negatives: list[float], seconds: list, busy: list) -> dict:
    whole = [r for r in rows if r[0]["fully_visible"]]
    iou = np.array([r[1] for r in whole])
    errors = np.concatenate([r[2] for r in whole])
    confidence = np.array([r[3] for r in whole])
    pulls = np.concatenate([r[4] for r in whole])
    known = [r[5] for r in rows if r[5][1]]
    return {
        "photos": len(rows) + len(negatives),
        "wholly_visible": len(whole),
        "outline_found": float((iou > 0.9).mean()),
        "median_corner_error_percent": float(np.median(errors) * 100),
        "p90_corner_error_percent": float(np.percentile(errors, 90) * 100),
        "outline_found_cropped": float(
            np.mean([r[1] > 0.9 for r in rows if not r[0]["fully_visible"]] or [np.nan])
        ),
        "mean_confidence": float(confidence.mean()),
        "brier": float(np.mean((confidence - (iou > 0.9)) ** 2)),
        "median_pull": float(np.nanmedian(pulls)),
        "sigma_known": float(np.isfinite(pulls).mean()),
        "aspect_right": float(np.mean([abs(np.log(a / b)) < 0.03 for a, b in known] or [np.nan])),
        "not_a_screen_confidence": float(np.mean(negatives or [np.nan])),
        "ms_median": float(np.median(seconds) * 1000),
        "ms_processor_median": float(np.median(busy) * 1000),
    }


def _draw(folder: Path, photo, true: np.ndarray, location) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    scale = 900 / max(photo.width, photo.height)
    image = cv2.resize(photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    image = (255 * (image / 255.0) ** 0.6).astype(np.uint8)
    drawn = [(true, (0, 255, 0))]
    if location.outline is not None:
        drawn.append((location.outline.corners, (255, 60, 60)))
    for corners, colour in drawn:
        ring = np.rint(corners * scale).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(image, [ring], True, colour, 1, cv2.LINE_AA)
    name = str(folder / (Path(photo.name).stem + ".png"))
    cv2.imwrite(name, image[..., ::-1])


if __name__ == "__main__":
    main()
