"""Closed forms for one uncertain figure: three-point and accuracy estimates, normal power."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri

from rehit.parameters import Parameters


def normal_power(total: float, *, mean: float, variance: float, skewness: float) -> float:
    """Return the chance that a total is not exceeded, from three moments (normal power).

    References
    ----------
    Daykin, Pentikäinen and Pesonen 1994, as in the R package actuar.
    """
    standard = (total - mean) / np.sqrt(variance)
    return float(ndtr(-3 / skewness + np.sqrt(9 / skewness**2 + 1 + 6 * standard / skewness)))


def triangular_quantile(level: np.ndarray | float, *, low: float, likely: float,
                        high: float) -> np.ndarray:
    """Return quantiles of the triangular distribution.

    Examples
    --------
    >>> round(float(triangular_quantile(0.8, low=80, likely=100, high=150)), 4)
    123.5425
    """
    level, width = np.asarray(level, float), high - low
    if width <= 0:
        return np.full(level.shape, low)
    below = low + np.sqrt(level * width * (likely - low))
    above = high - np.sqrt((1 - level) * width * (high - likely))
    return np.where(level * width <= likely - low, below, above)


def accuracy_sd(*, accuracy: float, confidence: float) -> float:
    """Return the standard deviation behind "right within ± so much, so sure" (normal).

    References
    ----------
    Rothwell 2004, SIEPR discussion paper 04-05.

    Examples
    --------
    >>> round(accuracy_sd(accuracy=0.1, confidence=0.8), 4)
    0.078
    """
    return float(accuracy / ndtri((1 + confidence) / 2))


def found_share(chance: np.ndarray, *, parameters: Parameters) -> np.ndarray:
    """Return what own patrols find beyond the reports, as a share of these (triangular)."""
    low, likely, high = _found_points(parameters)
    return triangular_quantile(chance, low=low, likely=likely, high=high)


def mean_found_share(parameters: Parameters) -> float:
    """Return the mean of :func:`found_share`."""
    return sum(_found_points(parameters)) / 3


def _found_points(parameters: Parameters) -> tuple[float, float, float]:
    low = parameters["contract.found_low"]
    likely = max(low, parameters["contract.found_likely"])
    return low, likely, max(likely, parameters["contract.found_high"])
