"""Bands and lines along the rows, and what healthy pictures have there."""

import numpy as np
import pytest

from panelvision.measure.rows import measure_rows
from panelvision.photo import from_array
from panelvision.squareup import Outline, square_up
from tests.screens import HEIGHT, WIDTH, frame, picture, seen
from tests.test_columns import checker, colour_bars, letterbox, page, pillarbox, stripes


@pytest.mark.parametrize(("fill", "kind"), [(0.003, "dark"), (0.9, "bright")])
def test_a_band_that_interrupts_the_picture(fill, kind):
    # Upright shapes, so that the picture above and below the band is the same.
    light = (
        np.repeat(picture(1)[200:201], HEIGHT, axis=0)
        * np.linspace(0.8, 1.2, HEIGHT)[:, None, None]
    )
    light[300:340] = fill
    result = measure_rows(*seen(np.clip(light, 0, 1)))
    assert [b.kind for b in result.bands] == [kind]
    band = result.bands[0]
    assert (band.start, band.end) == pytest.approx((300 / 540, 340 / 540), abs=0.003)
    assert band.axis == "horizontal"


def test_a_full_width_line():
    light = picture(2)
    light[200:202] = 0.95
    (line,) = measure_rows(*seen(light)).lines
    assert line.position == pytest.approx(201 / 540, abs=0.002)
    assert line.colour == "white"
    assert line.axis == "horizontal"


def test_a_menu_line_stops_short_of_the_border():
    light = picture(3)
    light[200:202, 20:-20] = 0.95
    assert measure_rows(*seen(light)).lines == ()


@pytest.mark.parametrize("content", [letterbox, pillarbox, stripes, colour_bars, checker, page])
def test_what_pictures_look_like_is_no_fault(content):
    result = measure_rows(*seen(content()))
    assert result.bands == ()
    assert result.lines == ()


def test_a_strap_at_the_bottom_is_no_fault():
    light = picture(4)
    light[470:] = (0.02, 0.03, 0.1)
    assert measure_rows(*seen(light)).bands == ()


@pytest.mark.parametrize("kind", ["tiny", "out of frame", "black"])
def test_odd_views_give_no_finding_and_no_error(kind):
    photo, _ = seen(picture(5))
    outline, width = frame(photo), 960
    if kind == "tiny":
        width = 24
    elif kind == "out of frame":
        outline = Outline(outline.corners + 5000, 0.1, np.full(4, np.nan))
    else:
        photo = from_array(np.zeros((HEIGHT, WIDTH, 3), np.uint8))
    result = measure_rows(photo, square_up(photo, outline, width=width))
    assert result.bands == ()
    assert result.lines == ()
    full = measure_rows(*seen(picture(5)))
    assert set(result.features()) == set(full.features())
    assert not any(np.isinf(v) for v in result.features().values())
