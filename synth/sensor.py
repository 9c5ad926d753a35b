"""The image sensor: photons to digital numbers (EMVA 1288 linear model), Bayer mosaic, flicker.

A pixel collects mu_e electrons on average; the signal is Poisson (drawn as a normal of the same
variance, exact in mean and variance), plus read noise sd_e, times the gain K in DN per electron,
plus rounding to whole DN (variance 1/12). So var = K^2 sd^2 + 1/12 + K (mean - dark).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Floats
from synth.colour import LUMINANCE
from synth.dice import Dice
from synth.fields import STRIP

Array = Floats

#: Raw numbers: 14 bits with the black level well above zero so that noise is not cut off.
WHITE_DN = 16383
BLACK_DN = 1024


@dataclass(frozen=True)
class Sensor:
    """full_well: electrons of an output pixel at ISO 50. read_e: read noise, electrons.

    electrons_per_cd: electrons per (cd/m2 x second) of white at the output pixel's green. response:
    relative sensitivity of R, G, B. row_e: noise common to a sensor row, electrons.
    """

    full_well: float
    read_e: float
    electrons_per_cd: float
    response: Array
    row_e: float


def draw_sensor(dice: Dice, *, night: bool) -> Sensor:
    """A phone sensor after binning to the output size; `night`: several frames may be stacked.

    700 e-/(cd/m2 s): 1.4 um pixel behind f/1.8, half the photons counted (from memory: 1 lux s is
    about 11000 photons/um2 of white light); output pixels gather 1..9 sensor pixels or frames.
    """
    binned = dice.lu(1.5, 9.0)
    if night and dice.p(0.45):
        binned *= dice.lu(1.5, 8)
    return Sensor(
        6000 * binned,
        dice.u(1.0, 3.0) * float(np.sqrt(binned)),
        700 * binned * dice.u(0.7, 1.4),
        np.array([dice.u(0.45, 0.7), 1.0, dice.u(0.45, 0.75)], np.float32),
        dice.u(0, 0.35) * float(np.sqrt(binned)),
    )


def digitise(
    electrons: NDArray,
    rng: np.random.Generator,
    *,
    read_e: float,
    gain: float,
    dark: float = BLACK_DN,
    white: float = WHITE_DN,
) -> NDArray[np.uint16]:
    """Expected electrons (one axis or more) to digital numbers with photon and read noise.

    gain is K in DN per electron, dark the DN of no light; clipped at `white`. Up to 16 bits.
    """
    expected = np.asarray(electrons, np.float32)
    out = np.empty(expected.shape, np.uint16)
    for k in range(0, len(out), STRIP):
        e = np.maximum(expected[k : k + STRIP], 0)
        noise = rng.standard_normal(e.shape, np.float32)
        sd = e + np.float32(read_e**2)
        noise *= np.sqrt(sd, out=sd)
        noise += e
        noise *= np.float32(gain)
        noise += np.float32(dark + 0.5)
        out[k : k + STRIP] = np.clip(noise, 0, white, out=noise)
    return out


@dataclass(frozen=True)
class Exposure:
    """seconds: exposure time. iso: 50 is base gain. level: share of full scale per cd/m2."""

    seconds: float
    iso: float
    level: float


def noiseless(sensor: Sensor) -> Sensor:
    """The same chip with wells ten thousand times as deep: a hundredth of the photon noise."""
    return replace(
        sensor,
        full_well=sensor.full_well * 1e4,
        electrons_per_cd=sensor.electrons_per_cd * 1e4,
        read_e=0.0,
        row_e=0.0,
    )


def meter(
    dice: Dice, radiance: Array, sensor: Sensor, *, longest: float = 0.1, top_iso: float = 3200
) -> Exposure:
    """Auto exposure: somewhere between grey-world mean and keeping the highlights.

    Time is lengthened to 1/60 s before gain is raised, then to 1/25 s, then up to `longest` for
    dark scenes, as phones do (common practice, no source).
    """
    # every third row will do for a mean
    small = cv2.resize(radiance[::3], (64, 64), interpolation=cv2.INTER_AREA) @ LUMINANCE
    y, x = np.mgrid[-1:1:64j, -1:1:64j]
    weight = np.exp(-(x * x + y * y) * dice.u(0.0, 1.5))
    order = np.sort(small.ravel())
    peak = float(order[int(len(order) * dice.u(0.9, 0.992))]) + 1e-6
    capped = np.minimum(small, 4 * float(np.median(small)) + 0.15 * peak)
    mean = float((capped * weight).sum() / weight.sum()) + 1e-6
    by_mean, by_peak = 0.16 / mean, dice.u(0.6, 1.05) / peak
    # highlights win mostly; the more of the frame is dark, the more a phone lets them go
    level = by_mean if by_mean < by_peak else by_peak * (by_mean / by_peak) ** dice.u(0.0, 0.3)
    level = min(level, by_peak * 2.5)
    level *= 2.0 ** float(np.clip(dice.n(-0.2, 0.35), -1.2, 0.7))
    product = level * sensor.full_well * 50 / sensor.electrons_per_cd  # seconds x ISO
    seconds = product / 50
    iso = 50.0
    for limit, iso_limit in ((1 / 60, 400), (1 / 25, 900), (longest, top_iso)):
        if seconds > limit:
            iso = min(product / limit, iso_limit)
            seconds = limit if product / limit <= iso_limit else product / iso_limit
    seconds = min(seconds, longest)
    iso = float(np.clip(product / seconds, 25, top_iso))
    level = seconds * iso * sensor.electrons_per_cd / (sensor.full_well * 50)
    return Exposure(seconds, iso, level)


def expose(dice: Dice, radiance: Array, sensor: Sensor, exposure: Exposure) -> NDArray[np.uint16]:
    """Radiance (H, W, 3) cd/m2 to a raw RGGB mosaic (H, W) uint16."""
    scale = sensor.electrons_per_cd * exposure.seconds
    h, w = radiance.shape[:2]
    mosaic = np.empty((h, w), np.float32)
    for (oy, ox), c in zip(((0, 0), (0, 1), (1, 0), (1, 1)), (0, 1, 1, 2), strict=True):
        np.multiply(
            radiance[oy::2, ox::2, c],
            np.float32(scale * sensor.response[c]),
            out=mosaic[oy::2, ox::2],
        )
    if sensor.row_e > 0:
        mosaic += dice.normal((h, 1)) * np.float32(sensor.row_e)
    saturation = sensor.full_well * 50 / exposure.iso
    gain = (WHITE_DN - BLACK_DN) / saturation
    return digitise(mosaic, dice.rng, read_e=sensor.read_e, gain=gain)


def demosaic(raw: NDArray[np.uint16]) -> NDArray[Any]:
    """RGGB mosaic (H, W) to RGB (H, W, 3), edge-aware."""
    return cv2.demosaicing(raw, cv2.COLOR_BayerRGGB2RGB_EA)


# --- flicker and the rolling shutter -------------------------------------------------------


def pulse_mean(
    start: NDArray, exposure_s: float, frequency: float, duty: float
) -> NDArray[np.float64]:
    """Mean of a 0/1 pulse train (period 1/frequency, on for `duty` of it) over [start, start + T].

    Exact; relative to a steady light of the same mean it is divided by `duty` by the caller.
    """

    def integral(t: NDArray) -> NDArray:
        cycles = np.asarray(t, np.float64) * frequency
        whole = np.floor(cycles)
        return (whole * duty + np.minimum(cycles - whole, duty)) / frequency

    s = np.asarray(start, np.float64)
    return (integral(s + exposure_s) - integral(s)) / exposure_s


def banding(
    rows: int, *, row_s: float, exposure_s: float, frequency: float, duty: float, phase_s: float
) -> Floats:
    """Gain of each sensor row under a pulsed light, mean about 1, period 1/(f row_s) rows."""
    start = phase_s + np.arange(rows) * row_s
    return (pulse_mean(start, exposure_s, frequency, duty) / duty).astype(np.float32)


def modulation(frequency: float, duty: float, exposure_s: float) -> float:
    """Fundamental amplitude over mean of `banding`: 2 sin(pi D)/(pi D) |sinc(f T)|."""
    return float(2 * np.sin(np.pi * duty) / (np.pi * duty) * abs(np.sinc(frequency * exposure_s)))
