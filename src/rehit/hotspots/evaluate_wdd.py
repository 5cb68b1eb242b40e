"""Before and after, with comparison places: displacement measures and tests for counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, poisson
from scipy.stats.contingency import odds_ratio

from rehit.errors import SettingError

# Probability left beyond the last count that the E-test looks at.
BEYOND = 1e-12


@dataclass(frozen=True)
class Difference:
    """A weighted displacement difference: incidents prevented (below 0) or added, with error."""

    value: float
    standard_error: float

    @property
    def z(self) -> float:
        """Standard score, 0 where nothing was counted."""
        return self.value / self.standard_error if self.standard_error > 0 else 0.0

    def interval(self, *, level: float) -> tuple[float, float]:
        """Normal interval."""
        reach = float(norm.ppf((1 + level) / 2)) * self.standard_error
        return self.value - reach, self.value + reach


def displacement_difference(*, treated: tuple[float, float], comparison: tuple[float, float],
                            displaced: tuple[float, float] = (0.0, 0.0),
                            displaced_comparison: tuple[float, float] = (0.0, 0.0),
                            after_to_before: float = 1.0, comparison_weight: float = 1.0,
                            displaced_weight: float = 1.0) -> Difference:
    """Return the weighted displacement difference (WDD) with its standard error.

    Assumptions: the counts are Poisson, and without the measure treated places would have changed
    by as many incidents as comparison places.

    Parameters
    ----------
    treated, comparison
        Incidents (before, after).
    displaced, displaced_comparison
        Incidents (before, after) around the treated and the comparison places.
    after_to_before
        Length of the time after over that before; counts after are scaled to the time before.
    comparison_weight, displaced_weight
        What comparison counts are multiplied by where the compared areas differ in size: treated
        over comparison, displaced over its comparison.

    References
    ----------
    Wheeler and Ratcliffe 2018, Crime Science 7:11.

    Examples
    --------
    >>> wdd = displacement_difference(treated=(207, 110), comparison=(308, 318),
    ...     displaced=(178, 157), displaced_comparison=(150, 140))
    >>> wdd.value, round(wdd.z, 2)
    (-118.0, -2.98)
    """
    value, variance = 0.0, 0.0
    for weight, (before, after) in ((1.0, treated), (-comparison_weight, comparison),
                                    (1.0, displaced), (-displaced_weight, displaced_comparison)):
        _counts(before, after)
        value += weight * (after / after_to_before - before)
        variance += weight**2 * (after / after_to_before**2 + before)
    return Difference(float(value), float(np.sqrt(variance)))


def displacement_quotient(*, treated: tuple[float, float], displaced: tuple[float, float],
                          comparison: tuple[float, float]) -> float:
    """Return the weighted displacement quotient (WDQ), NaN where it has no meaning.

    Above 0 the surroundings gained too (diffusion of benefit); from 0 to -1 less moved away than
    was prevented; below -1 more moved than was prevented. It has a meaning only where the treated
    places improved against the comparison.

    Parameters
    ----------
    treated, displaced, comparison
        Incidents (before, after) at the treated places, around them, and at comparison places.

    References
    ----------
    Bowers and Johnson 2003, J. Quantitative Criminology 19:275-301.

    Examples
    --------
    >>> displacement_quotient(treated=(100, 50), displaced=(100, 120), comparison=(100, 100))
    -0.4
    """
    for pair in (treated, displaced, comparison):
        _counts(*pair)
    if min(comparison) == 0:
        return float("nan")
    success = treated[1] / comparison[1] - treated[0] / comparison[0]
    if success >= 0:
        return float("nan")
    moved = displaced[1] / comparison[1] - displaced[0] / comparison[0]
    return float(round(moved / success, 12))


def e_test(first: int, second: int, *, first_exposure: float = 1.0,
           second_exposure: float = 1.0) -> float:
    """Return the two-sided p-value of the E-test for two Poisson counts; exact for small ones.

    Parameters
    ----------
    first, second
        Incidents in two periods or places.
    first_exposure, second_exposure
        Time at risk of each, any one unit.

    Raises
    ------
    SettingError
        For a negative count, or an exposure that is not above 0.

    References
    ----------
    Krishnamoorthy and Thomson 2004, J. Statistical Planning and Inference 119:23-35.

    Examples
    --------
    >>> round(e_test(6, 2), 4)
    0.1749
    """
    _counts(first, second)
    if first_exposure <= 0 or second_exposure <= 0:
        raise SettingError("e_test", got=f"exposures {first_exposure}, {second_exposure}",
                           allowed="above 0", remedy="give the time at risk of both")
    if first + second == 0:
        return 1.0
    rate = (first + second) / (first_exposure + second_exposure)
    counts = [np.arange(poisson.ppf(1 - BEYOND, rate * t) + 1)
              for t in (first_exposure, second_exposure)]
    x, y = counts[0][:, None], counts[1][None, :]
    seen = abs(_distance(np.array(first), np.array(second), first_exposure, second_exposure))
    far = np.abs(_distance(x, y, first_exposure, second_exposure)) >= seen - 1e-9
    chance = (poisson.pmf(x, rate * first_exposure) * poisson.pmf(y, rate * second_exposure))
    return float(min(1.0, chance[far].sum()))


def exact_ratio(*, treated: tuple[int, int], comparison: tuple[int, int],
                treated_exposure: tuple[float, float], comparison_exposure: tuple[float, float],
                level: float) -> tuple[float, float, float]:
    """Return the ratio of rate ratios (treated over comparison) with an exact interval.

    Given each group's total, the counts after are binomial; the ratio is their conditional odds
    ratio, corrected for the exposures. Poisson counts are assumed.

    Parameters
    ----------
    treated, comparison
        Incidents (before, after).
    treated_exposure, comparison_exposure
        Time at risk (before, after), any one unit.
    level
        Coverage of the interval.

    Returns
    -------
    tuple of float
        Estimate, low, high; the estimate may be 0, infinite, or NaN where nothing was counted.

    References
    ----------
    Cornfield 1956; Fisher 1962 (conditional interval of the odds ratio).

    Examples
    --------
    >>> ratio = exact_ratio(treated=(20, 8), comparison=(20, 20), treated_exposure=(1, 1),
    ...                     comparison_exposure=(1, 1), level=0.95)
    >>> [round(r, 2) for r in ratio]
    [0.41, 0.12, 1.24]
    """
    _counts(*treated)
    _counts(*comparison)
    table = np.array([[treated[1], treated[0]], [comparison[1], comparison[0]]], dtype=int)
    offset = ((treated_exposure[1] / treated_exposure[0])
              / (comparison_exposure[1] / comparison_exposure[0]))
    if (table.sum(axis=1) == 0).any() or (table.sum(axis=0) == 0).any():
        return float("nan"), 0.0, float("inf")
    found = odds_ratio(table, kind="conditional")
    interval = found.confidence_interval(confidence_level=level)
    return (float(found.statistic / offset), float(interval.low / offset),
            float(interval.high / offset))


def _distance(x: np.ndarray, y: np.ndarray, first: float, second: float) -> np.ndarray:
    spread = np.sqrt(x / first**2 + y / second**2)
    return np.where(spread > 0, (x / first - y / second) / np.where(spread > 0, spread, 1.0), 0.0)


def _counts(before: float, after: float) -> None:
    if not (before >= 0 and after >= 0):
        raise SettingError("counts before and after", got=f"{before}, {after}",
                           allowed="numbers from 0", remedy="count the incidents again")
