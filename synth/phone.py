"""What the phone makes of the raw image: white balance, colour, tone, denoising, sharpening."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Bytes, Floats
from synth.colour import encode
from synth.dice import Dice
from synth.fields import STRIP
from synth.sensor import BLACK_DN, WHITE_DN, Sensor

Array = Floats


@dataclass(frozen=True)
class Processing:
    """white_balance: gain error of R and B. saturation. curve: strength of the S-curve. lift:
    shadows raised 0..1. denoise: luma strength 0..1. chroma: shrink factor of colour noise removal.
    sharpen: amount of unsharp mask. radius: its sigma, px. local: share of local tone mapping.
    """

    white_balance: tuple[float, float]
    saturation: float
    curve: float
    lift: float
    denoise: float
    chroma: int
    sharpen: float
    radius: float
    local: float


#: Colours and tones as they are, the standard's curve, nothing smoothed or sharpened.
PLAIN = Processing((1.0, 1.0), 1.0, 0.0, 0.0, 0.0, 1, 0.0, 1.0, 0.0)


def draw_processing(dice: Dice, iso: float) -> Processing:
    """A phone's taste; stronger denoising at high gain."""
    strong = float(np.clip(np.log2(max(iso, 50) / 50) / 6, 0, 1))
    return Processing(
        (
            dice.n(1, 0.05) * dice.pick((1, 1, 1, dice.lu(0.8, 1.25))),
            dice.n(1, 0.06) * dice.pick((1, 1, 1, dice.lu(0.8, 1.25))),
        ),
        dice.u(0.9, 1.35),
        dice.u(0, 0.6),
        dice.u(0, 1) if dice.p(0.4) else 0.0,
        dice.u(0, 0.5) + strong * dice.u(0, 1.0),
        dice.pick((2, 2, 4)) if strong < 0.4 else dice.pick((4, 4, 8)),
        dice.u(0, 1.2),
        dice.u(0.7, 1.8),
        dice.u(0.1, 0.6) if dice.p(0.25) else 0.0,
    )


def adapted(dice: Dice, p: Processing, radiance: Array) -> Processing:
    """The white balance drawn part of the way towards a grey mean of what is in the photo.

    Phones do so to very different degrees (common practice, no source): a screen in a lamp-lit room
    comes out bluish, a blue screen in the dark less blue than it is.
    """
    share = dice.u(0.1, 0.7) if dice.p(0.6) else 0.0
    small = cv2.resize(radiance[::3], (32, 32), interpolation=cv2.INTER_AREA).reshape(-1, 3)
    light = small.sum(axis=1)
    mean = small[light <= np.quantile(light, 0.95)].mean(axis=0) + 1e-9
    red, blue = (float(np.clip((mean[1] / mean[c]) ** share, 0.6, 1.8)) for c in (0, 2))
    return replace(p, white_balance=(p.white_balance[0] * red, p.white_balance[1] * blue))


#: Linear light and display codes are whole numbers while they are looked up: 16 bits of linear
#: light are finer than the raw's 14, and 128 steps to the code finer than any noise.
LINEAR_STEPS, CODE_STEPS = 65535, 128


def tone_curve(p: Processing) -> NDArray[np.uint16]:
    """Linear light in `LINEAR_STEPS` to display code 0..255 in `CODE_STEPS` each."""
    x = np.arange(LINEAR_STEPS + 1) / LINEAR_STEPS
    y = encode(x * (1 + 2.0 * p.lift * (1 - x) ** 3))
    s = y * y * (3 - 2 * y)
    code = (y + p.curve * 0.6 * (s - y)) * (255 * CODE_STEPS)
    return np.rint(np.clip(code, 0, LINEAR_STEPS)).astype(np.uint16)


def _guided(luma: Array, radius: int, eps: float, share: float) -> Array:
    """Self-guided filter (He, Sun, Tang 2013): smooths noise below sqrt(eps), keeps edges.

    Means and variances are taken on a half-size copy (He and Sun 2015), a quarter of the work.
    share: 1 replaces the luma by the filtered one, less leaves some of it.
    """
    h, w = luma.shape
    small = cv2.resize(luma, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    full = cv2.resize(cv2.multiply(luma, luma), (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    k = (radius + 1 - radius % 2, radius + 1 - radius % 2)
    mean = cv2.blur(small, k)
    var: Array = cv2.blur(full, k)
    var -= mean * mean
    a = var / (var + np.float32(eps))
    b = mean - a * mean
    slope = 1 - share + share * cv2.blur(a, k)
    out: Array = cv2.resize(slope, (w, h), interpolation=cv2.INTER_LINEAR)
    out *= luma
    out += cv2.resize(share * cv2.blur(b, k), (w, h), interpolation=cv2.INTER_LINEAR)
    return out


def develop(rgb: NDArray[np.uint16], sensor: Sensor, p: Processing, *, noise_hint: float) -> Bytes:
    """Demosaiced raw (H, W, 3) to an 8-bit sRGB picture.

    noise_hint: expected noise in display codes, sets the denoiser's strength.
    """
    h, w = rgb.shape[:2]
    gains = np.array([p.white_balance[0], 1.0, p.white_balance[1]], np.float32) / sensor.response
    s = np.float32(p.saturation)
    lum = np.array([0.3, 0.59, 0.11], np.float32)
    matrix = (s * np.eye(3, dtype=np.float32) + (1 - s) * lum[None, :]) * gains[None, :]
    matrix *= np.float32(LINEAR_STEPS / (WHITE_DN - BLACK_DN))
    offset = -matrix.sum(1, keepdims=True) * np.float32(BLACK_DN)
    linear = cv2.transform(rgb, np.hstack([matrix, offset]).astype(np.float32))  # saturates
    if p.local > 0:
        small = (
            cv2.resize(linear, (max(w // 24, 2), max(h // 24, 2)), interpolation=cv2.INTER_AREA)
            @ lum
        )
        small = cv2.GaussianBlur(small, (0, 0), 3) / LINEAR_STEPS + 0.02
        gain = np.clip((0.25 / small) ** (p.local * 0.5), 0.6, 2.5).astype(np.float32)
        gain = cv2.resize(gain, (w, h), interpolation=cv2.INTER_LINEAR)
        linear = cv2.multiply(linear, cv2.merge([gain, gain, gain]), dtype=cv2.CV_16U)
    curve = tone_curve(p)
    code = np.empty_like(linear)
    for y in range(0, h, STRIP):
        np.take(curve, linear[y : y + STRIP], out=code[y : y + STRIP], mode="clip")
    # colour is kept as what each channel has over the luma, which is linear in the codes and may
    # so be taken on the small copy
    luma = cv2.cvtColor(code, cv2.COLOR_RGB2GRAY) * np.float32(1 / CODE_STEPS)
    tint: Array = cv2.resize(
        code, (max(w // p.chroma, 2), max(h // p.chroma, 2)), interpolation=cv2.INTER_AREA
    ) * np.float32(1 / CODE_STEPS)
    tint -= cv2.cvtColor(tint, cv2.COLOR_RGB2GRAY)[..., None]
    if p.denoise > 0.05:
        eps = (noise_hint * (0.5 + 2.0 * p.denoise)) ** 2
        share = min(p.denoise * 1.2, 1.0)
        luma = _guided(luma, 3, eps, share)
    if p.sharpen > 0.05:
        taps = 2 * int(np.ceil(3 * p.radius)) + 1
        soft = cv2.GaussianBlur(luma, (taps, taps), p.radius)
        luma = cv2.addWeighted(luma, 1 + p.sharpen, soft, -p.sharpen, 0)
    tint = cv2.resize(tint, (w, h), interpolation=cv2.INTER_LINEAR)
    out = np.empty((h, w, 3), np.uint8)
    for y in range(0, h, STRIP):
        part = luma[y : y + STRIP]
        cv2.add(
            tint[y : y + STRIP],
            cv2.merge([part, part, part]),
            dst=out[y : y + STRIP],
            dtype=cv2.CV_8U,
        )
    return out
