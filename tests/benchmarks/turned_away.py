"""What does the program say to photos that it is not for, and does it ever answer them as a screen?

``python -m tests.benchmarks.turned_away [--quick]``: photographs bundled with scikit-image and
scikit-learn (a temple, a flower, motorcycles, documents, the moon), prints of them on a wall,
cut-outs of them, frames black, grey and noisy, and boards, documents and rooms that ``synth``
draws from seeds of their own. ``turned_away``: called "not-a-screen". ``asked``: another photo
is asked for. ``answered``: answered as a screen; goal: at most 0.05 of any kind's photos.
"""

import argparse
import json
from collections import Counter
from collections.abc import Iterator
from importlib.resources import files

import cv2
import numpy as np

import synth
from panelvision.arrays import IntArray
from panelvision.examine import examine

# Bundled photographs that the drawings use neither as content nor as a surface.
_SKIMAGE = (
    "clock_motion.png",
    "horse.png",
    "moon.png",
    "motorcycle_left.png",
    "motorcycle_right.png",
    "page.png",
    "text.png",
)
_SKLEARN = ("china.jpg", "flower.jpg")
_FIRST_SEED = 950_000


def bundled() -> Iterator[tuple[str, IntArray]]:
    """Bundled photographs as RGB, at least 1200 pixels wide."""
    places = [(files("skimage.data") / name) for name in _SKIMAGE]
    places += [(files("sklearn.datasets.images") / name) for name in _SKLEARN]
    for place in places:
        data = np.frombuffer(place.read_bytes(), np.uint8)
        image = cv2.imdecode(data, cv2.IMREAD_COLOR)
        if image is None:
            raise ValueError(f"{place.name}: cannot be decoded")
        grow = max(1.0, 1200 / image.shape[1])
        yield (
            place.name,
            cv2.resize(image, None, fx=grow, fy=grow, interpolation=cv2.INTER_CUBIC)[..., ::-1],
        )


def printed(picture: IntArray, rng: np.random.Generator) -> IntArray:
    """The picture as a print with a white border on a wall, seen at an angle."""
    h, w = 1200, 1600
    wall = np.full((h, w, 3), rng.integers(90, 200, 3), np.float32)
    wall *= np.linspace(rng.uniform(0.7, 1), 1, w)[None, :, None]
    wall += cv2.GaussianBlur(rng.normal(0, 9, (h, w, 1)).astype(np.float32), (0, 0), 1)[..., None]
    border = round(0.06 * picture.shape[1])
    sheet = cv2.copyMakeBorder(
        np.ascontiguousarray(picture),
        border,
        border,
        border,
        border,
        cv2.BORDER_CONSTANT,
        value=(236, 233, 226),
    ).astype(np.float32)
    size = rng.uniform(0.45, 0.8) * np.array([w, w * sheet.shape[0] / sheet.shape[1]])
    size *= min(1.0, 0.85 * h / size[1])
    corner = (np.array([w, h]) - size) / 2
    box = corner + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size
    box += rng.normal(0, 25, (4, 2))
    source = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * sheet.shape[1::-1]
    matrix = cv2.getPerspectiveTransform(source.astype(np.float32), box.astype(np.float32))
    laid = cv2.warpPerspective(sheet, matrix, (w, h), flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.ones(sheet.shape[:2], np.float32), matrix, (w, h))[..., None]
    return np.clip(wall * (1 - mask) + laid * rng.uniform(0.75, 1) * mask, 0, 255).astype(np.uint8)


def plain(rng: np.random.Generator, kind: str) -> IntArray:
    """A frame without content: pocket, hand before the lens, sensor noise."""
    shape = (1200, 1600, 3)
    if kind == "noise":
        return rng.integers(0, 256, shape, np.uint8)
    level = {"black": rng.uniform(0, 6), "grey": rng.uniform(60, 190)}[kind]
    tint = rng.normal(1, 0.04, 3)
    return np.clip(level * tint + rng.normal(0, 2, shape), 0, 255).astype(np.uint8)


def photos(count: int) -> Iterator[tuple[str, str, bytes]]:
    """Kind, name and JPEG of every photo."""
    rng = np.random.default_rng(7)
    for name, picture in bundled():
        yield "photographs", name, _jpeg(picture)
        yield "prints on a wall", name, _jpeg(printed(picture, rng))
        h, w = (n // 2 for n in picture.shape[:2])
        for corner in range(2):
            y, x = rng.integers(0, h), rng.integers(0, w)
            yield "cut-outs", f"{name} {corner}", _jpeg(picture[y : y + h, x : x + w])
    for kind in ("black", "grey", "noise"):
        for k in range(count // 6):
            yield f"{kind} frames", f"{kind} {k}", _jpeg(plain(rng, kind))
    for k in range(2 * count):
        sample = synth.draw(_FIRST_SEED + k, symptom="not-a-screen")
        yield "drawn rooms and things", f"drawn {k}", sample.jpeg


def _jpeg(picture: IntArray) -> bytes:
    return cv2.imencode(".jpg", np.ascontiguousarray(picture[..., ::-1]))[1].tobytes()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    args = parser.parse_args()
    kinds: dict[str, Counter[str]] = {}
    named = []
    for kind, name, data in photos(6 if args.quick else 36):
        result = examine(data, name=name)
        if result.symptom == "not-a-screen":
            word = "turned_away"
        else:
            word = "answered" if result.usable else "asked"
        kinds.setdefault(kind, Counter())[word] += 1
        if word == "answered":
            named.append(f"{kind}, {name}: {result.symptom}")
    total: Counter[str] = Counter()
    for kind, counts in kinds.items():
        total += counts
        n = sum(counts.values())
        print(
            f"{kind:24s} turned away {counts['turned_away']:3d}/{n}  "
            f"asked for another {counts['asked']:3d}/{n}  answered {counts['answered']:3d}/{n}"
        )
    for line in named:
        print("  answered: " + line)
    n = sum(total.values())
    print(
        json.dumps(
            {
                "photos": n,
                "turned_away": round(total["turned_away"] / n, 4),
                "asked": round(total["asked"] / n, 4),
                "answered": round(total["answered"] / n, 4),
            }
        )
    )


if __name__ == "__main__":
    main()
