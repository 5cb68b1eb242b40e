from __future__ import annotations

import cvxpy as cp
import numpy as np
import pandas as pd
import pytest

from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.patrol.looks import (
    DAYS_PER_YEAR,
    even_round,
    marking_days_per_week,
    saved_by_one_hour,
    visit_intervals,
    worst_first,
)


def town(n: int = 40, seed: int = 5) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame({"place_id": [f"p{i}" for i in range(n)],
                         "rate_per_year": rng.gamma(0.7, 6.0, n) + 0.05,
                         "visit_h": rng.uniform(0.05, 0.5, n)})


def wide(places: pd.DataFrame) -> pd.DataFrame:
    return places.assign(shortest_days=1e-6, longest_days=1e9)


def test_closed_form_where_no_bound_binds(numbers: Parameters) -> None:
    """T_i = sqrt(c_i/l_i) * 7 * sum(sqrt(c l)) / B, from the Lagrangian by hand."""
    places = wide(town())
    found = visit_intervals(places, hours_per_week=10.0, parameters=numbers)
    rate, cost = places["rate_per_year"] / DAYS_PER_YEAR, places["visit_h"]
    want = np.sqrt(cost / rate) * 7 * np.sqrt(cost * rate).sum() / 10.0
    np.testing.assert_allclose(found.table["interval_days"], want, rtol=1e-9)
    assert found.hours_per_week == pytest.approx(10.0)
    least = 3.5 * 7 * np.sqrt(cost * rate).sum() ** 2 / 10.0
    assert found.marking_days_per_week == pytest.approx(least)
    assert found.value_of_an_hour == pytest.approx(least / 10.0)


@pytest.mark.parametrize("hours", [4.0, 9.0, 16.0])
def test_bounded_intervals_against_cvxpy(numbers: Parameters, hours: float) -> None:
    """The same convex programme put to CVXPY (Clarabel), its budget's dual included."""
    rng = np.random.default_rng(1)
    places = town().assign(shortest_days=rng.uniform(2, 8, 40),
                           longest_days=rng.uniform(15, 60, 40))
    found = visit_intervals(places, hours_per_week=hours, parameters=numbers)
    rate = places["rate_per_year"].to_numpy() / DAYS_PER_YEAR
    days = cp.Variable(40, pos=True)
    budget = 7 * cp.sum(cp.multiply(places["visit_h"].to_numpy(), cp.inv_pos(days))) <= hours
    low, high = places["shortest_days"].to_numpy(), places["longest_days"].to_numpy()
    programme = cp.Problem(cp.Minimize(3.5 * rate @ days),
                           [budget, days >= low, days <= high])
    programme.solve(solver=cp.CLARABEL)
    assert found.marking_days_per_week == pytest.approx(programme.value, rel=1e-6)
    np.testing.assert_allclose(found.table["interval_days"], days.value, rtol=1e-3)
    assert found.value_of_an_hour == pytest.approx(float(budget.dual_value), rel=1e-4)
    assert {"shortest", "longest"} & set(found.table["bound"])


def test_value_of_an_hour_is_what_one_more_hour_saves(numbers: Parameters) -> None:
    one, more = (visit_intervals(town(), hours_per_week=h, parameters=numbers)
                 for h in (8.0, 8.001))
    saved = (one.marking_days_per_week - more.marking_days_per_week) / 0.001
    assert saved == pytest.approx(one.value_of_an_hour, rel=1e-3)


def test_never_worse_than_the_even_round_or_worst_first(numbers: Parameters) -> None:
    for seed in range(20):
        places = town(seed=seed).assign(shortest_days=1.0, longest_days=400.0)
        best = visit_intervals(places, hours_per_week=3.0, parameters=numbers)
        even = even_round(places, hours_per_week=3.0)
        worst = worst_first(places, hours_per_week=3.0, parameters=numbers)
        for days in (even, worst):
            assert (7 * places["visit_h"] / days).sum() == pytest.approx(3.0)
            assert best.marking_days_per_week < marking_days_per_week(places, days)


def test_too_few_hours_keep_the_longest_intervals_and_say_how_short(numbers: Parameters) -> None:
    places = town().assign(longest_days=7.0)
    found = visit_intervals(places, hours_per_week=2.0, parameters=numbers)
    assert (found.table["interval_days"] == 7.0).all()
    assert found.short_by_h == pytest.approx(places["visit_h"].sum() - 2.0)


def test_value_of_an_hour_where_hours_are_short_by_hand(numbers: Parameters) -> None:
    """At T days a place of λ a day and c hours a visit gains λ T² / 2c for one more hour."""
    days = numbers["patrol.max_interval_days"]
    two = pd.DataFrame({"place_id": ["a", "b"], "rate_per_year": [40.0, 10.0],
                        "visit_h": [0.5, 0.1]})
    found = visit_intervals(two, hours_per_week=0.01, parameters=numbers)
    by_hand = [rate / DAYS_PER_YEAR * days**2 / (2 * hours) for rate, hours in ((40, .5), (10, .1))]
    assert found.value_of_an_hour == pytest.approx(max(by_hand))


def test_hours_to_spare_give_the_shortest_intervals(numbers: Parameters) -> None:
    found = visit_intervals(town(), hours_per_week=1e6, parameters=numbers)
    assert (found.table["interval_days"] == numbers["patrol.min_interval_days"]).all()
    assert found.value_of_an_hour == 0.0


def test_a_place_never_marked_gets_the_longest_interval(numbers: Parameters) -> None:
    places = town()
    places.loc[0, "rate_per_year"] = 0.0
    found = visit_intervals(places, hours_per_week=8.0, parameters=numbers)
    assert found.table["bound"].iloc[0] == "longest"


@pytest.mark.parametrize(("change", "hours", "words"), [
    ({}, 0.0, "hours"), ({"visit_h": 0.0}, 5.0, "takes no time"),
    ({"shortest_days": 9.0, "longest_days": 2.0}, 5.0, "above the longest")])
def test_senseless_input_is_refused(numbers: Parameters, change: dict[str, float], hours: float,
                                    words: str) -> None:
    with pytest.raises(SettingError, match=words):
        visit_intervals(town().assign(**change), hours_per_week=hours, parameters=numbers)


def test_one_more_hour_saves_what_the_plan_with_it_leaves_less(numbers: Parameters) -> None:
    one, more = (visit_intervals(town(), hours_per_week=h, parameters=numbers) for h in (3.0, 4.0))
    saved = saved_by_one_hour(one, parameters=numbers)
    assert saved == pytest.approx(one.marking_days_per_week - more.marking_days_per_week)
    # The value at the margin promises far more than the whole hour keeps.
    assert saved < 0.9 * one.value_of_an_hour


def test_an_hour_that_only_closes_the_gap_to_the_longest_intervals_saves_nothing(
        numbers: Parameters) -> None:
    places = town().assign(longest_days=7.0)
    hours = places["visit_h"].sum()
    short = visit_intervals(places, hours_per_week=hours - 2.0, parameters=numbers)
    assert saved_by_one_hour(short, parameters=numbers) == 0.0
    nearly = visit_intervals(places, hours_per_week=hours - 0.5, parameters=numbers)
    enough = visit_intervals(places, hours_per_week=hours + 0.5, parameters=numbers)
    assert saved_by_one_hour(nearly, parameters=numbers) == pytest.approx(
        nearly.marking_days_per_week - enough.marking_days_per_week)
    assert saved_by_one_hour(nearly, parameters=numbers) > 0
