"""Team orienteering by a small portfolio of PyVRP runs, best plan kept.

A prize is worth its score times a weight times lambda, where lambda is the time budget over the
score of the best plan so far: a point is then worth a few times what it costs to fetch on average.
No single weight is best everywhere, so several are tried, each run starting where the best plan
stands or afresh; at the end the best non-overlapping routes seen anywhere are put together by
an exact set-packing model, and whatever still fits is added.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyvrp
from pyvrp.exceptions import PenaltyBoundWarning
from pyvrp.search import (
    OPERATORS,
    LocalSearch,
    PerturbationManager,
    PerturbationParams,
    compute_neighbours,
)

from rehit.patrol.greedy import fill_routes, greedy_routes
from rehit.patrol.packing import pack_routes
from rehit.patrol.problem import Crew, Problem, Routes, worth

WEIGHTS = (2.0, 3.0, 1.5, 5.0, 10.0)
# Fewest and most moves that shake a plan between local searches. Larger shakes than PyVRP's own
# (1 to 25) find the published best of p4.2.f, which the default misses at any weight.
SHAKES = ((5, 50), (1, 10), (1, 25))
MUST_WEIGHT = 3.0
PENALTY = 2.0
FRESH_SHARE = 2 / 3
# Plans looked at between changes of the penalties. PyVRP's own 500 leave a run of some hundred
# steps no time to find penalties that fit the prizes: with jobs that must be done, such runs never
# came by a plan that keeps the shifts, or only by one that leaves out jobs.
PENALTY_UPDATES = 20
# Prizes above a few thousand times the ordinary ones drown the penalties of the search.
MUST_CEILING = 2000.0

Stop = Callable[[int], bool]


@dataclass(frozen=True)
class Searched:
    """The best routes found, those of the greedy start, and how many runs were made."""

    routes: Routes
    greedy: Routes
    n_runs: int


def search_routes(problem: Problem, *, stops: Sequence[Stop], seed: int,
                  legal: Callable[[Crew, list[int]], bool] | None = None,
                  start: Routes | None = None) -> Searched:
    """Return the best routes that a portfolio of runs finds.

    Parameters
    ----------
    problem
        The day's stops, crews and travel times.
    stops
        One PyVRP stopping criterion per run; runs cycle through the prize weights.
    seed
        Whole number; the same seed, problem and iteration-counting criteria give the same routes.
    legal
        Refuses a route that breaks a rule the search does not know; every best plan is asked.
    start
        Routes to start from, for example this morning's plan.
    """
    allowed = legal or _anything
    greedy = greedy_routes(problem)
    def accept(routes: Routes) -> bool:
        return all(map(allowed, problem.crews, routes))

    starts = [_made_legal(problem, r, allowed) for r in (greedy, start) if r is not None]
    best = max(starts, key=lambda routes: worth(problem, routes))
    pool: dict[tuple[int, tuple[int, ...]], None] = {}
    fleet = Fleet.of(problem.crews)
    for run, stop in enumerate(stops):
        weight = WEIGHTS[run % len(WEIGHTS)]
        data = model(problem, fleet, prizes=prizes(problem, best, weight))
        # Fresh starts find other valleys; only the last third goes on from the best plan.
        warm = run >= len(stops) * FRESH_SHARE or (run == 0 and start is not None)
        for routes in _run(problem, fleet, data, stop, seed=seed + run,
                           shake=_shake(problem, run), penalty=PENALTY * weight,
                           start=best if warm else None):
            pool |= {(kind, tuple(routes[crew])): None for kind, crews in enumerate(fleet.members)
                     for crew in crews if routes[crew]}
            if worth(problem, routes) > worth(problem, best) and accept(routes):
                best = routes
    packed = pack_routes(problem, list(pool), fleet.members, best)
    if worth(problem, packed) > worth(problem, best) and accept(packed):
        best = packed
    best = fill_routes(problem, best, allowed)
    return Searched(best, greedy, len(stops))


def _shake(problem: Problem, run: int) -> tuple[int, int]:
    # Where every stop is a must, nothing can be swapped for another: small shakes do better.
    return SHAKES[-1] if problem.must.all() else SHAKES[run % len(SHAKES)]


def _anything(crew: Crew, route: list[int]) -> bool:  # noqa: ARG001
    return True


def _made_legal(problem: Problem, routes: Routes,
                legal: Callable[[Crew, list[int]], bool]) -> Routes:
    """Drop the least valuable stops of each route until it is legal."""
    made = []
    for crew, route in zip(problem.crews, routes, strict=True):
        kept = list(route)
        while kept and not legal(crew, kept):
            kept.remove(min(kept, key=lambda s: (bool(problem.must[s]), problem.score[s], -s)))
        made.append(kept)
    return made


@dataclass(frozen=True)
class Fleet:
    """Crews grouped into kinds that cannot be told apart, as the search counts them."""

    kinds: tuple[Crew, ...]
    members: tuple[tuple[int, ...], ...]
    rests: tuple[int, ...]

    @classmethod
    def of(cls, crews: Sequence[Crew]) -> Fleet:
        """Group equal crews."""
        kinds: dict[Crew, list[int]] = {}
        for index, crew in enumerate(crews):
            kinds.setdefault(crew, []).append(index)
        rests = tuple(i for i, crew in enumerate(kinds) if crew.rest is not None)
        return cls(tuple(kinds), tuple(tuple(m) for m in kinds.values()), rests)


def prizes(problem: Problem, best: Routes, weight: float) -> np.ndarray:
    """Return whole-number prizes: score x weight x lambda, must-do stops far above the rest."""
    must_score, score, _ = worth(problem, best)
    plain = problem.score[~problem.must]
    reached = score or must_score or 1.0
    unit = weight * problem.budget / reached
    values = problem.score * unit
    if problem.must.any():
        far = 2.0 * float(problem.travel.max()) + float(problem.service.max(initial=0))
        ordinary = float(values[~problem.must].sum()) if len(plain) else 0.0
        ceiling = MUST_CEILING * (float(values[~problem.must].mean()) if len(plain) else np.inf)
        base = max(min(ordinary, ceiling), MUST_WEIGHT * far)
        smallest = float(problem.score[problem.must].min())
        values[problem.must] = base * problem.score[problem.must] / max(smallest, 1e-9)
    return np.maximum(np.rint(values), 0).astype(np.int64)


def model(problem: Problem, fleet: Fleet, *, prizes: np.ndarray) -> pyvrp.ProblemData:
    """Return the problem in PyVRP's terms, each break a group of optional clients."""
    n_loads = problem.loads.shape[1] if problem.loads.size else 0
    none = [0] * (n_loads + len(fleet.rests))
    clients = []
    for stop in range(problem.n_stops):
        load = none.copy()
        load[:n_loads] = problem.loads[stop].tolist() if n_loads else []
        clients.append(pyvrp.Client(
            location=int(problem.location[stop]), delivery=load,
            service_duration=int(problem.service[stop]), tw_early=int(problem.earliest[stop]),
            tw_late=int(problem.latest[stop]), prize=int(prizes[stop]), required=False))
    groups: list[pyvrp.ClientGroup] = []
    # One missed break must cost more than anything it could make room for.
    rest_prize = int(2 * max(float(prizes.max(initial=0)), 10.0 * problem.budget))
    for at, kind in enumerate(fleet.rests):
        rest = fleet.kinds[kind].rest
        load = none.copy()
        load[n_loads + at] = 1
        for _ in fleet.members[kind]:
            group = pyvrp.ClientGroup(required=False)
            for place in rest.locations if rest else ():
                group.add_client(len(clients))
                clients.append(pyvrp.Client(
                    location=place, delivery=load, service_duration=rest.length if rest else 0,
                    tw_early=rest.earliest if rest else 0, tw_late=rest.latest if rest else 0,
                    prize=rest_prize, required=False, group=len(groups)))
            groups.append(group)
    ends = sorted({place for crew in fleet.kinds for place in (crew.start, crew.end)})
    types = [_vehicle_type(fleet, kind, ends, n_loads) for kind in range(len(fleet.kinds))]
    timed = _has_clock(problem, fleet)
    zero = np.zeros_like(problem.travel)
    return pyvrp.ProblemData(
        locations=[pyvrp.Location(0, 0) for _ in range(len(problem.travel))], clients=clients,
        depots=[pyvrp.Depot(location=place) for place in ends],
        vehicle_types=types if timed else [_by_distance(t) for t in types],
        distance_matrices=[problem.travel],  # type: ignore[list-item]
        groups=groups,
        duration_matrices=[problem.travel if timed else zero])  # type: ignore[list-item]


def _has_clock(problem: Problem, fleet: Fleet) -> bool:
    open_all_day = all((problem.earliest <= crew.earliest).all()
                       and (problem.latest >= crew.latest).all() for crew in fleet.kinds)
    return not open_all_day or bool(fleet.rests) or bool(problem.service.any())


def _vehicle_type(fleet: Fleet, kind: int, ends: list[int], n_loads: int) -> pyvrp.VehicleType:
    crew = fleet.kinds[kind]
    capacity = [*crew.capacity[:n_loads], *(int(kind == rest) for rest in fleet.rests)]
    return pyvrp.VehicleType(
        num_available=len(fleet.members[kind]), capacity=capacity,
        start_depot=ends.index(crew.start), end_depot=ends.index(crew.end),
        tw_early=crew.earliest, tw_late=crew.latest, unit_distance_cost=1)


def _by_distance(kind: pyvrp.VehicleType) -> pyvrp.VehicleType:
    # Without windows and service the shift is a length: the search is faster without a clock.
    return kind.replace(max_distance=kind.tw_late - kind.tw_early, tw_early=0,
                        tw_late=kind.tw_late - kind.tw_early)


class _Bests(pyvrp.IteratedLocalSearchCallbacks):
    """Keeps every best plan a run comes by."""

    def __init__(self) -> None:
        self.seen: list[pyvrp.Solution] = []

    def on_best(self, best: pyvrp.Solution) -> None:
        self.seen.append(best)


def _run(problem: Problem, fleet: Fleet, data: pyvrp.ProblemData, stop: Stop, *, seed: int,
         shake: tuple[int, int], penalty: float, start: Routes | None) -> list[Routes]:
    """Run the iterated local search once; as `pyvrp.solve`, but with a fitting first penalty.

    PyVRP starts its penalties at half of a very large maximum. Here a unit of time is worth a few
    units of prize, so the search would not dare to overrun a shift until the penalty has decayed.
    """
    bests = _Bests()
    rng = pyvrp.RandomNumberGenerator(seed=seed)
    local = LocalSearch(data, rng, compute_neighbours(data),
                        PerturbationManager(PerturbationParams(*shake)))
    for operator in OPERATORS:
        if operator.supports(data):
            local.add_operator(operator(data))
    n_loads = data.num_load_dimensions
    manager = pyvrp.PenaltyManager(
        ([penalty] * n_loads, penalty, penalty),
        pyvrp.PenaltyParams(solutions_between_updates=PENALTY_UPDATES))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PenaltyBoundWarning)
        if start is None:
            random = pyvrp.Solution.make_random(data, rng)
            first = local(random, manager.max_cost_evaluator(), exhaustive=True)
        else:
            first = _solution(data, fleet, start)
        params = pyvrp.IteratedLocalSearchParams(callbacks=bests)
        result = pyvrp.IteratedLocalSearch(data, manager, local, first, params).run(
            stop,  # type: ignore[arg-type]
            collect_stats=False, display=False)
    found = [*bests.seen, result.best]
    return [_routes(problem, fleet, solution) for solution in found if solution.is_feasible()]


def _solution(data: pyvrp.ProblemData, fleet: Fleet, routes: Routes) -> pyvrp.Solution:
    made = [pyvrp.Route(data, routes[crew], kind) for kind, crews in enumerate(fleet.members)
            for crew in crews if routes[crew]]
    return pyvrp.Solution(data, made)


def _routes(problem: Problem, fleet: Fleet, solution: pyvrp.Solution) -> Routes:
    routes: Routes = [[] for _ in problem.crews]
    free = [list(crews) for crews in fleet.members]
    for route in solution.routes():
        stops = [act.idx for act in route.schedule()
                 if act.is_client() and act.idx < problem.n_stops]
        routes[free[route.vehicle_type()].pop(0)] = stops
    return routes
