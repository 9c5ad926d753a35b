"""Order statistics against numpy's, bit by bit."""

import numpy as np
import pytest

from panelvision.order_statistics import median, quantile

SHAPES = [(2,), (3,), (7,), (100,), (1001,), (20000,), (5, 6, 7), (40, 161), (18, 90, 3)]


def _values(shape: tuple[int, ...], dtype: type, kind: str) -> np.ndarray:
    rng = np.random.default_rng(len(shape) + shape[0])
    values = rng.normal(size=shape).astype(dtype)
    if kind == "ties":
        values = np.round(values, 1)
    if kind == "unknown":
        values.flat[rng.integers(values.size)] = np.nan
    return values


@pytest.mark.parametrize("kind", ["plain", "ties", "unknown"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", SHAPES)
def test_same_as_numpy(shape: tuple[int, ...], dtype: type, kind: str) -> None:
    values = _values(shape, dtype, kind)
    before = values.copy()
    # Rounding of the place between two ranks differs between numpy's releases.
    close = {"rtol": 4e-6 if dtype is np.float32 else 1e-12, "atol": 1e-7, "equal_nan": True}
    for axis in (None, *range(len(shape))):
        assert np.array_equal(np.median(values, axis=axis), median(values, axis), equal_nan=True)
        for q in (0.0, 0.02, 0.25, 0.5, 0.97, 1.0):
            expected = np.quantile(values, q, axis=axis)
            np.testing.assert_allclose(quantile(values, q, axis), expected, **close)
        for several in ([0.1, 0.9], [0.01, 0.05, 0.5, 0.99]):
            expected = np.quantile(values, several, axis=axis)
            np.testing.assert_allclose(quantile(values, several, axis), expected, **close)
    assert np.array_equal(values, before, equal_nan=True)


def test_whole_numbers_truths_and_lists() -> None:
    assert median([3, 1, 2, 10]) == 2.5
    assert quantile(np.array([0, 255], np.uint8), 0.5) == 127.5
    assert median(np.array([True, True, False])) == 1.0


def test_a_row_with_an_unknown_value_leaves_the_others_known() -> None:
    rows = np.array([[1, 2, 3, np.inf], [1, np.nan, 2, 3]])
    assert np.array_equal(median(rows, 1), [2.5, np.nan], equal_nan=True)
    assert np.array_equal(quantile(rows, 0.3, 1), np.quantile(rows, 0.3, 1), equal_nan=True)
    assert median(np.empty((0, 5)), 1).shape == (0,)
    assert quantile(np.arange(5), 1) == 4


def test_of_nothing_nothing_is_known() -> None:
    assert np.isnan(median(np.empty(0)))
    assert np.isnan(quantile(np.empty(0, np.float32), 0.3))
    assert np.isnan(quantile(np.empty((4, 0)), [0.1, 0.5, 0.9], axis=1)).all()
    assert quantile(np.empty((4, 0)), [0.1, 0.9], axis=1).shape == (2, 4)
