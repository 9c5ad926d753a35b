"""Blank, still and comb-like runs: known answers on made-up pictures."""

import numpy as np
import pytest

from panelvision.light import root
from panelvision.measure.profile import profile_of_signal
from panelvision.measure.runs import NAMES, run_features


def picture(seed: int = 0) -> np.ndarray:
    """A busy picture (540, 960, 3) of blocks of random tone, in linear light."""
    rng = np.random.default_rng(seed)
    blocks = rng.uniform(0.05, 0.9, (27, 48, 3)).astype(np.float32)
    return np.repeat(np.repeat(blocks, 20, 0), 20, 1)


def rows(image: np.ndarray) -> dict[str, float]:
    """Row features of a picture without the prefix."""
    found = run_features(
        profile_of_signal(root(image), np.ones(image.shape[:2], bool), "horizontal")
    )
    return {name: found[f"rows_{name}"] for name in NAMES}


def test_a_blank_band_between_two_parts_of_the_picture():
    image = picture()
    image[200:254] = 0.8
    found = rows(image)
    assert found["blank_run"] == pytest.approx(0.1, abs=0.01)
    assert found["blank_between"] > 0.08
    assert found["blank_runs"] == 1


def test_a_picture_has_no_blank_run():
    assert rows(picture())["blank_run"] == 0


def test_film_bars_at_the_border_are_no_blank_run():
    image = picture()
    image[:70] = image[-70:] = 0
    assert rows(image)["blank_run"] == 0


def test_a_latched_row_stands_still_while_the_picture_moves():
    image = picture()
    image[200:362] = image[195]  # the block above shows that row from 180 on
    found = rows(image)
    assert found["still_run"] == pytest.approx((362 - 180) / 540, abs=0.02)
    moving = rows(picture())
    assert moving["still_run"] < 0.06
    assert found["still_spread"] > 0.08


def test_every_second_row_dark_is_a_comb():
    image = picture()
    image[100:316:4] = image[101:316:4] = 0
    assert rows(image)["comb_share"] > 0.3
    assert rows(picture())["comb_share"] < 0.05


def test_the_same_band_along_the_columns():
    image = picture().swapaxes(0, 1).copy()
    image[:, 200:254] = 0.1
    found = run_features(profile_of_signal(root(image), np.ones(image.shape[:2], bool), "vertical"))
    assert found["columns_blank_run"] == pytest.approx(0.1, abs=0.01)


def test_too_few_strips_in_the_frame_give_nan():
    image = picture()
    valid = np.zeros(image.shape[:2], bool)
    valid[:, :100] = True
    found = run_features(profile_of_signal(root(image), valid, "horizontal"))
    assert all(np.isnan(value) for value in found.values())
