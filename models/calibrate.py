"""From scores to probabilities, and to promises: calibration, symptom sets, abstention."""

import numpy as np
from scipy.optimize import minimize
from sklearn.linear_model import LogisticRegression

from models.metrics import conformal_score, wilson
from models.table import Table
from panelvision.arrays import FloatArray, IntArray
from panelvision.classify import (
    DARK_SCORES,
    GLOW_SCORES,
    dark_score,
    everyday_score,
    glow_scores,
    lifted,
    without_screen,
)
from panelvision.labels import SYMPTOMS
from panelvision.measure.everyday import EVERYDAY_SCORE


def softmax(z: FloatArray) -> FloatArray:
    """Probabilities of logits, row by row."""
    z = z - z.max(axis=1, keepdims=True)
    p = np.exp(z)
    return p / p.sum(axis=1, keepdims=True)


def fit_temperature(
    scores: FloatArray, labels: IntArray, *, offset_penalty: float = 20.0
) -> tuple[float, FloatArray]:
    """Temperature and label offsets that minimise the log loss of softmax(scores / T + b).

    Guo et al. 2017 (arXiv 1706.04599), section 4.2, with offsets b under a squared
    penalty so that few photos cannot move them far.

    Parameters
    ----------
    scores : ndarray of shape (n, k)
        Log-probabilities of an uncalibrated model on photos it was not fitted to.
    labels : ndarray of shape (n,)
    offset_penalty : float
        Weight of sum(b^2) against the summed log loss. chosen: from 5 upwards all are alike on
        drawn scenes; offsets fitted to drawings are no friend of other photos.
    """
    n, k = scores.shape
    target = np.eye(k)[labels]

    def loss(theta: FloatArray) -> tuple[float, FloatArray]:
        beta, b = np.exp(theta[0]), theta[1:]
        p = softmax(scores * beta + b)
        value = -np.log(np.clip(p[np.arange(n), labels], 1e-12, 1)).sum() + offset_penalty * (b @ b)
        g = p - target
        return value, np.concatenate(
            [[beta * (g * scores).sum()], g.sum(axis=0) + 2 * offset_penalty * b]
        )

    found = minimize(
        loss, np.zeros(k + 1), jac=True, method="L-BFGS-B", bounds=[(-4, 4)] + [(-3, 3)] * k
    )
    return float(np.exp(-found.x[0])), np.asarray(found.x[1:])


def fit_dark_split(table: Table) -> tuple[float, float] | None:
    """Slope and offset of the log-odds of a faint picture on the detector's scores.

    Logistic regression over the dark photos of a table; the detector was taught on other
    seeds. None where the table has no such scores.
    """
    if not set(DARK_SCORES) <= set(table.names):
        return None
    score = dark_score(table.values, table.names)
    faint, none = SYMPTOMS.index("faint-image"), SYMPTOMS.index("no-image")
    use = np.isin(table.labels, (faint, none)) & np.isfinite(score)
    line = LogisticRegression(C=1.0).fit(
        score[use, None], table.labels[use] == faint, sample_weight=table.weights[use]
    )
    return float(line.coef_[0, 0]), float(line.intercept_[0])


def fit_glow_lift(
    scores: FloatArray, table: Table, *, penalty: float = 3e-3
) -> tuple[float, ...] | None:
    """What the scorers of the backlight add to what the members say (``SymptomModel.glow_lift``).

    Minimises the log loss of softmax(lifted scores / T + b) over temperature, offsets and lift;
    only the lift is kept. None of it is negative: what found nothing says nothing.

    Parameters
    ----------
    scores : ndarray of shape (n, 13)
        Log-probabilities of members that were not fitted to the table's photos.
    table : Table
    penalty : float
        Weight of the squares of lift times spread, and of the offsets, against the mean log loss,
        in which photos count by the table's weights.
    """
    if not set(GLOW_SCORES) <= set(table.names):
        return None
    glow = np.nan_to_num(glow_scores(table.values, table.names))
    weight = table.weights / table.weights.sum()
    spread = np.maximum(np.sqrt(weight @ (glow - weight @ glow) ** 2), 1e-9)
    n, k = scores.shape
    target = np.eye(k)[table.labels]
    m = len(GLOW_SCORES)
    dim = SYMPTOMS.index("dim-zones")

    def loss(theta: FloatArray) -> tuple[float, FloatArray]:
        beta, b, lift = np.exp(theta[0]), theta[1 : k + 1], theta[k + 1 :]
        p = softmax(scores * beta + b + lifted(np.zeros_like(scores), glow / spread, lift.tolist()))
        surprise = -np.log(np.clip(p[np.arange(n), table.labels], 1e-12, 1))
        value = surprise @ weight
        g = (p - target) * weight[:, None]
        slope = np.concatenate(
            [[beta * (g * scores).sum()], g.sum(axis=0), (glow / spread).T @ g[:, dim]]
        )
        held = np.concatenate([[0.0], theta[1:]])
        return float(value + penalty * (held @ held)), slope + 2 * penalty * held

    bounds = [(-4, 4)] + [(-3, 3)] * k + [(0, 3)] * m
    found = minimize(loss, np.zeros(k + 1 + m), jac=True, method="L-BFGS-B", bounds=bounds)
    # Before the temperature, which the members' scores are yet to be divided by.
    return tuple((found.x[k + 1 :] / spread / np.exp(found.x[0])).tolist())


def fit_screen_lift(
    scores: FloatArray, table: Table, *, penalty: float = 1e-3
) -> tuple[float, float] | None:
    """What the network of everyday things adds to "not-a-screen" (``SymptomModel.screen_lift``).

    Minimises the mean log loss of softmax(scores with the lift) over slope and offset. The slope
    is not negative: what looks less like a screen is not more of one. None where the table has no
    such score.

    Parameters
    ----------
    scores : ndarray of shape (n, 13)
        Log-probabilities, at the temperature and offsets of a calibration, of photos that nothing
        was fitted to.
    table : Table
    penalty : float
        Weight of the squares of both numbers.
    """
    if EVERYDAY_SCORE not in table.names:
        return None
    score = everyday_score(table.values, table.names)
    rows, none = np.arange(len(table)), SYMPTOMS.index("not-a-screen")

    def loss(lift: FloatArray) -> tuple[float, FloatArray]:
        p = softmax(without_screen(scores, score, lift.tolist()))
        value = -np.log(np.clip(p[rows, table.labels], 1e-12, 1)).mean() + penalty * (lift @ lift)
        g = (p[:, none] - (table.labels == none)) / len(table)
        return float(value), np.array([g @ score, g.sum()]) + 2 * penalty * lift

    found = minimize(loss, np.zeros(2), jac=True, method="L-BFGS-B", bounds=[(0, 2), (-3, 3)])
    return float(found.x[0]), float(found.x[1])


def set_threshold(probabilities: FloatArray, labels: IntArray, *, miss: float = 0.1) -> float:
    """Threshold of 90 % symptom sets: keep labels with 1 - p at most this (split conformal)."""
    return conformal_score(1 - probabilities[np.arange(len(labels)), labels], miss=miss)


def answer_threshold(
    probabilities: FloatArray, labels: IntArray, *, right: float = 0.9, least: float = 0.3
) -> float:
    """Lowest top probability from which on the answers given are surely right in ``right``.

    Surely: the lower end of the share's 95 % interval (Wilson) reaches it, so that a lucky
    stretch of a small split does not open the door. chosen: 0.9, which at the size of the
    split means that about nineteen in twenty were right. Returns at least ``least``; when no
    threshold reaches the share, 0.9.
    """
    top = probabilities.max(axis=1)
    hit = probabilities.argmax(axis=1) == labels
    order = np.argsort(-top)
    hits = np.cumsum(hit[order])
    sure = np.array([wilson(int(h), n)[0] for n, h in enumerate(hits, start=1)])
    ranked = top[order]
    # A threshold lets in every photo of its probability, not some of them.
    last = np.append(ranked[1:] < ranked[:-1], True)
    good = np.nonzero((sure >= right) & last)[0]
    if good.size == 0:
        return 0.9
    return float(max(least, ranked[good[-1]]))
