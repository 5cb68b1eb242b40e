"""What lateness costs: service standards stay in force when missed, and weigh more each day."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.patrol.search import Crew, Problem, Routes, carries, route_travel

S_PER_MIN = 60.0
S_PER_H = 3600.0
H_PER_DAY = 24.0
#: A standard that can be kept is kept, however far the way: more than any day's driving.
MISSED_S = 24 * S_PER_H
#: Rounds of moving late jobs forward; each ends sooner where no move helps.
ROUNDS = 4
#: Best places tried with the break in its place, looks that may give way, least worth a move.
EXACT_TRIES, MOST_DROPPED, LEAST_GAIN_S = 6, 2, 1.0

Starts = Callable[[Crew, list[int]], dict[int, int] | None]
"""When work at each stop of a route begins [s], or None for a route that breaks a rule."""


def due_minutes(jobs: pd.DataFrame, *, day: date, time_zone: str, holidays: Sequence[date],
                parameters: Parameters) -> pd.Series:
    """Return by when each open job is due, in minutes of the day; below 0 it is overdue.

    Offensive jobs are due ``service.offensive_hours`` after the report (of a log that gives only
    days, after the end of that day), others at the end of the last of
    ``service.ordinary_working_days`` after it.

    Parameters
    ----------
    jobs
        ``reported_at`` [UTC], ``reported_precision``, ``priority``.
    day
        The day whose midnight counts as 0.
    time_zone
        Time zone of the project.
    holidays
        Days that are no working days; Saturdays and Sundays never are.
    parameters
        Reads the two numbers named.
    """
    at = jobs["reported_at"].dt.tz_convert(time_zone).dt.tz_localize(None)
    closed = at.where(jobs["reported_precision"] == "minute",
                      at.dt.normalize() + pd.Timedelta(days=1))
    offensive = closed + pd.Timedelta(hours=parameters["service.offensive_hours"])
    last = np.busday_offset(
        at.to_numpy("datetime64[D]"), int(parameters["service.ordinary_working_days"]),
        roll="backward", holidays=np.array(holidays, dtype="datetime64[D]"))
    ordinary = pd.Series(pd.to_datetime(last), index=jobs.index) + pd.Timedelta(days=1)
    due = offensive.where(jobs["priority"] == "offensive", ordinary)
    minutes: pd.Series = (due - pd.Timestamp(day)).dt.total_seconds() / S_PER_MIN
    return minutes


def late_cost(start_s: np.ndarray, due_s: np.ndarray, offensive: np.ndarray, *,
              parameters: Parameters) -> np.ndarray:
    """Return what beginning jobs after they were due is worth in crew seconds.

    An hour late costs ``patrol.late_offensive_minutes`` or ``patrol.late_ordinary_minutes``, and
    each further day of lateness adds ``patrol.late_growth_per_day`` of that to every hour. Not due
    (not a number) costs nothing.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> numbers = load_parameters().override({"patrol.late_offensive_minutes": 30,
    ...     "patrol.late_growth_per_day": 0.5})
    >>> hours = np.array([0.0, 1.0, 25.0]) * 3600
    >>> cost = late_cost(hours, np.full(3, 3600.0), np.full(3, True), parameters=numbers)
    >>> (cost / 60).round(1).tolist()
    [0.0, 0.0, 1080.0]
    """
    hours = np.nan_to_num(np.maximum(start_s - due_s, 0.0)) / S_PER_H
    rate = np.where(offensive, parameters["patrol.late_offensive_minutes"],
                    parameters["patrol.late_ordinary_minutes"]) * S_PER_MIN
    cost: np.ndarray = rate * hours * (
        1 + parameters["patrol.late_growth_per_day"] * hours / H_PER_DAY)
    return cost


def job_weights(due_s: np.ndarray, offensive: np.ndarray, *, end_s: float,
                parameters: Parameters) -> np.ndarray:
    """Return what each reported job counts where not all can be done: older ones more.

    The weight grows by ``patrol.late_growth_per_day`` for each day late at `end_s`, and a little
    with age before that, so that of jobs not yet due the oldest comes first.
    """
    days = (end_s - due_s) / S_PER_H / H_PER_DAY
    grown = np.where(np.isfinite(days), np.logaddexp(0.0, np.nan_to_num(days)), 0.0)
    weight: np.ndarray = np.where(offensive, parameters["patrol.offensive_score"], 1.0) * (
        1 + parameters["patrol.late_growth_per_day"] * grown)
    return weight


@dataclass(frozen=True)
class Late:
    """What it takes to price a route's lateness.

    Attributes
    ----------
    problem
        The day's stops, crews and travel times.
    starts
        When work begins along a route.
    due_s
        When each stop is due [s], not a number for none.
    offensive
        Which stops are offensive jobs.
    parameters
        As for :func:`late_cost`.
    """

    problem: Problem
    starts: Starts
    due_s: np.ndarray
    offensive: np.ndarray
    parameters: Parameters

    def paid(self, route: list[int], begun: np.ndarray) -> np.ndarray:
        """Return what each stop of a route costs by lateness [s]."""
        at = np.array(route, dtype=np.int64)
        missed = np.where(begun > self.due_s[at], MISSED_S, 0.0)
        cost: np.ndarray = missed + late_cost(begun, self.due_s[at], self.offensive[at],
                                              parameters=self.parameters)
        return cost

    def exact(self, crew: Crew, route: list[int]) -> float:
        """Return driving and lateness of a route [s], infinite for one that breaks a rule."""
        begun = self.starts(crew, route)
        if begun is None:
            return np.inf
        clock = np.array([begun[stop] for stop in route], dtype=float)
        return float(self.paid(route, clock).sum()) + route_travel(self.problem, crew, route)

    def quick(self, crew: Crew, route: list[int]) -> float:
        """Return no more than :meth:`exact`, without looking for a place for the break."""
        p, now, here, clock = self.problem, crew.earliest, crew.start, []
        for stop in route:
            there = int(p.location[stop])
            now = max(now + int(p.travel[here, there]), int(p.earliest[stop]))
            if now > p.latest[stop]:
                return np.inf
            clock.append(now)
            now, here = now + int(p.service[stop]), there
        back = now + int(p.travel[here, crew.end])
        rest = crew.rest.length if crew.rest and route and back > crew.rest.free_until else 0
        if back + rest > crew.latest:
            return np.inf
        return float(self.paid(route, np.array(clock, dtype=float)).sum()) + route_travel(
            p, crew, route)


def hasten(late: Late, routes: Routes) -> Routes:
    """Return the routes with late jobs moved to where driving and lateness together cost least.

    A job may move within its route or to another crew. Where it only fits in place of looks, the
    least likely ones give way, as long as the lateness saved is worth more than their markings.

    Parameters
    ----------
    late
        The day and what its lateness costs.
    routes
        A plan that keeps every rule.
    """
    best = [list(route) for route in routes]
    costs = [late.exact(c, route) for c, route in zip(late.problem.crews, best, strict=True)]
    worth = _seconds_per_marking(late.problem, best)
    for _ in range(ROUNDS):
        moved = [_move(late, best, costs, stop, worth) for stop in _late_first(late, best)]
        if not any(moved):
            break
    return best


def _seconds_per_marking(problem: Problem, routes: Routes) -> float:
    looks = [stop for route in routes for stop in route if not problem.must[stop]]
    found = float(problem.score[looks].sum()) if looks else 0.0
    return problem.budget / found if found > 0 else np.inf


def _late_first(late: Late, routes: Routes) -> list[int]:
    """Return the jobs begun late, the costliest first."""
    found: list[tuple[float, int]] = []
    for crew, route in zip(late.problem.crews, routes, strict=True):
        begun = late.starts(crew, route) or {}
        paid = late.paid(route, np.array([begun.get(s, np.nan) for s in route], dtype=float))
        found += [(-float(cost), stop) for cost, stop in zip(paid, route, strict=True) if cost > 0]
    return [stop for _, stop in sorted(found)]


def _move(late: Late, routes: Routes, costs: list[float], stop: int, worth: float) -> bool:
    """Move one stop to its best place in the routes given, if that helps; say whether it did."""
    crews = late.problem.crews
    home = next(i for i, route in enumerate(routes) if stop in route)
    rest = [s for s in routes[home] if s != stop]
    rest_cost = late.exact(crews[home], rest)
    tries: list[tuple[float, int, list[int], float]] = []
    for index, crew in enumerate(crews):
        base, outside = (rest, 0.0) if index == home else (routes[index], rest_cost - costs[home])
        for at in range(len(base) + 1):
            fits = _made_to_fit(late, crew, [*base[:at], stop, *base[at:]], stop)
            if fits is not None:
                route, cost, lost = fits
                extra = outside + (lost * worth if lost else 0.0)
                gain = cost + extra - costs[index]
                tries.append((gain, index, route, extra))
    for gain, index, route, extra in sorted(tries)[:EXACT_TRIES]:
        if gain >= -LEAST_GAIN_S:
            break
        cost = late.exact(crews[index], route)
        if cost + extra - costs[index] < -LEAST_GAIN_S:
            routes[home], costs[home] = rest, rest_cost
            routes[index], costs[index] = route, cost
            return True
    return False


def _made_to_fit(late: Late, crew: Crew, route: list[int],
                 stop: int) -> tuple[list[int], float, float] | None:
    """Return a route less the looks it has no room for, its cost, and the markings they lose."""
    problem = late.problem
    if not carries(problem, crew, route):
        return None
    lost, kept = 0.0, list(route)
    for _ in range(MOST_DROPPED + 1):
        cost = late.quick(crew, kept)
        if np.isfinite(cost):
            return kept, cost, lost
        looks = [s for s in kept if not problem.must[s] and s != stop]
        if not looks:
            return None
        least = min(looks, key=lambda s: (problem.score[s] / max(int(problem.service[s]), 1), s))
        kept.remove(least)
        lost += float(problem.score[least])
    return None
