"""Time and memory of one photo's way, as a ratio to plain work on the same file.

``python -m tests.benchmarks.speed [--quick]``: draws two 12-megapixel photos, one of a lit set
and one of a dark set, in which a faint picture and the faintest one that would have been found are
looked for; examines them warm, and compares with ``cv2.imdecode`` plus CLAHE of the same bytes in
the same run, once for each examination, so that a busy host slows both. ``examine_over_floor`` is
the lit set's, ``dark_examine_over_floor`` the dark set's. ``examine_over_own_floor`` compares with
plain work in a process of its own that does nothing else.
Stages run beside each other: "decode" holds the search for the screen on the JPEG's draft.
"""

import argparse
import io
import json
import resource
import subprocess
import sys
import time

import cv2
import numpy as np
from PIL import Image

import synth
from panelvision.examine import examine


def large_photo(width: int, height: int, seed: int, symptom: str = "vertical-bands") -> bytes:
    """A drawn photo enlarged to the wanted size with fresh noise, as JPEG bytes."""
    sample = synth.draw(seed, symptom=symptom, size=(1600, 1200))
    small = np.array(Image.open(io.BytesIO(sample.jpeg)).convert("RGB"))
    big = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    big += np.random.default_rng(seed).normal(0, 3, big.shape[:2])[..., None]
    buffer = io.BytesIO()
    Image.fromarray(np.clip(big, 0, 255).astype(np.uint8)).save(buffer, "JPEG", quality=90)
    return buffer.getvalue()


def plain_work(data: bytes) -> float:
    """Seconds of plain work: decode the file and apply CLAHE to its luma."""
    start = time.perf_counter()
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    cv2.createCLAHE(2.0, (8, 8)).apply(grey)
    return time.perf_counter() - start


def plain_work_alone(data: bytes, repeats: int) -> float:
    """Median seconds of plain work in a fresh process."""
    code = (
        "import sys; from tests.benchmarks.speed import plain_work;"
        "data = sys.stdin.buffer.read();"
        f"times = sorted(plain_work(data) for _ in range({repeats}));"
        "print(times[len(times) // 2])"
    )
    done = subprocess.run([sys.executable, "-c", code], input=data, capture_output=True, check=True)
    return float(done.stdout.split()[-1])


def first_answer_seconds() -> float:
    """Import and model load of a fresh process, up to being ready for the first photo."""
    code = (
        "from panelvision.examine import examine;"
        "from panelvision.classify import load_model; load_model()"
    )
    times = []
    for _ in range(3):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True)
        times.append(time.perf_counter() - start)
    return min(times)


def peak_memory_mb(data: bytes) -> float:
    """Peak resident memory of a fresh process that examines the photo once.

    Read from Linux's /proc, whose figure begins anew with the program; that of getrusage keeps
    the peak of the process that started it.
    """
    code = (
        "import sys; from panelvision.examine import examine;"
        "examine(sys.stdin.buffer.read(), name='a.jpg');"
        "[kb] = [x.split()[1] for x in open('/proc/self/status') if x.startswith('VmHWM')];"
        "print(int(kb) / 1024)"
    )
    done = subprocess.run([sys.executable, "-c", code], input=data, capture_output=True, check=True)
    return float(done.stdout.split()[-1])


def timed(data: bytes, repeats: int) -> tuple[float, float, dict[str, float]]:
    """Median seconds of plain work, of the examination, and of its stages; printed as well."""
    examine(data, name="warm.jpg")
    floors, times, stages = [], [], []
    for _ in range(repeats):
        floors.append(plain_work(data))
        result = examine(data, name="a.jpg")
        times.append(result.seconds)
        stages.append(result.look.seconds)
    floor, took = float(np.median(floors)), float(np.median(times))
    print(f"{result.symptom}: plain work {floor:.3f} s, examine {took:.3f} s")
    stage = {k: round(float(np.median([s[k] for s in stages])), 4) for k in stages[0]}
    for name, seconds in sorted(stage.items(), key=lambda item: -item[1]):
        print(f"  {name:12s} {seconds:.3f} s")
    return floor, took, stage


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    args = parser.parse_args()
    repeats = 3 if args.quick else 9
    data = large_photo(4000, 3000, seed=11)
    print(f"12-megapixel photo, {len(data) / 1e6:.1f} MB of JPEG")
    own_floor = plain_work_alone(data, repeats)
    floor, took, stage = timed(data, repeats)
    dark_floor, dark_took, dark_stage = timed(
        large_photo(4000, 3000, seed=13, symptom="faint-image"), repeats
    )
    out = {
        "examine_s": round(took, 4),
        "floor_s": round(floor, 4),
        "examine_over_floor": round(took / floor, 2),
        "dark_examine_over_floor": round(dark_took / dark_floor, 2),
        "examine_over_own_floor": round(took / own_floor, 2),
        "peak_mb": round(peak_memory_mb(data), 1),
        "first_answer_s": round(first_answer_seconds(), 2),
        "stages": stage,
        "dark_stages": dark_stage,
    }
    if not args.quick:
        out["peak_mb_48_megapixels"] = round(peak_memory_mb(large_photo(8000, 6000, seed=12)), 1)
    out["own_peak_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)
    print(json.dumps(out))


if __name__ == "__main__":
    main()
