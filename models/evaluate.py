"""``python -m models.evaluate DIR``: the accuracy table for any folder with a truth file.

Prints every figure with its uncertainty, names the failures, and puts the table
into ``metrics.json`` and the model card. Thumbnails of the worst photos go to a
folder of the user's choice, never into the repo.
"""

import argparse
import html
import json
import math
import sys
from base64 import b64encode
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import joblib
import numpy as np
from rich.progress import Progress

from models.card import fingerprint, metrics_path, write_card
from models.geometry_truth import corner_error, overlap
from models.judge import Judgement, judge_probabilities
from models.measure import labelled_folder
from models.metrics import area_under_curve, log_loss, wilson
from models.table import Table, from_records
from panelvision.arrays import FloatArray
from panelvision.classify import SymptomModel, load_model
from panelvision.errors import PanelvisionError
from panelvision.examine import judge, look
from panelvision.labels import SYMPTOMS
from panelvision.measure.change import compare_photos
from panelvision.photo import read_photo

CARD_FOLDER = Path(__file__).parent


def main(argv: list[str] | None = None) -> int:
    """Command line of the evaluation."""
    parser = argparse.ArgumentParser(prog="python -m models.evaluate", description=__doc__)
    parser.add_argument("folder", type=Path, help="photos with a truth.jsonl")
    parser.add_argument("--name", help="what to call the set in the card (default: folder name)")
    parser.add_argument(
        "--worst", type=Path, metavar="FILE", help="write an HTML page of the worst 20"
    )
    parser.add_argument("--no-card", action="store_true", help="print only; leave the card alone")
    args = parser.parse_args(argv)
    try:
        figures = evaluate(args.folder, worst=args.worst)
    except PanelvisionError as fault:
        print(f"models.evaluate: {fault}", file=sys.stderr)
        return 2
    if not args.no_card:
        name = args.name or args.folder.resolve().name
        path = metrics_path(CARD_FOLDER)
        known = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        known.setdefault("sets", {})[name] = figures
        path.write_text(json.dumps(known, indent=1) + "\n", encoding="utf-8")
        write_card(CARD_FOLDER, load_model().card)
    return 0


def evaluate(folder: Path, *, worst: Path | None = None) -> dict[str, Any]:
    """All figures of one folder, printed as they come."""
    model = load_model()
    with Progress(disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task("measuring", total=None)
        records = labelled_folder(
            folder, progress=lambda done, total: bar.update(task, completed=done, total=total)
        )
    table = from_records(records)
    vectors = table.columns(model.features)
    p = model.probabilities(vectors.values)
    judged = judge_probabilities(p, vectors, model)
    examined = _findings(folder, records)
    judged = as_answered(judged, examined, vectors)
    print(judged.text(str(folder.name)))
    figures: dict[str, Any] = {"model": fingerprint(model.card), "symptom": asdict(judged)}
    figures["outline"] = outline_figures(records)
    figures["turned_away"] = turned_away(p, vectors, examined)
    figures["faint"] = faint_figures(records, examined)
    figures["bands"] = band_figures(records, examined)
    figures["change"] = change_figures(folder, records)
    figures["failures"] = failures(p, vectors, examined)
    figures["groups"] = group_worth(model, vectors)
    for key in ("outline", "turned_away", "faint", "bands", "change"):
        print(f"  {key}: " + ", ".join(f"{k} {_short(v)}" for k, v in figures[key].items()))
    print("  what each group of measurements is worth (top-1 lost when shuffled):")
    for name, loss in figures["groups"].items():
        print(f"    {name:12s} {loss:+.3f}")
    figures["without"] = without(model, vectors)
    print(
        "  top-1 and log loss "
        + ", ".join(
            f"without {k} {v['top1']:.3f} / {v['log_loss']:.3f}"
            for k, v in figures["without"].items()
        )
    )
    print("  failures:")
    for row in figures["failures"]:
        print(f"    {row['file']}: {row['true']} taken for {row['said']} ({row['p']:.2f})")
    if worst:
        worst.write_text(worst_page(folder, p, vectors), encoding="utf-8")
        print(f"  worst twenty: {worst}")
    return figures


def _short(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_short(v) for v in value) + "]"
    return str(value)


def outline_figures(records: list[dict[str, Any]]) -> dict[str, Any]:
    """Outline found (IoU > 0.9) among screens wholly in frame, and its corner error."""
    hits = total = 0
    errors, missed = [], []
    for record in records:
        truth = record["truth"]
        if not truth.get("corners"):
            continue
        found = record["outline"]
        iou = 0.0 if found is None else overlap(np.array(found), np.array(truth["corners"]))
        if truth.get("fully_visible", True):
            total += 1
            hits += iou > 0.9
            if found is not None:
                errors.append(corner_error(np.array(found), np.array(truth["corners"])))
            if iou <= 0.9:
                missed.append(truth["file"])
    return {
        "found": hits,
        "of": total,
        "share": hits / total if total else None,
        "interval": wilson(hits, total),
        "median_corner_error": float(np.median(errors)) if errors else None,
        "missed": missed,
    }


def turned_away(p: FloatArray, table: Table, examined: Sequence["Examined"]) -> dict[str, Any]:
    """Photos without a screen: how many are called so, and how many get a screen's answer."""
    k = SYMPTOMS.index("not-a-screen")
    said = p.argmax(axis=1) == k
    true = table.labels == k
    hits, total = int((said & true).sum()), int(true.sum())
    wrong = [
        truth["file"]
        for truth, none, one in zip(table.truths, true, examined, strict=True)
        if none and one.answered and one.symptom != "not-a-screen"
    ]
    return {
        "turned_away": hits,
        "of": total,
        "interval": wilson(hits, total),
        "answered_as_a_screen": wrong,
        "screens_turned_away": int((said & ~true).sum()),
        "screens": int((~true).sum()),
    }


@dataclass(frozen=True)
class Examined:
    """What is compared with the truth of one photo; ``answered``: no other photo is asked for."""

    symptom: str
    answered: bool
    faint_score: float
    faint_found: bool
    faults_found: int
    edges: tuple[float, ...]
    drivers: int | None
    dead_side: str | None


def _findings(folder: Path, records: list[dict[str, Any]]) -> list[Examined]:
    """Every photo's examination, as the page and the command line make it."""
    return joblib.Parallel(n_jobs=-1)(
        joblib.delayed(_examined)(folder / r["truth"]["file"]) for r in records
    )


def _examined(path: Path) -> Examined:
    cv2.setNumThreads(1)
    result = judge(look(path))
    evidence = result.look.evidence
    grid, half = evidence.columns.grid, evidence.columns.half
    return Examined(
        symptom=result.symptom,
        answered=result.usable,
        faint_score=evidence.faint.score,
        faint_found=evidence.faint.found,
        faults_found=len(result.findings_of_fault),
        edges=tuple(x for band in evidence.columns.bands for x in (band.start, band.end)),
        drivers=None if grid is None else grid.drivers,
        dead_side=None if half is None else half.dead_side,
    )


def as_answered(judged: Judgement, examined: Sequence[Examined], table: Table) -> Judgement:
    """The judgement with answers as the program gives them.

    It asks for another photo not only where it is unsure: also where the photo's quality, its
    outline, or the faintest picture that would have been found do not carry an answer.
    """
    answered = np.array([e.answered for e in examined])
    right = np.array(
        [e.symptom == SYMPTOMS[k] for e, k in zip(examined, table.labels, strict=True)]
    )
    return replace(
        judged,
        answered=float(answered.mean()),
        answered_right=float(right[answered].mean()) if answered.any() else float("nan"),
    )


def faint_figures(records: list[dict[str, Any]], examined: Sequence[Examined]) -> dict[str, Any]:
    """Faint picture against none: area under the curve over all, and over the clear ones."""
    score: dict[str, list[float]] = defaultdict(list)
    clear: list[float] = []
    false_alarms = 0
    for record, result in zip(records, examined, strict=True):
        truth = record["truth"]
        if truth["symptom"] not in ("faint-image", "no-image"):
            continue
        # Not looked for on a screen that is seen to be lit: nothing found.
        scored = result.faint_score if math.isfinite(result.faint_score) else -math.inf
        score[truth["symptom"]].append(scored)
        if truth["symptom"] == "no-image":
            false_alarms += result.faint_found
        elif (truth.get("faint_snr_feature") or 0) >= 5:
            clear.append(scored)
    negative = score["no-image"]
    return {
        "faint": len(score["faint-image"]),
        "none": len(negative),
        "auc": area_under_curve(np.array(score["faint-image"]), np.array(negative)),
        "clear": len(clear),
        "auc_clear": area_under_curve(np.array(clear), np.array(negative)),
        "false_alarms": false_alarms,
        "false_alarm_interval": wilson(false_alarms, len(negative)),
    }


def band_figures(records: list[dict[str, Any]], examined: Sequence[Examined]) -> dict[str, Any]:
    """Band edges, driver count, half side, and normal photos with a fault finding."""
    edge_errors: list[float] = []
    counts = {"answered": 0, "right": 0}
    halves = {"right": 0, "of": 0}
    alarmed: list[str] = []
    normals = 0
    for record, result in zip(records, examined, strict=True):
        truth = record["truth"]
        if truth["symptom"] == "normal":
            normals += 1
            if result.faults_found:
                alarmed.append(truth["file"])
        if truth["symptom"] == "vertical-bands" and truth.get("band_edges"):
            for true in {x for band in truth["band_edges"] for x in band}:
                if 0.005 < true < 0.995:
                    gaps = [abs(true - x) for x in result.edges]
                    edge_errors.append(min(gaps) if gaps else 1.0)
            if truth.get("drivers") and result.drivers is not None:
                counts["answered"] += 1
                counts["right"] += result.drivers == truth["drivers"]
        if truth["symptom"] == "half-screen":
            side = truth.get("bad_side")
            if side in ("left", "right"):
                halves["of"] += 1
                halves["right"] += result.dead_side == side
    return {
        "edges": len(edge_errors),
        "median_edge_error": float(np.median(edge_errors)) if edge_errors else None,
        "driver_count_right": [counts["right"], counts["answered"]],
        "half_side_right": [halves["right"], halves["of"]],
        "normal_with_fault_finding": [len(alarmed), normals],
        "alarmed": alarmed,
    }


def change_figures(folder: Path, records: list[dict[str, Any]]) -> dict[str, Any]:
    """Panel change between the two photos of each pair."""
    pairs: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for record in records:
        if record["truth"].get("pair_id") is not None:
            pairs[str(record["truth"]["pair_id"])].append(record["truth"])
    changed: list[float] = []
    same: list[float] = []
    whole = [m for m in pairs.values() if len(m) == 2]
    scores = joblib.Parallel(n_jobs=-1)(
        joblib.delayed(_change_score)(*(folder / t["file"] for t in members)) for members in whole
    )
    for members, score in zip(whole, scores, strict=True):
        (changed if members[0].get("changed") else same).append(score)
    return {
        "changed": len(changed),
        "same": len(same),
        "auc": area_under_curve(np.array(changed), np.array(same)),
    }


def _change_score(first: Path, second: Path) -> float:
    cv2.setNumThreads(1)
    score = compare_photos(read_photo(first), read_photo(second)).score
    # Not measurable counts as no evidence of a change.
    return score if np.isfinite(score) else -10.0


def failures(p: FloatArray, table: Table, examined: Sequence[Examined]) -> list[dict[str, Any]]:
    """Every photo whose most probable label is wrong, most confident mistakes first."""
    best = p.argmax(axis=1)
    rows = [
        {
            "file": truth["file"],
            "true": truth["symptom"],
            "said": SYMPTOMS[best[i]],
            "p": round(float(p[i, best[i]]), 3),
            "p_true": round(float(p[i, table.labels[i]]), 3),
            "answered": examined[i].answered,
        }
        for i, truth in enumerate(table.truths)
        if best[i] != table.labels[i]
    ]
    return sorted(rows, key=lambda row: -row["p"])


def group_worth(model: SymptomModel, table: Table, *, repeats: int = 5) -> dict[str, float]:
    """Top-1 lost when one group of measurements is shuffled between photos (Breiman 2001)."""
    rng = np.random.default_rng(0)
    right = (model.probabilities(table.values).argmax(axis=1) == table.labels).mean()
    groups: dict[str, list[int]] = defaultdict(list)
    for i, name in enumerate(table.names):
        groups[name.split("_")[0]].append(i)
    worth = {}
    for name, columns in groups.items():
        losses = []
        for _ in range(repeats):
            shuffled = table.values.copy()
            shuffled[:, columns] = shuffled[rng.permutation(len(table))][:, columns]
            top = model.probabilities(shuffled).argmax(axis=1)
            losses.append(right - (top == table.labels).mean())
        worth[name] = round(float(np.mean(losses)), 4)
    return dict(sorted(worth.items(), key=lambda item: -item[1]))


def without(model: SymptomModel, table: Table) -> dict[str, dict[str, float]]:
    """The model with one of its voices taken away; the others keep their proportions."""
    silenced = {
        "the detector's share": replace(model, dark_split=None),
        "the backlight's scorers": replace(model, glow_lift=None),
        "the network of everyday things": replace(model, screen_lift=None),
    }
    for k, name in enumerate([*model.card["members"], "network on the glance"]):
        weights = np.where(np.arange(len(model.weights)) == k, 0.0, model.weights)
        if weights.any():
            silenced[f"the {name}"] = replace(model, weights=weights / weights.sum())
    out = {}
    for name, other in silenced.items():
        p = other.probabilities(table.values)
        out[name] = {
            "top1": float((p.argmax(axis=1) == table.labels).mean()),
            "log_loss": log_loss(p, table.labels),
        }
    return out


def worst_page(folder: Path, p: FloatArray, table: Table) -> str:
    """A self-contained HTML page of the twenty photos with the least probability of the truth."""
    true_p = p[np.arange(len(table)), table.labels]
    rows = []
    for i in np.argsort(true_p)[:20]:
        truth = table.truths[i]
        photo = read_photo(folder / truth["file"])
        pixels = photo.pixels if photo.pixels.dtype == np.uint8 else (photo.pixels // 257)
        size = (360, max(1, round(360 * photo.height / photo.width)))
        small = cv2.resize(pixels.astype(np.uint8), size, interpolation=cv2.INTER_AREA)
        data = cv2.imencode(".jpg", small[..., ::-1])[1].tobytes()
        said = SYMPTOMS[int(p[i].argmax())]
        rows.append(
            f'<figure><img alt="" src="data:image/jpeg;base64,{b64encode(data).decode()}">'
            f"<figcaption>{html.escape(truth['file'])}<br>true {truth['symptom']} "
            f"({true_p[i]:.2f})<br>said {said} ({p[i].max():.2f})</figcaption></figure>"
        )
    return (
        "<!doctype html><meta charset=utf-8><title>Worst twenty</title>"
        "<style>body{font:16px sans-serif;display:flex;flex-wrap:wrap;gap:12px}"
        "figure{margin:0;width:360px}</style>" + "".join(rows)
    )


if __name__ == "__main__":
    sys.exit(main())
