"""Tone and colour faults made by hand on a known picture."""

import numpy as np
import pytest

from panelvision.light import srgb_to_linear
from panelvision.measure.colour import measure_colour
from tests.surface_views import grid, odd_views, photo_of, picture, view_of


def _codes_photo(codes: np.ndarray, noise: float = 0.8):
    return photo_of(srgb_to_linear(codes / 255.0).astype(np.float32), noise=noise)


def _ramp() -> np.ndarray:
    """A smooth picture in code values: slopes in several directions, 20..235."""
    x, y = grid()
    r = 20 + 215 * x
    g = 20 + 215 * (0.5 + 0.5 * np.sin(2.2 * x + 2.9 * y))
    b = 235 - 200 * y
    return np.stack([r, g, b], axis=-1)


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_missing_channel_is_named(channel: int) -> None:
    light = picture(2)
    light[..., channel] = 0.002
    photo = photo_of(light, noise=1.0)
    assert measure_colour(view_of(photo)).missing == ("red", "green", "blue")[channel]


@pytest.mark.parametrize("colour", [(0.5, 0.01, 0.01), (0.4, 0.4, 0.005), (0.4, 0.4, 0.4)])
def test_plain_pages_miss_nothing(colour: tuple[float, float, float]) -> None:
    light = np.empty((540, 960, 3), np.float32)
    light[:] = colour
    photo = photo_of(light, noise=1.0)
    assert measure_colour(view_of(photo)).missing is None


@pytest.mark.parametrize("bits", [3, 4])
def test_lost_bits_leave_steps_of_their_size(bits: int) -> None:
    step = 2 ** (8 - bits)
    codes = np.floor(_ramp() / step) * step + step / 2
    colour = measure_colour(view_of(_codes_photo(codes)))
    assert colour.tone.posterised
    assert colour.tone.step == pytest.approx(step, rel=0.15)


def test_a_smooth_picture_is_neither_posterised_nor_folded() -> None:
    tone = measure_colour(view_of(_codes_photo(_ramp()))).tone
    assert not tone.posterised and not tone.folded
    assert not measure_colour(view_of(photo_of(picture(), noise=1.0))).tone.folded


def test_solarised_ramps_fold_at_the_level_of_the_fold() -> None:
    codes = _ramp()
    folded = np.where(codes > 140, 280 - codes, codes)
    tone = measure_colour(view_of(_codes_photo(folded))).tone
    assert tone.folded
    assert tone.crease_level == pytest.approx(140, abs=6)


def test_inversion_turns_the_signs_of_layout() -> None:
    light = picture(4)
    light[:60] *= 0.02
    light[-60:] *= 0.02
    codes = 255 * (12.92 * light).clip(0, 1) ** 0.5
    upright = measure_colour(view_of(_codes_photo(codes))).features()
    inverted = measure_colour(view_of(_codes_photo(255 - codes))).features()
    assert upright["colour_frame_over_inner"] < 0 < inverted["colour_frame_over_inner"]


def test_odd_views_never_raise_and_keep_the_names() -> None:
    names = None
    for name, _, view in odd_views():
        features = measure_colour(view).features()
        names = names or sorted(features)
        assert sorted(features) == names, name
        assert not any(np.isinf(v) for v in features.values()), name


def test_a_page_with_shapes_of_one_colour_misses_none() -> None:
    """Red shapes on yellow: blue is weak, but red shows no picture, so nobody can tell."""
    light = np.empty((540, 960, 3), np.float32)
    light[:] = (0.9, 0.8, 0.004)
    for k in range(6):
        light[80 + 60 * k : 110 + 60 * k, 100 : 300 + 90 * k] = (0.9, 0.01, 0.004)
    photo = photo_of(light, noise=0.7)
    assert measure_colour(view_of(photo)).missing is None
