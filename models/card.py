"""The model card: what the classifier is made of, how good it is, and what it cannot do."""

import hashlib
import json
from pathlib import Path
from typing import Any

from panelvision.labels import SYMPTOMS

_MISSING = "[not filled in]"
# What a person saw on looking at the failures; no command can write it.
CAUSES = Path(__file__).with_name("failures_by_cause.md")


def metrics_path(folder: Path) -> Path:
    """Where the figures of every evaluated set are kept."""
    return folder / "metrics.json"


def write_card(folder: Path, card: dict[str, Any]) -> None:
    """Write ``MODEL_CARD.md`` from the artefact's card and ``metrics.json``."""
    path = metrics_path(folder)
    known = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    if card.get("held_out"):
        known["held_out"] = card["held_out"]
        known["model"] = card.get("sha256", card.get("made", _MISSING))
        path.write_text(json.dumps(known, indent=1) + "\n", encoding="utf-8")
    (folder / "MODEL_CARD.md").write_text(card_text(card, known), encoding="utf-8")


def _voices(card: dict[str, Any]) -> list[str]:
    """The members, and the network on the glance where it has a weight."""
    members = list(card.get("members", [_MISSING]))
    heard = len(card.get("weights", []))
    return [*members, "the network on the glance"] if heard > len(members) else members


def card_text(card: dict[str, Any], known: dict[str, Any]) -> str:
    """The card as Markdown."""
    lines = [
        "# Model card: symptom classifier",
        "",
        "Written by `python -m models.train` and `python -m models.evaluate`; do not edit by hand.",
        "",
        "## What it is",
        "",
        f"- Voices: {', '.join(_voices(card))}; their log-probabilities are averaged with "
        f"weights {', '.join(f'{w:.2f}' for w in card.get('weights', []))}.",
        f"- Reads {len(card.get('features', []))} measurements of one photo "
        f"(schema {card.get('evidence_version')}), gives the probabilities of "
        f"{len(SYMPTOMS)} symptoms.",
        f"- Calibrated by temperature {card.get('temperature', float('nan')):.2f} "
        "and label offsets; "
        "symptom sets keep labels with 1 - p <= "
        f"{card.get('conformal_score', float('nan')):.3f}; "
        f"below {card.get('least_probability', float('nan')):.2f} it says that it can't tell.",
        "- How likely a screen is dark is the members' answer; whether a dark one shows a faint "
        "picture is the faint detector's, whose two scores' mean shares out that part.",
        "- What the two scorers of the backlight find is added to the log-probability of dim "
        "zones (`glow_lift`).",
        "- How much a network of everyday things (EfficientNet-Lite0 as it was published but "
        "rounded to eight bits, see below) takes the photo for one of a thing without a screen is "
        "added to the log-probability of not-a-screen (`screen_lift`).",
        f"- Made {card.get('made', _MISSING)} by `{card.get('command', _MISSING)}` in "
        f"{card.get('seconds', 0) / 60:.0f} minutes on two cores, "
        "photos that were in the cache not counted.",
        *(
            [
                f"- Calibrated and judged anew {card['calibrated']} by `python -m models.train "
                "--keep`: since it was made, something that it reads, or how it is read, has "
                "changed."
            ]
            if "calibrated" in card
            else []
        ),
        "",
        "## Data recipe",
        "",
        f"- {card.get('photos', 0)} photos drawn by `synth` (drawing version "
        f"{card.get('synth_version')}), every fault equally often and dark, healthy and "
        "screenless photos more often (`MIX` in `models/measure.py`), each measured through "
        "panelvision's own pipeline with the outline that it found itself.",
        "- Split by scene into 82 % fitting, 6 % calibration, 6 % promises (symptom sets; "
        "with the calibration's, abstention and `screen_lift`) and 6 % judgement; no scene is in "
        "two parts.",
        "- The network on the glance started from the published numbers of EfficientNet-Lite0 "
        "(taught on ImageNet's photographs of everyday things; Apache License 2.0) and learned on "
        "drawn photos of other seeds (`python -m models.train_glance`); in a second go, on photos "
        "more of which show no screen, it learned to look at the whole frame for whether there is "
        "one (`--go-on`).",
        f"- The shop's own photos that joined: {', '.join(card.get('extra', [])) or 'none'}.",
        "- No photo of the evaluation folders below was used for fitting. Their statistics "
        "(contrast, noise, exposure) were printed beside the drawings' while ranges were widened, "
        "and rules of the column and row measures and the choice between two outline fits were "
        "made while looking at failures there, so figures on `renders` are optimistic. That the "
        "detector shares out the dark part was tried because dark renders were called faint where "
        "it had found nothing. With each kind of drawn torch left out of the fitting its score "
        "alone tells the two apart as well as trees on all measurements (the table of families, "
        "rows of dark screens), so it was kept; what it changes stands with each set below. The "
        "scorers of the backlight were made because lost lenses were overlooked, on the renders "
        "and as often on drawn scenes. That members do not read what the network among them says "
        "was chosen among ways alike on drawn scenes, after looking at false alarms on `photos`.",
        "- The kinds of healthy content, of things that are no screen, poses and photo sizes were "
        "widened after looking at `photos` and at the failures there, and so were the rules on "
        "when a finding is said; figures on `photos` are optimistic, too. Windows, frames and "
        "covered lenses were drawn wider after looking at the five of the eight photos without a "
        "screen in `renders` that were missed; photos cut to the screen, bare pages, dimmer edges, "
        "moire, second screens and glass over the rim after comparing drawings with `photos`. "
        "Which members ship was chosen among two fits looking at both sets. A network of everyday "
        "things is heard because photos without a screen were missed in both; its kinds with a "
        "display were chosen by what they are, its weight was fitted to drawn scenes.",
        "",
        "## Figures",
        "",
    ]
    sets = dict(known.get("sets", {}))
    columns = _columns(card, known.get("held_out"), sets)
    lines += _table_of_sets(columns, known.get("held_out"), sets)
    lines += ["", "## Recall per symptom (found / all)", ""]
    lines += _recall(columns, known.get("held_out"), sets)
    if card.get("compared"):
        lines += ["", "## Families and feature sets compared", ""]
        lines += [f"On {card.get('compared_on') or _MISSING}.", ""]
        lines += [
            "| family | features | held-out top-1 | across domains top-1 | "
            "across domains log loss |",
            "| --- | --- | --- | --- | --- |",
        ]
        lines += [
            f"| {r['family']} | {r['features']} | {_n(r['held_out_top1'])} | "
            f"{_n(r['across_domains_top1'])} | {_n(r['across_domains_log_loss'])} |"
            for r in card["compared"]
        ]
    for name, figures in sets.items():
        lines += _set_section(name, figures)
    lines += ["", "## Failures by cause", "", CAUSES.read_text(encoding="utf-8").rstrip()]
    if known.get("held_out"):
        lines += [
            "",
            "## Reliability on held-out scenes",
            "",
            "| confidence | right | photos |",
            "| --- | --- | --- |",
        ]
        lines += [f"| {c:.2f} | {a:.2f} | {n} |" for c, a, n in known["held_out"]["reliability"]]
    lines += [
        "",
        "## What it cannot do",
        "",
        "- It was taught by drawings. Real photographs differ in ways nobody drew; the table above "
        "says how much that cost on the sets it was tried on.",
        "- A wrong colour in a picture whose true colours nobody knows cannot always be told; "
        "open the set's own menu or a test page.",
        "- It reads one photo. What the set did at switch-on, its sound and its standby light are "
        "observations for the bench page, not for this model.",
        "- Curved screens, self-emitting panels, projectors and tube sets were never drawn.",
        "",
    ]
    return "\n".join(lines)


def _n(value: Any) -> str:
    return "-" if value is None else f"{value:.3f}"


def fingerprint(card: dict[str, Any]) -> str:
    """Which members, with which calibration: what figures are of."""
    parts = [card.get(key) for key in ("sha256", "temperature", "bias", "dark_split")]
    parts += [card.get(key) for key in ("conformal_score", "least_probability")]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:12]


def _columns(
    card: dict[str, Any], held_out: dict[str, Any] | None, sets: dict[str, Any]
) -> list[str]:
    """Heads of the columns; figures of another model are said to be."""
    now = fingerprint(card)
    return (["held-out synthetic scenes"] if held_out else []) + [
        name if figures.get("model") == now else f"{name} (measured with a former model)"
        for name, figures in sets.items()
    ]


def _table_of_sets(
    columns: list[str], held_out: dict[str, Any] | None, sets: dict[str, Any]
) -> list[str]:
    judged = ([held_out] if held_out else []) + [s["symptom"] for s in sets.values()]
    lines = ["| figure | " + " | ".join(columns) + " |", "| --- |" + " --- |" * len(columns)]

    def row(title: str, cells: list[str]) -> None:
        lines.append(f"| {title} | " + " | ".join(cells) + " |")

    row("photos", [str(j["photos"]) for j in judged])
    row(
        "symptom, top-1 [95 % interval]",
        [
            f"{j['top1']:.3f} [{j['top1_interval'][0]:.3f}, {j['top1_interval'][1]:.3f}]"
            for j in judged
        ],
    )
    row("log loss", [_n(j["log_loss"]) for j in judged])
    row(
        "calibration error / 95 % point of a perfect model",
        [f"{j['ece']:.3f} / {j['ece_perfect_p95']:.3f}" for j in judged],
    )
    row("90 % symptom set holds the truth", [f"{j['coverage']:.3f}" for j in judged])
    row("labels in a set, mean", [f"{j['set_size']:.2f}" for j in judged])
    row(
        "answered / right among these (held-out: by the classifier alone)",
        [f"{j['answered']:.3f} / {j['answered_right']:.3f}" for j in judged],
    )
    blank = ["-"] if held_out else []
    values = list(sets.values())
    row(
        "outline found (IoU > 0.9), wholly in frame",
        blank + [f"{s['outline']['found']}/{s['outline']['of']}" for s in values],
    )
    row(
        "median corner error, share of the diagonal",
        blank + [_n(s["outline"]["median_corner_error"]) for s in values],
    )
    row(
        "faint picture against none, area under the curve: all / clear",
        blank + [f"{_n(s['faint']['auc'])} / {_n(s['faint']['auc_clear'])}" for s in values],
    )
    row(
        "faint pictures found in dark screens without one",
        blank + [f"{s['faint']['false_alarms']}/{s['faint']['none']}" for s in values],
    )
    row(
        "band edge, median error, share of the width",
        blank
        + [
            "-"
            if s["bands"]["median_edge_error"] is None
            else f"{s['bands']['median_edge_error']:.4f}"
            for s in values
        ],
    )
    row(
        "driver count right / answered",
        blank + ["{}/{}".format(*s["bands"]["driver_count_right"]) for s in values],
    )
    row(
        "half-screen side right",
        blank + ["{}/{}".format(*s["bands"]["half_side_right"]) for s in values],
    )
    row(
        "normal photos with a fault finding",
        blank + ["{}/{}".format(*s["bands"]["normal_with_fault_finding"]) for s in values],
    )
    row(
        "panel change between two photos, area under the curve",
        blank
        + [
            f"{_n(s['change']['auc'])} ({s['change']['changed']} changed, "
            f"{s['change']['same']} not)"
            for s in values
        ],
    )
    row(
        "not-a-screen turned away",
        blank + [f"{s['turned_away']['turned_away']}/{s['turned_away']['of']}" for s in values],
    )
    row(
        "not-a-screen answered as a screen with something wrong or right",
        blank
        + [
            f"{len(s['turned_away']['answered_as_a_screen'])}/{s['turned_away']['of']}"
            if "answered_as_a_screen" in s["turned_away"]
            else "-"
            for s in values
        ],
    )
    return lines


def _recall(columns: list[str], held_out: dict[str, Any] | None, sets: dict[str, Any]) -> list[str]:
    judged = ([held_out] if held_out else []) + [s["symptom"] for s in sets.values()]
    lines = ["| symptom | " + " | ".join(columns) + " |", "| --- |" + " --- |" * len(columns)]
    for name in SYMPTOMS:
        cells = ["{}/{}".format(*j["recall"][name]) for j in judged]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return lines


def _set_section(name: str, figures: dict[str, Any]) -> list[str]:
    lines = ["", f"## Set `{name}`: failures", ""]
    rows = figures["failures"]
    lines.append(f"{len(rows)} photos with a wrong most probable label, most confident first.")
    lines += ["", "| photo | true | said | p | answered |", "| --- | --- | --- | --- | --- |"]
    lines += [
        f"| {r['file']} | {r['true']} | {r['said']} | {r['p']:.2f} | "
        f"{'yes' if r['answered'] else 'no: said it cannot tell'} |"
        for r in rows
    ]
    missed = figures["outline"]["missed"]
    lines += ["", f"Outline missed in {len(missed)}: {', '.join(missed) or 'none'}."]
    lines += [
        "",
        "What each group of measurements is worth here (top-1 lost when shuffled): "
        + ", ".join(f"{k} {v:+.3f}" for k, v in figures["groups"].items())
        + ".",
    ]
    if "without" in figures:
        lines += [
            "",
            "Top-1 and log loss "
            + ", ".join(
                f"without {k} {v['top1']:.3f} and {v['log_loss']:.3f}"
                for k, v in figures["without"].items()
            )
            + ".",
        ]
    return lines
