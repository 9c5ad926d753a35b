"""Backlight map, zones, strips and spots on screens whose light is known."""

import numpy as np
import pytest

from panelvision.findings_surface import describe_evenness
from panelvision.measure.glow import measure_glow
from tests.surface_views import grid, odd_views, photo_of, picture, view_of


def _soft_step(distance: np.ndarray, width_10_90: float) -> np.ndarray:
    """0..1 with a Gaussian edge: its 10-90 % width is 2.563 sigma (normal quantiles)."""
    from scipy.special import ndtr

    return ndtr(distance / (width_10_90 / 2.563))


def test_even_grey_has_no_zone_no_spot_and_no_picture() -> None:
    photo = photo_of(np.full((540, 960, 3), 0.25, np.float32), noise=1.0)
    glow = measure_glow(photo, view_of(photo))
    assert glow.zones == () and glow.spots == () and glow.strips == ()
    assert glow.uniformity9 is not None and glow.uniformity9.min_over_max > 0.97
    assert glow.content.edge_share < 0.001
    # Light 0.25 against a border of 0.004: log10 of 62.5.
    assert glow.lit == pytest.approx(1.8, abs=0.05)


def test_dead_strip_over_a_picture_is_placed_and_counted() -> None:
    x, y = grid()
    # Strip 4 of 5 is dead: 0.6..0.8 of the height at 30 % of the light, soft edges.
    inside = _soft_step(y - 0.6, 0.06) * _soft_step(0.8 - y, 0.06)
    light = picture() * (1 - 0.7 * inside)[..., None]
    photo = photo_of(light.astype(np.float32), noise=1.0)
    glow = measure_glow(photo, view_of(photo))
    assert glow.zones
    zone = glow.zones[0]
    assert zone.y0 == pytest.approx(0.6, abs=0.05) and zone.y1 == pytest.approx(0.8, abs=0.05)
    assert zone.light == pytest.approx(0.3, abs=0.15)
    assert [(s.first, s.last, s.count) for s in glow.strips] == [(4, 4, 5)]


@pytest.mark.parametrize(("strip", "count"), [(2, 4), (3, 4), (2, 6), (5, 6), (1, 3), (3, 5)])
def test_a_dead_strip_is_counted_on_its_own_division(strip: int, count: int) -> None:
    """Counts below and above: a coarser division must not win by ignoring one of the limits."""
    _, y = grid()
    top, bottom = (strip - 1) / count, strip / count
    above = 1.0 if strip == 1 else _soft_step(y - top, 0.05)
    inside = above * _soft_step(bottom - y, 0.05)
    light = 0.4 * (1 - 0.7 * inside)
    photo = photo_of(np.repeat(light[..., None], 3, axis=2).astype(np.float32), noise=0.5)
    glow = measure_glow(photo, view_of(photo))
    assert [(s.first, s.last, s.count) for s in glow.strips] == [(strip, strip, count)]
    assert glow.strips[0].zone == glow.zones[0]


def test_a_burnt_out_screen_is_not_called_even() -> None:
    photo = photo_of(np.full((540, 960, 3), 4.0, np.float32))
    glow = measure_glow(photo, view_of(photo))
    assert glow.support < 0.1 and describe_evenness(glow) == ()
    good = photo_of(np.full((540, 960, 3), 0.4, np.float32), noise=0.5)
    (finding,) = describe_evenness(measure_glow(good, view_of(good)))
    assert "non-uniformity" in finding.sentence


def test_a_picture_alone_has_no_deep_zone() -> None:
    for seed in range(4):
        photo = photo_of(picture(seed), noise=1.0)
        glow = measure_glow(photo, view_of(photo))
        assert all(z.light > 0.5 for z in glow.zones), seed
        assert glow.spots == (), seed


@pytest.mark.parametrize("width", [0.04, 0.10, 0.20])
def test_edge_width_of_a_zone(width: float) -> None:
    """The 10-90 % width (of log light) of a straight zone edge, as a share of the width."""
    x, _ = grid()
    light = 0.5 * np.exp(-1.2 * _soft_step(0.4 - x, width))
    photo = photo_of(np.repeat(light[..., None], 3, axis=2).astype(np.float32), noise=0.5)
    glow = measure_glow(photo, view_of(photo))
    assert glow.zones[0].edge_width == pytest.approx(width, rel=0.35, abs=0.015)


def test_hot_spots_are_found_over_a_picture_and_keep_their_place() -> None:
    x, y = grid()
    places = [(0.25, 0.3), (0.7, 0.65)]
    gain = np.ones_like(x)
    for cx, cy in places:
        gain += 1.2 * np.exp(-((x - cx) ** 2 + ((y - cy) * 540 / 960) ** 2) / (2 * 0.02**2))
    photo = photo_of((0.5 * picture(5) * gain[..., None]).astype(np.float32), noise=1.0)
    glow = measure_glow(photo, view_of(photo))
    for cx, cy in places:
        assert any(np.hypot(s.x - cx, s.y - cy) < 0.02 and s.gain > 1.5 for s in glow.spots)


def test_sharp_dots_and_coloured_lamps_are_not_hot_spots() -> None:
    x, y = grid()
    light = np.full((540, 960, 3), 0.15, np.float32)
    for cx, cy, colour in [(0.3, 0.4, (1, 1, 1)), (0.6, 0.6, (0.9, 0.15, 0.15))]:
        r2 = (x - cx) ** 2 + ((y - cy) * 540 / 960) ** 2
        light[r2 < 0.018**2] = np.array(colour) * 0.5
    photo = photo_of(light, noise=1.0)
    glow = measure_glow(photo, view_of(photo))
    assert glow.spots == () and all(s.by_rule < 0.12 for s in glow.all_spots)


def test_blue_cast_that_follows_the_strips() -> None:
    _, y = grid()
    swing = 0.12 * np.cos(2 * np.pi * 4 * y)
    light = np.full((540, 960, 3), 0.4, np.float32)
    light[..., 2] *= np.exp(swing)
    light[..., 0] *= np.exp(-swing)
    photo = photo_of(light, noise=0.5)
    glow = measure_glow(photo, view_of(photo))
    # ln(B/R) swings by 4 x 0.12 from peak to peak; 5 % at each end are left out.
    assert glow.blue_shift == pytest.approx(0.48, abs=0.08)
    even = photo_of(np.full((540, 960, 3), 0.4, np.float32), noise=0.5)
    assert measure_glow(even, view_of(even)).blue_shift < 0.05


def test_visibility_is_quoted_only_within_its_scope() -> None:
    x, y = grid()
    # A round soft zone on even grey, on a 24-inch screen.
    dim = 1 - 0.6 * np.exp(-((x - 0.5) ** 2 + ((y - 0.5) * 540 / 960) ** 2) / (2 * 0.08**2))
    photo = photo_of(np.repeat((0.3 * dim)[..., None], 3, axis=2).astype(np.float32), noise=0.5)
    glow = measure_glow(photo, view_of(photo))
    value = glow.zone_semu(diagonal_inch=24, background_cd_m2=50)
    zone = glow.zones[0]
    # SEMI D31-1102: contrast in per cent over 1.97 / S^0.33 + 0.72, S in square millimetres.
    area = zone.area * 531.3 * 298.9
    assert value == pytest.approx(100 * (1 - zone.light) / (1.97 / area**0.33 + 0.72), rel=2e-3)
    assert glow.zone_semu(diagonal_inch=43, background_cd_m2=50) is None
    assert glow.zone_semu(diagonal_inch=24, background_cd_m2=200) is None
    busy = photo_of((picture() * dim[..., None]).astype(np.float32), noise=0.5)
    assert (
        measure_glow(busy, view_of(busy)).zone_semu(diagonal_inch=24, background_cd_m2=50) is None
    )


def test_odd_views_never_raise_and_keep_the_names() -> None:
    names = None
    for name, photo, view in odd_views():
        features = measure_glow(photo, view).features()
        names = names or list(features)
        assert list(features) == names, name
        assert not any(np.isinf(v) for v in features.values()), name
