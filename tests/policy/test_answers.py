"""What is answered, on tables small enough to work out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.policy.answers import (
    MEASURES,
    OF_REPORTED,
    Prices,
    against_today,
    best_shares,
    by_year,
    flips,
    frontier,
    in_all,
    renewals,
    what_to_measure,
)
from rehit.policy.policies import Policy

POLICIES = (Policy(name="today"), Policy(name="quick"), Policy(name="poor"))


def found(cost: list[list[float]], days: list[list[float]]) -> list[dict[str, np.ndarray]]:
    """Return measures of one year in which only cost and days differ."""
    ones = np.ones((1, len(cost[0])))
    plain = dict.fromkeys((*MEASURES, *OF_REPORTED.values()), ones)
    return [{**plain, "cost": np.array([c]), "visible_days": np.array([d])}
            for c, d in zip(cost, days, strict=True)]


TWO = found([[100, 100], [120, 140], [150, 150]], [[50, 50], [40, 40], [60, 60]])


def test_changes_are_held_against_today_world_by_world() -> None:
    table = against_today(TWO, POLICIES).set_index(["policy", "measure"])
    row = table.loc[("quick", "cost")]
    assert (row["average"], row["sure"]) == (30.0, 1.0)
    assert (row["low"], row["high"]) == pytest.approx((22.0, 38.0))
    assert table.loc[("quick", "markings"), "average"] == 0
    assert by_year(TWO, POLICIES).query("year == 0 and measure == 'cost'")["average"].tolist() == [
        100, 130, 150]


def test_a_share_of_all_years_counts_each_report_once_and_is_none_without_one() -> None:
    years = {"share_in_time": np.array([[0.5, np.nan], [1.0, np.nan]]),
             "reported": np.array([[2.0, 0.0], [6.0, 0.0]])}
    found = in_all(years, "share_in_time")
    assert found[0] == 0.875
    assert np.isnan(found[1])


def test_nothing_beats_the_frontier_and_a_days_worth_decides() -> None:
    table = frontier(TWO, POLICIES).set_index("policy")
    assert table["undominated"].to_dict() == {"today": True, "quick": True, "poor": False}
    assert table.loc["quick", "worth_of_day"] == 3.0  # 30 more for 10 days fewer
    assert np.isnan(table.loc["poor", "worth_of_day"])
    best = best_shares(TWO, POLICIES, [0.0, 2.9, 3.1])
    assert best[best["chosen"]].set_index("worth_of_day")["policy"].to_dict() == {
        0.0: "today", 2.9: "today", 3.1: "quick"}
    # At 2.9 the quick policy is better in the world in which it costs 20 more.
    assert best.query("worth_of_day == 2.9 and policy == 'quick'")["best_in"].item() == 0.5


def test_only_an_unknown_that_turns_the_choice_is_worth_knowing() -> None:
    rng = np.random.default_rng(1)
    turns, idle = rng.normal(0, 1, 4000), rng.normal(0, 1, 4000)
    both = found([list(np.zeros(4000)), list(turns)], [list(np.zeros(4000))] * 2)
    table = what_to_measure(both, {"idle": idle, "turns": turns, "sure": np.ones(4000)},
                            worth_of_day=0.0).set_index("unknown")["worth"]
    # E max(0, -x) of a standard normal x is 0.3989.
    assert table["turns"] == pytest.approx(0.3989, abs=0.02)
    assert table["idle"] < 0.01
    assert "sure" not in table


def test_the_effect_at_which_a_choice_flips_lies_between_those_tried() -> None:
    table = flips([0.9, 1.0, 1.1], [[10.0, 14.0, 9.0], [10.0, 12.0, 9.0], [10.0, 8.0, 9.0]],
                  POLICIES)
    at = table.drop_duplicates("policy").set_index("policy")["flips_at"]
    assert at["quick"] == pytest.approx(1.05)
    assert np.isnan(at["poor"])


def test_a_cover_is_renewed_when_its_years_or_cleanings_are_used_up() -> None:
    prices = Prices(*[np.zeros(1)] * 3, cover=np.zeros((3, 1)), life_years=np.array([2.0, 9, 9]),
                    life_cleanings=np.array([99.0, 3, 99]), cover_hours=np.zeros(3),
                    litres=np.zeros(1), litres_coated=np.zeros(1), factors=np.zeros((1, 1)),
                    cover_factors=np.zeros((1, 1)), pay_per_hour=1.0)
    cleanings = np.full((5, 1, 3), 2, dtype=np.int16)
    again = renewals(cleanings, np.array([True, True, False]), prices)
    assert again[:, 0].tolist() == [[1, 1], [0, 0], [1, 1], [0, 0], [1, 1]]
