"""Tone and colour of the whole picture: inverted, solarised, posterised, a channel missing, a cast.

A wrong colour on an abstract picture cannot always be told, by a person either;
plain coloured pages are healthy. So nothing here decides: each test gives
numbers with a plain meaning, and `kind` names only what stands out.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.light import highest, lowest
from panelvision.measure.reduced import NAN, Reduced, inset, noise_sigma, reduce_view
from panelvision.measure.tone import Tone, measure_tone
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

_WIDTH = 240
_BORDER = 0.03
_CHANNELS = ("red", "green", "blue")
# chosen: a channel at under 6 % of the strongest one's 98th percentile, in linear light, over
# the whole picture; sensors and phones leak about 2 to 5 % between channels (from memory).
_MISSING = 0.06


@dataclass(frozen=True)
class ColourFindings:
    """Colour of the picture as a whole.

    Attributes
    ----------
    missing : str or None
        ``"red"``, ``"green"`` or ``"blue"`` when that channel gives next to no light anywhere
        though the other two both show a picture.
    cast : tuple of float
        Mean sRGB code of red and of blue minus green's over the bright parts, / 255.
    tone : Tone
        Tests of the tone curve: inversion, solarisation, posterisation, lost bits.
    values : dict
        All numbers by feature name.
    """

    missing: str | None
    cast: tuple[float, float]
    tone: Tone
    values: dict[str, float]

    def features(self) -> dict[str, float]:
        """Named numbers; NaN where not measured."""
        return dict(self.values)


def measure_colour(view: ScreenView) -> ColourFindings:
    """Measure tone and colour of a squared-up screen."""
    small = reduce_view(view, _WIDTH)
    use = small.valid & inset(small.valid.shape, _BORDER)
    tone = measure_tone(view)
    if use.sum() < 200:
        return ColourFindings(None, (NAN, NAN), tone, {**_empty(), **tone.features()})
    light = small.light[use].astype(np.float64)
    codes = small.codes[use].astype(np.float64)
    values = {
        **_channels(light, codes),
        **_chroma(codes),
        **_layout(small, use),
    }
    missing = _missing(light, codes)
    return ColourFindings(
        missing=missing,
        cast=(values["colour_cast_red"], values["colour_cast_blue"]),
        tone=tone,
        values={**values, **tone.features()},
    )


def _missing(light: FloatArray, codes: FloatArray) -> str | None:
    top = quantile(light, 0.98, axis=0)
    order = np.argsort(top)
    weak, second = int(order[0]), int(order[1])
    # A pure red page has two weak channels and is healthy; one weak channel beside two that
    # both carry a picture is not.
    if top[weak] > _MISSING * top[second] or top[second] < 0.02:
        return None
    spread = codes.std(axis=0)
    if spread[order[1:]].min() < 8:
        return None
    return _CHANNELS[weak]


def _channels(light: FloatArray, codes: FloatArray) -> dict[str, float]:
    top = quantile(light, 0.98, axis=0)
    low = quantile(codes, 0.02, axis=0)
    high = quantile(codes, 0.98, axis=0)
    order = np.argsort(top)
    weak, middle, strong = (int(k) for k in order)
    spread = codes.std(axis=0)
    correlation = _correlations(codes)
    rest = _unexplained(light, weak)
    tallest = highest(codes)
    bright = codes[tallest >= quantile(tallest, 0.95)]
    cast = bright.mean(axis=0)
    everywhere = codes.mean(axis=0)
    least = codes.argmin(axis=1)
    share_least = np.bincount(least, minlength=3) / len(least)
    out = {
        "colour_weak_over_strong": float(np.log10((top[weak] + 1e-4) / (top[strong] + 1e-4))),
        "colour_weak_over_middle": float(np.log10((top[weak] + 1e-4) / (top[middle] + 1e-4))),
        "colour_middle_over_strong": float(np.log10((top[middle] + 1e-4) / (top[strong] + 1e-4))),
        "colour_weak_spread": float(spread[weak]),
        "colour_middle_spread": float(spread[middle]),
        "colour_strong_spread": float(spread[strong]),
        "colour_weak_unexplained": rest,
        "colour_weak_always_least": float(share_least[weak]),
        "colour_least_share": float(share_least.max()),
        "colour_low": float(low.max()),
        "colour_low_least": float(low.min()),
        "colour_high": float(high.max()),
        "colour_high_least": float(high.min()),
        "colour_range_ratio": float((high - low).min() / max((high - low).max(), 1.0)),
        "colour_cast_red": float((cast[0] - cast[1]) / 255),
        "colour_cast_blue": float((cast[2] - cast[1]) / 255),
        "colour_mean_red": float((everywhere[0] - everywhere[1]) / 255),
        "colour_mean_blue": float((everywhere[2] - everywhere[1]) / 255),
        "colour_mean_magenta": float((everywhere[0] + everywhere[2] - 2 * everywhere[1]) / 510),
        "colour_correlation_least": min(correlation),
        "colour_correlation_mean": float(np.mean(correlation)),
    }
    return out


def _correlations(codes: FloatArray) -> tuple[float, float, float]:
    centred = codes - codes.mean(axis=0)
    norm = np.sqrt((centred**2).sum(axis=0))

    def pair(a: int, b: int) -> float:
        scale = norm[a] * norm[b]
        return float((centred[:, a] @ centred[:, b]) / scale) if scale > 1e-6 else 0.0

    return pair(0, 1), pair(0, 2), pair(1, 2)


def _unexplained(light: FloatArray, weak: int) -> float:
    """Share of the weakest channel's variance that leakage from the other two does not explain."""
    others = [c for c in range(3) if c != weak]
    basis = np.column_stack([light[:, others], np.ones(len(light))])
    target = light[:, weak]
    total = float(target.var())
    if total < 1e-10:
        return 0.0
    rest = target - basis @ np.linalg.lstsq(basis, target, rcond=None)[0]
    return float(rest.var() / total)


def _chroma(codes: FloatArray) -> dict[str, float]:
    high, low = highest(codes), lowest(codes)
    chroma = high - low
    saturation = chroma / np.maximum(high, 8)
    bright = high >= quantile(high, 0.9)
    dark = high <= quantile(high, 0.15)
    coloured = (saturation > 0.25) & (high > 24)
    hue = _hue(codes[coloured])
    histogram = np.bincount((hue * 24).astype(int) % 24, minlength=24) / max(len(hue), 1)
    filled = histogram[histogram > 0]
    entropy = float(-(filled * np.log(filled)).sum()) if len(hue) > 20 else NAN
    grey = codes @ np.array([0.2126, 0.7152, 0.0722])
    out = {
        "colour_saturation": float(saturation.mean()),
        "colour_saturation_high": float(quantile(saturation, 0.9)),
        "colour_saturated_share": float((saturation > 0.8).mean()),
        "colour_bright_saturation": float(saturation[bright].mean()),
        "colour_bright_saturation_low": float(quantile(saturation[bright], 0.1)),
        "colour_dark_saturation": float(saturation[dark].mean()),
        "colour_neutral_bright_share": float(
            ((saturation < 0.15) & (high > 0.6 * high.max())).mean()
        ),
        "colour_coloured_share": float(coloured.mean()),
        "colour_hue_entropy": entropy,
        "colour_hue_peak": float(histogram.max()) if len(hue) > 20 else NAN,
        "colour_grey_skew": _skew(grey),
        "colour_grey_median": float(median(grey)),
        "colour_saturation_with_light": _correlation(saturation, grey),
        "colour_mid_share": float(((grey > 64) & (grey < 192)).mean()),
    }
    names = ("warm", "yellow", "green", "cyan", "blue", "magenta")
    for k, name in enumerate(names):
        centre = k / 6
        near = np.abs((hue - centre + 0.5) % 1 - 0.5) <= 1 / 12
        out[f"colour_share_{name}"] = float(near.sum() / len(codes))
    return out


def _hue(codes: FloatArray) -> FloatArray:
    """Hue 0..1 (0 = red, 1/3 = green, 2/3 = blue), hexcone model."""
    if len(codes) == 0:
        return np.empty(0)
    high, low = highest(codes), lowest(codes)
    c = np.maximum(high - low, 1e-6)
    r, g, b = codes.T
    hue = np.where(
        high == r, (g - b) / c % 6, np.where(high == g, (b - r) / c + 2, (r - g) / c + 4)
    )
    return hue / 6 % 1


def _skew(values: FloatArray) -> float:
    spread = values.std()
    return float(((values - values.mean()) ** 3).mean() / spread**3) if spread > 0.5 else 0.0


def _correlation(a: FloatArray, b: FloatArray) -> float:
    if a.std() < 1e-9 or b.std() < 1e-9:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _layout(small: Reduced, use: BoolArray) -> dict[str, float]:
    """Habits of pictures that inversion breaks: dark frames, blue above, small highlights."""
    codes = small.codes
    h, w = use.shape
    grey = codes @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    noise = noise_sigma(grey, use)
    local = grey - cv2.GaussianBlur(grey, (0, 0), 6)
    detail = local[use]
    order = np.argsort(np.abs(detail))
    strong = detail[order[-max(20, detail.size // 50) :]]
    blur = cv2.GaussianBlur(codes, (0, 0), 4)
    blueness = blur[..., 2] - blur[..., 0]
    top, bottom = blueness[: h // 3], blueness[-h // 3 :]
    edge = np.zeros_like(use)
    edge[: max(2, h // 16)] = edge[-max(2, h // 16) :] = True
    frame, inner = grey[edge & small.valid], grey[~edge & use]
    slope = np.abs(cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8)) + np.abs(
        cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8)
    )
    bright = use & (grey >= quantile(grey[use], 0.8))
    dark = use & (grey <= quantile(grey[use], 0.2))
    return {
        **_channel_detail(small, use),
        "colour_detail_skew": _skew(detail) if np.isfinite(noise) else NAN,
        "colour_detail_bright_share": float((strong > 0).mean()),
        "colour_blue_above": float((top.mean() - bottom.mean()) / 255),
        "colour_light_above": float((grey[: h // 3].mean() - grey[-h // 3 :].mean()) / 255),
        "colour_frame_over_inner": float((median(frame) - median(inner)) / 255)
        if frame.size and inner.size
        else NAN,
        "colour_bright_detail": float(
            np.log10((slope[bright].mean() + 0.1) / (slope[dark].mean() + 0.1))
        ),
    }


def _channel_detail(small: Reduced, use: BoolArray) -> dict[str, float]:
    """Picture carried by each channel, whatever the room adds: RMS of its detail in linear light.

    A missing channel may look grey from the light of the room, but that light has no detail.
    """
    detail = small.light - cv2.GaussianBlur(small.light, (0, 0), 6)
    low, middle, high = sorted(float(np.sqrt((detail[..., c][use] ** 2).mean())) for c in range(3))
    order = np.argsort([(detail[..., c][use] ** 2).mean() for c in range(3)])
    weak, others = detail[use][:, order[0]], detail[use][:, order[1:]]
    solution = np.linalg.lstsq(others, weak, rcond=None)[0]
    rest = weak - others @ solution
    return {
        "colour_detail_weak": float(np.log10((low + 1e-5) / (high + 1e-5))),
        "colour_detail_middle": float(np.log10((middle + 1e-5) / (high + 1e-5))),
        "colour_detail_unexplained": float(np.log10((rest.std() + 1e-5) / (high + 1e-5))),
    }


def _empty() -> dict[str, float]:
    """The same names with NaN, from a run on a plain field: no list has to be kept twice."""
    field = np.full((40, 64, 3), 0.2, np.float32)
    field[:, :32] = 0.3
    whole = Reduced(field, np.ones((40, 64), bool), np.zeros((40, 64), bool))
    flat = field.reshape(-1, 3).astype(np.float64)
    codes = whole.codes.reshape(-1, 3).astype(np.float64)
    names = {**_channels(flat, codes), **_chroma(codes), **_layout(whole, whole.valid)}
    return dict.fromkeys(names, NAN)
