"""Contours of a faint picture: long straight steps of any direction, as sharp on as off the axes.

What is drawn on a panel ends in steps: one side is lighter than the other, at once and for a good
way on. A smear or the image of a lamp is a ridge with soft flanks, the torch's lobe a slope. Of a
step the means of both sides differ as much beside it as further off; of a ridge they do so beside
it only, of a slope further off only. Along the step the noise is averaged away, as a filter
matched to an edge of that length would (oriented filters: W. T. Freeman and E. H. Adelson, IEEE
Trans. Pattern Analysis and Machine Intelligence 13, 1991, 891-906).
"""

import math
from collections.abc import Iterator

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.faint_tiles import compressed
from panelvision.order_statistics import median, quantile

# All chosen, in pixels of a view of half the prepared one's width: lengths of a step, the rows
# beside it that are compared, and those further off.
LENGTHS = (9, 21)
_BESIDE, _FURTHER = (1, 2), (2, 6)
_REACH = _FURTHER[1] + 2
# degrees; a step of the greater length turned by half of it still lies within two rows.
_TURN = 15
# Of the parts that a number is taken of, and of a step's surroundings that must be glass.
_MANY, _SOME, _FEW = 0.98, 0.998, 0.9995
_GLASS = 0.97
_LEAST_PLACES = 1500
_MAD = 1.4826  # median absolute deviation to standard deviation of a normal (textbook)
_FLOOR = 0.1
_CHANNELS = ("light", "redgreen", "blueyellow")


def _names() -> tuple[str, ...]:
    of_channel = ("many", "some", "few", "top", "slope", "beside", "axes")
    of_length = ("redgreen_there", "blueyellow_there", "sharp")
    return tuple(
        f"contour_{length}_{name}"
        for length in LENGTHS
        for name in (*(f"{c}_{n}" for c in _CHANNELS for n in of_channel), *of_length)
    )


CONTOURS = _names()


def contours(white: FloatArray, use: BoolArray) -> dict[str, float]:
    """How strong the contours on the glass are, by length.

    Parameters
    ----------
    white : ndarray of shape (h, w, 3), float32
        Light, red-green and blue-yellow residuals in units of local noise.
    use : ndarray of shape (h, w), bool
        Where the glass could be seen.

    Returns
    -------
    dict of str to float
        ``CONTOURS``: log10 of steps in units of what noise makes of them; ``axes``: those along the
        panel's axes over the others; ``there``: colour steps where the strongest of light are;
        ``sharp``: share, as log10, that the strongest do not owe to slopes. NaN where too little
        of the glass is left.
    """
    size = max(8, use.shape[1] // 2), max(8, use.shape[0] // 2)
    inner = cv2.erode(use.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
    held = np.where(use[..., None], compressed(white), 0).astype(np.float32)
    # Averaging two by two halves white noise; doubling keeps its unit.
    field = cv2.resize(held, size, interpolation=cv2.INTER_AREA) * 2
    mask = (cv2.resize(inner, size, interpolation=cv2.INTER_AREA) > 0.99).astype(np.float32)
    parts: dict[int, list[tuple[FloatArray, FloatArray, bool]]] = {n: [] for n in LENGTHS}
    for angle in range(0, 180, _TURN):
        for length, beside, further in _along(field, mask, angle):
            parts[length].append((beside, further, angle % 90 == 0))
    out: dict[str, float] = {}
    for length, found in parts.items():
        out.update(_numbers(length, found))
    return {name: out.get(name, float("nan")) for name in CONTOURS}


def _along(
    field: FloatArray, mask: FloatArray, angle: int
) -> Iterator[tuple[int, FloatArray, FloatArray]]:
    """Differences (n, 3) across steps in one direction, beside them and further off."""
    f, m = (field, mask) if angle == 0 else _turned(field, mask, angle)
    f = cv2.copyMakeBorder(f, _REACH, _REACH, 0, 0, cv2.BORDER_CONSTANT, value=0)
    beside, further = _across(f, *_BESIDE), _across(f, *_FURTHER)
    for length in LENGTHS:
        every = slice(None), slice(None, None, length // 4)
        around = (length, 2 * _FURTHER[1] + 1)
        seen = cv2.blur(m, around, borderType=cv2.BORDER_CONSTANT)[every] > _GLASS
        yield (
            length,
            cv2.blur(beside, (length, 1))[every][seen],
            cv2.blur(further, (length, 1))[every][seen],
        )


def _across(field: FloatArray, first: int, last: int) -> FloatArray:
    """Mean of the rows ``first`` to ``last`` below each row less that of those above it."""
    rows = field.shape[0] - 2 * _REACH
    means = cv2.blur(field, (1, last - first + 1), anchor=(0, 0), borderType=cv2.BORDER_REFLECT)
    below, above = _REACH + first, _REACH - last
    return means[below : below + rows] - means[above : above + rows]


def _turned(field: FloatArray, mask: FloatArray, angle: int) -> tuple[FloatArray, FloatArray]:
    """Both turned, so that what ran at that angle (degrees) lies along the rows."""
    h, w = mask.shape
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    size = math.ceil(abs(w * c) + abs(h * s)) + 1, math.ceil(abs(w * s) + abs(h * c)) + 1
    x, y = (w - 1) / 2, (h - 1) / 2
    turn = np.array(
        [[c, s, (size[0] - 1) / 2 - c * x - s * y], [-s, c, (size[1] - 1) / 2 + s * x - c * y]]
    )
    return (
        cv2.warpAffine(field, turn, size, flags=cv2.INTER_LINEAR),
        cv2.warpAffine(mask, turn, size, flags=cv2.INTER_NEAREST),
    )


def _numbers(length: int, found: list[tuple[FloatArray, FloatArray, bool]]) -> dict[str, float]:
    beside = np.concatenate([b for b, _, _ in found])
    if len(beside) < _LEAST_PLACES:
        return {}
    further = np.concatenate([f for _, f, _ in found])
    axes = np.concatenate([np.full(len(b), axis) for b, _, axis in found])
    near, far = np.abs(beside), np.abs(further)
    step = np.where(beside * further > 0, np.minimum(near, far), 0)
    slope = np.maximum(far - 2 * near, 0)
    noise = _MAD * median(near[::3], axis=0) + 1e-6
    out: dict[str, float] = {}
    for c, channel in enumerate(_CHANNELS):
        key = f"contour_{length}_{channel}"
        s = step[:, c] / noise[c]
        for name, value in zip(
            ("many", "some", "few"), quantile(s, [_MANY, _SOME, _FEW]), strict=True
        ):
            out[f"{key}_{name}"] = _log(value)
        out[f"{key}_top"] = _log(s.max())
        out[f"{key}_slope"] = _log(quantile(slope[:, c] / noise[c], _SOME))
        out[f"{key}_beside"] = _log(quantile(near[:, c] / noise[c], _SOME))
        upright, slanted = (
            quantile(s[side], _SOME) if side.sum() > 50 else 0 for side in (axes, ~axes)
        )
        out[f"{key}_axes"] = _log(upright) - _log(slanted)
    lead = step[:, 0] >= quantile(step[:, 0], _SOME)
    there = f"contour_{length}"
    out[f"{there}_redgreen_there"] = _log((step[lead, 1] / noise[1]).mean())
    out[f"{there}_blueyellow_there"] = _log((step[lead, 2] / noise[2]).mean())
    sharp, soft = near[lead, 0].mean(), slope[lead, 0].mean()
    out[f"{there}_sharp"] = float(np.log10(max(sharp, 1e-6) / max(sharp + soft, 1e-6)))
    return out


def _log(x: FloatArray | float) -> float:
    return float(np.log10(float(x) + _FLOOR))
