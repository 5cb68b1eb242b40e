"""A plain first plan: put in the stop with the best score² per extra second until nothing fits."""

from __future__ import annotations

import numpy as np

from rehit.patrol.problem import Crew, Problem, Routes, finish_time


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


def fits_alone(problem: Problem, stop: int) -> bool:
    """Return whether some crew could do this stop and nothing else in its shift."""
    return any(_carries(problem, crew, [stop]) and finish_time(problem, _shortened(crew), [stop])
               is not None for crew in problem.crews)


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
    there = int(problem.location[stop])
    way = np.array([crew.start, *problem.location[route], crew.end], dtype=np.int64)
    extra = (problem.travel[way[:-1], there] + problem.travel[there, way[1:]]
             - problem.travel[way[:-1], way[1:]] + problem.service[stop])
    for at in np.argsort(extra, kind="stable").tolist():
        if finish_time(problem, crew, [*route[:at], stop, *route[at:]]) is not None:
            return float(problem.score[stop]) ** 2 / max(int(extra[at]), 1), at
    return None
