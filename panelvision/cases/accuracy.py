"""How the advice fared in the shop: first and second suspect against what it turned out to be."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import norm

from panelvision.arrays import BoolArray, FloatArray
from panelvision.cases.model import Case

_BINS = 10
# chosen: the 95 % point of the null then has a standard error near 1 % of its rank.
_NULL_DRAWS = 2000


@dataclass(frozen=True)
class HitRate:
    """Share of cases, with its 95 % Wilson interval.

    ``rate``, ``low`` and ``high`` are None when there are no cases.
    """

    hits: int
    cases: int
    rate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class ReliabilityBin:
    """Cases whose first suspect's probability lay in (low, high]: mean of it, share right."""

    low: float
    high: float
    cases: int
    mean_probability: float
    share_right: float


@dataclass(frozen=True)
class Calibration:
    """Whether the first suspect's probability could be believed.

    Attributes
    ----------
    error : float
        Expected calibration error over ten bins (l, u], 0..1.
    error_if_perfect : float
        The mean error that perfectly calibrated probabilities would show with so few cases.
    error_limit : float
        The 95 % point of the same: an ``error`` above it is unlikely to be chance.
    bins : tuple of ReliabilityBin
        Bins that hold cases.
    """

    error: float
    error_if_perfect: float
    error_limit: float
    bins: tuple[ReliabilityBin, ...]

    @property
    def believable(self) -> bool:
        """Whether the cases give no reason to doubt the probabilities."""
        return self.error <= self.error_limit


@dataclass(frozen=True)
class SuspectScore:
    """First and first-or-second suspect right, for one group of cases."""

    first: HitRate
    first_two: HitRate


@dataclass(frozen=True)
class Accuracy:
    """How the advice fared.

    Attributes
    ----------
    closed : int
        Closed cases with an outcome.
    judged : int
        Those of them that had advice when they were closed.
    overall : SuspectScore
    by_symptom : dict of str to SuspectScore
        Only symptoms that occurred; an empty name stands for cases without a photo's reading.
    calibration : Calibration or None
        None when no case can be judged.
    """

    closed: int
    judged: int
    overall: SuspectScore
    by_symptom: dict[str, SuspectScore]
    calibration: Calibration | None

    def to_json(self) -> dict[str, Any]:
        """The record that ``panelvision cases accuracy --json`` prints."""
        from dataclasses import asdict

        record = asdict(self)
        if self.calibration is not None:
            record["calibration"]["believable"] = self.calibration.believable
        return record


def wilson(hits: int, cases: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share (E. B. Wilson 1927, JASA 22:209).

    Raises ValueError unless 0 <= hits <= cases and cases > 0.
    """
    if not 0 <= hits <= cases or cases == 0:
        raise ValueError(f"expected 0 <= hits <= cases and cases > 0, got {hits} of {cases}")
    z = float(norm.ppf(0.5 + confidence / 2))
    share = hits / cases
    centre = share + z * z / (2 * cases)
    spread = z * np.sqrt(share * (1 - share) / cases + z * z / (4 * cases * cases))
    scale = 1 + z * z / cases
    return float(max(0.0, (centre - spread) / scale)), float(min(1.0, (centre + spread) / scale))


def judge(cases: Sequence[Case]) -> Accuracy:
    """Judge the advice by closed cases."""
    closed = [case for case in cases if case.outcome is not None]
    ranks: list[int] = []
    probabilities: list[float] = []
    groups: dict[str, list[int]] = {}
    for case in closed:
        suspects = list(case.suspects.items())
        if not suspects:
            continue
        assert case.outcome is not None
        names = [name for name, _ in suspects]
        rank = names.index(case.outcome.assembly) if case.outcome.assembly in names else len(names)
        ranks.append(rank)
        probabilities.append(suspects[0][1])
        groups.setdefault(case.symptom, []).append(rank)
    return Accuracy(
        closed=len(closed),
        judged=len(ranks),
        overall=_score(ranks),
        by_symptom={symptom: _score(groups[symptom]) for symptom in sorted(groups)},
        calibration=(calibration(np.array(probabilities), np.array(ranks) == 0) if ranks else None),
    )


def _score(ranks: Sequence[int]) -> SuspectScore:
    return SuspectScore(_rate(ranks, 1), _rate(ranks, 2))


def _rate(ranks: Sequence[int], within: int) -> HitRate:
    hits, count = sum(rank < within for rank in ranks), len(ranks)
    if count == 0:
        return HitRate(0, 0, None, None, None)
    low, high = wilson(hits, count)
    return HitRate(hits, count, hits / count, low, high)


def calibration(probabilities: FloatArray, right: BoolArray, *, seed: int = 0) -> Calibration:
    """Reliability of probabilities (n,) against what happened (n,), with its null.

    The expected calibration error is biased upwards in small samples, so it is set against
    what a perfect forecaster with the same probabilities would show (drawn ``_NULL_DRAWS``
    times from a generator with ``seed``).
    """
    which = np.clip(np.ceil(probabilities * _BINS).astype(int) - 1, 0, _BINS - 1)
    draws = np.random.default_rng(seed).random((_NULL_DRAWS, len(probabilities)))
    null = _errors(which, probabilities, draws < probabilities)
    bins = tuple(
        ReliabilityBin(
            b / _BINS,
            (b + 1) / _BINS,
            int(np.sum(which == b)),
            float(probabilities[which == b].mean()),
            float(right[which == b].mean()),
        )
        for b in np.unique(which)
    )
    return Calibration(
        error=float(_errors(which, probabilities, right[None])[0]),
        error_if_perfect=float(null.mean()),
        error_limit=float(np.quantile(null, 0.95)),
        bins=bins,
    )


def _errors(which: Any, probabilities: FloatArray, right: BoolArray) -> FloatArray:
    """Expected calibration error of each row of ``right`` (draws, n)."""
    gap = np.zeros((right.shape[0], _BINS))
    for b in np.unique(which):
        inside = which == b
        gap[:, b] = np.abs((right[:, inside] - probabilities[inside]).sum(axis=1))
    return gap.sum(axis=1) / len(probabilities)
