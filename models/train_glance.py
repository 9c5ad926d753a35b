"""``python -m models.train_glance``: teach the network that reads a photo at a glance.

It learns on drawn photos of its own, many more than ``models.train`` measures, because a glance
takes a third of the time of all measures. What it says of a photo is one voice among the
classifier's, which is taught and calibrated on other photos: no surer there than on new ones.
"""

import argparse
import math
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import cv2
import joblib
import numpy as np

import synth
from models.glance import Example, fit_network
from models.measure import LOCATED, ORDER, SQUARED, cache_folder, mark_of, sources
from models.places import fault_places
from models.pretrained import published_weights
from models.shipping import Worth, ship, written
from panelvision.arrays import FloatArray
from panelvision.errors import ModelError, PanelvisionError
from panelvision.examine import look_at_a_glance
from panelvision.labels import SYMPTOMS
from panelvision.measure import glance_network
from panelvision.measure.glance import Glance

TARGET = Path(glance_network.__file__).with_name(glance_network.MODEL_FILE)
FIRST_SEED = 950_000_000
# chosen: the classifier's mix of labels, and more of what is no screen, which comes in more kinds.
DRAWN = (*ORDER, *("not-a-screen",) * 4)
# Photos of seeds that no network of ours has learned from say what one is worth.
JUDGED, JUDGED_SEED = 16 * len(DRAWN), 970_000_000
# What a glance depends on, beside the drawing.
SOURCES = (*SQUARED, *LOCATED, "measure/glance.py")
_PICTURES = ("screen", "frame", "places")


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.train_glance", description=__doc__)
    parser.add_argument("--count", type=int, default=24_576, help="photos to draw")
    parser.add_argument(
        "--go-on",
        action="store_true",
        help="from the network that ships: make only the second go, for whether there is a screen",
    )
    parser.add_argument("--seed", type=int, default=0, help="of the network's first numbers")
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument("--force", action="store_true", help="replace a better one all the same")
    args = parser.parse_args(argv)
    if args.count < JUDGED:
        parser.error(f"--count: at least {JUDGED} photos are needed")
    try:
        published_weights()  # told now, and not after an hour of drawing
    except PanelvisionError as fault:
        print(f"models.train_glance: {fault}", file=sys.stderr)
        return 2
    taught = drawn(args.count, jobs=args.jobs)
    judged = drawn(JUDGED, first=JUDGED_SEED, jobs=args.jobs)
    shipped = _of_shipped(judged)
    numbers = fit_network(
        taught,
        seed=args.seed,
        start=np.load(TARGET) if args.go_on else None,
        progress=lambda epoch, of, loss: print(f"  epoch {epoch}/{of}: {loss:.3f}", flush=True),
    )
    written(TARGET, numbers)  # before anything that may fail
    figures = judge(glance_network.read_network(numbers, len(SYMPTOMS)), judged)
    print(
        f"taught on {len(taught)} photos; on {len(judged)} others: top-1 {figures['top-1']:.3f}, "
        f"log loss {figures['log loss']:.3f}"
    )
    photos = f"drawing version {synth.VERSION}, measured by {sources(*SOURCES)}"
    worth = Worth("glance", figures, len(judged), photos)
    return ship(worth, {TARGET: numbers}, force=args.force, shipped=shipped)


def _of_shipped(judged: Sequence[Example]) -> dict[str, float] | None:
    """The same figures of the network that ships, on the same photos; None where there is none."""
    try:
        return judge(glance_network.load_network(), judged)
    except ModelError:
        return None


def drawn(count: int, *, jobs: int, first: int = FIRST_SEED) -> list[Example]:
    """Glances of ``count`` drawn photos, rounded up to whole shards; kept in the cache."""
    starts = [first + i * len(DRAWN) for i in range(math.ceil(count / len(DRAWN)))]
    work = joblib.Parallel(n_jobs=jobs, return_as="generator")(
        joblib.delayed(drawn_shard)(s) for s in starts
    )
    out: list[Example] = []
    for k, path in enumerate(work):
        screen, frame, places = (
            np.load(path.with_name(f"{path.stem}.{name}.npy"), mmap_mode="r") for name in _PICTURES
        )
        for i, symptom in enumerate(DRAWN):
            glance = Glance(screen[i], frame[i])
            out.append(Example(glance, places[i], SYMPTOMS.index(symptom)))
        if k % 16 == 15:
            print(f"  {len(out)} of {len(starts) * len(DRAWN)} photos", flush=True)
    return out


def drawn_shard(first: int) -> Path:
    """The glances of one shard as three files beside the path; made where they are not yet."""
    cv2.setNumThreads(1)
    made = sources(*SOURCES, by=("train_glance", "places"))
    path = cache_folder() / f"glance-{synth.VERSION}-{mark_of(DRAWN)}-{made}" / f"shard-{first}"
    files = {name: path.with_name(f"{path.stem}.{name}.npy") for name in _PICTURES}
    if all(file.exists() for file in files.values()):
        return path
    rows = [_of_one(first + k, symptom) for k, symptom in enumerate(DRAWN)]
    path.parent.mkdir(parents=True, exist_ok=True)
    for k, file in enumerate(files.values()):
        part = file.with_suffix(f".{os.getpid()}.part")
        with open(part, "wb") as to:
            np.save(to, np.stack([row[k] for row in rows]))
        os.replace(part, file)
    return path


def _of_one(seed: int, symptom: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    sample = synth.draw(seed, symptom=symptom)
    outline, glance = look_at_a_glance(sample.jpeg, name=f"seed-{seed}")
    found = None if outline is None else outline.corners
    places = fault_places(symptom, sample.changed, sample.truth["corners"], found)
    return glance.screen, glance.frame, places


def judge(network: glance_network.GlanceNetwork, examples: Sequence[Example]) -> dict[str, float]:
    """Share of right labels and mean log loss of the network's own answers, by name."""
    said: FloatArray = np.array([network.read(e.glance).log_probabilities for e in examples])
    labels = np.array([e.label for e in examples])
    right = said.argmax(axis=1) == labels
    surprise = -said[np.arange(len(labels)), labels]
    return {"top-1": float(right.mean()), "log loss": float(surprise.mean())}


if __name__ == "__main__":
    sys.exit(main())
