"""Bands: stretches of columns or rows that cannot be picture."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.measure.profile import Axis, StripProfile
from panelvision.measure.regions import beside, likeness
from panelvision.measure.segments import (
    STRONG_SUPPORT,
    WIDEST,
    Piece,
    colour_kind,
    interrupts,
    mirrored_bars,
)
from panelvision.measure.steps import Edge

# chosen: a blank piece varies over the strips by less than this signal, glow apart.
_FLAT = 0.06
# chosen: from this score on a band is reported as a fault.
REPORTED = 0.5


@dataclass(frozen=True)
class Band:
    """A stretch of columns (axis vertical) or rows (horizontal) that is wrong.

    Attributes
    ----------
    axis : str
        ``"vertical"`` or ``"horizontal"``.
    start, end : float
        Fractions of the active area.
    start_sigma, end_sigma : float
        Standard errors, without the outline's own; 0 at the active area's border.
    edge_sharpness : float
        0..1: 1 for edges no softer than the photo's own blur allows (two view pixels), 0
        for edges wider than 3 % of the axis; NaN if the edges could not be fitted.
    kind : str
        ``"dark"``, ``"bright"``, ``"grey"``, ``"tinted"`` (blank, one colour), ``"noise"``
        (fine stripes), ``"toned"`` (the picture goes on in another tone), ``"frozen"``
        (the picture's last line drawn out) or ``"copy"`` (picture that does not belong there: a
        copy or a ghost of another stretch).
    full_length : bool
        Runs over the whole height (width).
    score : float
        0..1, chance that this is a fault and not the picture.
    driver_blocks : int or None
        Number of driver blocks across the width; None when it can't be told.
    blocks : tuple of int
        The blocks that it covers, from 1 at the left; empty when unknown.
    """

    axis: Axis
    start: float
    end: float
    start_sigma: float
    end_sigma: float
    edge_sharpness: float
    kind: str
    full_length: bool
    score: float
    driver_blocks: int | None = None
    blocks: tuple[int, ...] = ()

    @property
    def width(self) -> float:
        """Fraction of the axis."""
        return self.end - self.start

    def to_json(self) -> dict[str, Any]:
        """For the machine-readable output."""
        sharp = self.edge_sharpness
        return {
            "axis": self.axis,
            "start": round(self.start, 5),
            "end": round(self.end, 5),
            "start_sigma": round(self.start_sigma, 5),
            "end_sigma": round(self.end_sigma, 5),
            "kind": self.kind,
            "edge_sharpness": round(sharp, 3) if np.isfinite(sharp) else None,
            "driver_blocks": self.driver_blocks,
            "block": self.blocks[0] if self.blocks else None,
            "blocks": list(self.blocks),
            "score": round(self.score, 4),
        }


@dataclass(frozen=True)
class Judged:
    """A piece with the evidence that it is a fault; ``score`` as in :class:`Band`."""

    piece: Piece
    kind: str
    score: float
    interruption: float
    contrast: float


def judge_pieces(
    profile: StripProfile,
    pieces: tuple[Piece, ...],
    *,
    striped: bool = False,
    on_grid: dict[int, bool] | None = None,
) -> tuple[Judged, ...]:
    """Weigh each piece as a fault.

    Parameters
    ----------
    profile : StripProfile
    pieces : tuple of Piece
        From :func:`panelvision.measure.segments.pieces_of`.
    striped : bool
        The picture is made of stripes, see
        :func:`panelvision.measure.segments.striped_content`.
    on_grid : dict, optional
        For columns: whether the edges of piece i fit a driver grid.
    """
    if len(pieces) < 2:
        return ()
    bars = mirrored_bars(pieces)
    shown = sum(p.region.width for p in pieces if p.textured and not p.noise)
    return tuple(
        _judge(
            profile,
            pieces,
            i,
            bars=bars,
            shown=shown,
            striped=striped,
            on_grid=(on_grid or {}).get(i),
        )
        for i in range(len(pieces))
    )


def _judge(
    profile: StripProfile,
    pieces: tuple[Piece, ...],
    i: int,
    *,
    bars: tuple[Piece, ...],
    shown: float,
    striped: bool,
    on_grid: bool | None,
) -> Judged:
    piece = pieces[i]
    others = [p for k, p in enumerate(pieces) if k != i and p not in bars and not p.noise]
    around = [pieces[k] for k in (i - 1, i + 1) if 0 <= k < len(pieces)]
    interruption = _interruption(profile, piece)
    outside = max((min(p.shows, 8.0) for p in others), default=0.0)
    contrast = float(np.log((outside + 0.5) / (piece.shows + 0.5)))
    support = min((e.support for e in (piece.before, piece.after) if e is not None), default=0.0)
    colours = np.array([p.region.colour for p in others or around])
    kind = _kind(profile, piece, colours)
    if piece.noise:
        z = 3.0
    elif piece.blank and kind == "picture":
        z = -4.0
    elif piece.blank:
        z = 3.0 * (min(contrast, 1.6) - 0.7)
        if interruption > 0.7 or (interruption > 0.5 and not striped):
            # A picture without texture (a grey scale) is interrupted all the same.
            z = max(z, -1.0) + 4.0 * interruption
        elif striped:
            z -= 5.0
    elif kind == "toned":
        # Which side of an edge is the wrong one is not said by the edge: the smaller.
        ok = piece.region.width < 0.4 and shown > 0.35 and not bars and not striped
        z = 1.0 if ok else -1.0
    else:
        z = -4.0
    z += 12.0 * min(0.0, support - 0.97)
    if on_grid is not None and not piece.noise:
        z += 0.7 if on_grid else -1.5
    if piece in bars or piece.region.width > WIDEST:
        z = -6.0
    if profile.axis == "horizontal":
        # Straps, tickers and film bars are blank and full-width at the border; only a
        # band that interrupts the picture, or draws it out, speaks for the panel.
        if piece.at_border:
            z -= 4.0
        elif kind not in ("frozen", "noise") and interruption <= 0.5:
            z -= 1.5
    return Judged(
        piece=piece,
        kind=kind,
        score=float(1 / (1 + np.exp(-z))),
        interruption=interruption,
        contrast=contrast,
    )


def _interruption(profile: StripProfile, piece: Piece) -> float:
    """How far the picture goes on across a piece without being inside it, -1..1; 0 if unknown."""
    across = interrupts(profile, piece)
    if not np.isfinite(across):
        return 0.0
    inside = [
        likeness(beside(profile, piece.start, -1), beside(profile, piece.start, +1)),
        likeness(beside(profile, piece.end, -1), beside(profile, piece.end, +1)),
    ]
    known = [v for v in inside if np.isfinite(v)]
    # A flat inside is unlike any picture.
    return float(across - max([0.0, *known]))


def _kind(profile: StripProfile, piece: Piece, colours: FloatArray) -> str:
    if piece.noise:
        return "noise"
    if piece.blank:
        r = piece.region
        if r.variation > _FLAT:
            return "frozen" if _drawn_out(profile, piece) else "picture"
        return colour_kind(r.colour, colours)
    if piece.textured and _toned(profile, piece):
        return "toned"
    return "picture"


def _drawn_out(profile: StripProfile, piece: Piece) -> bool:
    """Whether the picture's last line beside the piece is repeated all through it."""
    alike = [
        likeness(beside(profile, e.position, -1, reach=3), beside(profile, e.position, +1, reach=3))
        for e in (piece.before, piece.after)
        if e is not None
    ]
    inside = [
        likeness(beside(profile, piece.start, +1, reach=3), beside(profile, piece.end, -1, reach=3))
    ]
    # chosen: the same line at both ends of the piece, and next to one of them.
    return any(v > 0.75 for v in alike) and all(v > 0.9 for v in inside)


def _toned(profile: StripProfile, piece: Piece) -> bool:
    """The picture goes on inside, each edge one constant change of tone."""
    edges = [e for e in (piece.before, piece.after) if e is not None]
    for edge in edges:
        if not edge.agreement > 0.97 or edge.support < 0.95:
            return False
        same = likeness(beside(profile, edge.position, -1), beside(profile, edge.position, +1))
        if not same > 0.45:
            return False
    return bool(edges)


def band_of(profile: StripProfile, judged: Judged) -> Band:
    """The band that a judged piece is."""
    piece = judged.piece
    edges = [e for e in (piece.before, piece.after) if e is not None]
    return Band(
        axis=profile.axis,
        start=piece.start,
        end=piece.end,
        start_sigma=piece.before.sigma if piece.before else 0.0,
        end_sigma=piece.after.sigma if piece.after else 0.0,
        edge_sharpness=sharpness(edges, profile.length),
        kind=judged.kind,
        full_length=min((e.support for e in edges), default=0.0) >= STRONG_SUPPORT,
        score=judged.score,
    )


def sharpness(edges: list[Edge], length: int) -> float:
    """0..1 from the blur of the edges; NaN without a fitted one. See :class:`Band`."""
    widths = [e.width for e in edges if np.isfinite(e.width)]
    if not widths:
        return float("nan")
    sharp, soft = 2.0 / length, 0.03
    return float(np.clip((soft - float(np.mean(widths))) / (soft - sharp), 0.0, 1.0))


# chosen: a block that shows picture, only the wrong one, is told by its two borders alone;
# that is weaker evidence than a blank block.
_MISPLACED_SCORE = 0.65
# chosen: more full-length edges than this are the picture's own (a hatch, a checker).
_MOST_EDGES = 8
# chosen: tiles of two to four across are how split screens are cut.
_LEAST_BLOCKS = 5


def misplaced_blocks(
    profile: StripProfile, edges: tuple[Edge, ...], judged: tuple[Judged, ...], counts: list[int]
) -> tuple[Band, ...]:
    """Blocks whose picture does not fit on either side, by borders exactly one block apart.

    Parameters
    ----------
    profile : StripProfile
    edges : tuple of Edge
        Strong full-height edges that are no flanks of lines.
    judged : tuple of Judged
        Pieces that are reported already are not reported again.
    counts : list of int
        Admissible numbers of driver blocks.
    """
    if len(edges) > _MOST_EDGES:
        return ()
    wrong = [j.piece for j in judged if j.score >= REPORTED]
    out = []
    for i, a in enumerate(edges):
        for b in edges[i + 1 :]:
            width = b.position - a.position
            # A border at which all strips step alike is a change of tone, or a shape's edge.
            if min(a.agreement, b.agreement) > 0.9 or not 0 < width < 1 / _LEAST_BLOCKS + 0.01:
                continue
            overlap = sum(
                max(0.0, min(b.position, p.end) - max(a.position, p.start)) for p in wrong
            )
            fits = [
                n
                for n in counts
                if n >= _LEAST_BLOCKS
                and abs(width - 1 / n) < 0.004
                and abs(a.position - round(a.position * n) / n) < 0.006
            ]
            if overlap > 0.3 * width or not fits:
                continue
            out.append(
                Band(
                    axis=profile.axis,
                    start=a.position,
                    end=b.position,
                    start_sigma=a.sigma,
                    end_sigma=b.sigma,
                    edge_sharpness=sharpness([a, b], profile.length),
                    kind="copy",
                    full_length=True,
                    score=_MISPLACED_SCORE,
                )
            )
    return tuple(out)
