"""Present values exactly as the standards define them.

A cash flow is a sequence whose first entry falls now (time 0) and whose n-th entry belongs to
year n. Costs may be written as positive numbers: every function is linear in the amounts.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from rehit.errors import SettingError

Timing = Literal["end", "mid", "begin"]
Numbers = NDArray[np.float64]
POINTS: dict[str, float] = {"end": 1.0, "mid": 0.5, "begin": 0.0}


def discount_factor(years: ArrayLike, *, discount_rate: float) -> Numbers:
    """Return what one unit of money after `years` [years, may be fractions] is worth now.

    Examples
    --------
    >>> round(float(discount_factor(10, discount_rate=0.03)), 6)
    0.744094
    """
    _refuse_rate(discount_rate)
    return np.asarray((1 + discount_rate) ** -np.asarray(years, dtype=float))


def year_factors(n_years: int, *, discount_rate: float, timing: Timing = "end",
                 schedule: str | None = None) -> Numbers:
    """Return the discount factors of years 1 to `n_years`.

    Parameters
    ----------
    n_years
        How many years.
    discount_rate
        Yearly rate as a decimal; not used when a schedule is given.
    timing
        Where in its year a cost falls: exponent n (end), n - 1/2 (mid), n - 1 (begin).
    schedule
        Name of a declining schedule from ``discount_schedules.csv``, such as ``green_book``.
        The yearly factors are chained.

    References
    ----------
    NIST Handbook 135, D.2.1.1 (three timings); HM Treasury Green Book, table of declining rates.

    Examples
    --------
    >>> [round(float(f), 4) for f in year_factors(2, discount_rate=0.05, timing="mid")]
    [0.9759, 0.9294]
    """
    _refuse_timing(timing)
    if schedule is None:
        years = np.arange(1, n_years + 1) - 1 + POINTS[timing]
        return discount_factor(years, discount_rate=discount_rate)
    rates = schedule_rates(schedule, n_years)
    before = np.concatenate([[1.0], np.cumprod(1 / (1 + rates))[:-1]])
    return before * (1 + rates) ** -POINTS[timing]


@cache
def _schedules() -> dict[str, list[tuple[int, int, float]]]:
    source = files("rehit") / "costs" / "discount_schedules.csv"
    found: dict[str, list[tuple[int, int, float]]] = {}
    for row in csv.DictReader(source.read_text(encoding="utf-8").splitlines()):
        span = (int(row["from_year"]), int(row["to_year"]), float(row["rate"]))
        found.setdefault(row["schedule"], []).append(span)
    return found


def schedule_rates(schedule: str, n_years: int) -> Numbers:
    """Return the rate that a declining schedule sets for each of the years 1 to `n_years`.

    Raises
    ------
    SettingError
        For an unknown schedule, or more years than it covers.
    """
    spans = _schedules().get(schedule)
    if spans is None or n_years > max(last for _, last, _ in spans):
        limits = ", ".join(f"{name} (to year {rows[-1][1]})" for name, rows in _schedules().items())
        raise SettingError("discount schedule", got=f"{schedule!r} for {n_years} years",
                           allowed=limits, remedy="name another schedule or a shorter horizon")
    rates = np.empty(n_years)
    for first, last, rate in spans:
        rates[first - 1:last] = rate
    return rates


def net_present_value(flow: Sequence[float], *, discount_rate: float) -> float:
    """Return the present value of a flow that starts now, later entries at year ends.

    Examples
    --------
    >>> round(net_present_value([-100, 60, 60], discount_rate=0.10), 3)
    4.132
    """
    amounts = np.asarray(flow, dtype=float)
    return float(amounts @ discount_factor(np.arange(len(amounts)), discount_rate=discount_rate))


def annuity_factor(n_years: float, *, discount_rate: float) -> float:
    """Return the present value of one unit at the end of each year.

    At a zero rate this is the number of years; for an infinite life it is 1 / rate.

    Examples
    --------
    >>> round(annuity_factor(10, discount_rate=0.03), 2)
    8.53
    """
    _refuse_rate(discount_rate)
    if discount_rate == 0:
        return float(n_years)
    if np.isinf(n_years):
        return 1 / discount_rate
    return float(-np.expm1(-n_years * np.log1p(discount_rate)) / discount_rate)


def equivalent_annual_cost(present_value: ArrayLike, *, n_years: float,
                           discount_rate: float) -> Numbers:
    """Spread a present value evenly over the years: the same sum at the end of each.

    Examples
    --------
    >>> round(float(equivalent_annual_cost(1000, n_years=10, discount_rate=0.03)), 2)
    117.23
    """
    factor = annuity_factor(n_years, discount_rate=discount_rate)
    return np.asarray(present_value, dtype=float) / factor


def payment(present_value: float, *, rate_per_period: float, n_periods: int) -> float:
    """Return the level payment at the end of each period that repays a present value."""
    return float(equivalent_annual_cost(
        present_value, n_years=n_periods, discount_rate=rate_per_period))


def real_rate(nominal_rate: float, *, inflation: float) -> float:
    """Return the real rate: the ratio of the two growth factors less one, not their difference.

    References
    ----------
    NIST Handbook 135; OMB Circular A-94 on nominal and real rates.

    Examples
    --------
    >>> round(real_rate(0.045, inflation=0.0225048923679059), 6)
    0.022
    """
    return (1 + nominal_rate) / (1 + inflation) - 1


def nominal_rate(real: float, *, inflation: float) -> float:
    """Return the nominal rate that a real rate and an inflation make together."""
    return (1 + real) * (1 + inflation) - 1


def implied_inflation(*, nominal: float, real: float) -> float:
    """Return the inflation that makes a nominal and a real rate agree."""
    return (1 + nominal) / (1 + real) - 1


def escalated(amount: float, *, years: ArrayLike, growth: float | Sequence[float]) -> Numbers:
    """Return an amount of today's prices grown to later years.

    Parameters
    ----------
    amount
        Cost at today's prices and quantity.
    years
        Times at which it falls [years].
    growth
        Yearly growth as a decimal, or several (price and quantity) that multiply.
    """
    rates = [growth] if isinstance(growth, int | float) else list(growth)
    return amount * np.prod([1 + g for g in rates]) ** np.asarray(years, dtype=float)


def residual_value(cost: float, *, bought_year: float, life_years: float, horizon_years: float,
                   first_year_counts: bool = True) -> float:
    """Return the unused part of a cost at the horizon, in equal parts over its life.

    Convention, stated because sources differ: with `first_year_counts` the year of purchase is a
    whole year of use (bought in year 1, horizon 10: ten years used); without it only the years
    after purchase are (nine used).

    Raises
    ------
    SettingError
        If the life is not above zero.

    References
    ----------
    usnistgov/E3, ``test_new_bcn.py``: 200 bought in year 1, life 30, horizon 10 leaves 133.33.

    Examples
    --------
    >>> round(residual_value(200, bought_year=1, life_years=30, horizon_years=10), 2)
    133.33
    """
    if life_years <= 0:
        raise SettingError("residual_value, life_years", got=f"{life_years:g}",
                           allowed="a life above zero years", remedy="give its life")
    used = horizon_years - bought_year + (1 if first_year_counts else 0)
    return cost * float(np.clip(1 - used / life_years, 0, 1))


def repeated_to_common_horizon(flow: Sequence[float], *, horizon_years: int) -> Numbers:
    """Chain a flow of n years after itself up to a common horizon (a multiple of n).

    The entry at a joint is the last year of one run plus the first cost of the next.

    Raises
    ------
    SettingError
        If the horizon is not a whole number of lives: then compare equivalent annual costs.
    """
    amounts = np.asarray(flow, dtype=float)
    life = len(amounts) - 1
    if life < 1 or horizon_years % life:
        raise SettingError("repeated_to_common_horizon, horizon_years", got=str(horizon_years),
                           allowed=f"a multiple of the life, {life} years",
                           remedy="use the least common multiple, or equivalent annual costs")
    chained = np.zeros(horizon_years + 1)
    for start in range(0, horizon_years, life):
        chained[start:start + life + 1] += amounts
    return chained


def _refuse_rate(rate: float) -> None:
    if not np.isfinite(rate) or rate <= -1:
        raise SettingError("discount rate", got=f"{rate}", allowed="a decimal above -1, as 0.035",
                           remedy="give the rate as a decimal")


def _refuse_timing(timing: str) -> None:
    if timing not in POINTS:
        raise SettingError("timing of costs", got=repr(timing), allowed=", ".join(POINTS),
                           remedy="name one of these")


# Yardsticks of a single investment: rate of return, savings per unit invested, economic life.


def internal_rate_of_return(flow: Sequence[float], *, lowest: float = -0.99,
                            highest: float = 10.0) -> float | None:
    """Return the discount rate at which the flow is worth nothing, or None where there is none.

    A flow whose sign changes more than once may have several such rates: None is returned then
    too, because no single figure would be honest.

    Parameters
    ----------
    flow
        Amounts from now on, one a year.
    lowest, highest
        Limits of the search, as decimals.

    Examples
    --------
    >>> internal_rate_of_return([-100, 110])
    0.1...
    """
    amounts = np.asarray(flow, dtype=float)
    signs = np.sign(amounts[amounts != 0])
    if len(signs) < 2 or np.count_nonzero(np.diff(signs)) != 1:
        return None

    def worth(rate: float) -> float:
        return net_present_value(amounts.tolist(), discount_rate=rate)

    if worth(lowest) * worth(highest) > 0:
        return None
    return float(brentq(worth, lowest, highest, xtol=1e-14, rtol=1e-14))


def savings_to_investment_ratio(*, operating_saving: float, extra_investment: float) -> float:
    """Return present operating savings per unit of present extra investment (above 1 pays).

    Examples
    --------
    >>> savings_to_investment_ratio(operating_saving=550 - 300, extra_investment=200 - 100)
    2.5
    """
    return operating_saving / extra_investment if extra_investment > 0 else float("nan")


def adjusted_internal_rate_of_return(ratio: ArrayLike, *, discount_rate: float,
                                     n_years: float) -> Numbers:
    """Return the yearly yield when savings are put out again at the discount rate.

    References
    ----------
    NIST Handbook 135: AIRR = (1 + d) SIR^(1/N) - 1.
    """
    values = np.asarray(ratio, dtype=float)
    with np.errstate(invalid="ignore"):
        return (1 + discount_rate) * np.where(values >= 0, values, np.nan) ** (1 / n_years) - 1


def economic_life(cost: float, *, market_values: Sequence[float], yearly_costs: Sequence[float],
                  discount_rate: float) -> Numbers:
    """Return the equivalent annual cost of keeping something n = 1, 2, … years.

    Parameters
    ----------
    cost
        Price now.
    market_values, yearly_costs
        What it fetches at the end of each year, and what running it cost in that year.
    """
    values, running = np.asarray(market_values, float), np.asarray(yearly_costs, float)
    factors = year_factors(len(values), discount_rate=discount_rate)
    present = cost + np.cumsum(running * factors) - values * factors
    annuities = [annuity_factor(n + 1, discount_rate=discount_rate) for n in range(len(values))]
    return np.asarray(present / np.array(annuities))
