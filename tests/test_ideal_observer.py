"""The benchmark's yardstick against published and derived values, and against simulation.

Values: signal detection theory as tabulated in the project's check values (Barrett and Myers;
Barrett, Abbey, Clarkson 1998), section "Ideal observer".
"""

import numpy as np
import pytest

from models.metrics import area_under_curve as counted_area
from tests.ideal_observer import (
    area_under_curve,
    detectability,
    found,
    most_accuracy,
    statistic,
)


def box(side=64, of=20, height=0.2):
    field = np.zeros((side, side))
    field[:of, :of] = height
    return field


def test_a_box_of_known_height_in_white_noise():
    assert detectability(box()) == pytest.approx(4.0, abs=1e-12)


def test_an_unknown_mean_costs():
    assert detectability(box(), known_mean=False) == pytest.approx(3.79967, abs=1e-5)


def test_half_a_screen_a_quarter_code_value_brighter():
    # Noise of 4 code values and rounding to whole ones; each half's mean is as unknown.
    half = np.zeros((128, 128))
    half[:, 64:] = 0.25 / np.sqrt(16 + 1 / 12)
    assert detectability(half, known_mean=False) == pytest.approx(3.98962, abs=1e-5)
    assert area_under_curve(3.98962) == pytest.approx(0.997607, abs=1e-6)


def test_area_under_the_curve_follows_from_detectability():
    d = [0.5, 1, 1.5, 2, 3, 4, 5]
    areas = [0.638163, 0.760250, 0.855578, 0.921350, 0.983053, 0.997661, 0.999797]
    np.testing.assert_allclose(area_under_curve(d), areas, atol=1e-6)


def test_misses_at_one_false_alarm_in_a_hundred():
    missed = 1 - found([1, 2, 3, 4, 5], false_alarms=0.01)
    np.testing.assert_allclose(missed, [0.9076, 0.6279, 0.2503, 0.0471, 0.00375], atol=1e-4)


def test_most_right_answers():
    np.testing.assert_allclose(most_accuracy([1, 2, 3]), [0.691462, 0.841345, 0.933193], atol=1e-6)


@pytest.mark.parametrize("d", [1.0, 2.0])
def test_the_filter_does_as_well_as_the_formula_says(d):
    rng = np.random.default_rng(0)
    signal = box(32, 8, d / 8)
    n = 4000
    empty, filled = (
        [statistic(rng.normal(0, 1, signal.shape) + s, signal) for _ in range(n)]
        for s in (0, signal)
    )
    # Three standard errors of an area counted from so many pairs (Hanley and McNeil 1982 give at
    # most sqrt(A (1 - A) / n) for equal numbers).
    area = float(area_under_curve(d))
    assert counted_area(np.array(filled), np.array(empty)) == pytest.approx(
        area, abs=3 * np.sqrt(area * (1 - area) / n)
    )
    threshold = np.quantile(empty, 0.95)
    assert np.mean(np.array(filled) > threshold) == pytest.approx(
        float(found(d, false_alarms=0.05)), abs=0.04
    )
