"""Driver arithmetic. Admissible counts and checks (i) to (iv): addressing arithmetic of source
drivers (data lines = 3 x columns, N = ceil(lines / channels), few spare outputs), from public
data sheets and patents US7586474 / US8847946."""

import numpy as np
import pytest

from panelvision.measure.driver_grid import admissible, blocks_of, driver_grid


def test_counts_by_ceil_and_spare_outputs():
    # 1366 x 3 = 4098 = 2 x 3 x 683 divides by no channel count, yet 1026 x 4 = 4104 fits.
    assert 4 in admissible(1366)
    assert admissible(1366)[4] == pytest.approx(6 / 4098)
    assert {6, 8, 12} <= set(admissible(1920))
    assert {10, 12, 24} <= set(admissible(3840))
    # 642 x 9 = 5778 leaves 18 of 5760 unused.
    assert admissible(1920)[9] == pytest.approx(18 / 5760)


def test_too_many_spare_outputs_are_not_admissible():
    # 480 x 9 = 4320 would leave 222 of 4098 (5.4 %) unused.
    assert 9 not in admissible(1366)


@pytest.mark.parametrize("n", [6, 8, 10, 12])
def test_one_block_tells_the_number(n):
    start, end = 2 / n, 3 / n
    grid = driver_grid([start, end], [2e-4, 2e-4], bands=[(start, end)])
    assert grid.drivers == n
    assert grid.blocks == (3,)
    assert sum(grid.posterior.values()) == pytest.approx(1.0)


def test_the_middle_fits_every_even_number():
    grid = driver_grid([0.5], [1.5 / 1366])
    assert grid.drivers is None
    assert "middle" in grid.reason
    even = [n for n in grid.posterior if n % 2 == 0]
    assert sum(grid.posterior[n] for n in even) > 0.9


def test_a_third_excludes_eight_and_three_eighths_excludes_six():
    # Without the outline's error the edges are sharp to 0.1 % of the width.
    third = driver_grid([1 / 3], [1e-3], outline_sigma=0.001)
    assert third.posterior[8] < 0.01 * third.posterior[6]
    eighths = driver_grid([3 / 8], [1e-3], outline_sigma=0.001)
    assert eighths.posterior[6] < 0.01 * eighths.posterior[8]


def test_seven_is_unlikely_where_edges_do_not_ask_for_it():
    grid = driver_grid([0.25, 0.375], [1e-3, 1e-3], bands=[(0.25, 0.375)])
    assert grid.posterior.get(7, 0.0) < 0.01


def test_edges_off_every_grid_are_not_answered():
    grid = driver_grid([0.237, 0.561], [2e-4, 2e-4], outline_sigma=0.0005)
    assert grid.drivers is None


def test_an_outline_that_is_off_moves_all_edges_together():
    # Left border 0.6 % too far left and right border right: positions shift and shrink.
    true = np.array([0.3, 0.4, 0.7, 0.8])
    seen = 0.006 + (1 - 0.006) * true
    bands = [(seen[0], seen[1]), (seen[2], seen[3])]
    grid = driver_grid(seen, np.full(4, 2e-4), bands=bands, outline_sigma=0.004)
    assert grid.drivers == 10
    assert grid.blocks == (4, 8)


def test_no_edges_no_answer():
    grid = driver_grid([0.0, 1.0], [0.0, 0.0])
    assert grid.drivers is None
    assert grid.posterior == {}


def test_each_edge_needs_its_error():
    with pytest.raises(ValueError, match="sigmas: expected 2 values"):
        driver_grid([0.25, 0.5], [0.001])


def test_block_k_of_n_covers_its_stretch():
    for n in (6, 8, 12):
        for k in range(1, n + 1):
            assert blocks_of((k - 1) / n, k / n, n) == (k,)


@pytest.mark.parametrize(("columns", "n"), [(1366, 4), (1920, 6), (1920, 8), (3840, 12)])
def test_layouts_of_unequal_blocks_stay_within_tolerance(columns, n):
    # Equal split, left-filled (full drivers first) and centred differ by up to 1.5 columns.
    channels = {(1366, 4): 1026, (1920, 6): 960, (1920, 8): 720, (3840, 12): 960}[columns, n]
    left_filled = np.arange(1, n) * (channels / 3) / columns
    grid = driver_grid(
        left_filled[:2], [2e-4, 2e-4], bands=[(left_filled[0], left_filled[1])], outline_sigma=0.001
    )
    assert grid.drivers == n
