"""Today's routes: reported jobs first, then the hotspots with the best yield, within each shift."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import permutations
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from pyvrp.stop import MaxIterations, MultipleCriteria, NoImprovement

from rehit.errors import SettingError
from rehit.messages import Message, as_text, message
from rehit.parameters import Parameters
from rehit.patrol.search import (
    LARGE,
    SIDE_BY_SIDE,
    Break,
    Crew,
    Problem,
    Routes,
    carries,
    fill_routes,
    made_legal,
    most_score,
    restricted,
    route_travel,
    search_routes,
    worth,
)
from rehit.patrol.slack import REFILL, Durations, durations, home_in_time
from rehit.patrol.travel import Network, Travel, travel_times
from rehit.patrol.urgency import LEAST_GAIN_S, Late, hasten, job_weights, keep_standards
from rehit.tables import check

# The day's tables turned into a routing problem.

S_PER_MIN = 60
S_PER_H = 3600
ANY_CREW = frozenset({"inspect"})
# Whole seconds that stand for "no way": far beyond a day, far below overflow.
NO_WAY_S = 10_000_000
HEIGHTS = ("ground", "ladder", "platform")
ABLE_ORDER = ("no_permit", "no_crew", "too_few_people", "no_access", "no_traffic_control")
EVERY_PERMIT = "*"
DAY_MIN = 24 * 60
DAY_S = DAY_MIN * S_PER_MIN


@dataclass(frozen=True)
class Setting:
    """A day's problem, with and without the wish for offensive jobs early, and its tables.

    Attributes
    ----------
    problem, relaxed
        The day with that wish and without it.
    stops, crews
        The tables it was made from.
    offensive
        Which stops are offensive jobs.
    due_s
        When each stop is due [s], not a number for none.
    times
        How long each stop may take.
    """

    problem: Problem
    relaxed: Problem
    stops: gpd.GeoDataFrame
    crews: gpd.GeoDataFrame
    offensive: np.ndarray
    due_s: np.ndarray
    times: Durations

    @cached_property
    def stop_rows(self) -> list[dict[Hashable, Any]]:
        """The stops as plain rows: a table gives its cells slowly one by one."""
        return pd.DataFrame(self.stops).to_dict("records")

    @cached_property
    def crew_rows(self) -> list[dict[Hashable, Any]]:
        """The crews as plain rows."""
        return pd.DataFrame(self.crews).to_dict("records")


def day_problem(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, travel: Travel, *,
                parameters: Parameters, locations: np.ndarray | None = None) -> Setting:
    """Return the routing problem of the stops that have a place and a way to it.

    Water and capabilities become loads: a crew that lacks what a job needs has no room for it.

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
    crew_rows = pd.DataFrame(crews).to_dict("records")
    able = np.array([[not lacks(crew, stop) for crew in crew_rows]
                     for stop in pd.DataFrame(stops).to_dict("records")], dtype=bool).reshape(
                         len(stops), len(crews))
    kinds, kind = np.unique(able, axis=0, return_inverse=True)
    kind = kind.reshape(-1)
    team = tuple(_crew(row, kinds[:, at], crews, len(stops), parameters)
                 for at, (_, row) in enumerate(crews.iterrows()))
    must = (stops["kind"] == "reported").to_numpy(bool)
    offensive = stops["offensive"].astype(bool).to_numpy() & must
    expected = stops["expected"].to_numpy(float)
    due_s = stops["due_min"].to_numpy(float) * S_PER_MIN
    weights = job_weights(due_s, offensive, end_s=max(crew.latest for crew in team),
                          parameters=parameters)
    score = np.where(must, weights, expected * stops["weight"].to_numpy(float))
    earliest, latest = _windows(stops, team)
    relaxed = Problem(
        travel=whole, location=rows.astype(np.int64), score=score, must=must,
        service=np.ceil(stops["service_min"].to_numpy(float) * S_PER_MIN).astype(np.int64),
        earliest=earliest, latest=latest, crews=team, loads=_loads(stops, kind, len(kinds)))
    return Setting(early(relaxed, offensive, due_s, parameters), relaxed, stops, crews, offensive,
                   due_s, durations(stops))


def _refuse_breaks(parameters: Parameters) -> None:
    first, last = parameters["patrol.break_from_h"], parameters["patrol.break_to_h"]
    if first > last:
        raise SettingError("[patrol] break_from_h and break_to_h", "errors.crossed_break",
                           first=first, last=last)


def split(text: object) -> list[str]:
    """Return the codes of a text separated by semicolons."""
    return [part.strip() for part in str(text).split(";") if part.strip()]


def lacks(crew: Mapping[Hashable, Any], stop: Mapping[Hashable, Any]) -> str:
    """Return the first thing a crew lacks for a stop, as a code of what is left out, or nothing.

    Anyone can look, from the ground and away from the traffic, but not behind a locked gate.
    """
    method, held = str(stop["method"]), split(crew["permits"])
    if pd.notna(stop["permit"]) and EVERY_PERMIT not in held and not (
            _folded(split(stop["permit"])) <= _folded(held)):
        return "no_permit"
    if method in ANY_CREW:
        return ""
    if method not in split(crew["methods"]):
        return "no_crew"
    if float(crew["crew_size"]) < np.nan_to_num(float(stop["people"])):
        return "too_few_people"
    if HEIGHTS.index(str(crew["access"])) < HEIGHTS.index(_or_ground(stop["access"])):
        return "no_access"
    return "no_traffic_control" if stop["traffic_control"] and not crew["traffic_control"] else ""


def _folded(words: list[str]) -> set[str]:
    return {word.casefold() for word in words}


def _or_ground(access: object) -> str:
    return str(access) if str(access) in HEIGHTS else HEIGHTS[0]


def _windows(stops: pd.DataFrame, team: tuple[Crew, ...]) -> tuple[np.ndarray, np.ndarray]:
    opens = min(crew.earliest for crew in team)
    closes = max(crew.latest for crew in team)
    earliest = (stops["earliest_min"].astype(float) * S_PER_MIN).fillna(opens)
    latest = (stops["latest_min"].astype(float) * S_PER_MIN).fillna(closes)
    first = np.maximum(np.ceil(earliest.to_numpy(float)), 0)
    # A window that closes before it opens is kept as it is: such a stop is left out and named.
    last = np.floor(latest.to_numpy(float))
    # Hours that are over when the night shift begins are those of the next morning.
    over = (last < opens) & (first <= last) & (first + DAY_S <= closes)
    first, last = first + over * DAY_S, last + over * DAY_S
    return first.astype(np.int64), last.astype(np.int64)


def early(problem: Problem, offensive: np.ndarray, due_s: np.ndarray,
          parameters: Parameters) -> Problem:
    """Return the problem with offensive jobs to be begun when due or in the first hours out."""
    start = min(crew.earliest for crew in problem.crews)
    first = start + int(parameters["patrol.offensive_first_h"] * S_PER_H)
    wish = np.where(due_s > start, np.fmin(due_s, first), first).astype(np.int64)
    soon = offensive & (problem.latest >= problem.earliest)
    latest = np.where(soon, np.maximum(np.minimum(problem.latest, wish), problem.earliest),
                      problem.latest)
    return replace(problem, latest=latest)


def _loads(stops: pd.DataFrame, kind: np.ndarray, n_kinds: int) -> np.ndarray:
    """Return water, and one load for each kind of stop: those that the same crews can do."""
    water = np.ceil(stops["wash_water_l"].astype(float).fillna(0.0).to_numpy()).astype(np.int64)
    loads: np.ndarray = np.c_[
        water, np.eye(n_kinds, dtype=np.int64)[kind].reshape(len(stops), n_kinds)]
    return loads


def _crew(row: pd.Series, able: np.ndarray, crews: pd.DataFrame, n_stops: int,
          parameters: Parameters) -> Crew:
    start = round(float(row["shift_start_min"]) * S_PER_MIN)
    end = round(float(row["shift_end_min"]) * S_PER_MIN)
    # Crews of one depot share its location, so that the search knows they cannot be told apart.
    home = int(np.flatnonzero(crews["depot_id"] == row["depot_id"])[0])
    room = np.where(able, n_stops, 0).tolist()
    driving, refill = (None if pd.isna(row[name]) else round(float(row[name]) * S_PER_MIN)
                       for name in ("driving_min", "refill_min"))
    return Crew(start=home, end=home, earliest=start, latest=max(end, start),
                capacity=(int(row["water_l"]), *room), refill=refill, driving=driving,
                rest=_rest(row, start, parameters))


def _rest(row: pd.Series, start: int, parameters: Parameters) -> Break | None:
    length = round(float(row["break_min"]) * S_PER_MIN)
    if length <= 0:
        return None
    return Break(length=length,
                 free_until=start + int(parameters["patrol.break_after_h"] * S_PER_H),
                 earliest=start + int(parameters["patrol.break_from_h"] * S_PER_H),
                 latest=start + int(parameters["patrol.break_to_h"] * S_PER_H))


# When a crew is where: a route walked from shift start, its break put where it costs least.

BREAK = -1


class Visit(NamedTuple):
    """One stop, break or refill of a timed route: arrival, start of work, end of work."""

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
    return min(_timings(problem, crew, route), key=lambda timed: timed.back, default=None)


def _timings(problem: Problem, crew: Crew, route: list[int]) -> list[Timed]:
    """Return the route's clock with the break in each place where all can be kept."""
    way = [_halt(problem, stop) for stop in route]
    plain = _walk(problem, crew, way)
    rest = crew.rest
    if rest is None or not route or (plain and plain.back <= rest.free_until):
        return [plain] if plain else []
    places = [crew.start, *(halt.location for halt in way)]
    ways = ([*way[:at], _Halt(BREAK, place, rest.earliest, rest.latest, rest.length, 0),
             *way[at:]] for at, place in enumerate(places))
    return [timed for timed in (_walk(problem, crew, each) for each in ways) if timed]


def time_routes(found: DayRoutes) -> list[Timed | None]:
    """Time every route of a day."""
    return [time_route(found.problem, crew, route)
            for crew, route in zip(found.problem.crews, found.routes, strict=True)]


class _Halt(NamedTuple):
    """A stop or break of a way in plain numbers: an array gives them slowly one by one."""

    stop: int
    location: int
    opens: int
    closes: int
    length: int
    water: int


def _halt(problem: Problem, stop: int) -> _Halt:
    water = problem.loads.item(stop, 0) if problem.loads.size else 0
    return _Halt(stop, problem.location.item(stop), problem.earliest.item(stop),
                 problem.latest.item(stop), problem.service.item(stop), water)


def _walk(problem: Problem, crew: Crew, way: list[_Halt]) -> Timed | None:
    now, here, used, driven = crew.earliest, crew.start, crew.used, 0
    travel = problem.travel.item
    visits = []
    for halt in way:
        if crew.refill is not None and used + halt.water > crew.capacity[0]:
            arrive = now + travel(here, crew.end)
            driven += arrive - now
            now, here, used = arrive + crew.refill, crew.end, 0
            visits.append(Visit(REFILL, crew.end, arrive, arrive, now))
        used += halt.water
        arrive = now + travel(here, halt.location)
        driven += arrive - now
        start = max(arrive, halt.opens)
        if start > halt.closes:
            return None
        now, here = start + halt.length, halt.location
        visits.append(Visit(halt.stop, here, arrive, start, now))
    back = now + travel(here, crew.end)
    tired = crew.driving is not None and driven + back - now > crew.driving
    return Timed(tuple(visits), back) if back <= crew.latest and not tired else None


# Why a stop is in no route.

def left_out(setting: Setting, found: DayRoutes, travel: Travel) -> pd.DataFrame:
    """Return the `patrol_left_out` table: each stop in no route, with the reason."""
    planned = {stop for route in found.routes for stop in route}
    rows = []
    for stop in range(found.problem.n_stops):
        if stop not in planned:
            row = setting.stop_rows[stop]
            code = "reserve" if stop in found.given_up else reason_code(
                setting, found, stop, travel)
            rows.append((str(row["stop_id"]), str(row["name"]), str(row["kind"]), code,
                         as_text(_reason(code, row, setting, found))))
    columns = ["stop_id", "name", "kind", "code", "reason"]
    table = pd.DataFrame(rows, columns=columns).astype("str")
    check(table, "patrol_left_out", where="patrol.left_out")
    return table


def reason_code(setting: Setting, found: DayRoutes, stop: int, travel: Travel) -> str:
    """Return the first reason that holds, from the place to the crews to the day."""
    row, problem = setting.stop_rows[stop], found.problem
    at = int(problem.location[stop])
    if not np.isfinite(travel.xy[at]).all():
        return "no_place"
    near = {i for i, crew in enumerate(problem.crews) if _reaches(problem, crew, at)}
    if not near:
        return "unreachable"
    missing = [lacks(crew, row) for crew in setting.crew_rows]
    able = [i for i, code in enumerate(missing) if not code]
    if not able:
        # Of several crews the one that comes nearest to being able tells what is missing.
        return max(missing, key=ABLE_ORDER.index)
    if not near & set(able):
        return "unreachable_for_able"
    carrying = [i for i in able if problem.loads[stop, 0] <= problem.crews[i].capacity[0]]
    if not carrying:
        return "water"
    alone = [i for i in carrying if time_route(problem, problem.crews[i], [stop])]
    if not alone and all(_tired(problem, problem.crews[i], stop) for i in carrying):
        return "driving_hours"
    if _upside_down(row) or not alone:
        return "does_not_fit"
    spent = all(not carries(problem, problem.crews[i], [*found.routes[i], stop]) for i in alone)
    return "water_used" if spent else "day_full"


def _reaches(problem: Problem, crew: Crew, at: int) -> bool:
    return bool(problem.travel[crew.start, at] < NO_WAY_S and problem.travel[at, crew.end]
                < NO_WAY_S)


def _tired(problem: Problem, crew: Crew, stop: int) -> bool:
    return crew.driving is not None and route_travel(problem, crew, [stop]) > crew.driving


def _water_used(found: DayRoutes, crew: int) -> int:
    return found.problem.crews[crew].used + int(found.problem.loads[found.routes[crew], 0].sum())


def _upside_down(row: Mapping[Hashable, Any]) -> bool:
    return bool(row["latest_min"] < row["earliest_min"])


def _reason(code: str, row: Mapping[Hashable, Any], setting: Setting,
            found: DayRoutes) -> Message:
    """Return the reason with the numbers it names."""
    if code == "no_crew":
        return message("left_out.no_crew", method=str(row["method"]))
    if code == "too_few_people":
        return message("left_out.too_few_people", people=float(row["people"]))
    if code == "no_permit":
        return message("left_out.no_permit", permit=str(row["permit"]))
    if code == "no_access":
        return message("left_out.no_access", access=str(row["access"]))
    if code == "water":
        return message("left_out.water", litres=float(row["wash_water_l"]))
    if code == "water_used":
        able = [i for i, crew in enumerate(setting.crew_rows) if not lacks(crew, row)]
        most = max(able, key=lambda i: found.problem.crews[i].capacity[0])
        return message("left_out.water_used", litres=float(row["wash_water_l"]),
                       crew=str(setting.crews["name"].iloc[most]),
                       tank=found.problem.crews[most].capacity[0],
                       used=_water_used(found, most))
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
# Steps against the number of stops, and steps without a gain after which a run ends.
FEW, GROWTH = 100, 250
IDLE_SHARE, LEAST_IDLE = 0.6, 300
LEAST_DAYS = 0.05  # less is 0.0 as written


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
    home
        By crew the chance of being home in time.
    price
        Marking-days, or else minutes of driving, that keeping the service standards costs.
    out, closed
        Crews that fell out during the day, and streets that were closed.
    bound
        Markings that no plan of the same jobs could exceed; not a number where not worked out.
    """

    stops: gpd.GeoDataFrame
    crews: gpd.GeoDataFrame
    visits: gpd.GeoDataFrame
    left_out: pd.DataFrame
    travel: Travel
    notes: tuple[Message, ...] = ()
    since_min: float | None = None
    done: Mapping[str, int] = field(default_factory=dict)
    home: Mapping[str, float] = field(default_factory=dict)
    price: tuple[float, float] = (0.0, 0.0)
    out: frozenset[str] = frozenset()
    closed: tuple[str, ...] = ()
    bound: float = np.nan


def plan_routes(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, *, network: Network | None,
                parameters: Parameters, seed: int) -> Plan:
    """Return the day's routes for all crews together.

    A team orienteering problem with time windows: reported jobs outweigh every hotspot, offensive
    ones most; hotspots count by the marking-days that a look ends. Offensive jobs are begun in the
    first hours of the shift (``patrol.offensive_first_h``) where that is possible for all of them;
    otherwise whenever they can be. Of crews that do as well, the smaller one is sent. The same
    tables and seed give the same routes.

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
        raise SettingError("patrol.plan_routes", "errors.no_crew")
    travel = day_travel(stops, crews, network=network, parameters=parameters)
    setting = day_problem(stops, crews, travel, parameters=parameters)
    found = search_day(setting, parameters=parameters, seed=seed)
    return Plan(stops, crews, visits_table(setting, found, travel),
                left_out(setting, found, travel), travel,
                plan_notes(setting, found, travel, parameters=parameters),
                home=dict(zip(crews["crew_id"], found.home, strict=True)), price=found.price,
                bound=_bound(setting, found))


def _bound(setting: Setting, found: DayRoutes) -> float:
    """Return the markings that no plan of the same jobs could exceed, were looks independent."""
    if not setting.stops.size:
        return 0.0
    chance = setting.stops["expected"].to_numpy(float)
    done = [stop for route in found.routes for stop in route if setting.relaxed.must[stop]]
    return most_score(replace(setting.relaxed, score=chance), done=done)


def day_travel(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, *, network: Network | None,
               parameters: Parameters) -> Travel:
    """Return times between the crews' depots (first) and the stops."""
    places = gpd.GeoSeries([*crews.geometry, *stops.geometry], crs=crews.crs)
    return travel_times(places, network=network, parameters=parameters)


@dataclass(frozen=True)
class DayRoutes:
    """Routes found for a day.

    Attributes
    ----------
    routes
        The stops of each crew in order.
    problem
        What they were found for: the standards that are kept are ends of windows.
    soon
        Whether all offensive jobs are begun when due or in the first hours out.
    home
        For each crew the chance of being home in time.
    given_up
        Looks given up because there would hardly ever be time for them.
    price
        What keeping the standards costs: marking-days that looks would end, and minutes of driving
        saved, if nothing were due.
    leave_by
        By when each stop must be left, whatever is left to do there [s].
    made
        How likely there is time for each stop.
    """

    routes: Routes
    problem: Problem
    soon: bool
    home: list[float]
    given_up: set[int]
    price: tuple[float, float]
    leave_by: dict[int, float]
    made: dict[int, float]


def search_day(setting: Setting, *, parameters: Parameters, seed: int,
               start: Routes | None = None) -> DayRoutes:
    """Search for the day's routes, move late jobs forward, and say by when looks must begin.

    The jobs are planned first and alone; the standards they keep then hold as windows, so that no
    look costs one. Looks fill the shift by what is expected; a crew that runs late leaves out
    those for which there is no time left.
    """
    soon, problem, jobs = _jobs_first(setting, parameters=parameters, seed=seed, start=start)
    starts = [jobs] if start is None else [jobs, start]
    routes = _hastened(setting, problem, _searched(
        problem, _possible(problem), starts, parameters=parameters, seed=seed), parameters)
    price = _price_of_standards(setting, routes, parameters, seed)
    kept = home_in_time(problem, routes, lambda crew, route: _steps(problem, crew, route),
                        setting.times, seed=seed, parameters=parameters)
    planned = {stop for route in kept.routes for stop in route}
    return DayRoutes(kept.routes, problem, soon, kept.home,
                     {stop for route in routes for stop in route} - planned, price,
                     kept.leave_by, kept.made)


def _jobs_first(setting: Setting, *, parameters: Parameters, seed: int,
                start: Routes | None) -> tuple[bool, Problem, Routes]:
    """Return a plan of the jobs alone, and the problem with the standards it keeps as windows.

    Before them, whether offensive jobs are all begun as early as wished: not where the wish would
    leave out a job or cost a standard.
    """
    def planned(problem: Problem) -> tuple[tuple[float, int], Problem, Routes]:
        late = _late(setting, problem, parameters, _timings)
        jobs = keep_standards(late, _searched(
            problem, _possible(problem) & problem.must, [] if start is None else [start],
            parameters=parameters, seed=seed, share=JOBS_SHARE))
        missed = sum(len(late.missed(*each)) for each in zip(problem.crews, jobs, strict=True))
        # The same jobs in another order sum to the same but for the last digits.
        return (round(worth(problem, jobs)[0], 6), -missed), late.promised(jobs), jobs

    wished = planned(setting.problem)
    free = planned(setting.relaxed) if setting.offensive.any() else wished
    soon = wished[0] >= free[0]
    _, problem, jobs = wished if soon else free
    return soon, problem, jobs


def _late(setting: Setting, problem: Problem, parameters: Parameters,
          timings: Callable[[Problem, Crew, list[int]], list[Timed]]) -> Late:
    def starts(crew: Crew, route: list[int]) -> np.ndarray:
        return np.array([[visit.start for visit in timed.visits if visit.stop >= 0]
                         for timed in timings(problem, crew, route)])

    return Late(problem, starts, setting.due_s, setting.offensive, parameters)


def _hastened(setting: Setting, problem: Problem, routes: Routes,
              parameters: Parameters) -> Routes:
    def timed(problem: Problem, crew: Crew, route: list[int]) -> list[Timed]:
        best = time_route(problem, crew, route)
        return [best] if best else []

    late = _late(setting, problem, parameters, timed)
    return _smallest_crews(setting, late, hasten(late, routes))


def _smallest_crews(setting: Setting, late: Late, routes: Routes) -> Routes:
    """Return the routes with more work for smaller crews where it costs no driving or lateness.

    Two crews exchange whole routes, so that a large one is free for what needs it.
    """
    made, people = [list(route) for route in routes], setting.crews["crew_size"].to_numpy(float)

    def cost(crew: int, route: list[int]) -> float:
        team = late.problem.crews[crew]
        return late.exact(team, route) if carries(late.problem, team, route) else np.inf

    for small, large in permutations(np.argsort(people, kind="stable").tolist(), 2):
        less, more = made[small], made[large]
        work = late.problem.service[more].sum() - late.problem.service[less].sum()
        if people[small] < people[large] and work > 0 and (
                cost(small, more) + cost(large, less)
                < cost(small, less) + cost(large, more) + LEAST_GAIN_S):
            made[small], made[large] = more, less
    return made


def _starts(problem: Problem, crew: Crew, route: list[int]) -> dict[int, int] | None:
    timed = time_route(problem, crew, route)
    return None if timed is None else {v.stop: v.start for v in timed.visits if v.stop >= 0}


def _steps(problem: Problem, crew: Crew, route: list[int]) -> list[tuple[int, int]] | None:
    timed = time_route(problem, crew, route)
    return None if timed is None else [(v.stop, v.location) for v in timed.visits]


def _price_of_standards(setting: Setting, routes: Routes, parameters: Parameters,
                        seed: int) -> tuple[float, float]:
    """Return the marking-days and minutes that a short search gains from these routes undue."""
    if not np.isfinite(setting.due_s).any():
        return 0.0, 0.0
    free = _searched(setting.relaxed, _possible(setting.relaxed), [routes], parameters=parameters,
                     seed=seed, share=JOBS_SHARE)
    before, after = worth(setting.relaxed, routes), worth(setting.relaxed, free)
    found = max(after[1] - before[1], 0.0)
    return found, max((after[2] - before[2]) / S_PER_MIN, 0.0) if found < 1e-6 else 0.0


def _searched(problem: Problem, among: np.ndarray, starts: Sequence[Routes], *,
              parameters: Parameters, seed: int, share: float = 1.0) -> Routes:
    """Search among some of the stops, from the best of the plans given."""
    keep = np.flatnonzero(among)
    if not len(keep):
        return [[] for _ in problem.crews]
    small = restricted(problem, keep)
    legal = _keeps_clock(small)
    new = {int(old): at for at, old in enumerate(keep)}
    begun = [[[new[stop] for stop in route if stop in new] for route in routes]
             for routes in starts]
    full = [fill_routes(small, made_legal(small, routes, legal), legal) for routes in begun]
    found = search_routes(
        small, stops=search_stops(small.n_stops, parameters, share=share), seed=seed, legal=legal,
        start=max(full, key=lambda routes: worth(small, routes), default=None))
    return [[int(keep[stop]) for stop in route] for route in found.routes]


def search_stops(n_stops: int, parameters: Parameters, *,
                 share: float = 1.0) -> list[MultipleCriteria]:
    """Return when each run of a search ends: after its steps, or when gains end before.

    At few stops the steps fall with their number, as each takes longer; from some hundred on they
    grow, since a longer list needs more of them.

    Parameters
    ----------
    n_stops
        Stops of the day.
    parameters
        Reads ``patrol.search_runs`` and ``patrol.search_iterations``.
    share
        Share of the steps to spend.
    """
    runs = int(parameters["patrol.search_runs"])
    if n_stops >= LARGE:  # no processor is left idle in the last round
        runs = -(-runs // SIDE_BY_SIDE) * SIDE_BY_SIDE
    size = max(FEW / (n_stops + FEW), (n_stops - FEW) / GROWTH)
    steps = max(int(share * parameters["patrol.search_iterations"] * size / runs), 1)
    idle = max(int(steps * IDLE_SHARE), LEAST_IDLE)
    return [MultipleCriteria([MaxIterations(steps), NoImprovement(idle)]) for _ in range(runs)]


def _keeps_clock(problem: Problem) -> Callable[[Crew, list[int]], bool]:
    return lambda crew, route: time_route(problem, crew, route) is not None


def _possible(problem: Problem) -> np.ndarray:
    """Return which stops some crew could do; the others are named in the left-out list."""
    return np.array([any((problem.loads[stop] <= np.array(crew.capacity)).all()
                         and time_route(problem, crew, [stop]) is not None
                         for crew in problem.crews) for stop in range(problem.n_stops)], dtype=bool)


def visits_table(setting: Setting, found: DayRoutes, travel: Travel) -> gpd.GeoDataFrame:
    """Return the `patrol_visits` table of a day's routes; crews without a stop have none."""
    rows: list[dict[str, object]] = []
    for index, route in enumerate(time_routes(found)):
        if route is None or not route.visits:
            continue
        crew, home = setting.crews.iloc[index], setting.problem.crews[index]
        rows.append(_row(crew, 0, "depart", None, str(crew["depot_name"]), home.start,
                         (home.earliest,) * 3, 0, travel))
        left = home.earliest
        for at, visit in enumerate(route.visits, start=1):
            kind, stop_id, name = _what(setting, visit.stop, str(crew["depot_name"]))
            rows.append(_row(crew, at, kind, stop_id, name, visit.location,
                             (visit.arrive, visit.start, visit.leave), visit.arrive - left, travel)
                        | _chances(found, visit.stop))
            left = visit.leave
        rows.append(_row(crew, len(route.visits) + 1, "return", None, str(crew["depot_name"]),
                         home.end, (route.back,) * 3, route.back - left, travel))
    columns = ["crew_id", "position", "kind", "stop_id", "name", "travel_min", "arrive_min",
               "start_min", "leave_min", "leave_by_min", "made", "location", "geometry"]
    table = pd.DataFrame(rows, columns=columns)
    for column in ("crew_id", "kind", "stop_id", "name"):
        table[column] = table[column].astype("str")
    for column in ("travel_min", "arrive_min", "start_min", "leave_min", "leave_by_min", "made"):
        table[column] = table[column].astype(float)
    visits = gpd.GeoDataFrame(
        table.astype({"position": "int64", "location": "int64"}),
        geometry=gpd.GeoSeries(table["geometry"], crs=setting.crews.crs))
    check(visits, "patrol_visits", where="patrol.visits_table")
    return visits


def _chances(found: DayRoutes, stop: int) -> dict[str, object]:
    """Return by when a stop must be left, and how likely there is time for it."""
    return {"leave_by_min": found.leave_by.get(stop, np.nan) / S_PER_MIN,
            "made": found.made.get(stop, np.nan)}


def _what(setting: Setting, stop: int, depot: str) -> tuple[str, str | None, str]:
    if stop == REFILL:
        return "refill", None, depot
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


def plan_notes(setting: Setting, found: DayRoutes, travel: Travel, *,
               parameters: Parameters) -> tuple[Message, ...]:
    """Return what the reader of a plan must know: streets, standards, lost places, late crews."""
    notes = []
    if travel.network is None:
        row = parameters.row("patrol.detour_factor")
        code = "plan.straight_lines_own" if row.overridden else "plan.straight_lines"
        notes.append(message(code, factor=parameters["patrol.detour_factor"]))
    if not found.soon:
        notes.append(message("plan.offensive_late"))
    notes += _standards(setting, found)
    days, minutes = found.price
    if days >= LEAST_DAYS:
        notes.append(message("plan.price_marking_days", days=days))
    elif minutes >= 1.0:
        notes.append(message("plan.price_minutes", minutes=minutes))
    notes += [message("plan.home", crew=str(name), chance=chance,
                      wanted=parameters["patrol.home_chance"])
              for name, chance in zip(setting.crews["name"], found.home, strict=True)
              if chance < parameters["patrol.home_chance"]]
    return (*notes, *_cut_off(setting, travel))


def _cut_off(setting: Setting, travel: Travel) -> list[Message]:
    """Return which depots reach no stop by street, and which stops each other one does not."""
    n = len(setting.crews)
    there = (~(setting.stops.is_empty | setting.stops.geometry.isna())).to_numpy(bool)
    reached = np.isfinite(travel.seconds[:n, n:]) & np.isfinite(travel.seconds[n:, :n]).T
    homes = pd.Series(range(n)).groupby(setting.crews["depot_id"].to_numpy(), sort=False).first()
    lost = [at for at in homes if there.any() and not reached[at].any()]
    notes = [message("plan.depot_cut_off", depot=setting.crews["depot_name"].iloc[at],
                     crews=tuple(setting.crews.loc[setting.crews["depot_id"] == depot, "name"]))
             for depot, at in homes.items() if at in lost]
    for at in homes[~homes.isin(lost)]:
        names = tuple(setting.stops["name"][there & ~reached[at]].astype("str"))
        if names:
            notes.append(message("plan.unreachable", names=names,
                                 depot=setting.crews["depot_name"].iloc[at]))
    return notes


def _standards(setting: Setting, found: DayRoutes) -> list[Message]:
    """Return for each service standard how many jobs keep it, and how late the latest is."""
    begun = np.full(found.problem.n_stops, np.nan)
    for crew, route in zip(found.problem.crews, found.routes, strict=True):
        for stop, start in (_starts(found.problem, crew, route) or {}).items():
            begun[stop] = start
    late_h = (begun - setting.due_s) / S_PER_H
    notes = []
    for kind, which in (("offensive", setting.offensive),
                        ("ordinary", ~setting.offensive & setting.problem.must)):
        late = late_h[which & (late_h > 0)]
        if len(late):
            n = int((which & np.isfinite(late_h)).sum())
            notes.append(message(f"plan.late_{kind}", n=len(late), of=n,
                                 hours=float(late.max())))
    return notes
