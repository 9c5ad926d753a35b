"""The network's numbers are evaluated as the textbook says; numbers that do not fit are refused."""

import numpy as np
import pytest
from scipy.signal import correlate2d
from scipy.special import log_softmax

from panelvision.errors import ModelError
from panelvision.labels import SYMPTOMS
from panelvision.measure.convolution import Convolution
from panelvision.measure.glance import FRAME_SIZE, SCREEN_SIZE, Glance
from panelvision.measure.glance_network import load_network, read_network


def a_glance(seed=0):
    rng = np.random.default_rng(seed)
    return Glance(
        rng.integers(0, 256, (*SCREEN_SIZE, 6), np.uint8),
        rng.integers(0, 256, (FRAME_SIZE, FRAME_SIZE, 4), np.uint8),
    )


def numbers(seed=0, **changes):
    rng = np.random.default_rng(seed)
    out = {"screen.steps": np.array([2, 1], np.uint8), "frame.steps": np.array([2], np.uint8)}
    for key, n_out, n_in in (("screen.0", 5, 6), ("screen.1", 5, 5), ("frame.0", 3, 4)):
        out[f"{key}.weight"] = rng.normal(0, 0.2, (n_out, n_in, 3, 3)).astype(np.float16)
        out[f"{key}.bias"] = rng.normal(0, 0.1, n_out).astype(np.float16)
    out["places.weight"] = rng.normal(0, 0.5, (5, 13)).astype(np.float16)
    out["places.bias"] = rng.normal(0, 0.5, 13).astype(np.float16)
    for k, shape in enumerate(((58, 8), (8, 13))):
        out[f"dense.{k}.weight"] = rng.normal(0, 0.5, shape).astype(np.float16)
        out[f"dense.{k}.bias"] = rng.normal(0, 0.5, shape[1]).astype(np.float16)
    return {**out, **changes}


def by_scipy(x, weight, bias, step, add):
    """The same layer from SciPy's correlation, one pair of channels at a time."""
    rows = []
    for kernels, b in zip(weight, bias, strict=True):
        total = sum(
            correlate2d(channel, kernel, mode="same")
            for channel, kernel in zip(x, kernels, strict=True)
        )
        rows.append(total[::step, ::step] + b)
    out = np.stack(rows) + (x if add else 0)
    return np.maximum(out, 0)


@pytest.mark.parametrize(("n_out", "step"), [(4, 1), (4, 2), (3, 1), (6, 2)])
@pytest.mark.parametrize("size", [(12, 17), (13, 16)])
def test_a_layer_is_scipys_correlation(n_out, step, size):
    rng = np.random.default_rng(1)
    x = rng.normal(size=(3, *size)).astype(np.float32)
    weight = rng.normal(size=(n_out, 3, 3, 3)).astype(np.float32)
    bias = rng.normal(size=n_out).astype(np.float32)
    layer = Convolution(weight, bias, step)
    expected = by_scipy(x, weight, bias, step, add=n_out == 3 and step == 1)
    np.testing.assert_allclose(layer(x), expected, atol=1e-4)


def test_the_whole_network_is_its_layers_in_order():
    given, glance = numbers(), a_glance()
    parts = []
    for name, layers, picture in (
        # The middle, as large as the cuttings that it is taught on: 168 x 308 and 134 x 134.
        ("screen", ((0, 2), (1, 1)), glance.screen[6:174, 6:314]),
        ("frame", ((0, 2),), glance.frame[5:139, 5:139]),
    ):
        x = np.moveaxis(picture / 127.5 - 1, -1, 0)
        for k, step in layers:
            x = by_scipy(x, given[f"{name}.{k}.weight"], given[f"{name}.{k}.bias"], step, k == 1)
        parts += [x.mean(axis=(1, 2)), x.max(axis=(1, 2))]
        parts += [x.mean(axis=1).max(axis=1), x.mean(axis=2).max(axis=1)]
        if name == "screen":
            there = np.tensordot(given["places.weight"], x, axes=(0, 0))
            there = log_softmax(there.reshape(13, -1) + given["places.bias"][:, None], axis=0)
    parts += [there.mean(axis=1), there.max(axis=1)]
    hidden = np.concatenate(parts) @ given["dense.0.weight"] + given["dense.0.bias"]
    z = np.maximum(hidden, 0) @ given["dense.1.weight"] + given["dense.1.bias"]
    expected = np.exp(z) / np.exp(z).sum()
    reading = read_network(given, 13).read(glance)
    np.testing.assert_allclose(np.exp(reading.log_probabilities), expected, atol=1e-3)
    features = reading.features()
    assert len(features) == 13
    assert np.exp(features["glance_no_image"]) == pytest.approx(
        expected[SYMPTOMS.index("no-image")], abs=1e-3
    )


def test_a_missing_file_of_numbers_is_one_clear_line():
    with pytest.raises(ModelError, match="reinstall"):
        load_network("nowhere.npz")


@pytest.mark.parametrize(
    "changes",
    [
        {"screen.steps": np.array([2, 3], np.uint8)},
        {"screen.steps": np.zeros(0, np.uint8)},
        {"frame.steps": np.full(300, 2, np.uint8)},
        {"screen.0.weight": np.zeros((5, 7, 3, 3), np.float16)},
        {"screen.1.bias": np.zeros(9, np.float16)},
        {"frame.0.weight": np.full((3, 4, 3, 3), np.nan, np.float16)},
        {"dense.0.weight": np.zeros((57, 8), np.float16)},
        {"places.weight": np.zeros((4, 13), np.float16)},
        {"places.bias": np.full(13, np.inf, np.float16)},
        {"dense.1.weight": np.zeros((8, 12), np.float16)},
    ],
    ids=lambda c: next(iter(c)),
)
def test_numbers_that_do_not_fit_are_refused(changes):
    with pytest.raises(ValueError):
        read_network(numbers(**changes), 13)


def test_a_missing_array_is_refused():
    given = numbers()
    del given["frame.0.bias"]
    with pytest.raises(KeyError):
        read_network(given, 13)
