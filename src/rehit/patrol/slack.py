"""How sure each crew is of being home in time, and when it drives on to be sure enough."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.patrol.search import Crew, Problem, Routes

S_PER_MIN = 60.0
#: A visit to the tap on the way, as the clock of a route has it.
REFILL = -2
#: A chance above this is taken as this: a sure find says nothing of how many there are.
SURELY = 0.99
SPARE_STEP_S = 300.0
#: A look that is made on fewer days than this is none of the day's.
SELDOM = 0.1

Way = Callable[[Crew, list[int]], list[tuple[int, int]] | None]
"""The stops of a route with their places, its break as stop -1 and refills as -2, in order."""


@dataclass(frozen=True)
class Durations:
    """How long each stop may take [s].

    Attributes
    ----------
    sure
        Setting up, looking, packing up: spent in any case.
    work
        The job, for each marking.
    markings
        How many are expected there that nobody has reported.
    """

    sure: np.ndarray
    work: np.ndarray
    markings: np.ndarray


def durations(stops: pd.DataFrame) -> Durations:
    """Return the parts of each stop's time from a `patrol_stops` table.

    ``service_min`` holds the work times the markings expected; ``work_min``, where known, that of
    one. A place is marked with the chance ``expected``, by a geometric number of markings; a
    reported job has one, and a geometric number of ``more``.
    """
    reported = (stops["kind"] == "reported").to_numpy()
    chance = np.minimum(stops["expected"].to_numpy(float), SURELY)
    markings = np.where(reported, stops["more"].to_numpy(float), chance / (1 - chance))
    service = stops["service_min"].to_numpy(float)
    known = stops["work_min"].to_numpy(float)
    work = np.where(np.isfinite(known), known, np.where(reported, service, 0.0))
    sure = np.maximum(service - (reported + markings) * work, 0.0)
    return Durations(sure * S_PER_MIN, work * S_PER_MIN, markings)


def leave_times(problem: Problem, crew: Crew, way: list[tuple[int, int]], times: Durations, *,
                spare_s: float) -> dict[int, float]:
    """Return by when each stop of a route must be left [s], whatever is left to do there.

    After it the crew drives on past all later looks, does the jobs that still wait, and is home
    `spare_s` before its shift ends.

    Parameters
    ----------
    problem, crew
        The day and the crew.
    way
        Its stops with their places in order, its break as stop -1 and refills as -2.
    times
        How long each stop may take.
    spare_s
        Time kept for jobs and drives that take longer than expected [s].

    Examples
    --------
    A look, then a job of ten minutes, each a minute's drive away, home by the 20th minute:

    >>> day = Problem(travel=60 - 60 * np.eye(3, dtype=np.int64), location=np.array([1, 2]),
    ...               service=np.array([60, 600]), earliest=np.zeros(2), latest=np.full(2, 9999),
    ...               score=np.ones(2), must=np.array([False, True]), crews=())
    >>> times = Durations(np.array([60.0, 0.0]), np.array([0.0, 600.0]), np.array([0.1, 0.0]))
    >>> leave_times(day, Crew(0, 0, 0, 1200), [(0, 1), (1, 2)], times, spare_s=0.0)
    {1: 1140.0, 0: 480.0}
    """
    ends, after, leave_by = crew.latest - spare_s, crew.end, {}
    for stop, there in reversed(way):
        by = ends - float(problem.travel[there, after])
        if stop >= 0:
            leave_by[stop] = by
        if stop < 0 or problem.must[stop]:
            begins = by - _sure_s(problem, crew, times, stop)
            ends = begins if stop < 0 else min(begins, float(problem.latest[stop]))
            after = there
    return leave_by


def _sure_s(problem: Problem, crew: Crew, times: Durations, stop: int) -> float:
    """Return what a stop, break or refill takes at least on an ordinary day [s]."""
    if stop == REFILL:
        return float(crew.refill or 0)
    if stop < 0:
        return float(crew.rest.length) if crew.rest else 0.0
    jobs = 1 + times.markings[stop] if problem.must[stop] else 0.0
    return float(times.sure[stop] + jobs * times.work[stop])


def back_home(problem: Problem, crew: Crew, way: list[tuple[int, int]], times: Durations, *,
              leave_by: Mapping[int, float], rng: np.random.Generator,
              parameters: Parameters) -> tuple[np.ndarray, dict[int, float]]:
    """Return when a crew is back on each of many simulated days [s], and how often each stop is
    made.

    How many markings a look finds, how long each job takes and how the traffic is are drawn anew
    each day; jobs and traffic are lognormal about what is expected. A crew that would come too
    late to a look drives past it, and leaves markings for which there is no time before it must
    drive on; a reported job is always done. Crews wait for windows and take their break where it
    is planned.

    Parameters
    ----------
    problem, crew
        The day and the crew.
    way
        Its stops with their places in order, its break as stop -1 and refills as -2.
    times
        How long each stop may take.
    leave_by
        From :func:`leave_times`; where a stop is not in it, all is done.
    rng
        Source of the draws.
    parameters
        Reads ``patrol.home_draws``, ``patrol.minutes_spread``, ``patrol.drive_spread``.
    """
    n = int(parameters["patrol.home_draws"])
    drive = _about_one(rng, parameters["patrol.drive_spread"], n)
    now, here, made = np.full(n, float(crew.earliest)), np.full(n, crew.start), {}
    for stop, there in way:
        reached = now + drive * problem.travel[here, there]
        if stop < 0:
            wait = crew.rest.earliest if crew.rest and stop != REFILL else 0
            now = np.maximum(reached, wait) + _sure_s(problem, crew, times, stop)
            here = np.full(n, there)
            continue
        found = problem.must[stop] + rng.geometric(1 / (1 + times.markings[stop]), n) - 1
        work = times.work[stop] * _about_one(rng, parameters["patrol.minutes_spread"], n)
        looked = np.maximum(reached, problem.earliest[stop]) + times.sure[stop]
        left = leave_by.get(stop, np.inf) - looked
        room = np.floor(left / times.work[stop]) if times.work[stop] else np.inf
        done = np.clip(found, problem.must[stop], np.maximum(room, problem.must[stop]))
        goes = problem.must[stop] | (left >= 0)
        now = np.where(goes, looked + done * work, now)
        here = np.where(goes, there, here)
        made[stop] = float(goes.mean())
    return now + drive * problem.travel[here, crew.end], made


def _about_one(rng: np.random.Generator, spread: float, n: int) -> np.ndarray:
    """Draw factors with mean 1."""
    draws: np.ndarray = rng.lognormal(-spread**2 / 2, spread, n)
    return draws


@dataclass(frozen=True)
class HomeInTime:
    """Routes with the times at which looks are left out so that crews are home in time.

    Attributes
    ----------
    routes
        The stops of each crew in order.
    home
        For each crew the chance of being home in time.
    leave_by
        By when each stop must be left, and a look has been begun [s].
    made
        How likely there is time for each stop.
    """

    routes: Routes
    home: list[float]
    leave_by: dict[int, float]
    made: dict[int, float]


def home_in_time(problem: Problem, routes: Routes, way: Way, times: Durations, *, seed: int,
                 parameters: Parameters) -> HomeInTime:
    """Return when each stop must be left for the chance wanted of each crew being home in time.

    As little time is kept free as suffices, by steps of `SPARE_STEP_S`. Looks for which there is
    hardly ever time are taken out of the routes; reported jobs stay.

    Parameters
    ----------
    problem, routes
        The day and a plan that keeps every rule.
    way
        Where a route's break is.
    times
        How long each stop may take.
    seed
        Whole number; the same seed gives the same draws.
    parameters
        Reads ``patrol.home_chance`` and what :func:`back_home` reads.
    """
    kept, home = [], []
    leave_by: dict[int, float] = {}
    made: dict[int, float] = {}
    for number, (crew, route) in enumerate(zip(problem.crews, routes, strict=True)):
        rest, chance = list(route), 1.0
        by: dict[int, float] = {}
        share: dict[int, float] = {}
        while rest and (steps := way(crew, rest)) is not None:
            chance, by, share = _spare_enough(problem, crew, steps, times, parameters=parameters,
                                              seed=[seed, number])
            often = [s for s in rest if problem.must[s] or share[s] >= SELDOM]
            if len(often) == len(rest):
                break
            rest = often
        kept.append(rest)
        home.append(chance if rest else 1.0)
        leave_by |= {stop: by[stop] for stop in rest if stop in by}
        made |= {stop: share[stop] for stop in rest if stop in share}
    return HomeInTime(kept, home, leave_by, made)


def _spare_enough(problem: Problem, crew: Crew, way: list[tuple[int, int]], times: Durations, *,
                  seed: list[int], parameters: Parameters,
                  ) -> tuple[float, dict[int, float], dict[int, float]]:
    """Return chance of being home, times to leave and shares made, the least time kept free."""
    spare_s = 0.0
    while True:
        by = leave_times(problem, crew, way, times, spare_s=spare_s)
        back, made = back_home(problem, crew, way, times, leave_by=by, parameters=parameters,
                               rng=np.random.default_rng(seed))
        chance = float((back <= crew.latest).mean())
        if chance >= parameters["patrol.home_chance"] or not any(
                made[stop] for stop in by if not problem.must[stop]):
            return chance, by, made
        spare_s += SPARE_STEP_S
