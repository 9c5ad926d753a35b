"""Which of the thin lines are faults of the panel: each described by numbers and weighed.

A panel's line runs straight to the border in one colour whatever the picture does; letters,
tables, hatches and reflections leave lines that look so one by one, but come in company.
The scorer is taught by ``models.train_panel`` on drawn screens.
"""

from dataclasses import replace

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.measure.lines import Line, logit
from panelvision.measure.profile import StripProfile
from panelvision.measure.scorers import load_scorers

MODEL_FILE = "lines_model.npz"
NAMES = (
    "by_rule",
    "border",
    "width",
    "length",
    "full",
    "contrast",
    "hits",
    "agreement",
    "continuity",
    "prominence",
    "reaches",
    "sigma",
    "lift",
    "coloured",
    "count",
    "count_full",
    "count_alike",
    "stronger",
    "strongest_over",
    "nearest",
    "even_spacing",
    "busy_beside",
    "busy",
    "stripes",
    "level_beside",
    "level",
    "noise",
)
# chosen: lines are alike in contrast within this factor.
_ALIKE = 1.5
# chosen: what lies beside a line is looked at over this share of the axis on both sides.
_BESIDE = 0.03


def line_numbers(profile: StripProfile, lines: tuple[Line, ...]) -> FloatArray:
    """Numbers (m, len(NAMES)) of every line; NaN where something cannot be said.

    Parameters
    ----------
    profile : StripProfile
        The one in which the lines were found.
    lines : tuple of Line
        By position.
    """
    if not lines:
        return np.zeros((0, len(NAMES)))
    n = profile.length
    place = np.array([x.position for x in lines])
    contrast = np.array([max(x.contrast, 1e-4) for x in lines])
    full = np.array([x.start <= 0 and x.end >= 1 for x in lines])
    ratio = np.abs(np.log(contrast[:, None] / contrast[None, :]))
    apart = np.abs(place[:, None] - place[None, :])
    np.fill_diagonal(apart, np.inf)
    busy = profile.along[1:-1].mean(axis=0)
    level = profile.signal[1:-1].mean(axis=(0, 2))
    fine = float(np.sqrt((profile.shared_fine**2).sum(axis=1).mean()))
    reach = max(4, round(_BESIDE * n))
    beside = [slice(max(round(x * n) - reach, 0), round(x * n) + reach) for x in place]
    one = np.ones(len(lines))
    f = {
        "by_rule": np.array([logit(x.by_rule) for x in lines]),
        "border": np.log(np.minimum(place, 1 - place) + 0.003),
        "width": np.array([x.width * n for x in lines]),
        "length": np.array([x.end - x.start for x in lines]),
        "full": full.astype(float),
        "contrast": np.log(contrast),
        "hits": np.array([x.hits for x in lines]),
        "agreement": np.array([x.agreement for x in lines]),
        "continuity": np.array([x.continuity for x in lines]),
        "prominence": np.log([max(x.prominence, 1e-2) for x in lines]),
        "reaches": np.array([x.reaches for x in lines]),
        "sigma": np.log([x.sigma * n + 0.01 for x in lines]),
        "lift": np.array([x.lift for x in lines]),
        "coloured": np.array([float(x.colour not in ("white", "black")) for x in lines]),
        "count": one * np.log(len(lines)),
        "count_full": one * np.log1p(full.sum()),
        "count_alike": np.log((ratio < np.log(_ALIKE)).sum(axis=1)),
        "stronger": np.log1p((contrast[None, :] > _ALIKE * contrast[:, None]).sum(axis=1)),
        "strongest_over": np.log(contrast.max() / contrast),
        "nearest": np.log(np.minimum(apart.min(axis=1), 1.0) + 1e-3),
        "even_spacing": _even_spacing(place),
        "busy_beside": np.array([busy[s].mean() if busy[s].size else np.nan for s in beside]),
        "busy": one * float(busy.mean()),
        "stripes": one * np.log(fine + 1e-4),
        "level_beside": np.array([level[s].mean() if level[s].size else np.nan for s in beside]),
        "level": one * float(level.mean()),
        "noise": one * np.log(profile.noise + 1e-5),
    }
    return np.stack([np.asarray(f[name], dtype=np.float64) for name in NAMES], axis=1)


def _even_spacing(place: FloatArray) -> FloatArray:
    """How far the gaps on a line's two sides are from alike, |ln ratio|; NaN at the ends."""
    out = np.full(place.size, np.nan)
    gaps = np.maximum(np.diff(place), 1e-4)
    out[1:-1] = np.abs(np.log(gaps[1:] / gaps[:-1]))
    return out


def score_lines(profile: StripProfile, lines: tuple[Line, ...]) -> tuple[Line, ...]:
    """The lines with their chance of being a fault, and whether that is enough to say so."""
    if not lines:
        return ()
    scorer = load_scorers(MODEL_FILE, NAMES)[profile.axis]
    odds = scorer.log_odds(line_numbers(profile, lines))
    return tuple(
        replace(
            line, score=float(1 / (1 + np.exp(-value))), reported=bool(value >= scorer.threshold)
        )
        for line, value in zip(lines, odds.tolist(), strict=True)
    )
