"""Erlang's formula against published figures, and the queue against the formula."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from rehit.contract.crews import (
    CrewKind,
    Team,
    WorkCalendar,
    erlang_c,
    erlang_within,
    serve,
)

ANY = CrewKind(1.0, frozenset(["paint_out"]))
ENDLESS = WorkCalendar(np.arange("2026-01-01", "2026-02-01", dtype="datetime64[D]"), 0.0, 1e9)


def done_at(arrivals: np.ndarray, minutes: np.ndarray, urgent: np.ndarray, *,
            crews: int) -> np.ndarray:
    """Return when crews of one kind finish each job, with no end to their day."""
    finished, _, extra = serve(arrivals, minutes, urgent, np.full(len(arrivals), "paint_out"),
                               team=Team((ANY,), (crews,)), calendar=ENDLESS, patience_days=3.0)
    assert not extra.any()
    return finished


def test_waiting_and_service_level_against_pyworkforce() -> None:
    """The example on the project page of pyworkforce 0.1.0: 100 calls in 30 minutes of 3 minutes
    each, 14 positions: waiting probability 0.1741319335950498, 88.835 % answered within 20 s."""
    load = 100 / 30 * 3
    assert erlang_c(servers=14, load=load) == pytest.approx(0.1741319335950498, abs=1e-12)
    assert erlang_within(servers=14, load=load, service=3, wait=20 / 60) == pytest.approx(
        0.8883500191794669, abs=1e-12)


@pytest.mark.parametrize(("servers", "waits", "load"), [(8, 0.05, 3.87), (10, 0.01, 4.08)])
def test_load_against_the_erlang_c_table_of_dunlop_girma_and_irvine_1999(
        servers: int, waits: float, load: float) -> None:
    """Dunlop, Girma and Irvine, Digital Mobile Communications and the TETRA System, Wiley 1999,
    A.4, Erlang C table: offered load by channels and chance of a queue, to two digits."""
    found = brentq(lambda a: erlang_c(servers=servers, load=a) - waits, 0.01, servers - 0.01)
    assert found == pytest.approx(load, abs=0.005)


@pytest.mark.parametrize(("servers", "beyond", "rounding"), [(8, 0.016, 5e-4), (10, 0.0022, 5e-5)])
def test_long_waits_against_the_example_of_dunlop_girma_and_irvine_1999(
        servers: int, beyond: float, rounding: float) -> None:
    """The same, example of A.4: share of the queued who wait longer than one service, load 3.87."""
    late = 1 - erlang_within(servers=servers, load=3.87, service=1, wait=1)
    assert late / erlang_c(servers=servers, load=3.87) == pytest.approx(beyond, abs=rounding)


def test_queue_and_time_against_eye_clinic_of_gross_and_harris() -> None:
    """Gross, Shortle, Thompson and Harris, Fundamentals of Queueing Theory, example of the eye
    clinic (from memory): 6 patients an hour, 3 doctors, 20 minutes each: 8/9 of a patient wait on
    average, and a visit takes 28.9 minutes."""
    waits = erlang_c(servers=3, load=2.0)
    waiting = waits * 2 / (3 - 2)
    assert waiting == pytest.approx(8 / 9, abs=1e-12)
    assert 20 + 60 * waiting / 6 == pytest.approx(28.9, abs=0.05)


def test_small_cases_against_the_closed_form() -> None:
    """One server waits with chance equal to the load; two servers: load² / (2 + load)."""
    assert erlang_c(servers=1, load=0.7) == pytest.approx(0.7, abs=1e-12)
    for load in (0.5, 1.0, 1.9):
        assert erlang_c(servers=2, load=load) == pytest.approx(load**2 / (2 + load), abs=1e-12)
    assert erlang_c(servers=3, load=3.0) == 1.0
    assert erlang_within(servers=3, load=3.0, service=1, wait=5) == 0.0


def test_simulated_queue_against_erlang_c() -> None:
    """Poisson arrivals and exponential work: waits as the formula has them, within four errors."""
    rng = np.random.default_rng(5)
    runs = []
    for _ in range(20):
        arrivals = np.cumsum(rng.exponential(1.0, 3000))
        minutes = rng.exponential(3.0, 3000)
        done = done_at(arrivals, minutes, np.zeros(3000, bool), crews=4)
        waits = (done - arrivals - minutes)[500:]
        runs.append([(waits > 1e-9).mean(), (waits <= 2.0).mean(), waits.mean()])
    mean, error = np.mean(runs, axis=0), np.std(runs, axis=0, ddof=1) / np.sqrt(len(runs))
    chance = erlang_c(servers=4, load=3.0)
    expected = [chance, erlang_within(servers=4, load=3.0, service=3.0, wait=2.0),
                chance * 3.0 / (4 - 3)]
    assert (np.abs(mean - expected) < 4 * error).all()
    assert (error < 0.15).all()


def in_order(arrivals: np.ndarray, minutes: np.ndarray, urgent: np.ndarray,
             crews: int) -> np.ndarray:
    """Give each crew as it comes free the job that goes first of all that are there."""
    free, left, done = [0.0] * crews, list(range(len(arrivals))), np.empty(len(arrivals))
    while left:
        now = max(min(free), min(arrivals[job] for job in left))
        job = min((job for job in left if arrivals[job] <= now),
                  key=lambda job: (not urgent[job], arrivals[job], job))
        left.remove(job)
        done[job] = now + minutes[job]
        free[free.index(min(free))] = done[job]
    return done


@pytest.mark.parametrize("crews", [1, 2, 5])
def test_simulated_queue_against_one_worked_out_job_by_job(crews: int) -> None:
    """Several jobs at one minute, as at opening time, included."""
    rng = np.random.default_rng(crews)
    arrivals = np.sort(rng.integers(0, 400, 150)).astype(float)
    minutes, urgent = rng.uniform(1, 9, 150) * crews, rng.random(150) < 0.2
    assert done_at(arrivals, minutes, urgent, crews=crews) == pytest.approx(
        in_order(arrivals, minutes, urgent, crews))


def test_backlog_of_very_many_jobs_is_worked_off_in_order() -> None:
    done = done_at(np.zeros(30_000), np.ones(30_000), np.arange(30_000) == 29_999, crews=1)
    assert done[-1] == 1.0
    assert (done[:-1] == np.arange(2, 30_001)).all()


def test_urgent_jobs_go_first_and_nobody_stops_for_them() -> None:
    done = done_at(np.array([0.0, 1.0, 2.0]), np.array([10.0, 10.0, 10.0]),
                 np.array([False, False, True]), crews=1)
    assert done.tolist() == [10.0, 30.0, 20.0]
