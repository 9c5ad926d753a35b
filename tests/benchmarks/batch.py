"""Photos per second with one worker, two workers and a cluster; bytes and memory a photo.

``python -m tests.benchmarks.batch [--quick]``. The same photos go through `sort_photos` each
time. Rates count from the first result to the last, so that starting the processes (once a
run, whatever its length) is not in them; it is reported apart as ``start_s``.
"""

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from panelvision.fingerprint import fingerprint_of_file
from panelvision.triage import Progress, examine_photo, sort_photos
from tests.conftest import SHARED
from tests.test_cluster import Cluster

REPO = Path(__file__).parents[2]
# from memory: what a core of a rented machine costs an hour, in common currency; a range
CORE_HOUR_PRICE = (0.02, 0.06)


def examine_and_weigh(data: bytes, name: str) -> dict[str, Any]:
    """The pipeline, with the worker's peak memory beside its result."""
    record = examine_photo(data, name)
    record["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return record


def photos(folder: Path, count: int) -> int:
    """Lay ``count`` different files into ``folder``; returns their bytes."""
    sources = sorted((SHARED / "renders").glob("*.jpg")) or sorted(
        (REPO / "panelvision" / "data" / "examples").glob("*.jpg")
    )
    if not sources:
        sys.exit("batch: no photos beside the repo and no examples in it")
    total = 0
    for i in range(count):
        # bytes after a JPEG's end change its hash and nothing else
        data = sources[i % len(sources)].read_bytes() + str(i).encode()
        (folder / f"{i:05d}.jpg").write_bytes(data)
        total += len(data)
    return total


def loopback_bytes() -> int:
    """Bytes that the loopback device has sent since the start of the machine."""
    for line in Path("/proc/net/dev").read_text().splitlines():
        if line.strip().startswith("lo:"):
            return int(line.split(":")[1].split()[8])
    return 0


def plain_speedup(path: Path, *, seconds: float = 6.0) -> float:
    """What a second process adds to plain work that shares nothing: the machine's own ceiling."""
    data = path.read_bytes()
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(_plain_work, [data] * 2, [0.5] * 2))  # both are started and warm
        alone = pool.submit(_plain_work, data, seconds).result()
        together = sum(pool.map(_plain_work, [data] * 2, [seconds] * 2))
    return together / alone


def _plain_work(data: bytes, seconds: float) -> int:
    """How often a photo is decoded, blurred and its median taken in the time, on one thread."""
    cv2.setNumThreads(1)
    raw = np.frombuffer(data, np.uint8)
    end, count = time.perf_counter() + seconds, 0
    while time.perf_counter() < end:
        picture = cv2.imdecode(raw, cv2.IMREAD_COLOR).astype(np.float32)
        np.median(cv2.GaussianBlur(picture, (0, 0), 3)[::2, ::2])
        count += 1
    return count


def measure(box: Path, out: Path, **how: Any) -> dict[str, float]:
    """One run: rate between first and last result, time to the first, peak memory."""
    moments: list[float] = []

    def tell(state: Progress) -> None:
        if state.stage == "photos":
            moments.append(time.perf_counter())

    begun = time.perf_counter()
    summary = sort_photos([box], out=out, examine=examine_and_weigh, progress=tell, **how)
    again = time.perf_counter()
    second = sort_photos([box], out=out, examine=examine_and_weigh, workers=1)
    end = time.perf_counter()
    if summary.failed or second.reused != summary.photos:
        sys.exit(f"batch: {summary.failed} failed, {second.reused} of {summary.photos} reused")
    peaks = [float(p.record["peak_mb"]) for c in summary.cases for p in c.photos]
    return {
        "rate": (len(moments) - 1) / (moments[-1] - moments[0]),
        "start_s": moments[0] - begun,
        "whole_s": again - begun,
        "second_share": (end - again) / (again - begun),
        "peak_mb": max(peaks),
    }


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few photos, for CI")
    parser.add_argument("--photos", type=int, help="how many")
    args = parser.parse_args()
    count = args.photos or (16 if args.quick else 120)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        box = folder / "box"
        box.mkdir()
        size = photos(box, count)
        print(f"{count} photos, {size / count / 1000:.0f} kB each; load {os.getloadavg()[0]:.1f}")
        one = measure(box, folder / "one", workers=1)
        print(f"one worker: {one['rate']:.2f} photos/s, first after {one['start_s']:.1f} s")
        two = measure(box, folder / "two", workers=2)
        print(f"two workers: {two['rate']:.2f} photos/s")
        ceiling = plain_speedup(next(box.iterdir()))
        print(f"plain work, two processes over one: {ceiling:.2f}")
        far, wire = _on_cluster(folder, box, count)
        print(
            f"cluster of two: {far['rate']:.2f} photos/s, {wire / 1000:.0f} kB a photo on the wire"
        )
        began = time.perf_counter()
        some = sorted(box.iterdir())[:10]
        for path in some:
            fingerprint_of_file(path.read_bytes())
        hash_ms = (time.perf_counter() - began) / len(some) * 1000
    core_hours = 1e6 / one["rate"] / 3600
    print(f"a million photos: {core_hours:.0f} core hours, {wire * 1e6 / 1e9:.0f} GB on the wire")
    print(
        json.dumps(
            {
                "photos_per_s": round(one["rate"], 3),
                "speedup_2_workers": round(two["rate"] / one["rate"], 3),
                "speedup_2_plain": round(ceiling, 3),
                "speedup_cluster": round(far["rate"] / one["rate"], 3),
                "second_run_share": round(two["second_share"], 4),
                "start_s": round(one["start_s"], 2),
                "photo_kb": round(size / count / 1000, 1),
                "wire_kb_per_photo": round(wire / 1000, 1),
                "worker_peak_mb": round(max(one["peak_mb"], two["peak_mb"]), 1),
                "fingerprint_ms": round(hash_ms, 2),
                "million_core_hours": round(core_hours, 1),
                "million_wire_gb": round(wire * 1e6 / 1e9, 1),
                "million_price": [round(core_hours * price, 2) for price in CORE_HOUR_PRICE],
                "load_before": round(os.getloadavg()[0], 2),
            }
        )
    )


def _on_cluster(folder: Path, box: Path, count: int) -> tuple[dict[str, float], float]:
    place = folder / "cluster"
    place.mkdir()
    cluster = Cluster(place)
    try:
        cluster.add_worker()
        cluster.add_worker()
        cluster.wait_for(2)
        before = loopback_bytes()
        # a photo crosses twice, client to scheduler to worker; its result crosses back
        far = measure(box, folder / "far", cluster=cluster.address)
        return far, (loopback_bytes() - before) / count
    finally:
        cluster.stop()


if __name__ == "__main__":
    main()
