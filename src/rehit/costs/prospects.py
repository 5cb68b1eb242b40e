"""What could be covered, where and when, with what it would save: the input of the programme."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.lifecycle import Comparison, compare_by_formula
from rehit.costs.programme_model import Candidates
from rehit.costs.strategies import Strategy, load_strategies
from rehit.errors import SettingError
from rehit.parameters import Parameters

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Prospects:
    """Candidates, and the comparisons they come from.

    Attributes
    ----------
    candidates
        Places where an allowed strategy with a first cost saves money on average.
    comparisons
        One per starting year: the strategies from that year to the horizon.
    instead_of
        Position, per place, of the strategy that would otherwise be followed: the cheapest
        allowed one without a first cost.
    """

    candidates: Candidates
    comparisons: tuple[Comparison, ...]
    instead_of: NDArray[np.int64]


def find_prospects(costing: pd.DataFrame, *,
                   strategies: Sequence[Strategy] | Path | str | None, years: int,
                   horizon_years: int, scenarios: bool, parameters: Parameters) -> Prospects:
    """Return every covering that would save money on average, for each starting year.

    A place covered in year t keeps its present strategy until then; the saving is the present
    value, to the same horizon, of what is no longer spent on that strategy less what the covering
    and its upkeep cost. Planned repaints are counted from the year of covering.

    Raises
    ------
    SettingError
        If the programme is longer than the horizon.
    """
    if not 1 <= years <= horizon_years:
        raise SettingError("programme years", got=str(years),
                           allowed=f"1 to the horizon of {horizon_years} years",
                           remedy="shorten the programme or lengthen the horizon")
    if strategies is None or isinstance(strategies, Path | str):
        strategies = load_strategies(strategies, parameters=parameters)
    comparisons = tuple(
        compare_by_formula(costing, strategies=strategies, horizon_years=horizon_years - start,
                           start_year=start, parameters=parameters) for start in range(years))
    instead_of = cheapest_without_first_cost(comparisons[0])
    savings = [_savings(c, instead_of) for c in comparisons]
    stacked = [[saving] for saving in savings]
    if scenarios:
        for name in ("rate_scenario_low", "rate_scenario_high"):
            shifted = costing.assign(
                gamma_rate_years=costing["gamma_rate_years"] / parameters[f"costs.{name}"])
            for start in range(years):
                stacked[start].append(_savings(compare_by_formula(
                    shifted, strategies=strategies, horizon_years=horizon_years - start,
                    start_year=start, parameters=parameters), instead_of))
    return Prospects(_candidates(comparisons, stacked), comparisons, instead_of)


def cheapest_without_first_cost(comparison: Comparison) -> NDArray[np.int64]:
    """Return per place the position of the cheapest allowed strategy that needs no first cost."""
    values = np.column_stack([
        np.where(pieces.allowed & (pieces.first.sum(axis=1) == 0), expected.present_value, np.inf)
        for pieces, expected in zip(comparison.pieces, comparison.expected, strict=True)])
    return values.argmin(axis=1)


def _savings(comparison: Comparison, instead_of: NDArray[np.int64]) -> Numbers:
    values = np.column_stack([e.present_value for e in comparison.expected])
    return np.take_along_axis(values, instead_of[:, None], axis=1) - values


def _candidates(comparisons: Sequence[Comparison], stacked: Sequence[list[Numbers]]) -> Candidates:
    parts: list[Candidates] = []
    for start, (comparison, savings) in enumerate(zip(comparisons, stacked, strict=True)):
        for number, pieces in enumerate(comparison.pieces):
            cost = pieces.first @ comparison.timeline.growth_start
            saving = np.column_stack([scenario[:, number] for scenario in savings])
            rows = np.flatnonzero(pieces.allowed & (cost > 0) & (saving[:, 0] > 0))
            parts.append(Candidates(rows, np.full(len(rows), number), np.full(len(rows), start),
                                    saving[rows], cost[rows], pieces.hours[rows]))
    return Candidates(*(np.concatenate([getattr(p, name) for p in parts])
                        for name in ("place", "strategy", "year", "saving", "cost", "hours")))
