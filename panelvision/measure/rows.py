"""Bands and lines that run along the rows: the gate side of the panel."""

from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.measure.bands import (
    Band,
    Candidates,
    Judged,
    band_features,
    band_of,
    candidates_of,
    judge,
    log_odds,
)
from panelvision.measure.combs import comb_features
from panelvision.measure.line_features import line_features
from panelvision.measure.line_scores import score_lines
from panelvision.measure.lines import Line, find_lines
from panelvision.measure.profile import strip_profile
from panelvision.measure.runs import run_features
from panelvision.measure.steps import Edge
from panelvision.photo import Photo
from panelvision.squareup import ScreenView


@dataclass(frozen=True)
class RowFindings:
    """What is wrong along the rows.

    Attributes
    ----------
    bands : tuple of Band
        Reported bands, top to bottom.
    lines : tuple of Line
        Reported lines, top to bottom.
    edges : tuple of Edge
        All full-width edges, the picture's own included.
    candidates : tuple of Judged
        The likeliest stretches that do not overlap, reported or not.
    line_candidates : tuple of Line
        All that looked like lines, whatever their score.
    """

    bands: tuple[Band, ...]
    lines: tuple[Line, ...]
    edges: tuple[Edge, ...]
    candidates: tuple[Judged, ...]
    line_candidates: tuple[Line, ...]
    _features: dict[str, float]

    def features(self) -> dict[str, float]:
        """Scale-free numbers for the classifier; finite or NaN."""
        return dict(self._features)


def measure_rows(photo: Photo, view: ScreenView) -> RowFindings:
    """Measure bands and lines along the rows."""
    found = row_candidates(view)
    odds = log_odds(found)
    judged = judge(found, odds)
    scored = score_lines(found.line_profile, found.lines)
    bands = [band_of(found.profile, j) for j in judged if j.reported]
    return RowFindings(
        tuple(sorted(bands, key=lambda b: b.start)),
        tuple(line for line in scored if line.reported),
        found.edges,
        judged,
        scored,
        _features(found, odds, scored),
    )


def row_candidates(view: ScreenView) -> Candidates:
    """Edges, lines and stretches along the rows, not yet weighed."""
    profile = strip_profile(view, "horizontal")
    return candidates_of(profile, find_lines(profile), profile)


def _features(c: Candidates, odds: FloatArray, lines: tuple[Line, ...]) -> dict[str, float]:
    inner = [e for e in c.edges if 0.02 < e.position < 0.98]
    best = max(inner, key=lambda e: e.support * min(e.contrast, 0.2), default=None)
    f = {
        "rows_edges": float(np.log1p(len(inner))),
        "rows_edge_support": best.support if best else 0.0,
        "rows_edge_contrast": best.contrast if best else 0.0,
        "rows_edge_agreement": best.agreement if best else float("nan"),
        "rows_edge_width": best.width if best else float("nan"),
    }
    f.update(band_features(c, odds))
    f.update(line_features(lines, "rows"))
    f.update(run_features(c.profile))
    f.update(comb_features(c.line_profile))
    return f
