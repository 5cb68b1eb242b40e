"""One day's routing problem as plain arrays: what the search and its greedy start work on.

Times are whole seconds, or any other whole unit used throughout. Rows and columns of the travel
matrix are locations; stops, depots and break places point into it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np


@dataclass(frozen=True)
class Break:
    """A rest one crew must take: its length, when it may begin, at which locations.

    A day that ends by `free_until` needs none.
    """

    length: int
    earliest: int
    latest: int
    locations: tuple[int, ...]
    free_until: int = -1


@dataclass(frozen=True)
class Crew:
    """One vehicle with its crew: where it starts and ends, when, and what it can carry.

    `capacity` holds one whole number per load dimension of the stops.
    """

    start: int
    end: int
    earliest: int
    latest: int
    capacity: tuple[int, ...] = ()
    rest: Break | None = None

    @property
    def span(self) -> int:
        """Time from the beginning to the end of the shift."""
        return self.latest - self.earliest


@dataclass(frozen=True)
class Problem:
    """Stops worth visiting, crews to visit them, and the travel times between locations.

    Attributes
    ----------
    travel
        Whole travel times from location to location.
    location, service, earliest, latest
        Of each stop: its row in `travel`, time spent there, window in which work may begin.
    score
        What a visit is worth; for a stop that must be done, what it is worth among those.
    must
        Whether leaving the stop out is a failure: one such stop outweighs all ordinary ones.
    loads
        Stops by load dimensions, whole numbers.
    crews
        The vehicles.
    """

    travel: np.ndarray
    location: np.ndarray
    service: np.ndarray
    earliest: np.ndarray
    latest: np.ndarray
    score: np.ndarray
    must: np.ndarray
    crews: tuple[Crew, ...]
    loads: np.ndarray = field(default_factory=lambda: np.zeros((0, 0), dtype=np.int64))

    @property
    def n_stops(self) -> int:
        """Number of stops."""
        return len(self.location)

    @property
    def budget(self) -> float:
        """Time of all crews together."""
        return float(sum(crew.span for crew in self.crews))


Routes = list[list[int]]
"""For each crew, its stops in order; breaks are left out and placed when the plan is timed."""


def worth(problem: Problem, routes: Routes) -> tuple[float, float, float]:
    """Return what a plan is worth, best compared as a tuple: must-do score, score, less travel."""
    done = np.array([stop for route in routes for stop in route], dtype=np.int64)
    must = problem.must[done] if len(done) else np.zeros(0, dtype=bool)
    score = problem.score[done] if len(done) else np.zeros(0)
    travel = sum(route_travel(problem, crew, route)
                 for crew, route in zip(problem.crews, routes, strict=True))
    return float(score[must].sum()), float(score[~must].sum()), -float(travel)


def route_travel(problem: Problem, crew: Crew, route: list[int]) -> int:
    """Return the travel time of a route, depot to depot."""
    if not route:
        return 0
    way = np.array([crew.start, *problem.location[route], crew.end])
    return int(problem.travel[way[:-1], way[1:]].sum())


def finish_time(problem: Problem, crew: Crew, route: list[int]) -> int | None:
    """Return when a crew that leaves at shift start is back, or None if some window is missed.

    The break is not counted here.
    """
    now, here = crew.earliest, crew.start
    for stop in route:
        there = int(problem.location[stop])
        now = max(now + int(problem.travel[here, there]), int(problem.earliest[stop]))
        if now > problem.latest[stop]:
            return None
        now += int(problem.service[stop])
        here = there
    now += int(problem.travel[here, crew.end])
    return now if now <= crew.latest else None


def restricted(problem: Problem, keep: np.ndarray) -> Problem:
    """Return the problem with only the stops at positions `keep` and the locations they need."""
    rests = [crew.rest.locations for crew in problem.crews if crew.rest]
    used = sorted({*problem.location[keep].tolist(), *(place for rest in rests for place in rest),
                   *(place for crew in problem.crews for place in (crew.start, crew.end))})
    new = {old: at for at, old in enumerate(used)}
    crews = tuple(replace(
        crew, start=new[crew.start], end=new[crew.end],
        rest=crew.rest and replace(crew.rest, locations=tuple(new[p] for p in crew.rest.locations)))
        for crew in problem.crews)
    return Problem(
        travel=problem.travel[np.ix_(used, used)].copy(), crews=crews,
        location=np.array([new[int(p)] for p in problem.location[keep]], dtype=np.int64),
        service=problem.service[keep], earliest=problem.earliest[keep], latest=problem.latest[keep],
        score=problem.score[keep], must=problem.must[keep],
        loads=problem.loads[keep] if problem.loads.size else problem.loads)
