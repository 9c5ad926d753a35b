"""The networks that find a faint picture tile by tile: known answers, and what they learn."""

import numpy as np
import pytest

from panelvision.errors import ModelError
from panelvision.measure.faint_network import (
    CHANNELS,
    INPUT_SCALE,
    load_networks,
    quantised,
    read_network,
    read_networks,
)


def corner_light(gain: float = 1.0, bias: float = 0.0) -> dict[str, np.ndarray]:
    """A network whose log-odds are the corner pixel of each cell's light: each layer picks one."""
    numbers: dict[str, np.ndarray] = {"glass.steps": np.array([2, 2, 2, 2], np.uint8)}
    for k in range(4):
        weight = np.zeros((1, CHANNELS if k == 0 else 1, 3, 3), np.float32)
        weight[0, 0, 1, 1] = 1
        numbers[f"glass.{k}.weight"] = weight
        numbers[f"glass.{k}.bias"] = np.zeros(1, np.float32)
    numbers["last.weight"] = np.array([gain * INPUT_SCALE], np.float32)
    numbers["last.bias"] = np.array([bias], np.float32)
    return numbers


def test_quantised_counts_eighths_of_the_noise_and_cuts_to_whole_cells():
    """What is far above the noise counts by its logarithm: 4 asinh(99 / 4) = 15.607 units."""
    white = np.full((70, 50, 3), 0.5, np.float32)
    white[3:, :] = [1.0, -2.0, 99.0]
    use = np.ones((70, 50), bool)
    use[40] = False
    got = quantised(white, use)
    assert got.shape == (64, 48, 3) and got.dtype == np.int8
    # 8 * 4 asinh(1 / 4) = 7.92, 8 * 4 asinh(-2 / 4) = -15.4, 8 * 15.607 = 124.9
    assert got[10, 10].tolist() == [8, -15, 125]
    assert not got[40 - 3].any()


def test_log_odds_of_tiles_are_means_over_two_by_two_cells():
    white = np.zeros((48, 64, 3), np.float32)
    white[::16, ::16, 0] = np.arange(12).reshape(3, 4) / 4
    got = read_network(corner_light(bias=-1.0)).log_odds(white, np.ones((48, 64), bool))
    # 4 asinh(x / 4) noise units of 8 steps each, in whole steps
    cells = np.rint(8 * 4 * np.arcsinh(np.arange(12).reshape(3, 4) / 16)) - 1
    expected = (cells[:-1, :-1] + cells[1:, :-1] + cells[:-1, 1:] + cells[1:, 1:]) / 4
    assert got == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    "spoil",
    [
        {"last.weight": np.ones(3, np.float32)},
        {"last.bias": np.array([np.nan], np.float32)},
        {"glass.steps": np.array([2, 2, 2, 1], np.uint8)},
        {"glass.0.weight": np.ones((1, 3, 3, 3), np.float32)},
    ],
)
def test_arrays_that_do_not_fit_are_refused(spoil):
    with pytest.raises(ValueError, match=r"fit|finite"):
        read_network({**corner_light(), **spoil})


def test_a_file_holds_several_networks():
    numbers = {f"{k}.{n}": v for k in range(3) for n, v in corner_light(gain=k).items()}
    assert [float(n.weight[0]) for n in read_networks(numbers)] == [0, INPUT_SCALE, 2 * INPUT_SCALE]
    with pytest.raises(ValueError, match="too many"):
        read_networks({f"{k}.last.bias": np.zeros(1) for k in range(99)})


def test_a_missing_file_says_what_to_do():
    with pytest.raises(ModelError, match="reinstall"):
        load_networks("nowhere.npz")


def test_what_is_taught_finds_stripes_in_noise_and_reads_the_same_as_in_pytorch():
    pytest.importorskip("torch")
    from models.faint_network import Glass, fit_network

    rng = np.random.default_rng(5)

    def glass(pictured: bool) -> Glass:
        noise = rng.normal(0, 16, (96, 160, 3))
        if pictured:
            noise[:, 64:, 0] += 16 * np.sign(np.sin(np.arange(96) * 0.8))[:, None]
        tiles = np.zeros((5, 9), bool)
        tiles[:, 4:] = pictured
        known = np.ones((5, 9), bool)
        known[:, 3] = False
        return Glass(np.clip(noise, -126, 126).astype(np.int8), tiles, known)

    taught = fit_network([glass(k % 2 == 0) for k in range(40)], seed=1, epochs=8)
    network = read_network(taught)
    with_, without = (
        network.of_quantised(glass(True).white),
        network.of_quantised(glass(False).white),
    )
    assert with_[:, 5:].min() > with_[:, :3].max()
    assert without.max() < with_[:, 5:].min()
