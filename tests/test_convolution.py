"""The network's numbers are evaluated as the textbook says; numbers that do not fit are refused."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper
from onnx.reference import ReferenceEvaluator
from scipy.signal import correlate2d
from scipy.special import log_softmax
from skimage.transform import resize_local_mean

from panelvision.errors import ModelError
from panelvision.labels import SYMPTOMS
from panelvision.measure import glance_network
from panelvision.measure.convolution import Convolution
from panelvision.measure.glance import FRAME_SIZE, SCREEN_SIZE, Glance
from panelvision.measure.glance_network import load_network, read_network
from panelvision.measure.trunk import read_trunk, whole_file


def a_glance(seed=0):
    rng = np.random.default_rng(seed)
    return Glance(
        rng.integers(0, 256, (*SCREEN_SIZE, 6), np.uint8),
        rng.integers(0, 256, (FRAME_SIZE, FRAME_SIZE, 4), np.uint8),
    )


def trunk(rng, *, channels=(40, 112, 320), size=(128, 232)):
    """A small trunk's arrays and its weights: three layers, the first clipped at 6."""
    out, given, nodes, outputs, x = {}, [], [], [], "picture"
    rows, columns = size
    for k, (n_out, n_in, kernel, step) in enumerate(
        zip(channels, (6, *channels), (3, 1, 1), (8, 2, 2), strict=False)
    ):
        whole = rng.integers(-127, 128, (n_out, n_in, kernel, kernel)).astype(np.int8)
        steps = rng.uniform(0.005, 0.012, n_out).astype(np.float32) / kernel
        out |= {f"screen.{k}.weight": whole, f"screen.{k}.step": steps}
        given += [numpy_helper.from_array(whole * steps[:, None, None, None], f"w{k}")]
        nodes += [helper.make_node("Conv", [x, f"w{k}"], [f"c{k}"], strides=[step] * 2,
                                   kernel_shape=[kernel] * 2, pads=[kernel // 2] * 4)]  # fmt: skip
        limits = {"min": 0.0, "max": 6.0} if k == 0 else {"min": -1e9, "max": 1e9}
        nodes += [helper.make_node("Clip", [f"c{k}"], [f"level.{k}"], **limits)]
        rows, columns, x = -(-rows // step), -(-columns // step), f"level.{k}"
        shape = [1, n_out, rows, columns]
        outputs += [helper.make_tensor_value_info(x, TensorProto.FLOAT, shape)]
    picture = helper.make_tensor_value_info("picture", TensorProto.FLOAT, [1, 6, *size])
    model = helper.make_model(
        helper.make_graph(nodes, "trunk", [picture], outputs, given),
        opset_imports=[helper.make_opsetid("", 10)],
        ir_version=5,
    )
    data = model.SerializeToString()
    out["screen.starts"] = np.array([data.index(w.raw_data) for w in given])
    for w in given:
        data = data.replace(w.raw_data, bytes(len(w.raw_data)))
    out["screen.onnx"] = np.frombuffer(data, np.uint8)
    return out, [numpy_helper.to_array(w).astype(float) for w in given]


def numbers(seed=0, **changes):
    rng = np.random.default_rng(seed)
    out = {**trunk(rng)[0], "frame.steps": np.array([2], np.uint8)}
    other = np.random.default_rng(seed + 100)
    out["presence.weight"] = other.normal(0, 0.003, (4 * 472, 1)).astype(np.float16)
    out["presence.bias"] = other.normal(0, 0.5, 1).astype(np.float16)
    out["frame.0.weight"] = rng.normal(0, 0.2, (3, 4, 3, 3)).astype(np.float16)
    out["frame.0.bias"] = rng.normal(0, 0.1, 3).astype(np.float16)
    out["places.weight"] = rng.normal(0, 0.05, (112, 13)).astype(np.float16)
    out["places.bias"] = rng.normal(0, 0.5, 13).astype(np.float16)
    for k, shape in enumerate(((4 * 475 + 26, 8), (8, 13))):
        out[f"dense.{k}.weight"] = rng.normal(0, 0.05, shape).astype(np.float16)
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


def by_hand(weights, picture):
    """The levels that a small trunk gives."""
    first = by_scipy(picture, weights[0], np.zeros(40), 8, add=False)
    levels = [np.clip(first, 0, 6)]
    for weight in weights[1:]:
        levels += [np.tensordot(weight[..., 0, 0], levels[-1][:, ::2, ::2], axes=1)]
    return levels


def pools(*levels):
    """What is pooled of each channel: mean, maximum, largest mean of a column and of a row."""
    out = []
    for x in levels:
        out += [x.mean(axis=(1, 2)), x.max(axis=(1, 2))]
        out += [x.mean(axis=1).max(axis=1), x.mean(axis=2).max(axis=1)]
    return out


def test_the_whole_network_is_its_layers_in_order():
    given, glance = numbers(), a_glance()
    weights = trunk(np.random.default_rng(0))[1]
    # Three quarters of the glance's rows and columns, each the mean of the area it covers
    # (scikit-image's); of these the middle, as large as the cuttings that it is taught on.
    shrunk = resize_local_mean(glance.screen.astype(float), (135, 240), channel_axis=2)
    picture = np.rint(shrunk)[3:131, 4:236] / 127.5 - 1
    levels = by_hand(weights, np.moveaxis(picture, -1, 0))
    frame = np.moveaxis(glance.frame[5:139, 5:139] / 127.5 - 1, -1, 0)
    # Of the frame 128 rows and 136 columns; beside the outline, twice what a screen shows as 128.
    wide = np.moveaxis(glance.frame[8:136, 4:140] / 127.5 - 1, -1, 0)
    plain = np.full((2, 128, 136), 128 / 127.5 - 1)
    whole = by_hand(weights, np.concatenate([wide, plain]))
    frame = by_scipy(frame, given["frame.0.weight"], given["frame.0.bias"], 2, add=False)
    parts = pools(*levels, frame)
    there = np.tensordot(given["places.weight"].astype(float), levels[1], axes=(0, 0))
    there = log_softmax(there.reshape(13, -1) + given["places.bias"][:, None], axis=0)
    parts += [there.mean(axis=1), there.max(axis=1)]
    hidden = np.concatenate(parts) @ given["dense.0.weight"] + given["dense.0.bias"]
    z = np.maximum(hidden, 0) @ given["dense.1.weight"] + given["dense.1.bias"]
    more = np.concatenate(pools(*whole)) @ given["presence.weight"] + given["presence.bias"]
    assert abs(more[0]) > 0.1
    z[SYMPTOMS.index("not-a-screen")] += more[0]
    expected = np.exp(z) / np.exp(z).sum()
    reading = read_network(given, 13).read(glance)
    np.testing.assert_allclose(np.exp(reading.log_probabilities), expected, atol=2e-3)
    features = reading.features()
    assert len(features) == 13
    assert np.exp(features["glance_no_image"]) == pytest.approx(
        expected[SYMPTOMS.index("no-image")], abs=2e-3
    )


def test_the_trunk_that_ships_is_what_its_file_says():
    with np.load(Path(glance_network.__file__).with_name(glance_network.MODEL_FILE)) as stored:
        numbers = dict(stored)
    data = whole_file(numbers, "screen")
    onnx.checker.check_model(data.tobytes(), full_check=True)
    picture = np.random.default_rng(2).uniform(-1, 1, (6, 128, 232)).astype(np.float32)
    seen = read_trunk(numbers, "screen", 3)(picture)
    # The standard's own reference evaluator (onnx.reference), which is not OpenCV's.
    reference = ReferenceEvaluator(onnx.load_from_string(data.tobytes()))
    expected = reference.run(["level.0", "level.1", "level.2"], {"picture": picture[None]})
    for level, by_reference in zip(seen, expected, strict=True):
        scale = np.abs(by_reference).max()
        np.testing.assert_allclose(level, by_reference[0], atol=1e-3 * scale)


def test_photos_read_side_by_side_do_not_mix():
    network = load_network()
    glances = [a_glance(seed) for seed in range(6)]
    alone = [network.read(g).log_probabilities for g in glances]
    with ThreadPoolExecutor(3) as threads:
        for _ in range(3):
            together = threads.map(lambda g: network.read(g).log_probabilities, glances)
            for one, other in zip(alone, together, strict=True):
                np.testing.assert_array_equal(one, other)


def test_a_missing_file_of_numbers_is_one_clear_line():
    with pytest.raises(ModelError, match="reinstall"):
        load_network("nowhere.npz")


@pytest.mark.parametrize(
    "changes",
    [
        {"screen.onnx": np.zeros(0, np.uint8)},
        {"screen.onnx": np.zeros(500, np.uint8)},
        {"screen.onnx": np.zeros(500, np.float32)},
        {"screen.onnx": trunk(np.random.default_rng(0))[0]["screen.onnx"][:-9_000]},
        trunk(np.random.default_rng(0), channels=(40, 112, 321))[0],
        {"screen.starts": np.array([0, 9_000, 40_000])},
        {"screen.starts": np.array([-40_000, 9_000, 40_000])},
        {"screen.starts": np.array([200_000_000, 9_000, 40_000])},
        {"screen.0.weight": np.zeros((40, 6, 3, 3), np.float32)},
        {"screen.0.weight": np.zeros((40, 54), np.int8)},
        {"screen.0.step": np.ones(39, np.float32)},
        {"screen.0.step": np.full(40, np.nan, np.float32)},
        {"frame.steps": np.array([3], np.uint8)},
        {"frame.steps": np.zeros(0, np.uint8)},
        {"frame.steps": np.full(300, 2, np.uint8)},
        {"frame.0.weight": np.zeros((3, 5, 3, 3), np.float16)},
        {"frame.0.bias": np.zeros(9, np.float16)},
        {"frame.0.weight": np.full((3, 4, 3, 3), np.nan, np.float16)},
        {"dense.0.weight": np.zeros((57, 8), np.float16)},
        {"places.weight": np.zeros((4, 13), np.float16)},
        {"places.bias": np.full(13, np.inf, np.float16)},
        {"dense.1.weight": np.zeros((8, 12), np.float16)},
        {"presence.weight": np.zeros((4 * 471, 1), np.float16)},
        {"presence.bias": np.full(1, np.nan, np.float16)},
    ],
)
def test_numbers_that_do_not_fit_are_refused(changes):
    with pytest.raises(ValueError):
        read_network(numbers(**changes), 13)


@pytest.mark.parametrize(
    "missing", ["frame.0.bias", "screen.starts", "screen.1.step", "presence.bias"]
)
def test_a_missing_array_is_refused(missing):
    given = numbers()
    del given[missing]
    with pytest.raises(KeyError):
        read_network(given, 13)
