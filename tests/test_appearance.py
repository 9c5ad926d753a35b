"""Appearance numbers on arrays that can be reasoned about by hand."""

import numpy as np
import pytest

from panelvision.measure.appearance import measure_appearance
from panelvision.squareup import Outline, ScreenView


def view_of(light, *, valid=None):
    light = np.asarray(light, np.float32)
    if light.ndim == 2:
        light = np.repeat(light[..., None], 3, axis=2)
    h, w = light.shape[:2]
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], float)
    return ScreenView(
        linear=light,
        valid=np.ones((h, w), bool) if valid is None else valid,
        clipped=np.zeros((h, w), bool),
        to_photo=np.eye(3),
        photo_px_per_view_px=1.0,
        outline=Outline(corners, 1.0, np.full(4, np.nan)),
        aspect=w / h,
    )


def test_brightness_scales_out_of_contrast_numbers():
    rng = np.random.default_rng(0)
    light = rng.uniform(0.2, 0.8, (270, 480))
    bright = measure_appearance(view_of(light)).features()
    dark = measure_appearance(view_of(light / 2)).features()
    # Halving all light moves the level by ln 2 (up to the floor added before the logarithm) ...
    assert bright["look_log_median"] - dark["look_log_median"] == pytest.approx(np.log(2), abs=0.01)
    # ... and leaves contrast alone.
    assert bright["look_log_sd"] == pytest.approx(dark["look_log_sd"], rel=0.01)


def test_stripes_are_told_by_direction():
    columns = np.tile(np.where(np.arange(480) % 40 < 20, 0.2, 0.6), (270, 1))
    rows = np.tile(np.where(np.arange(270) % 30 < 15, 0.2, 0.6)[:, None], (1, 480))
    upright = measure_appearance(view_of(columns)).features()
    level = measure_appearance(view_of(rows)).features()
    assert upright["look_edge_vertical_s1"] > 0.95 > 0.05 > upright["look_edge_horizontal_s1"]
    assert level["look_edge_horizontal_s1"] > 0.95 > 0.05 > level["look_edge_vertical_s1"]


def test_flat_share_counts_flat_tiles():
    rng = np.random.default_rng(1)
    light = np.full((270, 480), 0.4)
    light[:, 240:] *= rng.uniform(0.5, 1.5, (270, 240))
    share = measure_appearance(view_of(light)).features()["look_flat_share"]
    assert share == pytest.approx(0.5, abs=0.03)


def test_a_single_colour_has_no_contrast_but_full_saturation():
    light = np.zeros((270, 480, 3))
    light[..., 0] = 0.5
    numbers = measure_appearance(view_of(light)).features()
    assert numbers["look_saturation_mean"] == pytest.approx(1, abs=0.01)
    assert numbers["look_log_sd"] == pytest.approx(0, abs=1e-4)
    assert numbers["look_channel_corr_rg"] == pytest.approx(0, abs=1e-3)


def test_too_little_in_frame_is_not_a_number():
    valid = np.zeros((270, 480), bool)
    valid[:10, :10] = True
    numbers = measure_appearance(view_of(np.full((270, 480), 0.3), valid=valid)).features()
    assert all(np.isnan(v) for v in numbers.values())
