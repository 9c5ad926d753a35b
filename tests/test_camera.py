"""Rolling-shutter bars and moire: the camera's marks, told from the panel's."""

import cv2
import numpy as np
import pytest

from panelvision.findings_surface import describe_camera
from panelvision.measure.camera import measure_camera
from panelvision.photo import Photo, from_array
from panelvision.squareup import Outline, ScreenView, square_up
from tests.surface_views import odd_views, picture


def _tilted(
    angle_deg: float,
    *,
    bars: tuple[float, float] | None,
    columns: bool = False,
    panel_band: bool = False,
    shade: np.ndarray | None = None,
    seed: int = 1,
) -> tuple[Photo, ScreenView]:
    """A screen tilted in a 1200 x 900 photo; ``bars`` = (period in photo rows, modulation)."""
    from panelvision.light import encode

    light = picture(seed)
    if panel_band:
        y = (np.arange(540) + 0.5) / 540
        light = light * (1 + 0.3 * np.cos(2 * np.pi * 3 * y))[:, None, None]
    if shade is not None:  # light of each of the panel's rows
        light = light * shade[:, None, None]
    turn = cv2.getRotationMatrix2D((479.5, 269.5), angle_deg, 1.0)
    turn[:, 2] += (120, 180)
    frame = cv2.warpAffine(light.astype(np.float32), turn, (1200, 900), borderValue=(0.003,) * 3)
    if bars is not None:
        period, depth = bars
        gain = 1 + depth * np.cos(2 * np.pi * (np.arange(1200 if columns else 900) - 40) / period)
        frame = frame * (gain[None, :, None] if columns else gain[:, None, None])
    codes = encode(np.clip(frame, 0, 1)).astype(np.float32)
    codes += np.random.default_rng(seed).normal(0, 1.0, codes.shape)
    photo = from_array(np.clip(np.rint(codes), 0, 255).astype(np.uint8))
    box = np.array([[-0.5, -0.5, 1], [959.5, -0.5, 1], [959.5, 539.5, 1], [-0.5, 539.5, 1]])
    outline = Outline(box @ turn.T, 1.0, np.full(4, np.nan))
    return photo, square_up(photo, outline)


# Period in rows of a light pulsed at f with a row time t: 1 / (f t); 480 Hz and 10 us give
# 208.33 rows, 1000 Hz 100 rows (rolling-shutter literature, arithmetic).
@pytest.mark.parametrize("period", [208.33, 100.0])
def test_bars_are_found_with_period_depth_and_direction(period: float) -> None:
    photo, view = _tilted(4.0, bars=(period, 0.2))
    camera = measure_camera(photo, view)
    assert camera.rolling_shutter_banding == pytest.approx(0.2, abs=0.05)
    assert camera.period_rows == pytest.approx(period, rel=0.06)
    bars = camera.bars[0]
    assert abs(bars.tilt_deg) < 1.0 and bars.panel_tilt_deg == pytest.approx(-4.0, abs=0.3)
    assert camera.retake


def test_upright_phone_has_bars_along_columns() -> None:
    photo, view = _tilted(-3.0, bars=(150.0, 0.25), columns=True)
    camera = measure_camera(photo, view)
    assert camera.rolling_shutter_banding > 0.15
    assert not camera.along_rows


def test_panel_bands_and_plain_pictures_are_not_blamed_on_the_camera() -> None:
    for angle in (3.0, -5.0):
        photo, view = _tilted(angle, bars=None, panel_band=True)
        assert measure_camera(photo, view).rolling_shutter_banding == 0.0
    for seed in range(4):
        photo, view = _tilted(2.0, bars=None, seed=seed)
        camera = measure_camera(photo, view)
        assert camera.rolling_shutter_banding == 0.0 and camera.gain(view) is None


def _turned(photo: Photo, view: ScreenView, turns: int) -> tuple[Photo, ScreenView]:
    """The same pixels as a phone held on its side leaves them, the screen's own corners kept."""
    corners = view.outline.corners
    for _ in range(turns):  # a quarter turn to the left: x' = y, y' = w - 1 - x
        corners = np.stack([corners[:, 1], photo.width - 1 - corners[:, 0]], axis=1)
        photo = from_array(np.ascontiguousarray(np.rot90(photo.pixels)))
    return photo, square_up(photo, Outline(corners, 1.0, np.full(4, np.nan)))


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_the_panels_own_bands_are_not_blamed_on_the_camera_however_it_was_held(turns: int) -> None:
    photo, view = _turned(*_tilted(3.0, bars=None, panel_band=True), turns)
    camera = measure_camera(photo, view)
    assert camera.rolling_shutter_banding == 0.0
    along = next(b for b in camera.bars if b.along_rows == (turns == 2))
    assert abs(along.panel_tilt_deg) == pytest.approx(3.0, abs=0.3)
    bars, seen = _turned(*_tilted(4.0, bars=(100.0, 0.2)), turns)
    assert measure_camera(bars, seen).rolling_shutter_banding == pytest.approx(0.2, abs=0.05)


def test_with_the_phone_held_level_the_camera_is_suspected_and_not_convicted() -> None:
    photo, view = _tilted(0.0, bars=(90.0, 0.4))
    level = measure_camera(photo, view)
    assert level.rolling_shutter_banding > 0.3 and not level.told_apart
    assert "turn the phone" in level.retake[0] and "may be" in level.retake[0]
    (finding,) = describe_camera(level)
    assert "may come from the camera" in finding.sentence
    tilted = measure_camera(*_tilted(4.0, bars=(100.0, 0.2)))
    assert tilted.told_apart and "not from the panel" in describe_camera(tilted)[0].sentence


def test_a_dark_strip_among_the_bars_is_not_divided_out_with_them() -> None:
    from panelvision.measure.glow import measure_glow

    y = (np.arange(540) + 0.5) / 540
    strip = 1 - 0.6 / (1 + np.exp(-(y - 0.5) / 0.012)) / (1 + np.exp((y - 0.75) / 0.012))
    photo, view = _tilted(0.0, bars=(90.0, 0.4), shade=strip)
    camera = measure_camera(photo, view)
    assert camera.rolling_shutter_banding > 0.3
    (zone, *_) = measure_glow(photo, camera.discount(view)).zones
    assert zone.y0 == pytest.approx(0.5, abs=0.06) and zone.y1 == pytest.approx(0.75, abs=0.06)
    assert zone.light < 0.6


def test_gain_discounts_the_bars() -> None:
    photo, view = _tilted(4.0, bars=(180.0, 0.3))
    camera = measure_camera(photo, view)
    gain = camera.gain(view)
    assert gain is not None and gain.shape == (view.height, view.width)
    clean_photo, clean = _tilted(4.0, bars=None)
    inner = (slice(40, -40), slice(40, -40))
    before = np.log(view.luminance[inner] / clean.luminance[inner])
    after = np.log((view.luminance / gain)[inner] / clean.luminance[inner])
    assert after.std() < 0.35 * before.std()


@pytest.mark.parametrize("columns", [False, True])
def test_bars_on_a_healthy_set_are_no_fault(columns: bool) -> None:
    """Healthy pictures under camera bars: with the bars discounted nothing is found."""
    from panelvision.measure.columns import measure_columns
    from panelvision.measure.glow import measure_glow
    from panelvision.measure.rows import measure_rows

    alarms = 0
    for period, depth, angle in [(90, 0.4, 0.0), (90, 0.2, 3.0), (160, 0.4, 3.0), (160, 0.2, 0.0)]:
        photo, view = _tilted(angle, bars=(period, depth), columns=columns, seed=period)
        camera = measure_camera(photo, view)
        assert camera.rolling_shutter_banding == pytest.approx(depth, abs=0.03)
        steady = camera.discount(view)
        across, down = measure_columns(photo, steady), measure_rows(photo, steady)
        alarms += len(across.bands) + len(across.lines) + len(down.bands) + len(down.lines)
        glow = measure_glow(photo, steady)
        alarms += len(glow.zones) + len(glow.spots)
    assert alarms == 0


def test_moire_fringe_is_seen_and_a_picture_is_not() -> None:
    photo, view = _tilted(2.0, bars=None, seed=2)
    assert not measure_camera(photo, view).fringes.strong
    y, x = np.mgrid[0:900, 0:1200]
    # A chirped fringe 25 degrees off the axes, as scale and distance change across the photo.
    phase = 2 * np.pi * (0.10 * x * np.cos(0.44) + 0.10 * y * np.sin(0.44) + 1e-5 * x * y)
    pixels = photo.pixels * (1 + 0.06 * np.cos(phase))[..., None]
    wavy = from_array(np.clip(np.rint(pixels), 0, 255).astype(np.uint8))
    camera = measure_camera(wavy, view)
    assert camera.fringes.strong
    assert camera.fringes.frequency == pytest.approx(0.10, abs=0.03)


def test_odd_views_never_raise_and_keep_the_names() -> None:
    names = None
    for name, photo, view in odd_views():
        camera = measure_camera(photo, view)
        features = camera.features()
        names = names or list(features)
        assert list(features) == names, name
        assert not any(np.isinf(v) for v in features.values()), name
        camera.to_json()
