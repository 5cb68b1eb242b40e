"""The comparison's columns against figures worked out by hand, and its promises."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from shot_noise import random_events_present_value

from rehit.costs.cashflow import cost_at_rates
from rehit.costs.discounting import annuity_factor
from rehit.costs.lifecycle import breakeven_table, compare_by_formula, compare_strategies
from rehit.costs.strategies import Strategy, load_strategies
from rehit.errors import ManyErrors, SettingError
from rehit.parameters import load_parameters
from rehit.tables import check

PARAMETERS = load_parameters().override({"costs.draws": 400})


def mid_year(rate: float) -> np.ndarray:
    """Factors of ten years, costs in the middle of each."""
    return (1 + rate) ** -(np.arange(1, 11) - 0.5)


def compare(costing: pd.DataFrame, **options) -> pd.DataFrame:
    options.setdefault("parameters", PARAMETERS)
    return compare_strategies(costing, rng=np.random.default_rng(1), **options)


def test_the_table_keeps_its_contract_and_the_input_is_left_alone(costing) -> None:
    before = costing.copy(deep=True)
    table = compare(costing)
    check(table, "strategy_costs", where="test")
    assert len(table) == 5 * len(costing)
    pd.testing.assert_frame_equal(costing, before)
    pd.testing.assert_frame_equal(table, compare(costing))
    assert table.groupby("place_id")["cheapest"].sum().eq(1).all()
    assert (table["pv_low"] <= table["pv_high"]).all()
    assert not table.loc[table["cheapest"], "why_not"].notna().any()


def test_removing_each_time_by_hand(one_wall) -> None:
    """Four hot washes a year by two people x mid-year factors; annual cost by the annuity."""
    row = compare(one_wall).iloc[0]
    one = 40 / 1.3 + 2 * (35 + 15 * 1.5) + 9 * 1.5 + 25 * 1.5 * 0.3 + 2 * 1.5
    present = 4 * one * mid_year(0.035).sum()
    assert row["pv_mean"] == pytest.approx(present, rel=1e-9)
    assert row["annual_cost"] == pytest.approx(present / annuity_factor(10, discount_rate=0.035))
    assert row["wash_water_l"] == pytest.approx(4 * 10 * 25 * 1.5)
    assert row["first_cost"] == 0


def test_a_measure_by_hand_with_savings_ratio_yield_and_payback(one_wall) -> None:
    """First cost 500, life 10, halves the rate: everything follows from the baseline's cost."""
    lamp = Strategy(name="lamp", meaning="lighting", first_cost=500, life_years=10,
                    effect_on_rate=0.5)
    strategies = [load_strategies(parameters=PARAMETERS)[0], lamp]
    base, row = compare(one_wall, strategies=strategies).to_dict("records")
    assert row["pv_mean"] == pytest.approx(500 + base["pv_mean"] / 2, rel=1e-9)
    ratio = base["pv_mean"] / 2 / 500
    assert row["savings_ratio"] == pytest.approx(ratio)
    assert row["yearly_yield"] == pytest.approx(1.035 * ratio**0.1 - 1)
    saved = base["pv_mean"] / 2 * np.cumsum(mid_year(0.035)) / mid_year(0.035).sum()
    assert row["payback_year"] == np.flatnonzero(saved >= 500)[0] + 1
    # Halving pays where half the yearly removals cost 500 over the horizon: rate x PV / 4 / 2.
    assert row["breakeven_rate_per_year"] == pytest.approx(4 * 500 / (base["pv_mean"] / 2))
    assert row["wash_water_l"] == pytest.approx(base["wash_water_l"] / 2)


def test_breakeven_is_where_costs_cross(costing) -> None:
    table = compare(costing)
    comparison = compare_by_formula(costing, parameters=PARAMETERS)
    rates = table["breakeven_rate_per_year"].to_numpy().reshape(-1, 5)
    found = 0
    for number in (1, 2, 3, 4):
        rows = np.flatnonzero(np.isfinite(rates[:, number]) & (rates[:, number] > 0))
        found += len(rows)
        pairs = [cost_at_rates(comparison.pieces[k].at(rows),
                               comparison.expected[k].weights.at(rows), rates[rows, number, None])
                 for k in (number, 0)]
        assert pairs[0] == pytest.approx(pairs[1], rel=1e-6)
    assert found > 20


def test_breakevens_are_given_against_every_other_strategy(one_wall) -> None:
    table = breakeven_table(one_wall, parameters=PARAMETERS)
    check(table, "breakevens", where="test")
    assert len(table) == 5 * 4
    there = table.set_index(["strategy", "other_strategy"])["rate_per_year"]
    # Both directions cross at the same rate, as long as each is cheaper on one side.
    assert there["permanent_coating", "remove_each_time"] == pytest.approx(
        there["remove_each_time", "permanent_coating"], rel=1e-6)


def test_worth_finding_out_is_the_loss_of_the_cheapest_by_fine_integration(one_wall) -> None:
    """E[cost of the cheapest on average - cost of the best for the true rate], by quantiles."""
    wall = one_wall.assign(gamma_shape=1.5, gamma_rate_years=0.55)
    row = compare(wall)
    comparison = compare_by_formula(wall, parameters=PARAMETERS)
    rates = np.random.default_rng(2).gamma(1.5, 1 / 0.55, (1, 200_000))
    costs = np.array([cost_at_rates(p, e.weights, rates)[0]
                      for p, e in zip(comparison.pieces, comparison.expected, strict=True)])
    allowed = np.array([p.allowed[0] for p in comparison.pieces])
    losses = costs[allowed] - costs[allowed].min(axis=0)
    error = losses.std(axis=1) / 200_000**0.5
    found = row.loc[row["allowed"], "expected_regret"].to_numpy()
    assert (np.abs(found - losses.mean(axis=1)) <= 4 * error + 0.01 * found.min()).all()
    assert found.min() == row.loc[row["cheapest"], "expected_regret"].iloc[0]
    assert found.min() > 1


def test_a_known_rate_leaves_nothing_worth_finding_out(one_wall) -> None:
    known = one_wall.assign(gamma_shape=4e7, gamma_rate_years=1e7)
    table = compare(known)
    assert table.loc[table["cheapest"], "expected_regret"].iloc[0] == pytest.approx(0, abs=0.01)


def test_a_forbidden_coating_is_priced_but_never_chosen(one_wall) -> None:
    table = compare(one_wall.assign(coating_allowed=False)).set_index("strategy")
    for name in ("sacrificial_coating", "permanent_coating"):
        assert not table.loc[name, "allowed"]
        assert table.loc[name, "why_not"] == "owner_forbids"
        assert table.loc[name, "chance_cheapest"] == 0
        assert not table.loc[name, "cheapest"]
        assert table.loc[name, "pv_mean"] > 0


def test_unpainted_walls_are_not_painted_out(one_wall) -> None:
    table = compare(one_wall).set_index("strategy")
    assert not table.loc["paint_out_each_time", "allowed"]
    painted = compare(one_wall.assign(method="paint_out")).set_index("strategy")
    assert painted.loc["paint_out_each_time", "allowed"]


def test_sharing_a_visit_lowers_only_the_call_out(one_wall) -> None:
    alone = compare(one_wall.assign(incidents_per_visit=1.0)).iloc[0]["pv_mean"]
    shared = compare(one_wall.assign(incidents_per_visit=4.0)).iloc[0]["pv_mean"]
    factors = mid_year(0.035).sum()
    assert alone - shared == pytest.approx(4 * 40 * 0.75 * factors)


def test_minutes_and_water_of_the_place_itself_are_used(one_wall) -> None:
    own = compare(one_wall.assign(minutes_per_incident=90.0, wash_water_l_per_incident=10.0))
    usual = compare(one_wall)
    factors = mid_year(0.035).sum()
    expected = 4 * (2 * (90 - 57.5) + (10 - 37.5) * 0.3) * factors
    assert own.iloc[0]["pv_mean"] - usual.iloc[0]["pv_mean"] == pytest.approx(expected)
    assert own.iloc[0]["wash_water_l"] == pytest.approx(400)


def test_the_middle_of_the_year_stands_well_for_costs_at_random_times() -> None:
    """Campbell's theorem (from memory): Poisson 4/y, 100 each, 5 %, 10 y: 3165.28 and 505.40."""
    mean, deviation = random_events_present_value(rate_per_year=4, cost=100, discount_rate=0.05,
                                                  horizon_years=10)
    assert mean == pytest.approx(3165.283438018, abs=5e-9)
    assert deviation == pytest.approx(505.395532817, abs=5e-9)
    yearly = 400 * mid_year(0.05).sum()
    assert yearly == pytest.approx(mean, rel=1.1e-4)


def test_a_declining_schedule_changes_only_the_years_beyond_its_first_step(one_wall) -> None:
    plain = compare_by_formula(one_wall, horizon_years=40, parameters=PARAMETERS)
    green = compare_by_formula(one_wall, horizon_years=40, schedule="green_book",
                               parameters=PARAMETERS)
    first, second = (c.expected[0].by_year[0] for c in (plain, green))
    assert second[:31] == pytest.approx(first[:31])
    assert (second[31:] > first[31:]).all()


def test_starting_later_is_the_same_comparison_discounted(one_wall) -> None:
    now = compare_by_formula(one_wall, horizon_years=6, parameters=PARAMETERS)
    later = compare_by_formula(one_wall, horizon_years=6, start_year=3, parameters=PARAMETERS)
    for first, second in zip(now.expected, later.expected, strict=True):
        assert second.present_value == pytest.approx(first.present_value * 1.035**-3)


def test_all_faults_of_the_costing_table_come_in_one_error(costing) -> None:
    bad = costing.assign(gamma_shape=0.0, mark_area_m2=np.inf)
    with pytest.raises(ManyErrors) as caught:
        compare(bad)
    assert len(caught.value.errors) == 2
    assert "gamma_shape" in str(caught.value)
    assert "mark_area_m2" in str(caught.value)
    assert "P00000" in str(caught.value)


def test_a_list_without_the_baseline_and_a_senseless_horizon_are_refused(one_wall) -> None:
    lamp = Strategy(name="lamp", meaning="lighting", first_cost=1, life_years=9)
    with pytest.raises(SettingError, match="a list with 'remove_each_time'"):
        compare(one_wall, strategies=[lamp])
    with pytest.raises(SettingError, match="a whole number, 1 to 125"):
        compare(one_wall, horizon_years=0)


def test_no_places_give_an_empty_table(one_wall) -> None:
    table = compare(one_wall.iloc[:0])
    assert table.empty
    check(table, "strategy_costs", where="test")


def test_a_stronger_effect_never_costs_more(one_wall) -> None:
    base, *_, coating = load_strategies(parameters=PARAMETERS)
    totals = [compare(one_wall, strategies=[base, replace(coating, effect_on_rate=effect)])
              .iloc[1]["pv_mean"] for effect in (-0.3, 0.0, 0.3, 0.9)]
    assert totals == sorted(totals, reverse=True)
