"""Halves, bands and lines that run along the columns: the data side of the panel."""

from dataclasses import dataclass, replace
from typing import Any

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
    misplaced_blocks,
)
from panelvision.measure.driver_grid import (
    LAYOUT_SIGMA,
    OUTLINE_SIGMA,
    DriverGrid,
    blocks_of,
    driver_grid,
    grid_distance,
    prior,
)
from panelvision.measure.line_features import line_features
from panelvision.measure.line_scores import score_lines
from panelvision.measure.lines import Line, find_lines
from panelvision.measure.profile import (
    StripProfile,
    profile_of_signal,
    signal_of_codes,
    strip_profile,
)
from panelvision.measure.regions import region
from panelvision.measure.runs import run_features
from panelvision.measure.segments import Piece, strong
from panelvision.measure.steps import Edge
from panelvision.measure.stretches import MIDDLE
from panelvision.photo import Photo
from panelvision.squareup import ScreenView, square_up_codes

# Lines are looked for on a view up to this wide: one column of a 1920-column panel.
LINE_WIDTH = 1920


@dataclass(frozen=True)
class HalfSplit:
    """The picture on one half only.

    Attributes
    ----------
    dead_side : str
        ``"left"`` or ``"right"``.
    position : float
        Fraction of the width of the split.
    sigma : float
        Its standard error, without the outline's.
    kind : str
        What the dead half shows; as :attr:`Band.kind`.
    score : float
        0..1, chance that this is a fault.
    """

    dead_side: str
    position: float
    sigma: float
    kind: str
    score: float

    def to_json(self) -> dict[str, Any]:
        """For the machine-readable output."""
        return {
            "split": True,
            "dead_side": self.dead_side,
            "position": round(self.position, 5),
            "sigma": round(self.sigma, 5),
            "kind": self.kind,
            "score": round(self.score, 4),
        }


@dataclass(frozen=True)
class ColumnFindings:
    """What is wrong along the columns.

    Attributes
    ----------
    half : HalfSplit or None
    bands : tuple of Band
        Reported bands, left to right; the half is not among them.
    lines : tuple of Line
        Reported lines, left to right.
    grid : DriverGrid
        From the edges of the bands.
    edges : tuple of Edge
        All full-height edges, picture's own included.
    candidates : tuple of Judged
        The likeliest stretches that do not overlap, reported or not.
    line_candidates : tuple of Line
        All that looked like lines, whatever their score.
    """

    half: HalfSplit | None
    bands: tuple[Band, ...]
    lines: tuple[Line, ...]
    grid: DriverGrid
    edges: tuple[Edge, ...]
    candidates: tuple[Judged, ...]
    line_candidates: tuple[Line, ...]
    _features: dict[str, float]

    def features(self) -> dict[str, float]:
        """Scale-free numbers for the classifier; finite or NaN."""
        return dict(self._features)


def measure_columns(photo: Photo, view: ScreenView) -> ColumnFindings:
    """Measure halves, bands and lines along the columns.

    Parameters
    ----------
    photo : Photo
        For a finer view when the photo has more columns than ``view``.
    view : ScreenView
    """
    found = column_candidates(photo, view)
    odds = log_odds(found)
    scored = score_lines(found.line_profile, found.lines)
    judged = judge(found, odds)
    # Where the middle and the blocks lie is known of a screen that is seen from side to side.
    across = not (view.outline.cut[1] or view.outline.cut[3])
    half = _half(judged, found.pieces) if across else None
    reported = [band_of(found.profile, j) for j in judged if j.reported and not j.half]
    if across and not found.striped and half is None:
        edges = strong(tuple(e for e in found.stretches.bounds if e is not None))
        reported += misplaced_blocks(found.profile, edges, judged, list(prior()))
    bands = tuple(sorted(reported, key=lambda b: b.start))
    places, sigmas = [], []
    for band in bands:
        for place, sigma in ((band.start, band.start_sigma), (band.end, band.end_sigma)):
            places.append(place)
            sigmas.append(sigma)
    if half is not None:
        places.append(half.position)
        sigmas.append(half.sigma)
    off = _outline_sigma(view)
    if not across:
        places, sigmas = [], []
    grid = driver_grid(places, sigmas, bands=[(b.start, b.end) for b in bands], outline_sigma=off)
    if grid.drivers is not None:
        bands = tuple(_on_blocks(b, grid.drivers, off) for b in bands)
    if half is not None:
        half = _at_middle(half, off)
    # Among stripes a line cannot be told from one of them; the classifier still sees it.
    lines = tuple(
        line
        for line in scored
        if line.reported and not found.striped and not _inside(line.position, judged)
    )
    features = _features(found, odds, scored)
    return ColumnFindings(half, bands, lines, grid, found.edges, judged, scored, features)


def column_candidates(photo: Photo, view: ScreenView) -> Candidates:
    """Edges, lines and stretches along the columns, not yet weighed."""
    profile = strip_profile(view, "vertical")
    fine = _fine_profile(photo, view, profile)
    return candidates_of(profile, find_lines(fine), fine)


def _fine_profile(photo: Photo, view: ScreenView, profile: StripProfile) -> StripProfile:
    """Strips of a view as wide as the photo supports, or the given one if that is no finer."""
    wide = int(min(LINE_WIDTH, view.width * view.photo_px_per_view_px))
    # chosen: less than a fifth more columns shows no line that was not there before.
    if wide < 1.2 * view.width or view.margin:
        return profile
    codes, valid = square_up_codes(photo, view.outline, aspect=view.aspect, width=wide)
    return profile_of_signal(signal_of_codes(codes), valid, "vertical")


def _half(judged: tuple[Judged, ...], pieces: tuple[Piece, ...]) -> HalfSplit | None:
    halves = [j for j in judged if j.half]
    best = next((j for j in halves if j.reported or _ends_even_steps(j, pieces)), None)
    if best is None:
        return None
    left = best.piece.before is None
    edge = best.piece.after if left else best.piece.before
    assert edge is not None  # a half ends at the middle
    return HalfSplit(
        dead_side="left" if left else "right",
        position=edge.position,
        sigma=edge.sigma,
        kind=best.kind,
        score=best.score,
    )


def _ends_even_steps(judged: Judged, pieces: tuple[Piece, ...]) -> bool:
    """Whether a blank half stands where a grey scale of even steps should go on."""
    blank = judged.piece
    widths = np.array(
        [
            p.region.width
            for p in pieces
            if p.end <= blank.start + 0.004 or p.start >= blank.end - 0.004
        ]
    )
    return bool(blank.blank and widths.size >= 3 and widths.std() < 0.1 * widths.mean())


def _outline_sigma(view: ScreenView) -> float:
    """Standard error of the outline's sides as a fraction of the width."""
    wide = view.width * view.photo_px_per_view_px
    sigma = float(np.sqrt(np.mean(view.outline.sigma**2))) / wide
    # chosen: an outline is never better than 0.1 % (lens, blooming of a bright picture).
    return max(sigma, 0.001) if np.isfinite(sigma) else OUTLINE_SIGMA


def _on_blocks(band: Band, drivers: int, outline_sigma: float) -> Band:
    """The band with its edges moved to the borders of the driver blocks, where they are.

    The measured place is kept where no border is as near as the errors allow, or where both
    ends would move to the same one.
    """

    def moved(place: float, sigma: float) -> tuple[float, float]:
        border = round(place * drivers) / drivers
        error = float(np.sqrt(sigma**2 + LAYOUT_SIGMA**2 + outline_sigma**2))
        near = abs(place - border) < min(3 * error, 0.2 / drivers)
        return (border, LAYOUT_SIGMA) if near else (place, sigma)

    start, start_sigma = moved(band.start, band.start_sigma)
    end, end_sigma = moved(band.end, band.end_sigma)
    if start == end:
        return band
    return replace(
        band,
        start=start,
        end=end,
        start_sigma=start_sigma if start > 0 else 0.0,
        end_sigma=end_sigma if end < 1 else 0.0,
        driver_blocks=drivers,
        blocks=blocks_of(start, end, drivers),
    )


def _at_middle(half: HalfSplit, outline_sigma: float) -> HalfSplit:
    """The split's place from both what was measured and that the cables meet at the middle."""
    measured = 1 / (half.sigma**2 + outline_sigma**2)
    known = 1 / LAYOUT_SIGMA**2
    position = (measured * half.position + known * 0.5) / (measured + known)
    return replace(half, position=float(position), sigma=float((measured + known) ** -0.5))


def _inside(position: float, judged: tuple[Judged, ...]) -> bool:
    """Whether a position lies in noise, or on the edge of a reported piece."""
    for j in judged:
        p = j.piece
        if p.noise and p.start - 0.01 <= position <= p.end + 0.01:
            return True
        if j.reported and min(abs(position - p.start), abs(position - p.end)) < 0.006:
            return True
    return False


def _features(c: Candidates, odds: FloatArray, lines: tuple[Line, ...]) -> dict[str, float]:
    inner = [e for e in c.edges if 0.012 < e.position < 0.988]
    best = max(inner, key=lambda e: e.support * min(e.contrast, 0.2), default=None)
    middle = [e for e in inner if abs(e.position - 0.5) < MIDDLE]
    mid = max(middle, key=lambda e: e.support * e.contrast, default=None)
    f = {
        "columns_edges": float(np.log1p(len(inner))),
        "columns_edge_support": best.support if best else 0.0,
        "columns_edge_contrast": best.contrast if best else 0.0,
        "columns_edge_agreement": best.agreement if best else float("nan"),
        "columns_edge_width": best.width if best else float("nan"),
        "columns_edge_grid": float(grid_distance(best.position)[0] > 0) if best else float("nan"),
        "columns_middle_support": mid.support if mid else 0.0,
        "columns_middle_contrast": mid.contrast if mid else 0.0,
        "columns_noise_share": float(sum(p.region.width for p in c.pieces if p.noise)),
        "columns_striped": float(c.striped),
    }
    f.update(band_features(c, odds))
    f.update(_halves(c.profile))
    f.update(line_features(lines, "columns"))
    f.update(run_features(c.profile))
    return f


def _halves(profile: StripProfile) -> dict[str, float]:
    """Left half against right half, whatever the edges: what is shown, light and colour."""
    left, right = region(profile, 0.0, 0.5), region(profile, 0.5, 1.0)
    names = ("texture", "along", "across", "light", "saturation")
    if left is None or right is None:
        return {f"columns_halves_{n}": float("nan") for n in names}

    def ratio(a: float, b: float, floor: float) -> float:
        return float(abs(np.log((a + floor) / (b + floor))))

    def saturation(colour: np.ndarray) -> float:
        return float((colour.max() - colour.min()) / max(colour.max(), 0.02))

    return {
        "columns_halves_texture": ratio(left.texture, right.texture, 0.005),
        "columns_halves_along": ratio(left.along, right.along, 0.005),
        "columns_halves_across": ratio(left.across, right.across, 0.005),
        "columns_halves_light": ratio(float(left.colour.mean()), float(right.colour.mean()), 0.02),
        "columns_halves_saturation": abs(saturation(left.colour) - saturation(right.colour)),
    }
