"""The tables behind the figures of cost over the years and cost per rate."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from shot_noise import random_events_present_value

from rehit.costs.doubt import Doubt
from rehit.costs.lifecycle import compare_strategies
from rehit.costs.strategies import load_strategies
from rehit.outputs.costs import cost_years, rate_costs
from rehit.parameters import load_parameters

RATE, YEARS = 8.0, 5
NUMBERS = load_parameters().override({
    **{f"costs.escalation_{kind}": 0.0 for kind in ("labour", "materials", "plant", "water")},
    "costs.horizon_years": YEARS, "costs.draws": 20_000, "costs.incidents_per_visit": 1,
    "pipeline.shown_rate_limit": 20})
# A rate that is all but certain: what is left to chance are the markings themselves.
PLACE = pd.DataFrame({
    "place_id": ["W1"], "gamma_shape": [1e9], "gamma_rate_years": [1e9 / RATE],
    "mark_area_m2": [1.5], "wall_area_m2": [12.0], "method": ["hot_wash"],
    "coating_allowed": [True], "access": ["ground"], "traffic_control": [False]})


AS_STATED = Doubt((), np.ones((0, 1)))


@pytest.fixture(scope="module")
def chain() -> Any:
    strategies = load_strategies(None, parameters=NUMBERS)
    costs = compare_strategies(PLACE, strategies=strategies, parameters=NUMBERS,
                               rng=np.random.default_rng(1), n_jobs=1)
    return SimpleNamespace(costing=PLACE, cost_parameters=NUMBERS, parameters=NUMBERS,
                           strategies=strategies, strategy_costs=costs, doubt=AS_STATED,
                           rng=lambda _step: np.random.default_rng(2))


def test_cost_at_a_rate_is_that_of_a_place_known_to_have_it(chain: Any) -> None:
    shown = rate_costs(chain)
    assert shown["rate_per_year"].max() == 20
    at = shown[shown["rate_per_year"] == RATE].set_index("strategy")["annual_cost"]
    known = chain.strategy_costs.set_index("strategy")["annual_cost"]
    assert at.to_dict() == pytest.approx(known.to_dict(), rel=1e-4)


def test_band_of_cost_so_far_against_campbell_s_theorem(chain: Any) -> None:
    """Removing only: shot noise of 40 markings, near normal; 10 % and 90 % lie 1.2816 sd away."""
    table = cost_years(chain, n_places=1).set_index(["strategy", "year"])
    last = table.loc[("remove_each_time", float(YEARS))]
    mean, sd = random_events_present_value(
        rate_per_year=RATE, cost=1.0, discount_rate=NUMBERS["costs.discount_rate"],
        horizon_years=YEARS)
    assert (last["cost_high"] - last["cost_low"]) / last["cost_mean"] == pytest.approx(
        2 * 1.2816 * sd / mean, rel=0.05)
    assert table.loc["remove_each_time", "cost_mean"].is_monotonic_increasing
    assert last["n_places"] == 1
