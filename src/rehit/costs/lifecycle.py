"""The comparison of strategies, place by place: the door of the cost room.

Markings come as a Poisson process whose yearly rate is uncertain with a gamma distribution; the
rate does not change over the horizon, and no strategy changes it unless the user says so. Means
are exact, by formula; intervals and chances come from simulated futures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.breakeven import breakeven_rates
from rehit.costs.decisions import expected_losses, payback_years, savings_ratio
from rehit.costs.expected import Expected, expected_costs
from rehit.costs.investment import adjusted_internal_rate_of_return
from rehit.costs.pieces import Pieces, make_pieces
from rehit.costs.rates import checked_costing, require_rates
from rehit.costs.strategies import BASELINE, Strategy, load_strategies
from rehit.costs.timeline import Timeline, make_timeline
from rehit.costs.uncertainty import Simulated, simulate
from rehit.errors import SettingError
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Comparison:
    """Everything worked out on the way: strategies at places, by formula."""

    costing: pd.DataFrame
    strategies: tuple[Strategy, ...]
    timeline: Timeline
    pieces: list[Pieces]
    expected: list[Expected]
    shape: Numbers
    rate_years: Numbers

    @property
    def baseline(self) -> int:
        """Position of the baseline among the strategies."""
        return [s.name for s in self.strategies].index(BASELINE)


def compare_by_formula(costing: pd.DataFrame, *,
                       strategies: Sequence[Strategy] | Path | str | None = None,
                       horizon_years: int | None = None, schedule: str | None = None,
                       start_year: int = 0,
                       parameters: Parameters | None = None) -> Comparison:
    """Work out the expected costs of every strategy at every place.

    Parameters
    ----------
    costing
        The `costing` table: one row per place, with the gamma distribution of its yearly rate.
    strategies
        A file to load them from, or the strategies themselves; default the shipped ones.
    horizon_years
        Whole years looked ahead; default ``costs.horizon_years``.
    schedule
        A declining schedule of discount rates, such as ``green_book``.
    start_year
        Years from now after which the strategies start; present values are still today's.
    parameters
        Default: the shipped ones.

    Raises
    ------
    ManyErrors
        Listing every missing or contradictory rate, or fault of the costing table.
    """
    parameters = parameters or load_parameters()
    require_rates(parameters)
    if strategies is None or isinstance(strategies, Path | str):
        strategies = load_strategies(strategies, parameters=parameters)
    if BASELINE not in [s.name for s in strategies]:
        raise SettingError("strategies", got=", ".join(s.name for s in strategies),
                           allowed=f"a list with {BASELINE!r}, what the others are held against",
                           remedy="add it")
    costing = checked_costing(costing, where="costs.compare_strategies")
    years = horizon_years if horizon_years is not None else parameters["costs.horizon_years"]
    timeline = make_timeline(int(years), parameters=parameters, schedule=schedule,
                             start_year=start_year)
    pieces = make_pieces(costing, strategies, parameters=parameters)
    shape = costing["gamma_shape"].to_numpy(float)
    rate_years = costing["gamma_rate_years"].to_numpy(float)
    expected = [expected_costs(p, timeline, shape=shape, rate_years=rate_years,
                               parameters=parameters) for p in pieces]
    return Comparison(costing, tuple(strategies), timeline, pieces, expected, shape, rate_years)


def compare_strategies(costing: pd.DataFrame, *,
                       strategies: Sequence[Strategy] | Path | str | None = None,
                       horizon_years: int | None = None, schedule: str | None = None,
                       draws: int | None = None, n_jobs: int = -1,
                       parameters: Parameters | None = None,
                       rng: np.random.Generator) -> pd.DataFrame:
    """Compare ways to look after each place over the years.

    Parameters
    ----------
    costing, strategies, horizon_years, schedule, parameters
        As for :func:`compare_by_formula`.
    draws
        Simulated futures per place; default ``costs.draws``.
    n_jobs
        Threads for the simulation; -1 = all processors. The result does not depend on it.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        The `strategy_costs` table, one row per place and strategy. Strategies that may not be
        used at a place are priced too, with ``allowed`` False: they are never cheapest.

    Examples
    --------
    >>> place = pd.DataFrame({
    ...     "place_id": ["W1"], "gamma_shape": [8.0], "gamma_rate_years": [2.0],
    ...     "mark_area_m2": [1.5], "wall_area_m2": [12.0], "method": ["hot_wash"],
    ...     "coating_allowed": [True], "access": ["ground"], "traffic_control": [False]})
    >>> costs = compare_strategies(place, horizon_years=10, rng=np.random.default_rng(1))
    >>> costs.loc[costs["cheapest"], "strategy"].tolist()
    ['permanent_coating']
    """
    parameters = parameters or load_parameters()
    comparison = compare_by_formula(costing, strategies=strategies, horizon_years=horizon_years,
                                    schedule=schedule, parameters=parameters)
    simulated = simulate(
        comparison.pieces, [e.weights for e in comparison.expected], shape=comparison.shape,
        rate_years=comparison.rate_years, draws=int(draws or parameters["costs.draws"]),
        level=parameters["costs.interval_level"], rng=rng, n_jobs=n_jobs)
    table = strategy_table(comparison, simulated, parameters=parameters)
    check(table, "strategy_costs", where="costs.compare_strategies")
    return table


def strategy_table(comparison: Comparison, simulated: Simulated, *,
                   parameters: Parameters) -> pd.DataFrame:
    """Put formula and simulation together as the `strategy_costs` table."""
    losses = expected_losses(comparison.pieces, comparison.expected, shape=comparison.shape,
                             rate_years=comparison.rate_years)
    frames = [_one_strategy(comparison, simulated, losses, number, parameters)
              for number in range(len(comparison.strategies))]
    order = np.arange(len(comparison.costing)).repeat(len(frames))
    stacked = pd.concat(frames, ignore_index=True)
    by_place = np.arange(len(stacked)).reshape(len(frames), -1).T.ravel()
    table = stacked.iloc[by_place].reset_index(drop=True)
    usable = table["pv_mean"].where(table["allowed"])
    table["cheapest"] = usable.groupby(order).rank(method="first") == 1
    return table


def _one_strategy(comparison: Comparison, simulated: Simulated, losses: Numbers, number: int,
                  parameters: Parameters) -> pd.DataFrame:
    pieces, expected = comparison.pieces[number], comparison.expected[number]
    base = comparison.expected[comparison.baseline]
    same = number == comparison.baseline
    ratio = savings_ratio(expected, base)
    missing = np.full(len(ratio), np.nan)
    rates = missing if same else breakeven_rates(
        pieces, expected.weights, comparison.pieces[comparison.baseline], base.weights,
        highest_rate=parameters["costs.breakeven_rate_limit"])
    return pd.DataFrame({
        "place_id": comparison.costing["place_id"],
        "strategy": comparison.strategies[number].name,
        "pv_mean": expected.present_value,
        "pv_low": simulated.low[:, number], "pv_high": simulated.high[:, number],
        "annual_cost": expected.present_value / comparison.timeline.annuity,
        "chance_cheapest": simulated.chance_cheapest[:, number],
        "breakeven_rate_per_year": rates,
        "first_cost": expected.by_year[:, 0],
        "payback_year": missing if same else payback_years(expected, base),
        "wash_water_l": expected.water_l,
        "allowed": pieces.allowed, "why_not": pd.Series(pieces.why_not, dtype="str"),
        "expected_loss": losses[:, number],
        "savings_ratio": ratio,
        "yearly_yield": adjusted_internal_rate_of_return(
            ratio, discount_rate=parameters["costs.discount_rate"],
            n_years=comparison.timeline.years),
        "saving": base.present_value - expected.present_value,
        "crew_hours_first": pieces.hours,
    })
