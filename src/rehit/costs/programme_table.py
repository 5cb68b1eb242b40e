"""The programme as a table, with the interval of what each place and all together save."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.decisions import payback_years
from rehit.costs.programme_model import Candidates
from rehit.costs.prospects import Prospects
from rehit.costs.uncertainty import simulated_costs
from rehit.parameters import Parameters

Numbers = NDArray[np.float64]
BLOCK_PLACES = 200  # places simulated at once, to bound memory


def programme_table(prospects: Prospects, chosen: NDArray[np.bool_], parameters: Parameters,
                    rng: np.random.Generator) -> pd.DataFrame:
    """Return the chosen candidates as a table, most saved per unit of first cost on top."""
    picked = prospects.candidates.keep(chosen)
    first = prospects.comparisons[0]
    names = np.array([s.name for s in first.strategies])
    annuity = first.timeline.annuity
    payback, low, high = np.full((3, len(picked.place)), np.nan)
    for rows, futures in _futures(prospects, picked, parameters, rng):
        ends = np.quantile(futures, _ends(parameters), axis=1)
        low[rows], high[rows] = ends
        payback[rows] = _payback(prospects, picked, rows)
    table = pd.DataFrame({
        "place_id": first.costing["place_id"].to_numpy(str)[picked.place],
        "strategy": names[picked.strategy], "year": picked.year + 1,
        "instead_of": names[prospects.instead_of[picked.place]],
        "first_cost": picked.cost, "crew_hours": picked.hours, "saving": picked.saving[:, 0],
        "saving_per_year": picked.saving[:, 0] / annuity, "saving_low": low / annuity,
        "saving_high": high / annuity, "payback_year": payback,
        "saving_per_cost": picked.saving[:, 0] / picked.cost})
    return table.sort_values(["saving_per_cost", "place_id"], ascending=[False, True],
                             ignore_index=True)


def _payback(prospects: Prospects, picked: Candidates, rows: NDArray[np.int64]) -> Numbers:
    comparison = prospects.comparisons[int(picked.year[rows[0]])]
    years = comparison.timeline.years
    found = np.full(len(rows), np.nan)
    for number in np.unique(picked.strategy[rows]):
        for other in np.unique(prospects.instead_of[picked.place[rows]]):
            both = (picked.strategy[rows] == number) & (
                prospects.instead_of[picked.place[rows]] == other)
            paid = payback_years(comparison.expected[number], comparison.expected[other])
            found[both] = paid[picked.place[rows][both]]
    return np.where(found <= years, found, np.nan)


def total_interval(prospects: Prospects, chosen: NDArray[np.bool_], parameters: Parameters,
                   rng: np.random.Generator) -> tuple[float, float]:
    """Return the interval of the present value that the chosen candidates save together.

    Places are simulated independently of each other: a rate that falls in the whole town at once
    is looked at by the robust choice instead.
    """
    picked = prospects.candidates.keep(chosen)
    total = np.zeros(int(parameters["costs.draws"]))
    for _, futures in _futures(prospects, picked, parameters, rng):
        total += futures.sum(axis=0)
    low, high = np.quantile(total, _ends(parameters))
    return float(low), float(high)


def _futures(prospects: Prospects, picked: Candidates, parameters: Parameters,
             rng: np.random.Generator) -> Iterator[tuple[NDArray[np.int64], Numbers]]:
    """Yield positions among the picked, and their simulated savings, shape (places, draws)."""
    draws = int(parameters["costs.draws"])
    for year in np.unique(picked.year):
        comparison = prospects.comparisons[year]
        weights = [e.weights for e in comparison.expected]
        here = np.flatnonzero(picked.year == year)
        for start in range(0, len(here), BLOCK_PLACES):
            rows = here[start:start + BLOCK_PLACES]
            place = picked.place[rows]
            costs = simulated_costs(
                comparison.pieces, weights, rows=place, shape=comparison.shape[place],
                rate_years=comparison.rate_years[place], draws=draws, rng=rng)
            number = np.arange(len(rows))
            yield rows, (costs[prospects.instead_of[place], number].astype(float)
                         - costs[picked.strategy[rows], number])


def _ends(parameters: Parameters) -> list[float]:
    tail = (1 - parameters["costs.interval_level"]) / 2
    return [tail, 1 - tail]
