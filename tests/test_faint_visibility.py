"""Visibility scale against DICOM PS3.14."""

import numpy as np
import pytest

from panelvision.measure.visibility import jnd_of_contrast, jnd_of_luminance, luminance_of_jnd


@pytest.mark.parametrize(
    ("index", "luminance"),
    # DICOM PS3.14 Table B-1 (end points read in the standard, the rest from its polynomial).
    [(1, 0.0500), (10, 0.0991), (100, 1.8508), (512, 130.0653), (1000, 3439.159)],
)
def test_luminance_of_index(index: int, luminance: float) -> None:
    assert luminance_of_jnd(index) == pytest.approx(luminance, rel=1e-3 if luminance < 1 else 5e-5)


@pytest.mark.parametrize(
    ("luminance", "index"),
    # DICOM PS3.14 section 7.1, inverse fit; log10(1) = 0 leaves the first coefficient.
    [(1.0, 71.498068), (0.1, 10.118), (10.0, 216.8717), (100.0, 476.3638), (1000.0, 810.4866)],
)
def test_index_of_luminance(luminance: float, index: float) -> None:
    assert jnd_of_luminance(luminance) == pytest.approx(index, abs=1e-3)


def test_round_trip_within_the_fit_of_the_standard() -> None:
    # The standard's inverse fit is off by up to 0.092 (found by evaluating both fits).
    for index in np.linspace(2, 1020, 60):
        assert jnd_of_luminance(luminance_of_jnd(index)) == pytest.approx(index, abs=0.1)


def test_one_difference_near_one_candela() -> None:
    # At 1 cd/m2 one just-noticeable difference is 2.43 % of luminance (derived from the standard).
    assert jnd_of_contrast(0.0243 / 2, 1.0) == pytest.approx(1.0, rel=0.02)


def test_undefined_below_the_scale() -> None:
    assert np.isnan(jnd_of_luminance(0.04))
    assert np.isnan(jnd_of_contrast(float("nan"), 1.0))
    with pytest.raises(ValueError, match="index"):
        luminance_of_jnd(0)
