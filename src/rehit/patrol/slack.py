"""How sure each crew is of being home in time, and what is kept free so that it is sure enough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.patrol.search import Crew, Problem, Routes, route_travel

S_PER_MIN = 60.0
#: A visit to the tap on the way, as the clock of a route has it.
REFILL = -2

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
        The job, where there is one.
    chance
        That there is one: 1 for a reported job.
    """

    sure: np.ndarray
    work: np.ndarray
    chance: np.ndarray


def durations(stops: pd.DataFrame) -> Durations:
    """Return the parts of each stop's time from a `patrol_stops` table.

    ``service_min`` holds the work times its chance; ``work_min``, where known, the whole work.
    """
    reported = (stops["kind"] == "reported").to_numpy()
    chance = np.where(reported, 1.0, stops["expected"].to_numpy(float))
    service = stops["service_min"].to_numpy(float)
    known = stops["work_min"].to_numpy(float)
    work = np.where(np.isfinite(known), known, np.where(reported, service, 0.0))
    sure = np.maximum(service - chance * work, 0.0)
    return Durations(sure * S_PER_MIN, work * S_PER_MIN, chance)


def back_home(problem: Problem, crew: Crew, way: list[tuple[int, int]], times: Durations, *,
              rng: np.random.Generator, parameters: Parameters) -> np.ndarray:
    """Return when a crew is back at its depot on each of many simulated days [s].

    Whether a look finds something, how long each job takes and how the traffic is are drawn anew
    each day; jobs and traffic are lognormal about what is expected. Crews wait for windows and
    take their break where it is planned.

    Parameters
    ----------
    problem, crew
        The day and the crew.
    way
        Its stops with their places in order, the break as stop -1.
    times
        How long each stop may take.
    rng
        Source of the draws.
    parameters
        Reads ``patrol.home_draws``, ``patrol.minutes_spread``, ``patrol.drive_spread``.
    """
    n = int(parameters["patrol.home_draws"])
    drive = _about_one(rng, parameters["patrol.drive_spread"], n)
    now, here = np.full(n, float(crew.earliest)), crew.start
    for stop, there in way:
        now = now + drive * problem.travel[here, there]
        here = there
        if stop == REFILL:
            now = now + (crew.refill or 0)
            continue
        if stop < 0:
            now = np.maximum(now, crew.rest.earliest) + crew.rest.length if crew.rest else now
            continue
        found = rng.random(n) < times.chance[stop]
        work = times.work[stop] * _about_one(rng, parameters["patrol.minutes_spread"], n)
        now = np.maximum(now, problem.earliest[stop]) + times.sure[stop] + found * work
    back: np.ndarray = now + drive * problem.travel[here, crew.end]
    return back


def _about_one(rng: np.random.Generator, spread: float, n: int) -> np.ndarray:
    """Draw factors with mean 1."""
    draws: np.ndarray = rng.lognormal(-spread**2 / 2, spread, n)
    return draws


@dataclass(frozen=True)
class Reserved:
    """Routes with time kept free.

    Attributes
    ----------
    routes
        The stops of each crew in order.
    home
        For each crew the chance of being home in time.
    given_up
        Looks given up for that.
    missing_s
        Time by which the routes given overran the chance wanted, mean of the crews [s].
    """

    routes: Routes
    home: list[float]
    given_up: set[int]
    missing_s: float


def with_reserve(problem: Problem, routes: Routes, way: Way, times: Durations, *, seed: int,
                 parameters: Parameters) -> Reserved:
    """Return the routes made short enough for the chance wanted.

    Of a crew that is not sure enough, looks are given up one by one, those that find least for
    the time they take first. Reported jobs stay.

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
    made, chances, dropped, missing = [], [], set(), 0.0
    wanted = parameters["patrol.home_chance"]
    for number, (crew, route) in enumerate(zip(problem.crews, routes, strict=True)):
        kept, chance = list(route), 1.0
        while kept:
            steps = way(crew, kept)
            if steps is None:
                break
            back = back_home(problem, crew, steps, times, parameters=parameters,
                             rng=np.random.default_rng([seed, number]))
            chance = float((back <= crew.latest).mean())
            if len(kept) == len(route):
                missing += max(float(np.quantile(back, wanted)) - crew.latest, 0.0)
            looks = [s for s in kept if not problem.must[s]]
            if chance >= wanted or not looks:
                break
            least = min(looks, key=lambda s: (_yield(problem, crew, kept, s), s))
            kept = [s for s in kept if s != least]
            dropped.add(least)
        made.append(kept)
        chances.append(chance if kept else 1.0)
    return Reserved(made, chances, dropped, missing / len(made))


def _yield(problem: Problem, crew: Crew, route: list[int], stop: int) -> float:
    """Return what a stop is worth for each second it takes."""
    without = [s for s in route if s != stop]
    extra = route_travel(problem, crew, route) - route_travel(problem, crew, without)
    return float(problem.score[stop]) / max(extra + int(problem.service[stop]), 1)
