"""Which places to coat, in which year, so that a yearly budget saves most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.programme_model import Choice, best_choice, greedy_choice
from rehit.costs.programme_table import programme_table, total_interval
from rehit.costs.prospects import Prospects, find_prospects
from rehit.costs.strategies import Strategy
from rehit.errors import SettingError
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

Numbers = NDArray[np.float64]
SWEEP = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)  # shares of the budget looked at


@dataclass(frozen=True)
class Programme:
    """The programme chosen, with the plain ranking beside it.

    Attributes
    ----------
    table
        The `programme` table: one row per place chosen.
    greedy
        The same table for the plain ranking, most saved per unit of money first.
    saving, saving_low, saving_high
        Present value saved by the whole programme: mean and interval.
    saving_greedy
        Mean saved by the plain ranking; never more than `saving` (unless that is robust).
    saving_worst, saving_worst_otherwise
        Mean saved in the worse rate scenario where the choice was robust, and what the choice
        that is best on average would save there; else NaN.
    gap
        Proven distance to the best possible, as a share.
    by_year
        Money and crew hours used of those available, year by year.
    """

    table: pd.DataFrame
    greedy: pd.DataFrame
    saving: float
    saving_low: float
    saving_high: float
    saving_greedy: float
    saving_worst: float
    saving_worst_otherwise: float
    gap: float
    by_year: pd.DataFrame


def choose_programme(costing: pd.DataFrame, *,
                     strategies: Sequence[Strategy] | Path | str | None = None,
                     budget_per_year: float | Sequence[float] | None = None,
                     crew_hours_per_year: float | Sequence[float] | None = None, years: int = 5,
                     horizon_years: int | None = None, robust: bool = False,
                     parameters: Parameters | None = None,
                     rng: np.random.Generator) -> Programme:
    """Choose which places to cover, how and in which year, under yearly money and crew hours.

    Parameters
    ----------
    costing
        The `costing` table. A place whose owner does not allow a coating is never given one.
    strategies
        As for :func:`rehit.costs.lifecycle.compare_by_formula`; those with a first cost compete.
    budget_per_year
        Money for first costs at today's prices, one sum for each year or one per year; default
        ``costs.programme_budget``. What is left over in a year is not carried on.
    crew_hours_per_year
        The same for hours; default ``costs.programme_crew_hours``.
    years
        Length of the programme.
    horizon_years
        Savings are counted to this many years from now; default ``costs.horizon_years``.
    robust
        Save most in the worse of two cases, all rates lower or higher by the factors
        ``costs.rate_scenario_low`` and ``_high``, instead of on average.
    parameters
        Default: the shipped ones.
    rng
        Source of randomness for the intervals.

    Returns
    -------
    Programme
        Savings are against the cheapest allowed strategy that needs no first cost, named in the
        column ``instead_of``.
    """
    parameters = parameters or load_parameters()
    horizon = int(horizon_years or parameters["costs.horizon_years"])
    prospects = find_prospects(costing, strategies=strategies, years=years, horizon_years=horizon,
                               scenarios=robust, parameters=parameters)
    money = per_year(budget_per_year, years, parameters["costs.programme_budget"])
    hours = per_year(crew_hours_per_year, years, parameters["costs.programme_crew_hours"])
    best = best_choice(prospects.candidates, budgets=money, hours=hours,
                       gap=parameters["costs.programme_gap"], robust=robust)
    greedy = greedy_choice(prospects.candidates, budgets=money, hours=hours)
    plain = best if not robust else best_choice(
        prospects.candidates, budgets=money, hours=hours, gap=parameters["costs.programme_gap"])
    worst = [float(prospects.candidates.saving[choice.chosen].sum(axis=0).min()) if robust
             else float("nan") for choice in (best, plain)]
    return _programme(prospects, best, greedy, money, hours, worst=worst,
                      parameters=parameters, rng=rng)


def budget_sweep(costing: pd.DataFrame, *, budget_per_year: float | None = None,
                 crew_hours_per_year: float | Sequence[float] | None = None, years: int = 5,
                 strategies: Sequence[Strategy] | Path | str | None = None,
                 horizon_years: int | None = None, shares: Sequence[float] = SWEEP,
                 parameters: Parameters | None = None,
                 rng: np.random.Generator) -> pd.DataFrame:
    """Return what more or less budget would save: the `report_budget_sweep` table.

    Parameters
    ----------
    shares
        Multiples of the budget looked at; crew hours grow with them, so that money decides.
    costing, budget_per_year, crew_hours_per_year, years, strategies, horizon_years
        As for :func:`choose_programme`.
    parameters, rng
        As for :func:`choose_programme`.
    """
    parameters = parameters or load_parameters()
    horizon = int(horizon_years or parameters["costs.horizon_years"])
    prospects = find_prospects(costing, strategies=strategies, years=years, horizon_years=horizon,
                               scenarios=False, parameters=parameters)
    budget = parameters["costs.programme_budget"] if budget_per_year is None else budget_per_year
    hours = per_year(crew_hours_per_year, years, parameters["costs.programme_crew_hours"])
    annuity = prospects.comparisons[0].timeline.annuity
    rows = []
    # All multiples of nothing are nothing: one row then, not eight of one key.
    for share in sorted({*shares, 1.0}) if budget > 0 else [1.0]:
        money = np.full(years, budget * share)
        found = best_choice(prospects.candidates, budgets=money, hours=hours * max(share, 1.0),
                            gap=parameters["costs.programme_gap"])
        low, high = total_interval(prospects, found.chosen, parameters, rng)
        rows.append({"budget": float(money.sum()), "saving_per_year": found.saving / annuity,
                     "saving_low": low / annuity, "saving_high": high / annuity,
                     "n_places": int(found.chosen.sum()), "chosen": share == 1.0})
    table = pd.DataFrame(rows)
    check(table, "report_budget_sweep", where="costs.budget_sweep")
    return table


def per_year(given: float | Sequence[float] | None, years: int, default: float) -> Numbers:
    """Return one amount per year from a single amount, a list, or the default.

    Raises
    ------
    SettingError
        For a negative amount, or a list of another length than the years.
    """
    amounts = np.atleast_1d(np.asarray(default if given is None else given, dtype=float))
    if len(amounts) not in (1, years) or not (amounts >= 0).all():
        raise SettingError("programme budget or crew hours", got=str(given),
                           allowed=f"one amount from 0, or {years} of them, one per year",
                           remedy="give as many amounts as the programme has years")
    return np.resize(amounts, years)


def _programme(prospects: Prospects, best: Choice, greedy: Choice, money: Numbers, hours: Numbers,
               *, worst: Sequence[float], parameters: Parameters,
               rng: np.random.Generator) -> Programme:
    candidates = prospects.candidates
    low, high = total_interval(prospects, best.chosen, parameters, rng)
    savings = candidates.saving[best.chosen].sum(axis=0)
    years = np.arange(len(money))
    used = candidates.keep(best.chosen)
    by_year = pd.DataFrame({
        "year": years + 1, "money": money, "hours": hours,
        "money_used": np.bincount(used.year, used.cost, minlength=len(years)),
        "hours_used": np.bincount(used.year, used.hours, minlength=len(years))})
    greedy_table = programme_table(prospects, greedy.chosen, parameters, rng)
    table = programme_table(prospects, best.chosen, parameters, rng)
    rank = {place: number + 1 for number, place in enumerate(greedy_table["place_id"])}
    table["rank_greedy"] = table["place_id"].map(rank).astype("Int64")
    check(table, "programme", where="costs.choose_programme")
    return Programme(
        table=table, greedy=greedy_table, saving=float(savings[0]), saving_low=low,
        saving_high=high, saving_greedy=greedy.saving,
        saving_worst=worst[0], saving_worst_otherwise=worst[1], gap=best.gap, by_year=by_year)
