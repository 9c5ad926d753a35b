"""Does a verdict survive harmless changes of the photo, and does it never flip to another sure one?

``python -m tests.benchmarks.stability [--quick] [--folder DIR]``: examines photos as they are
and after each change. ``kept``: the same symptom, and still answered where it was answered.
``same_symptom``: the same symptom, answered or not. ``flipped_confident``: another symptom, both
answered. Goals: kept at least 0.9, flipped at most 0.02.
"""

import argparse
import io
import json
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps

import synth
from panelvision.examine import Examination, examine
from panelvision.labels import SYMPTOMS


def _bytes(image: Image.Image, quality: int = 92) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


def _scaled(image: Image.Image, factor: float) -> Image.Image:
    size = (round(image.width * factor), round(image.height * factor))
    return image.resize(size, Image.Resampling.LANCZOS)


def _cropped(image: Image.Image, share: float) -> Image.Image:
    dx, dy = round(image.width * share), round(image.height * share)
    return image.crop((dx, dy, image.width - dx, image.height - dy))


def _brightness(image: Image.Image, factor: float) -> Image.Image:
    return Image.fromarray(np.clip(np.asarray(image) * factor, 0, 255).astype(np.uint8))


# A mirrored photo stays the same symptom (only its left and right change places); a quarter
# turn is what a phone without its orientation tag sends.
CHANGES: dict[str, Callable[[Image.Image], bytes]] = {
    "scaled to 0.7": lambda i: _bytes(_scaled(i, 0.7)),
    "recompressed at 50": lambda i: _bytes(i, 50),
    "cropped by 2 %": lambda i: _bytes(_cropped(i, 0.02)),
    "mirrored": lambda i: _bytes(ImageOps.mirror(i)),
    "darker by 15 %": lambda i: _bytes(_brightness(i, 0.85)),
    "brighter by 10 %": lambda i: _bytes(_brightness(i, 1.10)),
    "turned by 90 degrees": lambda i: _bytes(i.transpose(Image.Transpose.ROTATE_90)),
}


def pictures(folder: Path | None, count: int) -> Iterator[tuple[str, Image.Image]]:
    """Photos of the folder, or drawn ones, upright."""
    if folder is None:
        for i in range(count):
            sample = synth.draw(900_000 + i, symptom=SYMPTOMS[i % len(SYMPTOMS)])
            yield f"drawn {i}", _upright(io.BytesIO(sample.jpeg))
        return
    lines = (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    names = [json.loads(line)["file"] for line in lines]
    for name in names[:: max(1, len(names) // count)]:
        yield name, _upright(folder / name)


def _upright(source: io.BytesIO | Path) -> Image.Image:
    with Image.open(source) as image:
        return ImageOps.exif_transpose(image).convert("RGB")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--count", type=int)
    args = parser.parse_args()
    count = args.count or (13 if args.quick else 65)
    outcome: dict[str, Counter[str]] = {name: Counter() for name in CHANGES}
    flips = []
    for name, image in pictures(args.folder, count):
        before = examine(_bytes(image), name=name)
        for change, apply in CHANGES.items():
            after = examine(apply(image), name=name)
            word = _compare(before, after)
            outcome[change][word] += 1
            if word == "flipped":
                flips.append(f"{name}, {change}: {before.symptom} -> {after.symptom}")
    total: Counter[str] = Counter()
    for change, counts in outcome.items():
        total += counts
        n = sum(counts.values())
        print(
            f"{change:22s} kept {counts['kept'] / n:.3f}  says less {counts['less'] / n:.3f}  "
            f"other, unsure {counts['unsure'] / n:.3f}  flipped {counts['flipped'] / n:.3f}"
        )
    for line in flips:
        print("  " + line)
    n = sum(total.values())
    print(
        json.dumps(
            {
                "kept": round(total["kept"] / n, 4),
                "same_symptom": round((total["kept"] + total["less"]) / n, 4),
                "says_less": round(total["less"] / n, 4),
                "flipped_confident": round(total["flipped"] / n, 4),
                "trials": n,
            }
        )
    )


def _compare(before: Examination, after: Examination) -> str:
    if after.symptom == before.symptom:
        return "kept" if after.usable or not before.usable else "less"
    return "flipped" if before.usable and after.usable else "unsure"


if __name__ == "__main__":
    main()
