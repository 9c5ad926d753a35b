"""How the files of a small scorer replace those that ship, and what a new one has to be worth.

What ships is worth what ``scorers.json`` says, which its trainer wrote: figures of photos that
what is judged never saw. A new one that is worse beyond chance does not replace it unless told
to; its files are put aside in the cache folder, so that nothing is lost.
"""

import json
import math
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from models.measure import cache_folder
from panelvision.errors import ModelError

LEDGER = Path(__file__).with_name("scorers.json")
# Figures of which less is better; of all others, which are shares and areas, more is.
LESS_IS_BETTER = frozenset(("log loss", "Brier score"))
# chosen: by how much a figure may be worse whatever it was counted on, and, where chance is not
# told by a formula, where it was counted on other photos.
SLACK, SLACK_OF_OTHERS = 0.01, 0.03
# One-sided 95 % point of a normal distribution (textbook).
_SURE = 1.645

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
    count : int
        Photos that they were counted on.
    photos : str
        Which these are: what drew and what measured them.
    """

    scorer: str
    figures: dict[str, float]
    count: int
    photos: str


def ship(
    worth: Worth,
    files: Mapping[Path, Contents],
    *,
    force: bool = False,
    shipped: dict[str, float] | None = None,
    ledger: Path = LEDGER,
) -> int:
    """Replace the scorer's files and write down what it is worth.

    Parameters
    ----------
    worth : Worth
    files : mapping of path to arrays (written as ``.npz``) or text
        All are written before the first is replaced.
    force : bool
        Also one that is worse.
    shipped : dict, optional
        The same figures of what ships, where it can be judged on the same photos; otherwise those
        of the ledger.

    Returns
    -------
    int
        Exit status: 0, or 1 when it was refused.

    Raises
    ------
    ModelError
        When the ledger cannot be read; the new files are put aside.
    """
    parts = {path: written(path, contents) for path, contents in files.items()}
    try:
        worse = worse_than_shipped(worth, shipped, ledger=ledger)
    except ModelError as fault:
        raise ModelError(f"{fault}; the new files are in {_put_aside(parts)}") from None
    if worse and not force:
        print(
            f"refused: the {worth.scorer} scorer that ships is better ({'; '.join(worse)}); give "
            f"--force to replace it all the same. The new one is in {_put_aside(parts)}"
        )
        return 1
    for path, part in parts.items():
        os.replace(part, path)
        print(f"wrote {path.name}, {path.stat().st_size // 1024} KiB", flush=True)
    _enter(worth, ledger, forced=bool(worse))
    return 0


def worse_than_shipped(
    worth: Worth, shipped: dict[str, float] | None = None, *, ledger: Path = LEDGER
) -> list[str]:
    """In what a new scorer is worse, a phrase each; empty when nothing is known of what ships.

    On other photos, a share or an area may be worse by what chance does: its standard error is at
    most sqrt(a (1 - a) / n) (J. A. Hanley and B. J. McNeil, Radiology 143 (1982), 29-36, for an
    area with as many of both kinds; from memory).
    """
    out = [f"{name} could not be counted" for name, v in worth.figures.items() if not _finite(v)]
    same = shipped is not None
    if shipped is None:
        known = _read(ledger).get(worth.scorer)
        if known is None:
            print(f"nothing is written down of the {worth.scorer} scorer that ships")
            return out
        shipped = known["figures"]
        same = known["photos"] == worth.photos and known["count"] == worth.count
        if not same:
            print(f"what ships was counted on other photos: {known['count']}, {known['photos']}")
    for name, was in shipped.items():
        now = worth.figures.get(name)
        if now is None:
            out.append(f"{name} was not counted")
        elif _finite(now):
            better = was - now if name in LESS_IS_BETTER else now - was
            if better < -_allowed(name, was, worth.count, same=same):
                out.append(f"{name} {was:.3f} against {now:.3f}")
    return out


def _allowed(name: str, was: float, count: int, *, same: bool) -> float:
    if same:
        return SLACK
    if name in LESS_IS_BETTER:
        return SLACK_OF_OTHERS
    return max(SLACK, _SURE * math.sqrt(2 * max(was * (1 - was), 0.0) / max(count, 1)))


def _finite(value: float) -> bool:
    return math.isfinite(value)


def written(path: Path, contents: Contents) -> Path:
    """A file beside another, to replace it; no hash and no package takes it for one of its own."""
    part = path.with_name(f"{path.name}.part")
    if isinstance(contents, str):
        part.write_text(contents, encoding="utf-8")
    else:
        with open(part, "wb") as to:
            np.savez_compressed(to, allow_pickle=False, **contents)
    return part


def _put_aside(parts: Mapping[Path, Path]) -> Path:
    aside = cache_folder() / "refused"
    aside.mkdir(parents=True, exist_ok=True)
    for path, part in parts.items():
        shutil.move(part, aside / path.name)
    return aside


def _read(ledger: Path) -> dict[str, Any]:
    try:
        known: dict[str, Any] = json.loads(ledger.read_text(encoding="utf-8"))
        for entry in known.values():
            float(entry["count"]), str(entry["photos"])
            if not all(_finite(float(v)) for v in entry["figures"].values()):
                raise ValueError("not a number")
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as fault:
        raise ModelError(f"{ledger.name}: cannot be read ({fault}); put it right") from None
    return known


def _enter(worth: Worth, ledger: Path, *, forced: bool) -> None:
    known = _read(ledger)
    before = known.get(worth.scorer, {})
    figures = {name: round(v, 4) for name, v in worth.figures.items() if _finite(v)}
    if not forced and before.get("photos") == worth.photos:
        # What was reached stands: a little worse again and again must not add up.
        for name, was in before["figures"].items():
            if name in figures:
                best = min if name in LESS_IS_BETTER else max
                figures[name] = best(was, figures[name])
    known[worth.scorer] = {"figures": figures, "count": worth.count, "photos": worth.photos}
    part = written(ledger, json.dumps(dict(sorted(known.items())), indent=1) + "\n")
    os.replace(part, ledger)
