"""Strategy costs and the coating programme, as tables, files and sentences."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from rehit.costs.breakeven import breakeven_table
from rehit.costs.cashflow import cash_flow_table
from rehit.costs.expected import cost_at_rates
from rehit.costs.lifecycle import BASELINE, Comparison, compare_by_formula
from rehit.costs.sensitivity import tornado
from rehit.costs.uncertainty import simulated_costs
from rehit.costs.worked_example import write_worked_example
from rehit.errors import SettingError
from rehit.pipeline.chain import Chain
from rehit.pipeline.outputs import write_csv, write_parquet
from rehit.pipeline.programme_words import programme_sentence


def write_comparison(chain: Chain, stage: Path, *,
                     horizon_years: int | None) -> dict[str, Any]:
    """Compare the strategies and write the tables and the worked example into `stage`.

    ``what_to_measure.csv`` moves one number at a time over its range, at the place with the
    largest saving, widest first: the number on top is the one to go and measure.
    """
    if horizon_years is not None:
        chain.set_parameter("costs.horizon_years", horizon_years, where="--horizon-years")
    costs, numbers = chain.strategy_costs, chain.cost_parameters
    strategies = chain.project.path("strategies")
    write_csv(costs, stage / "strategy_costs.csv")
    write_parquet(costs, stage / "strategy_costs.parquet")
    write_csv(chain.costing, stage / "costing.csv")
    write_csv(breakeven_table(chain.costing, strategies=strategies, parameters=numbers),
              stage / "breakeven.csv")
    write_csv(chain.advice, stage / "advice.csv")
    cheapest = costs[costs["cheapest"]]
    if len(cheapest):
        # The place where most is at stake is the one an accountant will ask about.
        top = cheapest.sort_values("saving", ascending=False).iloc[0]
        shown = chain.costing[chain.costing["place_id"] == top["place_id"]]
        if top["strategy"] != BASELINE:
            write_csv(tornado(shown, strategy=str(top["strategy"]), strategies=strategies,
                              parameters=numbers), stage / "what_to_measure.csv")
        write_csv(cash_flow_table(shown, strategies=strategies, parameters=numbers),
                  stage / "cash_flow.csv")
        write_worked_example(stage / "worked_example.xlsx", shown, strategies=strategies,
                             parameters=numbers)
    return {
        "project": chain.project.name,
        "horizon_years": chain.parameters["costs.horizon_years"],
        "n_places": int(cheapest["place_id"].nunique()),
        "cheapest": {str(k): int(v) for k, v in cheapest["strategy"].value_counts().items()},
        "saving": round(float(cheapest["saving"].sum()), 2),
        "sentences": [*cost_sentences(chain), *chain.limits],
    }


def cost_sentences(chain: Chain) -> list[str]:
    """Say in plain words where changing the strategy pays."""
    costs, money = chain.strategy_costs, chain.project.currency
    years = chain.parameters["costs.horizon_years"]
    if costs.empty:
        return ["No place can be costed: no incident of this log is tied to a place.", ""]
    best = costs[costs["cheapest"]]
    change = best[(best["strategy"] != BASELINE) & (best["saving"] > 0)]
    base = float(costs.loc[costs["strategy"] == BASELINE, "pv_mean"].sum())
    if change.empty:
        return [f"Removing each marking as it comes costs about {money}{base:,.0f} over "
                f"{years:g} years (present value), and no other way is cheaper anywhere.", ""]
    named = change["strategy"].value_counts()
    kinds = ", ".join(f"{str(name).replace('_', ' ')} on {count:,}"
                      for name, count in named.items())
    top = change.sort_values("saving", ascending=False).iloc[0]
    return [
        f"Removing each marking as it comes costs about {money}{base:,.0f} over {years:g} years "
        f"(present value); another way is cheaper on average on {len(change):,} of {len(best):,} "
        f"places ({kinds}) and saves about {money}{change['saving'].sum():,.0f}.",
        f"The largest saving is at {top['place_id']}: {top['strategy'].replace('_', ' ')} saves "
        f"about {money}{top['saving']:,.0f} ({top['chance_cheapest']:.0%} sure to be cheapest). "
        "No effect of coating on how often a wall is hit is assumed.",
    ]


def cost_years(chain: Chain, *, n_places: int) -> pd.DataFrame:
    """Return the present value paid so far, year by year, for the worst places together."""
    costing = chain.costing.head(n_places)
    # Without a credit for unused coating: the figure shows money paid out so far.
    numbers = chain.cost_parameters.override({"costs.residual_share": 0.0})
    rows = []
    for year in range(1, int(numbers["costs.horizon_years"]) + 1):
        compared = compare_by_formula(costing, strategies=chain.project.path("strategies"),
                                      horizon_years=year, parameters=numbers)
        totals = _simulated_totals(compared, draws=int(numbers["costs.draws"]),
                                   rng=chain.rng("cost years"))
        for strategy, expected, futures in zip(compared.strategies, compared.expected, totals,
                                               strict=True):
            low, high = np.quantile(futures, [0.1, 0.9])
            rows.append((strategy.name, float(year), float(expected.present_value.sum()),
                         float(low), float(high)))
    table = pd.DataFrame(rows, columns=["strategy", "year", "cost_mean", "cost_low", "cost_high"])
    return table.assign(n_places=len(costing))


def _simulated_totals(compared: Comparison, *, draws: int,
                      rng: np.random.Generator) -> np.ndarray:
    return simulated_costs(
        compared.pieces, [e.weights for e in compared.expected],
        rows=np.arange(len(compared.costing)), shape=compared.shape,
        rate_years=compared.rate_years, draws=draws, rng=rng).sum(axis=1)


def rate_costs(chain: Chain, *, highest_rate: float = 20.0, steps: int = 41) -> pd.DataFrame:
    """Return the yearly cost of each strategy at a range of known rates, at a typical place.

    Typical: the place of median surface among those where a coating is cheapest, or where it is
    nowhere, among those that allow one.
    """
    costing, costs = chain.costing, chain.strategy_costs
    pays = costing["place_id"].isin(
        costs.loc[costs["cheapest"] & (costs["first_cost"] > 0), "place_id"])
    pool = next((rows for rows in (costing[pays], costing[costing["coating_allowed"]])
                 if len(rows)), costing)
    typical = pool.sort_values(["wall_area_m2", "place_id"]).iloc[[len(pool) // 2]]
    compared = compare_by_formula(typical, strategies=chain.project.path("strategies"),
                                  parameters=chain.cost_parameters)
    rates = np.linspace(0.0, highest_rate, steps)
    years = compared.timeline.years
    rate = chain.parameters["costs.discount_rate"]
    annuity = years if rate == 0 else (1 - (1 + rate) ** -years) / rate
    tables = [pd.DataFrame({
        "strategy": strategy.name, "rate_per_year": rates,
        "annual_cost": cost_at_rates(piece, expected.weights, rates[None, :])[0] / annuity,
        "surface_m2": float(typical["wall_area_m2"].iloc[0]),
    }) for strategy, piece, expected in zip(compared.strategies, compared.pieces,
                                            compared.expected, strict=True)]
    return pd.concat(tables, ignore_index=True)


def write_programme(chain: Chain, stage: Path, *, budget_per_year: float | None,
                    years: int) -> dict[str, Any]:
    """Choose the coating programme and write it into `stage`."""
    if years < 1:
        raise SettingError("--years", got=str(years), allowed="a whole number from 1",
                           remedy="give the number of budget years")
    if budget_per_year is not None:
        chain.set_parameter("costs.programme_budget", budget_per_year, where="--budget-per-year")
    found = chain.programme(years=years)
    write_csv(found.table, stage / "programme.csv")
    write_csv(chain.budget_sweep(years=years), stage / "budget_sweep.csv")
    money = chain.project.currency
    return {
        "project": chain.project.name,
        "budget_per_year": chain.parameters["costs.programme_budget"],
        "years": years, "n_places": len(found.table), "saving": round(found.saving, 2),
        "saving_greedy": round(found.saving_greedy, 2),
        "sentences": [
            programme_sentence(chain, found, years=years),
            f"Taking the best-looking places first would save {money}{found.saving_greedy:,.0f}.",
            *chain.limits],
    }
