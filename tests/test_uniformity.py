"""Uniformity figures against hand-computed values, and SEMU against SEMI D31-1102."""

import numpy as np
import pytest

from panelvision.measure.uniformity import nine_points, semu, semu_applies, uniformity

# Nine readings and their five figures, worked by hand; formula names as in the IDMS
# (non-uniformity), panel data sheets (max/min), AAPM TG18 (200 (max-min)/(max+min)).
READINGS = [250, 240, 235, 228, 260, 245, 200, 215, 230]


def test_five_names_give_five_numbers() -> None:
    u = uniformity(np.array(READINGS))
    assert u is not None
    assert u.min_over_max == pytest.approx(0.7692308, abs=1e-7)
    assert u.nonuniformity_percent == pytest.approx(23.0769, abs=1e-4)
    assert u.max_over_min == pytest.approx(1.3, abs=1e-12)
    assert u.tg18_percent == pytest.approx(26.0870, abs=1e-4)
    # 100 x 60 / (2103 / 9), by hand.
    assert u.range_over_mean_percent == pytest.approx(25.67760, abs=1e-5)


def test_too_little_to_say_is_none_not_zero() -> None:
    assert uniformity(np.array([250.0])) is None
    assert uniformity(np.array([np.nan, np.nan])) is None
    assert uniformity(np.zeros(9)) is None


def test_nine_points_sit_at_sixths_and_ignore_nan() -> None:
    # A plane: the value at the point (x, y) is 100 x + 300 y, so every point is known.
    h, w = 90, 160
    y, x = np.meshgrid((np.arange(h) + 0.5) / h, (np.arange(w) + 0.5) / w, indexing="ij")
    plane = 100 * x + 300 * y
    expected = [
        [100 * fx + 300 * fy for fx in (1 / 6, 1 / 2, 5 / 6)] for fy in (1 / 6, 1 / 2, 5 / 6)
    ]
    assert nine_points(plane) == pytest.approx(np.array(expected), abs=2.5)
    holed = plane.copy()
    holed[:30, :50] = np.nan
    assert np.isnan(nine_points(holed)[0, 0])
    assert np.isfinite(nine_points(holed)[1:, :]).all()


@pytest.mark.parametrize(
    ("area", "just_noticeable"),
    # SEMI D31-1102 s. 6.1: C_jnd = 1.97 / S^0.33 + 0.72, in per cent, S in mm^2.
    [(1, 2.69), (10, 1.64144), (100, 1.15099), (1000, 0.92159), (1e4, 0.81429), (1e5, 0.76410)],
)
def test_semu_of_a_just_noticeable_spot_is_one(area: float, just_noticeable: float) -> None:
    assert semu(just_noticeable, area) == pytest.approx(1.0, abs=1e-5)


def test_semu_worked_example_and_errors() -> None:
    # SEMI D31-1102 s. 8.4: 2 % on 100 mm^2 is reported as 1.7.
    assert semu(2, 100) == pytest.approx(1.73764, abs=1e-5)
    assert semu(-2, 100) == semu(2, 100)
    with pytest.raises(ValueError, match="area_mm2"):
        semu(2, 0)


def test_semu_scope_is_narrow() -> None:
    # Scope of SEMI D31: lit mid-grey, 50 +- 10 cd/m2, 8 to 30 inch.
    inside = {"diagonal_inch": 24.0, "background_cd_m2": 48.0, "lit": True, "neutral_grey": True}
    assert semu_applies(**inside)
    for change in (
        {"diagonal_inch": 43.0},
        {"background_cd_m2": 200.0},
        {"lit": False},
        {"neutral_grey": False},
    ):
        assert not semu_applies(**{**inside, **change})
