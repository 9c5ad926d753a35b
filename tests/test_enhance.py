"""Enhancement: brings a known picture out, invents nothing, leaves lit screens alone."""

from dataclasses import replace

import numpy as np
import pytest

from panelvision.enhance import denoise, enhance
from panelvision.light import encode
from panelvision.measure.faint_limit import pattern
from panelvision.measure.illumination import flatten
from panelvision.measure.noise import estimate_noise
from panelvision.photo import from_array
from panelvision.squareup import Outline, ScreenView, square_up

H, W = 270, 480
CORNERS = np.array([[-0.5, -0.5], [W - 0.5, -0.5], [W - 0.5, H - 0.5], [-0.5, H - 0.5]])


def _view(light: np.ndarray) -> ScreenView:
    outline = Outline(CORNERS, 1.0, np.full(4, np.nan))
    return square_up(from_array(encode(light)), outline, width=W)


def _torch(contrast: float, noise: float, seed: int = 0) -> np.ndarray:
    """A torch-lit screen with a menu of known contrast, relative Gaussian noise."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:H, 0:W]
    light = 0.03 / (1 + ((x - 330) ** 2 + (y - 90) ** 2) / 200**2)
    picture = pattern("menu", (H, W))
    picture = picture / picture.std()
    return light[..., None] * (1 + contrast * picture) * (1 + rng.normal(0, noise, (H, W, 3)))


def _contrast_to_noise(image: np.ndarray) -> float:
    """Of the menu's panel against the ground below it, in image values."""
    grey = image.astype(float).mean(axis=2)
    picture = pattern("menu", (H, W))[..., 2]
    inside = np.zeros((H, W), bool)
    inside[60:200, 80:280] = True
    bright = inside & (picture > np.quantile(picture[inside], 0.5))
    ground = np.zeros((H, W), bool)
    ground[60:200, 320:450] = True
    return float((grey[bright].mean() - grey[ground].mean()) / grey[ground].std())


def test_same_shape_type_and_determinism() -> None:
    view = _view(_torch(0.05, 0.03))
    first, second = enhance(view, 0.7), enhance(view, 0.7)
    assert first.shape == (H, W, 3) and first.dtype == np.uint8
    np.testing.assert_array_equal(first, second)


def test_a_faint_menu_stands_out_of_the_noise() -> None:
    view = _view(_torch(0.05, 0.03))
    before, after = _contrast_to_noise(enhance(view, 0.0)), _contrast_to_noise(enhance(view, 1.0))
    assert after > 2 * before
    assert after > 2


def test_no_texture_is_invented_on_a_bare_screen() -> None:
    """Noise alone must come out flatter, in codes, than a 5 % picture by a wide margin."""
    bare = enhance(_view(_torch(0.0, 0.03)), 1.0).astype(float)[20:-20, 20:-20]
    pictured = enhance(_view(_torch(0.05, 0.03)), 1.0).astype(float)[20:-20, 20:-20]
    assert bare.std() < 0.5 * pictured.std()


def test_denoising_only_takes_away() -> None:
    """The Wiener gains lie in 0..1: power after is below power before, noise all but gone."""
    view = _view(_torch(0.0, 0.03))
    flat = flatten(view.linear, view.clipped, view.valid)
    clean, left = denoise(flat)
    before, after = flat.residual[flat.use].std(), clean[flat.use].std()
    assert after < 0.4 * before
    assert left < 0.4 * before


def test_colour_is_kept() -> None:
    light = _torch(0.0, 0.02)
    light[80:180, 100:250] *= np.array([1.15, 1.0, 0.9])
    out = enhance(_view(light), 1.0).astype(float)
    patch = out[100:160, 120:230].mean(axis=(0, 1))
    assert patch[0] > patch[1] + 10 > patch[2] + 20


def test_a_lit_picture_keeps_its_order_of_tones() -> None:
    """Lit screens get a tone curve only: brighter stays brighter, pixel by pixel."""
    rng = np.random.default_rng(1)
    blocks = rng.uniform(0.05, 0.95, (6, 8, 1)) * np.ones(3)
    light = np.kron(blocks, np.ones((H // 6, W // 8, 1)))
    out = enhance(_view(light), 1.0).astype(float).mean(axis=2)
    inner = [(r * H // 6 + 20, c * W // 8 + 25) for r in range(6) for c in range(8)]
    shown = np.array([out[p] for p in inner])
    true = np.array([light[p][0] for p in inner])
    order = np.argsort(true)
    assert (np.diff(shown[order]) >= -1).all()


@pytest.mark.parametrize("strength", [0.0, 0.5, 1.0])
def test_black_and_white_screens_do_not_break(strength: float) -> None:
    for level in (0.0, 1.0):
        out = enhance(_view(np.full((H, W, 3), level)), strength)
        assert np.isfinite(out).all()
        # checks: plain CLAHE of constant images returns other constants, up to white.
        assert out.std() < 2


def test_stacking_lowers_the_noise_by_the_square_root_of_the_frames() -> None:
    """Nine frames of white noise: a factor of 3 (averaging, textbook; EMVA 1288 for sensors)."""
    frames = [_view(_torch(0.0, 0.08, seed=s)) for s in range(9)]
    mean = replace(frames[0], linear=np.mean([f.linear for f in frames], axis=0))
    sigma = []
    for view in (frames[0], mean):
        flat = flatten(view.linear, view.clipped, view.valid)
        sigma.append(np.median(estimate_noise(flat.residual, flat.light, flat.use).sigma))
    assert sigma[0] / sigma[1] == pytest.approx(3.0, rel=0.1)
