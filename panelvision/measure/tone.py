"""The tone curve: solarised (folded), posterised (bits lost), inverted, washed out.

Folding: where a smooth ramp of the picture crosses the level at which the curve
turns back, the channel has a crease: its slope changes sign without passing
through a flat top, and all creases of a channel lie at one level.

Lost bits: what should be smooth becomes plateaus with steps of one size.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.reduced import NAN, inset, noise_sigma, reduce_view
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

_WIDTH = 480
_BORDER = 0.03


@dataclass(frozen=True)
class Tone:
    """Tests of the tone curve.

    Attributes
    ----------
    crease_share : float
        Share of pixels on creases, channel where it is largest.
    crease_level : float
        Code at which that channel's creases lie, 0..255; NaN without creases.
    crease_spread : float
        Spread (half the 16..84 % range) of that level, codes.
    plateau_share : float
        Share of gently sloping picture that lies on plateaus.
    step : float
        Typical step between plateaus, codes; NaN when there are none.
    step_spread : float
        Spread of the steps over their typical size.
    levels : float
        Number of levels that the codes gather at, channel with the fewest.
    values : dict
        All numbers by feature name.
    """

    crease_share: float
    crease_level: float
    crease_spread: float
    plateau_share: float
    step: float
    step_spread: float
    levels: float
    values: dict[str, float]

    @property
    def posterised(self) -> bool:
        """Most gently sloping picture is plateaus, with steps of one size."""
        return bool(self.plateau_share > 0.3 and self.step_spread < 0.25 and self.step > 6)

    @property
    def folded(self) -> bool:
        """Many creases of a channel, at one level."""
        return bool(self.crease_share > 0.0012 and self.crease_spread < 6)

    def features(self) -> dict[str, float]:
        """Named numbers; NaN where not measured."""
        return dict(self.values)


_NAMES = (
    "colour_crease_share",
    "colour_crease_level",
    "colour_crease_spread",
    "colour_crease_opposite",
    "colour_plateau_share",
    "colour_step",
    "colour_step_spread",
    "colour_step_share",
    "colour_levels",
    "colour_gather",
    "colour_slope_kurtosis",
    "colour_contour_density",
)


def measure_tone(view: ScreenView) -> Tone:
    """Test the tone curve of a squared-up screen, channel by channel, on code values."""
    small = reduce_view(view, _WIDTH)
    use = small.valid & inset(small.valid.shape, _BORDER)
    if min(use.shape) < 48 or use.sum() < 2000:
        return Tone(NAN, NAN, NAN, NAN, NAN, NAN, NAN, dict.fromkeys(_NAMES, NAN))
    codes = small.codes
    creases, plateaus = [], []
    for c in range(3):
        channel = np.ascontiguousarray(codes[..., c])
        if np.ptp(quantile(channel[::3, ::3][use[::3, ::3]], [0.02, 0.98])) < 12:
            continue
        noise = max(noise_sigma(channel, use), 0.15)
        creases.append(_creases(channel, use, noise))
        plateaus.append(_plateaus(channel, use, noise))
    if not creases:
        values = dict.fromkeys(_NAMES, NAN)
        return Tone(NAN, NAN, NAN, NAN, NAN, NAN, NAN, values)
    crease = max(creases, key=lambda r: r[0])
    plateau = max(plateaus, key=lambda r: r[0])
    levels = min(r[4] for r in plateaus)
    values = dict(
        zip(
            _NAMES,
            (
                crease[0],
                crease[1],
                crease[2],
                crease[3],
                plateau[0],
                plateau[1],
                plateau[2],
                plateau[3],
                levels,
                max(r[5] for r in plateaus),
                max(r[6] for r in plateaus),
                max(r[7] for r in plateaus),
            ),
            strict=True,
        )
    )
    return Tone(
        crease_share=crease[0],
        crease_level=crease[1],
        crease_spread=crease[2],
        plateau_share=plateau[0],
        step=plateau[1],
        step_spread=plateau[2],
        levels=levels,
        values=values,
    )


def _creases(
    channel: FloatArray, use: BoolArray, noise: float
) -> tuple[float, float, float, float]:
    """Share of crease pixels, their level, its spread, and how opposite the two slopes are."""
    soft = cv2.GaussianBlur(channel, (0, 0), 1.5)
    found_levels, opposite = [], []
    count = 0
    # Slopes over 5 px a little off the point on both sides, along every second row and column.
    reach, span = 2, 5
    limit = max(0.35, 1.5 * noise / span)
    for image, mask in (
        (soft[::2], use[::2]),
        (cv2.transpose(soft[:, ::2]), np.ascontiguousarray(use[:, ::2].T)),
    ):
        before = (image[:, span:] - image[:, :-span]) / span
        first, last = span + reach, image.shape[1] - span - reach
        left = before[:, first - reach - span : last - reach - span]
        right = before[:, first + reach : last + reach]
        size = np.minimum(np.abs(left), np.abs(right))
        ratio = size / np.maximum(np.maximum(np.abs(left), np.abs(right)), 1e-6)
        # Steeper than 8 codes a pixel is an edge or a stroke, not a ramp.
        crease = (
            (left * right < 0)
            & (size > limit)
            & (ratio > 0.35)
            & (np.abs(left) < 8)
            & (np.abs(right) < 8)
            & mask[:, first:last]
        )
        # A crease is an extreme of the row: keep one pixel of its width.
        here = image[:, first:last]
        behind, ahead = image[:, first - 1 : last - 1], image[:, first + 1 : last + 1]
        extreme = ((here >= behind) & (here > ahead)) | ((here <= behind) & (here < ahead))
        crease &= extreme
        count += int(crease.sum())
        if crease.any():
            found_levels.append(here[crease])
            opposite.append(ratio[crease])
    share = count / int(use.sum())
    if count < 15:
        return share, NAN, NAN, NAN
    levels = np.concatenate(found_levels)
    low, middle, high = quantile(levels, [0.16, 0.5, 0.84])
    return share, float(middle), float((high - low) / 2), float(np.mean(np.concatenate(opposite)))


def _plateaus(
    channel: FloatArray, use: BoolArray, noise: float
) -> tuple[float, float, float, float, float, float, float, float]:
    """Plateau share, step, its spread, step share, levels, gathering, kurtosis, contour density."""
    soft = cv2.GaussianBlur(channel, (0, 0), 1.0)
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8)
    slope = cv2.magnitude(gx, gy)
    # The trend over 8 px, on a quarter of the pixels in each direction.
    wide = cv2.resize(channel, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(wide, (0, 0), 2)
    trend = cv2.magnitude(
        cv2.Sobel(wide, cv2.CV_32F, 1, 0, scale=1 / 32),
        cv2.Sobel(wide, cv2.CV_32F, 0, 1, scale=1 / 32),
    )
    trend = cv2.resize(trend, channel.shape[::-1], interpolation=cv2.INTER_LINEAR)
    # Gentle picture: a trend that noise cannot make and that no edge makes.
    gentle = use & (trend > 0.15) & (trend < 2.5)
    floor = 0.35 * noise + 0.08
    share, kurtosis = NAN, NAN
    if gentle.sum() > 500:
        relative = slope[gentle] / trend[gentle]
        share = float((relative < 0.35).mean())
        kurtosis = float((relative**4).mean() / max((relative**2).mean() ** 2, 1e-9))
    # Steps: height across contour pixels between calm neighbours 4 px away on either side, along
    # every second row and column.
    steps = []
    contour = 0
    d = 4
    upright = np.abs(gx) >= np.abs(gy)
    for image, s, mask, across in (
        (soft[::2], slope[::2], use[::2], upright[::2]),
        (
            cv2.transpose(soft[:, ::2]),
            cv2.transpose(slope[:, ::2]),
            np.ascontiguousarray(use[:, ::2].T),
            np.ascontiguousarray(~upright[:, ::2].T),
        ),
    ):
        middle = s[:, d:-d]
        ridge = (middle >= s[:, d - 1 : -d - 1]) & (middle > s[:, d + 1 : -d + 1 or None])
        calm = np.maximum(s[:, : -2 * d], s[:, 2 * d :]) < np.maximum(floor, 0.25 * middle)
        height = np.abs(image[:, 2 * d :] - image[:, : -2 * d])
        step = ridge & calm & across[:, d:-d] & mask[:, d:-d] & (middle > 3 * floor)
        step &= (height > 3) & (height < 90)
        contour += int(step.sum())
        steps.append(height[step])
    heights = np.concatenate(steps)
    n = int(use.sum())
    typical, spread, step_share = NAN, NAN, 0.0
    if heights.size >= 30:
        typical = float(median(heights))
        spread = float(np.ptp(quantile(heights, [0.25, 0.75])) / max(typical, 1e-6))
        step_share = float((np.abs(heights - typical) < 0.2 * typical).mean())
    levels, gather = _gathering(soft[use & (slope < floor * 2)])
    return (
        0.0 if not np.isfinite(share) else share,
        typical,
        spread,
        step_share,
        levels,
        gather,
        0.0 if not np.isfinite(kurtosis) else kurtosis,
        2 * contour / n,
    )


def _gathering(codes: FloatArray) -> tuple[float, float]:
    """Number of codes' gathering points, and 0..1 how much they gather (1 = few sharp levels)."""
    if codes.size < 500:
        return NAN, 0.0
    histogram = np.bincount(np.clip(codes, 0, 255).astype(int), minlength=256).astype(np.float64)
    smooth = np.convolve(histogram, [1, 2, 3, 2, 1], "same") / 9
    wide = np.convolve(histogram, np.ones(25), "same") / 25
    peak = (smooth >= np.roll(smooth, 1)) & (smooth > np.roll(smooth, -1)) & (smooth > 1.6 * wide)
    peak &= smooth > 0.002 * codes.size
    probability = histogram / histogram.sum()
    filled = probability[probability > 0]
    entropy = -(filled * np.log2(filled)).sum()
    return float(peak.sum()), float(1 - entropy / 8)
