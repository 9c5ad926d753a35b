"""Measure candidate outlines: what does the photo show along, inside and outside each one?

All candidates are measured at once on the working copy. Distances from a side
are shares of the candidate's height, so that the figures mean the same for any
photo size and any size of the screen in it.
"""

import cv2
import numpy as np

from panelvision.arrays import FloatArray
from panelvision.order_statistics import median, quantile
from panelvision.outline_candidates import HALF_GRADIENT, WorkImage, area_of, on_frame

# Distances from a side, share of the candidate's height; negative lies outside.
DISTANCES = np.array([0.006, 0.012, 0.02, 0.03, 0.045, 0.065, 0.09, 0.13, 0.18])
PROFILE = np.concatenate([-DISTANCES[::-1], DISTANCES])
ALONG = np.linspace(0.03, 0.97, 24)
BEYOND = np.array([-0.10, -0.07, -0.045, -0.025])
GRID = (9, 14)
# Width over height of panels: 16:9, 16:10, 4:3, 21:9 (2.37 in practice), 5:4 and upright
# ones. Common formats, from memory.
ASPECTS = np.array([16 / 9, 16 / 10, 4 / 3, 64 / 27, 5 / 4, 9 / 16, 10 / 16, 3 / 4])
_OUT, _IN = len(DISTANCES) - 1, len(DISTANCES)


def square_maps(corners: FloatArray) -> FloatArray:
    """Projective maps (n, 3, 3) from the unit square to quadrilaterals (n, 4, 2).

    Closed form of P. Heckbert, "Fundamentals of texture mapping and image warping"
    (1989), section 2.2.3.
    """
    p0, p1, p2, p3 = (corners[:, k] for k in range(4))
    d1, d2, s = p1 - p2, p3 - p2, p0 - p1 + p2 - p3
    det = d1[:, 0] * d2[:, 1] - d2[:, 0] * d1[:, 1]
    det = np.where(np.abs(det) < 1e-12, 1e-12, det)
    g = (s[:, 0] * d2[:, 1] - d2[:, 0] * s[:, 1]) / det
    h = (d1[:, 0] * s[:, 1] - s[:, 0] * d1[:, 1]) / det
    m = np.empty((len(corners), 3, 3))
    m[:, :2, 0] = p1 - p0 + g[:, None] * p1
    m[:, :2, 1] = p3 - p0 + h[:, None] * p3
    m[:, :2, 2] = p0
    m[:, 2, 0], m[:, 2, 1], m[:, 2, 2] = g, h, 1.0
    return m


def _sample(work: WorkImage, maps: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Channels (n, ..., 3) at unit-square positions u, v of shape (n, ...)."""
    shape = u.shape
    flat = np.stack([u.reshape(len(maps), -1), v.reshape(len(maps), -1)], axis=-1)
    p = flat @ maps[:, :2, :2].transpose(0, 2, 1) + maps[:, None, :2, 2]
    z = flat @ maps[:, 2, :2][:, :, None] + 1.0
    xy = (p / np.maximum(z, 1e-3)).astype(np.float32)
    got = cv2.remap(
        work.channels,
        np.ascontiguousarray(xy[..., 0]),
        np.ascontiguousarray(xy[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return got.reshape(*shape, 3)


def _side_points(
    along: FloatArray, depth: FloatArray, ratio: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Unit-square positions (n, 4 sides, along, depth) at ``depth`` inwards of each side."""
    n = len(ratio)
    a = np.broadcast_to(along[None, :, None], (n, len(along), len(depth)))
    dv = np.broadcast_to(depth[None, None, :], a.shape)
    du = dv / ratio[:, None, None]
    u = np.stack([a, 1 - du, a, du], axis=1)  # top, right, bottom, left
    v = np.stack([dv, a, 1 - dv, a], axis=1)
    return u, v


def side_ratio(corners: FloatArray) -> FloatArray:
    """Mean horizontal over mean vertical side length (n,), as seen."""
    edge = np.roll(corners, -1, axis=1) - corners
    side = np.hypot(edge[..., 0], edge[..., 1])
    return (side[:, 0] + side[:, 2]) / np.maximum(side[:, 1] + side[:, 3], 1e-9)


def aspect_given_focal(corners: FloatArray, centre: FloatArray, focal: float) -> FloatArray:
    """Width over height (n,) of the rectangles seen as ``corners`` (n, 4, 2), Zhang and He 2003.

    The same formula as :func:`panelvision.geometry.aspect_with_focal`, for many at once.
    """
    m = square_maps(corners - centre)
    a, b = m[:, :, 0], m[:, :, 1]
    weight = np.array([1 / focal**2, 1 / focal**2, 1.0])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.sqrt((a * a * weight).sum(axis=1) / (b * b * weight).sum(axis=1))


def measure_candidates(
    work: WorkImage, corners: FloatArray, focal: float
) -> tuple[FloatArray, tuple[str, ...]]:
    """Features (n, k) of candidate outlines (n, 4, 2) in working pixels, and their names.

    Parameters
    ----------
    focal : float
        Assumed focal length in working pixels, for the aspect ratio only.
    """
    n = len(corners)
    maps = square_maps(corners)
    ratio = side_ratio(corners)
    centre = np.array([(work.width - 1) / 2, (work.height - 1) / 2])
    aspect = aspect_given_focal(corners, centre, focal)
    # The depth of the strips follows the true shape where it can be had, so that a
    # foreshortened side is not sampled farther out than the others.
    shape = np.where(np.isfinite(aspect) & (aspect > 0.2) & (aspect < 6), aspect, ratio)
    profile = _sample(work, maps, *_side_points(ALONG, PROFILE, shape))
    ends = np.concatenate([BEYOND, 1 - BEYOND])
    over = _sample(work, maps, *_side_points(ends, np.array([-0.006, 0.006]), shape))
    gv, gu = np.meshgrid(
        (np.arange(GRID[0]) + 0.5) / GRID[0], (np.arange(GRID[1]) + 0.5) / GRID[1], indexing="ij"
    )
    grid = _sample(
        work, maps, np.broadcast_to(gu, (n, *GRID)), np.broadcast_to(gv, (n, *GRID))
    ).reshape(n, -1, 3)
    out: dict[str, FloatArray] = {}
    _edge_features(out, work, profile, over)
    _strip_features(out, work, profile, grid)
    _shape_features(out, work, corners, aspect)
    names = tuple(out)
    table = np.stack([out[k] for k in names], axis=1)
    return np.nan_to_num(table, nan=0.0, posinf=10.0, neginf=-10.0), names


def _both(out: dict[str, FloatArray], name: str, per_side: FloatArray) -> None:
    """Mean and weakest and strongest over the four sides."""
    out[f"{name}_mean"] = per_side.mean(axis=1)
    out[f"{name}_min"] = per_side.min(axis=1)
    out[f"{name}_max"] = per_side.max(axis=1)


def _edge_features(
    out: dict[str, FloatArray], work: WorkImage, profile: FloatArray, over: FloatArray
) -> None:
    across = profile[..., _IN, :] - profile[..., _OUT, :]  # (n, 4, along, 3)
    half = max(HALF_GRADIENT, 1.5 * work.noise) * 2

    def support(step: FloatArray) -> FloatArray:
        size = np.sqrt(step[..., 0] ** 2 + 0.5 * (step[..., 1] ** 2 + step[..., 2] ** 2))
        return size / (size + half)

    _both(out, "support", support(across).mean(axis=2))
    _both(out, "overshoot", support(over[..., 1, :] - over[..., 0, :]).mean(axis=2))
    light = across[..., 0]
    agree = np.abs(np.sign(light).mean(axis=2))
    _both(out, "agree", agree)
    middle = median(light, axis=2)
    _both(out, "step", middle)
    out["step_same_sign"] = np.abs(np.sign(middle).sum(axis=1)) / 4
    out["step_spread"] = middle.max(axis=1) - middle.min(axis=1)
    mad = median(np.abs(light - middle[..., None]), axis=2)
    _both(out, "step_unsteady", mad)
    # How strong is the edge here, against the strongest of its neighbours in depth?
    steps = median(np.diff(profile[..., 0], axis=3), axis=2)  # (n, 4, depth - 1)
    weight = np.abs(steps)
    for k in range(weight.shape[2]):
        gap = (PROFILE[k] + PROFILE[k + 1]) / 2
        label = f"{gap:+.3f}"
        out[f"light_step_{label}"] = steps[..., k].mean(axis=1)
        out[f"light_edge_{label}"] = weight[..., k].mean(axis=1)
        out[f"light_edge_weakest_{label}"] = weight[..., k].min(axis=1)
    rank = weight[..., _OUT] / np.maximum(weight.max(axis=2), 1e-3)
    _both(out, "edge_against_best", rank)


def _strip_features(
    out: dict[str, FloatArray], work: WorkImage, profile: FloatArray, grid: FloatArray
) -> None:
    light = profile[..., 0]
    level = median(light, axis=2)  # (n, 4, depth)
    rough = np.abs(np.diff(light, axis=2)).mean(axis=2)
    # Third lowest to third highest of the samples along a side: about 10 % to 90 %.
    ranked = np.sort(light, axis=2)
    spread = ranked[:, :, -3] - ranked[:, :, 2]
    tint = np.hypot(profile[..., 1], profile[..., 2]).mean(axis=2)
    frame = quantile(work.channels[::4, ::4, 0], [0.05, 0.5, 0.95])
    inner = median(grid[..., 0], axis=1)
    for k, label in ((_OUT - 1, "near"), (_OUT - 3, "mid"), (_OUT - 6, "far")):
        _both(out, f"outside_{label}_spread", spread[..., k])
        out[f"outside_{label}_rough"] = rough[..., k].mean(axis=1)
        out[f"outside_{label}_tint"] = tint[..., k].mean(axis=1)
        out[f"outside_{label}_sides"] = np.ptp(level[..., k], axis=1)
        out[f"outside_{label}_level"] = level[..., k].mean(axis=1) - frame[1]
        out[f"outside_{label}_over_inside"] = level[..., k].mean(axis=1) - inner
    for k, label in ((_IN + 1, "near"), (_IN + 3, "mid")):
        _both(out, f"inside_{label}_spread", spread[..., k])
        out[f"inside_{label}_rough"] = rough[..., k].mean(axis=1)
        out[f"inside_{label}_sides"] = np.ptp(level[..., k], axis=1)
        out[f"inside_{label}_level"] = level[..., k].mean(axis=1) - inner
    out["inside_median"] = inner - frame[1]
    out["inside_spread"] = np.ptp(quantile(grid[..., 0], [0.1, 0.9], axis=1), axis=0)
    out["inside_dark"] = quantile(grid[..., 0], 0.1, axis=1) - frame[1]
    out["inside_bright"] = quantile(grid[..., 0], 0.9, axis=1) - frame[2]
    out["inside_tint"] = median(np.hypot(grid[..., 1], grid[..., 2]), axis=1)
    out["frame_median"] = np.full(len(grid), frame[1])
    out["frame_spread"] = np.full(len(grid), frame[2] - frame[0])
    out["frame_noise"] = np.full(len(grid), work.noise)


def _shape_features(
    out: dict[str, FloatArray], work: WorkImage, corners: FloatArray, aspect: FloatArray
) -> None:
    w, h = work.width, work.height
    log_aspect = np.log(np.clip(np.nan_to_num(aspect, nan=1.0), 0.1, 10))
    out["log_aspect"] = log_aspect
    out["from_16_9"] = np.abs(log_aspect - np.log(16 / 9))
    out["from_standard"] = np.abs(log_aspect[:, None] - np.log(ASPECTS)).min(axis=1)
    out["area_share"] = area_of(corners) / (w * h)
    beyond = np.maximum(
        np.maximum(-corners[..., 0], corners[..., 0] - (w - 1)) / w,
        np.maximum(-corners[..., 1], corners[..., 1] - (h - 1)) / h,
    )
    out["sides_on_frame"] = on_frame(work, corners).sum(axis=1).astype(float)
    out["corner_beyond"] = beyond.max(axis=1)
    out["corners_beyond"] = (beyond > 0).sum(axis=1).astype(float)
    edge = np.roll(corners, -1, axis=1) - corners
    side = np.hypot(edge[..., 0], edge[..., 1])
    angle = np.arctan2(edge[..., 1], edge[..., 0])
    out["roll"] = (
        np.abs(
            np.arctan2(
                np.sin(angle[:, 0] + angle[:, 2] - np.pi), np.cos(angle[:, 0] + angle[:, 2] - np.pi)
            )
        )
        / 2
    )
    out["converge_h"] = np.abs(np.log(side[:, 1] / np.maximum(side[:, 3], 1e-9)))
    out["converge_v"] = np.abs(np.log(side[:, 0] / np.maximum(side[:, 2], 1e-9)))
    middle = corners.mean(axis=1)
    out["off_centre"] = np.hypot(middle[:, 0] / w - 0.5, middle[:, 1] / h - 0.5)
