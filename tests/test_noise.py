"""Noise from the photo itself, checked against noise that was put in."""

import numpy as np
import pytest

from panelvision.measure.noise import code_step, estimate_noise


def _fine_share() -> float:
    """Share of white noise power in the fine band: |delta - Gaussian(1)|^2, computed directly."""
    x = np.arange(-6, 7)
    g = np.exp(-0.5 * x**2)
    kernel = np.outer(g, g) / g.sum() ** 2
    centre = kernel.copy() * -1
    centre[6, 6] += 1
    return float((centre**2).sum())


@pytest.mark.parametrize("sigma", [0.01, 0.03, 0.1])
def test_sigma_of_white_noise_is_found_per_channel(sigma: float) -> None:
    rng = np.random.default_rng(3)
    light = np.full((270, 480, 3), 0.2, np.float32)
    factor = np.array([1.5, 1.0, 2.0])
    residual = (rng.normal(0, sigma, light.shape) * factor).astype(np.float32)
    curve = estimate_noise(residual, light, np.ones((270, 480), bool))
    floor = curve.quantum**2 / 36
    expected = np.sqrt(sigma**2 * factor**2 * _fine_share() + floor)
    np.testing.assert_allclose(np.median(curve.sigma, axis=0), expected, rtol=0.06)


def test_noise_falls_with_light_as_photon_noise_does() -> None:
    # EMVA 1288: photon noise alone has relative sigma proportional to 1 / sqrt(signal).
    rng = np.random.default_rng(5)
    light = np.repeat(np.geomspace(0.02, 0.5, 480)[None], 270, 0)[..., None].repeat(3, 2)
    residual = rng.normal(0, 1, light.shape) * 0.02 * np.sqrt(0.1 / light)
    curve = estimate_noise(
        residual.astype(np.float32), light.astype(np.float32), np.ones((270, 480), bool)
    )
    ends = curve.at(np.array([0.03, 0.3]))[:, 1]
    assert ends[0] / ends[1] == pytest.approx(np.sqrt(10), rel=0.2)


def test_text_does_not_count_as_noise() -> None:
    rng = np.random.default_rng(7)
    light = np.full((270, 480, 3), 0.2, np.float32)
    residual = rng.normal(0, 0.01, light.shape).astype(np.float32)
    use = np.ones((270, 480), bool)
    before = np.median(estimate_noise(residual, light, use).sigma)
    residual[60:200:4, 40:300] += 0.2
    after = np.median(estimate_noise(residual, light, use).sigma)
    assert after == pytest.approx(before, rel=0.1)


@pytest.mark.parametrize(
    ("code", "percent"), [(5, 20.0), (20, 7.20), (50, 3.79), (100, 2.12), (200, 1.13)]
)
def test_code_step_agrees_with_differences_of_the_transfer_function(
    code: int, percent: float
) -> None:
    # 8-bit step as a Weber contrast, differences of the IEC 61966-2-1 decode table;
    # the derivative differs from the difference by half the second order, 10 % at code 5..20.
    v = code / 255
    level = v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
    assert code_step(level) * 100 == pytest.approx(percent, rel=0.06)
