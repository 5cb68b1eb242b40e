"""Present values: growth and discount factors of each year, annuities, declining rates.

The start of a comparison is time 0; a cost of year n falls at a point of that year
(``costs.payment_point``) or at its end.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rehit.costs.rates import ESCALATION, LINES
from rehit.errors import SettingError
from rehit.messages import message
from rehit.packaged import packaged_rows
from rehit.parameters import Parameters

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Timeline:
    """Growth and discount factors of each cost line and year.

    Attributes
    ----------
    years
        Length of the comparison.
    start, growth_start
        Present value and growth of one unit of each line paid at the start, shape (lines,).
    running
        Present value of one unit of today's cost of each line in each year, for costs spread
        over the year, shape (lines, years).
    year_end
        The same for costs that fall at the end of a year (renewals by age, planned repaints).
    growth_running, growth_year_end
        The growth parts alone, for a table of cash flows.
    annuity
        Present value of one unit at the end of every year.
    """

    years: int
    start: Numbers
    growth_start: Numbers
    running: Numbers
    year_end: Numbers
    growth_running: Numbers
    growth_year_end: Numbers
    annuity: float


def make_timeline(years: int, *, parameters: Parameters, schedule: str | None = None,
                  nominal: bool = False, start_year: int = 0) -> Timeline:
    """Return the factors of a comparison over `years`.

    Parameters
    ----------
    years
        Whole number of years, at least 1.
    parameters
        Rate, payment point and escalations are read from it.
    schedule
        Name of a declining schedule of discount rates, in place of the single rate.
    nominal
        Work in money of the day: growth and discount rates both carry inflation, so that present
        values stay the same and only the cash flows change.
    start_year
        Years from now after which the comparison starts; present values are still today's.

    Raises
    ------
    SettingError
        If the years are not a whole number from 1 to 125, or a schedule does not cover them.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> make_timeline(2, parameters=load_parameters()).running.shape
    (8, 2)
    """
    if isinstance(years, bool) or int(years) != years or not 1 <= years <= 125:
        raise SettingError("horizon_years", "errors.not_a_horizon", value=repr(years))
    years, last = int(years), int(years) + start_year
    inflation = parameters["costs.inflation"] if nominal else 0.0
    rates = (np.full(last, parameters["costs.discount_rate"]) if schedule is None
             else schedule_rates(schedule, last))
    rates = (1 + rates) * (1 + inflation) - 1
    ends = 1 / np.cumprod(1 + rates)
    begins = np.concatenate([[1.0], ends[:-1]])
    point = parameters["costs.payment_point"]
    growth = np.array([
        (1 + parameters[f"costs.escalation_{ESCALATION[line]}"]) * (1 + inflation) - 1
        for line in LINES])[:, None]
    number = np.arange(1.0, last + 1)
    grown_running = (1 + growth) ** (number - 1 + point)
    grown_end = np.asarray((1 + growth) ** number, dtype=float)
    # A level annual cost is stated in today's money, so the annuity is always in real terms.
    real_ends = ends * (1 + inflation) ** number
    constant = annuity_factor(years, discount_rate=parameters["costs.discount_rate"])
    grown_start = ((1 + growth) ** start_year)[:, 0]
    return Timeline(
        years=years, start=grown_start * begins[start_year], growth_start=grown_start,
        running=(grown_running * (begins * (1 + rates) ** -point))[:, start_year:],
        year_end=(grown_end * ends)[:, start_year:],
        growth_running=grown_running[:, start_year:], growth_year_end=grown_end[:, start_year:],
        annuity=constant if schedule is None else float(real_ends.sum()))


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


def schedule_rates(schedule: str, n_years: int) -> Numbers:
    """Return the rate that a declining schedule sets for each of the years 1 to `n_years`.

    Raises
    ------
    SettingError
        For an unknown schedule, or more years than it covers.
    """
    spans = _schedules().get(schedule)
    if spans is None or n_years > max(last for _, last, _ in spans):
        limits = tuple(message("errors.to_year", name=name, year=rows[-1][1])
                       for name, rows in _schedules().items())
        raise SettingError(message("where.discount_schedule"), "errors.schedule_ends",
                           schedule=schedule, years=n_years, limits=limits)
    rates = np.empty(n_years)
    for first, last, rate in spans:
        rates[first - 1:last] = rate
    return rates


@cache
def _schedules() -> dict[str, list[tuple[int, int, float]]]:
    found: dict[str, list[tuple[int, int, float]]] = {}
    for row in packaged_rows("costs", "discount_schedules.csv"):
        span = (int(row["from_year"]), int(row["to_year"]), float(row["rate"]))
        found.setdefault(row["schedule"], []).append(span)
    return found


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


def _refuse_rate(rate: float) -> None:
    if not np.isfinite(rate) or rate <= -1:
        raise SettingError(message("where.discount_rate"), "errors.not_a_rate", value=rate)
