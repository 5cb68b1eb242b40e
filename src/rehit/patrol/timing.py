"""When a crew is where: a route walked from shift start, its break put where it costs least."""

from __future__ import annotations

from dataclasses import dataclass

from rehit.patrol.problem import Crew, Problem, Routes

BREAK = -1


@dataclass(frozen=True)
class Visit:
    """One stop or break of a timed route: arrival, start of work, end of work."""

    stop: int
    location: int
    arrive: int
    start: int
    leave: int


@dataclass(frozen=True)
class Timed:
    """A route with its clock: when the crew is back at its depot."""

    visits: tuple[Visit, ...]
    back: int


def time_route(problem: Problem, crew: Crew, route: list[int]) -> Timed | None:
    """Return the route's clock with the break in the best place, or None if it cannot be kept.

    The best place is the one that brings the crew back earliest.
    """
    plain = _walk(problem, crew, [(stop, int(problem.location[stop])) for stop in route])
    if crew.rest is None or not route:
        return plain
    if plain and plain.back <= crew.rest.free_until:
        return plain
    best: Timed | None = None
    for at in range(len(route) + 1):
        for place in crew.rest.locations:
            way = [(stop, int(problem.location[stop])) for stop in route]
            way.insert(at, (BREAK, place))
            timed = _walk(problem, crew, way)
            if timed and (best is None or timed.back < best.back):
                best = timed
    return best


def time_routes(problem: Problem, routes: Routes) -> list[Timed | None]:
    """Time every route of a plan."""
    return [time_route(problem, crew, route)
            for crew, route in zip(problem.crews, routes, strict=True)]


def _walk(problem: Problem, crew: Crew, way: list[tuple[int, int]]) -> Timed | None:
    now, here = crew.earliest, crew.start
    visits = []
    for stop, there in way:
        arrive = now + int(problem.travel[here, there])
        if stop == BREAK and crew.rest is not None:
            opens, closes, length = crew.rest.earliest, crew.rest.latest, crew.rest.length
        else:
            opens, closes = int(problem.earliest[stop]), int(problem.latest[stop])
            length = int(problem.service[stop])
        start = max(arrive, opens)
        if start > closes:
            return None
        now, here = start + length, there
        visits.append(Visit(stop, there, arrive, start, now))
    back = now + int(problem.travel[here, crew.end])
    return Timed(tuple(visits), back) if back <= crew.latest else None
