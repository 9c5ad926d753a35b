"""Light and things of the drawn room, and the colour that the phone gives them."""

from __future__ import annotations

import colorsys

import numpy as np
import pytest

from synth import phone, scene
from synth.canvas import Canvas
from synth.colour import random_colour
from synth.dice import Dice
from synth.geometry import View, rotation
from synth.light import Rig, Torch

ROOM = scene.Room(wall=0.2, bench=0.5, front=-0.4, ends=(-1.0, 1.0), floor=1.1)


def _canvas(lux: float) -> Canvas:
    dark = Torch("none", np.zeros(3), np.zeros(3), 0.0, 1.0, 0.0, np.ones(3, np.float32))
    rig = Rig(dark, lux, np.ones(3, np.float32), np.zeros(3), "lamp", np.zeros(3, np.float32), 0.0)
    turn = rotation(0.0, 0.0, 0.0)
    away = np.array([0.0, 0.0, 2.5])
    return Canvas(View(300.0, 160.0, 120.0, turn, away, 320, 240), rig)


def test_uneven_light_dims_and_brightens_but_does_not_colour() -> None:
    ranges = []
    for seed in range(40):
        canvas = _canvas(100.0)
        paint = np.array([3.0, 2.0, 1.0], np.float32)
        canvas.image[:] = paint
        scene.uneven_light(Dice(seed, "pools"), canvas)
        gain = canvas.image / paint
        assert np.allclose(gain, gain[..., :1], rtol=1e-5)
        assert gain.min() > 0
        low, high = np.quantile(gain[..., 0], (0.1, 0.9))
        ranges.append(np.log(high / low))
    # A lamp h before a wall gives (1 + (r/h)^2)^(-3/2) of its light r to the side (inverse square
    # and cosine law): a half at r = 0.77 h. In most rooms a photo sees at least part of such a
    # slope, in some the edge of a shadow too. common practice, no source
    assert np.median(ranges) > np.log(1.5)
    assert min(ranges) < np.log(2) < np.log(6) < max(ranges)


@pytest.mark.parametrize("kind", list(scene._BEHIND))
def test_what_stands_behind_is_seen(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scene, "_BEHIND", {kind: 1.0})
    window = kind in ("facade", "outdoors")
    outshining = 0
    for seed in range(6):
        canvas = _canvas(100.0)
        scene._crowded(Dice(seed, "behind"), canvas, ROOM)
        assert np.isfinite(canvas.image).all()
        assert canvas.image.std() > 0.1
        outshining += canvas.image.max() > 1.5 * 100 / np.pi
    # a white wall in 100 lx has 100/pi cd/m2; only what is behind a window is brighter
    assert bool(outshining) == window


def test_white_balance_leaves_a_grey_scene_alone() -> None:
    grey = np.full((60, 80, 3), 7.0, np.float32)
    for seed in range(20):
        taste = phone.adapted(Dice(seed), phone.PLAIN, grey)
        assert taste.white_balance == pytest.approx((1.0, 1.0), rel=1e-6)


def test_white_balance_goes_part_of_the_way_to_grey() -> None:
    # the grey-world estimate (Buchsbaum 1980): gains G/R and G/B make the mean grey
    warm = np.full((60, 80, 3), (10.0, 8.0, 5.0), np.float32)
    shares = []
    for seed in range(400):
        red, blue = phone.adapted(Dice(seed), phone.PLAIN, warm).white_balance
        shares.append(np.log(red) / np.log(8 / 10))
        assert np.log(blue) == pytest.approx(shares[-1] * np.log(8 / 5), abs=1e-6)
    assert min(shares) == 0 and 0.65 < max(shares) <= 0.7
    assert np.mean(np.array(shares) > 0) == pytest.approx(0.6, abs=0.1)


def test_white_balance_does_not_follow_a_small_lamp() -> None:
    grey = np.full((96, 96, 3), 1.0, np.float32)
    grey[:12, :12] = (500.0, 50.0, 5.0)  # 1.6 % of the photo
    for seed in range(20):
        taste = phone.adapted(Dice(seed), phone.PLAIN, grey)
        assert taste.white_balance == pytest.approx((1.0, 1.0), abs=0.02)


def test_a_quarter_of_the_hues_are_blue() -> None:
    hues = [
        colorsys.rgb_to_hsv(*(c / 255 for c in random_colour(Dice(seed), vivid=1.0)))[0]
        for seed in range(2000)
    ]
    blue = np.mean([0.5 < h < 0.7 for h in hues])
    # 0.25 near 0.6, sd 0.04, of which 0.988 lie within; of the rest a fifth
    assert blue == pytest.approx(0.25 * 0.988 + 0.75 * 0.2, abs=0.035)
