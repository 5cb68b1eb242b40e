"""The re-hit rate at which two strategies cost the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.expected import cost_at_rates
from rehit.costs.pieces import Pieces, Rows, Weights, make_pieces, make_weights
from rehit.costs.rates import checked_costing, require_rates
from rehit.costs.renewals import BATCH
from rehit.costs.strategies import Strategy, load_strategies
from rehit.costs.timeline import make_timeline
from rehit.parameters import Parameters, load_parameters

Numbers = NDArray[np.float64]
GRID = 160  # rates looked at for a change of sign, evenly spaced in their square roots
HALVINGS = 14  # narrows a bracket so far that a straight line does the rest


def breakeven_rates(piece: Pieces, weights: Weights, other: Pieces, other_weights: Weights, *,
                    highest_rate: float) -> Numbers:
    """Return the lowest yearly rate at which two strategies cost the same, place by place.

    Returns
    -------
    numpy.ndarray
        Shape (places,). NaN where the first strategy is never the cheaper one up to
        `highest_rate`; 0 where it is at every rate.
    """
    def gap(rates: Numbers, rows: Rows = slice(None)) -> Numbers:
        return (cost_at_rates(piece.at(rows), weights.at(rows), rates)
                - cost_at_rates(other.at(rows), other_weights.at(rows), rates))

    grid = np.linspace(0, np.sqrt(highest_rate), GRID)[1:] ** 2
    size = len(weights.fixed)
    parts = [_bracket(gap, grid, np.arange(start, min(start + BATCH, size)))
             for start in range(0, size, BATCH)]
    if not parts:
        return np.zeros(0)
    low, high, starts_cheaper, answer = (np.concatenate(p) for p in zip(*parts, strict=True))
    open_rows = np.flatnonzero(np.isinf(answer))
    low, high, starts_cheaper = low[open_rows], high[open_rows], starts_cheaper[open_rows]
    for _ in range(HALVINGS if len(open_rows) else 0):
        middle = (low + high) / 2
        same_side = (gap(middle[:, None], open_rows)[:, 0] < 0) == starts_cheaper
        low, high = np.where(same_side, middle, low), np.where(same_side, high, middle)
    if len(open_rows):
        at_low, at_high = (gap(rate[:, None], open_rows)[:, 0] for rate in (low, high))
        rise = np.where(at_high == at_low, 1.0, at_high - at_low)
        answer[open_rows] = np.clip(low - at_low * (high - low) / rise, low, high)
    return answer


def _bracket(gap: Callable[[Numbers, Rows], Numbers], grid: Numbers,
             rows: NDArray[np.int64]) -> tuple[Numbers, Numbers, NDArray[np.bool_], Numbers]:
    """Return two rates around the lowest break-even, and the answer where there is none (else inf).
    """
    cheaper = gap(grid[None, :], rows) < 0
    changes = cheaper[:, 1:] != cheaper[:, :-1]
    at = changes.argmax(axis=1)
    low, high = grid[at].copy(), grid[at + 1].copy()
    starts_cheaper = cheaper[np.arange(len(at)), at]
    # The lowest stretch, from zero to the first grid point, may hide a change of its own.
    hidden = (gap(np.zeros((1, 1)), rows)[:, 0] > 0) & cheaper[:, 0]
    low[hidden], high[hidden], starts_cheaper[hidden] = 0.0, grid[0], False
    answer = np.where(cheaper.all(axis=1), 0.0, np.nan)
    answer[changes.any(axis=1) | hidden] = np.inf
    return low, high, starts_cheaper, answer


def breakeven_table(costing: pd.DataFrame, *,
                    strategies: Sequence[Strategy] | Path | str | None = None,
                    horizon_years: int | None = None,
                    parameters: Parameters | None = None) -> pd.DataFrame:
    """Return the break-even re-hit rate of every strategy against every other, place by place.

    Parameters
    ----------
    costing
        The `costing` table.
    strategies
        A file to load them from, or the strategies themselves; default the shipped ones.
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
    chosen = (load_strategies(strategies, parameters=parameters)
              if strategies is None or isinstance(strategies, Path | str) else strategies)
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
