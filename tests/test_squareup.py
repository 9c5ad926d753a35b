"""Square-up against exact positions: what lies where on the panel must land there in the view."""

import numpy as np
import pytest

from panelvision.geometry import project, unit_square_to
from panelvision.light import decode
from panelvision.photo import from_array
from panelvision.squareup import Outline, part_light, square_up, square_up_codes

TILTED = np.array([[120.0, 60.0], [700.0, 110.0], [660.0, 470.0], [90.0, 400.0]])


def outline(corners):
    return Outline(np.asarray(corners, float), 1.0, np.full(4, np.nan))


def painted(corners, values, *, width=800, height=540):
    """A photo whose pixel at panel position (u, v) is values(u, v); black outside the panel."""
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    to_panel = np.linalg.inv(unit_square_to(corners))
    u, v = np.moveaxis(project(to_panel, np.stack([x, y], axis=-1)), -1, 0)
    inside = (u >= 0) & (u <= 1) & (v >= 0) & (v <= 1)
    code = np.where(inside, values(u, v), 0)
    return from_array(np.repeat(np.rint(code).astype(np.uint8)[..., None], 3, axis=2))


def test_a_ramp_comes_out_straight_under_perspective():
    # Code value rises linearly with u; after square-up column j must read the ramp at
    # (j + 0.5) / w. Analytic; the tolerance is one code value of quantisation.
    photo = painted(TILTED, lambda u, v: 40 + 160 * u)
    view = square_up(photo, outline(TILTED), width=320)
    expected = decode(np.rint(40 + 160 * (np.arange(320) + 0.5) / 320).astype(np.uint8)[None])[0]
    row = view.linear[view.height // 2, :, 1]
    assert np.abs(row - expected)[4:-4].max() < 0.006


def test_an_edge_at_three_eighths_lands_there():
    photo = painted(TILTED, lambda u, v: np.where(u < 0.375, 40, 200))
    view = square_up(photo, outline(TILTED), width=640)
    profile = np.median(view.linear[..., 1], axis=0)
    middle = (profile[100] + profile[500]) / 2
    at = np.interp(middle, profile[200:300], (np.arange(200, 300) + 0.5) / 640)
    assert at == pytest.approx(0.375, abs=0.001)


def test_averaging_down_keeps_light_not_code_values():
    # One-pixel checkerboard of codes 0 and 255: light averages to 0.5, while averaging code
    # values would give sRGB 127.5, light 0.214 (IEC 61966-2-1).
    board = (np.indices((480, 800)).sum(axis=0) % 2 * 255).astype(np.uint8)
    photo = from_array(np.repeat(board[..., None], 3, axis=2))
    corners = [[-0.5, -0.5], [799.5, -0.5], [799.5, 479.5], [-0.5, 479.5]]
    view = square_up(photo, outline(corners), aspect=800 / 480, width=200)
    assert view.linear.mean() == pytest.approx(0.5, abs=0.01)


def test_noise_averages_by_the_square_root_of_the_pixels():
    # sqrt(n) law: 4 x 4 photo pixels on one view pixel cut the noise to a quarter.
    rng = np.random.default_rng(0)
    grey = np.clip(rng.normal(120, 8, (480, 800)), 0, 255).astype(np.uint8)
    photo = from_array(np.repeat(grey[..., None], 3, axis=2))
    corners = [[-0.5, -0.5], [799.5, -0.5], [799.5, 479.5], [-0.5, 479.5]]
    fine = photo.linear()[..., 0].std()
    coarse = square_up(photo, outline(corners), aspect=800 / 480, width=200).linear[..., 0].std()
    assert coarse / fine == pytest.approx(0.25, rel=0.1)


def test_outside_the_frame_is_marked_not_invented():
    corners = [[-200.0, 50.0], [600.0, 50.0], [600.0, 500.0], [-200.0, 500.0]]
    photo = painted(TILTED, lambda u, v: 100 + 0 * u)
    view = square_up(photo, outline(corners), aspect=16 / 9, width=400)
    # A quarter of the width (200 of 800 pixels) lies left of the frame.
    assert view.in_frame == pytest.approx(0.75, abs=0.01)
    assert not view.valid[:, :95].any()
    assert view.valid[:, 105:].all()


def test_one_clipped_pixel_marks_its_block():
    pixels = np.full((480, 800, 3), 100, np.uint8)
    pixels[201, 402, 0] = 255
    corners = [[-0.5, -0.5], [799.5, -0.5], [799.5, 479.5], [-0.5, 479.5]]
    view = square_up(from_array(pixels), outline(corners), aspect=800 / 480, width=200)
    assert view.clipped.sum() >= 1
    y, x = np.nonzero(view.clipped)
    assert np.abs(x - 100).max() <= 1
    assert np.abs(y - 50).max() <= 1


def test_margin_shows_the_surround_at_the_same_scale():
    photo = painted(TILTED, lambda u, v: 180 + 0 * u)
    view = square_up(photo, outline(TILTED), width=200, margin=0.1)
    assert view.width == 240
    inside = view.luminance[view.height // 2, 25:215]
    assert inside.min() > 0.4
    assert view.luminance[view.height // 2, :15].max() < 0.05


def test_scale_says_photo_pixels_per_view_pixel():
    corners = [[-0.5, -0.5], [799.5, -0.5], [799.5, 449.5], [-0.5, 449.5]]
    photo = from_array(np.full((450, 800, 3), 9, np.uint8))
    assert square_up(photo, outline(corners), width=400).photo_px_per_view_px == pytest.approx(2.0)


def waves(width=1800, height=1200):
    """A photo of soft waves in three colours."""
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    code = 120 + 90 * np.cos((x[..., None] + 0.4 * y[..., None]) / [40, 55, 70])
    return from_array(np.rint(code).astype(np.uint8))


@pytest.mark.parametrize("width", [300, 700])
def test_views_that_share_their_light_are_as_if_made_alone(width):
    # Averaging twice by whole numbers is averaging once by their product; where the view is as
    # wide as what is shared, nothing differs.
    photo, seen = waves(), outline(2.2 * TILTED)
    light = part_light(photo, seen, width=700, margin=0.05)
    alone = square_up(photo, seen, width=width)
    shared = square_up(photo, seen, width=width, light=light)
    assert np.abs(shared.linear - alone.linear).max() < (0.03 if width < 700 else 1e-5)
    assert (shared.clipped == alone.clipped).mean() > 0.99


def test_finer_columns_in_half_the_rows_show_the_same_places():
    # The full view, its rows averaged in pairs, is the reference; two codes for the rounding of
    # pairs and for interpolating codes instead of light. A row too far would change six.
    photo, seen = waves(), outline(2.2 * TILTED)
    full = square_up(photo, seen, width=1200)
    codes, valid = square_up_codes(photo, seen, width=1200)
    assert codes.shape == (full.height // 2, 1200, 3) and valid.all()
    rows = full.height // 2 * 2
    pairs = (full.linear[:rows:2] + full.linear[1:rows:2]) / 2
    off = (decode(codes) - pairs[: len(codes)])[4:-4, 4:-4]
    assert np.abs(off).max() < 0.03
    assert abs(off.mean()) < 0.002


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_column_is_as_sharp_however_the_photo_was_turned(turns):
    code = np.full((900, 1600, 3), 100, np.uint8)
    code[:, 700] = 220
    corners = np.array([[-0.5, -0.5], [1599.5, -0.5], [1599.5, 899.5], [-0.5, 899.5]])
    for _ in range(turns):  # a quarter turn to the left takes (x, y) to (y, width - 1 - x)
        corners = np.column_stack([corners[:, 1], code.shape[1] - 1 - corners[:, 0]])
        code = np.ascontiguousarray(np.rot90(code))
    codes, valid = square_up_codes(from_array(code), outline(corners), width=1600)
    assert valid.all()
    bright = codes[..., 1].mean(axis=0)
    assert bright.argmax() == 700 and bright[700] > 215
    assert np.abs(np.delete(bright, 700) - 100).max() < 5
