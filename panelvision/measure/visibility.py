"""Could the naked eye have seen it? Contrast in just-noticeable differences.

Greyscale standard display function, DICOM PS3.14 section 7.1. A difference of 1 is what an
average observer just sees on a 2 by 2 degree sinusoid of 4 cycles a degree; steps, lines and
large soft areas have other thresholds.
"""

import numpy as np

# DICOM PS3.14, section 7.1: ln-index to log10 luminance, and the standard's inverse fit.
_A, _B, _C, _D, _E = -1.3011877, -2.5840191e-2, 8.0242636e-2, -1.0320229e-1, 1.3646699e-1
_F, _G, _H, _K, _M = 2.8745620e-2, -2.5468404e-2, -3.1978977e-3, 1.2992634e-4, 1.3635334e-3
_INVERSE = (
    71.498068,
    94.593053,
    41.912053,
    9.8247004,
    0.28175407,
    -1.1878455,
    -0.18014349,
    0.14710899,
    -0.017046845,
)
LOWEST, HIGHEST = 0.05, 3993.4  # cd/m2 for which the function is defined


def luminance_of_jnd(index: float) -> float:
    """Luminance in cd/m2 of a just-noticeable-difference index 1..1023."""
    if not 1 <= index <= 1023:
        raise ValueError(f"index: expected 1..1023, got {index}")
    n = np.log(index)
    above = _A + _C * n + _E * n**2 + _G * n**3 + _M * n**4
    below = 1 + _B * n + _D * n**2 + _F * n**3 + _H * n**4 + _K * n**5
    return float(10 ** (above / below))


def jnd_of_luminance(luminance: float) -> float:
    """Index of a luminance in cd/m2; NaN outside 0.05..3993, where it is not defined."""
    if not LOWEST <= luminance <= HIGHEST:
        return float("nan")
    x = np.log10(luminance)
    return float(sum(c * x**k for k, c in enumerate(_INVERSE)))


def jnd_of_contrast(rms_contrast: float, luminance: float) -> float:
    """Just-noticeable differences between the darker and brighter parts of a picture.

    Parameters
    ----------
    rms_contrast : float
        Standard deviation over mean; parts one such deviation above and below are compared.
    luminance : float
        Mean, cd/m2.
    """
    if not np.isfinite(rms_contrast):
        return float("nan")
    high = jnd_of_luminance(luminance * (1 + rms_contrast))
    low = jnd_of_luminance(luminance * max(1 - rms_contrast, 0))
    return float(high - low)
