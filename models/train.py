"""``python -m models.train``: draw, measure, fit, calibrate, judge, and ship the classifier.

Reproduces the artefact in ``panelvision/data``. A model that is worse than the
shipped one on the same held-out photos is refused unless ``--force`` is given.
"""

import argparse
import hashlib
import json
import os
import sys
import time
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

import synth
from models.calibrate import (
    answer_threshold,
    fit_dark_split,
    fit_glow_lift,
    fit_screen_lift,
    fit_temperature,
    set_threshold,
)
from models.card import write_card
from models.convolutions import pytorch
from models.export import pack, unpack
from models.fit import (
    FAMILIES,
    SHIPPABLE,
    Family,
    across_domains,
    across_scenes,
    baseline,
    dark_across_torches,
    feature_sets,
    fill,
    fit_member,
    log_p,
    measured_names,
    medians,
)
from models.judge import Judgement, judge_probabilities
from models.measure import MIX, SHARD, closed_cases, labelled_folder, synthetic
from models.metrics import wilson
from models.table import Split, Table, from_records, join, split_by_scene
from panelvision import __version__
from panelvision.classify import (
    DARK_SCORES,
    MODEL_FILE,
    MODEL_FORMAT,
    NOT_FOR_MEMBERS,
    SymptomModel,
    load_model,
    pool,
)
from panelvision.errors import ModelError, PanelvisionError
from panelvision.evaluators import log_softmax
from panelvision.evidence import EVIDENCE_VERSION
from panelvision.labels import SYMPTOMS
from panelvision.measure.glance_network import GLANCE_SCORES

CARD_FOLDER = Path(__file__).parent
DEFAULT_COUNT = 8192
# Not the seed of `models.train_panel`: what a scorer says of photos that it was taught with is
# surer than what it says of new ones, and the classifier would learn to trust it too much.
DEFAULT_SEED = 2
# How the card says that scenes were placed; one that says otherwise may have been fitted to ours.
SPLIT = "by a hash of the scene's number; bundled photographs are fitted to"


def main(argv: list[str] | None = None) -> int:
    """Command line of the training."""
    parser = argparse.ArgumentParser(prog="python -m models.train", description=__doc__)
    parser.add_argument("--count", type=int, default=DEFAULT_COUNT, help="photos to draw")
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="start of the seeds")
    parser.add_argument("--jobs", type=int, default=-1, help="worker processes (-1: all cores)")
    parser.add_argument(
        "--cluster", metavar="ADDRESS", help="dask scheduler to draw and measure on"
    )
    parser.add_argument(
        "--extra",
        action="append",
        default=[],
        metavar="DIR[:WEIGHT]",
        help="folder of the shop's own photos with a truth.jsonl; joins the fitting part only",
    )
    parser.add_argument(
        "--cases",
        type=float,
        metavar="WEIGHT",
        help="the shop's closed cases whose customers agreed join the fitting part too, each "
        "photo WEIGHT times as heavy as a drawn one",
    )
    parser.add_argument("--store", metavar="ADDRESS", help="case store (default: the shop's own)")
    parser.add_argument("--out", type=Path, default=MODEL_FILE, help="artefact to write")
    parser.add_argument("--compare", action="store_true", help="print the table of model families")
    parser.add_argument("--force", action="store_true", help="replace a better model all the same")
    parser.add_argument(
        "--keep",
        action="store_true",
        help="keep the shipped members: calibrate and judge them on today's measurements, write "
        "the card anew",
    )
    args = parser.parse_args(argv)
    if args.cases is not None and not args.cases > 0:
        parser.error("--cases: the weight must be above 0")
    for entry in args.extra:
        folder, weight = extra_of(entry)
        if not (np.isfinite(weight) and weight > 0):
            parser.error(f"--extra {entry}: the weight must be above 0")
        if not (folder / "truth.jsonl").is_file():
            parser.error(f"--extra {entry}: no truth.jsonl in {folder}")
    if args.count < 40 * len(SYMPTOMS):
        parser.error(f"--count: at least {40 * len(SYMPTOMS)} photos are needed for honest splits")
    try:
        pytorch()  # told now, and not after an hour of drawing
        return train(args)
    except PanelvisionError as fault:
        print(f"models.train: {fault}", file=sys.stderr)
        return 2


def train(args: argparse.Namespace) -> int:
    """Everything from drawing to writing; returns the exit status."""
    start = time.perf_counter()
    table = measure(args.count, seed=args.seed, jobs=args.jobs, cluster=args.cluster)
    split = split_by_scene(table)
    fit = with_extra(split.fit, args.extra)
    if args.cases is not None:
        fit = join(fit, from_records(closed_cases(args.store), weight=args.cases))
    split = Split(fit, split.calibrate, split.promise, split.judge)
    print(
        f"measured {len(table)} photos, {len(table.names)} features; "
        f"fit {len(split.fit)}, calibrate {len(split.calibrate)}, promise {len(split.promise)}, "
        f"judge {len(split.judge)}; {time.perf_counter() - start:.0f} s"
    )
    if args.keep:
        return _keep(args.out, split)
    compared, comparing = None, time.perf_counter()
    if args.compare:
        compared = compare_families(split, seed=args.seed)
        print(f"compared families: {time.perf_counter() - comparing:.0f} s")
    members = [f for f in FAMILIES if f.name in SHIPPABLE]
    model, data = fit_model(split, members, seed=args.seed)
    judged = judge_model(model, split.judge)
    print(judged.text("held-out synthetic scenes"))
    if not args.force and not _may_replace(args.out, split.judge, judged):
        return 1
    card = {
        "format": MODEL_FORMAT,
        "evidence_version": EVIDENCE_VERSION,
        "panelvision": __version__,
        "synth_version": synth.VERSION,
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "command": f"python -m models.train --count {args.count} --seed {args.seed}",
        "extra": [
            *(Path(e.rpartition(":")[0] or e).name for e in args.extra),
            *(["closed cases"] if args.cases is not None else []),
        ],
        "photos": len(table),
        "split": SPLIT,
        "seconds": round(time.perf_counter() - start),
        "labels": list(SYMPTOMS),
        "shares": {symptom: MIX[symptom] / SHARD for symptom in SYMPTOMS},
        "members": [f.name for f in members],
        "weights": model.weights.tolist(),
        "features": list(model.features),
        "fill": model.fill.tolist(),
        **_numbers_of(model),
        "held_out": asdict(judged),
        "compared": compared if compared is not None else _former(args.out, "compared"),
        "compared_on": f"{len(table)} photos of drawing version {synth.VERSION}"
        if compared is not None
        else _former(args.out, "compared_on"),
    }
    card = write_artefact(args.out, data, card)
    if args.out == MODEL_FILE:
        write_card(CARD_FOLDER, card)
    print(f"wrote {args.out.name}; {time.perf_counter() - start:.0f} s in all")
    return 0


def _numbers_of(model: SymptomModel) -> dict[str, Any]:
    """What was learned beside the members, for the card."""
    return {
        "temperature": model.temperature,
        "bias": model.bias.tolist(),
        "glow_lift": model.glow_lift,
        "screen_lift": model.screen_lift,
        "dark_split": model.dark_split,
        "conformal_score": model.conformal_score,
        "least_probability": model.least_probability,
    }


def measure(count: int, *, seed: int, jobs: int, cluster: str | None) -> Table:
    """The table of drawn photos, with a progress bar."""
    with Progress(
        TextColumn("drawing and measuring"),
        BarColumn(),
        TextColumn("{task.completed}/{task.total}"),
        TimeRemainingColumn(),
        disable=not sys.stderr.isatty(),
    ) as bar:
        task = bar.add_task("photos", total=count)

        def show(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)
            if not sys.stderr.isatty() and done % (16 * SHARD) == 0:
                print(f"  {done} of {total} photos", flush=True)

        records = synthetic(count, seed=seed, jobs=jobs, cluster=cluster, progress=show)
    return from_records(records)


def with_extra(table: Table, extra: list[str]) -> Table:
    """The fitting part joined by the shop's own labelled photos."""
    for entry in extra:
        folder, weight = extra_of(entry)
        table = join(table, from_records(labelled_folder(folder), weight=weight))
    return table


def extra_of(entry: str) -> tuple[Path, float]:
    """Folder and weight of ``DIR[:WEIGHT]``; a folder's own name may hold a colon."""
    folder, _, weight = entry.rpartition(":")
    if not folder or Path(entry).is_dir():
        return Path(entry), 3.0
    try:
        return Path(folder), float(weight)
    except ValueError:
        return Path(entry), 3.0


def fit_model(split: Split, members: list[Family], *, seed: int) -> tuple[SymptomModel, bytes]:
    """Fit every member, calibrate and set the promises.

    Each step has its own part of the scenes. What was fitted is packed right away, and
    calibration uses it as the program will read it; returns the model and those bytes.
    """
    by = medians(split.fit.values)
    measured = split.fit.columns(measured_names(split.fit.names))
    fitted = [fit_member(f, measured, by=medians(measured.values), seed=seed) for f in members]
    data = pack(fitted)
    readers = unpack(data, len(SYMPTOMS), len(measured.names))
    unseen = across_scenes(members, measured, seed=seed)
    if set(GLANCE_SCORES) <= set(split.fit.names):
        said = split.fit.columns(GLANCE_SCORES).values
        unseen.append(log_softmax(fill(said, medians(said))))
    # chosen: all alike. Weights that suit drawings best lean on the voice that knows them best.
    weights = np.full(len(unseen), 1 / len(unseen))
    lift = fit_glow_lift(pool(unseen, weights), split.fit)
    model = SymptomModel(
        members=tuple(readers),
        weights=weights,
        features=split.fit.names,
        fill=by,
        temperature=1.0,
        bias=np.zeros(len(SYMPTOMS)),
        glow_lift=lift,
        screen_lift=None,
        dark_split=fit_dark_split(split.fit),
        conformal_score=1.0,
        least_probability=0.0,
        card={},
        version="",
    )
    return calibrated(model, split), data


def calibrated(model: SymptomModel, split: Split) -> SymptomModel:
    """The model with its calibration fitted and its promises set, on parts of their own.

    But for the lift of the network of everyday things: few photos of a part show no screen, so its
    two numbers are fitted to both. ``split``: columns as the model has them.
    """
    model = replace(model, screen_lift=_screen_lift(model, join(split.calibrate, split.promise)))
    scores = model.log_probabilities(split.calibrate.values)
    temperature, bias = fit_temperature(scores, split.calibrate.labels)
    model = replace(model, temperature=temperature, bias=bias)
    known, promised = (
        model.probabilities(part.values) for part in (split.calibrate, split.promise)
    )
    # A share needs more photos than a quantile: on the promises' alone, only the few answers that
    # are never wrong would be sure enough. Calibration took but a handful of numbers from its own.
    both = join(split.calibrate, split.promise)
    said = np.concatenate([known, promised])
    return replace(
        model,
        conformal_score=set_threshold(promised, split.promise.labels),
        # Who names the lesser of two faults that are there says nothing false.
        least_probability=answer_threshold(said, both.naming(said.argmax(axis=1))),
    )


def _screen_lift(model: SymptomModel, table: Table) -> tuple[float, float] | None:
    """What the network of everyday things adds, before temperature and offsets are fitted to it.

    table: all parts that nothing was fitted to but the one that judges.
    """
    scores = replace(model, screen_lift=None).log_probabilities(table.values)
    temperature, bias = fit_temperature(scores, table.labels)
    lift = fit_screen_lift(scores / temperature + bias, table)
    return None if lift is None else (lift[0] * temperature, lift[1] * temperature)


def compare_families(split: Split, *, seed: int) -> list[dict[str, Any]]:
    """Every family on every feature set, judged on held-out scenes and across domains."""
    rows: list[dict[str, Any]] = []
    by = medians(split.fit.values)
    for name, columns in feature_sets(split.fit.names).items():
        for family in FAMILIES:
            x = fill(split.fit.values, by)[:, list(columns)]
            member = family.make(seed).fit(x, split.fit.labels)
            p = np.exp(log_p(member, fill(split.judge.values, by)[:, list(columns)]))
            across = across_domains(family, split.fit, columns, seed=seed)
            rows.append(
                {
                    "family": family.name,
                    "features": name,
                    "held_out_top1": float((p.argmax(axis=1) == split.judge.labels).mean()),
                    "across_domains_top1": across["top1"],
                    "across_domains_log_loss": across["log_loss"],
                }
            )
            print("  " + json.dumps(rows[-1]), flush=True)
    if set(DARK_SCORES) <= set(split.fit.names):
        dark = dark_across_torches(split.fit, seed=seed)
        print("  " + "\n  ".join(map(json.dumps, dark)), flush=True)
        rows += dark
    plain = baseline(split.fit, seed=seed)
    rows.append(
        {
            "family": "linear SVM (untuned baseline)",
            "features": "histogram of oriented gradients",
            "held_out_top1": float(
                (plain.predict(split.judge.gradients) == split.judge.labels).mean()
            ),
            "across_domains_top1": None,
            "across_domains_log_loss": None,
        }
    )
    print("  " + json.dumps(rows[-1]), flush=True)
    return rows


def write_artefact(path: Path, data: bytes, card: dict[str, Any]) -> dict[str, Any]:
    """Write the artefact and the card that vouches for its bytes; returns that card.

    A kill between the two renames leaves a pair that does not match, which loading refuses.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    card = {**card, "sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
    new_model, new_card = path.with_suffix(".npz.part"), path.with_suffix(".json.part")
    new_model.write_bytes(data)
    with open(new_card, "w", encoding="utf-8") as file:
        json.dump(card, file, indent=1)
        file.write("\n")
    os.replace(new_model, path)
    os.replace(new_card, path.with_suffix(".json"))
    load_model.cache_clear()
    return card


def judge_model(model: SymptomModel, table: Table) -> Judgement:
    """Figures of a model on photos it was not fitted to; columns as the model has them."""
    return judge_probabilities(model.probabilities(table.values), table, model)


def _may_replace(path: Path, table: Table, judged: Judgement) -> bool:
    """The gate: the shipped model, where it can be read, is judged on the same photos."""
    try:
        shipped = load_model(path)
        same = table.columns(shipped.features)
    except (ModelError, ValueError) as fault:
        return _beats_the_card(path, judged, str(fault))
    old = judge_model(shipped, same)
    if shipped.card.get("split") != SPLIT:
        print("the shipped model may have been fitted to some of these scenes: it is flattered")
    worse = worse_in(judged, old)
    if not worse:
        return True
    print(
        f"refused: the shipped model is better on the same {len(table)} held-out photos "
        f"({'; '.join(worse)}); give --force to replace it all the same, or --keep to write the "
        "shipped one's figures anew",
        file=sys.stderr,
    )
    return False


def worse_in(new: Judgement, old: Judgement) -> list[str]:
    """What a model is worse in than another on the same photos, beyond what chance would do."""

    def least(share: float, count: int) -> float:
        return wilson(round(share * count), count)[0] if count else 0.0

    answers = round(old.answered * old.photos)
    # A model that answers nothing has no share of right answers: NaN is below every bound.
    right = not answers or new.answered_right >= least(old.answered_right, answers)
    checks = {
        "log loss": (old.log_loss, new.log_loss, new.log_loss <= old.log_loss + 0.01),
        "top-1": (old.top1, new.top1, new.top1 >= old.top1 - 0.01),
        "answered": (old.answered, new.answered, new.answered >= least(old.answered, old.photos)),
        "right among the answered": (old.answered_right, new.answered_right, right),
        "symptom set": (
            old.coverage,
            new.coverage,
            new.coverage >= least(old.coverage, old.photos),
        ),
        # As calibrated as the goal asks is calibrated enough.
        "calibration error": (
            old.ece,
            new.ece,
            new.ece <= max(old.ece, new.ece_perfect_p95 + 0.02),
        ),
    }
    return [
        f"{name} {was:.3f} against {now:.3f}"
        for name, (was, now, good) in checks.items()
        if not good
    ]


def _beats_the_card(path: Path, judged: Judgement, fault: str) -> bool:
    """The gate where the shipped model cannot be run on these photos: its card stands in.

    Its figures are of other photos, or of photos as they were measured then: more is allowed.
    """
    old = _former(path, "held_out")
    if not old:
        print(f"no shipped model to compare with ({fault})")
        return True
    print(f"the shipped model cannot be judged on these photos ({fault}); its card stands in")
    if judged.log_loss <= old["log_loss"] + 0.05 and judged.top1 >= old["top1"] - 0.03:
        return True
    print(
        f"refused: the card of the shipped model has a log loss of {old['log_loss']:.3f} and a "
        f"top-1 of {old['top1']:.3f}, this one {judged.log_loss:.3f} and {judged.top1:.3f}; give "
        "--force to replace it all the same",
        file=sys.stderr,
    )
    return False


def _keep(path: Path, split: Split) -> int:
    """The shipped members with promises and figures on photos as they are measured now.

    A scorer taught anew speaks another language to the same members.
    """
    shipped = load_model(path, any_measurements=True)
    if shipped.card.get("split") != SPLIT:
        print("the shipped members may have been fitted to some of these scenes: flattered")
    parts = (split.fit, split.calibrate, split.promise, split.judge)
    shipped = _hearing(shipped, split.fit)
    same = Split(*(part.columns(shipped.features) for part in parts))
    model = calibrated(replace(shipped, dark_split=fit_dark_split(same.fit)), same)
    judged = judge_model(model, same.judge)
    print(judged.text("held-out synthetic scenes"))
    card = {
        **shipped.card,
        "evidence_version": EVIDENCE_VERSION,
        "calibrated": datetime.now(UTC).isoformat(timespec="seconds"),
        "features": list(model.features),
        "fill": model.fill.tolist(),
        **_numbers_of(model),
        "held_out": asdict(judged),
    }
    card = write_artefact(path, path.read_bytes(), card)
    if path == MODEL_FILE:
        write_card(CARD_FOLDER, card)
    return 0


def _hearing(model: SymptomModel, table: Table) -> SymptomModel:
    """The model with those measurements besides that no member reads, but what is added to them.

    They stand last, so that members find theirs where they were.
    """
    more = tuple(n for n in table.names if n in NOT_FOR_MEMBERS and n not in model.features)
    fill = np.concatenate([model.fill, medians(table.columns(more).values)])
    return replace(model, features=model.features + more, fill=fill)


def _former(path: Path, key: str) -> Any:
    try:
        return json.loads(path.with_suffix(".json").read_text(encoding="utf-8")).get(key)
    except (OSError, ValueError):
        return None


if __name__ == "__main__":
    sys.exit(main())
