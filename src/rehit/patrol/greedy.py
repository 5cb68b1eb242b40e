"""Putting stops in where they fit: a plain first plan, and what a finished plan has room for."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rehit.patrol.problem import Crew, Problem, Routes, finish_time

# Cheapest places of a stop whose route is timed with its break, which is slow.
MOST_TRIES = 10


def greedy_routes(problem: Problem) -> Routes:
    """Return routes by greedy insertion, must-do stops first.

    The rule (score² over extra time) is the one used by most published starts for the team
    orienteering problem. Time for the break is kept free by shortening the shift.

    Parameters
    ----------
    problem
        The day's stops, crews and travel times.
    """
    crews = [_shortened(crew) for crew in problem.crews]
    routes: Routes = [[] for _ in crews]
    for stage in (problem.must, ~problem.must):
        waiting = np.flatnonzero(stage).tolist()
        found = [{stop: place for stop in waiting
                  if (place := _best_place(problem, crew, route, stop)) is not None}
                 for crew, route in zip(crews, routes, strict=True)]
        while any(found):
            _, neg, index, at = max((value, -stop, index, at) for index, places in enumerate(found)
                                    for stop, (value, at) in places.items())
            routes[index].insert(at, -neg)
            for places in found:
                places.pop(-neg, None)
            # Only the crew that got a stop has other places now; what no longer fits never will.
            found[index] = {
                stop: place for stop in found[index]
                if (place := _best_place(problem, crews[index], routes[index], stop)) is not None}
    return routes


def fill_routes(problem: Problem, routes: Routes,
                legal: Callable[[Crew, list[int]], bool]) -> Routes:
    """Return the routes with every stop added that still fits, must-do and best stops first.

    A search that weighs scores against travel may leave out a stop because its way is long for
    what it is worth; the crew is paid for its shift either way.

    Parameters
    ----------
    problem
        The day's stops, crews and travel times.
    routes
        A plan that keeps every rule.
    legal
        Refuses a route that breaks a rule the problem does not hold.
    """
    full = [list(route) for route in routes]
    planned = {stop for route in full for stop in route}
    waiting = sorted(set(range(problem.n_stops)) - planned,
                     key=lambda s: (not problem.must[s], -problem.score[s], s))
    for stop in waiting:
        places = [(extra, index, route) for index, crew in enumerate(problem.crews)
                  for extra, route in _ways_in(problem, crew, full[index], stop)]
        for _, index, route in sorted(places)[:MOST_TRIES]:
            if legal(problem.crews[index], route):
                full[index] = route
                break
    return full


def _ways_in(problem: Problem, crew: Crew, route: list[int],
             stop: int) -> list[tuple[int, list[int]]]:
    """Return what a stop costs in each place of a route where the clock allows it."""
    if not _carries(problem, crew, [*route, stop]):
        return []
    extra = _extra(problem, crew, route, stop)
    way = np.array([crew.start, *problem.location[route], crew.end], dtype=np.int64)
    busy = int(problem.travel[way[:-1], way[1:]].sum()) + int(problem.service[route].sum())
    free = crew.span - busy
    if crew.rest is not None:
        # Past the moment from which a break is due, its length must fit in too.
        due = crew.earliest + busy + extra > crew.rest.free_until
        extra = np.where(due & (extra + crew.rest.length > free), free + 1, extra)
    tried = [(int(extra[at]), [*route[:at], stop, *route[at:]])
             for at in np.flatnonzero(extra <= free)]
    return [(cost, longer) for cost, longer in tried
            if finish_time(problem, crew, longer) is not None]


def _shortened(crew: Crew) -> Crew:
    if crew.rest is None:
        return crew
    return Crew(start=crew.start, end=crew.end, earliest=crew.earliest,
                latest=crew.latest - crew.rest.length, capacity=crew.capacity)


def _carries(problem: Problem, crew: Crew, route: list[int]) -> bool:
    if not problem.loads.size:
        return True
    return bool((problem.loads[route].sum(axis=0) <= np.array(crew.capacity)).all())


def _best_place(problem: Problem, crew: Crew, route: list[int],
                stop: int) -> tuple[float, int] | None:
    """Return the value and position of the best place of a stop in one route."""
    if not _carries(problem, crew, [*route, stop]):
        return None
    extra = _extra(problem, crew, route, stop)
    for at in np.argsort(extra, kind="stable").tolist():
        if finish_time(problem, crew, [*route[:at], stop, *route[at:]]) is not None:
            return float(problem.score[stop]) ** 2 / max(int(extra[at]), 1), at
    return None


def _extra(problem: Problem, crew: Crew, route: list[int], stop: int) -> np.ndarray:
    """Return the time a stop adds in each place of a route."""
    there = int(problem.location[stop])
    way = np.array([crew.start, *problem.location[route], crew.end], dtype=np.int64)
    return (problem.travel[way[:-1], there] + problem.travel[there, way[1:]]
            - problem.travel[way[:-1], way[1:]] + problem.service[stop])
