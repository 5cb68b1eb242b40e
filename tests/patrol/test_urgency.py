"""Service standards stay in force when missed: each fault by its name."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from patrol_town import EAST, NORTH, make_crews, make_stops

from rehit.parameters import Parameters
from rehit.patrol.routes import Plan, plan_routes
from rehit.patrol.urgency import Late, due_minutes, job_weights, late_cost


def planned(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, numbers: Parameters) -> Plan:
    return plan_routes(stops, crews, network=None, parameters=numbers, seed=1)


def order(plan: Plan) -> list[str]:
    return plan.visits.sort_values(["crew_id", "position"])["stop_id"].dropna().tolist()


def test_an_overdue_offensive_job_does_not_wait_behind_a_two_hour_wash(
        numbers: Parameters) -> None:
    """The wash is next door, the offensive job beyond it; it was due at ten the day before."""
    stops = make_stops(2, reported=2, service_min=[120.0, 20.0], offensive=[False, True],
                       due_min=[3000.0, -840.0])
    stops.geometry = gpd.points_from_xy([EAST + 100, EAST + 500], [NORTH, NORTH])
    assert order(planned(stops, make_crews(1), numbers)) == ["s1", "s0"]


def test_a_due_time_within_the_day_no_longer_costs_the_job(numbers: Parameters) -> None:
    """Due before the crew can be there: it was left out as fitting in no shift."""
    stops = make_stops(3, reported=3, offensive=[True, False, False],
                       due_min=[421.0, np.nan, np.nan])
    plan = planned(stops, make_crews(1), numbers)
    assert plan.left_out.empty
    assert order(plan)[0] == "s0"


def test_of_ordinary_jobs_that_do_not_all_fit_the_oldest_are_done(numbers: Parameters) -> None:
    stops = make_stops(12, reported=12, service_min=110.0,
                       due_min=[-1440.0 * (i - 5) for i in range(12)])
    done = set(order(planned(stops, make_crews(1), numbers)))
    assert done
    assert done == {f"s{i}" for i in range(12 - len(done), 12)}


def test_lateness_costs_per_hour_and_grows(numbers: Parameters) -> None:
    hours = np.array([-5.0, 1.0, 2.0, 24.0, 48.0])
    cost = late_cost(hours * 3600, np.zeros(5), np.full(5, True), parameters=numbers)
    rate = numbers["patrol.late_offensive_minutes"] * 60
    growth = numbers["patrol.late_growth_per_day"]
    assert cost[0] == 0
    assert cost[1] == pytest.approx(rate * (1 + growth / 24))
    assert cost[3] == pytest.approx(rate * 24 * (1 + growth))
    assert cost[4] / 48 > cost[3] / 24 > cost[2] / 2 > cost[1]


def test_weights_grow_with_age_before_and_after_the_standard(numbers: Parameters) -> None:
    due = np.array([5.0, 2.0, 0.0, -3.0, -10.0]) * 86400
    weights = job_weights(due, np.zeros(5, dtype=bool), end_s=0.0, parameters=numbers)
    assert (np.diff(weights) > 0).all()
    assert job_weights(np.array([np.nan]), np.array([True]), end_s=0.0,
                       parameters=numbers)[0] == numbers["patrol.offensive_score"]


def test_ordinary_jobs_are_due_at_the_end_of_their_last_working_day(numbers: Parameters) -> None:
    """Reported on Thursday 13 March 2025, five working days: Thursday 20; a holiday puts off."""
    job = pd.DataFrame({"reported_at": pd.to_datetime(["2025-03-13 10:00"], utc=True),
                        "reported_precision": "minute", "priority": "ordinary"})
    for holidays, day in (([], date(2025, 3, 21)), ([date(2025, 3, 19)], date(2025, 3, 22))):
        due = due_minutes(job, day=day, time_zone="UTC", holidays=holidays, parameters=numbers)
        assert due.tolist() == [0.0]


def test_standards_that_are_kept_on_the_way_cost_nothing(numbers: Parameters) -> None:
    """One job due in two days among five looks that all fit into the shift."""
    stops = make_stops(6, reported=1, service_min=5.0, due_min=[2880.0, *[np.nan] * 5])
    plan = planned(stops, make_crews(1), numbers)
    assert plan.left_out.empty
    assert plan.price == (0.0, 0.0)


def test_the_day_says_what_the_standards_cost_in_other_work(numbers: Parameters) -> None:
    """Late jobs in two far corners: going there at once takes the way twice."""
    stops = make_stops(6, reported=6, service_min=30.0, offensive=[True, True, *[False] * 4],
                       due_min=[-600.0, -600.0, *[np.nan] * 4])
    stops.geometry = gpd.points_from_xy(
        [EAST + 9000, EAST - 9000, EAST + 3000, EAST - 3000, EAST + 6000, EAST - 6000],
        [NORTH] * 6)
    plan = planned(stops, make_crews(1), numbers)
    told = {note.code: note.facts for note in plan.notes}
    assert told["plan.late_offensive"]["n"] == 2
    assert set(order(plan)[:2]) & {"s0", "s1"}


def test_a_standard_missed_outweighs_a_whole_day_at_the_wheel(numbers: Parameters) -> None:
    """An ordinary job one second late; the other is never due."""
    late = Late(None, None, np.array([3600.0, np.nan]), np.full(2, False), numbers)  # type: ignore[arg-type]
    missed, free = late.paid(np.array([0, 1]), np.array([3601.0, 90_000.0]))
    assert missed > 24 * 3600
    assert free == 0
    assert late.paid(np.array([0]), np.array([3600.0]))[0] == 0


def test_what_a_missed_standard_is_worth_can_be_set(numbers: Parameters) -> None:
    """With 0 only the second of lateness is left: a minute's worth an hour."""
    free = numbers.override({"patrol.missed_hours": 0.0})
    late = Late(None, None, np.array([3600.0]), np.full(1, False), free)  # type: ignore[arg-type]
    assert late.paid(np.array([0]), np.array([3601.0]))[0] == pytest.approx(60 / 3600, rel=1e-4)
