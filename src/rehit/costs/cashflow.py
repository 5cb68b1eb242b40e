"""Cash flows year by year and line by line, for a reader who wants to add them up."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.expected import renewals_of
from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.pieces import Pieces, planned_years
from rehit.costs.rates import LINES
from rehit.costs.strategies import Strategy
from rehit.costs.timeline import Timeline, make_timeline
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

Numbers = NDArray[np.float64]
ITEMS = ("first cost", "cleaning", "upkeep", "planned repaint", "renewal at a cleaning",
         "renewal by age", "credit for unused life")


def cash_flow_table(costing: pd.DataFrame, *,
                    strategies: Sequence[Strategy] | Path | str | None = None,
                    horizon_years: int | None = None, schedule: str | None = None,
                    nominal: bool = False, parameters: Parameters | None = None) -> pd.DataFrame:
    """Return the expected cash flows of every strategy at every place.

    Parameters
    ----------
    costing
        The `costing` table.
    strategies, horizon_years, schedule, parameters
        As for :func:`rehit.costs.lifecycle.compare_by_formula`.
    nominal
        Show money of the day instead of today's prices. Present values are the same.

    Returns
    -------
    pandas.DataFrame
        The `cash_flows` table: place_id, strategy, year (0 = now), item, line, amount, discounted.
        The discounted amounts of a strategy add up to its ``pv_mean``. Empty lines are left out.
    """
    parameters = parameters or load_parameters()
    comparison = compare_by_formula(costing, strategies=strategies, horizon_years=horizon_years,
                                    schedule=schedule, parameters=parameters)
    timeline = make_timeline(comparison.timeline.years, parameters=parameters, schedule=schedule,
                             nominal=nominal)
    frames = [
        _long(item, amounts, discounted, comparison.costing["place_id"], strategy.name)
        for strategy, pieces in zip(comparison.strategies, comparison.pieces, strict=True)
        for item, amounts, discounted in _items(pieces, timeline, comparison.shape,
                                                comparison.rate_years, parameters)]
    table = pd.concat(frames, ignore_index=True)
    table = table[table["amount"] != 0]
    order = {name: number for number, name in enumerate(s.name for s in comparison.strategies)}
    rank = table["strategy"].map(order)
    table = table.assign(_rank=rank).sort_values(["place_id", "_rank", "year"], kind="stable")
    table = table.drop(columns="_rank").reset_index(drop=True)
    check(table, "cash_flows", where="costs.cash_flow_table")
    return table


def _items(pieces: Pieces, timeline: Timeline, shape: Numbers, rate_years: Numbers,
           parameters: Parameters) -> list[tuple[str, Numbers, Numbers]]:
    """Return item, amounts and discounted amounts, each of shape (places, lines, years + 1)."""
    years = timeline.years
    thinned = rate_years / max(1 - pieces.effect_on_rate, 1e-12)
    renewals = renewals_of(pieces, shape=shape, rate_years=thinned, years=years)
    events = np.repeat((shape / thinned)[:, None], years, axis=1)
    always = np.ones_like(events)
    due = planned_years(pieces.planned_every, years).astype(float)
    running = (timeline.growth_running, timeline.running)
    ends = (timeline.growth_year_end, timeline.year_end)
    found = [("first cost", *_at_start(pieces.first, timeline)),
             ("cleaning", *_spread(pieces.per_cleaning, events, running)),
             ("upkeep", *_spread(pieces.yearly, always, running)),
             ("planned repaint", *_spread(pieces.planned, due, ends))]
    if pieces.renewing is None:
        return found
    lines = pieces.renewing.lines
    found.append(("renewal at a cleaning", *_spread(lines, renewals.by_cleaning, running)))
    if pieces.renewing.pays_at_reset:
        found.append(("renewal by age", *_spread(lines, renewals.by_age, ends)))
    if pieces.renewing.credited:
        at_end = np.zeros_like(events)
        at_end[:, -1] = -parameters["costs.residual_share"] * renewals.unused
        found.append(("credit for unused life", *_spread(lines, at_end, ends)))
    return found


def _at_start(lines: Numbers, timeline: Timeline) -> tuple[Numbers, Numbers]:
    shape = (*lines.shape, timeline.years + 1)
    amounts, discounted = np.zeros(shape), np.zeros(shape)
    amounts[:, :, 0], discounted[:, :, 0] = lines * timeline.growth_start, lines * timeline.start
    return amounts, discounted


def _spread(lines: Numbers, times: Numbers,
            factors: tuple[Numbers, Numbers]) -> tuple[Numbers, Numbers]:
    growth, present = factors
    events = lines[:, :, None] * times[:, None, :]
    empty = np.zeros((*lines.shape, 1))
    return (np.concatenate([empty, events * growth], axis=2),
            np.concatenate([empty, events * present], axis=2))


def _long(item: str, amounts: Numbers, discounted: Numbers, places: pd.Series,
          strategy: str) -> pd.DataFrame:
    place, line, year = np.nonzero(amounts)
    return pd.DataFrame({
        "place_id": places.to_numpy()[place], "strategy": strategy, "year": year, "item": item,
        "line": np.array(LINES)[line], "amount": amounts[place, line, year],
        "discounted": discounted[place, line, year]})
