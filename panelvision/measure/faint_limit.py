"""The detection limit of one photo: known pictures injected into it, as artificial stars are.

Pictures of several kinds are laid into this photo's own light and noise through the torch
equation, and the photo is judged again. The score rises smoothly with the logarithm of
contrast, so a few injections place the contrast at which it crosses the threshold; how kinds
of pictures and scenes scatter around that, and what the phone's processing takes from a
picture that is there before it, was learned once from drawn scenes (the ``limit`` numbers of
the model file).
"""

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, partial

import cv2
import numpy as np

from panelvision.arrays import FloatArray
from panelvision.light import LUMINANCE_WEIGHTS
from panelvision.measure.faint_features import Prepared, whiten
from panelvision.order_statistics import median

KINDS = ("menu", "text", "shapes")
# Bounds of what is reported; outside them the injections say nothing (a picture has at most
# about 25 % contrast; below 0.05 % the code step rules).
LOWEST, HIGHEST = 5e-4, 1.0
# chosen: how far one injection may be extrapolated, in ln contrast (a factor of 4), from how near
# it is believed (a factor of 1.5), and how often a kind of picture is tried.
_FARTHEST, _NEAR = 1.4, 0.4
_TRIES = 4
# chosen: blur of a usual photo, pixels of the prepared view, which the test pictures have.
USUAL_FOCUS = 0.8
# chosen: no photo's score rises less with ln contrast; two injections' noise must not say so.
_LEAST_SLOPE = 0.5


def detection_limit(
    prepared: Prepared,
    judge: Callable[[Prepared], float],
    score: float,
    threshold: float,
    learned: dict[str, float],
    *,
    blur: float = 0.0,
) -> float:
    """Contrast of a picture that would have been found nine times in ten in this photo.

    Parameters
    ----------
    prepared : Prepared
        The photo.
    judge : callable
        Score of a prepared photo.
    score : float
        Of the photo as it is.
    threshold : float
        Score from which a picture counts as found.
    learned : dict
        ``slope`` (score per ln contrast of injections near the threshold), ``first`` (first guess
        of the limit in units of noise per pixel), ``offset`` (ln of the factor from the mean
        crossing to the contrast found nine times in ten).
    blur : float
        Standard deviation of the photo's blur beyond ``USUAL_FOCUS``, pixels of the prepared view:
        a picture on the panel loses as much of its detail.

    Returns
    -------
    float
        RMS contrast as a share of the local light, NaN when the glass cannot be seen.
    """
    if not np.isfinite(score):
        return float("nan")
    base = _emptied(prepared) if score > threshold else prepared
    noise = float(median(prepared.scale[..., 0][prepared.flat.use]))
    guess = float(np.log(np.clip(learned["first"] * noise, 2 * LOWEST, 0.25)))
    crossings: list[float] = []
    for kind in KINDS:
        picture = pattern(kind, base.flat.use.shape)
        if blur > 0:
            picture = cv2.GaussianBlur(picture, (0, 0), blur)
        at = crossing(
            partial(_score_with, base, judge, picture), threshold, guess, slope=learned["slope"]
        )
        if np.isfinite(at):
            crossings.append(at)
            # The next kind starts where these crossed: fewer injections.
            guess = float(np.mean(crossings))
    if not crossings:
        return float("nan")
    return float(np.clip(np.exp(np.mean(crossings) + learned["offset"]), LOWEST, HIGHEST))


def _score_with(
    base: Prepared, judge: Callable[[Prepared], float], picture: FloatArray, log_contrast: float
) -> float:
    return judge(inject(base, picture, float(np.exp(log_contrast))))


def crossing(
    score_at: Callable[[float], float], threshold: float, guess: float, *, slope: float
) -> float:
    """ln of the contrast at which a picture's score crosses the threshold; NaN without a score.

    The secant method from ``guess``; the first step goes by ``slope``, score per ln contrast.
    """
    at, before = guess, (math.nan, math.nan)
    for _ in range(_TRIES):
        score = score_at(at)
        if not np.isfinite(score):
            return float("nan")
        known = math.isfinite(before[0]) and abs(at - before[0]) > 1e-6
        if known:  # this photo's own rise
            slope = max((score - before[1]) / (at - before[0]), _LEAST_SLOPE)
        step = float(np.clip((threshold - score) / slope, -_FARTHEST, _FARTHEST))
        before, at = (at, score), float(np.clip(at + step, np.log(LOWEST), np.log(HIGHEST)))
        if known and abs(at - before[0]) < _NEAR:
            break
    return at


def inject(prepared: Prepared, modulation: FloatArray, contrast: float) -> Prepared:
    """The photo as if the panel had shown a picture, its noise kept.

    Parameters
    ----------
    prepared : Prepared
    modulation : ndarray of shape (h, w, 3)
        Relative modulation of the panel's light, unit RMS in luminance.
    contrast : float
        RMS contrast over the glass that can be seen, share of the local light.
    """
    use = prepared.flat.use
    luma = prepared.flat.light @ LUMINANCE_WEIGHTS
    # Where the torch's lobe lies over the panel the picture is veiled: its light does not
    # grow with the lobe's.
    usual = float(median(luma[use])) if use.any() else 1.0
    veiled = modulation * np.minimum(1.0, 1.5 * usual / np.maximum(luma, 1e-9))[..., None]
    grey = (veiled @ LUMINANCE_WEIGHTS)[use]
    unit = float(grey.std()) if grey.size else 1.0
    change = np.log(np.maximum(1 + veiled * (contrast / max(unit, 1e-6)), 0.05))
    # The fit of the smooth light would have followed the picture's broad parts.
    change = change - cv2.GaussianBlur(change, (0, 0), 0.075 * use.shape[1])
    change = np.where(use[..., None], change, 0).astype(np.float32)
    more, _ = whiten(change, prepared.sigma)
    flat = replace(prepared.flat, residual=prepared.flat.residual + change)
    return replace(prepared, flat=flat, white=prepared.white + more)


def _emptied(prepared: Prepared) -> Prepared:
    """The photo with its structure taken out and its noise left: the ground to inject into.

    Mirroring one half of the fine residual's sign would keep structure; instead the residual
    is kept only where it is noise-like: its fine band, with the rest removed.
    """
    residual = prepared.flat.residual
    fine = residual - cv2.GaussianBlur(residual, (0, 0), 2.0)
    limit = 3 * prepared.sigma
    fine = np.clip(fine, -limit, limit).astype(np.float32)
    white, _ = whiten(fine, prepared.sigma)
    return replace(prepared, flat=replace(prepared.flat, residual=fine), white=white)


@lru_cache(maxsize=16)
def pattern(kind: str, shape: tuple[int, int]) -> FloatArray:
    """Relative modulation (h, w, 3) of a test picture: ``menu``, ``text`` or ``shapes``."""
    h, w = shape
    # A fixed seed for each kind: the same photo always gets the same limit.
    rng = np.random.default_rng(KINDS.index(kind) + 17)
    if kind == "text":
        light = _text(rng, h, w)
    elif kind == "menu":
        light = _menu(rng, h, w)
    else:
        light = _shapes(rng, h, w)
    # The way in is blurred by the stack's depth, the way out is sharp (domain notes).
    back = light * cv2.GaussianBlur(light, (0, 0), 0.01 * w)
    back = cv2.GaussianBlur(back, (0, 0), USUAL_FOCUS)
    mean = back.mean(axis=(0, 1))
    return ((back - mean) / max(float(mean.mean()), 1e-6)).astype(np.float32)


def _words(
    rng: np.random.Generator, light: FloatArray, box: tuple[int, int, int, int], ink: FloatArray
) -> None:
    x0, y0, x1, y1 = box
    size = max(4, light.shape[0] // 26)
    for top in range(y0 + size, y1 - size, 2 * size):
        at, end = float(x0 + size), x0 + (x1 - x0) * rng.uniform(0.4, 0.95)
        while at < end:
            width = size * rng.uniform(0.3, 0.6)
            if rng.random() > 0.15:
                middle = int(top + size * rng.uniform(0, 0.6))
                light[top : top + size, int(at) : int(at) + max(1, size // 6)] = ink
                light[middle : middle + max(1, size // 6), int(at) : int(at + width)] = ink
            at += width * 1.4


def _text(rng: np.random.Generator, h: int, w: int) -> FloatArray:
    light = np.full((h, w, 3), 0.85, np.float32)
    _words(rng, light, (w // 20, h // 20, w - w // 20, h - h // 20), np.full(3, 0.03))
    return light


def _menu(rng: np.random.Generator, h: int, w: int) -> FloatArray:
    light = np.full((h, w, 3), 0.02, np.float32)
    x0, y0, x1, y1 = w // 8, h // 8, w * 5 // 8, h * 7 // 8
    light[y0:y1, x0:x1] = (0.15, 0.2, 0.4)
    light[y0 + h // 4 : y0 + h // 4 + h // 12, x0:x1] = (0.7, 0.45, 0.1)
    _words(rng, light, (x0, y0, x1, y1), np.array([0.9, 0.9, 0.9]))
    return light


def _shapes(rng: np.random.Generator, h: int, w: int) -> FloatArray:
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    light = np.empty((h, w, 3), np.float32)
    light[:] = np.linspace(0.1, 0.5, h)[:, None, None] * np.array([0.6, 0.8, 1.0])
    for _ in range(9):
        cx, cy = rng.uniform(0, w), rng.uniform(0, h)
        a, b = rng.uniform(0.05, 0.25, 2) * w
        turn = rng.uniform(0, np.pi)
        u = ((x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)) / a
        v = ((y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)) / b
        light[u * u + v * v < 1] = rng.uniform(0.05, 0.9, 3)
    return light
