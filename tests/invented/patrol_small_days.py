"""Small patrol days, and the fewest standards missed that any plan of them can have."""

from __future__ import annotations

from itertools import permutations

import geopandas as gpd
import numpy as np
from patrol_town import EAST, NORTH, make_crews, make_stops

from rehit.parameters import Parameters
from rehit.patrol.routes import Setting, day_problem, day_travel, search_day, time_routes
from rehit.patrol.search import Crew


def small_day(numbers: Parameters, *, seed: int, n_crews: int, n_jobs: int, n_looks: int,
              last_due_min: float) -> Setting:
    """Jobs due at any time of the day up to a last minute, and looks, about one depot."""
    rng = np.random.default_rng(seed)
    n = n_jobs + n_looks
    due = np.r_[rng.uniform(420, last_due_min, n_jobs), np.full(n_looks, np.nan)]
    stops = make_stops(n, reported=n_jobs, due_min=due, offensive=rng.random(n) < 0.3,
                       service_min=rng.uniform(20, 70, n))
    stops.geometry = gpd.points_from_xy(EAST + rng.uniform(-5000, 5000, n),
                                        NORTH + rng.uniform(-5000, 5000, n))
    crews = make_crews(n_crews)
    travel = day_travel(stops, crews, network=None, parameters=numbers)
    return day_problem(stops, crews, travel, parameters=numbers)


def fewest_missed(setting: Setting) -> int | None:
    """Try each share of the jobs in each order with the break after each stop: no other code.

    None where the jobs do not all fit.
    """
    day, jobs = setting.relaxed, np.flatnonzero(setting.relaxed.must).tolist()
    shares = {(): 0}
    for crew in day.crews:
        own = {(): 0}
        for n in range(1, len(jobs) + 1):
            for way in permutations(jobs, n):
                missed = [m for at in range(n + 1)
                          if (m := _missed(setting, crew, way, at)) is not None]
                if missed:
                    key = tuple(sorted(way))
                    own[key] = min(own.get(key, n), *missed)
        joined: dict[tuple[int, ...], int] = {}
        for mine, mine_missed in own.items():
            for others, missed in shares.items():
                if not set(mine) & set(others):
                    key = tuple(sorted(mine + others))
                    joined[key] = min(joined.get(key, len(jobs)), mine_missed + missed)
        shares = joined
    return shares.get(tuple(jobs))


def _missed(setting: Setting, crew: Crew, way: tuple[int, ...], rest_after: int) -> int | None:
    """Return how many jobs are begun late, or None for a day that is too long."""
    day, now, here, missed = setting.relaxed, crew.earliest, crew.start, 0
    for at in range(len(way) + 1):
        if at == rest_after:
            if now > crew.rest.latest:
                return None
            now = max(now, crew.rest.earliest) + crew.rest.length
        if at == len(way):
            break
        now += day.travel[here, day.location[way[at]]]
        missed += bool(now > setting.due_s[way[at]])
        here, now = day.location[way[at]], now + day.service[way[at]]
    return missed if now + day.travel[here, crew.end] <= crew.latest else None


def missed_by_search(setting: Setting, numbers: Parameters) -> int:
    """Return how many jobs the day's routes begin late or not at all."""
    found = search_day(setting, parameters=numbers, seed=1)
    begun = {visit.stop: visit.start for timed in time_routes(found) if timed
             for visit in timed.visits}
    return sum(begun.get(job, np.inf) > setting.due_s[job]
               for job in np.flatnonzero(setting.relaxed.must).tolist())
