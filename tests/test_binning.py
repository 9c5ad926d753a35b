"""Values rounded to few: no order is turned round, and no photo moves far."""

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier

from models.binning import BINS, binned

RNG = np.random.default_rng(5)


def test_few_values_stay_as_they_are():
    values = np.stack([RNG.integers(0, 3, 900), RNG.integers(-9, 9, 900)], axis=1) / 7
    assert (binned(values) == values).all()


@pytest.mark.parametrize("spread", [np.abs, np.exp, lambda x: np.round(x, 2)])
def test_many_values_become_few_in_the_same_order(spread):
    values = spread(RNG.normal(size=(3000, 2)))
    few = binned(values)
    for before, after in zip(values.T, few.T, strict=True):
        assert len(np.unique(after)) <= BINS
        assert np.isin(after, before).all()
        assert (np.diff(after[np.argsort(before, kind="stable")]) >= 0).all()
        # Half a quantile to either side, where values do not repeat.
        moved = np.searchsorted(np.sort(before), after) - np.searchsorted(np.sort(before), before)
        repeats = 3000 - len(np.unique(before))
        assert np.abs(moved).max() <= 3000 / BINS + repeats


def test_trees_of_rounded_values_judge_the_values_themselves():
    values = RNG.normal(size=(4000, 3))
    label = values[:, 0] + values[:, 1] > 0
    fitted = HistGradientBoostingClassifier(max_iter=60).fit(
        binned(values[:2000]), label[:2000], sample_weight=RNG.uniform(0.5, 1, 2000)
    )
    assert fitted.score(values[2000:], label[2000:]) > 0.95
