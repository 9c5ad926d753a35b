"""The network of the faint picture: what it reads, and files that are not its own."""

import hashlib
import io
from types import SimpleNamespace

import numpy as np
import pytest

from models.faint_cells import cell_odds, network_of, stored, teach_cells, together
from panelvision.errors import ModelError
from panelvision.measure import faint_network
from panelvision.measure.faint_network import (
    CHANNELS,
    load_networks,
    network_input,
    networks_from,
    score_cells,
)


def prepared(*, seen=None, white=None, light=None, shape=(270, 480)):
    use = np.ones(shape, bool) if seen is None else seen
    return SimpleNamespace(
        white=np.zeros((*shape, 3), np.float32) if white is None else white,
        flat=SimpleNamespace(
            use=use, light=np.full((*shape, 3), 0.02, np.float32) if light is None else light
        ),
    )


def averaging(gain=1.0):
    """A network that gives every cell the mean of its first channel's positive part, by hand."""
    numbers = {"networks": np.array(1), "0.steps": np.array([2, 2, 2, 2], np.uint8)}
    for k in range(4):
        weight = np.zeros((1, CHANNELS if k == 0 else 1, 3, 3), np.float16)
        weight[0, 0, 1, 1] = 1
        numbers[f"0.{k}.weight"], numbers[f"0.{k}.bias"] = weight, np.zeros(1, np.float16)
    numbers["0.last.weight"] = np.array([gain], np.float16)
    numbers["0.last.bias"] = np.float16(-1)
    return numbers


def test_the_input_is_in_thirds_of_the_noise_and_logarithms_of_the_light():
    white = np.zeros((270, 480, 3), np.float32)
    white[..., 0], white[..., 1], white[..., 2] = 3.0, -1.5, 99.0
    light = np.full((270, 480, 3), 0.02, np.float32)
    light[:100] *= np.exp(0.75)
    seen = np.ones((270, 480), bool)
    seen[-50:] = False
    x = network_input(prepared(seen=seen, white=white, light=light))
    assert x.shape == (CHANNELS, 270, 480)
    np.testing.assert_allclose(x[:3, 150, 200], [1, -0.5, 2], atol=1e-6)
    np.testing.assert_allclose(x[:4, 260, 200], 0)
    assert x[3, 150, 200] == 1
    # ln(0.75-th power of e) in units of 1.5 is one half.
    assert x[4, 50, 200] - x[4, 150, 200] == pytest.approx(0.5, abs=1e-3)


def test_cells_are_where_the_picture_is():
    white = np.zeros((270, 480, 3), np.float32)
    white[:128, 240:, 0] = 6.0
    seen = np.ones((270, 480), bool)
    seen[:, :160] = False
    odds, share = score_cells(networks_from(averaging()), prepared(seen=seen, white=white))
    assert odds.shape == share.shape == (17, 30)
    # 6 noise units are 2 at the input; weight 1, bias -1.
    assert odds[3, 20] == pytest.approx(1.0)
    assert odds[12, 20] == pytest.approx(-1.0)
    assert share[5, 3] == pytest.approx(0) and share[5, 25] == pytest.approx(1)


def test_several_networks_are_averaged():
    two = together([{k: v for k, v in averaging(g).items() if k != "networks"} for g in (1, 3)])
    white = np.full((270, 480, 3), 3.0, np.float32)
    odds, _ = score_cells(networks_from(two), prepared(white=white))
    np.testing.assert_allclose(odds, (1 + 3) / 2 - 1, atol=1e-6)


@pytest.mark.parametrize(
    "changes",
    [
        {"networks": np.array(0)},
        {"0.last.weight": np.zeros(2, np.float16)},
        {"0.last.bias": np.float16(np.inf)},
        {"0.1.weight": np.zeros((1, 4, 3, 3), np.float16)},
    ],
    ids=lambda c: next(iter(c)),
)
def test_numbers_that_do_not_fit_are_refused(changes):
    with pytest.raises(ValueError):
        networks_from({**averaging(), **changes})


@pytest.mark.parametrize("spoil", ["missing", "cut", "another", "pickled", "huge"])
def test_a_file_that_is_not_ours_is_one_line(tmp_path, monkeypatch, spoil):
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **averaging())
    data = buffer.getvalue()
    digest = hashlib.sha256(data).hexdigest()
    path = tmp_path / faint_network.NETWORK_FILE
    monkeypatch.setattr(faint_network, "__file__", str(tmp_path / "faint_network.py"))
    load_networks.cache_clear()
    if spoil == "cut":
        path.write_bytes(data[:-40])
    elif spoil == "another":
        path.write_bytes(data)
        digest = "0" * 64
    elif spoil == "pickled":
        np.savez(path, networks=np.array([{"code": 1}], dtype=object))
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
    elif spoil == "huge":
        path.write_bytes(bytes(6_000_000))
    with pytest.raises(ModelError, match=r"^faint_network.npz: cannot be used .*train_faint$"):
        load_networks(digest)
    load_networks.cache_clear()


def test_a_taught_network_finds_stripes_that_it_was_taught():
    pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')
    rng = np.random.default_rng(0)
    rows = []
    for k in range(12):
        x = rng.normal(0, 0.33, (CHANNELS, 96, 480)).astype(np.float32)
        x[3], x[4] = 1, 0
        power = np.zeros((6, 30), np.float32)
        if k % 2:
            at = 8 * int(rng.integers(0, 12))
            x[0, :, 16 * (at // 4) : 16 * (at // 4) + 96] += np.sin(np.arange(96) / 2) * 0.6
            power[:, at // 4 : at // 4 + 6] = 1
        rows.append({"seen": stored(x), "cell_power": power, "pictured": float(k % 2),
                     "cell_share": np.ones((6, 30), np.float32)})  # fmt: skip
    losses = []
    numbers = teach_cells(
        rows * 4, least_power=0.05, seed=0, progress=lambda e, n, loss: losses.append(loss)
    )
    network = network_of(numbers)
    odds = np.stack([cell_odds(network, row) for row in rows])
    power = np.stack([row["cell_power"] for row in rows])
    assert losses[-1] < losses[0]
    assert odds[power > 0].mean() > odds[power == 0].mean() + 2
