"""How the files of a small scorer replace those that ship, and what a new one has to be worth.

What ships is worth what ``scorers.json`` says, which its trainer wrote: figures of photos that
what is judged never saw. A new one that is worse does not replace it unless told to; its files
stay beside those that ship, so that nothing is lost.
"""

import json
import math
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

LEDGER = Path(__file__).with_name("scorers.json")
# Figures of which less is better; of all others more is.
LESS_IS_BETTER = frozenset(("log loss", "Brier score"))
# chosen: by how much a figure may be worse, of the same photos and of others.
SLACK, SLACK_OF_OTHERS = 0.01, 0.03

Contents = Mapping[str, np.ndarray] | str


@dataclass(frozen=True)
class Worth:
    """What a scorer is worth.

    Attributes
    ----------
    scorer : str
        Its trainer's name, without ``train_``.
    figures : dict of str to float
        By name; larger is better but for those of :data:`LESS_IS_BETTER`.
    photos : str
        What they were counted on: drawing version and count.
    """

    scorer: str
    figures: dict[str, float]
    photos: str


def ship(
    worth: Worth,
    files: Mapping[Path, Contents],
    *,
    force: bool = False,
    shipped: dict[str, float] | None = None,
    ledger: Path = LEDGER,
) -> int:
    """Replace the scorer's files, all or none, and write down what it is worth.

    Parameters
    ----------
    worth : Worth
    files : mapping of path to arrays (written as ``.npz``) or text
    force : bool
        Also one that is worse.
    shipped : dict, optional
        The same figures of what ships, where it can be judged on the same photos; otherwise those
        of the ledger.

    Returns
    -------
    int
        Exit status: 0, or 1 when it was refused.
    """
    parts = {path: _written(path, contents) for path, contents in files.items()}
    worse = worse_than_shipped(worth, shipped, ledger=ledger)
    if worse and not force:
        print(
            f"refused: the {worth.scorer} scorer that ships is better ({'; '.join(worse)}); give "
            f"--force to replace it all the same. The new one is in "
            f"{', '.join(part.name for part in parts.values())}"
        )
        return 1
    for path, part in parts.items():
        os.replace(part, path)
        print(f"wrote {path.name}, {path.stat().st_size // 1024} KiB", flush=True)
    _enter(worth, ledger)
    return 0


@contextmanager
def tried_out(files: Mapping[Path, Contents]) -> Iterator[None]:
    """The files in the place of those that ship, for as long as what they are worth is counted."""
    kept = {path: path.read_bytes() if path.exists() else None for path in files}
    try:
        for path, contents in files.items():
            os.replace(_written(path, contents), path)
        yield
    finally:
        for path, data in kept.items():
            if data is None:
                path.unlink(missing_ok=True)
            else:
                part = path.with_name(f"part-{path.name}")
                part.write_bytes(data)
                os.replace(part, path)


def worse_than_shipped(
    worth: Worth, shipped: dict[str, float] | None = None, *, ledger: Path = LEDGER
) -> list[str]:
    """In what a new scorer is worse, a phrase each; empty when nothing is known of what ships."""
    slack = SLACK
    if shipped is None:
        known = _read(ledger).get(worth.scorer)
        if known is None:
            print(f"nothing is written down of the {worth.scorer} scorer that ships")
            return []
        shipped = known["figures"]
        if known["photos"] != worth.photos:
            print(f"what ships was counted on {known['photos']}, this on {worth.photos}")
            slack = SLACK_OF_OTHERS
    out = []
    for name, now in worth.figures.items():
        was = shipped.get(name)
        if was is None:
            continue
        better = was - now if name in LESS_IS_BETTER else now - was
        # A figure that could not be counted is no better than any.
        if not math.isfinite(now) or better < -slack:
            out.append(f"{name} {was:.3f} against {now:.3f}")
    return out


def _written(path: Path, contents: Contents) -> Path:
    part = path.with_name(f"part-{path.name}")
    if isinstance(contents, str):
        part.write_text(contents, encoding="utf-8")
    else:
        np.savez_compressed(part, allow_pickle=False, **contents)
    return part


def _read(ledger: Path) -> dict[str, Any]:
    try:
        known: dict[str, Any] = json.loads(ledger.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    return known


def _enter(worth: Worth, ledger: Path) -> None:
    known = _read(ledger)
    figures = {name: round(value, 4) for name, value in worth.figures.items()}
    known[worth.scorer] = {"figures": figures, "photos": worth.photos}
    part = ledger.with_name(f"part-{ledger.name}")
    text = json.dumps(dict(sorted(known.items())), indent=1) + "\n"
    part.write_text(text, encoding="utf-8")
    os.replace(part, ledger)
