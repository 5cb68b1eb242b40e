"""Is one place getting better or worse? Said only where its own dates can tell."""

from __future__ import annotations

import numpy as np
from scipy.stats import norm


def place_trends(place: np.ndarray, moment: np.ndarray, exposure: np.ndarray, *,
                 min_incidents: int, false_discovery: float) -> np.ndarray:
    """Return the yearly change of each place's rate as a ratio, NaN where the data cannot tell.

    The rate of a place is taken as exp(a + b t) on its clock of time at risk. The centroid test
    compares the mean moment of its incidents with the middle of the clock; places pass together
    under Benjamini and Hochberg's false discovery control, and only those that pass get a ratio.

    Parameters
    ----------
    place
        Place of each incident, 0..n-1, shape (m,).
    moment
        When on that place's clock of time at risk it came [years], shape (m,).
    exposure
        Length of each place's clock [years], shape (n,).
    min_incidents
        Places with fewer are not looked at.
    false_discovery
        Share of false alarms allowed among the ratios reported.

    Returns
    -------
    numpy.ndarray
        Shape (n,): 1.5 means half as much again every year.

    References
    ----------
    Cox and Lewis 1966, The Statistical Analysis of Series of Events, section 3.3 (centroid test).
    Benjamini and Hochberg 1995, J. Royal Statistical Society B 57:289-300.

    Examples
    --------
    >>> years = np.sqrt(np.arange(1, 41) / 40) * 2
    >>> place_trends(np.zeros(40, dtype=int), years, np.array([2.0]), min_incidents=8,
    ...              false_discovery=0.1).round(1)
    array([3.2])
    """
    n = np.bincount(place, minlength=len(exposure))
    mean = np.bincount(place, weights=moment, minlength=len(exposure)) / np.maximum(n, 1)
    looked = np.flatnonzero(n >= min_incidents)
    ratio = np.full(len(exposure), np.nan)
    if len(looked) == 0:
        return ratio
    middle = mean[looked] / exposure[looked]
    z = (middle - 0.5) * np.sqrt(12.0 * n[looked])
    passed = looked[discoveries(2.0 * norm.sf(np.abs(z)), false_discovery=false_discovery)]
    ratio[passed] = np.exp(_slope(mean[passed] / exposure[passed]) / exposure[passed])
    return ratio


def discoveries(p_values: np.ndarray, *, false_discovery: float) -> np.ndarray:
    """Return which p-values pass Benjamini and Hochberg's step-up rule.

    Examples
    --------
    >>> discoveries(np.array([0.001, 0.2, 0.012, 0.9]), false_discovery=0.05)
    array([ True, False,  True, False])
    """
    p = np.asarray(p_values, "float64")
    order = np.argsort(p)
    passing = np.flatnonzero(p[order] <= false_discovery * np.arange(1, len(p) + 1) / len(p))
    out = np.zeros(len(p), dtype=bool)
    if len(passing):
        out[order[: passing[-1] + 1]] = True
    return out


def _slope(middle: np.ndarray) -> np.ndarray:
    """Solve 1 / (1 - exp(-s)) - 1 / s = middle for s: the slope over a clock of length 1."""
    low, high = np.full(len(middle), -500.0), np.full(len(middle), 500.0)
    for _ in range(60):
        s = (low + high) / 2
        safe = np.where(np.abs(s) < 1e-6, 1e-6, s)
        value = 1.0 / -np.expm1(-safe) - 1.0 / safe
        low, high = np.where(value < middle, s, low), np.where(value < middle, high, s)
    return (low + high) / 2
