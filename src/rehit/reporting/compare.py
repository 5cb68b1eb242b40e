"""Is it more than chance: intervals for counts and shares, and the comparison of two counts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats


@dataclass(frozen=True)
class Comparison:
    """Two counts compared per observed day: ratio of the rates, its interval, the p-value.

    `ratio` is the later rate over the earlier one and is NaN where the earlier count is 0.
    `bunching` is the factor by which weekly counts vary more than chance (1 = not at all);
    `low`, `high` and `p_value` allow for it, `exact_low`, `exact_high` and `exact_p` do not.
    """

    count: int
    days: float
    count_before: int
    days_before: float
    ratio: float
    low: float
    high: float
    p_value: float
    exact_low: float
    exact_high: float
    exact_p: float
    bunching: float


def count_interval(count: int, *, level: float) -> tuple[float, float]:
    """Return the exact interval for the mean of a Poisson count.

    References
    ----------
    Garwood (1936), Fiducial limits for the Poisson distribution, Biometrika 28, 437–442.

    Examples
    --------
    >>> low, high = count_interval(10, level=0.95)
    >>> round(low, 2), round(high, 2)
    (4.8, 18.39)
    """
    tail = (1 - level) / 2
    low = float(stats.gamma.ppf(tail, count)) if count else 0.0
    return low, float(stats.gamma.ppf(1 - tail, count + 1))


def share_interval(part: int, whole: int, *, level: float) -> tuple[float, float]:
    """Return Wilson's score interval for a share.

    References
    ----------
    Wilson (1927), Probable inference, JASA 22, 209–212.

    Examples
    --------
    >>> low, high = share_interval(81, 263, level=0.95)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    """
    if not whole:
        return 0.0, 1.0
    z = float(stats.norm.ppf((1 + level) / 2))
    p = part / whole
    centre = (p + z * z / (2 * whole)) / (1 + z * z / whole)
    half = z / (1 + z * z / whole) * math.sqrt(p * (1 - p) / whole + z * z / (4 * whole * whole))
    return max(centre - half, 0.0), min(centre + half, 1.0)


def compare_counts(*, count: int, days: float, count_before: int, days_before: float,
                   level: float, bunching: float = 1.0) -> Comparison:
    """Compare two Poisson counts with unequal observed time, exactly, given their sum.

    Given the sum of both counts, the later one is binomial; its exact interval (Clopper and
    Pearson) and exact two-sided test carry over to the ratio of the rates. Where markings come in
    bunches, chance moves the counts more than Poisson: with `bunching` above 1 both counts are
    divided by it first, which widens the interval as a quasi-Poisson model would.

    Parameters
    ----------
    count, count_before
        Incidents in the later and the earlier period.
    days, days_before
        Observed time of each, above zero [days].
    level
        Level of the interval, such as 0.95.
    bunching
        Variance of the counts over their mean, at least 1.

    References
    ----------
    Przyborowski and Wilenski (1940), Homogeneity of results in testing samples from Poisson
    series, Biometrika 31, 313–323. McCullagh and Nelder (1989), Generalized Linear Models,
    section 6.2 (overdispersion).

    Examples
    --------
    >>> c = compare_counts(count=11, days=800, count_before=21, days_before=3011, level=0.95)
    >>> round(c.ratio, 3), round(c.p_value, 4)
    (1.971, 0.0797)
    """
    exact = _exact(count, days, count_before, days_before, level)
    factor = max(bunching, 1.0)
    wide = exact if factor == 1 else _exact(round(count / factor), days,
                                            round(count_before / factor), days_before, level)
    ratio = (count / days) / (count_before / days_before) if count_before else math.nan
    return Comparison(count, days, count_before, days_before, ratio, *_holding(wide, ratio),
                      *exact, bunching=factor)


def _exact(count: int, days: float, before: int, days_before: float,
           level: float) -> tuple[float, float, float]:
    total = count + before
    if not total:
        return 0.0, math.inf, 1.0
    test = stats.binomtest(count, total, days / (days + days_before))
    ends = test.proportion_ci(confidence_level=level, method="exact")
    scale = days_before / days
    low = ends.low / (1 - ends.low) * scale if ends.low < 1 else math.inf
    high = ends.high / (1 - ends.high) * scale if ends.high < 1 else math.inf
    return float(low), float(high), float(test.pvalue)


def _holding(ends: tuple[float, float, float], ratio: float) -> tuple[float, float, float]:
    """Keep the ratio inside the interval where dividing and rounding moved it out."""
    low, high, p_value = ends
    if math.isnan(ratio):
        return ends
    return min(low, ratio), max(high, ratio), p_value


def bunching_of(times: pd.Series, *, observed_from: pd.Timestamp, observed_to: pd.Timestamp,
                least_weeks: int) -> float:
    """Return how many times more than chance the weekly counts vary (variance over mean).

    Each week is compared with its neighbour only (successive differences), so that seasons and
    slow trends do not count as bunching. 1 where there are fewer than `least_weeks` weeks.

    Parameters
    ----------
    times
        Times of the incidents [UTC].
    observed_from, observed_to
        Observed time [UTC].
    least_weeks
        Fewest whole weeks needed [weeks].

    References
    ----------
    Von Neumann et al. (1941), The mean square successive difference, Ann. Math. Stat. 12,
    153–162: half the mean squared successive difference estimates the variance free of trend.
    """
    counts = weekly_counts(times, observed_from=observed_from, observed_to=observed_to)
    if len(counts) < max(least_weeks, 2) or not counts.any():
        return 1.0
    return max(float(np.mean(np.diff(counts) ** 2.0)) / 2 / float(counts.mean()), 1.0)


def weekly_counts(times: pd.Series, *, observed_from: pd.Timestamp,
                  observed_to: pd.Timestamp) -> np.ndarray:
    """Count incidents in each whole week of the observed time.

    Examples
    --------
    >>> start = pd.Timestamp("2024-01-01", tz="UTC")
    >>> weekly_counts(pd.Series([start, start + pd.Timedelta(days=9)]), observed_from=start,
    ...               observed_to=start + pd.Timedelta(days=23)).tolist()
    [1, 1, 0]
    """
    weeks = int((observed_to - observed_from).total_seconds() // (7 * 86_400))
    index = ((times - observed_from).dt.total_seconds() // (7 * 86_400)).to_numpy()
    inside = index[(index >= 0) & (index < weeks)].astype(int)
    return np.bincount(inside, minlength=weeks)


def keep_at_fdr(p_values: list[float], *, rate: float) -> list[bool]:
    """Say which tests stand when at most `rate` of those kept may be false alarms.

    References
    ----------
    Benjamini and Hochberg (1995), Controlling the false discovery rate, JRSS B 57, 289–300.

    Examples
    --------
    >>> keep_at_fdr([0.001, 0.2, 0.03], rate=0.1)
    [True, False, True]
    """
    if not p_values:
        return []
    adjusted = stats.false_discovery_control(p_values, method="bh")
    return [bool(p <= rate) for p in adjusted]
