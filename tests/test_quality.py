"""Focus, motion, noise and the hints, on photos whose blur and noise are known."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from panelvision.measure.edges import edge_points, spread_of
from panelvision.measure.reduced import noise_sigma
from panelvision.quality import assess, mm_per_photo_px
from tests.surface_views import odd_views, photo_of, picture, view_of


def _edges(sigma: float, height: float = 120.0, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """A disc on a grey ground, blurred by a Gaussian of ``sigma`` pixels."""
    y, x = np.mgrid[0:220, 0:220]
    disc = (60 + height * (np.hypot(x - 110, y - 108) < 70)).astype(np.float32)
    disc = cv2.GaussianBlur(disc, (0, 0), sigma) if sigma else disc
    return disc + np.random.default_rng(seed).normal(0, noise, disc.shape).astype(np.float32)


@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("height", [120.0, 25.0])
def test_edge_spread_is_the_blur_whatever_the_contrast(sigma: float, height: float) -> None:
    """Analytic: a step blurred by a Gaussian has a line spread of the same sigma."""
    spread = spread_of(edge_points(_edges(sigma, height)))
    assert spread.sigma_px == pytest.approx(sigma, rel=0.12)


def test_noise_does_not_pass_for_sharpness() -> None:
    # The variance of the Laplacian of pure noise of 5 codes is 20 x 25 = 500 (algebra), "sharp"
    # by the usual threshold; a blurred edge in noise must still measure as blurred here.
    spread = spread_of(edge_points(_edges(2.5, 120, noise=3.0)))
    assert spread.sigma_px == pytest.approx(2.5, rel=0.3)
    pure = np.random.default_rng(1).normal(100, 5, (220, 220)).astype(np.float32)
    assert spread_of(edge_points(pure)).edges < 12 or np.isnan(
        spread_of(edge_points(pure)).sigma_px
    )


def test_motion_is_measured_along_its_direction() -> None:
    lengths = []
    for size in (1, 5, 9):
        moved = cv2.filter2D(_edges(1.0), cv2.CV_32F, np.full((1, size), 1 / size, np.float32))
        spread = spread_of(edge_points(moved))
        assert spread.sigma_px == pytest.approx(1.0, rel=0.25)
        lengths.append(spread.motion_px)
        if size > 1:
            assert min(spread.motion_deg, 180 - spread.motion_deg) < 23
    # A uniform motion over 5 px comes back within a third; longer ones at least in order.
    assert lengths[0] < 2.0
    assert lengths[1] == pytest.approx(5, rel=0.35)
    assert lengths[2] > 1.3 * lengths[1]


# J. Immerkaer 1996; the mean over the calmer half stays within 5 %.
@pytest.mark.parametrize("sigma", [1.0, 5.0])
def test_noise_sigma(sigma: float) -> None:
    rng = np.random.default_rng(0)
    assert noise_sigma(rng.normal(100, sigma, (200, 300)).astype(np.float32)) == pytest.approx(
        sigma, rel=0.05
    )
    busy = picture(1)[..., 1] * 0 + (np.indices((540, 960)).sum(axis=0) % 40 < 20) * 80.0
    assert noise_sigma(
        (busy + rng.normal(0, sigma, busy.shape)).astype(np.float32)
    ) == pytest.approx(sigma, rel=0.25)


def test_millimetres_per_pixel() -> None:
    # A 42-inch cell of 3840 columns is 919.3 mm wide (data sheet, 0.0798 mm x 3 a column); a
    # 16:9 rectangle of 41.53 inch has that width: 919.3 / cos(atan(9/16)) / 25.4.
    diagonal = 919.3 / np.cos(np.arctan(9 / 16)) / 25.4
    assert mm_per_photo_px(1000, 16 / 9, diagonal_inch=diagonal) == pytest.approx(0.9193, abs=1e-4)
    assert np.isnan(mm_per_photo_px(0, 16 / 9))


def test_a_good_photo_earns_no_hint() -> None:
    photo = photo_of(picture(), noise=1.0)
    q = assess(photo, view_of(photo))
    assert q.usable and q.retake == ()
    assert q.in_frame == 1.0 and q.pixels_across == pytest.approx(960)


def test_each_fault_of_a_photo_earns_its_own_hint() -> None:
    from panelvision.photo import from_array

    light = picture()
    photo = photo_of(light, noise=1.0)
    blurred = from_array(cv2.GaussianBlur(photo.pixels, (0, 0), 9))
    assert any("focus" in h for h in assess(blurred, view_of(blurred)).retake)
    dark = photo_of(light * 0.002)
    assert any("dark" in h for h in assess(dark, view_of(dark)).retake)
    over = photo_of(np.ones_like(light))
    assert any("overexposed" in h for h in assess(over, view_of(over)).retake)
    y, x = np.mgrid[0:540, 0:960]
    torch = np.exp(-((x - 500) ** 2 + (y - 250) ** 2) / (2 * 120.0**2))
    glare = photo_of((0.01 + torch[..., None] * np.ones(3)).clip(0, 1).astype(np.float32))
    assert any("mirrored" in h for h in assess(glare, view_of(glare)).retake)


@pytest.mark.parametrize(("border", "said"), [(60, "send the original"), (400, "Go closer")])
def test_few_pixels_are_a_small_copy_or_a_photo_from_too_far(border: int, said: str) -> None:
    photo = photo_of(picture(w=320, h=180), noise=1.0, border=border)
    hints = assess(photo, view_of(photo, border=border)).retake
    few = [h for h in hints if "original" in h or "closer" in h]
    assert len(few) == 1 and said in few[0]


def test_little_of_the_screen_in_the_frame_is_not_usable() -> None:
    for name, photo, view in odd_views():
        q = assess(photo, view)
        if name in ("nearly outside", "speck"):
            assert not q.usable, name


def test_a_screen_that_goes_on_outside_the_frame_is_to_be_taken_from_farther_away() -> None:
    photo = photo_of(picture())
    view = view_of(photo)
    assert not any("Step back" in hint for hint in assess(photo, view).retake)
    cut = replace(view, outline=replace(view.outline, cut=(False, True, True, False)))
    assert any("Step back" in hint for hint in assess(photo, cut).retake)


def test_odd_views_never_raise_and_keep_the_names() -> None:
    names = None
    for name, photo, view in odd_views():
        features = assess(photo, view).features()
        names = names or list(features)
        assert list(features) == names, name
        assert not any(np.isinf(v) for v in features.values()), name
