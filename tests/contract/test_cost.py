"""Cost lines of a contract year, worked out by hand from round numbers."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rehit.contract.cost import (
    Capacity,
    Service,
    job_work,
    moved_cost,
    service_of,
    year_cost,
)
from rehit.contract.crews import CrewKind, Team
from rehit.contract.schedule import direct_costs, job_worth
from rehit.costs.doubt import Cause, Doubt
from rehit.parameters import load_parameters

NUMBERS = load_parameters().override({
    "costs.labour_per_hour": 50, "contract.productive_share": 0.8, "contract.travel_minutes": 10,
    "contract.overtime_multiple": 1.5, "contract.weekend_multiple": 2,
    "contract.callout_hours": 2, "contract.vehicle_per_crew": 1000, "contract.vehicle_per_job": 3,
    "contract.standing_per_year": 500, "contract.overhead_share": 0.1,
    "contract.penalty_offensive": 100, "contract.penalty_ordinary": 25,
    "contract.leave_cover_share": 0.1, "contract.mobilisation": 2000})
WORK = {"jobs": 120.0, "offensive": 20.0, "crew_minutes": 60 * 100.0, "callout_minutes": 60 * 6.0,
        "materials": 40.0, "water": 10.0, "access": 60.0, "traffic_control": 80.0}
JOBS = pd.DataFrame({
    "method": ["paint_out", "paint_out", "hot_wash"],
    "priority": ["ordinary", "offensive", "offensive"], "size_class": ["medium", "medium", "large"],
    "access_kind": ["ground", "ground", "platform"], "needs_traffic_control": [False, False, True],
    "area_m2": [1.0, 3.0, 2.0], "minutes": [20.0, 40.0, 150.0], "persons": [1.0, 1.0, 2.0],
    "materials": [2.0, 6.0, 0.0], "wash_water_l": [0.0, 0.0, 20.0], "water": [0.0, 0.0, 8.0],
    "access": [0.0, 0.0, 30.0], "traffic_control": [0.0, 0.0, 70.0]})
PAIR = Team((CrewKind(2.0, frozenset(["paint_out"])),), (1,))
FLAT = dict.fromkeys(("labour", "materials", "plant"), 1.0)


def test_lines_of_a_year_by_hand() -> None:
    """One crew of two, 100 hours each at 50 and a tenth for cover; 0.05 h of overtime a job."""
    cost = year_cost(WORK, capacity=Capacity(PAIR, 100.0),
                     service=Service(0.5, 0.1, 0.05, 0.01), first_year=1.0,
                     indices={"labour": 1.1, "materials": 1.2, "plant": 1.3}, parameters=NUMBERS)
    by_hand = {
        "labour": 2 * 100 * 55 * 1.1, "overtime": 120 * 0.05 * 50 * 1.5 * 1.1,
        "backlog": 120 * 0.01 * 55 * 1.1, "callouts": 6 * 50 * 2 * 1.1,
        "vehicles": 1000 * 1.3, "running": 120 * 3 * 1.3, "materials": 40 * 1.2,
        "water": 10 * 1.2, "access": 60 * 1.3, "traffic_control": 80 * 1.3,
        "standing": 500 * 1.1, "mobilisation": 2000 * 1.3}
    by_hand |= {"overhead": 0.1 * sum(by_hand.values()),
                "penalties": 20 * 0.5 * 100 + 100 * 0.1 * 25}
    assert cost == pytest.approx(by_hand)


def test_shared_crews_cost_the_hours_needed_here() -> None:
    """100 of the crew's 80 useful hours: all of it. A quarter of the work: 25 of 80."""
    lines = [year_cost({**WORK, "crew_minutes": 60 * hours}, capacity=Capacity(PAIR, 100.0, True),
                       service=Service(0.0, 0.0, 0.0, 0.0), first_year=0.0, indices=FLAT,
                       parameters=NUMBERS) for hours in (100.0, 25.0)]
    paid = 2 * 100 * 55
    assert [cost["labour"] for cost in lines] == pytest.approx([paid, paid * 25 / 80])
    assert [cost["vehicles"] for cost in lines] == pytest.approx([1000, 1000 * 25 / 80])
    assert lines[0]["mobilisation"] == 0


def test_a_rate_is_the_cost_of_the_work_over_its_area() -> None:
    """An hour of a person at work costs 50 / 0.8 = 62.50; two people wash, four drive ten minutes
    on three visits; a platform is a line of its own."""
    found = direct_costs(JOBS, np.array([False, False, True]), parameters=NUMBERS)
    minute = 62.5 / 60
    assert found["visit"] == pytest.approx(10 * 4 / 3 * minute + 3)
    assert found["paint_out.medium.ground"] == pytest.approx((60 * minute + 8) / 4)
    assert found["hot_wash.large.platform"] == pytest.approx(150 * 2 * minute / 2)
    assert found["call_out"] == pytest.approx(2 * (160 * 50 * 2 / 60 - 160 * minute))
    assert found["inspection_only"] > found["visit"]


def test_a_job_is_paid_its_visit_its_area_and_what_it_needs_besides() -> None:
    rates = {"visit": 5.0, "paint_out.medium.ground": 2.0, "hot_wash.large.platform": 3.0,
             "platform": 100.0, "traffic_control": 200.0, "wash_water": 0.5, "call_out": 50.0}
    paid = job_worth(JOBS, np.array([False, True, False]), rates)
    assert paid.tolist() == [5 + 2, 5 + 3 * 2 + 50, 5 + 2 * 3 + 100 + 200 + 20 * 0.5]
    # A smaller found job than any reported is paid like the nearest size.
    small = job_worth(JOBS.assign(size_class="small"), np.zeros(3, bool), rates)
    assert small.tolist() == [7, 11, 5 + 6 + 100 + 200 + 10]


def test_a_call_out_takes_its_least_hours_and_no_time_of_the_crews() -> None:
    work = job_work(JOBS, np.array([False, True, True]), parameters=NUMBERS)
    assert work["crew_minutes"].tolist() == [30, 0, 0]
    assert work["callout_minutes"].tolist() == [0, 120, 2 * 160]
    assert work["offensive"].tolist() == [0, 1, 1]
    assert (work["hired_value"] <= work["rate_value"]).all()
    assert work["hired_value"].tolist()[:2] == [0, 0]


def test_busy_years_get_the_late_shares_of_busy_years_of_the_queue() -> None:
    years = pd.DataFrame({"jobs": [300, 100], "load": [300, 100], "offensive": [100, 20],
                          "late_offensive": [50, 1], "late_ordinary": [80, 4],
                          "overtime_hours": [60, 0], "backlog_hours": [0, 10]})
    queue: Any = SimpleNamespace(years=years)
    found = service_of(queue, np.array([[900.0, 10.0], [20.0, 800.0]]))
    assert found.late_offensive.tolist() == [[0.5, 0.05], [0.05, 0.5]]
    assert found.late_ordinary.tolist() == [[0.4, 0.05], [0.05, 0.4]]
    assert found.overtime_hours.tolist() == [[0.2, 0], [0, 0.2]]
    assert service_of(queue).backlog_hours == 10 / 400


def test_the_cost_of_a_world_moves_each_line_by_its_cause() -> None:
    """By hand: pay 10 % up, materials doubled, own standing cost 5 % out, overhead a tenth."""
    worlds = Doubt((Cause("labour", (), 0.9, 1.2), Cause("materials", (), 0.5, 2.0)),
                   np.array([[1.1], [2.0]]))
    lines = {name: np.full((1, 1), amount) for name, amount in {
        "labour": 100.0, "materials": 20.0, "vehicles": 40.0, "overhead": 16.0,
        "penalties": 7.0}.items()}
    numbers = load_parameters().override({"contract.overhead_share": 0.1})
    found = moved_cost(lines, worlds, np.full((1, 1), 1.05), parameters=numbers)
    assert found.tolist() == [[pytest.approx((110 + 40 + 42) * 1.1 + 7)]]
    same = moved_cost(lines, Doubt((), np.ones((0, 1))), np.ones((1, 1)), parameters=numbers)
    assert same.tolist() == [[pytest.approx(sum(float(v[0, 0]) for v in lines.values()))]]


def test_a_queue_year_of_longer_jobs_is_a_fuller_one() -> None:
    """Few jobs that take three times as long load the crews more than twice as many."""
    years = pd.DataFrame({"jobs": [300, 200], "load": [300, 600], "offensive": [10, 10],
                          "late_offensive": [1, 5], "late_ordinary": [0, 0],
                          "overtime_hours": [0, 0], "backlog_hours": [0, 0]})
    queue: Any = SimpleNamespace(years=years)
    assert service_of(queue, np.array([1.0, 2.0])).late_offensive.tolist() == [0.1, 0.5]
