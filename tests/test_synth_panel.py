"""Panel arithmetic: driver grids, torch optics, backlight, and where faults are put."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synth import optics, setup
from synth.colour import decode, encode, luminance, to_linear
from synth.dice import Dice
from synth.faults import blocks, columns, lamps, rows
from synth.faults.state import Screen
from synth.fields import cover
from synth.panel import DRIVER_COUNTS, Panel, backlight, draw_panel, driver_edges


@pytest.fixture
def panel() -> Panel:
    return replace(
        draw_panel(Dice(4, "panel")),
        columns=1920,
        rows=1080,
        aspect=16 / 9,
        drivers=6,
        kind="strips",
        strips=4,
        t_max=0.05,
        reflectance=0.7,
        contrast=1e9,
        haze=0.005,
    )


def _screen(panel: Panel, level: float = 0.5, w: int = 960) -> Screen:
    h = round(w / panel.aspect)
    return Screen(panel, np.full((h, w, 3), level, np.float32), np.ones((135, 240), np.float32))


def test_srgb_knee_and_values() -> None:
    # IEC 61966-2-1 (checks section 1); 10 and 11 straddle the knee
    codes = np.array([0, 1, 10, 11, 54, 118, 128, 188, 255])
    light = [
        0,
        3.035270e-4,
        3.035270e-3,
        3.346536e-3,
        0.0368895,
        0.1811642,
        0.2158605,
        0.5028865,
        1,
    ]
    assert decode(codes / 255) == pytest.approx(light, abs=1e-7)
    every = np.arange(256)
    assert np.array_equal(np.rint(encode(decode(every / 255)) * 255).astype(int), every)


def test_luminance_weights() -> None:
    red = to_linear(np.array([[[255, 0, 0]]], np.uint8))
    assert float(luminance(red)[0, 0]) == pytest.approx(0.2126, abs=1e-6)  # ITU-R BT.709


def test_driver_counts_fit_channels() -> None:
    # ceil(3 W / n) channels each, at most one spare picture element per driver plus rounding
    # (checks section 7: spare outputs are allowed, 1366 x 3 divides by nothing that is made)
    for columns_, counts in DRIVER_COUNTS.items():
        for n in counts:
            channels = -(-3 * columns_ // n)
            assert channels * n - 3 * columns_ <= 0.02 * 3 * columns_
    assert {6, 8, 12} <= set(DRIVER_COUNTS[1920])


def test_driver_edges_in_columns(panel: Panel) -> None:
    # checks section 7
    assert driver_edges(panel) * 1920 == pytest.approx([0, 320, 640, 960, 1280, 1600, 1920])
    odd = replace(panel, columns=1366, drivers=4)
    assert driver_edges(odd) * 1366 == pytest.approx([0, 342, 684, 1026, 1366])


# E/pi [haze + R T^2] for a plain picture: T^2 R and contrast over the pedestal, checks section 8.
@pytest.mark.parametrize(("reflectance", "value"), [(0.5, 0.00125), (0.7, 0.00175), (0.9, 0.00225)])
def test_torch_light_through_a_white_panel(panel: Panel, reflectance: float, value: float) -> None:
    white = _screen(replace(panel, reflectance=reflectance), 1.0)
    assert np.allclose(optics.faint_term(white), value, rtol=1e-5)


@pytest.mark.parametrize(
    ("pedestal", "contrast"), [(0.002, 0.875), (0.005, 0.35), (0.01, 0.175), (0.02, 0.0875)]
)
def test_torch_contrast_over_pedestal(panel: Panel, pedestal: float, contrast: float) -> None:
    from synth.light import Rig, Torch

    lit = Rig(
        Torch(
            "hand", np.array([0.3, 0.1, -2.0]), np.zeros(3), 400.0, 5.0, 0.0, np.ones(3, np.float32)
        ),
        0.0,
        np.ones(3, np.float32),
        np.zeros(3),
        "dark",
        np.zeros(3, np.float32),
        0.0,
    )
    glass = replace(panel, haze=pedestal)
    white, black = _screen(glass, 1.0), _screen(glass, 0.0)
    with_picture = optics.returned(white, lit, None, faint=optics.faint_term(white))
    without = optics.returned(black, lit, None, faint=optics.faint_term(black))
    middle = (slice(200, 300), slice(400, 500))
    assert float((with_picture[middle] / without[middle] - 1).mean()) == pytest.approx(
        contrast, rel=1e-3
    )


def test_way_in_is_blurred_and_way_out_is_sharp(panel: Panel) -> None:
    screen = _screen(replace(panel, gap_mm=5.0), 0.0)
    screen.drive[:, 480:] = 1.0
    row = optics.faint_term(screen)[270, :, 1].astype(np.float64)
    # sharp way out: all of the step sits between two columns; blurred way in: it then keeps rising
    step = row[480] - row[479]
    assert 0.3 * row[-1] < step < 0.75 * row[-1]
    assert row[484] < row[490] < row[-1] * 1.001


def test_cover_keeps_the_energy_of_a_line() -> None:
    for cells in (960, 1366, 1500):
        assert float(cover(cells, 700 / 1920, 703 / 1920).sum()) == pytest.approx(
            3 / 1920 * cells, rel=1e-4
        )


def test_half_and_band_edges_are_within_one_column(panel: Panel) -> None:
    for seed in range(6):
        screen = _screen(panel, 0.5, 1200)
        screen.drive += 0.2 * np.sin(np.arange(675))[:, None, None].astype(np.float32)
        before = screen.drive.copy()
        (columns.half if seed % 2 else columns.bands)(Dice(seed, "f"), screen)
        touched = np.abs(screen.drive - before).max((0, 2)) > 1e-6
        allowed = np.zeros(1200, bool)
        for x0, x1 in screen.truth["band_edges"]:
            allowed[max(int(np.floor(x0 * 1200 - 1e-3)), 0) : int(np.ceil(x1 * 1200 + 1e-3))] = True
        # the boundary columns that sometimes go with a half-screen cable are 1 % wide
        if seed % 2:
            allowed[585:615] = True
        assert touched.any() and not (touched & ~allowed).any()


def test_bands_never_make_a_half(panel: Panel) -> None:
    for seed in range(300):
        screen = _screen(replace(panel, drivers=4), 0.5, 320)
        columns.bands(Dice(seed, "b"), screen)
        assert screen.truth["blocks"] not in ([0, 1], [2, 3])


def test_lines_are_where_the_truth_says(panel: Panel) -> None:
    for seed in range(8):
        screen = _screen(panel, 0.3, 1920)
        before = screen.drive.copy()
        columns.lines(Dice(seed, "l"), screen)
        changed = set(np.nonzero(np.abs(screen.drive - before).max((0, 2)) > 1e-3)[0].tolist())
        told = set()
        for line in screen.truth["lines"]:
            start = round(line["x"] * 1920)
            told |= set(range(start, start + line["columns"]))
        assert changed and changed <= told


def test_row_blocks_are_where_the_truth_says(panel: Panel) -> None:
    for seed in range(8):
        screen = _screen(panel, 0.3, 1920)
        screen.drive += 0.1 * np.random.default_rng(seed).random(screen.drive.shape, np.float32)
        before = screen.drive.copy()
        rows.rows(Dice(seed, "r"), screen)
        changed = np.nonzero(np.abs(screen.drive - before).max((1, 2)) > 1e-3)[0]
        allowed = np.zeros(1080, bool)
        for band in screen.truth["bands"]:
            allowed[
                max(int(band["y0"] * 1080 - 0.01), 0) : int(np.ceil(band["y1"] * 1080 + 0.01))
            ] = True
        assert len(changed) and allowed[changed].all()


def test_block_grid(panel: Panel) -> None:
    screen = _screen(panel, 0.3, 1920)
    screen.drive[:] = np.random.default_rng(1).random(screen.drive.shape, np.float32)
    before = screen.drive.copy()
    blocks.blocks(Dice(9, "x"), screen)
    size = screen.truth["block_px"]
    changed = np.abs(screen.drive - before).max(-1) > 1e-4
    cells = (
        changed[: 1080 // size * size].reshape(1080 // size, size, 1920 // size, size).mean((1, 3))
    )
    # a block is touched as a whole or not at all, on the grid of the coded picture
    assert ((cells < 0.02) | (cells > 0.9)).mean() > 0.97
    assert float((cells > 0.9).mean()) == pytest.approx(screen.truth["share"], abs=0.03)


def test_lamp_edges_are_soft_and_driver_edges_sharp(panel: Panel) -> None:
    drive = np.ones((4, panel.per_strip), np.float32)
    drive[1] = 0.0
    glow = backlight(Dice(3, "g"), panel, dead=drive, ripple=0.0)
    middle = glow[:, 120].astype(np.float64)
    dip = middle.min() / middle.max()
    lo, hi = 0.25 * (1 - dip) + dip, 0.75 * (1 - dip) + dip
    below = np.nonzero(middle / middle.max() < hi)[0]
    core = np.nonzero(middle / middle.max() < lo)[0]
    width = (core[0] - below[0]) / len(middle)
    # a quarter to three quarters of the fall takes over 1.5 % of the height (8 mm of a 42 inch set)
    assert dip < 0.75 and width > 0.015
    assert abs((below[0] + below[-1]) / 2 / len(middle) - 0.375) < 0.03


def test_a_repeated_half_shows_the_other_one_on_either_side(panel: Panel) -> None:
    screen = _screen(panel, 0.5, 320)
    screen.drive[:] = np.linspace(0, 1, 320, dtype=np.float32)[None, :, None]
    for x0, x1 in ((0, 160), (160, 320)):
        other = columns._fill(Dice(1, "f"), screen, "repeat", x0, x1)
        assert np.array_equal(other, screen.drive[:, 160 - x0 : 320 - x0])


def test_dead_leds_leave_the_rest_of_the_light_as_it_was(panel: Panel) -> None:
    for seed in range(30):
        screen = _screen(panel, 0.5, 320)
        screen.glow[:, :60] = 0.5  # a corner that was darker before
        lamps.zones(Dice(seed, "z"), screen, "strips")
        x0, y0, x1, y1 = screen.truth["zones"][0]
        if y0 > 0.4 and len(screen.truth["zones"]) == 1:
            assert screen.glow[2, 200] == pytest.approx(1.0, abs=0.02)
            assert screen.glow[2, 20] == pytest.approx(0.5, abs=0.01)
            return
    pytest.fail("no strip of the lower half was drawn")


def test_healthy_strips_swing_by_no_more_than_a_quarter(panel: Panel) -> None:
    strips = replace(panel, kind="strips", strips=4, spread=0.25)
    for seed in range(6):
        rows_of = backlight(Dice(seed, "g"), strips, ripple=0.45)[:, 100:140].mean(1)
        fall = backlight(Dice(seed, "g"), strips, ripple=0.0)[:, 100:140].mean(1)
        assert np.ptp(rows_of / fall) < 0.26


def test_dim_zone_truth_strips(panel: Panel) -> None:
    seen = set()
    for seed in range(40):
        screen = _screen(panel, 0.5, 320)
        lamps.zones(Dice(seed, "z"), screen)
        seen.add(screen.truth["mode"])
        if screen.truth["mode"] == "strips":
            for zone in screen.truth["zones"]:
                y = (zone[1] + zone[3]) / 2
                glow = screen.glow
                inside = float(glow[int(y * glow.shape[0]), int((zone[0] + zone[2]) / 2 * 239)])
                assert inside < 0.95 * float(glow.max())
    assert seen == {"strips", "zone", "spots", "corner", "edges"}


def test_every_label_is_drawn_by_the_prior() -> None:
    drawn = {setup.draw_setup(seed, None).symptom for seed in range(250)}
    assert drawn == set(setup.LABELS)


def test_unknown_symptom_is_refused() -> None:
    with pytest.raises(ValueError, match="symptom must be one of"):
        setup.draw_setup(1, "broken")
