"""``python -m models.ablate DIR``: what each stage of image formation is worth.

Two questions a stage, on the same seeds with it and without it:

- *harder*: a classifier taught on full drawings reads drawings of other seeds, once full and
  once without the stage. What it gains is what the stage hides.
- *learned*: a classifier taught without the stage reads full drawings of other seeds and the
  photos of ``DIR`` (a folder with a ``truth.jsonl``, from another renderer or a camera). What
  it loses against one taught on full drawings of the same seeds is what the stage teaches.
"""

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

import synth
from models.fit import FAMILIES, SHIPPABLE, fill, fit_member, log_p, medians
from models.measure import labelled_folder, synthetic
from models.table import Table, from_records
from panelvision.arrays import BoolArray
from panelvision.errors import PanelvisionError


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.ablate", description=__doc__)
    parser.add_argument("folder", type=Path, metavar="DIR")
    parser.add_argument("--count", type=int, default=512, help="photos a stage")
    parser.add_argument("--others", type=int, default=1024, help="full photos of other seeds")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stages", nargs="+", choices=synth.STAGES, default=synth.STAGES)
    args = parser.parse_args(argv)
    try:
        seen = from_records(labelled_folder(args.folder))
        both = from_records(_measured(args.count + args.others, args.seed, "full"))
        stripped = {s: from_records(_measured(args.count, args.seed, s)) for s in args.stages}
    except PanelvisionError as fault:
        print(f"models.ablate: {fault}", file=sys.stderr)
        return 2
    rows = np.arange(len(both))
    full = both.pick(rows < len(next(iter(stripped.values()))))
    others = both.pick((rows >= len(full)) & ~np.isin(both.scenes, full.scenes))
    of_full, of_others = _reader(full, args.seed), _reader(others, args.seed)
    out = {
        "count": len(full),
        "others": len(others),
        "folder": args.folder.name,
        "full": {
            "others_read_full": _share(of_others(full)),
            "full_reads_others": _share(of_full(others)),
            "full_reads_folder": _share(of_full(seen)),
        },
    }
    print(f"{'without':12s} harder, drawn        learned, drawn       learned, {args.folder.name}")
    for stage, table in stripped.items():
        reader = _reader(table, args.seed)
        found = {
            "harder": _paired(of_others(table), of_others(full)),
            "learned_drawn": _paired(of_full(others), reader(others)),
            "learned_folder": _paired(of_full(seen), reader(seen)),
        }
        out[stage] = found
        said = (f"{d:+.3f} [{a:+.3f}, {b:+.3f}]" for d, a, b in found.values())
        print(f"{stage:12s} " + "  ".join(said), flush=True)
    print(json.dumps(out))
    return 0


def _measured(count: int, seed: int, stage: str) -> list[dict[str, Any]]:
    """Records of drawn photos, full or without a stage, with a progress bar."""
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}"))
    with Progress(*columns, TimeRemainingColumn()) as bar:
        task = bar.add_task(f"draw and measure: {stage}", total=count)
        return synthetic(
            count,
            seed=seed,
            without="" if stage == "full" else stage,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )


def _reader(table: Table, seed: int) -> Callable[[Table], BoolArray]:
    """A classifier of the shipped families, taught on a table: which rows it reads right."""
    by = medians(table.values)
    members = [fit_member(f, table, by=by, seed=seed) for f in FAMILIES if f.name in SHIPPABLE]

    def right(other: Table) -> BoolArray:
        order = [other.names.index(n) for n in table.names]
        x = fill(other.values[:, order], by)
        mean = sum(log_p(member, x) for member in members)
        return np.asarray(np.asarray(mean).argmax(axis=1) == other.labels)

    return right


def _share(right: BoolArray) -> float:
    return round(float(right.mean()), 4)


def _paired(more: BoolArray, less: BoolArray) -> tuple[float, float, float]:
    """Difference of two shares of right answers to the same photos, and its 95 % interval.

    Normal approximation of paired proportions (A. Agresti, Categorical Data Analysis, 2013,
    section 11.1; from memory).
    """
    d = more.astype(float) - less.astype(float)
    half = 1.96 * float(d.std()) / np.sqrt(len(d))
    mean = float(d.mean())
    return round(mean, 4), round(mean - half, 4), round(mean + half, 4)


if __name__ == "__main__":
    sys.exit(main())
