"""The re-hit rate at which two strategies cost the same."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.expected import cost_at_rates
from rehit.costs.pieces import Pieces, Weights, make_pieces, make_weights
from rehit.costs.rates import checked_costing, require_rates
from rehit.costs.renewals import BATCH
from rehit.costs.strategies import Strategy, load_strategies
from rehit.costs.timeline import make_timeline
from rehit.parameters import Parameters, load_parameters

Numbers = NDArray[np.float64]
GRID = 160  # rates looked at for a change of sign, evenly spaced in their square roots
HALVINGS = 44  # narrows a bracket of any width below a millionth of an incident a year


def breakeven_rates(piece: Pieces, weights: Weights, other: Pieces, other_weights: Weights, *,
                    highest_rate: float) -> Numbers:
    """Return the lowest yearly rate at which two strategies cost the same, place by place.

    Returns
    -------
    numpy.ndarray
        Shape (places,). NaN where the first strategy is never the cheaper one up to
        `highest_rate`; 0 where it is at every rate.
    """
    result = np.empty(len(weights.fixed))
    for start in range(0, len(result), BATCH):
        part = slice(start, start + BATCH)
        result[part] = _batch(piece.at(part), weights.at(part), other.at(part),
                              other_weights.at(part), highest_rate)
    return result


def _batch(piece: Pieces, weights: Weights, other: Pieces, other_weights: Weights,
           highest_rate: float) -> Numbers:
    def gap(rates: Numbers) -> Numbers:
        return cost_at_rates(piece, weights, rates) - cost_at_rates(other, other_weights, rates)

    grid = np.linspace(0, np.sqrt(highest_rate), GRID)[1:] ** 2
    cheaper = gap(grid[None, :]) < 0
    changes = cheaper[:, 1:] != cheaper[:, :-1]
    at = changes.argmax(axis=1)
    low, high = grid[at].copy(), grid[at + 1].copy()
    starts_cheaper = cheaper[np.arange(len(at)), at]
    # The lowest stretch, from zero to the first grid point, may hide a change of its own.
    at_zero = gap(np.zeros((1, 1)))[:, 0]
    hidden = (at_zero > 0) & cheaper[:, 0]
    low[hidden], high[hidden], starts_cheaper[hidden] = 0.0, grid[0], False
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        same_side = (gap(middle[:, None])[:, 0] < 0) == starts_cheaper
        low, high = np.where(same_side, middle, low), np.where(same_side, high, middle)
    found = changes.any(axis=1) | hidden
    always = np.where(cheaper.all(axis=1), 0.0, np.nan)
    return np.where(found, (low + high) / 2, always)


def breakeven_table(costing: pd.DataFrame, *,
                    strategies: Sequence[Strategy] | None = None,
                    horizon_years: int | None = None,
                    parameters: Parameters | None = None) -> pd.DataFrame:
    """Return the break-even re-hit rate of every strategy against every other, place by place.

    Parameters
    ----------
    costing
        The `costing` table.
    strategies
        Default: the shipped ones.
    horizon_years
        Default: ``costs.horizon_years``.
    parameters
        Default: the shipped ones.

    Returns
    -------
    pandas.DataFrame
        The `breakevens` table: place_id, strategy, other_strategy, rate_per_year (NaN: never
        cheaper; 0: always).
    """
    parameters = parameters or load_parameters()
    require_rates(parameters)
    costing = checked_costing(costing, where="costs.breakeven_table")
    chosen = strategies or load_strategies(parameters=parameters)
    years = int(horizon_years or parameters["costs.horizon_years"])
    timeline = make_timeline(years, parameters=parameters)
    pieces = make_pieces(costing, chosen, parameters=parameters)
    weights = [make_weights(p, timeline, parameters=parameters) for p in pieces]
    limit = parameters["costs.breakeven_rate_limit"]
    parts = [pd.DataFrame({
        "place_id": costing["place_id"], "strategy": chosen[i].name,
        "other_strategy": chosen[j].name,
        "rate_per_year": breakeven_rates(pieces[i], weights[i], pieces[j], weights[j],
                                         highest_rate=limit),
    }) for i, j in permutations(range(len(chosen)), 2)]
    return pd.concat(parts, ignore_index=True).sort_values(
        ["place_id", "strategy", "other_strategy"], ignore_index=True)
