"""Areas held against each other: shares and rates with their doubt, and what chance alone explains.

An area with few incidents wanders far by luck. Funnel plots show how far, and partial pooling
draws each area's figure towards the others as far as its own data are thin. A league table is
given with intervals of the ranks only: most neighbours in it cannot be told apart. What areas have
in common is also the best guess for one that has no data, with how far such a one may lie from it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import betaln, expit
from scipy.stats import beta, binom, norm
from scipy.stats import t as student

from rehit.errors import SettingError
from rehit.hotspots.rates import fit_prior, gamma_interval, posterior

LEVELS = (0.95, 0.998)  # Spiegelhalter 2005: about two and three standard errors
INTERVAL = 0.9
LEAST_JOBS = 10  # below it a mean of skewed costs has no normal error
LEAST_AREAS = 3  # which tell how far areas lie from each other
ROUNDING = 1e-9  # of a count that is a whole number
DRAWS, SEED = 4000, 2005
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
    return Funnel(target, _between(scatter * len(n), error))


def _between(scatter: float, error: np.ndarray) -> float:
    """Return the standard deviation between areas beyond chance from their squared scores' sum.

    References
    ----------
    DerSimonian and Laird 1986, Controlled Clinical Trials 7: 177-188.
    """
    weight = 1 / error ** 2
    spare = weight.sum() - (weight ** 2).sum() / weight.sum()
    return math.sqrt(max(0.0, (scatter - (len(error) - 1)) / spare))


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
    rng = np.random.default_rng(SEED)
    first, last = _rank_intervals(rng.gamma(shape, 1 / rate, (DRAWS, len(shape))))
    return out.assign(rate=y / x, pooled=shape / rate, low=low, high=high, rank_low=first,
                      rank_high=last)


def _rank_intervals(drawn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the interval of each area's rank over draws of all; rank 1 is the highest."""
    ranks = (-drawn).argsort(axis=1).argsort(axis=1) + 1
    low, high = np.quantile(ranks, [(1 - INTERVAL) / 2, (1 + INTERVAL) / 2], axis=0,
                            method="inverted_cdf")
    return low, high


@dataclass(frozen=True)
class Pooled:
    """What several areas have in common.

    Parameters
    ----------
    mean, error
        Mean of the areas and its standard error.
    between
        Standard deviation between areas beyond chance.
    low, high
        Where an area that is not among them lies with 90 % probability.
    """

    mean: float
    error: float
    between: float
    low: float
    high: float


def pool_means(value: np.ndarray, error: np.ndarray) -> Pooled:
    """Return what several areas' estimates have in common.

    Assumption: areas scatter normally around their mean, and each estimate around its area.

    Parameters
    ----------
    value, error
        Estimate of each area and its standard error above 0, shape (n,), n at least 3.

    References
    ----------
    DerSimonian and Laird 1986; for an area not among them Higgins, Thompson and Spiegelhalter
    2009, J. R. Stat. Soc. A 172: 137-159, equation 12.

    Examples
    --------
    >>> found = pool_means(np.array([28.0, 8, -3, 7, -1, 1, 18, 12]),
    ...                    np.array([15.0, 10, 16, 11, 9, 11, 10, 18]))
    >>> round(found.mean, 1), round(found.error, 1), found.between
    (7.7, 4.1, 0.0)
    """
    alone = 1 / error ** 2
    middle = (alone * value).sum() / alone.sum()
    between = _between(float((alone * (value - middle) ** 2).sum()), error)
    weight = 1 / (error ** 2 + between ** 2)
    mean, doubt = float((weight * value).sum() / weight.sum()), 1 / math.sqrt(weight.sum())
    reach = float(student.ppf((1 + INTERVAL) / 2, len(value) - 2)) * math.hypot(between, doubt)
    return Pooled(mean, doubt, between, mean - reach, mean + reach)


def compare_costs(areas: pd.DataFrame) -> pd.DataFrame:
    """Return each area's mean cost of a job with its pooled estimate.

    Assumption: the means of areas scatter normally. Areas with fewer than ten jobs, or whose money
    is not that of most areas, are left out.

    Parameters
    ----------
    areas
        One row per area: ``area, currency, n_works, works_cost, works_sd`` (total cost of the
        works log and standard deviation of a job's).

    Returns
    -------
    pandas.DataFrame
        ``area, currency, n_works, mean, pooled, low, high, rank_low, rank_high``; rank 1 is the
        dearest, intervals hold 90 %. Empty for fewer than three areas.
    """
    known = areas[(areas["n_works"] >= LEAST_JOBS) & (areas["works_sd"] > 0)]
    known = known[known["currency"].isin(known["currency"].mode().head(1))]
    n = known["n_works"].to_numpy("float64")
    mean = known["works_cost"].to_numpy("float64") / n
    out = pd.DataFrame({"area": known["area"].to_numpy(), "currency": known["currency"].to_numpy(),
                        "n_works": n, "mean": mean})
    if len(known) < LEAST_AREAS:
        return out.head(0).reindex(columns=[*out, "pooled", "low", "high", "rank_low", "rank_high"])
    error = known["works_sd"].to_numpy("float64") / np.sqrt(n)
    common = pool_means(mean, error)
    drawn_in = error ** 2 / (error ** 2 + common.between ** 2)
    pooled = drawn_in * common.mean + (1 - drawn_in) * mean
    doubt = np.sqrt((1 - drawn_in) * error ** 2 + (drawn_in * common.error) ** 2)
    reach = float(norm.ppf((1 + INTERVAL) / 2)) * doubt
    first, last = _rank_intervals(np.random.default_rng(SEED).normal(
        pooled, doubt, (DRAWS, len(known))))
    return out.assign(pooled=pooled, low=pooled - reach, high=pooled + reach, rank_low=first,
                      rank_high=last)


def learn(figures: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return what areas have in common, for one that has little data of its own.

    Parameters
    ----------
    figures
        Of each area, as :func:`rehit.region.run.area_figures` gives them: ``minutes``, ``media``
        and ``rings``.

    Returns
    -------
    pandas.DataFrame
        ``kind`` (minutes, medium, ring), ``name``, ``value``, ``low, high`` (where an area not
        among them lies with 90 % probability) and ``n_areas``, at least 3. A number of minutes has
        the name it bears in a project file; a ring's value is how many times the pairs that chance
        gives there are.
    """
    rows: list[dict[str, object]] = []
    for name, value, error in _by_name(figures, "minutes"):
        found = pool_means(value, error)
        rows.append({"kind": "minutes", "name": name, "value": found.mean,
                     "low": max(0.0, found.low), "high": found.high, "n_areas": len(value)})
    for name, value, error in _by_name(figures, "rings"):
        found = pool_means(value, error)
        rows.append({"kind": "ring", "name": name, "value": math.exp(found.mean),
                     "low": math.exp(found.low), "high": math.exp(found.high),
                     "n_areas": len(value)})
    rows += _learnt_media([each["media"] for each in figures if each.get("media")])
    return pd.DataFrame(rows, columns=["kind", "name", "value", "low", "high", "n_areas"])


def _by_name(figures: Sequence[Mapping[str, Any]],
             kind: str) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    """Give each number that enough areas tell, with their values and errors."""
    told = pd.DataFrame([each for area in figures for each in area.get(kind) or ()],
                        columns=["name", "value", "error"])
    for name, rows in told.groupby("name", sort=False):
        if len(rows) >= LEAST_AREAS:
            yield str(name), rows["value"].to_numpy("float64"), rows["error"].to_numpy("float64")


def _learnt_media(counted: Sequence[Mapping[str, int]]) -> list[dict[str, object]]:
    """Return the share of each medium among markings whose medium is known."""
    if len(counted) < LEAST_AREAS:
        return []
    table = pd.DataFrame(list(counted)).fillna(0.0)
    whole = table.sum(axis=1).to_numpy("float64")
    rows: list[dict[str, object]] = []
    for name in sorted(map(str, table)):
        a, b = _beta_prior(table[name].to_numpy("float64"), whole)
        low, high = beta.ppf([(1 - INTERVAL) / 2, (1 + INTERVAL) / 2], a, b)
        rows.append({"kind": "medium", "name": name, "value": a / (a + b), "low": low,
                     "high": high, "n_areas": len(table)})
    return rows
