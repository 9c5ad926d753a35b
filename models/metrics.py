"""Figures that say how good a classifier is, each with the uncertainty of its sample size."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, rankdata

from panelvision.arrays import FloatArray, IntArray
from panelvision.cases import accuracy


def wilson(hits: int, total: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share; (nan, nan) when there is nothing to count."""
    return accuracy.wilson(hits, total) if total else (float("nan"), float("nan"))


def calibration_error(confidence: FloatArray, correct: IntArray, *, bins: int = 15) -> float:
    """Expected calibration error (Guo et al. 2017, arXiv 1706.04599), equal bins (l, u].

    Parameters
    ----------
    confidence : ndarray of shape (n,)
        Probability given to the predicted label, 0..1.
    correct : ndarray of shape (n,)
        1 where the prediction was right, else 0.
    """
    confidence = np.asarray(confidence, dtype=np.float64)
    correct = np.asarray(correct, dtype=np.float64)
    if confidence.size == 0:
        return float("nan")
    index = np.clip(np.ceil(confidence * bins).astype(int) - 1, 0, bins - 1)
    gap = np.bincount(index, weights=correct - confidence, minlength=bins)
    return float(np.abs(gap).sum() / confidence.size)


def perfect_calibration_error(
    confidence: FloatArray, *, bins: int = 15, draws: int = 2000, seed: int = 0
) -> tuple[float, float]:
    """Mean and 95 % point of the error that a perfectly calibrated model would show.

    Simulated: outcomes drawn as Bernoulli(confidence) for the same confidences. A
    calibration error is only worth reading beside this pair.
    """
    confidence = np.asarray(confidence, dtype=np.float64)
    if confidence.size == 0:
        return float("nan"), float("nan")
    rng = np.random.default_rng(seed)
    seen = [
        calibration_error(
            confidence, (rng.random(confidence.size) < confidence).astype(int), bins=bins
        )
        for _ in range(draws)
    ]
    return float(np.mean(seen)), float(np.percentile(seen, 95))


def brier(probabilities: FloatArray, truth: IntArray) -> float:
    """Multi-class Brier score, summed over classes (0 best, 2 worst)."""
    target = np.eye(probabilities.shape[1])[truth]
    return float(((probabilities - target) ** 2).sum(axis=1).mean())


def log_loss(probabilities: FloatArray, truth: IntArray) -> float:
    """Mean negative log-probability of the true label, natural logarithm."""
    p = probabilities[np.arange(len(truth)), truth]
    return float(-np.log(np.clip(p, 1e-12, 1)).mean())


def area_under_curve(positive: FloatArray, negative: FloatArray) -> float:
    """Area under the ROC curve of two score samples (Mann-Whitney), ties counted half."""
    positive, negative = np.asarray(positive), np.asarray(negative)
    if positive.size == 0 or negative.size == 0:
        return float("nan")
    ranks = rankdata(np.concatenate([positive, negative]))
    wins = ranks[: positive.size].sum() - positive.size * (positive.size + 1) / 2
    return float(wins / (positive.size * negative.size))


def conformal_score(scores: FloatArray, *, miss: float = 0.1) -> float:
    """Threshold of split conformal prediction: the k-th smallest score.

    k = ceil((n + 1)(1 - miss)).

    ``scores`` are 1 - p(true label) on data that neither training nor calibration
    saw. With k > n every label must be kept, so the threshold is 1.
    Source: Angelopoulos and Bates 2021, arXiv 2107.07511; the exact order statistic.
    """
    scores = np.sort(np.asarray(scores, dtype=np.float64))
    # The tiny shift keeps 9.000000000000002 from becoming 10.
    k = int(np.ceil((len(scores) + 1) * (1 - miss) - 1e-9))
    return 1.0 if k > len(scores) else float(scores[k - 1])


def coverage_band(n: int, *, miss: float = 0.1, level: float = 0.95) -> tuple[float, float]:
    """Range in which the coverage of a conformal set calibrated on n samples lies (Beta law)."""
    k = int(np.ceil((n + 1) * (1 - miss) - 1e-9))
    if k > n:
        return 1.0, 1.0
    tail = (1 - level) / 2
    return float(beta.ppf(tail, k, n + 1 - k)), float(beta.ppf(1 - tail, k, n + 1 - k))


@dataclass(frozen=True)
class Reliability:
    """One bin of a reliability diagram: mean confidence, share right, count."""

    confidence: float
    accuracy: float
    count: int


def reliability(
    confidence: FloatArray, correct: IntArray, *, bins: int = 10
) -> tuple[Reliability, ...]:
    """Non-empty bins of the reliability diagram, low to high."""
    index = np.clip(np.ceil(np.asarray(confidence) * bins).astype(int) - 1, 0, bins - 1)
    out = []
    for b in range(bins):
        inside = index == b
        if inside.any():
            out.append(
                Reliability(
                    float(np.mean(confidence[inside])),
                    float(np.mean(correct[inside])),
                    int(inside.sum()),
                )
            )
    return tuple(out)
