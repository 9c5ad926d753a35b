"""Bands and lines that run along the rows: the gate side of the panel."""

from dataclasses import dataclass

import numpy as np

from panelvision.measure.bands import REPORTED, Band, Judged, band_of, judge_pieces
from panelvision.measure.line_features import line_features
from panelvision.measure.lines import Line, find_lines
from panelvision.measure.profile import StripProfile, strip_profile
from panelvision.measure.runs import run_features
from panelvision.measure.segments import pieces_of, striped_content, without_lines
from panelvision.measure.steps import Edge, full_length_edges, straightened
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
        Every stretch between strong edges and how it was judged.
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
    profile = strip_profile(view, "horizontal")
    edges = full_length_edges(profile)
    candidates = find_lines(profile)
    borders = without_lines(edges, candidates, profile.length)
    profile = straightened(profile, edges)
    pieces = pieces_of(profile, borders)
    judged = judge_pieces(profile, pieces, striped=striped_content(borders, pieces))
    bands = tuple(band_of(profile, j) for j in judged if j.score >= REPORTED)
    lines = tuple(line for line in candidates if line.score >= REPORTED)
    return RowFindings(
        bands, lines, edges, judged, candidates, _features(profile, edges, judged, candidates)
    )


def _features(
    profile: StripProfile,
    edges: tuple[Edge, ...],
    judged: tuple[Judged, ...],
    lines: tuple[Line, ...],
) -> dict[str, float]:
    inner = [e for e in edges if 0.02 < e.position < 0.98]
    best = max(inner, key=lambda e: e.support * min(e.contrast, 0.2), default=None)
    scores = sorted((j.score for j in judged), reverse=True) + [0.0] * 2
    pieces = [j.piece for j in judged]
    f = {
        "rows_edges": float(np.log1p(len(inner))),
        "rows_edge_support": best.support if best else 0.0,
        "rows_edge_contrast": best.contrast if best else 0.0,
        "rows_edge_agreement": best.agreement if best else float("nan"),
        "rows_edge_width": best.width if best else float("nan"),
        "rows_band_score_1": scores[0],
        "rows_band_score_2": scores[1],
        "rows_blank_share": float(sum(p.region.width for p in pieces if p.blank)),
        "rows_frozen_share": float(sum(j.piece.region.width for j in judged if j.kind == "frozen")),
        "rows_noise_share": float(sum(p.region.width for p in pieces if p.noise)),
        "rows_interruption": max((j.interruption for j in judged), default=0.0),
        "rows_pieces": float(len(pieces)),
    }
    f.update(line_features(lines, "rows"))
    f.update(run_features(profile))
    return f
