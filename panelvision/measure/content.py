"""Is there a picture at all? Structure of the active area beyond smooth light and noise."""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.measure.reduced import NAN, Reduced, inset, noise_sigma
from panelvision.order_statistics import quantile

_FLOOR = 2e-3  # linear light, about code 6 (chosen)
# chosen: border left out, so that an outline half a per cent off shows no bezel.
_BORDER = 0.03
_SCALES = (1.0, 2.0, 4.0, 8.0)  # px at 480 columns


@dataclass(frozen=True)
class Content:
    """Structure of the active area.

    Attributes
    ----------
    edge_share : float
        Share of pixels whose log light changes by more than 10 % a pixel (480 columns).
    soft_edge_share : float
        The same for 3 %.
    band_contrast : tuple of float
        RMS contrast in four octaves (1, 2, 4, 8 px), log light.
    band_peak : tuple of float
        99.5th percentile of the absolute contrast in the same octaves.
    colour_contrast : float
        RMS of ln(R/G) and ln(B/G) in the 2 px octave.
    noise : float
        Noise of log light per pixel.
    over_noise : float
        Contrast in the 4 px octave over what white noise of that size would give.
    """

    edge_share: float
    soft_edge_share: float
    band_contrast: tuple[float, ...]
    band_peak: tuple[float, ...]
    colour_contrast: float
    noise: float
    over_noise: float


NOTHING = Content(NAN, NAN, (NAN,) * 4, (NAN,) * 4, NAN, NAN, NAN)


def measure_content(reduced: Reduced) -> Content:
    """Measure structure on a view of about 480 columns."""
    light = reduced.light
    h, w = light.shape[:2]
    use = reduced.valid & inset((h, w), _BORDER)
    if min(h, w) < 32 or use.sum() < 400:
        return NOTHING
    logs = np.log(light + _FLOOR)
    grey = logs @ np.array([0.3, 0.6, 0.1], np.float32)
    soft = cv2.GaussianBlur(grey, (0, 0), 0.8)
    slope = cv2.magnitude(
        cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8),
        cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8),
    )[use]
    noise = noise_sigma(grey, use)
    contrasts, peaks = [], []
    previous, seen = grey, use
    for sigma in _SCALES:
        if sigma > 2:
            # What is left of a blurred picture fits into half the pixels.
            size = (previous.shape[1] // 2, previous.shape[0] // 2)
            previous = cv2.resize(previous, size, interpolation=cv2.INTER_AREA)
            seen = cv2.resize(seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        # From one octave's Gaussian to the next: variances add.
        wide = sigma / 2 ** (sigma > 2) / 2 ** (sigma > 4)
        more = wide if sigma == _SCALES[0] else wide * np.sqrt(0.75)
        blurred = cv2.GaussianBlur(previous, (0, 0), more)
        band = np.abs((previous - blurred)[seen])
        contrasts.append(float(np.sqrt((band**2).mean())))
        peaks.append(float(quantile(band[:: max(1, band.size // 20000)], 0.995)))
        previous = blurred
    half = cv2.resize(logs, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    colour = np.stack([half[..., 0] - half[..., 1], half[..., 2] - half[..., 1]], axis=-1)
    inner = cv2.resize(use.astype(np.uint8), (w // 2, h // 2), interpolation=cv2.INTER_NEAREST)
    colour = cv2.GaussianBlur(colour, (0, 0), 1) - cv2.GaussianBlur(colour, (0, 0), 3)
    # White noise through two Gaussians a < b has the variance
    # s^2 / (4 pi) (1/a^2 + 1/b^2 - 4/(a^2 + b^2)).
    passes = np.sqrt((1 / 4 + 1 / 16 - 4 / 20) / (4 * np.pi))
    return Content(
        edge_share=float((slope > 0.10).mean()),
        soft_edge_share=float((slope > 0.03).mean()),
        band_contrast=tuple(contrasts),
        band_peak=tuple(peaks),
        colour_contrast=float(np.sqrt((colour[inner > 0] ** 2).mean())),
        noise=noise,
        over_noise=contrasts[2] / max(noise * passes, 1e-5),
    )
