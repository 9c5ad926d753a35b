"""The faint picture brought out for the human eye. No decision reads these images.

Dark screens: the torch's light is divided out in log light, what remains is denoised by
exactly the noise the photo has (so that no texture is invented) and stretched, colours kept.
Lit screens get a tone curve only.
"""

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.light import LUMINANCE_WEIGHTS, encode, linear_to_srgb
from panelvision.measure.illumination import LOG_FLOOR, FlatField, flatten
from panelvision.measure.noise import estimate_noise
from panelvision.order_statistics import median, quantile
from panelvision.squareup import ScreenView

# chosen: between these a screen passes from dark under a torch (first) to lit (second):
# spread of ln light after flattening (a torch-lit picture has at most about 25 % contrast,
# domain notes), median linear light, median saturation.
_SPREAD = (0.22, 0.45)
_LEVEL = (0.15, 0.35)
_VIVID = (0.45, 0.65)
# chosen: how bright the flattened glass is shown, linear; middle grey of sRGB.
_GROUND = 0.18
# chosen: ln-light range above and below the ground that the picture may use: 3.3 to 1.
_REACH = 1.2
# chosen: full strength lets remaining noise reach this many 8-bit codes (1 sigma), no more.
_NOISE_CODES = 5.0
_MOST_GAIN = 40.0  # chosen: a 1 % picture then spans a third of the tone range
# chosen: share of the smooth colour variation (torch against room) that stays in the picture.
_SMOOTH_COLOUR = 0.3
_BANDS = 5
# chosen: this quantile of local power stands for noise: text and shapes seldom cover more
# than half of the glass.
_QUIET = 0.4
_CAUTION = 2.0
# chosen: averaging over a structure's pixels resolves about this share of one code.
_OF_STEP = 0.02


def enhance(view: ScreenView, strength: float = 0.5) -> IntArray:
    """Bring out what is on the screen.

    Parameters
    ----------
    view : ScreenView
        With its light replaced by a stack's mean (:func:`panelvision.clip.stack`) the noise
        found is lower and the stretch the stronger.
    strength : float
        0 shows the photo with a plain exposure correction, 1 the strongest stretch that the
        photo's noise bears.

    Returns
    -------
    ndarray of shape (h, w, 3), uint8
        sRGB. Glare keeps its place as plain light; areas outside the photo are black.
    """
    strength = float(np.clip(strength, 0.0, 1.0))
    plain = _exposed(view.linear, view.valid)
    if strength == 0 or view.valid.mean() < 0.02:
        return _finish(plain, view.valid)
    flat = flatten(view.linear, view.clipped, view.valid, inset=0.0)
    dark = darkness(view, flat)
    lifted = _lifted(plain, strength)
    if dark <= 0:
        return _finish(lifted, view.valid)
    share = dark * min(1.0, 2 * strength)
    # Mixing in code values: linear mixing would let the photo's bright side wash over.
    mixed = linear_to_srgb(brought_out_light(view, flat, strength)) * share
    if share < 1:
        mixed = mixed + linear_to_srgb(lifted) * (1 - share)
    out = np.rint(mixed * 255).astype(np.uint8)
    out[~view.valid] = 0
    return out


def brought_out_light(view: ScreenView, flat: FlatField, strength: float) -> FloatArray:
    """Flattened, denoised and stretched light, linear (h, w, 3), of a torch-lit dark screen."""
    clean, left = denoise(flat)
    smooth = np.log(flat.light)
    tint = smooth - (smooth @ LUMINANCE_WEIGHTS)[..., None]
    usual = median(tint[flat.use], axis=0) if flat.use.any() else np.zeros(3, np.float32)
    inside = clean[flat.use][::5]
    # Dust and smears are a few percent of the glass; the picture's own range is within these.
    wide = float(quantile(np.abs(inside), 0.95)) if inside.size else 1.0
    # d code / d ln L of sRGB's power part is code / 2.4.
    codes_per_unit = 255 * float(linear_to_srgb(np.array(_GROUND))) / 2.4
    by_noise = _NOISE_CODES / max(left * codes_per_unit, 1e-6)
    by_structure = _REACH / max(wide, 1e-3)
    most = max(1.0, min(_MOST_GAIN, by_noise, by_structure))
    gain = most**strength
    signal = gain * clean + _SMOOTH_COLOUR * (tint - usual)
    keep = _feathered(flat.use, view.width)[..., None]
    if keep.min() < 1:
        logs = np.log(np.maximum(view.linear, 0) + LOG_FLOOR)
        level = median(np.log(flat.light[flat.use]), axis=0) if flat.use.any() else 0.0
        signal = signal * keep + (logs - level) * (1 - keep)
    # A soft limit instead of clipping, so that dust does not flatten the rest.
    return (_GROUND * np.exp(_REACH * np.tanh(signal / _REACH))).astype(np.float32)


def denoise(flat: FlatField) -> tuple[FloatArray, float]:
    """Wiener shrinkage of band-pass layers by their own local power against their noise.

    Each layer of a Laplacian pyramid (Burt and Adelson 1983) is multiplied by
    max(0, 1 - noise power / local power) (empirical Wiener filter; Lee 1980, from memory),
    with the layer's noise taken from its quietest places: structure passes, noise does not,
    and nothing that was not in the photo is added.

    Returns
    -------
    clean : ndarray of shape (h, w, 3), float32
        Residual of ln(light).
    left : float
        Noise that remains, standard deviation of ln(light), estimated in quiet places.
    """
    noise = estimate_noise(flat.residual, flat.light, flat.use)
    sigma = noise.at(flat.light @ LUMINANCE_WEIGHTS)
    unit = median(sigma[flat.use], axis=0) if flat.use.any() else np.ones(3, np.float32)
    # Equalise the noise over the light levels first: one threshold then fits everywhere.
    shape = sigma / unit
    rest = _opponent(flat.residual / shape)
    mask = flat.use.astype(np.uint8)
    layers = []
    for _ in range(_BANDS):
        small = cv2.pyrDown(rest)
        layers.append((rest - cv2.pyrUp(small, dstsize=rest.shape[1::-1]), mask.astype(bool)))
        rest = small
        mask = cv2.resize(mask, rest.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    left = 0.0
    out = rest
    for layer, inside in reversed(layers):
        gain, remains = _shrink(layer, inside)
        out = cv2.pyrUp(out, dstsize=layer.shape[1::-1]) + layer * gain
        left += remains
    clean = _rgb(out) * shape
    clean[~flat.use] = 0
    # Below the code step nothing is known, however quiet the photo looks.
    step = _OF_STEP * noise.quantum
    return clean.astype(np.float32), float(np.hypot(np.sqrt(left), step))


def _opponent(rgb: FloatArray) -> FloatArray:
    grey = rgb.mean(axis=-1)
    return np.stack([grey, rgb[..., 0] - rgb[..., 1], rgb[..., 2] - grey], axis=-1)


def _rgb(opponent: FloatArray) -> FloatArray:
    grey, red_green, blue = np.moveaxis(opponent, -1, 0)
    # Blue lies `blue` above the mean of the three, so red + green = 2 grey - blue.
    both = 2 * grey - blue
    return np.stack([(both + red_green) / 2, (both - red_green) / 2, grey + blue], axis=-1)


def _shrink(layer: FloatArray, inside: BoolArray) -> tuple[FloatArray, float]:
    """Wiener gain (h, w, 3) of a layer, and the power of its grey noise that passes."""
    power = cv2.blur(layer * layer, (5, 5))
    values = power[inside]
    if not values.size:
        return np.zeros_like(layer), 0.0
    noise = quantile(values[:: max(1, len(values) // 20000)], _QUIET, axis=0)
    # Local powers of pure noise scatter by about half around their mean; twice the noise
    # (_CAUTION) shuts nearly all of it out.
    gain = np.maximum(0, 1 - _CAUTION * noise / np.maximum(power, 1e-12)).astype(np.float32)
    # Places up to twice the noise's power hold no more than noise.
    quiet = inside & (power[..., 0] < 2.5 * noise[0])
    passed = (layer[..., 0] * gain[..., 0])[quiet]
    return gain, float((passed**2).mean()) if passed.size else 0.0


def darkness(view: ScreenView, flat: FlatField) -> float:
    """1 for a torch-lit dark screen, 0 for a lit one; between when it cannot be told.

    A lit picture varies more than a torch-lit one, is exposed brighter, or is vividly coloured.
    """
    if not flat.use.any():
        return 0.0
    grey = flat.residual[flat.use][::5].mean(axis=1)
    low, high = quantile(grey, [0.1, 0.9])
    spread = float(high - low) / 2.56  # of a normal, 10th to 90th percentile
    light = view.linear[view.valid][::5]
    level = float(median(light @ LUMINANCE_WEIGHTS))
    top = light.max(axis=1)
    vivid = float(median((top - light.min(axis=1)) / np.maximum(top, 1e-4)))
    return min(_falling(spread, *_SPREAD), _falling(level, *_LEVEL), _falling(vivid, *_VIVID))


def _falling(value: float, full: float, none: float) -> float:
    return float(np.clip((none - value) / (none - full), 0, 1))


def _exposed(linear: FloatArray, valid: BoolArray) -> FloatArray:
    """Scaled so that the brighter part of the screen reaches white."""
    luma = linear @ LUMINANCE_WEIGHTS
    top = float(quantile(luma[valid][::7], 0.97)) if valid.any() else 1.0
    return np.clip(linear * (0.8 / max(top, 0.8 / 30)), 0, 1)


def _lifted(plain: FloatArray, strength: float) -> FloatArray:
    """A tone curve that opens the shadows: luminance to a power, chromaticity kept."""
    luma = np.maximum(plain @ LUMINANCE_WEIGHTS, 1e-5)
    power = 1 - 0.35 * strength
    return np.clip(plain * (luma ** (power - 1))[..., None], 0, 1)


def _feathered(use: BoolArray, width: int) -> FloatArray:
    reach = max(3, width // 80) | 1
    weight = cv2.erode(use.astype(np.uint8), np.ones((reach, reach), np.uint8)).astype(np.float32)
    pad = cv2.copyMakeBorder(weight, reach, reach, reach, reach, cv2.BORDER_REPLICATE)
    return cv2.GaussianBlur(pad, (0, 0), reach / 2)[reach:-reach, reach:-reach]


def _finish(light: FloatArray, valid: BoolArray) -> IntArray:
    out = encode(light)
    out[~valid] = 0
    return np.asarray(out)
