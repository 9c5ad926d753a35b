"""Combs: every few rows wrong, all across the panel, whatever the picture.

A gate driver that misses a clock leaves every second, fourth, sixteenth row black, bright,
shifted or repeated. Such teeth need not change a row's mean brightness and lie too close for
two clean edges each, so they are found by their steps: where most strips change from one row to
the next at once, and do so again and again at one period. Lines of text share the period but
leave margins and gaps; a comb does not.
"""

import cv2
import numpy as np

from panelvision.arrays import FloatArray
from panelvision.light import highest
from panelvision.measure.profile import StripProfile
from panelvision.order_statistics import quantile

# chosen: length of the windows as a share of the axis: several teeth of the widest comb, less than
# the narrowest patch of one.
_WINDOW = 0.12
_HOP = 0.03
_SHORTEST_PERIOD = 3  # positions; finer ones are moire or noise
# chosen: strips this far apart (share of all) share content seldom.
_APART = 0.3
# chosen: what counts as a comb for the share of the axis that it takes.
_PERIODIC = 0.5
_SHARED = 0.35
_HIGH = 0.15

NAMES = ("comb_periodic", "comb_shared", "comb_least", "comb_height", "comb_period", "comb_reach")


def comb_features(profile: StripProfile) -> dict[str, float]:
    """Numbers of the most regular window; keys ``{rows|columns}_{name}``, NaN if few strips see.

    ``comb_periodic`` is the autocorrelation (-1..1) of the steps at the best period,
    ``comb_shared`` how well strips far apart agree on where the steps are (-1..1),
    ``comb_least`` the autocorrelation of the lower quartile of the strips, ``comb_height`` ln of
    the teeth's steps over the steps between them, ``comb_period`` the period and ``comb_reach``
    the part that is combed, as shares of the axis.
    """
    prefix = "columns" if profile.axis == "vertical" else "rows"
    seen = profile.valid.mean(axis=1) > 0.9
    length = max(24, round(_WINDOW * profile.length))
    if seen.sum() < 8 or profile.length < 2 * length:
        return {f"{prefix}_{name}": float("nan") for name in NAMES}
    # The outermost rows may be the set's own border.
    steps = _steps(profile.signal[seen][:, 2:-2], profile.noise)
    starts = np.arange(0, steps.shape[1] - length + 1, max(1, round(_HOP * profile.length)))
    windows = np.stack([steps[:, s : s + length] for s in starts])  # (w, strips, length)
    windows = windows - windows.mean(axis=2, keepdims=True)
    mean = windows.mean(axis=1)
    most = length * 2 // 5
    periodic = _autocorrelation(mean, most)
    least = _autocorrelation(quantile(windows, 0.25, axis=1), most)
    shared = _agreement(windows)
    period = _SHORTEST_PERIOD + periodic[:, _SHORTEST_PERIOD:].argmax(axis=1)
    row = np.arange(len(starts))
    peak = periodic[row, period]
    height = mean.std(axis=1)
    combed = (peak > _PERIODIC) & (shared > _SHARED) & (height > _HIGH)
    best = int(np.argmax(np.clip(peak, 0, 1) * np.clip(shared, 0, 1) * height))
    values = (
        float(peak[best]),
        float(shared[best]),
        float(least[best, period[best]]),
        float(height[best]),
        float(period[best]) / profile.length,
        float(combed.mean()),
    )
    return {f"{prefix}_{name}": value for name, value in zip(NAMES, values, strict=True)}


def _steps(signal: FloatArray, noise: float) -> FloatArray:
    """ln of the change from each position to the next over what is usual near it, (strips, n)."""
    step = np.log(highest(np.abs(np.diff(signal, axis=1))) + max(4 * noise, 0.02))
    near = max(9, round(_WINDOW * step.shape[1])) | 1
    return step - cv2.blur(step, (near, 1), borderType=cv2.BORDER_REFLECT)


def _autocorrelation(x: FloatArray, most: int) -> FloatArray:
    """Unbiased autocorrelation of each row of ``x`` (w, n), lags 0 to ``most`` - 1, (w, most)."""
    n = x.shape[1]
    x = x - x.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(x, 2 * n, axis=1)
    products = np.fft.irfft(np.abs(spectrum) ** 2, axis=1)[:, :most]
    power = products / (n - np.arange(most))
    return power / np.maximum(power[:, :1], 1e-9)


def _agreement(windows: FloatArray) -> FloatArray:
    """Mean correlation of strips that lie far apart, per window; ``windows`` is centred."""
    size = np.sqrt((windows**2).sum(axis=2, keepdims=True))
    unit = windows / np.maximum(size, 1e-9)
    apart = max(1, round(_APART * windows.shape[1]))
    return (unit[:, :-apart] * unit[:, apart:]).sum(axis=2).mean(axis=1)
