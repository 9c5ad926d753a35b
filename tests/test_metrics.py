"""Figures against worked examples.

Expected values: scikit-learn 1.9.1 (Brier, log loss, calibration) and hand
computation, as tabulated in the project's published check values, section 10.
"""

import numpy as np
import pytest

from models.geometry_truth import overlap
from models.metrics import (
    area_under_curve,
    brier,
    calibration_error,
    conformal_score,
    coverage_band,
    log_loss,
    perfect_calibration_error,
    wilson,
)

Y = np.array([0, 0, 1, 1, 1, 0, 1, 1])
Q = np.array([0.12, 0.31, 0.36, 0.83, 0.91, 0.63, 0.55, 0.97])


@pytest.mark.parametrize(("bins", "expected"), [(5, 0.2275), (4, 0.115)])
def test_calibration_error_of_the_worked_example(bins, expected):
    assert calibration_error(Q, Y, bins=bins) == pytest.approx(expected, abs=1e-9)


def test_multiclass_brier_and_log_loss():
    p = np.array(
        [
            [0.7, 0.2, 0.1],
            [0.6, 0.3, 0.1],
            [0.2, 0.5, 0.3],
            [0.1, 0.8, 0.1],
            [0.25, 0.25, 0.5],
            [0.9, 0.05, 0.05],
        ]
    )
    y = np.array([0, 1, 1, 1, 2, 0])
    assert brier(p, y) == pytest.approx(0.305, abs=1e-9)
    assert log_loss(p, y) == pytest.approx(0.5459076960, abs=1e-9)


def test_two_class_log_loss():
    p = np.stack([1 - Q, Q], axis=1)
    assert log_loss(p, Y) == pytest.approx(0.4279671300, abs=1e-9)


@pytest.mark.parametrize(
    ("hits", "total", "low", "high"), [(90, 100, 0.8256, 0.9448), (45, 50, 0.7864, 0.9565)]
)
def test_wilson_interval(hits, total, low, high):
    assert wilson(hits, total) == pytest.approx((low, high), abs=5e-5)


def test_perfect_model_is_not_without_error_at_small_samples():
    # Confidence uniform in 0.5..1, ten bins: mean 0.068 and 95 % point 0.109 at n = 100.
    confidence = np.random.default_rng(3).uniform(0.5, 1, 100)
    mean, p95 = perfect_calibration_error(confidence, bins=10)
    assert mean == pytest.approx(0.068, abs=0.008)
    assert p95 == pytest.approx(0.109, abs=0.015)


SCORES = [0.05, 0.05, 0.08, 0.10, 0.12, 0.15, 0.20, 0.22, 0.25, 0.28]
SCORES += [0.30, 0.33, 0.35, 0.40, 0.45, 0.50, 0.55, 0.60, 0.70]


@pytest.mark.parametrize(("miss", "expected"), [(0.1, 0.60), (0.2, 0.50)])
def test_conformal_threshold_is_the_exact_order_statistic(miss, expected):
    shuffled = np.random.default_rng(0).permutation(SCORES)
    assert conformal_score(shuffled, miss=miss) == expected


def test_conformal_threshold_keeps_everything_when_samples_are_too_few():
    assert conformal_score(np.linspace(0, 0.3, 8), miss=0.1) == 1.0


def test_coverage_follows_the_beta_law():
    # Published: n = 100, miss 0.1: 5 % to 95 % points 0.8482 and 0.9447.
    assert coverage_band(100, miss=0.1, level=0.9) == pytest.approx((0.8482, 0.9447), abs=1e-4)


def test_area_under_curve_matches_pair_counting():
    rng = np.random.default_rng(1)
    a, b = rng.integers(0, 6, 40), rng.integers(0, 5, 33)
    pairs = np.mean([(x > y) + 0.5 * (x == y) for x in a for y in b])
    assert area_under_curve(a, b) == pytest.approx(pairs, abs=1e-12)


def test_overlap_of_squares_by_hand():
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    moved = square + (0.5, 0)
    assert overlap(square, square) == pytest.approx(1)
    assert overlap(square, moved) == pytest.approx(1 / 3)  # 0.5 in common of 1.5
    assert overlap(square, moved[::-1]) == pytest.approx(1 / 3)  # whichever way round
    # Where only x <= 1 counts, 0.5 in common of 1; beyond both nothing is left.
    assert overlap(square, moved, within=square) == pytest.approx(0.5)
    assert overlap(square, moved, within=square + (9, 0)) == 0.0
    assert overlap(square, square + (3, 0)) == 0.0
