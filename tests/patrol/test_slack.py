"""Crews are home in time on as many simulated days as asked for."""

from __future__ import annotations

from math import erf, log, sqrt

import numpy as np
import pytest
from patrol_town import make_crews, make_stops

from rehit.parameters import Parameters
from rehit.patrol.routes import plan_routes
from rehit.patrol.search import Crew, Problem
from rehit.patrol.slack import Durations, back_home


def test_one_job_against_the_lognormal_distribution(numbers: Parameters) -> None:
    """A job of 100 minutes expected, spread 0.4, no driving: home within 120 with Phi(z)."""
    problem = Problem(travel=np.zeros((2, 2), dtype=np.int64), location=np.array([1]),
                      service=np.array([6000]), earliest=np.array([0]), latest=np.array([9999]),
                      score=np.array([1.0]), must=np.array([True]), crews=(Crew(0, 0, 0, 7200),))
    times = Durations(np.array([0.0]), np.array([6000.0]), np.array([1.0]))
    many = numbers.override({"patrol.home_draws": 100_000, "patrol.minutes_spread": 0.4})
    back = back_home(problem, problem.crews[0], [(0, 1)], times, parameters=many,
                     rng=np.random.default_rng(1))
    z = (log(1.2) + 0.08) / 0.4
    assert (back <= 7200).mean() == pytest.approx((1 + erf(z / sqrt(2))) / 2, abs=0.005)
    assert back.mean() == pytest.approx(6000, rel=0.005)


def test_hotspot_time_is_no_longer_used_as_an_average(numbers: Parameters) -> None:
    """Each look finds something or not; a day planned to the brim would be late on most days."""
    stops = make_stops(60, service_min=22.0, work_min=30.0, expected=0.5)
    plans = {chance: plan_routes(stops, make_crews(), network=None, seed=1,
                                 parameters=numbers.override({"patrol.home_chance": chance}))
             for chance in (0.05, 0.85)}
    assert min(plans[0.05].home.values()) < 0.6
    assert min(plans[0.85].home.values()) >= 0.85
    looks = [int((plan.visits["kind"] == "hotspot").sum()) for plan in plans.values()]
    # Twenty looks vary by 78 minutes in all: 1.04 of that kept free leaves 83 % of the shift.
    assert looks[0] > looks[1] > 0.75 * looks[0]
    assert "reserve" in set(plans[0.85].left_out["code"])


def test_a_crew_whose_jobs_alone_fill_the_shift_is_named(numbers: Parameters) -> None:
    stops = make_stops(4, reported=4, service_min=108.0, work_min=104.0)
    plan = plan_routes(stops, make_crews(1), network=None, seed=1, parameters=numbers)
    (note,) = [note for note in plan.notes if note.code == "plan.home"]
    assert note.facts["crew"] == "Van 0"
    assert note.facts["chance"] < 0.85
    assert (plan.visits["kind"] == "reported").sum() == 4
