"""Glow: what the backlight does, whatever the picture: dead strips, dim zones, hot spots, evenness.

Soft edges are behind the diffuser, sharp ones in the panel: every zone carries
the width of its edge.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.backlight import backlight_map, upper_light, upper_surface
from panelvision.measure.content import Content, measure_content
from panelvision.measure.glow_network import glow_picture, load_glow_network
from panelvision.measure.reduced import NAN, Reduced, inset, log_ratio, reduce_view, surround_light
from panelvision.measure.spots import Spot, find_spots
from panelvision.measure.uniformity import (
    Uniformity,
    nine_points,
    semu,
    semu_applies,
    uniformity,
)
from panelvision.order_statistics import median, quantile
from panelvision.photo import Photo
from panelvision.squareup import ScreenView

# chosen: a third less light. Healthy panels differ by 9 +- 4 % from point to point (Jung et
# al. 2004, Med. Phys. 31), consumer sets by more, and a phone's lens shades the corners.
_DIM = np.log(0.70)
_SMALLEST = 0.008  # share of the area; smaller dim patches are picture (chosen)
_LEAST_SCORE = 1e-4  # of a spot, before its log-odds are taken
# 10-90 % width, in cells, that the map gives a perfectly sharp edge: cells' averaging and
# the Sobel slope, from a step on a grey field (see the test of edge widths).
_CELL_BLUR = 3.0
_STRIP_COUNTS = range(2, 13)
# chosen: a limit this near the screen's edge, share of the height, is at it: a cell and a half.
_AT_EDGE = 0.045


@dataclass(frozen=True)
class DimZone:
    """A zone with less light than the rest.

    Attributes
    ----------
    x0, y0, x1, y1 : float
        Bounding box, fractions of the active area.
    light : float
        Light in the zone over the light that is expected there, 0..1.
    area : float
        Share of the active area.
    edge_width : float
        10-90 % width of its edge, as a share of the screen's width; NaN when the zone has
        no edge inside the screen.
    """

    x0: float
    y0: float
    x1: float
    y1: float
    light: float
    area: float
    edge_width: float

    def to_json(self) -> dict[str, Any]:
        """Plain numbers for the machine-readable output; None where not measured."""
        return {
            "x0": round(self.x0, 4),
            "y0": round(self.y0, 4),
            "x1": round(self.x1, 4),
            "y1": round(self.y1, 4),
            "light": round(self.light, 4),
            "edge_width": round(self.edge_width, 4) if np.isfinite(self.edge_width) else None,
        }


@dataclass(frozen=True)
class Strip:
    """A horizontal LED strip (or run of strips) without light.

    Attributes
    ----------
    zone : DimZone
        What was measured.
    first, last : int
        Strips counted from the top, from 1.
    count : int
        Strips in all that fit the zone's edges best.
    misfit : float
        Mean distance of the zone's limits inside the screen from the strips', share of the height.
    """

    zone: DimZone
    first: int
    last: int
    count: int
    misfit: float


@dataclass(frozen=True)
class GlowMap:
    """The backlight as seen in one photo.

    Attributes
    ----------
    gain : ndarray of shape (h, 64), float32
        ln of the backlight's gain, median 0, picture removed as far as it can be told.
    zones : tuple of DimZone
        Largest loss of light first.
    strips : tuple of Strip
        For zones that run across like a strip.
    spots : tuple of Spot
        Hot spots, most probable first, that are sure enough to be reported.
    uniformity9 : Uniformity or None
        Nine-point figures of the gain map (picture removed), so of the backlight alone.
    lit : float
        log10 of the area's median light over the surround's; NaN without a surround.
    content : Content
        Structure beyond smooth light.
    blue_shift : float
        Range of ln(B/R) over large smooth parts of the gain map's rows; ageing LEDs.
    """

    gain: FloatArray
    support: float
    zones: tuple[DimZone, ...]
    strips: tuple[Strip, ...]
    spots: tuple[Spot, ...]
    all_spots: tuple[Spot, ...]
    uniformity9: Uniformity | None
    lit: float
    content: Content
    blue_shift: float
    values: dict[str, float]

    def features(self) -> dict[str, float]:
        """Named numbers; NaN where not measured."""
        return dict(self.values)

    def zone_semu(
        self, *, diagonal_inch: float, background_cd_m2: float, aspect: float = 16 / 9
    ) -> float | None:
        """Visibility (SEMU) of the deepest zone; None without a zone or outside SEMI D31's scope.

        Size and luminance cannot be had from a photo, so the caller gives them; the screen must
        show an even grey (see :func:`panelvision.measure.uniformity.semu`).
        """
        even = bool(self.content.edge_share < 0.002)
        grey = bool(self.values.get("glow_neutral_cells", 0.0) > 0.5)
        inside = semu_applies(
            diagonal_inch=diagonal_inch,
            background_cd_m2=background_cd_m2,
            lit=self.lit > 0.3,
            neutral_grey=even and grey,
        )
        if not self.zones or not inside:
            return None
        zone = self.zones[0]
        width_mm = diagonal_inch * 25.4 * aspect / np.hypot(1, aspect)
        return semu(100 * (1 - zone.light), zone.area * width_mm**2 / aspect)


def measure_glow(photo: Photo, view: ScreenView) -> GlowMap:
    """Measure the backlight of a squared-up screen; the camera's bars are divided out already."""
    steady = reduce_view(view, 240)
    log_light, ratios, valid, logs = upper_light(steady)
    gain, support = backlight_map(log_light, ratios, valid, logs)
    surface = upper_surface(gain)
    relative = gain - surface
    zones = _zones(relative, valid)
    fine = reduce_view(view, 480)
    all_spots = find_spots(steady, fine)
    spots = tuple(s for s in all_spots if s.reported)
    content = measure_content(fine)
    around = surround_light(photo, view.outline)
    even = uniformity(np.exp(nine_points(np.where(valid, gain, np.nan))))
    levels = _levels(steady, around)
    blue = _blue(log_light, ratios, valid)
    values = {
        **levels,
        **_map_features(gain, relative, surface, valid, support, even),
        **_zone_features(zones, relative, valid),
        **_spot_features(all_spots),
        **load_glow_network().read(glow_picture(steady)).features(),
        **_content_features(content),
        **_smooth_features(log_light, ratios, valid),
        **blue,
    }
    return GlowMap(
        gain=gain,
        support=support,
        zones=zones,
        strips=_strips(zones),
        spots=spots,
        all_spots=all_spots,
        uniformity9=even,
        lit=levels["glow_over_surround"],
        content=content,
        blue_shift=blue["glow_blue_rows"],
        values=values,
    )


def _zones(relative: FloatArray, valid: BoolArray) -> tuple[DimZone, ...]:
    h, w = relative.shape
    dim = ((relative < _DIM) & valid).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dim, connectivity=8)
    slope_x = cv2.Sobel(relative, cv2.CV_32F, 1, 0, scale=1 / 8)
    slope_y = cv2.Sobel(relative, cv2.CV_32F, 0, 1, scale=1 / 8)
    slope = cv2.magnitude(slope_x, slope_y)
    zones = []
    for k in range(1, count):
        x, y, bw, bh, size = (int(v) for v in stats[k])
        if size < _SMALLEST * h * w:
            continue
        mask = labels == k
        depth = float(median(relative[mask]))
        # The limits are where half of the loss of light is reached.
        bottom = float(np.exp(quantile(relative[mask], 0.25)))
        deep = mask & (relative < np.log((1 + bottom) / 2))
        if not deep.any():
            deep = mask
        rows, columns = np.flatnonzero(deep.any(axis=1)), np.flatnonzero(deep.any(axis=0))
        x, bw = int(columns[0]), int(np.ptp(columns)) + 1
        y, bh = int(rows[0]), int(np.ptp(rows)) + 1
        rim = cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
        rim &= ~cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
        rim &= inset((h, w), 0.03) & valid
        width = NAN
        if rim.sum() >= 8:
            # For a Gaussian edge (in the logarithm) of height D and largest slope m the
            # 10-90 % width is 2.563 sigma = 2.563 D / (m sqrt(2 pi)).
            steep = float(quantile(slope[rim], 0.75))
            low = float(quantile(relative[mask], 0.25))
            width = 2.563 / np.sqrt(2 * np.pi) * abs(low) / max(steep, 1e-4) / w
            # The cells and the slope's own smoothing widen an edge, in quadrature.
            width = float(np.sqrt(max(width**2 - (_CELL_BLUR / w) ** 2, (0.5 / w) ** 2)))
        zones.append(
            DimZone(
                x / w,
                y / h,
                (x + bw) / w,
                (y + bh) / h,
                float(np.exp(depth)),
                size / (h * w),
                width,
            )
        )
    return tuple(sorted(zones, key=lambda z: -(1 - z.light) * z.area))


def _strips(zones: tuple[DimZone, ...]) -> tuple[Strip, ...]:
    """Zones wide and low enough to be strips, on the one count of strips that fits all of them."""
    fit = [z for z in zones if z.x1 - z.x0 >= 0.4 and z.y1 - z.y0 <= 0.7 and z.light <= 0.75]
    if not fit:
        return ()
    divisions = [[_on_strips(z, count) for z in fit] for count in _STRIP_COUNTS]
    # Misfits are no finer than half a cell of the map; a finer division fits better by
    # chance, so each strip more has its price.
    costs = [sum(max(s.misfit, 0.02) for s in d) / len(d) + 0.003 * d[0].count for d in divisions]
    best = divisions[int(np.argmin(costs))]
    return tuple(s for s in best if s.misfit < 0.06)


def _on_strips(z: DimZone, count: int) -> Strip:
    """The zone on a division into ``count`` strips; only limits inside the screen can misfit.

    A limit inside the screen misfits too where the nearest division is the screen's own edge.
    """
    first, last = round(z.y0 * count), round(z.y1 * count)
    if last <= first:
        return Strip(z, first + 1, first + 1, count, 1.0)
    errors = [
        abs(y - k / count)
        for y, k in ((z.y0, first), (z.y1, last))
        if 0 < k < count or _AT_EDGE < y < 1 - _AT_EDGE
    ]
    return Strip(z, first + 1, last, count, float(np.mean(errors)) if errors else 1.0)


def _levels(coarse: Reduced, around: FloatArray) -> dict[str, float]:
    inner = coarse.valid & inset(coarse.valid.shape, 0.03)
    lum = coarse.luminance
    inside = lum[inner]
    if inside.size == 0:
        inside = np.array([NAN])
    out = around @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    median_out = float(median(out)) if out.size >= 20 else NAN
    high_out = float(quantile(out, 0.9)) if out.size >= 20 else NAN
    low, middle, high = (float(v) for v in quantile(inside, [0.02, 0.5, 0.98]))
    return {
        "glow_over_surround": log_ratio(middle, median_out, floor=1e-4),
        "glow_high_over_surround": log_ratio(high, high_out, floor=1e-4),
        "glow_low_over_surround": log_ratio(low, median_out, floor=1e-4),
        "glow_level": log_ratio(middle, 1.0, floor=1e-5),
        "glow_spread": log_ratio(high, low, floor=1e-4),
        "glow_mid_position": _share(
            np.log(max(middle, 1e-4) / max(low, 1e-4)), np.log(max(high, 1e-4) / max(low, 1e-4))
        ),
    }


def _share(part: float, whole: float) -> float:
    return float(part / whole) if np.isfinite(whole) and whole > 1e-3 else NAN


def _map_features(
    gain: FloatArray,
    relative: FloatArray,
    surface: FloatArray,
    valid: BoolArray,
    support: float,
    even: Uniformity | None,
) -> dict[str, float]:
    g = gain[valid] if valid.any() else np.array([NAN])
    r = relative[valid] if valid.any() else np.array([NAN])
    s = surface[valid] if valid.any() else np.array([NAN])
    rows, columns = median(relative, axis=1), median(relative, axis=0)
    r_low, r_lower, r_middle, r_high = quantile(r, [0.02, 0.10, 0.5, 0.98]).tolist()
    corners = [
        float(relative[a, b].mean())
        for a in (slice(0, 6), slice(-6, None))
        for b in (slice(0, 10), slice(-10, None))
    ]
    return {
        "glow_map_range": float(quantile(g, 0.98) - quantile(g, 0.02)),
        "glow_map_low": r_low,
        "glow_map_lower": r_lower,
        "glow_map_high": r_high,
        "glow_map_skew": r_high + r_low - 2 * r_middle,
        "glow_surface_range": float(np.ptp(s)),
        "glow_support": support,
        "glow_rows_range": float(np.ptp(rows)),
        "glow_columns_range": float(np.ptp(columns)),
        "glow_rows_steepest": float(np.abs(np.diff(rows)).max(initial=0)),
        "glow_columns_steepest": float(np.abs(np.diff(columns)).max(initial=0)),
        "glow_darkest_corner": min(corners),
        "glow_corner_spread": float(np.ptp(corners)),
        "glow_min_over_max9": even.min_over_max if even is not None else NAN,
    }


def _zone_features(
    zones: tuple[DimZone, ...], relative: FloatArray, valid: BoolArray
) -> dict[str, float]:
    first = zones[0] if zones else None
    total = float((np.clip(-relative, 0, 3) * valid).mean())
    return {
        "glow_zones": float(len(zones)),
        "glow_zone_area": first.area if first else 0.0,
        "glow_zone_light": first.light if first else 1.0,
        "glow_zone_edge": first.edge_width if first else NAN,
        "glow_zone_width": first.x1 - first.x0 if first else 0.0,
        "glow_zone_height": first.y1 - first.y0 if first else 0.0,
        "glow_zone_fill": first.area / max((first.x1 - first.x0) * (first.y1 - first.y0), 1e-6)
        if first
        else NAN,
        "glow_zone_touches": float(
            (first.x0 < 0.02) + (first.y0 < 0.03) + (first.x1 > 0.98) + (first.y1 > 0.97)
        )
        if first
        else NAN,
        "glow_loss": total,
    }


def _spot_features(spots: tuple[Spot, ...]) -> dict[str, float]:
    score = np.clip([s.score for s in spots[:12]] + [0.0] * 3, _LEAST_SCORE, 1 - _LEAST_SCORE)
    odds = np.log(score / (1 - score))
    best = spots[0] if spots else None
    alike = [s for s in spots[:8] if s.score >= 0.5 * score[0]]
    return {
        "glow_spot_1": float(odds[0]),
        "glow_spot_2": float(odds[1]),
        "glow_spot_3": float(odds[2]),
        "glow_spot_sum": float(score.sum()),
        "glow_spot_count": float(sum(s.reported for s in spots)),
        "glow_spot_by_rule": max((s.by_rule for s in spots), default=0.0),
        "glow_spot_gain": float(np.log(best.gain)) if best else NAN,
        "glow_spot_radius": best.radius if best else NAN,
        "glow_spot_round": best.roundness if best else NAN,
        "glow_spot_shape": best.shape if best else NAN,
        "glow_spot_colour": best.colour_change if best else NAN,
        "glow_spot_even": best.evenness if best else NAN,
        "glow_spot_steep": best.steepness if best else NAN,
        "glow_spot_alike": float(np.std(np.log([s.radius for s in alike])))
        if len(alike) >= 2
        else NAN,
        "glow_spot_gain_alike": float(np.std(np.log([s.gain for s in alike])))
        if len(alike) >= 2
        else NAN,
    }


def _content_features(c: Content) -> dict[str, float]:
    out = {
        "glow_edge_share": c.edge_share,
        "glow_soft_edge_share": c.soft_edge_share,
        "glow_colour_contrast": c.colour_contrast,
        "glow_noise": c.noise,
        "glow_structure_over_noise": float(np.log10(max(c.over_noise, 1e-3)))
        if np.isfinite(c.over_noise)
        else NAN,
    }
    for k, (rms, peak) in enumerate(zip(c.band_contrast, c.band_peak, strict=True)):
        out[f"glow_contrast_{2**k}"] = rms
        out[f"glow_peak_{2**k}"] = peak
    return out


def _smooth_features(
    log_light: FloatArray, ratios: FloatArray, valid: BoolArray
) -> dict[str, float]:
    """How far a single smooth surface explains light and colour: an even glow leaves little."""
    h, w = log_light.shape
    use = valid & inset((h, w), 0.03)
    out = {"glow_surface_rest": NAN, "glow_surface_rest_high": NAN, "glow_colour_rest": NAN}
    if use.sum() < 100:
        return out
    y, x = np.meshgrid(np.linspace(-1, 1, h), np.linspace(-1, 1, w), indexing="ij")
    basis = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=-1)[use]
    target = np.column_stack([log_light[use], ratios[use]])
    rest = target - basis @ np.linalg.lstsq(basis, target, rcond=None)[0]
    out["glow_surface_rest"] = float(np.sqrt((rest[:, 0] ** 2).mean()))
    out["glow_surface_rest_high"] = float(quantile(np.abs(rest[:, 0]), 0.99))
    out["glow_colour_rest"] = float(np.sqrt((rest[:, 1:] ** 2).mean()))
    return out


def _blue(log_light: FloatArray, ratios: FloatArray, valid: BoolArray) -> dict[str, float]:
    """Blue against red over the rows, where the picture is bright and near neutral."""
    out = {"glow_blue_rows": NAN, "glow_blue_with_light": NAN, "glow_neutral_cells": NAN}
    blue = ratios[..., 1] - ratios[..., 0]
    bright = valid & (log_light > quantile(log_light[valid], 0.4) if valid.any() else valid)
    neutral = bright & (np.abs(ratios).max(axis=2) < 0.7)
    if not valid.any():
        return out
    out["glow_neutral_cells"] = float(neutral.sum() / valid.sum())
    if neutral.sum() < 60:
        return out
    rows = [float(median(blue[i][neutral[i]])) for i in range(len(blue)) if neutral[i].sum() >= 5]
    if len(rows) >= 6:
        out["glow_blue_rows"] = float(quantile(rows, 0.95) - quantile(rows, 0.05))
    a, b = blue[neutral], log_light[neutral]
    if a.std() > 1e-6 and b.std() > 1e-6:
        out["glow_blue_with_light"] = float(np.corrcoef(a, b)[0, 1])
    return out
