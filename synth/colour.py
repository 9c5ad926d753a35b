"""Colour arithmetic: sRGB transfer (IEC 61966-2-1), luminance (ITU-R BT.709), colours of lamps."""

from __future__ import annotations

import colorsys

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Bytes, Floats
from synth.dice import Dice

Image = Floats

# ITU-R BT.709 item 3.2: luminance weights of linear R, G, B.
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)


def decode(code: NDArray) -> NDArray[np.float64]:
    """sRGB code value 0..1 to linear light 0..1 (IEC 61966-2-1)."""
    v = np.asarray(code, np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def encode(light: NDArray) -> NDArray[np.float64]:
    """Linear light 0..1 to sRGB code value 0..1 (IEC 61966-2-1); negatives are clipped."""
    v = np.maximum(np.asarray(light, np.float64), 0.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)


_DECODE8 = decode(np.arange(256) / 255.0).astype(np.float32)


def to_linear(picture: Bytes) -> Image:
    """8-bit sRGB picture to linear light, float32, same shape, 0..1."""
    if picture.ndim == 3:  # the same look-up, eight times faster
        return cv2.LUT(picture, _DECODE8)
    return _DECODE8[picture]


def from_linear(light: NDArray) -> Bytes:
    """Linear light 0..1 to an 8-bit sRGB picture."""
    return np.rint(encode(np.clip(light, 0, 1)) * 255).astype(np.uint8)


def luminance(light: NDArray) -> Floats:
    """Luminance (H, W) of linear RGB (H, W, 3)."""
    return np.asarray(light, np.float32) @ LUMINANCE


def hsv(hue: float, saturation: float, value: float) -> Bytes:
    """8-bit RGB from hue, saturation, value, each 0..1 (hue wraps)."""
    rgb = colorsys.hsv_to_rgb(hue % 1.0, min(max(saturation, 0), 1), min(max(value, 0), 1))
    return np.rint(np.array(rgb) * 255).astype(np.uint8)


def lamp(kelvin: float) -> Floats:
    """Linear RGB of a black body, scaled to luminance 1.

    A smooth fit good to a few percent between 2500 and 10000 K; chosen: lamps vary more than that.
    """
    x = np.log(kelvin / 6500.0)
    rgb = np.array([np.exp(-0.75 * x), 1.0, np.exp(1.05 * x)])
    return (rgb / float(rgb @ LUMINANCE)).astype(np.float32)


def random_colour(dice: Dice, *, vivid: float = 0.5) -> Bytes:
    """A colour a designer might take: with probability `vivid` saturated, else muted or grey."""
    if dice.p(vivid):
        return hsv(_hue(dice), dice.u(0.55, 1), dice.u(0.5, 1))
    return hsv(_hue(dice), dice.u(0, 0.35), dice.u(0.05, 1))


def _hue(dice: Dice) -> float:
    """Any hue, but a quarter of them blue, as most menus, pages and skies are (no source)."""
    return dice.n(0.6, 0.04) if dice.p(0.25) else dice.u(0, 1)


def palette(dice: Dice, count: int) -> list[Bytes]:
    """Colours that go together: analogous, complementary, triad or free."""
    base, scheme = _hue(dice), dice.i(0, 4)
    out = []
    for k in range(count):
        if scheme == 0:
            hue = base + dice.n(0, 0.05)
        elif scheme == 1:
            hue = base + (0.5 if k % 2 else 0.0) + dice.n(0, 0.03)
        elif scheme == 2:
            hue = base + (k % 3) / 3 + dice.n(0, 0.03)
        elif scheme == 3:
            hue = base + 0.25 * k / max(count - 1, 1)
        else:
            hue = dice.u(0, 1)
        out.append(hsv(hue, dice.u(0.15, 1.0), dice.u(0.15, 1.0)))
    return out
