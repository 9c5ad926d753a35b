"""Many drawings at once: seeds to files, in parallel, the same whatever the number of workers."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import cv2
from joblib import Parallel, delayed

from synth.burst import draw_pair
from synth.picture import Sample, draw_photo


def _one(seed: int, symptom: str | None, quick: bool, pairs: bool) -> list[Sample]:
    # OpenCV would start a pool of its own in each worker
    cv2.setNumThreads(1)
    if pairs:
        return list(draw_pair(seed, quick=quick))
    return [draw_photo(seed, symptom=symptom, quick=quick)]


def draw_many(
    seeds: list[int],
    *,
    jobs: int = 1,
    symptom: str | None = None,
    quick: bool = False,
    pairs: bool = False,
) -> Iterator[Sample]:
    """Draw every seed (two samples each with `pairs`), in the order of the seeds.

    jobs: worker processes; joblib's current backend is used, so a cluster can be named outside.
    """
    work = (delayed(_one)(s, symptom, quick, pairs) for s in seeds)
    for samples in Parallel(n_jobs=jobs, return_as="generator", pre_dispatch="2*n_jobs")(work):
        yield from samples


def write_folder(folder: Path, samples: Iterator[Sample]) -> int:
    """Write JPEG files and truth.jsonl into `folder` (made if absent); returns how many."""
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    with (folder / "truth.jsonl").open("w", encoding="utf-8") as lines:
        for sample in samples:
            (folder / sample.truth["file"]).write_bytes(sample.jpeg)
            lines.write(json.dumps(sample.truth) + "\n")
            count += 1
    return count
