"""Calibration against closed forms."""

from dataclasses import replace

import numpy as np
import pytest

from models.calibrate import (
    answer_threshold,
    fit_dark_split,
    fit_glow_lift,
    fit_temperature,
    set_threshold,
    softmax,
)
from models.table import Table, from_records
from panelvision.classify import DARK_SCORES, GLOW_SCORES, glow_scores, lifted, split_dark
from panelvision.labels import SYMPTOMS


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


def test_the_dark_part_is_shared_out_by_the_detectors_score():
    faint, none = SYMPTOMS.index("faint-image"), SYMPTOMS.index("no-image")
    p = np.full((4, len(SYMPTOMS)), 0.05)
    p[:, faint], p[:, none] = 0.3, 0.15
    # Log-odds 2 * score - 1: even at 0.5, e to 1 at 1; NaN was not measured.
    out = split_dark(p, np.array([0.5, 1.0, -50.0, np.nan]), (2.0, -1.0))
    share = np.e / (1 + np.e)
    np.testing.assert_allclose(out[:, faint], [0.225, 0.45 * share, 0.0, 0.3], atol=1e-12)
    np.testing.assert_allclose(out.sum(axis=1), p.sum(axis=1))
    others = [k for k in range(len(SYMPTOMS)) if k not in (faint, none)]
    np.testing.assert_array_equal(out[:, others], p[:, others])


def test_the_line_of_the_dark_split_is_found_again():
    rng = np.random.default_rng(0)
    score = rng.normal(0, 3, 6000)
    pictured = rng.random(6000) < 1 / (1 + np.exp(-(0.8 * score - 0.5)))
    labels = np.where(pictured, SYMPTOMS.index("faint-image"), SYMPTOMS.index("no-image"))
    labels[::10] = SYMPTOMS.index("normal")
    table = Table(
        values=np.stack([score - 1, score + 1], axis=1), names=DARK_SCORES,
        labels=labels, scenes=np.arange(6000),
        weights=np.ones(6000), gradients=np.zeros((6000, 1), np.float32), truths=({},) * 6000,
    )  # fmt: skip
    slope, offset = fit_dark_split(table)
    assert (slope, offset) == pytest.approx((0.8, -0.5), abs=0.1)


def glow_table(rng, n=4000):
    """Photos whose members say nothing; a scorer's positive log-odds are those of dim zones."""
    labels = rng.integers(0, len(SYMPTOMS), n)
    dim = labels == SYMPTOMS.index("dim-zones")
    scores = rng.normal(-4, 2, (n, len(GLOW_SCORES)))
    scores[dim, 2] = np.where(rng.random(dim.sum()) < 0.6, rng.uniform(1, 5, dim.sum()), -3)
    # One that is raised as often without the fault.
    scores[:, 3] = np.where(rng.random(n) < 0.3, rng.uniform(1, 5, n), -3)
    return Table(
        values=scores, names=GLOW_SCORES, labels=labels, scenes=np.arange(n),
        weights=np.ones(n), gradients=np.zeros((n, 1), np.float32), truths=({},) * n,
    )  # fmt: skip


def test_a_scorer_that_tells_is_heard_and_one_that_does_not_is_not():
    table = glow_table(np.random.default_rng(2))
    lift = fit_glow_lift(np.full((len(table), 13), -np.log(13)), table)
    assert lift[2] > 1 and lift[3] < 0.1 and min(lift) >= 0
    out = lifted(np.zeros((2, 13)), np.array([[0, 0, 2.0, 0], [0, 0, 0, 0]]), lift)
    assert out[0, SYMPTOMS.index("dim-zones")] == pytest.approx(2 * lift[2])
    assert (np.delete(out[0], SYMPTOMS.index("dim-zones")) == 0).all() and (out[1] == 0).all()
    said = glow_scores(np.array([[-3.0, 1.0, -2.0, 4.0]]), GLOW_SCORES)
    np.testing.assert_array_equal(said, [[0, 1, 0, 4]])


def test_what_members_say_already_is_not_said_twice():
    table = glow_table(np.random.default_rng(3), 2000)
    sure = np.log(np.eye(13)[table.labels] * 0.9 + 0.1 / 13)
    weak = np.full((len(table), 13), -np.log(13))
    assert fit_glow_lift(sure, table)[2] < 0.3 * fit_glow_lift(weak, table)[2]


def test_a_photo_of_weight_three_counts_as_three() -> None:
    one = glow_table(np.random.default_rng(4), 1500)
    silent = np.full((len(one), 13), -np.log(13))
    # Those that the scorer found count more: it is the surer for it.
    found = (one.labels == SYMPTOMS.index("dim-zones")) & (one.values[:, 2] > 0)
    heavy = np.where(found, 3, 1)
    rows = np.repeat(np.arange(len(one)), heavy)
    weighed = fit_glow_lift(silent, replace(one, weights=heavy.astype(float)))[2]
    assert weighed == pytest.approx(fit_glow_lift(silent[rows], one.pick(rows))[2], rel=0.05)
    assert weighed > 1.1 * fit_glow_lift(silent, one)[2]


def test_who_names_the_second_of_two_faults_says_nothing_false():
    lines, bands = SYMPTOMS.index("vertical-lines"), SYMPTOMS.index("vertical-bands")
    also = ({}, {"also": {"symptom": "vertical-lines"}}, {"also": {"symptom": "blocky"}})
    truths = [{"symptom": "vertical-bands", **more} for more in also]
    table = from_records([{"features": {"a": 0.0}, "hog": [], "truth": t} for t in truths])
    said = np.array([lines, lines, lines])
    assert table.naming(said).tolist() == [bands, lines, bands]
    assert table.naming(np.array([bands, bands, bands])).tolist() == [bands] * 3
