"""`python -m synth gallery|draw`: contact sheets and folders of drawn photographs."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path

from synth.batch import draw_many, write_folder
from synth.gallery import contact_sheet
from synth.picture import Sample
from synth.setup import LABELS


def main(arguments: list[str] | None = None) -> int:
    """Run one command; 0 when done, 2 for arguments that cannot be carried out."""
    parser = argparse.ArgumentParser(prog="python -m synth", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    shared = argparse.ArgumentParser(add_help=False)
    shared.add_argument(
        "--seed", type=int, default=0, help="first seed; the next photos use the next ones"
    )
    shared.add_argument(
        "--symptom", choices=list(LABELS), help="draw only this symptom (default: a mix)"
    )
    shared.add_argument("--jobs", type=int, default=1, help="worker processes")
    shared.add_argument("--quick", action="store_true", help="small photos without the slow optics")
    shared.add_argument(
        "--pairs", action="store_true", help="two frames of one dark set for each seed"
    )
    gallery = commands.add_parser(
        "gallery", parents=[shared], help="write a labelled contact sheet"
    )
    gallery.add_argument(
        "--out", type=Path, required=True, help="picture file to write (.png or .jpg)"
    )
    gallery.add_argument(
        "--count", type=int, default=None, help="photos (default: two for each symptom)"
    )
    gallery.add_argument("--outline", action="store_true", help="draw the true outline")
    draw = commands.add_parser("draw", parents=[shared], help="write photos and truth.jsonl")
    draw.add_argument("--out", type=Path, required=True, help="folder to write")
    draw.add_argument("--count", type=int, required=True, help="photos (or pairs) to draw")
    a = parser.parse_args(arguments)
    try:
        if a.command == "draw":
            seeds = list(range(a.seed, a.seed + a.count))
            done = write_folder(
                a.out,
                draw_many(seeds, jobs=a.jobs, symptom=a.symptom, quick=a.quick, pairs=a.pairs),
            )
            print(f"{done} photos and truth.jsonl written to {a.out}")
        else:
            samples: Iterator[Sample]
            if a.count is None and a.symptom is None and not a.pairs:
                samples = (
                    s
                    for k, label in enumerate(LABELS)
                    for s in draw_many(
                        [a.seed + 2 * k, a.seed + 2 * k + 1],
                        jobs=a.jobs,
                        symptom=label,
                        quick=a.quick,
                    )
                )
            else:
                seeds = list(range(a.seed, a.seed + (a.count or 20)))
                samples = draw_many(
                    seeds, jobs=a.jobs, symptom=a.symptom, quick=a.quick, pairs=a.pairs
                )
            contact_sheet(samples, a.out, outline=a.outline)
            print(f"contact sheet written to {a.out}")
    except (ValueError, OSError) as problem:
        print(f"synth: {problem}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
