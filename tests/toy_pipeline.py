"""A stand-in for the pipeline: quick and deterministic, for tests of queues, files and clusters.

It says nothing about vision. It must be importable by worker processes.
"""

import hashlib
import io
import os
import signal
import time
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from panelvision.labels import SYMPTOMS
from panelvision.photo import read_photo


def version() -> str:
    """A fixed version."""
    return "toy 1"


def examine(data: bytes, name: str) -> dict[str, Any]:
    """A record whose symptom follows from the photo's content; PhotoError as the real one."""
    photo = read_photo(data, name=name)
    kind = int(photo.pixels[0, 0, 0]) % len(SYMPTOMS)
    p = {label: 0.02 for label in SYMPTOMS}
    p[SYMPTOMS[kind]] = 1 - 0.02 * (len(SYMPTOMS) - 1)
    return {
        "file": name,
        "usable": True,
        "retake": [],
        "symptom": SYMPTOMS[kind],
        "symptom_probabilities": p,
        "symptom_set": [SYMPTOMS[kind]],
        "suspects": {"backlight": 0.8, "power-board": 0.2},
        "next_test": "torch",
        "seconds": 0.01,
        "faint": {"score": float("nan")},
        "digest": hashlib.sha256(data).hexdigest(),
        "pictures": {"thumbnail": "", "overlay": ""},
    }


def slow_examine(data: bytes, name: str) -> dict[str, Any]:
    """The same, a tenth of a second slower."""
    time.sleep(0.1)
    return examine(data, name)


def counted_examine(data: bytes, name: str) -> dict[str, Any]:
    """The same, and a file is left for every call in the folder that TOY_CALLS names."""
    folder = Path(os.environ["TOY_CALLS"])
    (folder / f"{os.getpid()}-{time.monotonic_ns()}").write_text(name)
    return examine(data, name)


def deadly_examine(data: bytes, name: str) -> dict[str, Any]:
    """The same, but photos called deadly kill their worker, as a decoder's crash would."""
    if "deadly" in name:
        os.kill(os.getpid(), signal.SIGKILL)
    return examine(data, name)


def failing_examine(data: bytes, name: str) -> dict[str, Any]:
    """The same, but photos called odd raise what nobody expects."""
    if "odd" in name:
        raise ZeroDivisionError("an accident\nover two lines")
    return examine(data, name)


def compare(one: bytes, two: bytes) -> dict[str, Any]:
    """A change exactly when the photos' second pixels differ."""
    a, b = (read_photo(data).pixels[0, 1, 0] for data in (one, two))
    changed = bool(a != b)
    return {"usable": True, "changed": changed, "score": 1.0, "p_value": 0.001 if changed else 0.6}


def photo(symptom: str, seed: int = 0, *, second: int = 0, form: str = "PNG") -> bytes:
    """A small photo in which `examine` sees the symptom."""
    rng = np.random.default_rng(seed + 1000 * SYMPTOMS.index(symptom))
    # smooth, so that the perceptual hash of a copy is near and of another photo is far
    coarse = rng.integers(0, 255, (8, 12, 3), dtype=np.uint8)
    image = Image.fromarray(coarse).resize((96, 64), Image.Resampling.BICUBIC)
    pixels = np.array(image)
    pixels[0, 0, 0] = SYMPTOMS.index(symptom)
    pixels[0, 1, 0] = second
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, form)
    return file.getvalue()
