"""Calibration against closed forms."""

import numpy as np
import pytest

from models.calibrate import answer_threshold, fit_temperature, set_threshold, softmax


def test_temperature_of_a_constant_logit_gap():
    # Logit gap 3 at accuracy 0.8: T = 3 / ln 4 (closed form).
    n = 1000
    scores = np.tile([3.0, 0.0], (n, 1))
    labels = (np.arange(n) >= 800).astype(int)
    # Both labels are predicted equally often so that offsets cannot do the work.
    scores = np.vstack([scores, scores[:, ::-1]])
    labels = np.concatenate([labels, 1 - labels])
    temperature, offsets = fit_temperature(scores, labels)
    assert temperature == pytest.approx(3 / np.log(4), abs=1e-3)
    assert np.abs(offsets).max() < 1e-3


def test_calibrated_sets_hold_the_truth_as_often_as_promised():
    # Over many independent draws the mean coverage must lie between 0.9 and
    # 0.9 + 1 / (n + 1) (Angelopoulos and Bates 2021, theorem 1).
    rng = np.random.default_rng(5)
    covered = []
    n = 99
    for _ in range(300):
        logits = rng.normal(0, 2, (n + 400, 5))
        p = softmax(logits)
        labels = np.array([rng.choice(5, p=row) for row in p])
        threshold = set_threshold(p[:n], labels[:n])
        kept = 1 - p[n:] <= threshold
        covered.append(kept[np.arange(400), labels[n:]].mean())
    mean, error = np.mean(covered), np.std(covered) / np.sqrt(len(covered))
    assert 0.9 - 3 * error < mean < 0.91 + 3 * error


def test_answer_threshold_reaches_its_share():
    p = np.array([[0.9, 0.1], [0.8, 0.2], [0.7, 0.3], [0.6, 0.4], [0.55, 0.45]])
    labels = np.array([0, 0, 0, 1, 1])
    # Forty photos each: 120 of 120 right is at least 0.969 with 95 % (Wilson 1927, by hand:
    # n / (n + 1.96^2)), 120 of 160 is less than 0.95.
    p, labels = np.repeat(p, 40, axis=0), np.repeat(labels, 40)
    assert answer_threshold(p, labels, right=0.95) == 0.7
    # Three of three may be luck (at least 0.44): nothing is answered below 0.9.
    assert answer_threshold(p[::40], labels[::40], right=0.95) == 0.9
