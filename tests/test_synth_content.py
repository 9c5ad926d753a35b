"""What healthy screens show: every kind draws at any shape, again the same, and not all alike."""

from __future__ import annotations

import numpy as np
import pytest

from synth import content
from synth.dice import Dice
from synth.shapes import grade, ink_on


@pytest.mark.parametrize("kind", list(content.KINDS))
@pytest.mark.parametrize("shape", [(90, 160), (270, 481), (320, 180)])
def test_each_kind_fills_the_shape_and_repeats(kind: str, shape: tuple[int, int]) -> None:
    for seed in range(4):
        shown = content.render(Dice(seed, "content"), shape, kind=kind)
        assert shown.kind == kind
        assert shown.picture.shape == (*shape, 3)
        assert shown.picture.dtype == np.uint8
        again = content.render(Dice(seed, "content"), shape, kind=kind)
        assert np.array_equal(shown.picture, again.picture)


@pytest.mark.parametrize("kind", list(content.KINDS))
def test_seeds_give_different_pictures(kind: str) -> None:
    seen = {content.render(Dice(s), (90, 160), kind=kind).picture.tobytes() for s in range(12)}
    assert len(seen) >= 5  # plain white comes up again and again; hardly anything else does


def test_figures_leave_most_of_the_screen_dark() -> None:
    for seed in range(8):
        picture = content.render(Dice(seed), (180, 320), kind="figure").picture
        middle = picture[:, 64:256].max(-1)
        assert (middle < 64).mean() > 0.5
        assert middle.max() > 100


def test_left_out_kinds_do_not_come_up() -> None:
    without = tuple(k for k in content.KINDS if k not in ("web", "blank"))
    kinds = {content.render(Dice(s), (90, 160), without=without).kind for s in range(20)}
    assert kinds == {"web", "blank"}


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(KeyError, match="opera"):
        content.render(Dice(1), (90, 160), kind="opera")


@pytest.mark.parametrize("seed", range(12))
def test_grading_keeps_the_order_of_greys(seed: int) -> None:
    ramp = np.arange(256, dtype=np.uint8)[None, :, None].repeat(3, 2)
    # a vignette darkens towards the ends, so the order is judged over the left half
    steps = np.diff(grade(Dice(seed), ramp)[0, :128].astype(int), axis=0)
    assert (steps >= 0).all()


def test_ink_can_be_read_on_any_ground() -> None:
    for ground in ((0, 0, 0), (255, 255, 255), (128, 128, 128), (255, 0, 0), (255, 255, 0)):
        ink = ink_on(np.array(ground))
        assert np.abs(ink.astype(int) - ground).max() > 90
