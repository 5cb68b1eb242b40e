"""Today's routes: reported jobs first, then the hotspots with the best yield, within each shift."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
from pyvrp.stop import MaxIterations

from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.patrol.greedy import fill_routes
from rehit.patrol.problem import Crew, Problem, Routes, restricted, worth
from rehit.patrol.reasons import left_out
from rehit.patrol.search import search_routes
from rehit.patrol.setting import Setting, day_problem
from rehit.patrol.timing import BREAK, Timed, time_route, time_routes
from rehit.patrol.travel import Network, Travel, travel_times
from rehit.tables import check

S_PER_MIN = 60
# Search steps spent on the reported jobs alone, as a share of those spent on all stops.
JOBS_SHARE = 0.2


@dataclass(frozen=True)
class Plan:
    """One day's routes.

    Attributes
    ----------
    stops, crews
        The tables the plan was made from (`patrol_stops`, `patrol_crews`).
    visits
        The `patrol_visits` table: each crew's day in order.
    left_out
        The `patrol_left_out` table: what is in no route, and why.
    travel
        Times between the places: crews' depots first, then the stops.
    notes
        What the reader must know, in plain words.
    since_min
        Minute of the day of the last change of plan, or None for a plan made before the day.
    done
        How many rows of each crew's day were over at that time.
    """

    stops: gpd.GeoDataFrame
    crews: gpd.GeoDataFrame
    visits: gpd.GeoDataFrame
    left_out: pd.DataFrame
    travel: Travel
    notes: tuple[str, ...] = ()
    since_min: float | None = None
    done: Mapping[str, int] = field(default_factory=dict)


def plan_routes(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, *, network: Network | None,
                parameters: Parameters, seed: int) -> Plan:
    """Return the day's routes for all crews together.

    A team orienteering problem with time windows: reported jobs outweigh every hotspot, offensive
    ones most; hotspots count by the chance of finding a marking. Offensive jobs are begun in the
    first hours of the shift (``patrol.offensive_first_h``) where that is possible for all of them;
    otherwise whenever they can be. The same tables and seed give the same routes.

    Parameters
    ----------
    stops
        The `patrol_stops` table, in the CRS of `crews`.
    crews
        The `patrol_crews` table.
    network
        From `patrol.travel.build_network`, or None for straight-line times.
    parameters
        Reads the ``patrol.*`` numbers on breaks and the search.
    seed
        Whole number.

    Raises
    ------
    SettingError
        If there is no crew.
    ManyErrors
        If a table breaks its contract.
    """
    check(stops, "patrol_stops", where="patrol.plan_routes")
    check(crews, "patrol_crews", where="patrol.plan_routes")
    if crews.empty:
        raise SettingError("patrol.plan_routes", got="no crew", allowed="at least one crew",
                           remedy="list the vehicles with their depots")
    travel = day_travel(stops, crews, network=network, parameters=parameters)
    setting = day_problem(stops, crews, travel, parameters=parameters)
    routes, relaxed = search_day(setting, parameters=parameters, seed=seed)
    problem = setting.relaxed if relaxed else setting.problem
    timed = time_routes(problem, routes)
    notes = plan_notes(stops, crews, travel, relaxed, parameters=parameters)
    return Plan(stops, crews, visits_table(setting, timed, travel),
                left_out(setting, problem, routes, travel), travel, notes)


def day_travel(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, *, network: Network | None,
               parameters: Parameters) -> Travel:
    """Return times between the crews' depots (first) and the stops."""
    places = gpd.GeoSeries([*crews.geometry, *stops.geometry], crs=crews.crs)
    return travel_times(places, network=network, parameters=parameters)


def search_day(setting: Setting, *, parameters: Parameters, seed: int,
            start: Routes | None = None) -> tuple[Routes, bool]:
    """Search with offensive jobs early; without that wish only if it leaves one of them out."""
    first = _portfolio(setting.problem, parameters=parameters, seed=seed, start=start)
    offensive = set(np.flatnonzero(setting.offensive).tolist())
    if offensive <= {stop for route in first for stop in route}:
        return first, False
    second = _portfolio(setting.relaxed, parameters=parameters, seed=seed, start=first)
    better = worth(setting.relaxed, second)[:2] > worth(setting.problem, first)[:2]
    return (second, True) if better else (first, False)


def _portfolio(problem: Problem, *, parameters: Parameters, seed: int,
               start: Routes | None) -> Routes:
    """Search among the stops that some crew could do; the others are named in the left-out list.

    Reported jobs are first planned alone: among many hotspots the search may settle where a long
    job fits no more, and where crews differ it must see who is needed for what.
    """
    keep = np.array([stop for stop in range(problem.n_stops) if _possible(problem, stop)],
                    dtype=np.int64)
    if not len(keep):
        return [[] for _ in problem.crews]
    small = restricted(problem, keep)
    new = {int(old): at for at, old in enumerate(keep)}
    starts = [] if start is None else [[[new[stop] for stop in route if stop in new]
                                        for route in start]]
    jobs = np.flatnonzero(small.must)
    if 0 < len(jobs) < small.n_stops:
        alone = _searched(restricted(small, jobs), parameters, seed, None, share=JOBS_SHARE)
        plan = [[int(jobs[stop]) for stop in route] for route in alone]
        starts.append(fill_routes(small, plan, _keeps_clock(small)))
    begin = max(starts, key=lambda routes: worth(small, routes), default=None)
    found = _searched(small, parameters, seed, begin, share=1.0)
    return [[int(keep[stop]) for stop in route] for route in found]


def _searched(problem: Problem, parameters: Parameters, seed: int, start: Routes | None, *,
              share: float) -> Routes:
    runs = int(parameters["patrol.search_runs"])
    steps = share * parameters["patrol.search_iterations"] * 100 / (problem.n_stops + 100) / runs
    return search_routes(problem, stops=[MaxIterations(max(int(steps), 1)) for _ in range(runs)],
                         seed=seed, legal=_keeps_clock(problem), start=start).routes


def _keeps_clock(problem: Problem) -> Callable[[Crew, list[int]], bool]:
    return lambda crew, route: time_route(problem, crew, route) is not None


def _possible(problem: Problem, stop: int) -> bool:
    return any((problem.loads[stop] <= np.array(crew.capacity)).all()
               and time_route(problem, crew, [stop]) is not None
               for crew in problem.crews)


def visits_table(setting: Setting, timed: list[Timed | None], travel: Travel) -> gpd.GeoDataFrame:
    """Return the `patrol_visits` table of timed routes; crews without a stop have none."""
    rows: list[dict[str, object]] = []
    for index, route in enumerate(timed):
        if route is None or not route.visits:
            continue
        crew, home = setting.crews.iloc[index], setting.problem.crews[index]
        rows.append(_row(crew, 0, "depart", None, str(crew["depot_name"]), home.start,
                         (home.earliest,) * 3, 0, travel))
        left = home.earliest
        for at, visit in enumerate(route.visits, start=1):
            kind, stop_id, name = _what(setting, visit.stop)
            rows.append(_row(crew, at, kind, stop_id, name, visit.location,
                             (visit.arrive, visit.start, visit.leave), visit.arrive - left, travel))
            left = visit.leave
        rows.append(_row(crew, len(route.visits) + 1, "return", None, str(crew["depot_name"]),
                         home.end, (route.back,) * 3, route.back - left, travel))
    columns = ["crew_id", "position", "kind", "stop_id", "name", "travel_min", "arrive_min",
               "start_min", "leave_min", "location", "geometry"]
    table = pd.DataFrame(rows, columns=columns)
    for column in ("crew_id", "kind", "stop_id", "name"):
        table[column] = table[column].astype("str")
    for column in ("travel_min", "arrive_min", "start_min", "leave_min"):
        table[column] = table[column].astype(float)
    visits = gpd.GeoDataFrame(
        table.astype({"position": "int64", "location": "int64"}),
        geometry=gpd.GeoSeries(table["geometry"], crs=setting.crews.crs))
    check(visits, "patrol_visits", where="patrol.visits_table")
    return visits


def _what(setting: Setting, stop: int) -> tuple[str, str | None, str]:
    if stop == BREAK:
        return "break", None, "Break"
    row = setting.stops.iloc[stop]
    return str(row["kind"]), str(row["stop_id"]), str(row["name"])


def _row(crew: pd.Series, at: int, kind: str, stop_id: str | None, name: str, location: int,
         clock: tuple[int, ...], drive: int, travel: Travel) -> dict[str, object]:
    arrive, start, leave = (second / S_PER_MIN for second in clock)
    point = gpd.points_from_xy(*travel.xy[[location]].T)[0]
    return {"crew_id": crew["crew_id"], "position": at, "kind": kind, "stop_id": stop_id,
            "name": name, "travel_min": drive / S_PER_MIN, "arrive_min": arrive,
            "start_min": start, "leave_min": leave, "location": location, "geometry": point}


def plan_notes(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, travel: Travel, relaxed: bool, *,
               parameters: Parameters) -> tuple[str, ...]:
    """Return what the reader of a plan must know: no streets, late offensive jobs, lost places."""
    notes = []
    if travel.network is None:
        factor = parameters.row("patrol.detour_factor")
        basis = "set by the project" if factor.overridden else "Newell 1980"
        notes.append("No street layer: driving times are straight lines times a detour factor of "
                     f"{parameters['patrol.detour_factor']:g} ({basis}).")
    if relaxed:
        notes.append("Not every offensive job can be begun early in the shift; they come as early "
                     "as the day allows.")
    lost = [i - len(crews) for i in travel.unreachable if i >= len(crews)]
    named = [str(stops["name"].iloc[i]) for i in lost if not _nowhere(stops, i)]
    if named:
        notes.append("No street leads there from the depot: " + "; ".join(named) + ".")
    return tuple(notes)


def _nowhere(stops: gpd.GeoDataFrame, i: int) -> bool:
    point = stops.geometry.iloc[i]
    return point is None or point.is_empty
