"""Combs of rows: known answers on made-up pictures."""

import cv2
import numpy as np
import pytest

from panelvision.light import root
from panelvision.measure.combs import NAMES, comb_features
from panelvision.measure.profile import profile_of_signal

HEIGHT = 540


def picture(seed: int = 0) -> np.ndarray:
    """Smooth blobs of random tone and a little grain, (540, 960, 3), linear light."""
    rng = np.random.default_rng(seed)
    coarse = rng.uniform(0.05, 0.8, (9, 16, 3)).astype(np.float32)
    image = cv2.resize(coarse, (960, HEIGHT), interpolation=cv2.INTER_CUBIC)
    return np.clip(image + rng.normal(0, 0.01, image.shape), 0.01, 1).astype(np.float32)


def combs(image: np.ndarray) -> dict[str, float]:
    """Comb features of the rows without the prefix."""
    found = comb_features(
        profile_of_signal(root(image), np.ones(image.shape[:2], bool), "horizontal")
    )
    return {name: found[f"rows_{name}"] for name in NAMES}


@pytest.mark.parametrize("period", [8, 12, 20])
def test_dark_teeth_show_their_period_and_the_part_they_take(period):
    image = picture()
    for y in range(100, 380, period):
        image[y : y + period // 2] *= 0.1
    found = combs(image)
    assert found["comb_periodic"] > 0.85
    assert found["comb_shared"] > 0.7
    rows = found["comb_period"] * HEIGHT
    assert 0 < rows < 26  # 26 is the longest lag that is tried
    assert rows % (period // 2) == pytest.approx(0, abs=0.01)
    # Windows that are partly in the comb count too.
    assert 280 / HEIGHT - 0.05 < found["comb_reach"] < 280 / HEIGHT + 0.2


def test_torn_rows_are_a_comb_though_no_row_is_darker():
    image = picture(1)
    for y in range(60, 480, 16):
        image[y : y + 7] = np.roll(image[y : y + 7], 400, axis=1)
    found = combs(image)
    assert found["comb_periodic"] > 0.85
    assert found["comb_reach"] > 0.5


def test_lines_of_text_beside_a_picture_agree_less_than_a_comb():
    def striped(columns: slice) -> dict[str, float]:
        image = picture(2)
        for y in range(60, 480, 16):
            image[y : y + 8, columns] *= 0.1
        return combs(image)

    text, comb = striped(slice(0, 380)), striped(slice(None))
    assert text["comb_shared"] < 0.4 < comb["comb_shared"]
    assert text["comb_reach"] < 0.1 < comb["comb_reach"]


def test_a_healthy_picture_has_no_comb():
    assert combs(picture(3))["comb_reach"] < 0.05


def test_too_few_strips_in_view_say_nothing():
    image = picture()
    valid = np.zeros(image.shape[:2], bool)
    valid[:, :200] = True
    found = comb_features(profile_of_signal(root(image), valid, "horizontal"))
    assert all(np.isnan(v) for v in found.values())
