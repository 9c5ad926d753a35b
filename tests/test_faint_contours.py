"""Contours on a dark screen: what a step is worth by arithmetic, and what is none."""

import json

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier

from models.export import arrays_of
from panelvision.errors import ModelError
from panelvision.measure.combiner import load_numbers
from panelvision.measure.faint import MODEL_FILE, scorers_from
from panelvision.measure.faint_contours import CONTOURS, LENGTHS, contours
from panelvision.measure.scorers import MISSING

SIZE = 270, 480


def across(angle: float) -> np.ndarray:
    """Distance in pixels from a line through the middle that lies at this angle (degrees)."""
    y, x = np.indices(SIZE)
    turn = np.radians(angle)
    return (y - SIZE[0] / 2) * np.cos(turn) - (x - SIZE[1] / 2) * np.sin(turn)


def seen(structure: np.ndarray, *, colour: float = 0.0) -> dict[str, float]:
    """Contours of a structure (h, w) in white noise of unit strength, as numbers and not logs."""
    white = np.random.default_rng(5).normal(0, 1, (*SIZE, 3)).astype(np.float32)
    white[..., 0] += structure
    white[..., 1] += colour * structure
    found = contours(white, np.ones(SIZE, bool))
    assert tuple(found) == CONTOURS
    return {name: 10**value - 0.1 for name, value in found.items()}


NOISE = seen(np.zeros(SIZE))


@pytest.mark.parametrize("length", LENGTHS)
def test_a_step_stands_out_of_the_noise_as_far_as_its_length_allows(length):
    """Of a step of s noises (pixels of the half-size view hold four, so 2 s there) the means of
    two rows of ``length`` on each side differ by 2 s, with noise sqrt(2 / (2 length))."""
    s = 1.5
    found = seen(s * (across(0) > 0))
    expected = 2 * s * np.sqrt(length)
    assert found[f"contour_{length}_light_few"] == pytest.approx(expected, rel=0.2)
    assert NOISE[f"contour_{length}_light_few"] < 0.5 * expected


@pytest.mark.parametrize("angle", [0.0, 7.5, 30.0, 52.5, 90.0, 142.5])
def test_a_step_is_seen_in_every_direction(angle):
    found = seen(1.5 * (across(angle) > 0))
    assert found["contour_21_light_few"] > 2 * NOISE["contour_21_light_few"]
    if angle != 7.5:  # as near to the axis as to the next direction
        assert (found["contour_21_light_axes"] > 1) == (angle % 90 == 0)


@pytest.mark.parametrize(
    "structure",
    [
        pytest.param(np.exp(-0.5 * (across(30) / 3) ** 2), id="a smear's ridge"),
        pytest.param(np.tanh(across(30) / 25), id="the torch's slope"),
    ],
)
def test_ridges_and_slopes_are_no_steps(structure):
    edge = seen(2.0 * (across(30) > 0))["contour_21_light_few"]
    height = structure.max() - structure.min()
    found = seen(2.0 / height * structure)["contour_21_light_few"]
    assert found < 0.6 * edge


def test_colour_at_the_contours_is_seen():
    grey, coloured = (seen(1.5 * (across(30) > 0), colour=c) for c in (0.0, 1.0))
    assert coloured["contour_21_redgreen_there"] > 3 * grey["contour_21_redgreen_there"]
    assert coloured["contour_21_blueyellow_there"] == pytest.approx(
        grey["contour_21_blueyellow_there"], abs=0.5
    )


def test_too_little_glass_says_nothing():
    use = np.zeros(SIZE, bool)
    use[:40, :40] = True
    assert np.isnan(list(contours(np.zeros((*SIZE, 3), np.float32), use).values())).all()


def test_shipped_trees_say_what_the_fitted_ones_say():
    data = json.loads(json.dumps(load_numbers(MODEL_FILE)))
    inputs = len(data["whole"]["names"])
    rng = np.random.default_rng(1)
    x = rng.normal(size=(300, inputs))
    x[::7, 3] = MISSING
    fitted = HistGradientBoostingClassifier(max_iter=8, max_leaf_nodes=6).fit(
        x, x[:, 0] + x[:, 3] > 0
    )
    arrays = {f"0.{name}": values.tolist() for name, values in arrays_of(fitted).items()}
    data["trees"] = json.loads(json.dumps({"members": 1, **arrays}))
    (trees,) = scorers_from(data).trees
    assert trees.scores(x)[:, 0] == pytest.approx(fitted.decision_function(x), abs=1e-5)


def test_missing_trees_are_a_clear_error():
    data = {k: v for k, v in load_numbers(MODEL_FILE).items() if k != "trees"}
    with pytest.raises(ModelError, match=r"faint_model\.json: trees: .*reinstall"):
        scorers_from(data)


@pytest.mark.parametrize(
    "spoil", [{"0.feature": [9999]}, {"members": "two"}, {"0.root": None}, {"members": 0}]
)
def test_damaged_trees_are_a_clear_error(spoil):
    data = json.loads(json.dumps(load_numbers(MODEL_FILE)))
    data["trees"] = {**data["trees"], **spoil}
    with pytest.raises(ModelError, match=r"faint_model\.json: trees: .*reinstall"):
        scorers_from(data)
