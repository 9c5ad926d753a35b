"""The screen split at its full-length edges, and which of the pieces cannot be picture.

Three things make a piece a fault rather than content: it shows nothing (or noise, or a
copy, or the picture in another tone) while the rest shows a picture; its edges are sharp
and run through everything; and it is not one of the shapes that films, old programmes
and menus make (bars that mirror each other, stripes all over).
"""

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from scipy.ndimage import uniform_filter1d

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.lines import Line
from panelvision.measure.profile import StripProfile
from panelvision.measure.regions import Region, region
from panelvision.measure.steps import LEAST_SUPPORT, Edge
from panelvision.order_statistics import median

# chosen: an edge of a fault is there in nearly every strip: 0.85 lets a subtitle or the
# panel's own corner hide a few.
STRONG_SUPPORT = 0.85
# chosen: three code values; weaker steps are the camera's blocks and the panel's mura.
STRONG_CONTRAST = 3.0 / 255
# chosen: nearer to the ends an edge is the active area's own border.
BORDER = 0.012
# chosen: narrower pieces are lines, not bands (two views of one block of 96 are wider).
LEAST_BAND = 0.012
# chosen: see Piece.shows; between 2 and 2.5 it is not said either way.
BLANK, SHOWING = 2.0, 2.5
# chosen: noise stripes: fine structure above six code values that all strips share.
_STRIPE_RMS = 6.0 / 255
_STRIPE_CONSTANCY = 0.6
# chosen: a wider wrong stretch than a half and the outline's error is not one fault's.
WIDEST = 0.52
# chosen: a stretch of noise narrower than this is a group of lines.
_LEAST_NOISE = 0.025


@dataclass(frozen=True)
class Piece:
    """One stretch between two strong edges.

    Attributes
    ----------
    region : Region
    before, after : Edge or None
        Its edges; None at the active area's border.
    shows : float
        How much is shown: 1 unit each for a texture of 3 %, for 3 % of pixels changing
        along the axis, and (columns only: rows can be drawn out) for a spread over the
        strips of 2 % beyond what all pieces have. Below 2 nothing is shown, above 2.5
        something is.
    textured : bool
        Something is shown by texture alone, whatever the strips as a whole do.
    noise : bool
        Fine stripes through all strips.
    """

    region: Region
    before: Edge | None
    after: Edge | None
    shows: float
    textured: bool
    noise: bool

    @property
    def start(self) -> float:
        """Fraction of the active area."""
        return self.region.start

    @property
    def end(self) -> float:
        """Fraction of the active area."""
        return self.region.end

    @property
    def blank(self) -> bool:
        """Nothing is shown."""
        return self.shows < BLANK and not self.noise

    @property
    def at_border(self) -> bool:
        """Touches the start or the end of the axis."""
        return self.before is None or self.after is None


def strong(edges: tuple[Edge, ...]) -> tuple[Edge, ...]:
    """Edges that can bound a fault: strong, present nearly everywhere, off the border."""
    return tuple(
        e
        for e in edges
        if e.support >= STRONG_SUPPORT
        and e.contrast >= STRONG_CONTRAST
        and e.reaches >= 0.5
        and BORDER < e.position < 1 - BORDER
    )


def without_lines(edges: tuple[Edge, ...], lines: tuple[Line, ...], n: int) -> tuple[Edge, ...]:
    """The edges that are not the two flanks of a thin line with the same picture on both sides."""
    # chosen: a flank lies within half the line and three pixels of blur.
    flanks = [
        (line.position, line.width / 2 + 4 / n)
        for line in lines
        if line.hits > 0.7 and line.end - line.start > 0.6 and line.continuity > 0.6
    ]
    return tuple(
        e for e in edges if all(abs(e.position - place) > reach for place, reach in flanks)
    )


def noise_stretches(profile: StripProfile) -> tuple[tuple[float, float], ...]:
    """Stretches filled with fine stripes that run through all strips, as fractions."""
    n = profile.length
    # Rows: lines of text are as fine and as long; no fault of the gate side looks so.
    if profile.strips < 8 or n < 60 or profile.axis == "horizontal":
        return ()
    shared = profile.shared_fine
    # chosen: judged over about one fiftieth of the axis, several stripes wide.
    window = max(9, n // 50)
    loud = (np.abs(shared).max(axis=1) > _STRIPE_RMS / 2).astype(float)
    power = uniform_filter1d((shared**2).sum(axis=1), window)
    filled = uniform_filter1d(loud, window)
    # A lone edge or line has fine structure too: stripes change sign many times in a window.
    sign = np.sign(shared @ np.array([1.0, 1.0, 1.0]))
    turns = uniform_filter1d((np.abs(np.diff(sign, append=sign[-1])) > 1).astype(float), 2 * window)
    mask = (power > _STRIPE_RMS**2) & (filled > 0.5) & (turns > 0.1)
    stretches = []
    for lo, hi in _runs(mask, gap=window):
        # The window reaches half its width beyond the stripes at either end.
        lo, hi = lo + window // 2, hi - window // 2
        if (hi - lo) / n >= _LEAST_NOISE:
            stretches.append((lo / n, hi / n))
    return tuple(stretches)


def _periodic(profile: StripProfile, start: float, end: float) -> bool:
    """Whether the stripes between two positions repeat: noise does not, a hatch does."""
    n = profile.length
    part = profile.shared_fine[round(start * n) : round(end * n)].mean(axis=1)
    part = part - part.mean()
    if part.size < 24:
        return False
    power = float((part**2).sum())
    lags = range(5, part.size // 3)
    likeness = [
        float((part[lag:] * part[:-lag]).sum()) / max(power, 1e-12) * part.size / (part.size - lag)
        for lag in lags
    ]
    # chosen: random stripes of n / 3 independent values stay below 0.5 nearly always.
    return max(likeness, default=0.0) > 0.55


def _runs(mask: BoolArray, *, gap: int) -> list[tuple[int, int]]:
    """Runs of true values as (first, past the last), joined over gaps up to ``gap``."""
    at = np.flatnonzero(mask)
    if at.size == 0:
        return []
    cut = np.flatnonzero(np.diff(at) > gap)
    first = np.concatenate([[at[0]], at[cut + 1]])
    last = np.concatenate([at[cut], [at[-1]]])
    return [(int(a), int(b) + 1) for a, b in zip(first, last, strict=True)]


def noise_bounds(profile: StripProfile, edges: tuple[Edge, ...]) -> list[tuple[Edge, Edge]]:
    """The two edges of every stretch of noise, the outermost ones near its ends."""
    n = profile.length
    found = []
    for start, end in noise_stretches(profile):
        reach = 12 / n
        first = [e for e in edges if abs(e.position - start) < reach]
        last = [e for e in edges if abs(e.position - end) < reach]
        left = min(first, key=lambda e: e.position) if first else _rough(profile, start)
        right = max(last, key=lambda e: e.position) if last else _rough(profile, end)
        r = region(profile, left.position, right.position)
        if r is None or r.stripes < _STRIPE_RMS or r.constancy < _STRIPE_CONSTANCY:
            continue
        # Wider than any two neighbouring blocks of a set, or a regular pattern: a test picture.
        if r.width > WIDEST or _periodic(profile, left.position, right.position):
            continue
        found.append((left, right))
    return found


def pieces_of(profile: StripProfile, edges: tuple[Edge, ...]) -> tuple[Piece, ...]:
    """The stretches between strong edges, in order; noise is kept in one piece."""
    lines = list(strong(edges))
    noisy = []
    n = profile.length
    for left, right in noise_bounds(profile, edges):
        lo, hi = left.position, right.position
        lines = [e for e in lines if not lo - 2 / n < e.position < hi + 2 / n]
        lines += [e for e in (left, right) if BORDER < e.position < 1 - BORDER]
        noisy.append((lo, hi))
    lines.sort(key=lambda e: e.position)
    bounds: list[Edge | None] = [None, *lines, None]
    found = []
    for a, b in pairwise(bounds):
        start = a.position if a else 0.0
        end = b.position if b else 1.0
        r = region(profile, start, end) if end - start >= LEAST_BAND else None
        if r is not None:
            found.append((r, a, b))
    # The camera's bars vary all pieces alike; what a piece varies beyond that is picture.
    # chosen: bars seldom exceed 5 % of signal.
    common = min(0.05, min((r.variation for r, _, _ in found), default=0.0))
    out = []
    for r, a, b in found:
        middle = 0.5 * (r.start + r.end)
        noise = any(lo <= middle <= hi for lo, hi in noisy)
        out.append(_piece(profile, r, a, b, common=common, noise=noise))
    return tuple(out)


def piece_between(
    profile: StripProfile,
    pieces: tuple[Piece, ...],
    before: Edge | None,
    after: Edge | None,
    *,
    noise: bool,
) -> Piece | None:
    """The piece between any two edges; None where it is too narrow to describe."""
    start = before.position if before else 0.0
    end = after.position if after else 1.0
    r = region(profile, start, end)
    if r is None:
        return None
    common = min(0.05, r.variation, *(p.region.variation for p in pieces))
    return _piece(profile, r, before, after, common=common, noise=noise)


def _piece(
    profile: StripProfile,
    r: Region,
    before: Edge | None,
    after: Edge | None,
    *,
    common: float,
    noise: bool,
) -> Piece:
    shows = r.texture / 0.03 + r.along / 0.03
    textured = shows >= SHOWING
    if profile.axis == "vertical":
        shows += max(r.variation - common - 0.01, 0.0) / 0.02
    return Piece(r, before, after, shows=shows, textured=textured, noise=noise)


def _rough(profile: StripProfile, position: float) -> Edge:
    """The end of a stretch of noise where no edge was found: its place is known roughly."""
    strips = profile.strips
    return Edge(
        position=position,
        # chosen: a quarter of the window in which stripes are looked for.
        sigma=0.005,
        tilt=0.0,
        support=1.0,
        contrast=_STRIPE_RMS,
        agreement=float("nan"),
        width=float("nan"),
        steps=np.zeros((strips, 3)),
        present=np.ones(strips, dtype=bool),
        reaches=1.0,
    )


def mirrored_bars(pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
    """The two blank pieces at the two ends that a film or an old programme leaves."""
    if len(pieces) < 3:
        return ()
    first, last = pieces[0], pieces[-1]
    if first.before is not None or last.after is not None or not (first.blank and last.blank):
        return ()
    # chosen: two bars agree in width within 5 % of the axis (the outline may be off) and in
    # colour within 15 % of signal (it changes with the angle of view); two dead blocks at both
    # ends, filled alike, are rarer.
    apart = np.abs(first.region.colour - last.region.colour).max()
    alike = abs(first.region.width - last.region.width) < 0.05 and apart < 0.15
    return (first, last) if alike else ()


def striped_content(edges: tuple[Edge, ...], pieces: tuple[Piece, ...]) -> bool:
    """Whether the picture itself is made of upright stripes, so that stripes are no fault.

    Told by full-length edges that something in the picture covers for a part (a fault's
    are covered by nothing), by even steps from side to side, or by nothing but stripes.
    """
    # chosen: three covered edges of one sign; a menu's border is one or two.
    covered = [
        e
        for e in edges
        if LEAST_SUPPORT <= e.support < STRONG_SUPPORT
        and e.contrast > 0.1
        and e.agreement > 0.85
        and BORDER < e.position < 1 - BORDER
    ]
    if len(covered) >= 3 or _even_colours(pieces):
        return True
    shown = sum(p.region.width for p in pieces if p.textured and not p.noise)
    if shown >= 0.35:
        return False
    if len(pieces) >= 5:
        widths = np.array([p.region.width for p in pieces])
        middle = float(median(widths))
        if np.sum(widths[np.abs(widths - middle) < 0.1 * middle]) > 0.7:
            return True
    return sum(1 for p in pieces if p.blank) >= 3


def _even_colours(pieces: tuple[Piece, ...]) -> bool:
    """Whether the pieces are flat in two strong colours, or mostly flat in four: colour bars.

    A hand or a board in front of a part of them is let pass: a stretch is flat when most
    of its strips have one colour. Dead blocks of one set are filled alike.
    """
    flat = [p.region.colour for p in pieces if p.blank and np.ptp(p.region.colour) > 0.3]
    if any(float(np.abs(a - b).max()) > 0.3 for a, b in combinations(flat, 2)):
        return True
    colours: list[FloatArray] = []
    covered = 0.0
    for p in pieces:
        seen = p.region.strip_colours[np.isfinite(p.region.strip_colours).all(axis=1)]
        middle = p.region.colour
        # chosen: 8 % of signal is one colour under a backlight's glow.
        if p.noise or float((np.abs(seen - middle).max(axis=1) < 0.08).mean()) < 0.55:
            continue
        covered += p.region.width
        if all(float(np.abs(middle - c).max()) > 0.15 for c in colours):
            colours.append(middle)
    return len(colours) >= 4 and covered > 0.5


def colour_kind(colour: FloatArray, around: FloatArray) -> str:
    """``"dark"``, ``"bright"``, ``"grey"`` or ``"tinted"`` for a blank piece's signal."""
    light = np.maximum(colour, 0) ** 2
    level = float(light @ np.array([0.2126, 0.7152, 0.0722]))
    spread = float((light.max() - light.min()) / max(light.max(), 1e-6))
    top = max(float((around**2).max()), level)
    # chosen: darker than a tenth of the picture's brightest piece is dark, and so on.
    if level < 0.1 * top or level < 0.01:
        return "dark"
    if spread > 0.7:
        return "tinted"
    return "bright" if level > 0.6 * top and level > 0.35 else "grey"
