"""Noise of sensor rows, put in and taken out again; pictures stay."""

import numpy as np
import pytest

from panelvision.light import decode, encode
from panelvision.measure.faint import find_faint
from panelvision.measure.faint_features import prepare_view
from panelvision.measure.row_noise import rows_run_upright, sensor_rows, without_row_noise
from panelvision.photo import Photo, from_array
from panelvision.squareup import Outline, square_up
from tests.faint_scenes import draw

SHAPE = (270, 480)
USE = np.ones(SHAPE, bool)
LIGHT = np.full((*SHAPE, 3), 0.02, np.float32)


def _tilted(degrees: float) -> np.ndarray:
    """Photo rows, in view pixels, of a view that the photo shows turned."""
    a = np.deg2rad(degrees)
    matrix = np.array([[np.cos(a), -np.sin(a), 40], [np.sin(a), np.cos(a), 30], [0, 0, 1]])
    return sensor_rows(matrix, SHAPE, upright=False)


def _row_noise(rows: np.ndarray, sigma: float, rng: np.random.Generator) -> np.ndarray:
    """White noise of the photo's rows, as seen in the view, relative to ``LIGHT``."""
    of_row = rng.normal(0, sigma, int(rows.max()) + 2)
    return np.repeat(np.interp(rows, np.arange(of_row.size), of_row)[..., None], 3, 2)


@pytest.mark.parametrize("degrees", [0.0, 2.0, -6.0])
def test_most_of_the_rows_noise_is_taken_off(degrees: float) -> None:
    rng = np.random.default_rng(1)
    rows = _tilted(degrees)
    pixels = rng.normal(0, 0.05, (*SHAPE, 3)).astype(np.float32)
    bars = _row_noise(rows, 0.04, rng).astype(np.float32)
    left = without_row_noise(pixels + bars, LIGHT, USE, rows) - pixels
    # Of a row of 480 pixels the mean is known to 0.05 / sqrt(480) = 0.0023.
    assert left.std() < 0.45 * bars.std()


def test_where_rows_have_no_noise_nothing_is_taken_off() -> None:
    rng = np.random.default_rng(2)
    pixels = rng.normal(0, 0.05, (*SHAPE, 3)).astype(np.float32)
    changed = without_row_noise(pixels, LIGHT, USE, _tilted(1.0)) - pixels
    assert changed.std() < 0.5 * 0.05 / np.sqrt(480)


@pytest.mark.parametrize("noisy", [0.0, 0.02])
def test_a_level_picture_of_bars_and_lines_stays(noisy: float) -> None:
    """The hardest one: it lies along the sensor's rows, and fills them."""
    rng = np.random.default_rng(3)
    rows = _tilted(0.0)
    y = np.arange(SHAPE[0])
    menu = np.where((y // 14) % 2, 0.05, -0.05) * (y > 60) * (y < 220)
    picture = np.repeat(np.repeat(menu[:, None, None], SHAPE[1], 1), 3, 2).astype(np.float32)
    picture[:, :120] = 0
    pixels = rng.normal(0, 0.03, picture.shape).astype(np.float32)
    bars = _row_noise(rows, noisy, rng).astype(np.float32)
    left = without_row_noise(picture + pixels + bars, LIGHT, USE, rows)
    kept = float((left * picture).sum() / (picture * picture).sum())
    assert 0.75 < kept < 1.1


@pytest.mark.parametrize("far", [1e12, np.inf, np.nan])
def test_rows_without_end_are_left_alone(far: float) -> None:
    rows = _tilted(0.0)
    rows[0, 0] = far
    pixels = np.random.default_rng(6).normal(0, 0.05, (*SHAPE, 3)).astype(np.float32)
    assert (without_row_noise(pixels, LIGHT, USE, rows) == pixels).all()
    nothing = np.zeros(SHAPE, bool)
    assert (without_row_noise(pixels, LIGHT, nothing, _tilted(0.0)) == pixels).all()


def test_rows_of_a_view_are_counted_in_its_pixels() -> None:
    twice = np.diag([2.0, 2.0, 1.0])
    across = sensor_rows(twice, (5, 7), upright=False)
    np.testing.assert_allclose(across, np.repeat(np.arange(5.0)[:, None], 7, 1), atol=1e-9)
    down = sensor_rows(twice, (5, 7), upright=True)
    np.testing.assert_allclose(down, np.repeat(np.arange(7.0)[None], 5, 0), atol=1e-9)


@pytest.mark.parametrize(
    ("size", "orientation", "upright"),
    [
        ((300, 400), 1, False),
        ((400, 300), 1, True),  # turned before it was sent
        ((400, 300), 6, True),
        ((300, 400), 8, True),
        ((400, 300), 3, False),
    ],
)
def test_which_way_the_rows_run(size: tuple[int, int], orientation: int, upright: bool) -> None:
    photo = from_array(np.zeros((*size, 3), np.uint8), orientation=orientation)
    assert rows_run_upright(photo) is upright


def _with_bars(pixels: np.ndarray, bars: float, rng: np.random.Generator) -> np.ndarray:
    """A photo with more noise of pixels, and with noise of rows ``bars`` times as strong."""
    grain = rng.normal(0, 0.002, pixels.shape)
    rows = rng.normal(0, 0.002 * bars, (pixels.shape[0], 1, 1))
    return encode((decode(pixels) + grain + rows).astype(np.float32))


def _seen(photo: Photo, corners: np.ndarray) -> float:
    view = square_up(photo, Outline(corners, 1.0, np.full(4, np.nan)))
    return find_faint(photo, view, limit=False).score


@pytest.mark.parametrize("turned", [False, True])
def test_bars_of_a_sensor_are_no_picture(turned: bool) -> None:
    """The same photos with and without strong noise of rows: what is said hardly changes."""
    rises = []
    for seed in range(40, 46):
        scene = draw(seed, nuisances=(), exposure=0.01)
        corners = scene.corners
        pixels = [
            _with_bars(scene.pixels, bars, np.random.default_rng(seed)) for bars in (0.0, 0.5)
        ]
        if turned:  # as a phone held upright: the screen's columns are the sensor's rows
            pixels = [np.rot90(p, -1) for p in pixels]
            corners = np.stack([scene.pixels.shape[0] - 1 - corners[:, 1], corners[:, 0]], axis=1)
            corners = np.roll(corners, 1, axis=0)
        plain, barred = (_seen(from_array(np.ascontiguousarray(p)), corners) for p in pixels)
        rises.append(barred - plain)
    assert float(np.median(rises)) < 0.8 and sum(r > 1.5 for r in rises) <= 1, rises


def test_a_prepared_view_has_the_rows_noise_taken_off() -> None:
    scene = draw(47, nuisances=(), exposure=0.02)
    photo = from_array(_with_bars(scene.pixels, 1.0, np.random.default_rng(5)))
    view = square_up(photo, Outline(scene.corners, 1.0, np.full(4, np.nan)))
    right, wrong = (
        prepare_view(view, upright=upright).flat.residual[60:-60, 60:-60, 1]
        for upright in (False, True)
    )
    # What all of a row share is gone; that the other way round nothing is found, is the scale.
    assert right.mean(axis=1).std() < 0.4 * wrong.mean(axis=1).std()
