"""Hot spots: bright, round, soft patches over any picture, where a lens fell off its LED.

Candidates are maxima of a difference of Gaussians of log light at several
scales. Each is then looked at along rays: light through a bare LED falls off
alike in every direction and in every colour, whatever is shown; a lamp in the
picture has a sharp rim or a colour of its own, a bright shape is not round.
What the rays show, and how alike the spots of one screen are (lenses of one make fall
off one kind of LED), is weighed by a scorer that ``models.train_glow`` teaches.
"""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.reduced import Reduced, inset, largest
from panelvision.measure.scorers import load_scorers
from panelvision.order_statistics import median

MODEL_FILE = "spots_model.npz"
KIND = "spots"
NAMES = (
    "by_rule",
    "gain",
    "radius",
    "roundness",
    "shape",
    "colour_change",
    "evenness",
    "steepness",
    "level",
    "level_of_light",
    "clipped",
    "around_varies",
    "along_varies",
    "misfit",
    "border",
    "count",
    "stronger",
    "strongest_over",
    "alike",
    "in_rows",
    "nearest",
    "busy",
    "light",
    "glare",
)
# chosen: lenses of one make leave spots alike in ln(gain) and in ln(radius) within these.
_ALIKE_GAIN, _ALIKE_RADIUS = 0.35, 0.35
# chosen: LEDs of one row or column stand in line within this share of the screen's width.
_IN_LINE = 0.012
# chosen: a candidate of less by the rule is no company to others.
_COMPANY = 0.05
_FLOOR = 3e-3  # linear light, about code 10 (chosen)
# chosen: standard deviations of a spot as a share of the width; LEDs stand some
# 5 to 20 to a row and their bare light covers about a quarter of their distance.
_SCALES = (0.0115, 0.016, 0.022, 0.031)
_CANDIDATES = 40
_LOOKED_AT = 40
_ANGLES = 24
_RADII = np.linspace(0.0, 3.0, 13)  # in standard deviations
# chosen: a bare LED seen through the panel is 1.5 to 4 times as bright as its surroundings;
# a white letter on black is far more.
_HIGHEST_GAIN = 5.0
# A Gaussian falls by at most exp(-1/2) x 0.25 = 0.15 of its height in a quarter sigma; the
# rim of a disc, a dot or a letter falls by half and more.
_STEEPEST = 0.30


@dataclass(frozen=True)
class Spot:
    """A round soft bright spot.

    Attributes
    ----------
    x, y : float
        Centre, fractions of the active area.
    radius : float
        Standard deviation as a share of the width.
    gain : float
        Light at the centre over the light around it.
    roundness : float
        0..1, share of directions in which the light falls off.
    shape : float
        -1..1, correlation of the fall-off with a Gaussian's.
    colour_change : float
        Spread over the channels of ln(gain); small when the picture's colour is kept.
    evenness : float
        0..1, weakest (15th percentile) over median fall-off among the directions.
    steepness : float
        Largest fall in a quarter sigma over the whole fall-off; 0.15 for a Gaussian.
    level : float
        ln of the light at the centre, mean of the channels that the picture lights there.
    clipped : bool
        The sensor was at its end there.
    around_varies : float
        Standard deviation over the directions of ln(light) three radii away, over ln(gain):
        what the picture does around it.
    along_varies : float
        Median over the directions of the mean absolute second difference of ln(light), over
        ln(gain): what the picture does in it.
    misfit : float
        Root mean square of the median fall-off less a Gaussian's, over ln(gain).
    by_rule : float
        0..1.3: ln(gain) weighted by how well it fits a bare LED.
    score : float
        Probability that it is a bare LED's, 0..1, of the scorer that knows its company.
    reported : bool
        Whether that is enough to say so.
    """

    x: float
    y: float
    radius: float
    gain: float
    roundness: float
    shape: float
    colour_change: float
    evenness: float
    steepness: float
    level: float
    clipped: bool
    around_varies: float
    along_varies: float
    misfit: float
    by_rule: float
    score: float = 0.0
    reported: bool = False

    def to_json(self) -> dict[str, Any]:
        """Plain numbers for the machine-readable output."""
        return {
            "x": round(self.x, 4),
            "y": round(self.y, 4),
            "radius": round(self.radius, 4),
            "gain": round(self.gain, 3),
            "score": round(self.score, 4),
        }


def find_spots(coarse: Reduced, fine: Reduced) -> tuple[Spot, ...]:
    """Spots with the scorer's word on each, most probable first.

    Parameters
    ----------
    coarse, fine : Reduced
        As for :func:`spot_candidates`.
    """
    spots = spot_candidates(coarse, fine)
    if not spots:
        return ()
    scorer = load_scorers(MODEL_FILE, NAMES, (KIND,))[KIND]
    odds = scorer.log_odds(spot_numbers(spots, fine))
    weighed = [
        replace(s, score=float(1 / (1 + np.exp(-v))), reported=bool(v >= scorer.threshold))
        for s, v in zip(spots, odds.tolist(), strict=True)
    ]
    return tuple(sorted(weighed, key=lambda s: -s.score))


def spot_numbers(spots: tuple[Spot, ...], fine: Reduced) -> FloatArray:
    """Numbers (m, len(NAMES)) of every spot: its own, its company's and the screen's.

    Parameters
    ----------
    spots : tuple of Spot
    fine : Reduced
        The view in which they were measured.
    """
    if not spots:
        return np.zeros((0, len(NAMES)))
    of = {
        name: np.array([float(getattr(s, name)) for s in spots])
        for name in ("x", "y", "radius", "gain", "roundness", "shape", "colour_change")
        + ("evenness", "steepness", "level", "clipped", "around_varies", "along_varies")
        + ("misfit", "by_rule")
    }
    gain, radius, rule = np.log(of["gain"]), np.log(of["radius"]), of["by_rule"]
    y = of["y"] * fine.light.shape[0] / fine.light.shape[1]
    across, down = np.abs(of["x"][:, None] - of["x"]), np.abs(y[:, None] - y)
    company = (rule > np.maximum(_COMPANY, 0.4 * rule[:, None])) & ~np.eye(len(spots), dtype=bool)
    alike = company & (np.abs(gain[:, None] - gain) < _ALIKE_GAIN)
    alike &= np.abs(radius[:, None] - radius) < _ALIKE_RADIUS
    apart = np.where(company, np.hypot(across, down), 1.0)
    logs = np.log(fine.luminance[fine.valid] + _FLOOR) if fine.valid.any() else np.zeros(1)
    slope = np.abs(np.diff(np.log(fine.luminance + _FLOOR), axis=1))
    one = np.ones(len(spots))
    f = {
        **of,
        "by_rule": np.log(rule + 1e-3),
        "gain": gain,
        "radius": radius,
        "level_of_light": of["level"] - float(logs.mean()),
        "border": np.log(
            np.minimum(np.minimum(of["x"], 1 - of["x"]), np.minimum(of["y"], 1 - of["y"])) + 0.01
        ),
        "count": one * np.log1p((rule > _COMPANY).sum()),
        "stronger": np.log1p((rule[None, :] > rule[:, None]).sum(axis=1)),
        "strongest_over": np.log((rule.max() + 1e-3) / (rule + 1e-3)),
        "alike": np.log1p(alike.sum(axis=1)),
        "in_rows": np.log1p((alike & ((across < _IN_LINE) | (down < _IN_LINE))).sum(axis=1)),
        "nearest": apart.min(axis=1),
        "busy": one * float(np.log(slope.mean() + 1e-4)),
        "light": one * float(logs.mean()),
        "glare": one * float(fine.clipped.mean()),
    }
    return np.stack([np.asarray(f[name], dtype=np.float64) for name in NAMES], axis=1)


def spot_candidates(coarse: Reduced, fine: Reduced) -> tuple[Spot, ...]:
    """Spots, best by the rule first, without a threshold; no scorer is asked.

    Parameters
    ----------
    coarse, fine : Reduced
        The view at about 240 columns, where spots are sought, and at about 480, where their
        fall-off is measured.
    """
    h, w = coarse.light.shape[:2]
    if min(h, w) < 24:
        return ()
    top = np.log(largest(coarse.light) + _FLOOR).astype(np.float32)
    found: list[tuple[float, int, int, float]] = []
    for scale in _SCALES:
        sigma = scale * w
        # chosen: inner and outer Gaussian on either side of the blob's own size.
        band = cv2.GaussianBlur(top, (0, 0), sigma / 1.4) - cv2.GaussianBlur(
            top, (0, 0), sigma * 1.6
        )
        size = max(3, round(2 * sigma)) | 1
        peak = (band == cv2.dilate(band, np.ones((size, size), np.uint8))) & (band > 0.02)
        peak &= coarse.valid & inset((h, w), scale)
        ys, xs = np.nonzero(peak)
        values = band[ys, xs]
        # The strongest maxima are letters and lamps; a bare LED is of middling contrast, so
        # each scale keeps many.
        for k in np.argsort(-np.minimum(values, 0.4), kind="stable")[:_CANDIDATES]:
            found.append((float(values[k]), int(ys[k]), int(xs[k]), sigma))
    spots = _examine(np.log(fine.light + _FLOOR).astype(np.float32), fine, found, w)
    height, width = fine.light.shape[:2]
    return _without_twins(sorted(spots, key=lambda s: -s.by_rule), height / width)


def _examine(
    logs: FloatArray, fine: Reduced, items: list[tuple[float, int, int, float]], coarse_width: int
) -> list[Spot]:
    """Fall-off along rays from every candidate; ``logs`` is log light of shape (h, w, 3)."""
    if not items:
        return []
    h, w = logs.shape[:2]
    zoom = w / coarse_width
    y = np.array([(i[1] + 0.5) * zoom - 0.5 for i in items])[:, None, None]
    x = np.array([(i[2] + 0.5) * zoom - 0.5 for i in items])[:, None, None]
    sigma = np.array([i[3] * zoom for i in items])[:, None, None]
    angle = (np.arange(_ANGLES) * 2 * np.pi / _ANGLES)[None, :, None]
    px = (x + sigma * np.cos(angle) * _RADII).astype(np.float32)
    py = (y + sigma * np.sin(angle) * _RADII).astype(np.float32)
    flat = (len(items) * _ANGLES, _RADII.size)
    all_rays = cv2.remap(
        logs, px.reshape(flat), py.reshape(flat), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).reshape(len(items), _ANGLES, _RADII.size, 3)
    in_view = (px[..., -1] >= 0) & (py[..., -1] >= 0) & (px[..., -1] < w) & (py[..., -1] < h)
    # A quick look first: most maxima do not fall off in enough directions.
    fall = (all_rays[:, :, :3].mean(axis=2) - all_rays[:, :, 9:].mean(axis=2)).mean(axis=2)
    around = median(fall, axis=1)
    share = (fall > 0.3 * around[:, None]).mean(axis=1)
    rough = np.clip(around, 0, 1) * share**2
    rough[(in_view.mean(axis=1) < 0.55) | (around < 0.015)] = 0
    best = np.argsort(-rough, kind="stable")[:_LOOKED_AT]
    best = best[rough[best] > 0]
    if best.size == 0:
        return []
    around_each = _fall_off(all_rays[best].astype(np.float64), in_view[best])
    spots = []
    for n, k in enumerate(best):
        if around_each.typical[n] <= 0.02:
            continue
        cy, cx = round(float(y[k, 0, 0])), round(float(x[k, 0, 0]))
        clipped = bool(fine.clipped[max(0, cy - 2) : cy + 3, max(0, cx - 2) : cx + 3].any())
        spots.append(
            around_each.spot(
                n,
                x=(cx + 0.5) / w,
                y=(cy + 0.5) / h,
                radius=float(sigma[k, 0, 0]) / w,
                clipped=clipped,
            )
        )
    return spots


@dataclass(frozen=True)
class _FallOff:
    """What the rays around n candidates say; arrays of shape (n,), unless said otherwise.

    ``typical``: fall of ln(light) from the middle to beyond the rim, median over the rays; 0
    where no channel is lit. ``shape`` and ``misfit`` compare the median ray with a Gaussian;
    ``bend`` and ``steps`` are medians over the rays, ``varies`` a spread of their far ends.
    """

    typical: FloatArray
    roundness: FloatArray
    evenness: FloatArray
    colour_change: FloatArray
    level: FloatArray
    shape: FloatArray
    misfit: FloatArray
    steps: FloatArray
    bend: FloatArray
    varies: FloatArray

    def spot(self, n: int, *, x: float, y: float, radius: float, clipped: bool) -> Spot:
        """The n-th as a spot, with the rule's word on it."""
        typical, shape = float(self.typical[n]), float(self.shape[n])
        roundness, change = float(self.roundness[n]), float(self.colour_change[n])
        evenness = float(np.clip(self.evenness[n] / typical, 0, 1))
        steepness = float(self.steps[n] / typical)
        allowed = 0.25 + (0.6 if clipped else 0.15 * typical)
        score = (
            typical
            * roundness**2
            * max(0.0, shape) ** 2
            * np.exp(-((change / allowed) ** 2))
            * min(1.0, evenness / 0.5)
            * float(np.exp(-((max(0.0, steepness - _STEEPEST) / 0.15) ** 2)))
            * float(np.exp(-max(0.0, typical - np.log(_HIGHEST_GAIN)) / 0.3))
        )
        return Spot(
            x=x,
            y=y,
            radius=radius,
            gain=float(np.exp(typical)),
            roundness=roundness,
            shape=shape,
            colour_change=change,
            evenness=evenness,
            steepness=steepness,
            level=float(self.level[n]),
            clipped=clipped,
            around_varies=float(self.varies[n] / typical),
            along_varies=float(self.bend[n] / typical),
            misfit=float(self.misfit[n] / typical),
            by_rule=float(min(score, 1.3)),
        )


def _fall_off(rays: FloatArray, seen: BoolArray) -> _FallOff:
    """Numbers of rays (n, angles, radii, 3) in log light, of which ``seen`` (n, angles) count."""
    share = seen / seen.sum(axis=1, keepdims=True)
    middle = np.einsum("na,nac->nc", share, rays[:, :, :3].mean(axis=2))
    # Channels that the picture leaves dark there say nothing about the gain.
    lit = middle > np.maximum(np.log(_FLOOR) + 1.2, middle.max(axis=1) - 2.5)[:, None]
    count = lit.sum(axis=1)
    channels = lit / np.maximum(count, 1)[:, None]
    drop = middle[:, None] - rays[:, :, 9:].mean(axis=2)
    mean_drop = np.einsum("nac,nc->na", drop, channels)
    typical = np.where(count > 0, _quantile(mean_drop, seen, 0.5), 0.0)
    colours = np.where(lit, _quantile(drop, seen, 0.5), np.nan)
    colours[count == 0] = 0
    change = np.nanmax(colours, axis=1) - np.nanmin(colours, axis=1)
    grey = np.einsum("narc,nc->nar", rays, channels)
    median = _quantile(grey, seen, 0.5)
    gauss = np.exp(-(_RADII**2) / 2)
    off, model = median - median.mean(axis=1, keepdims=True), gauss - gauss.mean()
    norm = np.sqrt((off**2).sum(axis=1) * (model**2).sum())
    along = off @ model
    rest = off - along[:, None] * model / (model @ model)
    far = grey[:, :, 9:].mean(axis=2)
    spread = np.sqrt((share * (far - (share * far).sum(axis=1, keepdims=True)) ** 2).sum(axis=1))
    return _FallOff(
        typical=typical,
        roundness=(share * (mean_drop > 0.3 * typical[:, None])).sum(axis=1),
        evenness=_quantile(mean_drop, seen, 0.15),
        colour_change=change,
        level=(middle * channels).sum(axis=1),
        shape=np.where(norm > 1e-9, along / np.maximum(norm, 1e-9), 0.0),
        misfit=np.sqrt((rest**2).mean(axis=1)),
        steps=_quantile(-np.diff(grey, axis=2).min(axis=2), seen, 0.5),
        bend=_quantile(np.abs(np.diff(grey, n=2, axis=2)).mean(axis=2), seen, 0.5),
        varies=spread,
    )


def _quantile(values: FloatArray, seen: BoolArray, q: float) -> FloatArray:
    """Quantile over the second axis of values (n, m, ...) where ``seen`` (n, m)."""
    mask = seen.reshape(*seen.shape, *(1,) * (values.ndim - 2))
    ordered = np.sort(np.where(mask, values, np.inf), axis=1)
    place = (seen.sum(axis=1) - 1) * q
    low = np.floor(place).astype(int)
    rows = np.arange(len(values))
    part = (place - low).reshape(-1, *(1,) * (values.ndim - 2))
    below, above = ordered[rows, low], ordered[rows, np.ceil(place).astype(int)]
    out: FloatArray = below + part * (above - below)
    return out


def _without_twins(spots: list[Spot], height: float) -> tuple[Spot, ...]:
    """The first of spots that overlap; ``height`` of the view in widths."""
    kept: list[Spot] = []
    for s in spots:
        if all(
            np.hypot(s.x - k.x, (s.y - k.y) * height) > 1.2 * (s.radius + k.radius) for k in kept
        ):
            kept.append(s)
    return tuple(kept)
