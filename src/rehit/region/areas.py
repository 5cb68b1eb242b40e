"""Areas held against each other: shares and rates with their doubt, and what chance alone explains.

An area with few incidents wanders far by luck. Funnel plots show how far, and partial pooling
draws each area's figure towards the others as far as its own data are thin. A league table is
given with intervals of the ranks only: most neighbours in it cannot be told apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import betaln, expit
from scipy.stats import beta, binom, norm

from rehit.errors import SettingError
from rehit.hotspots.rates import fit_prior, gamma_interval, posterior

LEVELS = (0.95, 0.998)  # Spiegelhalter 2005: about two and three standard errors
INTERVAL = 0.9
ROUNDING = 1e-9  # of a count that is a whole number
WINSORISED = 0.1  # Spiegelhalter 2005 A.3.1: the outermost tenths do not decide the scatter


class Standing(StrEnum):
    """Where an area stands against what chance alone explains."""

    INSIDE = "inside"
    LOW = "low"
    HIGH = "high"
    FAR_LOW = "far_low"
    FAR_HIGH = "far_high"
    NO_DATA = "no_data"


@dataclass(frozen=True)
class Funnel:
    """A funnel: the share of all areas together, and how much areas differ beyond chance.

    Parameters
    ----------
    target
        Share in all areas together.
    between
        Standard deviation between areas beyond chance, 0 where chance explains all.
    """

    target: float
    between: float

    def limits(self, whole: np.ndarray, *, level: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the share below and above which an area of that size stands out.

        Parameters
        ----------
        whole
            Incidents judged in each area, at least 1.
        level
            Share of areas that chance alone keeps inside, such as 0.95.

        References
        ----------
        Spiegelhalter 2005, Statistics in Medicine 24: 1185-1202, appendices A.1.1 and A.3.2.
        """
        tail = (1 - level) / 2
        if self.between > 0:
            error = np.sqrt(self.target * (1 - self.target) / whole + self.between ** 2)
            low, high = (self.target + norm.ppf(p) * error for p in (tail, 1 - tail))
            return np.clip(low, 0, 1), np.clip(high, 0, 1)
        return (exact_limit(self.target, whole, chance=tail),
                exact_limit(self.target, whole, chance=1 - tail))


def exact_limit(target: float, whole: np.ndarray, *, chance: float) -> np.ndarray:
    """Return the share that a binomial count of known share stays below with a chance.

    Counts are whole, so the limit lies between two of them.

    References
    ----------
    Spiegelhalter 2005, Statistics in Medicine 24: 1185-1202, appendix A.1.1.

    Examples
    --------
    >>> exact_limit(0.5, np.array([100]), chance=0.975).round(4)
    array([0.5932])
    """
    n = np.asarray(whole, dtype="float64")
    first = binom.ppf(chance, n, target)
    here = binom.cdf(first, n, target)
    step = binom.pmf(first, n, target)
    found: np.ndarray = np.clip((first - (here - chance) / step) / n, 0, 1)
    return found


def fit_funnel(part: np.ndarray, whole: np.ndarray) -> Funnel:
    """Return the funnel of several areas: common share and scatter beyond chance.

    Parameters
    ----------
    part, whole
        Incidents of the kind asked about and incidents judged, per area, shape (n,).

    Raises
    ------
    SettingError
        If no area has an incident.

    References
    ----------
    Spiegelhalter 2005, Statistics in Medicine 24: 1185-1202, appendix A.3 (winsorised scores,
    additive random effects by DerSimonian and Laird 1986).
    """
    y, n = np.asarray(part, "float64"), np.asarray(whole, "float64")
    if not n.sum() > 0:
        raise SettingError("fit_funnel", "errors.no_incident")
    used = n > 0
    y, n = y[used], n[used]
    target = float(y.sum() / n.sum())
    if not 0 < target < 1 or len(n) < 3:
        return Funnel(target, 0.0)
    error = np.sqrt(target * (1 - target) / n)
    score = (y / n - target) / error
    low, high = np.quantile(score, [WINSORISED, 1 - WINSORISED])
    scatter = float((np.clip(score, low, high) ** 2).mean())
    areas, weight = len(n), 1 / error ** 2
    if scatter * areas <= areas - 1:
        return Funnel(target, 0.0)
    square = (areas * scatter - (areas - 1)) / (weight.sum() - (weight ** 2).sum() / weight.sum())
    return Funnel(target, math.sqrt(square))


def compare_shares(areas: pd.DataFrame, *, part: str, whole: str) -> pd.DataFrame:
    """Return each area's share with its pooled estimate and its standing in the funnel.

    Assumption: areas without their own peculiarity come from one beta distribution.

    Parameters
    ----------
    areas
        One row per area: ``area`` and the columns named by `part` and `whole` (counts).
    part, whole
        Columns: incidents of the kind asked about, incidents judged.

    Returns
    -------
    pandas.DataFrame
        ``area, part, whole, share, pooled, low, high, standing`` in the order of `areas`;
        `low` to `high` hold the area's own share with 90 % probability.
    """
    y, n = (areas[name].fillna(0).to_numpy("float64") for name in (part, whole))
    out = pd.DataFrame({"area": areas["area"].to_numpy(), "part": y, "whole": n})
    if not n.sum() > 0:
        return out.assign(share=np.nan, pooled=np.nan, low=np.nan, high=np.nan,
                          standing=Standing.NO_DATA.value)
    shape, other = _beta_prior(y[n > 0], n[n > 0])
    a, b = shape + y, other + n - y
    tail = (1 - INTERVAL) / 2
    share = np.divide(y, n, out=np.full(len(n), np.nan), where=n > 0)
    return out.assign(share=share, pooled=a / (a + b), low=beta.ppf(tail, a, b),
                      high=beta.ppf(1 - tail, a, b),
                      standing=standings(share, n, fit_funnel(y, n)))


def standings(share: np.ndarray, whole: np.ndarray, funnel: Funnel) -> list[str]:
    """Return where each area stands: inside, or beyond the limits of 95 % or 99.8 %."""
    out = np.full(len(whole), Standing.NO_DATA.value, dtype=object)
    seen = whole > 0
    n, value = np.where(seen, whole, 1), np.nan_to_num(share)
    out[seen] = Standing.INSIDE.value
    for level, low_name, high_name in zip(LEVELS, (Standing.LOW, Standing.FAR_LOW),
                                          (Standing.HIGH, Standing.FAR_HIGH), strict=True):
        low, high = funnel.limits(n, level=level)
        if funnel.between == 0:  # drawn smooth, but counts are whole
            high = np.ceil(high * n - ROUNDING) / n
        out[seen & (value < low)] = low_name.value
        out[seen & (value > high)] = high_name.value
    return [str(each) for each in out]


def _beta_prior(y: np.ndarray, n: np.ndarray) -> tuple[float, float]:
    """Fit the beta distribution of shares by likelihood; one vague share where it cannot be."""
    if len(n) < 2:
        return 0.5, 0.5

    def against(theta: np.ndarray) -> float:
        mean, size = float(expit(theta[0])), math.exp(theta[1])
        a, b = mean * size, (1 - mean) * size
        return -float((betaln(a + y, b + n - y) - betaln(a, b)).sum())

    start = float(np.clip((y.sum() + 0.5) / (n.sum() + 1), 1e-6, 1 - 1e-6))
    best = minimize(against, np.array([math.log(start / (1 - start)), math.log(20.0)]),
                    method="L-BFGS-B", bounds=[(-14, 14), (-3, 12)])
    mean, size = float(expit(best.x[0])), math.exp(float(best.x[1]))
    return mean * size, (1 - mean) * size


def compare_rates(areas: pd.DataFrame, *, count: str, exposure: str) -> pd.DataFrame:
    """Return each area's rate with its pooled estimate.

    Assumption: the rates of areas come from one gamma distribution; counts are Poisson given it.

    Parameters
    ----------
    areas
        One row per area: ``area`` and the columns named by `count` and `exposure`.
    count
        Column of counts.
    exposure
        Column of what they are held against, such as asset years; areas without it are left out.

    Returns
    -------
    pandas.DataFrame
        ``area, count, exposure, rate, pooled, low, high, rank_low, rank_high``; rank 1 is the
        highest rate, its interval holding 90 % of draws.
    """
    known = areas[areas[exposure].fillna(0) > 0]
    y, x = known[count].to_numpy("float64"), known[exposure].to_numpy("float64")
    out = pd.DataFrame({"area": known["area"].to_numpy(), "count": y, "exposure": x})
    if not len(known):
        return out.assign(**dict.fromkeys(
            ("rate", "pooled", "low", "high", "rank_low", "rank_high"), np.nan))
    shape, rate = posterior(y, x, fit_prior(y, x, zero_truncated=False))
    low, high = gamma_interval(shape, rate, level=INTERVAL)
    first, last = _rank_intervals(shape, rate)
    return out.assign(rate=y / x, pooled=shape / rate, low=low, high=high, rank_low=first,
                      rank_high=last)


def _rank_intervals(shape: np.ndarray, rate: np.ndarray,
                    draws: int = 4000) -> tuple[np.ndarray, np.ndarray]:
    """Return the interval of each area's rank over draws of all rates."""
    rng = np.random.default_rng(2005)
    drawn = rng.gamma(shape, 1 / rate, (draws, len(shape)))
    ranks = (-drawn).argsort(axis=1).argsort(axis=1) + 1
    low, high = np.quantile(ranks, [(1 - INTERVAL) / 2, (1 + INTERVAL) / 2], axis=0,
                            method="inverted_cdf")
    return low, high
