"""``python -m models.ablate DIR``: what each stage of image formation is worth.

Two questions a stage, on the same seeds with it and without it:

- *harder*: a classifier taught on full drawings reads drawings of other seeds, once full and
  once without the stage. What it gains is what the stage hides.
- *learned*: a classifier taught without the stage reads full drawings of other seeds and the
  photos of ``DIR`` (a folder with a ``truth.jsonl``, from another renderer or a camera). What
  it loses against one taught on full drawings of the same seeds is what the stage teaches.

And one that needs no drawing: the share of right answers by what both sets' truths tell of a
photo (how large the screen is in it, blur, light, compression), and what the drawn photos would
give if they were as often large, sharp and lit as those of ``DIR``.
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
    # Neither the classifier's seed nor that of `models.train_panel`, whose scorers are surer of
    # what they were taught with.
    parser.add_argument("--seed", type=int, default=3)
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
    out["conditions"] = _conditions(others, of_full(others), seen, of_full(seen))
    print(json.dumps(out))
    return 0


# chosen: borders that part the drawn photos into about equal shares.
_CONDITIONS: dict[str, tuple[Callable[[dict[str, Any]], float | None], tuple[float, ...]]] = {
    "screen's width, px": (lambda t: _across(t), (400.0, 700.0, 1000.0)),
    "blur, px of 1600": (lambda t: _blur(t), (0.7, 1.2)),
    "JPEG quality": (lambda t: t.get("jpeg_quality"), (75.0, 88.0)),
    "room light, lx": (lambda t: t.get("ambient_lux"), (0.3, 15.0)),
}


def _across(truth: dict[str, Any]) -> float | None:
    corners = truth.get("corners")
    return None if not corners else float(np.hypot(*np.subtract(corners[1], corners[0])))


def _blur(truth: dict[str, Any]) -> float | None:
    blur = truth.get("blur")
    if not blur:
        return None
    # A motion of length L blurs along one direction like a Gaussian of sigma L / sqrt(12).
    sigma = float(np.hypot(blur["defocus_px"], blur["motion_px"] / np.sqrt(12)))
    return sigma * 1600 / max(truth["size"])


def _conditions(
    drawn: Table, drawn_right: BoolArray, seen: Table, seen_right: BoolArray
) -> dict[str, Any]:
    """Right answers by condition in both sets, and the drawn share under the other's mix."""
    out: dict[str, Any] = {}
    print(f"\nright by condition: drawn {_share(drawn_right)}, photos {_share(seen_right)}")
    for name, (value, borders) in _CONDITIONS.items():
        groups = [
            np.array([-1 if v is None else int(np.searchsorted(borders, v)) for v in map(value, t)])
            for t in (drawn.truths, seen.truths)
        ]
        rows: list[tuple[int, int, float, int, float | None]] = []
        mixed = 0.0
        for k in range(-1, len(borders) + 1):
            a, b = groups[0] == k, groups[1] == k
            if not a.any():
                continue
            other = _share(seen_right[b]) if b.any() else None
            rows.append((k, int(a.sum()), _share(drawn_right[a]), int(b.sum()), other))
            mixed += float(b.mean()) * float(drawn_right[a].mean())
        out[name] = {"borders": borders, "rows": rows, "drawn_in_the_mix": round(mixed, 4)}
        print(f"  {name}: drawn in the photos' mix {mixed:.3f}")
        for k, n, share, m, of_photos in rows:
            low = "-" if k < 1 else f"{borders[k - 1]:g}"
            high = "-" if k in (-1, len(borders)) else f"{borders[k]:g}"
            place = "unknown" if k < 0 else f"{low} to {high}"
            print(f"    {place:14s} drawn {share:.3f} of {n}, photos {of_photos} of {m}")
    return out


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
