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
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyvrp
from joblib import Parallel, delayed
from pyvrp.exceptions import PenaltyBoundWarning
from pyvrp.search import (
    OPERATORS,
    LocalSearch,
    PerturbationManager,
    PerturbationParams,
    compute_neighbours,
)
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

# One day's routing problem as plain arrays: what the search and its greedy start work on.
#
# Times are whole seconds, or any other whole unit used throughout. Rows and columns of the travel
# matrix are locations; stops, depots and break places point into it.

@dataclass(frozen=True)
class Break:
    """A rest one crew must take where it stands: its length, when it may begin.

    A day that ends by `free_until` needs none.
    """

    length: int
    earliest: int
    latest: int
    free_until: int = -1


@dataclass(frozen=True)
class Crew:
    """One vehicle with its crew: where it starts and ends, when, and what it can carry.

    `capacity` holds one whole number per load dimension of the stops, of which the first is water:
    `used` of it is gone at the beginning, and where `refill` is a time it is all there again after
    that long at the end of the route. `driving` is the most time at the wheel.
    """

    start: int
    end: int
    earliest: int
    latest: int
    capacity: tuple[int, ...] = ()
    rest: Break | None = None
    used: int = 0
    refill: int | None = None
    driving: int | None = None

    @property
    def span(self) -> int:
        """Time from the beginning to the end of the shift."""
        return self.latest - self.earliest

    @property
    def work_until(self) -> int:
        """End of the shift less the break, or the last moment before which none is due."""
        if self.rest is None:
            return self.latest
        return max(self.latest - self.rest.length, min(self.rest.free_until, self.latest))


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
    tired = crew.driving is not None and route_travel(problem, crew, route) > crew.driving
    return now if now <= crew.latest and not tired else None


def restricted(problem: Problem, keep: np.ndarray) -> Problem:
    """Return the problem with only the stops at positions `keep` and the locations they need."""
    used = sorted({*problem.location[keep].tolist(),
                   *(place for crew in problem.crews for place in (crew.start, crew.end))})
    new = {old: at for at, old in enumerate(used)}
    crews = tuple(replace(crew, start=new[crew.start], end=new[crew.end])
                  for crew in problem.crews)
    return Problem(
        travel=problem.travel[np.ix_(used, used)].copy(), crews=crews,
        location=np.array([new[int(p)] for p in problem.location[keep]], dtype=np.int64),
        service=problem.service[keep], earliest=problem.earliest[keep], latest=problem.latest[keep],
        score=problem.score[keep], must=problem.must[keep],
        loads=problem.loads[keep] if problem.loads.size else problem.loads)


# Putting stops in where they fit: a plain first plan, and what a finished plan has room for.

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


def made_legal(problem: Problem, routes: Routes,
               legal: Callable[[Crew, list[int]], bool]) -> Routes:
    """Return the routes with the least valuable stops of each dropped until it is legal."""
    made = []
    for crew, route in zip(problem.crews, routes, strict=True):
        kept = list(route)
        while kept and not legal(crew, kept):
            kept.remove(min(kept, key=lambda s: (bool(problem.must[s]), problem.score[s], -s)))
        made.append(kept)
    return made


def _ways_in(problem: Problem, crew: Crew, route: list[int],
             stop: int) -> list[tuple[int, list[int]]]:
    """Return what a stop costs in each place of a route where the clock allows it."""
    if not carries(problem, crew, [*route, stop]):
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
    return replace(crew, latest=crew.work_until, rest=None)


def carries(problem: Problem, crew: Crew, route: list[int]) -> bool:
    """Return whether a crew has room for all a route asks for, with refills where it can."""
    if not problem.loads.size:
        return True
    loads = problem.loads[route]
    total = loads.sum(axis=0)
    if crew.refill is not None:  # what the tank cannot hold at once is fetched in between
        return bool((loads[:, 0] <= crew.capacity[0]).all()
                    and (total[1:] <= np.array(crew.capacity[1:])).all())
    total[0] += crew.used
    return bool((total <= np.array(crew.capacity)).all())


def _best_place(problem: Problem, crew: Crew, route: list[int],
                stop: int) -> tuple[float, int] | None:
    """Return the value and position of the best place of a stop in one route."""
    if not carries(problem, crew, [*route, stop]):
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
    extra: np.ndarray = (problem.travel[way[:-1], there] + problem.travel[there, way[1:]]
                         - problem.travel[way[:-1], way[1:]] + problem.service[stop])
    return extra


# The best set of whole routes out of all those a search has come by, exactly.

# Counted in nodes, not seconds: the same pool gives the same routes on any machine.
MOST_NODES = 200
MOST_ROUTES = 3000


def pack_routes(problem: Problem, pool: Sequence[tuple[int, tuple[int, ...]]],
                members: Sequence[Sequence[int]], fallback: Routes) -> Routes:
    """Return the best choice of one route per crew with no stop twice.

    A set-packing model solved by HiGHS (scipy.optimize.milp).

    Parameters
    ----------
    problem
        The day's stops and crews.
    pool
        Pairs of a kind of crew and a route that is legal for it.
    members
        The crews of each kind.
    fallback
        Returned where there is nothing to choose from.
    """
    routes = list(pool)[-MOST_ROUTES:]
    if len(routes) < 2:
        return fallback
    kinds = len(members)
    rows = [kind for kind, _ in routes] + [kinds + s for _, route in routes for s in route]
    columns = list(range(len(routes))) + [i for i, (_, route) in enumerate(routes) for _ in route]
    once = coo_array((np.ones(len(rows)), (rows, columns)),
                     shape=(kinds + problem.n_stops, len(routes))).tocsr()
    most = np.array([*(len(crews) for crews in members), *np.ones(problem.n_stops)])
    heavy = np.where(problem.must, problem.score * (1 + problem.score[~problem.must].sum()),
                     problem.score)
    value = np.array([heavy[list(route)].sum() for _, route in routes])
    answer = milp(-value, constraints=LinearConstraint(once, ub=most), bounds=Bounds(0, 1),
                  integrality=np.ones(len(routes)), options={"node_limit": MOST_NODES})
    if answer.x is None:
        return fallback
    packed: Routes = [[] for _ in problem.crews]
    free = [list(crews) for crews in members]
    for take, (kind, route) in zip(answer.x > 0.5, routes, strict=True):
        if take:
            packed[free[kind].pop(0)] = list(route)
    return packed


WEIGHTS = (2.0, 3.0, 1.5, 5.0, 10.0)
# Fewest and most moves that shake a plan between local searches. Larger shakes than PyVRP's own
# (1 to 25) find the published best of p4.2.f, which the default misses at any weight.
SHAKES = ((5, 50), (1, 10), (1, 25))
# Plans back that a new one is held against (late acceptance). PyVRP's own 300 suits long runs; in
# some hundred steps it hardly settles. On published instances 30 does better for teams and 3 for
# one crew and for some hundred stops, so runs take turns.
HISTORIES = (30, 3)
# From so many stops on, runs are made side by side, each on a processor of its own, in two rounds:
# afresh, and from the best plan of the first. The routes are the same on one processor.
LARGE, SIDE_BY_SIDE = 150, 2
MUST_WEIGHT = 3.0
MOST_REFILLS = 4
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
        Refuses a route that breaks a rule the search does not know; stops of least worth are
        dropped until it does not.
    start
        Routes to start from, for example this morning's plan.
    """
    allowed = legal or _anything
    greedy = greedy_routes(problem)
    starts = [made_legal(problem, r, allowed) for r in (greedy, start) if r is not None]
    best = max(starts, key=lambda routes: worth(problem, routes))
    pool: dict[tuple[int, tuple[int, ...]], None] = {}
    fleet = Fleet.of(problem.crews)
    # Fresh starts find other valleys; only the last third goes on from the best plan.
    warm = [run >= len(stops) * FRESH_SHARE or (run == 0 and start is not None)
            for run in range(len(stops))]
    for runs in _rounds(warm, problem.n_stops):
        found = Parallel(n_jobs=SIDE_BY_SIDE if len(runs) > 1 else 1)(delayed(_weighed)(
            problem, stops[run], best, seed=seed, run=run, warm=warm[run]) for run in runs)
        for routes in (made_legal(problem, routes, allowed) for part in found for routes in part):
            pool |= {(kind, tuple(routes[crew])): None for kind, crews in enumerate(fleet.members)
                     for crew in crews if routes[crew]}
            best = max(best, routes, key=lambda each: worth(problem, each))
    packed = pack_routes(problem, list(pool), fleet.members, best)
    best = max(best, packed, key=lambda each: worth(problem, each))
    best = fill_routes(problem, best, allowed)
    return Searched(best, greedy, len(stops))


def _rounds(warm: Sequence[bool], n_stops: int) -> list[list[int]]:
    """Return the runs that need not wait for each other: of many stops, all that start afresh."""
    if n_stops < LARGE:
        return [[run] for run in range(len(warm))]
    fresh = next((run for run in range(1, len(warm)) if warm[run]), len(warm))
    return [list(range(fresh)), list(range(fresh, len(warm)))]


def _weighed(problem: Problem, stop: Stop, best: Routes, *, seed: int, run: int,
             warm: bool) -> list[Routes]:
    """Return the plans of one run with the prize weight that is its turn."""
    weight = WEIGHTS[run % len(WEIGHTS)]
    fleet = Fleet.of(problem.crews)
    data = model(problem, fleet, prizes=prizes(problem, best, weight))
    return _run(problem, fleet, data, stop, seed=seed + run, shake=_shake(problem, run),
                history=HISTORIES[run % len(HISTORIES)], penalty=PENALTY * weight,
                start=best if warm else None)


def most_score(problem: Problem, *, done: Sequence[int] = ()) -> float:
    """Return an upper bound of the ordinary score that any plan can reach.

    Each visit takes at least its service and the shortest way in; the time that all crews have
    left from the jobs done is filled with the best score for that time, the last stop in part (a
    fractional knapsack).

    Parameters
    ----------
    problem
        The day's stops, crews and travel times.
    done
        Stops that must be done and are.

    Examples
    --------
    >>> way = np.array([[0, 10], [10, 0]])
    >>> one = Problem(travel=way, location=np.array([1]), service=np.array([20]),
    ...               earliest=np.array([0]), latest=np.array([99]), score=np.array([0.5]),
    ...               must=np.array([False]), crews=(Crew(0, 0, 0, 30),))
    >>> most_score(one)
    0.5
    """
    far = np.where(np.eye(len(problem.travel), dtype=bool), np.inf, problem.travel)
    # Two stops on one spot have no way between them.
    shared = np.bincount(problem.location, minlength=len(far))[problem.location] > 1
    cost = problem.service + np.where(shared, 0.0, far.min(axis=0)[problem.location])
    left = sum(crew.work_until - crew.earliest for crew in problem.crews) - cost[list(done)].sum()
    looks = np.flatnonzero(~problem.must)
    order = looks[np.argsort(-problem.score[looks] / np.maximum(cost[looks], 1e-9), kind="stable")]
    before = np.cumsum(cost[order]) - cost[order]
    share = np.clip((left - before) / np.maximum(cost[order], 1e-9), 0.0, 1.0)
    return float((problem.score[order] * share).sum())


def _shake(problem: Problem, run: int) -> tuple[int, int]:
    # Where every stop is a must, nothing can be swapped for another: small shakes do better.
    return SHAKES[-1] if problem.must.all() else SHAKES[run % len(SHAKES)]


def _anything(crew: Crew, route: list[int]) -> bool:  # noqa: ARG001
    return True


@dataclass(frozen=True)
class Fleet:
    """Crews grouped into kinds that cannot be told apart, as the search counts them."""

    kinds: tuple[Crew, ...]
    members: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, crews: Sequence[Crew]) -> Fleet:
        """Group equal crews."""
        kinds: dict[Crew, list[int]] = {}
        for index, crew in enumerate(crews):
            kinds.setdefault(crew, []).append(index)
        return cls(tuple(kinds), tuple(tuple(m) for m in kinds.values()))


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
    """Return the problem in PyVRP's terms, its clock stopped during breaks."""
    n_loads = problem.loads.shape[1] if problem.loads.size else 0
    earliest, latest = _without_breaks(problem)
    clients = [pyvrp.Client(
        location=int(problem.location[stop]),
        delivery=problem.loads[stop].tolist() if n_loads else [],
        service_duration=int(problem.service[stop]), tw_early=int(earliest[stop]),
        tw_late=int(latest[stop]), prize=int(prizes[stop]), required=False)
        for stop in range(problem.n_stops)]
    ends = sorted({place for crew in fleet.kinds for place in (crew.start, crew.end)})
    taps = sorted({(crew.end, crew.refill) for crew in fleet.kinds if crew.refill is not None})
    types = [_vehicle_type(fleet, kind, ends, taps, n_loads) for kind in range(len(fleet.kinds))]
    timed = _has_clock(problem, fleet)
    zero = np.zeros_like(problem.travel)
    return pyvrp.ProblemData(
        locations=[pyvrp.Location(0, 0) for _ in range(len(problem.travel))], clients=clients,
        depots=[*(pyvrp.Depot(location=place) for place in ends),
                *(pyvrp.Depot(location=place, service_duration=length) for place, length in taps)],
        vehicle_types=types if timed else [_by_distance(t) for t in types],
        distance_matrices=[problem.travel],  # type: ignore[list-item]
        duration_matrices=[problem.travel if timed else zero])  # type: ignore[list-item]


def _without_breaks(problem: Problem) -> tuple[np.ndarray, np.ndarray]:
    """Return the windows on a clock that stands still while crews rest.

    A window that ends or begins after every break must have begun comes a break sooner.
    """
    rests = [crew.rest for crew in problem.crews if crew.rest]
    closes = max(crew.latest for crew in problem.crews)
    if len(rests) < len(problem.crews):
        return problem.earliest, problem.latest
    last, length = max(rest.latest for rest in rests), min(rest.length for rest in rests)
    earliest, latest = (np.where((at > last) & (at < closes), np.maximum(at - length, last), at)
                        for at in (problem.earliest, problem.latest))
    return earliest, latest


def _has_clock(problem: Problem, fleet: Fleet) -> bool:
    open_all_day = all((problem.earliest <= crew.earliest).all()
                       and (problem.latest >= crew.latest).all() for crew in fleet.kinds)
    limits = any(crew.refill or crew.driving for crew in fleet.kinds)
    return not open_all_day or bool(problem.service.any()) or limits


def _vehicle_type(fleet: Fleet, kind: int, ends: list[int], taps: list[tuple[int, int]],
                  n_loads: int) -> pyvrp.VehicleType:
    crew = fleet.kinds[kind]
    capacity = list(crew.capacity[:n_loads])
    more: dict[str, Any] = {}
    if crew.used and n_loads:
        more["initial_load"] = [crew.used, *([0] * (len(capacity) - 1))]
    if crew.refill is not None:
        more |= {"reload_depots": [len(ends) + taps.index((crew.end, crew.refill))],
                 "max_reloads": MOST_REFILLS}
    if crew.driving is not None:
        more["max_distance"] = crew.driving
    return pyvrp.VehicleType(
        num_available=len(fleet.members[kind]), capacity=capacity,
        start_depot=ends.index(crew.start), end_depot=ends.index(crew.end),
        tw_early=crew.earliest, tw_late=crew.work_until, unit_distance_cost=1, **more)


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
         shake: tuple[int, int], history: int, penalty: float,
         start: Routes | None) -> list[Routes]:
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
        params = pyvrp.IteratedLocalSearchParams(history_length=history, callbacks=bests)
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
        stops = [act.idx for act in route.schedule() if act.is_client()]
        routes[free[route.vehicle_type()].pop(0)] = stops
    return routes
