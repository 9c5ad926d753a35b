"""Halves, bands and lines that run along the columns: the data side of the panel."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from panelvision.measure.bands import (
    REPORTED,
    Band,
    Judged,
    band_of,
    judge_pieces,
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
from panelvision.measure.lines import Line, find_lines
from panelvision.measure.profile import StripProfile, profile_of, strip_profile
from panelvision.measure.regions import region
from panelvision.measure.runs import run_features
from panelvision.measure.segments import Piece, pieces_of, striped_content, strong, without_lines
from panelvision.measure.steps import Edge, full_length_edges, straightened
from panelvision.photo import Photo
from panelvision.squareup import ScreenView, square_up

# chosen: how far a split may lie from the middle and still be the middle: the outline's
# error of 0.5 % of the diagonal is 0.6 % of the width.
_MIDDLE = 0.012
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
        Every stretch between strong edges and how it was judged.
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
    profile = strip_profile(view, "vertical")
    edges = full_length_edges(profile)
    candidates = find_lines(_fine_profile(photo, view, profile))
    borders = without_lines(edges, candidates, profile.length)
    profile = straightened(profile, edges)
    pieces = pieces_of(profile, borders)
    striped = striped_content(borders, pieces)
    judged = judge_pieces(profile, pieces, striped=striped, on_grid=_on_grid(pieces))
    half = _half(pieces, judged)
    reported = [
        band_of(profile, j)
        for j in judged
        if j.score >= REPORTED and (half is None or not _is_half(j.piece))
    ]
    if not striped and half is None:
        reported += misplaced_blocks(profile, strong(borders), judged, list(prior()))
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
    grid = driver_grid(places, sigmas, bands=[(b.start, b.end) for b in bands], outline_sigma=off)
    if grid.drivers is not None:
        bands = tuple(_on_blocks(b, grid.drivers) for b in bands)
    if half is not None:
        half = _at_middle(half, off)
    # Among stripes a line cannot be told from one of them; the classifier still sees it.
    lines = tuple(
        line
        for line in candidates
        if line.score >= REPORTED and not striped and not _inside(line.position, judged)
    )
    features = _features(profile, edges, judged, half, candidates, striped)
    return ColumnFindings(half, bands, lines, grid, edges, judged, candidates, features)


def _fine_profile(photo: Photo, view: ScreenView, profile: StripProfile) -> StripProfile:
    """Strips of a view as wide as the photo supports, or the given one if that is no finer."""
    wide = int(min(LINE_WIDTH, view.width * view.photo_px_per_view_px))
    # chosen: less than a fifth more columns shows no line that was not there before.
    if wide < 1.2 * view.width or view.margin:
        return profile
    fine = square_up(photo, view.outline, aspect=view.aspect, width=wide)
    return profile_of(fine.linear, fine.valid, "vertical")


def _on_grid(pieces: tuple[Piece, ...]) -> dict[int, bool]:
    out = {}
    for i, p in enumerate(pieces):
        inner = [e.position for e in (p.before, p.after) if e is not None]
        # Where the two cables meet is a border of every grid; the outline's error shifts it.
        out[i] = _is_half(p) or (bool(inner) and all(grid_distance(x)[0] > 0 for x in inner))
    return out


def _is_half(piece: Piece) -> bool:
    if piece.before is None and piece.after is not None:
        return abs(piece.end - 0.5) < _MIDDLE
    if piece.after is None and piece.before is not None:
        return abs(piece.start - 0.5) < _MIDDLE
    return False


def _half(pieces: tuple[Piece, ...], judged: tuple[Judged, ...]) -> HalfSplit | None:
    best: HalfSplit | None = None
    for j in judged:
        piece = j.piece
        if not _is_half(piece):
            continue
        score = j.score
        left = piece.before is None
        steps = sum(1 for p in pieces if p is not piece) - 1
        if piece.blank and steps >= 2:
            # Even steps (a grey scale) that stop at the middle are picture on one half.
            score = max(score, 0.6 if _even_steps(pieces, piece) else 0.0)
        if score < REPORTED or (best is not None and score <= best.score):
            continue
        edge = piece.after if left else piece.before
        assert edge is not None  # _is_half: the inner edge exists
        best = HalfSplit(
            dead_side="left" if left else "right",
            position=edge.position,
            sigma=edge.sigma,
            kind=j.kind,
            score=score,
        )
    return best


def _outline_sigma(view: ScreenView) -> float:
    """Standard error of the outline's sides as a fraction of the width."""
    wide = view.width * view.photo_px_per_view_px
    sigma = float(np.sqrt(np.mean(view.outline.sigma**2))) / wide
    # chosen: an outline is never better than 0.1 % (lens, blooming of a bright picture).
    return max(sigma, 0.001) if np.isfinite(sigma) else OUTLINE_SIGMA


def _on_blocks(band: Band, drivers: int) -> Band:
    """The band with its edges moved to the borders of the driver blocks, where they are.

    The measured place is kept where no border is near.
    """

    def moved(place: float, sigma: float) -> tuple[float, float]:
        border = round(place * drivers) / drivers
        near = abs(place - border) < 0.2 / drivers
        return (border, LAYOUT_SIGMA) if near else (place, sigma)

    start, start_sigma = moved(band.start, band.start_sigma)
    end, end_sigma = moved(band.end, band.end_sigma)
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


def _even_steps(pieces: tuple[Piece, ...], dead: Piece) -> bool:
    """Whether the other half is cut into even steps, so that the dead half should be too."""
    widths = np.array([p.region.width for p in pieces if p is not dead])
    return bool(widths.size >= 3 and widths.std() < 0.1 * widths.mean())


def _inside(position: float, judged: tuple[Judged, ...]) -> bool:
    """Whether a position lies in noise, or on the edge of a reported piece."""
    for j in judged:
        p = j.piece
        if p.noise and p.start - 0.01 <= position <= p.end + 0.01:
            return True
        if j.score >= REPORTED and min(abs(position - p.start), abs(position - p.end)) < 0.006:
            return True
    return False


def _features(
    profile: StripProfile,
    edges: tuple[Edge, ...],
    judged: tuple[Judged, ...],
    half: HalfSplit | None,
    lines: tuple[Line, ...],
    striped: bool,
) -> dict[str, float]:
    inner = [e for e in edges if 0.012 < e.position < 0.988]
    best = max(inner, key=lambda e: e.support * min(e.contrast, 0.2), default=None)
    middle = [e for e in inner if abs(e.position - 0.5) < _MIDDLE]
    mid = max(middle, key=lambda e: e.support * e.contrast, default=None)
    pieces = [j.piece for j in judged]
    scores = sorted((j.score for j in judged), reverse=True) + [0.0] * 3
    f = {
        "columns_edges": float(np.log1p(len(inner))),
        "columns_edge_support": best.support if best else 0.0,
        "columns_edge_contrast": best.contrast if best else 0.0,
        "columns_edge_agreement": best.agreement if best else float("nan"),
        "columns_edge_width": best.width if best else float("nan"),
        "columns_edge_grid": float(grid_distance(best.position)[0] > 0) if best else float("nan"),
        "columns_middle_support": mid.support if mid else 0.0,
        "columns_middle_contrast": mid.contrast if mid else 0.0,
        "columns_half_score": half.score if half else 0.0,
        "columns_band_score_1": scores[0],
        "columns_band_score_2": scores[1],
        "columns_band_score_3": scores[2],
        "columns_blank_share": float(sum(p.region.width for p in pieces if p.blank)),
        "columns_noise_share": float(sum(p.region.width for p in pieces if p.noise)),
        "columns_shown_share": float(sum(p.region.width for p in pieces if p.shows > 2.5)),
        "columns_pieces": float(len(pieces)),
        "columns_striped": float(striped),
        "columns_interruption": max((j.interruption for j in judged), default=0.0),
        "columns_blank_contrast": max((j.contrast for j in judged if j.piece.blank), default=0.0),
    }
    f.update(_halves(profile))
    f.update(line_features(lines, "columns"))
    f.update(run_features(profile))
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
