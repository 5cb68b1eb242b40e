"""The cash flows add up to the present values, in real and in nominal money."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.costs.lifecycle import cash_flow_table, compare_by_formula
from rehit.parameters import load_parameters
from rehit.tables import table

PARAMETERS = load_parameters().override({
    "costs.permanent_life_years": 4, "costs.planned_repaint_years": 5,
    "costs.escalation_labour": 0.02, "costs.inflation": 0.03})


@pytest.mark.parametrize("nominal", [False, True])
def test_discounted_flows_add_up_to_the_present_value(costing, nominal: bool) -> None:
    comparison = compare_by_formula(costing, parameters=PARAMETERS)
    flows = cash_flow_table(costing, nominal=nominal, parameters=PARAMETERS)
    total = flows.pivot_table(index="place_id", columns="strategy", values="discounted",
                              aggfunc="sum")
    for strategy, expected in zip(comparison.strategies, comparison.expected, strict=True):
        assert total[strategy.name].to_numpy() == pytest.approx(expected.present_value, rel=1e-9)


def test_every_item_appears_and_only_the_credit_is_negative(costing) -> None:
    flows = cash_flow_table(costing, parameters=PARAMETERS)
    assert set(flows["item"]) == set(table("cash_flows").column("item").allowed) - {"upkeep"}
    assert (flows.loc[flows["item"] == "unused_life", "amount"] < 0).all()
    assert (flows.loc[flows["item"] != "unused_life", "amount"] > 0).all()


def test_money_of_the_day_grows_by_inflation(one_wall) -> None:
    real = cash_flow_table(one_wall, parameters=PARAMETERS)
    day = cash_flow_table(one_wall, parameters=PARAMETERS, nominal=True)
    cleaning = day["item"] == "cleaning"
    ratio = (day["amount"] / real["amount"])[cleaning]
    expected = 1.03 ** (day.loc[cleaning, "year"] - 0.5)
    assert ratio.to_numpy() == pytest.approx(expected.to_numpy())
    assert day["discounted"].to_numpy() == pytest.approx(real["discounted"].to_numpy())


def test_one_year_of_one_wall_by_hand(one_wall) -> None:
    """Bare brick, 4 markings of 1.5 m2 a year, hot wash by two, default rates, no growth."""
    flows = cash_flow_table(one_wall, horizon_years=1)
    removal = flows[(flows["strategy"] == "remove_each_time") & (flows["item"] == "cleaning")]
    by_line = removal.set_index("line")["amount"].to_dict()
    assert by_line == pytest.approx({
        "call_out": 4 * 40 / 1.3, "labour": 4 * 2 * (35 + 15 * 1.5) / 60 * 60,
        "materials": 4 * 9 * 1.5, "water": 4 * 25 * 1.5 * 0.3, "wear": 4 * 2 * 1.5})
    assert removal["discounted"].sum() == pytest.approx(
        sum(by_line.values()) * 1.035**-0.5, rel=1e-12)
    assert np.isin(flows["year"], [0, 1]).all()
