"""What is shown between two edges: nothing, noise, the picture in another tone, or the picture."""

from dataclasses import dataclass

import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.profile import StripProfile
from panelvision.order_statistics import median, quantile

# chosen: this many positions beside an edge belong to its blur and are left out.
_GUARD = 5
# The maps of active pixels reach further: half-size pixels, smoothed over three,
# compared three apart: (3 + 1) * 2, and one more.
_ACTIVE_GUARD = 9


@dataclass(frozen=True)
class Region:
    """A stretch of columns (or rows) between two positions.

    Attributes
    ----------
    start, end : float
        Fractions of the active area.
    along, across : float
        Mean share of pixels inside that change along / across the axis, 0..1: both about
        0 where nothing is shown.
    busy : float
        Share of the strips with more than a few pixels that change along the axis, 0..1.
    colour : ndarray of shape (3,)
        Median signal (square root of light).
    variation : float
        Spread over the strips of their mean signal about a smooth trend (glow).
    texture : float
        RMS of the logarithm of the signal about a product of a row and a column profile
        (glow, vignetting and the camera's bars are close to such a product).
    stripes : float
        RMS of fine structure along the axis that all strips share, in signal.
    constancy : float
        -1..1, likeness of a strip's fine structure to the shared one, lower tenth.
    strip_colours : ndarray of shape (strips, 3)
        Mean signal of every strip; NaN where out of frame.
    """

    start: float
    end: float
    along: float
    across: float
    busy: float
    colour: FloatArray
    variation: float
    texture: float
    stripes: float
    constancy: float
    strip_colours: FloatArray

    @property
    def width(self) -> float:
        """Fraction of the active area."""
        return self.end - self.start


def region(profile: StripProfile, start: float, end: float) -> Region | None:
    """Describe what lies between two positions; None if too narrow or out of frame."""
    n = profile.length
    lo, hi = round(start * n), round(end * n)
    guard = min(_GUARD, max(1, (hi - lo) // 6))
    lo, hi = max(lo + guard, guard), min(hi - guard, n - guard)
    if hi - lo < 3:
        return None
    valid = profile.valid[:, lo:hi]
    rows = valid.mean(axis=1) > 0.5
    if rows.sum() < 6:
        return None
    signal = profile.signal[:, lo:hi]
    wide = min(_ACTIVE_GUARD - guard, (hi - lo - 3) // 2)
    active = slice(lo + wide, hi - wide)
    # The end strips hold the panel's border; they have no say on what is shown.
    inner = rows.copy()
    inner[[0, -1]] = False
    per_strip = profile.along[inner, active].mean(axis=1)
    strip_colours = np.full((profile.strips, 3), np.nan)
    weight = valid[rows].astype(np.float64)
    strip_colours[rows] = (signal[rows] * weight[..., None]).sum(axis=1) / weight.sum(axis=1)[
        :, None
    ]
    stripes, constancy = _striping(profile, inner, lo, hi)
    return Region(
        start=start,
        end=end,
        along=float(per_strip.mean()),
        across=float(profile.across[inner, active].mean()),
        busy=float((per_strip > 0.03).mean()),
        colour=median(strip_colours[rows], axis=0),
        variation=_variation(strip_colours[inner]),
        texture=_texture(signal[inner]),
        stripes=stripes,
        constancy=constancy,
        strip_colours=strip_colours,
    )


def _variation(colours: FloatArray) -> float:
    """Spread over strips about a quadratic (glow and vignetting), largest channel."""
    t = np.linspace(-1, 1, colours.shape[0])
    basis = np.stack([np.ones_like(t), t, t * t - 1 / 3], axis=1)
    fit, *_ = np.linalg.lstsq(basis, colours, rcond=None)
    return float(np.sqrt(((colours - basis @ fit) ** 2).mean(axis=0)).max())


def _texture(signal: FloatArray) -> float:
    """RMS of doubly centred log signal on blocks of about eight positions, largest channel."""
    strips, n = signal.shape[:2]
    blocks = max(3, min(24, n // 8))
    cut = np.linspace(0, n, blocks + 1).astype(int)[:-1]
    if n < blocks:
        return 0.0
    mean = np.add.reduceat(signal, cut, axis=1) / np.diff(np.append(cut, n))[None, :, None]
    # chosen: 0.05 is about the veil of a dim room on a dark screen; it keeps noise of
    # near-black from counting as texture.
    log = np.log(mean + 0.05)
    log = log - log.mean(axis=0, keepdims=True)
    log = log - log.mean(axis=1, keepdims=True)
    return float(np.sqrt((log**2).mean(axis=(0, 1))).max())


def _striping(profile: StripProfile, rows: BoolArray, lo: int, hi: int) -> tuple[float, float]:
    """RMS of fine structure shared by the strips, and the least share that a strip has of it.

    The share is the regression of a strip's fine structure on the shared one, so it is 1
    where the stripes run through and 0 where a strip (a margin, a gap between lines of
    text) does not have them; the lower tenth of the strips is returned.
    """
    shared = profile.shared_fine[lo:hi]
    power = float((shared**2).sum())
    if power <= 0:
        return 0.0, 0.0
    fine = profile.fine[rows, lo:hi]
    own = np.einsum("ijk,jk->i", fine, shared) / np.sqrt(
        np.maximum((fine**2).sum(axis=(1, 2)), 1e-12) * power
    )
    return float(np.sqrt(power / (hi - lo))), float(quantile(own, 0.1))


def likeness(a: FloatArray, b: FloatArray) -> float:
    """Correlation of two series of strip colours (strips, 3) about their own means; NaN if flat.

    1 when the same picture continues from one place to the other.
    """
    both = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    if both.sum() < 6:
        return float("nan")
    x = a[both] - a[both].mean(axis=0)
    y = b[both] - b[both].mean(axis=0)
    norm = float(np.sqrt((x * x).sum() * (y * y).sum()))
    # chosen: below one code value of spread there is nothing to correlate.
    if min((x * x).mean(), (y * y).mean()) < (1 / 255) ** 2:
        return float("nan")
    return float((x * y).sum() / norm)


def beside(profile: StripProfile, position: float, side: int, *, reach: int = 8) -> FloatArray:
    """Strip colours (strips, 3) just before (side -1) or after (side +1) a position."""
    n = profile.length
    at = round(position * n)
    lo, hi = (at - _GUARD - reach, at - _GUARD) if side < 0 else (at + _GUARD, at + _GUARD + reach)
    lo, hi = max(lo, 0), min(hi, n)
    if hi - lo < 2:
        return np.full((profile.strips, 3), np.nan)
    out = profile.signal[:, lo:hi].mean(axis=1).astype(np.float64)
    out[profile.valid[:, lo:hi].mean(axis=1) < 0.5] = np.nan
    return out
