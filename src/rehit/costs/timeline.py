"""The years of a comparison: how each cost line grows and is discounted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rehit.costs.discounting import annuity_factor, schedule_rates
from rehit.costs.rates import ESCALATION, LINES
from rehit.errors import SettingError
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
        raise SettingError("horizon_years", got=repr(years), allowed="a whole number, 1 to 125",
                           remedy="choose another horizon")
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
