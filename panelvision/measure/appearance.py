"""How the active area looks as a whole: contrast, colour, edges and flatness at several scales.

These numbers name no fault; they give the classifier the context in which the
special measures are read (a flat grey area means one thing with text beside it
and another without).
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import FloatArray
from panelvision.light import highest, lowest, luminance
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

# chosen: half the view's usual width keeps text strokes while noise averages.
_WIDTH = 480
# Added to linear light before a logarithm: about one 8-bit code value near black
# (sRGB code 1 is 3.0e-4, IEC 61966-2-1).
_FLOOR = 1e-3


@dataclass(frozen=True)
class Appearance:
    """Named numbers without unit; NaN where too little of the area is in the frame."""

    values: dict[str, float]

    def features(self) -> dict[str, float]:
        """The numbers by name."""
        return dict(self.values)


def measure_appearance(view: ScreenView, surround: FloatArray | None = None) -> Appearance:
    """Describe the active area.

    Parameters
    ----------
    view : ScreenView
    surround : ndarray of shape (n, 3), optional
        Linear light of pixels just outside the outline (bezel and wall).
    """
    light, mask = _small(view)
    values: dict[str, float] = {}
    y = luminance(light)
    log = np.log(y + _FLOOR)
    inside = log[mask]
    if inside.size < 500:
        return Appearance({name: float("nan") for name in _NAMES})
    values.update(_tone(light, y, mask))
    values.update(_surround(y, mask, surround))
    values.update(_edges(log, mask))
    values.update(_flatness(log, mask))
    values.update(_symmetry(log, mask))
    values.update(_hues(light, log, mask))
    return Appearance({name: values[name] for name in _NAMES})


def _small(view: ScreenView) -> tuple[FloatArray, np.ndarray]:
    height = max(8, round(_WIDTH * view.height / view.width))
    light = cv2.resize(view.linear, (_WIDTH, height), interpolation=cv2.INTER_AREA)
    valid = cv2.resize(
        (view.valid & ~view.clipped).astype(np.float32),
        (_WIDTH, height),
        interpolation=cv2.INTER_AREA,
    )
    mask = valid > 0.99
    # The outermost 1.5 % carries bezel light when the outline is slightly off.
    edge = max(2, round(0.015 * _WIDTH))
    mask[:edge] = mask[-edge:] = False
    mask[:, :edge] = mask[:, -edge:] = False
    if mask.sum() < 0.2 * mask.size:
        # A white page may be clipped nearly everywhere: then clipped pixels must do.
        full = cv2.resize(view.valid.astype(np.uint8), (_WIDTH, height)).astype(bool)
        full[:edge] = full[-edge:] = False
        full[:, :edge] = full[:, -edge:] = False
        mask = full
    return light, mask


def _tone(light: FloatArray, y: FloatArray, mask: np.ndarray) -> dict[str, float]:
    # Every third pixel says as much.
    pixels, lum = light[mask][::3], y[mask][::3]
    p = quantile(lum, [0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99])
    log = np.log(lum + _FLOOR)
    top = highest(pixels)
    low = lowest(pixels)
    saturation = 1 - low / (top + _FLOOR)
    weight = top / (top.sum() + 1e-9)
    mean = pixels.mean(axis=0) + _FLOOR
    opponent = np.stack(
        [
            np.log(pixels[:, 0] + _FLOOR) - np.log(pixels[:, 1] + _FLOOR),
            np.log(pixels[:, 2] + _FLOOR) - np.log(pixels[:, 1] + _FLOOR),
        ]
    )
    hist = np.histogram(log, bins=64)[0] / log.size
    correlation = _correlation(np.log(pixels + _FLOOR))
    return {
        "look_log_p05": float(np.log(p[1] + _FLOOR)),
        "look_log_median": float(np.log(p[3] + _FLOOR)),
        "look_log_p95": float(np.log(p[5] + _FLOOR)),
        "look_range_99_01": float(np.log(p[6] + _FLOOR) - np.log(p[0] + _FLOOR)),
        "look_range_75_25": float(np.log(p[4] + _FLOOR) - np.log(p[2] + _FLOOR)),
        "look_log_sd": float(log.std()),
        "look_log_skew": float(((log - log.mean()) ** 3).mean() / (log.std() ** 3 + 1e-6)),
        "look_entropy": float(-(hist[hist > 0] * np.log(hist[hist > 0])).sum()),
        "look_saturation_mean": float((saturation * weight).sum()),
        "look_saturation_p95": float(quantile(saturation, 0.95)),
        "look_cast_rg": float(np.log(mean[0] / mean[1])),
        "look_cast_bg": float(np.log(mean[2] / mean[1])),
        "look_opponent_sd_rg": float(opponent[0].std()),
        "look_opponent_sd_bg": float(opponent[1].std()),
        "look_channel_corr_rg": float(correlation[0, 1]),
        "look_channel_corr_bg": float(correlation[2, 1]),
        "look_channel_corr_rb": float(correlation[0, 2]),
        "look_log_max_r": float(np.log(quantile(pixels[:, 0], 0.99) + _FLOOR)),
        "look_log_max_g": float(np.log(quantile(pixels[:, 1], 0.99) + _FLOOR)),
        "look_log_max_b": float(np.log(quantile(pixels[:, 2], 0.99) + _FLOOR)),
        "look_share_near_black": float((lum < 0.01).mean()),
        "look_share_near_white": float((low > 0.8).mean()),
    }


def _correlation(columns: FloatArray) -> FloatArray:
    """Correlation matrix (3, 3); a channel without variation correlates with nothing."""
    centred = columns.astype(np.float64) - columns.mean(axis=0, dtype=np.float64)
    covariance = centred.T @ centred / len(columns)
    spread = np.sqrt(np.diag(covariance)) + 1e-4
    return covariance / np.outer(spread, spread)


def _surround(y: FloatArray, mask: np.ndarray, surround: FloatArray | None) -> dict[str, float]:
    if surround is None or len(surround) < 50:
        return {
            "look_inside_over_outside": float("nan"),
            "look_outside_log": float("nan"),
            "look_top_over_outside": float("nan"),
        }
    outside = np.log(median(luminance(surround)) + _FLOOR)
    return {
        "look_inside_over_outside": float(np.log(median(y[mask]) + _FLOOR) - outside),
        "look_top_over_outside": float(np.log(quantile(y[mask], 0.95) + _FLOOR) - outside),
        "look_outside_log": float(outside),
    }


def _edges(log: FloatArray, mask: np.ndarray) -> dict[str, float]:
    out: dict[str, float] = {}
    core = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    if core.sum() < 500:
        core = mask
    for sigma in (1.0, 3.0, 8.0):
        smooth = cv2.GaussianBlur(log, (0, 0), sigma)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        size = cv2.magnitude(gx, gy)[core]
        gx, gy = np.abs(gx[core]), np.abs(gy[core])
        total = float(size.sum()) + 1e-9
        upright = gx > 5 * gy
        level = gy > 5 * gx
        tag = f"s{sigma:.0f}"
        out[f"look_edge_mean_{tag}"] = float(np.log(size.mean() + 1e-5))
        out[f"look_edge_p99_{tag}"] = float(np.log(quantile(size, 0.99) + 1e-5))
        out[f"look_edge_vertical_{tag}"] = float(size[upright].sum() / total)
        out[f"look_edge_horizontal_{tag}"] = float(size[level].sum() / total)
        out[f"look_edge_sparse_{tag}"] = float(
            np.log(((size**2).mean() + 1e-12) / (size.mean() ** 2 + 1e-12))
        )
    return out


def _flatness(log: FloatArray, mask: np.ndarray) -> dict[str, float]:
    """Share of tiles without structure, by tile size, and how their levels spread."""
    out: dict[str, float] = {}
    mean = cv2.blur(log, (9, 9))
    spread = np.sqrt(np.maximum(cv2.blur(log * log, (9, 9)) - mean * mean, 0))
    inside = spread[mask]
    out["look_flat_share"] = float((inside < 0.03).mean())
    out["look_flat_share_loose"] = float((inside < 0.1).mean())
    out["look_local_sd_median"] = float(np.log(median(inside) + 1e-4))
    out["look_local_sd_p90"] = float(np.log(quantile(inside, 0.9) + 1e-4))
    coarse = cv2.resize(log, (16, 9), interpolation=cv2.INTER_AREA)
    out["look_coarse_sd"] = float(coarse.std())
    out["look_coarse_rows_sd"] = float(coarse.mean(axis=1).std())
    out["look_coarse_columns_sd"] = float(coarse.mean(axis=0).std())
    fine = log - cv2.GaussianBlur(log, (0, 0), 1.0)
    out["look_noise"] = float(np.log(1.4826 * median(np.abs(fine[mask])) + 1e-5))
    return out


def _symmetry(log: FloatArray, mask: np.ndarray) -> dict[str, float]:
    h, w = log.shape
    values = np.where(mask, log, np.nan)
    quarter = [_mean(values[:, i * w // 4 : (i + 1) * w // 4]) for i in range(4)]
    third = [_mean(values[i * h // 3 : (i + 1) * h // 3]) for i in range(3)]
    return {
        "look_left_right": abs(quarter[0] + quarter[1] - quarter[2] - quarter[3]) / 2,
        "look_centre_sides": (quarter[1] + quarter[2] - quarter[0] - quarter[3]) / 2,
        "look_middle_rest": third[1] - (third[0] + third[2]) / 2,
        "look_top_bottom": abs(third[0] - third[2]),
    }


def _hues(light: FloatArray, log: FloatArray, mask: np.ndarray) -> dict[str, float]:
    """Which colours lie above and below, and how light each one is.

    Skies are above and blue, skin and earth are orange, and in most pictures yellow is lighter than
    blue: a picture in wrong colours breaks such habits.
    """
    h, w = log.shape
    at = cv2.resize(np.cbrt(np.clip(light, 0, 1)), (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    level = cv2.resize(log, (w // 4, h // 4), interpolation=cv2.INTER_AREA)
    seen = cv2.resize(mask.astype(np.uint8), (w // 4, h // 4), interpolation=cv2.INTER_NEAREST) > 0
    top, low = highest(at), lowest(at)
    chroma = top - low
    # The hexagon's hue in sixths of a turn: 0 red, 1 yellow, 2 green, 3 cyan, 4 blue, 5 magenta.
    hue = cv2.cvtColor(at, cv2.COLOR_RGB2HSV)[..., 0] / 60.0
    sector = np.rint(hue).astype(int) % 6
    weight = np.where(seen, chroma, 0.0)
    upper = np.arange(h // 4)[:, None] < h // 8
    total = float(top[seen].sum()) + 1e-6
    middle = float(median(level[seen])) if seen.any() else float("nan")
    out: dict[str, float] = {}
    for k, name in enumerate(_HUES):
        here = weight * (sector == k)
        out[f"look_hue_{name}_upper"] = float((here * upper).sum()) / total
        out[f"look_hue_{name}_lower"] = float((here * ~upper).sum()) / total
        size = float(here.sum())
        enough = size > 0.002 * total
        out[f"look_hue_{name}_level"] = (
            float((here * level).sum()) / size - middle if enough else float("nan")
        )
    return out


def _mean(values: FloatArray) -> float:
    """Mean of what was seen; NaN where nothing was."""
    seen = ~np.isnan(values)
    return float(values[seen].mean()) if seen.any() else float("nan")


_HUES = ("red", "yellow", "green", "cyan", "blue", "magenta")
_NAMES: tuple[str, ...] = (
    "look_log_p05",
    "look_log_median",
    "look_log_p95",
    "look_range_99_01",
    "look_range_75_25",
    "look_log_sd",
    "look_log_skew",
    "look_entropy",
    "look_saturation_mean",
    "look_saturation_p95",
    "look_cast_rg",
    "look_cast_bg",
    "look_opponent_sd_rg",
    "look_opponent_sd_bg",
    "look_channel_corr_rg",
    "look_channel_corr_bg",
    "look_channel_corr_rb",
    "look_log_max_r",
    "look_log_max_g",
    "look_log_max_b",
    "look_share_near_black",
    "look_share_near_white",
    "look_inside_over_outside",
    "look_top_over_outside",
    "look_outside_log",
    *(
        f"look_edge_{kind}_s{s}"
        for s in (1, 3, 8)
        for kind in ("mean", "p99", "vertical", "horizontal", "sparse")
    ),
    "look_flat_share",
    "look_flat_share_loose",
    "look_local_sd_median",
    "look_local_sd_p90",
    "look_coarse_sd",
    "look_coarse_rows_sd",
    "look_coarse_columns_sd",
    "look_noise",
    "look_left_right",
    "look_centre_sides",
    "look_middle_rest",
    "look_top_bottom",
    *(f"look_hue_{hue}_{what}" for hue in _HUES for what in ("upper", "lower", "level")),
)
