"""Numbers that tell a panel's faint picture from dirt, glare, noise and compression.

Physics behind them (torch light crosses the cell's colour filters twice): a picture is
coloured, aligned with the panel, sharp on its way out, and darkens as often as it brightens;
dirt adds torch-coloured light only; reflections of the room are defocused; sensor noise and
JPEG blocks know nothing of the panel's axes over long distances.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.light import LUMINANCE_WEIGHTS
from panelvision.measure.illumination import FlatField, flatten
from panelvision.measure.noise import NoiseCurve, estimate_noise
from panelvision.measure.row_noise import sensor_rows, without_row_noise
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

WORK_WIDTH = 480
_BANDS = (1.0, 2.0, 4.0, 8.0)
_CHANNELS = ("light", "redgreen", "blueyellow")
_MAD = 1.4826  # median absolute deviation to standard deviation of a normal (textbook)


@dataclass(frozen=True)
class Prepared:
    """A view ready for faint-picture statistics, ``WORK_WIDTH`` columns wide.

    Attributes
    ----------
    flat : FlatField
    noise : NoiseCurve
    sigma : ndarray of shape (h, w, 3), float32
        Noise of ln(light), R, G, B.
    white : ndarray of shape (h, w, 3), float32
        Light, red-green and blue-yellow residuals of ln(light) in units of local noise.
    scale : ndarray of shape (h, w, 3), float32
        Noise (relative light) that one unit of ``white`` stands for.
    """

    flat: FlatField
    noise: NoiseCurve
    sigma: FloatArray
    white: FloatArray
    scale: FloatArray


def shrink(
    linear: FloatArray, clipped: BoolArray, valid: BoolArray
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Average a view down to ``WORK_WIDTH`` columns."""
    h, w = valid.shape
    if w == WORK_WIDTH:
        return linear, clipped, valid
    size = (WORK_WIDTH, max(8, round(h * WORK_WIDTH / w)))
    method = cv2.INTER_AREA if w > WORK_WIDTH else cv2.INTER_LINEAR
    small = cv2.resize(linear, size, interpolation=method)
    # chosen: a fifth of the area clipped spoils the mean of a pixel.
    mark = cv2.resize(clipped.astype(np.float32), size, interpolation=method) > 0.2
    seen = cv2.resize(valid.astype(np.float32), size, interpolation=method) > 0.99
    return small, mark, seen


def prepare_view(view: ScreenView, *, upright: bool) -> Prepared:
    """A view averaged down and prepared, the noise of the sensor's rows taken off.

    upright: whether these run top to bottom in the photo
    (:func:`panelvision.measure.row_noise.rows_run_upright`).
    """
    linear, clipped, valid = shrink(view.linear, view.clipped, view.valid)
    (h, w), (height, width) = valid.shape, view.valid.shape
    x, y = width / w, height / h
    to_view = np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2], [0, 0, 1]])
    rows = sensor_rows(view.to_photo @ to_view, valid.shape, upright=upright)
    return prepare(linear, clipped, valid, rows)


def prepare(
    linear: FloatArray, clipped: BoolArray, valid: BoolArray, rows: FloatArray | None = None
) -> Prepared:
    """Flatten, estimate the noise, and express the residual in units of it.

    rows: the sensor's row of each pixel, whose noise is then taken off
    (:func:`panelvision.measure.row_noise.sensor_rows`).
    """
    flat = flatten(linear, clipped, valid)
    if rows is not None:
        flat = replace(flat, residual=without_row_noise(flat.residual, flat.light, flat.use, rows))
    noise = estimate_noise(flat.residual, flat.light, flat.use)
    sigma = noise.at(flat.light @ LUMINANCE_WEIGHTS)
    white, scale = whiten(flat.residual, sigma)
    return Prepared(flat, noise, sigma, white, scale)


def whiten(residual: FloatArray, sigma: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Light, red-green and blue-yellow parts of a residual in units of their noise.

    Parameters
    ----------
    residual : ndarray of shape (h, w, 3)
        Of ln(light), R, G, B.
    sigma : ndarray of shape (h, w, 3)
        Its noise.

    Returns
    -------
    white, scale : ndarrays of shape (h, w, 3), float32
        The parts, and the noise that one unit of each stands for.
    """
    white = np.empty_like(residual)
    scale = np.empty_like(residual)
    var = sigma**2
    # Inverse-variance mean of the channels: the least noisy estimate of a grey modulation.
    weight = 1 / var
    total = weight[..., 0] + weight[..., 1] + weight[..., 2]
    scale[..., 0] = 1 / np.sqrt(total)
    parts = residual * weight
    white[..., 0] = (parts[..., 0] + parts[..., 1] + parts[..., 2]) / total / scale[..., 0]
    scale[..., 1] = np.sqrt(var[..., 0] + var[..., 1])
    white[..., 1] = (residual[..., 0] - residual[..., 1]) / scale[..., 1]
    scale[..., 2] = np.sqrt(var[..., 2] + (var[..., 0] + var[..., 1]) / 4)
    white[..., 2] = (residual[..., 2] - (residual[..., 0] + residual[..., 1]) / 2) / scale[..., 2]
    return white, scale


def describe(prepared: Prepared) -> dict[str, float]:
    """All faint-picture statistics of a prepared view; NaN where too little glass is left."""
    use = prepared.flat.use
    out: dict[str, float] = {"area": float(use.mean())}
    out.update(_context(prepared))
    if use.mean() < 0.05:
        return {name: out.get(name, float("nan")) for name in feature_names()}
    inner = cv2.erode(use.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
    if inner.sum() < 2000:
        inner = use
    out.update(_band_statistics(prepared, inner))
    out.update(_edges(prepared, inner))
    out.update(_profiles(prepared, inner))
    out.update(_colour_relations(prepared, inner))
    out.update(_blobs(prepared, inner))
    return {name: float(out.get(name, np.nan)) for name in feature_names()}


def _context(p: Prepared) -> dict[str, float]:
    luma = p.flat.light @ LUMINANCE_WEIGHTS
    use = p.flat.use
    middle = float(median(luma[use])) if use.any() else float("nan")
    sigma = float(median(p.scale[..., 0][use])) if use.any() else float("nan")
    return {
        "glare_share": float(p.flat.glare.mean()),
        "level": float(np.log10(max(middle, 1e-6))) if np.isfinite(middle) else float("nan"),
        "noise": float(np.log10(max(sigma, 1e-6))) if np.isfinite(sigma) else float("nan"),
        "quantum": float(np.log10(p.noise.quantum)),
    }


def _log(x: float) -> float:
    return float(np.log10(max(x, 1e-6)))


def _sample(mask: BoolArray, least: int = 1) -> np.ndarray:
    return np.flatnonzero(mask.ravel())[::least]


def _tiles(field: FloatArray, mask: FloatArray, tile: int) -> tuple[FloatArray, FloatArray]:
    """Mean of a field over tiles and the share of each tile that counts."""
    h, w = mask.shape[:2]
    size = (max(1, w // tile), max(1, h // tile))
    share = cv2.resize(mask, size, interpolation=cv2.INTER_AREA)
    mean = cv2.resize(field * mask, size, interpolation=cv2.INTER_AREA)
    return mean / np.maximum(share, 1e-3), share


def _blur(field: FloatArray, sigma: float) -> FloatArray:
    """Gaussian blur; wide ones on a smaller copy, where nothing finer than the blur is lost."""
    step = 1 if sigma < 4 else 2 if sigma < 8 else 4
    if step == 1:
        return cv2.GaussianBlur(field, (0, 0), sigma)
    h, w = field.shape[:2]
    size = max(1, round(w / step)), max(1, round(h / step))
    small = cv2.GaussianBlur(
        cv2.resize(field, size, interpolation=cv2.INTER_AREA), (0, 0), sigma / step
    )
    return cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)


def _band_statistics(p: Prepared, inner: BoolArray) -> dict[str, float]:
    out = {}
    mask = inner.astype(np.float32)
    where = _sample(inner, 5)
    previous = p.white
    spreads = np.zeros((len(_BANDS), 3))
    for k, sigma in enumerate(_BANDS):
        smooth = _blur(p.white, sigma)
        band = previous - smooth
        previous = smooth
        values = band.reshape(-1, 3)[where]
        absolute = np.abs(values)
        spread = _MAD * median(absolute, axis=0) + 1e-6
        power = np.minimum(absolute / spread, 8.0) ** 2
        top = quantile(values, [0.002, 0.998], axis=0) / spread
        energy, share = _tiles(
            np.minimum(np.abs(band) / spread, 8.0) ** 2, np.repeat(mask[..., None], 3, 2), 20
        )
        for c, name in enumerate(_CHANNELS):
            spreads[k, c] = spread[c]
            out[f"{name}_{k}_peakedness"] = _log(power[:, c].mean())
            out[f"{name}_{k}_dark"] = _log(-top[0, c])
            out[f"{name}_{k}_bright"] = _log(top[1, c])
            good = energy[..., c][share[..., c] > 0.6]
            low, mid, high = quantile(good, [0.1, 0.5, 0.9]) if good.size else (np.nan,) * 3
            out[f"{name}_{k}_patchiness"] = _log(high) - _log(low)
            out[f"{name}_{k}_patch_top"] = _log(high) - _log(mid)
    for k in range(1, len(_BANDS)):
        for c, name in enumerate(_CHANNELS):
            out[f"{name}_{k}_slope"] = _log(spreads[k, c]) - _log(spreads[0, c])
    for k in range(len(_BANDS)):
        out[f"colour_{k}_over_light"] = _log(max(spreads[k, 1:])) - _log(spreads[k, 0])
    return out


def _box(field: FloatArray, width: int, height: int) -> FloatArray:
    return cv2.blur(field, (width, height), borderType=cv2.BORDER_REFLECT)


def _edges(p: Prepared, inner: BoolArray) -> dict[str, float]:
    """Long straight steps along the panel's axes and at other angles, sharp against soft."""
    out = {}
    h, w = inner.shape
    where = _sample(inner, 5)
    smooth = cv2.GaussianBlur(p.white, (0, 0), 1.2)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1)
    long = max(9, w // 16) | 1
    along_x = _box(gy, long, 1)
    along_y = _box(gx, 1, long)
    skew = np.sqrt(0.5)
    diagonal_a = _slanted((gx + gy) * skew, long, falling=False)
    diagonal_b = _slanted((gx - gy) * skew, long, falling=True)
    found = {}
    for name, field in (
        ("rows", along_x),
        ("columns", along_y),
        ("slant_a", diagonal_a),
        ("slant_b", diagonal_b),
    ):
        values = np.abs(field.reshape(-1, 3)[where])
        spread = median(values, axis=0) * _MAD + 1e-6
        found[name] = (
            quantile(values, 0.999, axis=0) / spread,
            quantile(values, 0.98, axis=0) / spread,
            spread,
        )
    for c, channel in enumerate(_CHANNELS):
        rows, columns = found["rows"], found["columns"]
        slant_top = max(found["slant_a"][0][c], found["slant_b"][0][c])
        out[f"edge_{channel}_rows_top"] = _log(rows[0][c])
        out[f"edge_{channel}_rows_many"] = _log(rows[1][c])
        out[f"edge_{channel}_columns_top"] = _log(columns[0][c])
        out[f"edge_{channel}_columns_many"] = _log(columns[1][c])
        out[f"edge_{channel}_slant_top"] = _log(slant_top)
        out[f"edge_{channel}_rows_over_slant"] = _log(rows[2][c]) - _log(
            (found["slant_a"][2][c] + found["slant_b"][2][c]) / 2
        )
        out[f"edge_{channel}_columns_over_slant"] = _log(columns[2][c]) - _log(
            (found["slant_a"][2][c] + found["slant_b"][2][c]) / 2
        )
    # Steps seen at once in light and colour: a picture's edges; dirt has the light step only.
    sizes = [
        np.abs(f.reshape(-1, 3)[where]) / found[n][2]
        for n, f in (
            ("rows", along_x),
            ("columns", along_y),
            ("slant_a", diagonal_a),
            ("slant_b", diagonal_b),
        )
    ]
    joint = np.maximum.reduce([np.minimum(s[:, 0], np.maximum(s[:, 1], s[:, 2])) for s in sizes])
    out["edge_joint_top"] = _log(float(quantile(joint, 0.999)))
    out["edge_joint_many"] = _log(float(quantile(joint, 0.98)))
    colour = np.maximum.reduce([np.maximum(s[:, 1], s[:, 2]) for s in sizes])
    out["edge_colour_top"] = _log(float(quantile(colour, 0.999)))
    out["edge_colour_many"] = _log(float(quantile(colour, 0.98)))
    # Sharpness: steps at 1.2 px against the same at 5 px.
    soft = _blur(p.white, 5.0)
    sx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=1)
    sy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=1)
    steep = np.hypot(sx, sy).reshape(-1, 3)[where]
    spread = median(steep, axis=0) + 1e-6
    for c, channel in enumerate(_CHANNELS):
        out[f"soft_{channel}_top"] = _log(float(quantile(steep[:, c], 0.995) / spread[c]))
    return out


def _slanted(field: FloatArray, length: int, *, falling: bool) -> FloatArray:
    """Mean along one diagonal, by shearing the rows, averaging columns, and shearing back."""
    h, w = field.shape[:2]
    # A shift of x by y gathers a rising diagonal in one column, one by -y a falling one.
    slope = -1.0 if falling else 1.0
    centre = (h - 1) / 2
    forward = np.array([[1, slope, -slope * centre], [0, 1, 0]], np.float32)
    back = np.array([[1, -slope, slope * centre], [0, 1, 0]], np.float32)
    sheared = cv2.warpAffine(
        field, forward, (w, h), flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT
    )
    mean = _box(sheared, 1, max(3, round(length * 0.7)) | 1)
    return cv2.warpAffine(
        mean, back, (w, h), flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT
    )


def _profiles(p: Prepared, inner: BoolArray) -> dict[str, float]:
    """Whole rows and columns of the panel averaged: sqrt(N) gain for menus and text."""
    out = {}
    mask = inner.astype(np.float32)
    clipped = np.clip(p.white, -4, 4) * mask[..., None]
    for name, axis in (("rows", 1), ("columns", 0)):
        n = mask.shape[axis]
        halves = np.array_split(np.arange(n), 3)
        parts = []
        for part in halves:
            weight = mask.take(part, axis).sum(axis)
            total = clipped.take(part, axis).sum(axis)
            good = weight > 0.4 * len(part)
            mean = np.where(
                good[:, None],
                total / np.maximum(weight, 1)[:, None] * np.sqrt(np.maximum(weight, 1))[:, None],
                0,
            )
            mean = (
                mean - cv2.GaussianBlur(mean.astype(np.float32), (1, 0), 6.0)
                if mean.shape[0] > 1
                else mean
            )
            parts.append((np.asarray(mean, np.float64).reshape(-1, 3), good))
        for c, channel in enumerate(_CHANNELS):
            tops, darks, shared = [], [], []
            for mean, good in parts:
                v = mean[good, c]
                if v.size < 20:
                    continue
                tops.append(np.sqrt((v**2).mean()))
                darks.append((v**3).mean() / max((v**2).mean(), 1e-9) ** 1.5)
            for i in range(2):
                (a, ga), (b, gb) = parts[i], parts[i + 1]
                both = ga & gb
                if both.sum() > 20:
                    x, y = a[both, c], b[both, c]
                    shared.append(
                        (x * y).mean() / max(np.sqrt((x**2).mean() * (y**2).mean()), 1e-9)
                    )
            out[f"profile_{channel}_{name}_rms"] = _log(max(tops)) if tops else np.nan
            out[f"profile_{channel}_{name}_ratio"] = (
                _log(max(tops)) - _log(min(tops)) if tops else np.nan
            )
            out[f"profile_{channel}_{name}_shared"] = max(shared) if shared else np.nan
            out[f"profile_{channel}_{name}_skew"] = min(darks) if darks else np.nan
    # Lines of text: the fine energy rises and falls from row to row.
    fine = p.white[..., 0] - cv2.GaussianBlur(p.white[..., 0], (0, 0), 2.0)
    energy = np.minimum(fine**2, 9.0) * mask
    for name, axis in (("rows", 1), ("columns", 0)):
        weight = mask.sum(axis)
        good = weight > 0.3 * mask.shape[axis]
        mean = (energy.sum(axis) / np.maximum(weight, 1))[good]
        if mean.size < 40:
            out[f"text_{name}"] = np.nan
            continue
        # By one row against the next the noise of the mean is seen; by all rows, text.
        noise = median(np.abs(np.diff(mean))) + 1e-6
        detrended = (
            mean - cv2.GaussianBlur(mean.astype(np.float32).reshape(-1, 1), (1, 0), 12.0).ravel()
        )
        out[f"text_{name}"] = _log(float(detrended.std() / max(mean.mean(), 1e-6)))
        out[f"text_{name}_rough"] = _log(float(detrended.std() / noise))
    return out


def _colour_relations(p: Prepared, inner: BoolArray) -> dict[str, float]:
    out = {}
    where = _sample(inner, 5)
    for k, sigma in ((1, 2.0), (2, 5.0)):
        band = _blur(p.flat.residual, sigma) - _blur(p.flat.residual, sigma * 3)
        v = band.reshape(-1, 3)[where]
        limit = 6 * _MAD * median(np.abs(v), axis=0) + 1e-9
        v = np.clip(v, -limit, limit)
        c = _correlations(v)
        out[f"together_{k}_rg"] = float(c[0, 1])
        out[f"together_{k}_gb"] = float(c[1, 2])
        light = v.mean(axis=1)
        red = v[:, 0] - v[:, 1]
        blue = v[:, 2] - (v[:, 0] + v[:, 1]) / 2
        out[f"chroma_{k}_corr"] = float(abs(_correlations(np.stack([red, blue], axis=1))[0, 1]))
        dark = light <= quantile(light, 0.05)
        bright = light >= quantile(light, 0.95)
        unit = red.std() + 1e-9, blue.std() + 1e-9
        out[f"chroma_{k}_dark"] = _log(
            float(np.hypot(red[dark].mean() / unit[0], blue[dark].mean() / unit[1]))
        )
        out[f"chroma_{k}_bright"] = _log(
            float(np.hypot(red[bright].mean() / unit[0], blue[bright].mean() / unit[1]))
        )
        out[f"skew_{k}"] = float(((light - light.mean()) ** 3).mean() / (light.std() + 1e-9) ** 3)
    return out


def _correlations(values: FloatArray) -> FloatArray:
    """Correlation matrix of columns; 0 where one does not vary (a crushed channel)."""
    centred = values - values.mean(axis=0)
    unit = centred / (np.sqrt((centred**2).mean(axis=0)) + 1e-9)
    return unit.T @ unit / len(values)


def _blobs(p: Prepared, inner: BoolArray) -> dict[str, float]:
    """Large areas of a shifted colour or light, after strong smoothing."""
    out = {}
    mask = inner.astype(np.float32)
    for tile in (16, 32):
        mean, share = _tiles(np.clip(p.white, -5, 5), np.repeat(mask[..., None], 3, 2), tile)
        good = share[..., 0] > 0.6
        if good.sum() < 12:
            continue
        v = mean[good]
        # Neighbour differences hold noise and edges only; the wide spread holds shapes too.
        dx = np.abs(np.diff(mean, axis=1))[good[:, 1:] & good[:, :-1]]
        for c, channel in enumerate(_CHANNELS):
            centre = median(v[:, c])
            wide = quantile(np.abs(v[:, c] - centre), 0.9)
            out[f"shape_{channel}_{tile}"] = _log(float(wide * tile))
            if len(dx):
                out[f"shape_{channel}_{tile}_sparse"] = _log(
                    float(quantile(dx[:, c], 0.95) / (median(dx[:, c]) + 1e-6))
                )
    return out


def feature_names() -> tuple[str, ...]:
    """The fixed order of the statistics."""
    return _NAMES


def _all_names() -> tuple[str, ...]:
    names = ["area", "glare_share", "level", "noise", "quantum"]
    for k in range(len(_BANDS)):
        for c in _CHANNELS:
            names += [
                f"{c}_{k}_{s}" for s in ("peakedness", "dark", "bright", "patchiness", "patch_top")
            ]
    names += [f"{c}_{k}_slope" for k in range(1, len(_BANDS)) for c in _CHANNELS]
    names += [f"colour_{k}_over_light" for k in range(len(_BANDS))]
    for c in _CHANNELS:
        names += [
            f"edge_{c}_{s}"
            for s in (
                "rows_top",
                "rows_many",
                "columns_top",
                "columns_many",
                "slant_top",
                "rows_over_slant",
                "columns_over_slant",
            )
        ]
    names += ["edge_joint_top", "edge_joint_many", "edge_colour_top", "edge_colour_many"]
    names += [f"soft_{c}_top" for c in _CHANNELS]
    for axis in ("rows", "columns"):
        for c in _CHANNELS:
            names += [f"profile_{c}_{axis}_{s}" for s in ("rms", "ratio", "shared", "skew")]
        names += [f"text_{axis}", f"text_{axis}_rough"]
    for k in (1, 2):
        names += [f"together_{k}_rg", f"together_{k}_gb", f"chroma_{k}_corr", f"chroma_{k}_dark"]
        names += [f"chroma_{k}_bright", f"skew_{k}"]
    for tile in (16, 32):
        for c in _CHANNELS:
            names += [f"shape_{c}_{tile}", f"shape_{c}_{tile}_sparse"]
    return tuple(names)


_NAMES = _all_names()
