"""Sensor, flicker and moire against their published formulas."""

from __future__ import annotations

import numpy as np
import pytest

from synth import lens, phone, sensor
from synth.dice import Dice
from synth.panel import draw_panel


# SNR = eta mu_p / sqrt(sd^2 + (1/12)/K^2 + eta mu_p), eta .6, sd 2 e-, K .5 DN/e-: EMVA 1288 R4
# Linear, values computed from the formula (checks section 3).
@pytest.mark.parametrize(
    ("photons", "snr"),
    [(1, 0.270135), (10, 1.866513), (100, 7.480545), (1000, 24.40692), (10000, 77.43171)],
)
def test_snr_follows_emva_1288(photons: float, snr: float) -> None:
    electrons = np.full(400_000, 0.6 * photons, np.float32)
    dn = sensor.digitise(electrons, np.random.default_rng(3), read_e=2.0, gain=0.5, dark=500.0)
    measured = (dn.mean(dtype=np.float64) - 500.0) / dn.std(dtype=np.float64)
    # standard error of the mean over sd is 1/sqrt(n); of the sd 1/sqrt(2n)
    assert measured == pytest.approx(snr, rel=0.006, abs=0.006)


def test_photon_transfer_slope_is_the_gain() -> None:
    gain, read_e = 0.5, 2.0  # EMVA 1288: var = K^2 sd^2 + 1/12 + K (mean - dark)
    rng = np.random.default_rng(5)
    means, variances = [], []
    for electrons in np.linspace(0, 12_000, 25):
        dn = sensor.digitise(np.full(60_000, electrons), rng, read_e=read_e, gain=gain, dark=400.0)
        means.append(dn.mean(dtype=np.float64) - 400.0)
        variances.append(dn.var(dtype=np.float64))
    slope = np.polyfit(means, variances, 1)[0]
    assert slope == pytest.approx(gain, rel=0.02)
    assert variances[0] == pytest.approx(gain**2 * read_e**2 + 1 / 12, rel=0.03)


# Fundamental over mean, duty .5: checks section 6 (derived there and verified by simulation).
@pytest.mark.parametrize(
    ("frequency", "seconds", "value"),
    [
        (250, 1 / 1000, 1.14632),
        (250, 1 / 333, 0.38082),
        (250, 1 / 125, 0.0),
        (250, 1 / 60, 0.04863),
    ],
)
def test_flicker_depth_matches_formula_and_rows(
    frequency: float, seconds: float, value: float
) -> None:
    assert sensor.modulation(frequency, 0.5, seconds) == pytest.approx(value, abs=2e-5)
    rows = 40_000  # t_row 10 us: 400 rows a period, a whole number of periods
    gain = sensor.banding(
        rows, row_s=1e-5, exposure_s=seconds, frequency=frequency, duty=0.5, phase_s=0.0
    )
    spectrum = np.abs(np.fft.rfft(gain)) / rows * 2
    assert spectrum[rows // 400] == pytest.approx(value, abs=1e-4)


# Period in rows = 1/(f t_row): checks section 6.
@pytest.mark.parametrize(
    ("frequency", "row_s", "period"),
    [
        (240, 1e-5, 416.67),
        (480, 1e-5, 208.33),
        (1000, 1e-5, 100.0),
        (100, 1 / (30 * 1080), 324.0),
        (120, 1 / 90000, 750.0),
    ],
)
def test_banding_period(frequency: float, row_s: float, period: float) -> None:
    gain = sensor.banding(
        30_000, row_s=row_s, exposure_s=1e-4, frequency=frequency, duty=0.4, phase_s=0.003
    )
    rising = np.nonzero((gain[:-1] < 1) & (gain[1:] >= 1))[0]
    assert float(np.diff(rising).mean()) == pytest.approx(period, rel=0.003)


@pytest.mark.parametrize(("frequency", "seconds"), [(100, 1 / 100), (100, 1 / 50), (240, 1 / 60)])
def test_banding_vanishes_at_whole_periods(frequency: float, seconds: float) -> None:
    gain = sensor.banding(
        2000, row_s=1e-5, exposure_s=seconds, frequency=frequency, duty=0.3, phase_s=0.001
    )
    assert np.ptp(gain) < 1e-5


def test_bayer_pattern_and_development_keep_colours_apart() -> None:
    chip = sensor.Sensor(6000, 2.0, 700, np.array([0.5, 1.0, 0.6], np.float32), 0.0)
    taste = phone.Processing((1.0, 1.0), 1.0, 0.0, 0.0, 0.0, 2, 0.0, 1.0, 0.0)
    radiance = np.zeros((64, 96, 3), np.float32)
    radiance[:, :32, 0] = radiance[:, 32:64, 1] = radiance[:, 64:, 2] = 100.0
    exposure = sensor.Exposure(1 / 60, 50, 700 / 60 / 6000)
    raw = sensor.expose(Dice(1, "x"), radiance, chip, exposure)
    rgb = phone.develop(sensor.demosaic(raw), chip, taste, noise_hint=1.0)
    for k in range(3):
        block = rgb[8:56, 32 * k + 8 : 32 * k + 24].reshape(-1, 3).mean(0)
        assert int(block.argmax()) == k and block[k] > 60
        assert np.delete(block, k).max() < 0.2 * block[k]


def test_develop_is_srgb_when_nothing_is_asked_of_it() -> None:
    chip = sensor.Sensor(6000, 0.0, 700, np.ones(3, np.float32), 0.0)
    taste = phone.Processing((1.0, 1.0), 1.0, 0.0, 0.0, 0.0, 2, 0.0, 1.0, 0.0)
    full = sensor.WHITE_DN - sensor.BLACK_DN
    for linear, code in ((0.18, 117.65), (0.214041, 127.5), (0.5, 187.52)):  # IEC 61966-2-1
        raw = np.full((32, 32, 3), round(sensor.BLACK_DN + linear * full), np.uint16)
        out = phone.develop(raw, chip, taste, noise_hint=1.0)
        assert abs(float(out.mean()) - code) < 1.0


def test_moire_folds_where_sampling_says() -> None:
    panel = draw_panel(Dice(2, "p"))
    w, h = 1000, 300
    pitch = 1.25  # photo pixels per picture element: 0.8 cycles/px folds to 0.2 cycles/px
    across = panel.columns * pitch
    corners = np.array([[-40.0, -20], [across - 40, -20], [across - 40, 2000], [-40, 2000]])
    image = np.ones((h, w, 3), np.float32)
    depth = lens.moire(image, corners, panel, lens.Sampling(1.0, 0.08))
    line = image[150, :, 1] - image[150, :, 1].mean()
    spectrum = np.abs(np.fft.rfft(line * np.hanning(w)))
    assert abs(float(np.fft.rfftfreq(w)[spectrum.argmax()]) - 0.2) < 0.003
    assert depth > 0.1
    # the same grating through a wide blur carries nothing
    again = np.ones((h, w, 3), np.float32)
    assert lens.moire(again, corners, panel, lens.Sampling(1.0, 2.4)) == 0.0
    assert np.array_equal(again, np.ones_like(again))


@pytest.mark.parametrize("native_pitch", [1.9, 2.1])
def test_colour_moire_folds_on_the_sensors_own_raster(native_pitch: float) -> None:
    """Red and blue have every second pixel (Bayer): a grid of f cycles folds to |f - 1/2|, green's
    to f itself, which the smaller photo does not hold.
    """
    panel = draw_panel(Dice(2, "p"))
    w, h, scale = 1000, 300, 2.0
    across = panel.columns * native_pitch / scale
    corners = np.array([[-40.0, -20], [across - 40, -20], [across - 40, 4000], [-40, 4000]])
    image = np.ones((h, w, 3), np.float32)
    depth = lens.moire(image, corners, panel, lens.Sampling(scale, 0.35))
    assert np.ptp(image[150, :, 1]) < 1e-6
    for k in (0, 2):
        line = image[150, :, k] - image[150, :, k].mean()
        spectrum = np.abs(np.fft.rfft(line * np.hanning(w)))
        found = float(np.fft.rfftfreq(w)[spectrum.argmax()])
        assert found == pytest.approx(abs(1 / native_pitch - 0.5) * scale, abs=0.002)
    assert depth > 0.05
    blurred = np.ones((h, w, 3), np.float32)
    assert lens.moire(blurred, corners, panel, lens.Sampling(scale, 9.0)) == 0.0


def test_distortion_of_points_and_pixels_agree() -> None:
    blur = lens.Blur(0.5, 0.0, 0.0, 0.04)
    image = np.zeros((300, 400, 3), np.float32)
    yy, xx = np.mgrid[:300, :400]
    at = np.array([330.0, 60.0])
    image += np.exp(-((xx - at[0]) ** 2 + (yy - at[1]) ** 2) / 18)[..., None].astype(np.float32)
    moved = lens._distort(image, blur)[..., 0].astype(np.float64)
    found = np.array([(moved * xx).sum(), (moved * yy).sum()]) / moved.sum()
    assert np.abs(found - lens.distort_points(at[None], blur, (400, 300))[0]).max() < 0.1
