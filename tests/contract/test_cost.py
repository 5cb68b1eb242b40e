"""Cost lines of a contract year, worked out by hand from round numbers."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rehit.contract.cost import Capacity, cost_rates, job_work, late_shares, year_cost
from rehit.parameters import load_parameters

NUMBERS = load_parameters().override({
    "costs.labour_per_hour": 50, "contract.productive_share": 0.8, "contract.travel_minutes": 10,
    "contract.overtime_multiple": 1.5, "contract.weekend_multiple": 2,
    "contract.callout_hours": 2, "contract.vehicle_per_crew": 1000, "contract.vehicle_per_job": 3,
    "contract.standing_per_year": 500, "contract.overhead_share": 0.1,
    "contract.penalty_offensive": 100, "contract.penalty_ordinary": 25,
    "contract.minimum_charge_minutes": 30})
WORK = {"jobs": 120.0, "offensive": 20.0, "crew_minutes": 60 * 100.0, "callout_minutes": 60 * 6.0,
        "materials": 40.0, "water": 10.0, "access": 60.0, "traffic_control": 80.0}
JOBS = pd.DataFrame({
    "method": ["paint_out", "paint_out", "hot_wash"], "priority": ["ordinary", "offensive",
                                                                   "offensive"],
    "area_m2": [1.0, 3.0, 2.0], "minutes": [20.0, 40.0, 150.0], "materials": [2.0, 6.0, 0.0],
    "water": [0.0, 0.0, 8.0], "access": [0.0, 0.0, 30.0], "traffic_control": [0.0, 0.0, 0.0]})


def test_lines_of_a_year_with_overtime_call_outs_and_late_jobs() -> None:
    """One crew paid 100 hours works 80 of them; 100 are needed, so 25 paid hours of overtime."""
    cost = year_cost(WORK, capacity=Capacity(1.0, 100.0), late_offensive=0.5, late_ordinary=0.1,
                     indices={"labour": 1.1, "materials": 1.2, "plant": 1.3}, parameters=NUMBERS)
    by_hand = {
        "labour": 100 * 50 * 1.1, "overtime": 25 * 50 * 1.5 * 1.1, "callouts": 6 * 50 * 2 * 1.1,
        "vehicles": 1000 * 1.3, "running": 120 * 3 * 1.3, "materials": 40 * 1.2,
        "water": 10 * 1.2, "access": 60 * 1.3, "traffic_control": 80 * 1.3,
        "standing": 500 * 1.1}
    by_hand |= {"overhead": 0.1 * sum(by_hand.values()),
                "penalties": 20 * 0.5 * 100 + 100 * 0.1 * 25}
    assert cost == pytest.approx(by_hand)


def test_no_overtime_where_the_crew_has_time_to_spare() -> None:
    cost = year_cost(WORK, capacity=Capacity(1.0, 126.0), late_offensive=0.0, late_ordinary=0.0,
                     indices=dict.fromkeys(("labour", "materials", "plant"), 1.0),
                     parameters=NUMBERS)
    assert cost["overtime"] == 0
    assert cost["labour"] == pytest.approx(126 * 50)


def test_a_rate_is_the_cost_of_the_work_over_its_area() -> None:
    """An hour at work costs 50 / 0.8 = 62.50; driving to a job is work, its vehicle costs 3."""
    rates, least = cost_rates(JOBS, parameters=NUMBERS)
    assert rates == pytest.approx({
        "paint_out": ((30 + 50) / 60 * 62.5 + 2 + 6 + 2 * 3) / 4,
        "hot_wash": (160 / 60 * 62.5 + 8 + 30 + 3) / 2})
    assert least == pytest.approx(0.5 * 62.5)


def test_a_call_out_takes_its_least_hours_and_no_time_of_the_crews() -> None:
    work = job_work(JOBS, np.array([False, True, True]), parameters=NUMBERS)
    assert work["crew_minutes"].tolist() == [30, 0, 0]
    assert work["callout_minutes"].tolist() == [0, 120, 160]
    assert work["offensive"].tolist() == [0, 1, 1]
    rates, least = cost_rates(JOBS, parameters=NUMBERS)
    assert work["rate_value"].tolist() == pytest.approx([
        max(least, rates["paint_out"]), 3 * rates["paint_out"], 2 * rates["hot_wash"]])


def test_busy_years_get_the_late_shares_of_busy_years_of_the_queue() -> None:
    years = pd.DataFrame({"jobs": [300, 100], "offensive": [100, 20],
                          "late_offensive": [50, 1], "late_ordinary": [80, 4]})
    queue: Any = SimpleNamespace(years=years)
    offensive, ordinary = late_shares(queue, np.array([[900.0, 10.0], [20.0, 800.0]]))
    assert offensive.tolist() == [[0.5, 0.05], [0.05, 0.5]]
    assert ordinary.tolist() == [[0.4, 0.05], [0.05, 0.4]]
