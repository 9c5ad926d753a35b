"""Bands: stretches of columns or rows that cannot be picture.

Every stretch between two full-length edges is weighed by a small learned scorer (taught by
``models.train_panel`` on drawn screens); of stretches that overlap the likeliest counts.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.lines import Line
from panelvision.measure.profile import Axis, StripProfile
from panelvision.measure.regions import beside, likeness
from panelvision.measure.scorers import load_scorers
from panelvision.measure.segments import (
    SHOWING,
    STRONG_SUPPORT,
    Piece,
    colour_kind,
    mirrored_bars,
    piece_between,
    pieces_of,
    striped_content,
    without_lines,
)
from panelvision.measure.steps import Edge, full_length_edges, straightened
from panelvision.measure.stretches import NAMES, Stretches, stretches_of

MODEL_FILE = "bands_model.npz"
# chosen: a blank piece varies over the strips by less than this signal, glow apart.
_FLAT = 0.06
# chosen: log-odds below which a stretch is not worth a second look, and how many are given one.
_LEAST_ODDS = -5.0
_MOST = 5
# chosen: stretches that share no more than this, share of the axis, only touch.
_TOUCH = 0.004
# chosen: the picture goes on across a stretch by this much more than into it.
_INTERRUPTED = 0.7


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
class Candidates:
    """What one axis offers.

    Attributes
    ----------
    profile : StripProfile
        With the tilt that its edges share taken out.
    edges : tuple of Edge
        All full-length edges, the picture's own included.
    lines : tuple of Line
        All that looked like lines, not yet weighed.
    line_profile : StripProfile
        The one in which the lines were found.
    pieces : tuple of Piece
        The screen cut at its strong edges.
    striped : bool
        The picture is made of stripes, see
        :func:`panelvision.measure.segments.striped_content`.
    stretches : Stretches
    """

    profile: StripProfile
    edges: tuple[Edge, ...]
    lines: tuple[Line, ...]
    line_profile: StripProfile
    pieces: tuple[Piece, ...]
    striped: bool
    stretches: Stretches


def candidates_of(
    profile: StripProfile, lines: tuple[Line, ...], line_profile: StripProfile
) -> Candidates:
    """Edges, pieces and stretches of a profile; ``lines`` bound no bands."""
    edges = full_length_edges(profile)
    borders = without_lines(edges, lines, profile.length)
    profile = straightened(profile, edges)
    pieces = pieces_of(profile, borders)
    return Candidates(
        profile=profile,
        edges=edges,
        lines=lines,
        line_profile=line_profile,
        pieces=pieces,
        striped=striped_content(borders, pieces),
        stretches=stretches_of(profile, borders),
    )


@dataclass(frozen=True)
class Judged:
    """A stretch with the evidence that it is a fault.

    Attributes
    ----------
    piece : Piece
    kind : str
        As :attr:`Band.kind`.
    log_odds : float
        ln(p / (1 - p)) that it is a fault.
    reported : bool
        Likely enough to be said.
    half : bool
        From one border to the middle.
    """

    piece: Piece
    kind: str
    log_odds: float
    reported: bool
    half: bool

    @property
    def score(self) -> float:
        """0..1, chance that this is a fault."""
        return float(1 / (1 + np.exp(-self.log_odds)))


def log_odds(c: Candidates) -> FloatArray:
    """ln(p / (1 - p)) of every stretch that it is a fault, (m,)."""
    return load_scorers(MODEL_FILE, NAMES)[c.profile.axis].log_odds(c.stretches.numbers)


def judge(c: Candidates, odds: FloatArray) -> tuple[Judged, ...]:
    """The likeliest stretches that do not overlap, likeliest first.

    Parameters
    ----------
    c : Candidates
    odds : ndarray of shape (m,)
        From :func:`log_odds`.
    """
    threshold = load_scorers(MODEL_FILE, NAMES)[c.profile.axis].threshold
    own = _pictures_own(c)
    found: list[Judged] = []
    for i in _not_overlapping(c.stretches, odds):
        start, end = c.stretches.span(i)
        before = c.stretches.bounds[c.stretches.first[i]]
        after = c.stretches.bounds[c.stretches.last[i]]
        noise = bool(c.stretches.noise[i])
        piece = piece_between(c.profile, c.pieces, before, after, noise=noise)
        if piece is None:
            continue
        rest = [p for p in c.pieces if p.end <= start + _TOUCH or p.start >= end - _TOUCH]
        colours = np.array([p.region.colour for p in rest]).reshape(-1, 3)
        found.append(
            Judged(
                piece=piece,
                kind=_kind(c.profile, piece, colours),
                log_odds=float(odds[i]),
                reported=bool(odds[i] >= threshold) and not own[i],
                half=_is_half(c, i),
            )
        )
    return tuple(found)


def _pictures_own(c: Candidates) -> BoolArray:
    """Stretches that are the picture's: a film's bars, stripes all over that nothing interrupts.

    Told from the shape of the whole picture, which the scorer does not see; (m,).
    """
    s = c.stretches
    own = np.zeros(len(s.first), dtype=bool)
    if c.striped:
        own |= ~s.noise & ~(s.column("interruption") > _INTERRUPTED)
    bars = [(p.start, p.end) for p in mirrored_bars(c.pieces)]
    for i in range(len(own) if bars else 0):
        start, end = s.span(i)
        own[i] |= any(abs(start - a) + abs(end - b) < _TOUCH for a, b in bars)
    return own


def _is_half(c: Candidates, i: int) -> bool:
    return c.profile.axis == "vertical" and bool(c.stretches.column("half")[i] > 0)


def _not_overlapping(stretches: Stretches, odds: FloatArray) -> list[int]:
    """The likeliest stretches, each off the likelier ones."""
    kept: list[int] = []
    for i in np.argsort(-odds, kind="stable").tolist():
        if odds[i] < _LEAST_ODDS or len(kept) >= _MOST:
            break
        start, end = stretches.span(i)
        spans = [stretches.span(k) for k in kept]
        if all(min(end, b) - max(start, a) <= _TOUCH for a, b in spans):
            kept.append(i)
    return kept


def _kind(profile: StripProfile, piece: Piece, colours: FloatArray) -> str:
    if piece.noise:
        return "noise"
    if piece.blank:
        r = piece.region
        if r.variation > _FLAT and _drawn_out(profile, piece):
            return "frozen"
        return colour_kind(r.colour, colours if len(colours) else r.colour[None])
    if piece.textured and _toned(profile, piece):
        return "toned"
    return "copy"


def band_features(c: Candidates, odds: FloatArray) -> dict[str, float]:
    """Numbers for the classifier; keys ``{columns|rows}_{name}``.

    ``*_odds`` are log-odds (``_LEAST_ODDS`` where there is none), of halves and of bands each
    by itself; shares are shares of the axis. What is the picture's own (see
    :func:`_pictures_own`) counts for ``own_odds`` only.
    """
    columns = c.profile.axis == "vertical"
    half = np.array([_is_half(c, i) for i in range(len(odds))], dtype=bool)
    own = _pictures_own(c)
    bands = _not_overlapping(c.stretches, np.where(half | own, -np.inf, odds))
    best = [float(odds[i]) for i in bands] + [_LEAST_ODDS] * 3

    def of_first(name: str) -> float:
        return float(c.stretches.column(name)[bands[0]]) if bands else float("nan")

    f = {
        "band_odds_1": best[0],
        "band_odds_2": best[1],
        "band_odds_3": best[2],
        "own_odds": max(float(odds[own].max(initial=_LEAST_ODDS)), _LEAST_ODDS),
        "band_width": of_first("width"),
        "band_goes_on": of_first("interruption"),
        "band_blank_by": of_first("texture_apart_blank"),
        "band_share": float(sum(c.stretches.column("width")[i] for i in bands if odds[i] > 0)),
        "blank_share": float(sum(p.region.width for p in c.pieces if p.blank)),
        "shown_share": float(sum(p.region.width for p in c.pieces if p.shows > SHOWING)),
        "pieces": float(len(c.pieces)),
    }
    if columns:
        f["half_odds"] = max(float(odds[half].max(initial=_LEAST_ODDS)), _LEAST_ODDS)
        f["half_over_band"] = f["half_odds"] - best[0]
    prefix = "columns" if columns else "rows"
    return {f"{prefix}_{name}": value for name, value in f.items()}


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
    wrong = [j.piece for j in judged if j.reported]
    pairs: list[tuple[Edge, Edge]] = []
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
            if overlap <= 0.3 * width and fits:
                pairs.append((a, b))
    return tuple(
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
        for a, b in _joined(pairs)
    )


def _joined(pairs: list[tuple[Edge, Edge]]) -> list[tuple[Edge, Edge]]:
    """Stretches that meet or overlap as one: which of their blocks is right is not told."""
    out: list[tuple[Edge, Edge]] = []
    for a, b in sorted(pairs, key=lambda pair: (pair[0].position, pair[1].position)):
        if out and a.position <= out[-1][1].position:
            first, last = out[-1]
            out[-1] = first, max(last, b, key=lambda edge: edge.position)
        else:
            out.append((a, b))
    return out
