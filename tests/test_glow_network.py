"""The network of backlight faults: what it is taught with, what it says, what it refuses."""

import numpy as np
import pytest

import panelvision.measure.glow_network as glow_network
from models.gain_maps import gain_map, harmless_map
from models.glow_network import Backlight, fit_network, varied
from models.train_glow import _places
from panelvision.errors import ModelError
from panelvision.measure.glow_network import FLOOR, SIZE, glow_picture, load_glow_network
from panelvision.measure.reduced import reduce_view
from panelvision.squareup import Outline
from tests.surface_views import grid, odd_views, photo_of, picture, view_of


def seen(light):
    photo = photo_of(np.clip(light, 0, 1).astype(np.float32), noise=1.0)
    return glow_picture(reduce_view(view_of(photo), 240))


def test_a_gain_of_the_light_is_a_sum_in_what_the_network_sees():
    light = picture(4) * 0.8
    whole, half = seen(light), seen(light * 0.5)
    assert whole.shape == (*SIZE, 6)
    bright = whole[..., 3] > np.log(0.1)
    lost = (whole - half)[..., 3][bright]
    # ln 2, but for the floor under both: (l + f) / (l / 2 + f) at l of 0.1 is 2 / 1.03.
    assert np.median(lost) == pytest.approx(np.log(2), abs=0.03)


def test_the_same_picture_says_more_with_a_fault_than_without():
    x, y = grid()
    d2 = [(x - a) ** 2 + ((y - b) * 9 / 16) ** 2 for a, b in ((0.3, 0.25), (0.7, 0.75))]
    spots = 1 + 1.2 * sum(np.exp(-d / (2 * 0.02**2)) for d in d2)
    # Strip 4 of 5 is dead, its light at a fifth, edges of some 4 % of the height.
    strip = 1 - 0.8 / (1 + np.exp(-(0.1 - np.abs(y - 0.7)) / 0.02))
    read = load_glow_network().read
    bare_says, dim_says = [], []
    for seed in range(8):
        light = 0.4 * picture(seed)
        plain, bare, dim = (read(seen(light * g[..., None])) for g in (1 + 0 * x, spots, strip))
        bare_says.append(bare.spot - plain.spot)
        dim_says.append(dim.dim - plain.dim)
    assert min(dim_says) > 3
    # On one of the pictures a dark disc takes one spot, a bright one the other.
    assert sorted(bare_says)[1] > 2


def test_gain_maps_are_what_they_say():
    rng = np.random.default_rng(0)
    kinds = []
    for _ in range(60):
        gain, there, answers = gain_map(rng, SIZE)
        assert gain.shape == SIZE and np.isfinite(gain).all() and gain.min() > 0
        assert there.any(axis=(0, 1)).tolist() == (answers == 1).tolist()
        kinds.append(int(answers[1]))
        if answers[1]:
            assert gain.max() > 1.03 and gain[there[..., 1]].min() > 1
        else:
            # Nowhere brighter, and in the zone darker than outside of it.
            assert gain.max() <= 1.0001
            assert gain[there[..., 0]].mean() < gain[~there[..., 0]].mean()
        smooth = np.log(harmless_map(rng, SIZE))
        assert max(np.abs(np.diff(smooth, axis=a)).max() for a in (0, 1)) < 0.05
    assert 10 < sum(kinds) < 50


def healthy_example():
    flat = np.full((*SIZE, 6), np.log(0.3 + FLOOR), np.float16)
    flat[..., 4], flat[..., 5] = 1, 0
    return Backlight(flat, np.array([0, 0]), np.zeros((*SIZE, 2), np.uint8), True)


def test_a_healthy_backlight_is_given_a_fault_and_a_faulty_one_is_not():
    rng = np.random.default_rng(1)
    shown = [varied(healthy_example(), rng) for _ in range(80)]
    faulty = [e for e in shown if (e.answers == 1).any()]
    assert 20 < len(faulty) < 60
    for e in faulty:
        # On an even picture the light differs where the places say so.
        k = int(np.argmax(e.answers))
        there = e.places[..., k] == 1
        elsewhere = (e.places == 0).all(axis=-1)
        apart = float(e.picture[there, 3].mean() - e.picture[elsewhere, 3].mean())
        assert (apart < 0) == (k == 0)
    own = healthy_example()
    faulty_already = Backlight(own.picture, np.array([1, 0]), own.places, False)
    for _ in range(20):
        assert varied(faulty_already, rng).answers.tolist() == [1, 0]


def test_places_lie_where_the_panel_has_them():
    corners = [[100, 50], [900, 50], [900, 500], [100, 500]]
    truth = {"corners": corners, "zones": [[0.5, 0.0, 1.0, 0.25]], "spots": [[0.25, 0.75]]}
    places = _places(truth, Outline(np.array(corners, float), 1.0, np.full(4, np.nan)))
    assert places[5, 100, 0] == 1 and places[5, 30, 0] == 0 and places[60, 100, 0] == 0
    rows, columns = np.nonzero(places[..., 1])
    assert rows.mean() == pytest.approx(54, abs=1) and columns.mean() == pytest.approx(32, abs=1)


def test_it_learns_and_ships_as_it_was_taught():
    pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')
    rng = np.random.default_rng(2)
    examples = []
    for k in range(64):
        e = healthy_example()
        light = e.picture.copy()
        places = np.zeros((*SIZE, 2), np.uint8)
        if k % 2:
            top = int(rng.integers(0, 40))
            light[top : top + 24, :, :4] -= 1.2
            places[top : top + 24, :, 0] = 1
        examples.append(Backlight(light, np.array([k % 2, 0]), places, False))
    losses = []
    numbers = fit_network(
        examples, seed=0, epochs=30, progress=lambda epoch, of, loss: losses.append(loss)
    )
    assert losses[-1] < 0.6 * losses[0]
    network = glow_network.read_glow_network(numbers)
    said = [network.read(e.picture.astype(np.float32)) for e in examples]
    odds = np.array([r.dim for r in said])
    assert ((odds > 0) == (np.arange(64) % 2 == 1)).mean() > 0.9
    # A place that is dim says so more than one that is not.
    first = said[1].places[..., 0]
    at = np.add.reduceat(examples[1].places[:64, ::16, 0].astype(float), range(0, 64, 16)) > 8
    assert first[:4][at].mean() > first[:4][~at].mean()


def test_odd_views_say_something_finite():
    for name, _, view in odd_views():
        features = load_glow_network().read(glow_picture(reduce_view(view, 240))).features()
        assert all(np.isfinite(v) for v in features.values()), name


@pytest.mark.parametrize("damage", ["cut", "missing", "layers", "nan"])
def test_a_damaged_file_is_refused(tmp_path, damage):
    stored = dict(np.load(glow_network.__file__.replace("glow_network.py", "glow_network.npz")))
    if damage == "layers":
        stored["dense.0.weight"] = stored["dense.0.weight"][1:]
    if damage == "nan":
        stored["dense.1.bias"] = np.full_like(stored["dense.1.bias"], np.nan)
    path = tmp_path / "glow.npz"
    if damage != "missing":
        np.savez(path, **stored)
    if damage == "cut":
        path.write_bytes(path.read_bytes()[:999])
    with pytest.raises(ModelError, match=r"learned numbers cannot be read .*; reinstall"):
        load_glow_network.__wrapped__(str(path))
