"""Place and blur of one step in a row of samples, and how well it can be known at all."""

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from scipy.special import erf

from panelvision.arrays import FloatArray

# chosen: a blur below this share of a sample cannot be told from none.
_LEAST_WIDTH = 0.15
_MOST_ROUNDS = 25


@dataclass(frozen=True)
class StepFit:
    """A blurred step fitted to samples: ``low + rise * Phi((x - position) / width)``.

    Attributes
    ----------
    position, width : float
        In samples; the centre of sample k is at k.
    low, rise : float
        In units of the samples.
    sigma : float
        Standard error of ``position`` in samples, from the residuals.
    """

    position: float
    width: float
    low: float
    rise: float
    sigma: float


def step_bound(noise: float, rise: float, width: float) -> float:
    """Cramer-Rao bound (standard deviation, samples) of the place of a blurred step.

    ``(noise / rise) * sqrt(2 * sqrt(pi) * width)`` for a step blurred by a Gaussian of
    standard deviation ``width`` samples in white noise of standard deviation ``noise``,
    the shape being known (R. W. Gatherer, Stanford CSL-TR-93-560, 1993; it follows from
    the bound for a known signal in S. M. Kay, "Estimation theory", 1993, chapter 3).
    """
    return noise / abs(rise) * sqrt(2 * sqrt(pi) * width)


def fit_step(samples: FloatArray, *, start: float | None = None) -> StepFit | None:
    """Least-squares fit of a step blurred by a Gaussian to evenly spaced samples.

    Gauss-Newton on all four parameters, damped (Levenberg-Marquardt); in white noise
    this is the maximum-likelihood estimate.

    Parameters
    ----------
    samples : ndarray of shape (n,), n >= 8
    start : float, optional
        First guess of the position; otherwise from the area under the samples.

    Returns
    -------
    StepFit, or None when there is no step inside the samples.
    """
    y = np.asarray(samples, dtype=np.float64)
    n = y.size
    if n < 8 or not np.all(np.isfinite(y)):
        return None
    x = np.arange(n, dtype=np.float64)
    quarter = max(2, n // 4)
    low = float(y[:quarter].mean())
    rise = float(y[-quarter:].mean()) - low
    if rise == 0:
        return None
    if start is None:
        start = n - 0.5 - float((y - low).sum()) / rise
        if not 1 <= start <= n - 2:
            start = float(np.argmax(np.abs(np.diff(y)))) + 0.5
    best = np.array([start, 0.0, low, rise])
    jac, residual = _model(best, x, y)
    cost = float(residual @ residual)
    damping = 1e-3
    for _ in range(_MOST_ROUNDS):
        hess = jac.T @ jac
        hess.flat[:: len(hess) + 1] += damping * (hess.diagonal() + 1e-12)
        p = best + np.linalg.solve(hess, jac.T @ residual)
        p[0] = min(max(p[0], -1.0), float(n))
        p[1] = min(max(p[1], np.log(_LEAST_WIDTH)), np.log(n / 2))
        next_jac, next_residual = _model(p, x, y)
        now = float(next_residual @ next_residual)
        if now >= cost:
            damping *= 8
            if damping > 1e6:
                break
            continue
        # A change of the cost by this share moves the place by a three-hundredth of its error.
        done = cost - now < 1e-5 * cost
        best, jac, residual, cost = p, next_jac, next_residual, now
        damping = max(damping / 4, 1e-6)
        if done:
            break
    if not 0.5 <= best[0] <= n - 1.5:
        return None
    covariance = np.linalg.pinv(jac.T @ jac) * (cost / max(n - 4, 1))
    return StepFit(
        position=float(best[0]),
        width=float(np.exp(best[1])),
        low=float(best[2]),
        rise=float(best[3]),
        sigma=float(np.sqrt(max(covariance[0, 0], 0.0))),
    )


def _model(p: FloatArray, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Jacobian (n, 4) of the model and residual (n,) at (position, log width, low, rise)."""
    place, log_width, low, rise = p
    width = np.exp(log_width)
    z = (x - place) / width
    density = np.exp(-0.5 * z * z) / sqrt(2 * pi)
    share = 0.5 * (1 + erf(z / sqrt(2)))
    jac = np.empty((x.size, 4))
    jac[:, 0], jac[:, 1] = -rise * density / width, -rise * density * z
    jac[:, 2], jac[:, 3] = 1.0, share
    return jac, y - (low + rise * share)
