"""The observer that is told everything: picture, light and noise. Nobody can do better.

H. H. Barrett and K. J. Myers, "Foundations of image science", 2004, section 13.2: of a known
signal s in Gaussian noise of covariance K the detectability is d'^2 = s' K^-1 s, its test
statistic s' K^-1 g.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

Field = NDArray[np.floating]


def detectability(signal: Field, *, known_mean: bool = True) -> float:
    """d' of a signal in units of its white noise.

    ``known_mean``: whether the level of the empty field is told; where it is not, the part of the
    signal that is alike everywhere says nothing.
    """
    seen = signal if known_mean else signal - signal.mean()
    return float(np.sqrt(np.sum(np.square(seen, dtype=np.float64))))


def statistic(picture: Field, signal: Field) -> float:
    """The matched filter's output in units of its noise, when that of the picture is 1."""
    return float(np.sum(picture * signal, dtype=np.float64) / detectability(signal))


def area_under_curve(d: ArrayLike) -> NDArray[np.float64]:
    """Chance that a picture's output exceeds one without: Phi(d' / sqrt 2)."""
    return np.asarray(norm.cdf(np.asarray(d) / np.sqrt(2)))


def found(d: ArrayLike, *, false_alarms: float) -> NDArray[np.float64]:
    """Share of pictures found with the threshold at so many false alarms."""
    return np.asarray(norm.cdf(np.asarray(d) - norm.ppf(1 - false_alarms)))


def most_accuracy(d: ArrayLike) -> NDArray[np.float64]:
    """Most right answers of yes or no, both as frequent: Phi(d' / 2)."""
    return np.asarray(norm.cdf(np.asarray(d) / 2))
