"""Today's routes: reported jobs first, then the hotspots with the best yield, within each shift."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from pyvrp.stop import MaxIterations

from rehit.errors import SettingError
from rehit.messages import Message, as_text, message
from rehit.parameters import Parameters
from rehit.patrol.search import (
    Break,
    Crew,
    Problem,
    Routes,
    fill_routes,
    restricted,
    search_routes,
    worth,
)
from rehit.patrol.travel import Network, Travel, travel_times
from rehit.tables import check

# The day's tables turned into a routing problem.

S_PER_MIN = 60
S_PER_H = 3600
ANY_CREW = frozenset({"inspect"})
# Whole seconds that stand for "no way": far beyond a day, far below overflow.
NO_WAY_S = 10_000_000
DAY_MIN = 24 * 60


@dataclass(frozen=True)
class Setting:
    """A day's problem, with and without the wish for offensive jobs early, and its tables."""

    problem: Problem
    relaxed: Problem
    stops: gpd.GeoDataFrame
    crews: gpd.GeoDataFrame
    offensive: np.ndarray


def day_problem(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, travel: Travel, *,
                parameters: Parameters, locations: np.ndarray | None = None) -> Setting:
    """Return the routing problem of the stops that have a place and a way to it.

    Water and methods become loads: a crew that lacks a method has room for none of its jobs.

    Parameters
    ----------
    stops, crews, travel
        The tables and the times between crews' depots (first) and stops.
    parameters
        Reads the ``patrol.*`` numbers on breaks and on offensive jobs.
    locations
        Row of each stop in the travel matrix; by default the rows after the crews'.

    Raises
    ------
    SettingError
        If the break would have to begin after it must have begun.
    """
    _refuse_breaks(parameters)
    rows = len(crews) + np.arange(len(stops)) if locations is None else np.asarray(locations)
    seconds = np.where(np.isfinite(travel.seconds), np.ceil(travel.seconds), NO_WAY_S)
    whole = seconds.astype(np.int64)
    skills = sorted({m for text in crews["methods"] for m in split(text)}
                    | set(stops["method"].astype("str")))
    team = tuple(_crew(row, skills, crews, rows, travel, parameters)
                 for _, row in crews.iterrows())
    must = (stops["kind"] == "reported").to_numpy(bool)
    offensive = stops["offensive"].astype(bool).to_numpy() & must
    expected = stops["expected"].to_numpy(float)
    score = np.where(must, np.where(offensive, parameters["patrol.offensive_score"], 1.0), expected)
    earliest, latest = _windows(stops, team)
    relaxed = Problem(
        travel=whole, location=rows.astype(np.int64), score=score, must=must,
        service=np.ceil(stops["service_min"].to_numpy(float) * S_PER_MIN).astype(np.int64),
        earliest=earliest, latest=latest, crews=team, loads=_loads(stops, skills))
    return Setting(early(relaxed, offensive, parameters), relaxed, stops, crews, offensive)


def _refuse_breaks(parameters: Parameters) -> None:
    first, last = parameters["patrol.break_from_h"], parameters["patrol.break_to_h"]
    if first > last:
        raise SettingError(
            "[patrol] break_from_h and break_to_h", got=f"{first:g} and {last:g} hours",
            allowed="a first hour for the break that is not after the last one",
            remedy="raise break_to_h or lower break_from_h")


def split(text: object) -> list[str]:
    """Return the codes of a text separated by semicolons."""
    return [part.strip() for part in str(text).split(";") if part.strip()]


def can_do(methods: object, method: str) -> bool:
    """Return whether a crew with these methods can do a job; anyone can look."""
    return method in ANY_CREW or method in split(methods)


def _windows(stops: pd.DataFrame, team: tuple[Crew, ...]) -> tuple[np.ndarray, np.ndarray]:
    opens = min(crew.earliest for crew in team)
    closes = max(crew.latest for crew in team)
    earliest = (stops["earliest_min"].astype(float) * S_PER_MIN).fillna(opens)
    latest = (stops["latest_min"].astype(float) * S_PER_MIN).fillna(closes)
    first = np.maximum(np.ceil(earliest.to_numpy(float)), 0)
    # A window that closes before it opens is kept as it is: such a stop is left out and named.
    last = np.floor(latest.to_numpy(float))
    return first.astype(np.int64), last.astype(np.int64)


def early(problem: Problem, offensive: np.ndarray, parameters: Parameters) -> Problem:
    """Return the problem with offensive jobs to be begun in the first hours from when crews go."""
    start = min(crew.earliest for crew in problem.crews)
    wish = start + int(parameters["patrol.offensive_first_h"] * S_PER_H)
    soon = offensive & (problem.latest >= problem.earliest)
    latest = np.where(soon, np.maximum(np.minimum(problem.latest, wish), problem.earliest),
                      problem.latest)
    return replace(problem, latest=latest)


def _loads(stops: pd.DataFrame, skills: list[str]) -> np.ndarray:
    water = np.ceil(stops["wash_water_l"].astype(float).fillna(0.0).to_numpy()).astype(np.int64)
    method = stops["method"].astype("str").to_numpy()
    needs = np.array([(method == skill) & (skill not in ANY_CREW) for skill in skills],
                     dtype=np.int64).reshape(len(skills), len(stops))
    return np.vstack([water[None], needs]).T.copy()


def _crew(row: pd.Series, skills: list[str], crews: pd.DataFrame, rows: np.ndarray,
          travel: Travel, parameters: Parameters) -> Crew:
    start = round(float(row["shift_start_min"]) * S_PER_MIN)
    end = round(float(row["shift_end_min"]) * S_PER_MIN)
    # Crews of one depot share its location, so that the search knows they cannot be told apart.
    home = int(np.flatnonzero(crews["depot_id"] == row["depot_id"])[0])
    room = [len(rows) if can_do(row["methods"], skill) else 0 for skill in skills]
    return Crew(start=home, end=home, earliest=start, latest=max(end, start),
                capacity=(int(row["water_l"]), *room),
                rest=_rest(row, home, start, rows, travel, parameters))


def _rest(row: pd.Series, home: int, start: int, rows: np.ndarray, travel: Travel,
          parameters: Parameters) -> Break | None:
    length = round(float(row["break_min"]) * S_PER_MIN)
    if length <= 0:
        return None
    reach = rows[np.isfinite(travel.seconds[home, rows]) & np.isfinite(travel.seconds[rows, home])]
    places = spread_out(travel.seconds, home, reach, count=int(parameters["patrol.break_places"]))
    return Break(length=length, locations=tuple(places),
                 free_until=start + int(parameters["patrol.break_after_h"] * S_PER_H),
                 earliest=start + int(parameters["patrol.break_from_h"] * S_PER_H),
                 latest=start + int(parameters["patrol.break_to_h"] * S_PER_H))


def spread_out(seconds: np.ndarray, first: int, rows: np.ndarray, *, count: int) -> list[int]:
    """Return `first` and up to `count` other rows, each as far as can be from those before.

    The farthest-point rule of Gonzalez (1985).
    """
    chosen = [first]
    far = seconds[first, rows].copy()
    while len(chosen) <= count and len(far) and far.max() > 0:
        at = int(far.argmax())
        chosen.append(int(rows[at]))
        far = np.minimum(far, seconds[rows[at], rows])
    return chosen


# When a crew is where: a route walked from shift start, its break put where it costs least.

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


# Why a stop is in no route.

def left_out(setting: Setting, problem: Problem, routes: Routes, travel: Travel) -> pd.DataFrame:
    """Return the `patrol_left_out` table: each stop in no route, with the reason."""
    planned = {stop for route in routes for stop in route}
    rows = []
    for stop in range(problem.n_stops):
        if stop not in planned:
            row = setting.stops.iloc[stop]
            code = reason_code(setting, problem, stop, travel)
            rows.append((str(row["stop_id"]), str(row["name"]), str(row["kind"]), code,
                         as_text(_reason(code, row))))
    columns = ["stop_id", "name", "kind", "code", "reason"]
    table = pd.DataFrame(rows, columns=columns).astype("str")
    check(table, "patrol_left_out", where="patrol.left_out")
    return table


def reason_code(setting: Setting, problem: Problem, stop: int, travel: Travel) -> str:
    """Return the first reason that holds, from the place to the day."""
    row = setting.stops.iloc[stop]
    at = int(problem.location[stop])
    if not np.isfinite(travel.xy[at]).all():
        return "no_place"
    homes = [crew.end for crew in problem.crews]
    there, back = problem.travel[homes, at], problem.travel[at, homes]
    if ((there >= NO_WAY_S) | (back >= NO_WAY_S)).all():
        return "unreachable"
    able = [i for i, methods in enumerate(setting.crews["methods"])
            if can_do(methods, str(row["method"]))]
    if not able:
        return "no_crew"
    if all(problem.loads[stop, 0] > problem.crews[i].capacity[0] for i in able):
        return "water"
    if _upside_down(row) or not any(
            problem.loads[stop, 0] <= problem.crews[i].capacity[0]
            and time_route(problem, problem.crews[i], [stop])
            for i in able):
        return "does_not_fit"
    return "day_full"


def _upside_down(row: pd.Series) -> bool:
    return bool(row["latest_min"] < row["earliest_min"])


def _reason(code: str, row: pd.Series) -> Message:
    """Return the reason with the numbers it names."""
    if code == "no_crew":
        return message("left_out.no_crew", method=str(row["method"]))
    if code == "water":
        return message("left_out.water", litres=float(row["wash_water_l"]))
    if code == "day_full":
        return message(f"left_out.day_full_{row['kind']}")
    if code != "does_not_fit":
        return message(f"left_out.{code}")
    minutes = float(row["service_min"])
    first, last = row["earliest_min"], row["latest_min"]
    if pd.isna(first) and pd.isna(last):
        return message("left_out.does_not_fit", minutes=minutes)
    if pd.isna(first):
        return message("left_out.does_not_fit_by", minutes=minutes, last=clock(last))
    if pd.isna(last):
        return message("left_out.does_not_fit_from", minutes=minutes, first=clock(first))
    return message("left_out.does_not_fit_between", minutes=minutes, first=clock(first),
                   last=clock(last))


def clock(minutes: float) -> str:
    """Return a minute of the day as hours and minutes, to the nearest minute.

    Examples
    --------
    >>> clock(547.6)
    '09:08'
    """
    whole = round(minutes) % DAY_MIN
    return f"{whole // 60:02d}:{whole % 60:02d}"


# The day's plan.

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
        What the reader must know.
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
    notes: tuple[Message, ...] = ()
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
        return "break", None, ""
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
               parameters: Parameters) -> tuple[Message, ...]:
    """Return what the reader of a plan must know: no streets, late offensive jobs, lost places."""
    notes = []
    if travel.network is None:
        row = parameters.row("patrol.detour_factor")
        code = "plan.straight_lines_own" if row.overridden else "plan.straight_lines"
        notes.append(message(code, factor=parameters["patrol.detour_factor"]))
    if relaxed:
        notes.append(message("plan.offensive_late"))
    lost = [i - len(crews) for i in travel.unreachable if i >= len(crews)]
    named = tuple(str(stops["name"].iloc[i]) for i in lost if not _nowhere(stops, i))
    if named:
        notes.append(message("plan.unreachable", names=named))
    return tuple(notes)


def _nowhere(stops: gpd.GeoDataFrame, i: int) -> bool:
    point = stops.geometry.iloc[i]
    return point is None or point.is_empty
