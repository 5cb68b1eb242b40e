"""Simulation against formula, and the promises of the simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from rehit.costs.lifecycle import (
    Comparison,
    Simulated,
    compare_by_formula,
    simulate,
    simulated_costs,
)
from rehit.costs.strategies import Strategy, load_strategies
from rehit.parameters import load_parameters

PARAMETERS = load_parameters().override({
    "costs.permanent_life_years": 6, "costs.permanent_life_cleanings": 9,
    "costs.planned_repaint_years": 8, "costs.escalation_labour": 0.02,
    "costs.escalation_materials": -0.01})


def all_strategies() -> list[Strategy]:
    """The shipped ones, and measures that lower and raise the rate."""
    lamp = Strategy(name="lamp", meaning="lighting", first_cost=900, yearly_cost=40, life_years=7,
                    effect_on_rate=0.3)
    mural = Strategy(name="mural", meaning="a mural", first_cost=700, life_years=9,
                     life_cleanings=12, effect_on_rate=-0.2)
    return [*load_strategies(parameters=PARAMETERS), lamp, mural]


def run(comparison: Comparison, *, draws: int, seed: int, n_jobs: int = 1) -> Simulated:
    return simulate(comparison.pieces, [e.weights for e in comparison.expected],
                    shape=comparison.shape, rate_years=comparison.rate_years, draws=draws,
                    level=0.8, rng=np.random.default_rng(seed), n_jobs=n_jobs)


def test_simulation_agrees_with_the_formula_on_200_places_and_all_strategies(make_places) -> None:
    """(mean - formula) / standard error: mean square 0.8-1.25, none beyond 4."""
    costing = make_places(200, np.random.default_rng(20))
    comparison = compare_by_formula(costing, strategies=all_strategies(), horizon_years=10,
                                    parameters=PARAMETERS)
    simulated = run(comparison, draws=6000, seed=21)
    formula = np.column_stack([e.present_value for e in comparison.expected])
    score = (simulated.mean - formula) / simulated.standard_error
    assert score.shape == (200, 7)
    assert 0.8 <= (score**2).mean() <= 1.25
    assert ((score**2).mean(axis=0) > 0.7).all()
    assert ((score**2).mean(axis=0) < 1.4).all()
    assert np.abs(score).max() < 4


def test_constant_costs_of_a_known_rate_against_campbells_theorem(one_wall) -> None:
    """From memory: Poisson 4/y, cost 100, 5 %, 10 y: mean 3165.28, deviation 505.40."""
    known = one_wall.assign(gamma_shape=4e8, gamma_rate_years=1e8)
    parameters = load_parameters().override({"costs.discount_rate": 0.05})
    strategy = load_strategies(parameters=parameters)[0]
    comparison = compare_by_formula(known, strategies=[strategy], parameters=parameters)
    weights = comparison.expected[0].weights
    # Scaled so that one cleaning costs 100 in today's money.
    scale = 100 / comparison.pieces[0].per_cleaning.sum()
    costs = scale * simulated_costs(
        comparison.pieces, [weights], rows=np.array([0]), shape=comparison.shape,
        rate_years=comparison.rate_years, draws=50_000, rng=np.random.default_rng(4))[0, 0]
    assert scale * comparison.expected[0].present_value[0] == pytest.approx(3165.28, rel=1e-4)
    assert costs.mean() == pytest.approx(3165.28, abs=4 * 505.40 / 50_000**0.5)
    assert costs.std() == pytest.approx(505.40, rel=0.012)


def test_all_strategies_meet_the_same_markings(one_wall) -> None:
    """Removing at double the unit cost costs double in every single future."""
    base = load_strategies(parameters=PARAMETERS)[0]
    double = replace(base, name="twice", cleaning_share=1.0)
    comparison = compare_by_formula(one_wall, strategies=[base, double], parameters=PARAMETERS)
    weights = [e.weights for e in comparison.expected]
    weights[1] = replace(weights[1], cleaning=2 * weights[1].cleaning)
    first, second = simulated_costs(
        comparison.pieces, weights, rows=np.array([0]), shape=comparison.shape,
        rate_years=comparison.rate_years, draws=500, rng=np.random.default_rng(1))
    assert second == pytest.approx(2 * first, rel=1e-5)


def test_number_of_threads_does_not_change_the_result(make_places) -> None:
    costing = make_places(300, np.random.default_rng(7))
    comparison = compare_by_formula(costing, parameters=PARAMETERS)
    one, two = (run(comparison, draws=400, seed=3, n_jobs=n) for n in (1, 2))
    assert np.array_equal(one.mean, two.mean)
    assert np.array_equal(one.chance_cheapest, two.chance_cheapest)


def test_interval_holds_the_promised_share_of_futures(one_wall) -> None:
    comparison = compare_by_formula(one_wall, parameters=PARAMETERS)
    simulated = run(comparison, draws=20_000, seed=5)
    costs = simulated_costs(
        comparison.pieces, [e.weights for e in comparison.expected], rows=np.array([0]),
        shape=comparison.shape, rate_years=comparison.rate_years, draws=20_000,
        rng=np.random.default_rng(6))
    for number in range(len(comparison.pieces)):
        inside = (costs[number, 0] >= simulated.low[0, number]) & (
            costs[number, 0] <= simulated.high[0, number])
        assert inside.mean() == pytest.approx(0.8, abs=0.02)


def test_chances_add_to_one_and_leave_out_what_is_not_allowed(make_places) -> None:
    costing = make_places(50, np.random.default_rng(8))
    comparison = compare_by_formula(costing, strategies=all_strategies(), parameters=PARAMETERS)
    simulated = run(comparison, draws=300, seed=9)
    assert simulated.chance_cheapest.sum(axis=1) == pytest.approx(np.ones(50))
    for number, pieces in enumerate(comparison.pieces):
        assert not simulated.chance_cheapest[~pieces.allowed, number].any()


def test_an_empty_table_gives_an_empty_answer(one_wall) -> None:
    comparison = compare_by_formula(one_wall.iloc[:0], parameters=PARAMETERS)
    assert run(comparison, draws=10, seed=1).mean.shape == (0, 5)
    assert isinstance(comparison.costing, pd.DataFrame)
