"""One judgement of a classifier on a set of photos: the figures and their uncertainty."""

from dataclasses import dataclass

import numpy as np

from models.metrics import (
    brier,
    calibration_error,
    log_loss,
    perfect_calibration_error,
    reliability,
    wilson,
)
from models.table import Table
from panelvision.arrays import FloatArray
from panelvision.classify import SymptomModel
from panelvision.labels import SYMPTOMS


@dataclass(frozen=True)
class Judgement:
    """Figures of one set; shares in 0..1, intervals at 95 % (Wilson).

    Attributes
    ----------
    photos : int
    top1 : float
        Share of photos whose most probable label is the true one; ``top1_interval`` around it.
    log_loss, brier : float
    ece, ece_perfect_mean, ece_perfect_p95 : float
        Calibration error (15 bins) and what a perfect model would show at this sample size.
    coverage : float
        Share of symptom sets that hold the truth; ``set_size`` is their mean number of labels.
    answered, answered_right : float
        Share of photos answered, and right among these.
    recall : dict of str to [hits, total]
    confusion : list of list of int
        Rows are true labels, columns predicted ones, in the order of the labels.
    reliability : list of [confidence, accuracy, count]
    """

    photos: int
    top1: float
    top1_interval: tuple[float, float]
    log_loss: float
    brier: float
    ece: float
    ece_perfect_mean: float
    ece_perfect_p95: float
    coverage: float
    coverage_interval: tuple[float, float]
    set_size: float
    answered: float
    answered_right: float
    recall: dict[str, tuple[int, int]]
    confusion: list[list[int]]
    reliability: list[tuple[float, float, int]]

    def text(self, title: str) -> str:
        """The figures as lines for a terminal."""
        lines = [
            f"{title}: {self.photos} photos",
            f"  top-1 {self.top1:.3f} [{self.top1_interval[0]:.3f}, {self.top1_interval[1]:.3f}]",
            f"  log loss {self.log_loss:.3f}, Brier {self.brier:.3f}",
            f"  calibration error {self.ece:.3f} (perfect model: mean {self.ece_perfect_mean:.3f}, "
            f"95 % point {self.ece_perfect_p95:.3f})",
            f"  symptom set holds the truth {self.coverage:.3f} "
            f"[{self.coverage_interval[0]:.3f}, {self.coverage_interval[1]:.3f}], "
            f"{self.set_size:.2f} labels on average",
            f"  answered {self.answered:.3f}, right among these {self.answered_right:.3f}",
            "  recall " + ", ".join(f"{k} {h}/{n}" for k, (h, n) in self.recall.items() if n),
        ]
        return "\n".join(lines)


def judge_probabilities(p: FloatArray, table: Table, model: SymptomModel) -> Judgement:
    """Judge calibrated probabilities (n, 13) against the table's labels."""
    y = table.labels
    best = p.argmax(axis=1)
    top = p.max(axis=1)
    hit = (best == y).astype(int)
    kept = (1 - p) <= model.conformal_score
    kept[np.arange(len(y)), best] = True
    answered = top >= model.least_probability
    confusion = np.zeros((len(SYMPTOMS), len(SYMPTOMS)), dtype=int)
    np.add.at(confusion, (y, best), 1)
    covered = int(kept[np.arange(len(y)), y].sum())
    mean, p95 = perfect_calibration_error(top)
    return Judgement(
        photos=len(y),
        top1=float(hit.mean()),
        top1_interval=wilson(int(hit.sum()), len(y)),
        log_loss=log_loss(p, y),
        brier=brier(p, y),
        ece=calibration_error(top, hit),
        ece_perfect_mean=mean,
        ece_perfect_p95=p95,
        coverage=covered / len(y),
        coverage_interval=wilson(covered, len(y)),
        set_size=float(kept.sum(axis=1).mean()),
        answered=float(answered.mean()),
        answered_right=float(hit[answered].mean()) if answered.any() else float("nan"),
        recall={
            name: (int(confusion[i, i]), int(confusion[i].sum())) for i, name in enumerate(SYMPTOMS)
        },
        confusion=confusion.tolist(),
        reliability=[(r.confidence, r.accuracy, r.count) for r in reliability(top, hit)],
    )
