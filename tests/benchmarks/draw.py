"""Synthetic photos of 1600x1200 with every stage on: photos a second on one core.

    python -m tests.benchmarks.draw [--quick]

One process, one thread. The time of a plain piece of work (decode, blur and encode of a photo of
the same size) in the same run is printed beside it, because seconds alone say little about a busy
or a different machine; `cpu_s` counts processor time and so leaves out waiting for other programs.
"""

from __future__ import annotations

import argparse
import json
import resource
import time

import cv2
import numpy as np

import synth


def _plain(jpeg: bytes) -> float:
    """Processor seconds of decoding, blurring in float and encoding one photo (best of five)."""
    best = np.inf
    for _ in range(5):
        start = time.process_time()
        image = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
        soft = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 2.0)
        cv2.imencode(".jpg", soft.astype(np.uint8))
        best = min(best, time.process_time() - start)
    return best


def main() -> None:
    """Draw some photos of every symptom and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one photo a symptom")
    rounds = 1 if parser.parse_args().quick else 4
    cv2.setNumThreads(1)
    size = (1600, 1200)
    first = synth.draw(1, symptom="normal", size=size)
    plain = _plain(first.jpeg)
    walls, cpus = [], []
    for k, label in enumerate(synth.LABELS):
        took = []
        for r in range(rounds):
            wall, cpu = time.perf_counter(), time.process_time()
            synth.draw(1000 * r + k, symptom=label, size=size)
            cpus.append(time.process_time() - cpu)
            walls.append(time.perf_counter() - wall)
            took.append(cpus[-1])
        print(f"{label:18s} {np.mean(took):.3f} s processor time a photo")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        json.dumps(
            {
                "photos_per_s_per_core": round(1 / float(np.mean(cpus)), 3),
                "photos_per_s_wall": round(1 / float(np.mean(walls)), 3),
                "cpu_s": round(float(np.mean(cpus)), 4),
                "wall_s": round(float(np.mean(walls)), 4),
                "cpu_s_worst": round(max(cpus), 4),
                "over_plain_work": round(float(np.mean(cpus)) / plain, 2),
                "peak_mb": round(peak),
                "photos": len(cpus),
            }
        )
    )


if __name__ == "__main__":
    main()
