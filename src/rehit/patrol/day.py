"""Today's routes again, when a job comes in while the crews are out."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString, Point

from rehit.errors import InputFileError, RehitError, SettingError
from rehit.parameters import Parameters
from rehit.patrol.routes import (
    DayRoutes,
    Plan,
    Setting,
    clock,
    day_problem,
    day_travel,
    early,
    left_out,
    plan_notes,
    search_day,
    visits_table,
)
from rehit.patrol.search import Break, Crew, Routes, worth
from rehit.patrol.travel import Network, Travel, ways
from rehit.tables import GEOMETRY_KINDS, Column, check
from rehit.tables import table as contract

# What one crew needs to know of its day, gathered for paper, phone and files.


@dataclass(frozen=True)
class Sheet:
    """One crew's day: its rows with all the columns of the stops, sums and the way driven.

    Attributes
    ----------
    crew
        Row of the `patrol_crews` table.
    rows
        The crew's visits in order with ``number`` (1, 2, … for stops), method, materials and
        cautions of the stop.
    legs
        Line driven to each row after the first.
    tank_l
        Water aboard at the beginning.
    since_min, n_done
        For a plan changed during the day: when, and how many stops were done by then. The sheet
        then holds what is left, from the place where the crew is, and keeps the stops' numbers.
    """

    crew: pd.Series
    rows: gpd.GeoDataFrame
    legs: list[LineString]
    paint_l: float
    remover_l: float
    wash_water_l: float
    materials: tuple[str, ...]
    cautions: tuple[tuple[str, tuple[int, ...]], ...]
    tank_l: float
    since_min: float | None = None
    n_done: int = 0

    @property
    def stops(self) -> gpd.GeoDataFrame:
        """The rows that are stops."""
        return self.rows[self.rows["number"] > 0]


def crew_sheets(plan: Plan) -> list[Sheet]:
    """Return a sheet for each crew that goes out, in the order of the crews table."""
    sheets = []
    for _, crew in plan.crews.iterrows():
        own = plan.visits[plan.visits["crew_id"] == crew["crew_id"]].sort_values("position")
        over = plan.done.get(str(crew["crew_id"]), 0)
        if len(own) > max(over, 1) and crew["crew_id"] not in plan.out:
            sheets.append(_sheet(plan, crew, own, over))
    return sheets


def _sheet(plan: Plan, crew: pd.Series, own: gpd.GeoDataFrame, over: int) -> Sheet:
    facts = pd.DataFrame(plan.stops).drop(columns=["geometry", "name", "kind"])
    rows = own.merge(facts, on="stop_id", how="left")
    is_stop = rows["kind"].isin(["reported", "hotspot"])
    rows["number"] = is_stop.cumsum().where(is_stop, 0).astype(int)
    n_done, past = int(is_stop.head(over).sum()), rows.head(over)
    since_fill = past[(past["kind"] == "refill")[::-1].cumsum()[::-1] == 0]
    used = _total(since_fill, "wash_water_l")
    if over:
        rows = _from_here(rows.iloc[over - 1:].reset_index(drop=True), plan.since_min)
    at = rows["location"].tolist()
    return Sheet(
        crew=crew, rows=rows, legs=ways(plan.travel, list(pairwise(at))),
        paint_l=_total(rows, "paint_l"), remover_l=_total(rows, "remover_l"),
        wash_water_l=_total(rows, "wash_water_l"), materials=_tools(rows),
        cautions=_cautions(rows), tank_l=max(float(crew["water_l"]) - used, 0.0),
        since_min=plan.since_min, n_done=n_done)


def _from_here(rows: gpd.GeoDataFrame, since_min: float | None) -> gpd.GeoDataFrame:
    """Make the last row that is over the place to go on from, with nothing left to do there."""
    rest = rows.copy()
    rest.loc[0, ["kind", "number"]] = ["depart", 0]
    rest.loc[0, ["stop_id", "method", "materials", "cautions"]] = None
    rest.loc[0, ["paint_l", "remover_l", "wash_water_l"]] = 0.0
    rest.loc[0, "leave_min"] = max(float(rest["leave_min"].iloc[0]), since_min or 0.0)
    return rest


def _total(rows: pd.DataFrame, column: str) -> float:
    return float(rows[column].fillna(0.0).sum())


def _tools(rows: pd.DataFrame) -> tuple[str, ...]:
    """Return what to load besides the liquids, each thing once."""
    things = [part.strip() for text in rows["materials"].dropna() for part in str(text).split(";")]
    return tuple(dict.fromkeys(thing for thing in things if thing))


def _cautions(rows: pd.DataFrame) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Return each caution with the stops it belongs to, the most general first."""
    found: dict[str, list[int]] = {}
    for number, text in zip(rows["number"], rows["cautions"], strict=True):
        if number and pd.notna(text):
            for part in str(text).split(";"):
                if part.strip():
                    found.setdefault(part.strip(), []).append(int(number))
    ordered = sorted(found.items(), key=lambda item: (-len(item[1]), item[1][0]))
    return tuple((caution, tuple(numbers)) for caution, numbers in ordered)


# A day's plan kept as one JSON file, so that jobs that come in during the day can be added.

PLAN_FILE = "day_plan.json"
KIND, VERSION = "rehit day plan", 3
TABLES = {"stops": "patrol_stops", "crews": "patrol_crews", "visits": "patrol_visits",
          "left_out": "patrol_left_out"}
# Row of the travel matrix of each visit: a break may be taken at another stop's place.
PLACE_ROW = "location"


def write_plan(plan: Plan, path: Path, *, day: date) -> None:
    """Write a plan with all it takes to change it: stops, crews, visits and what was left out.

    Parameters
    ----------
    plan
        The day's plan.
    path
        File to write.
    day
        The day it is for.
    """
    tables = {name: _records(getattr(plan, name), table) for name, table in TABLES.items()}
    whole = {"what": KIND, "version": VERSION, "day": day.isoformat(),
             "crs": plan.crews.crs.to_string(), "changed_at_min": plan.since_min,
             "rows_done": dict(plan.done), "out_of_action": sorted(plan.out),
             "closed": list(plan.closed), **tables}
    path.write_text(json.dumps(whole, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def _records(frame: pd.DataFrame, table: str) -> list[dict[str, object]]:
    names = [*contract(table).names, *([PLACE_ROW] if table == "patrol_visits" else [])]
    return [{name: _plain(value) for name, value in zip(names, row, strict=True)}
            for row in pd.DataFrame(frame)[names].itertuples(index=False, name=None)]


def _plain(value: Any) -> object:
    """Return a cell as JSON knows it; a point as its two coordinates."""
    if isinstance(value, Point):
        return None if value.is_empty else [value.x, value.y]
    if value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return value.item() if isinstance(value, np.generic) else value


def read_plan(path: Path, *, crs: str, network: Network | None,
              parameters: Parameters) -> tuple[Plan, date]:
    """Read a plan written by :func:`write_plan`, and the day it is for.

    Parameters
    ----------
    path
        The file.
    crs
        Projected CRS of the project; the plan must be in it.
    network, parameters
        As for :func:`rehit.patrol.routes.plan_routes`; travel times are worked out again.

    Raises
    ------
    InputFileError
        If there is no such file, or it is no whole day plan in that CRS.
    """
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise _bad(path, "errors.plan_unreadable") from error
    except (ValueError, RecursionError) as error:
        raise _bad(path, "errors.plan_no_json") from error
    if not isinstance(whole, dict) or (whole.get("what"), whole.get("version")) != (KIND, VERSION):
        raise _bad(path, "errors.no_plan")
    if whole.get("crs") != gpd.GeoSeries([], crs=crs).crs.to_string():
        raise _bad(path, "errors.plan_elsewhere", crs=whole.get("crs"))
    try:
        tables = {name: _table(whole[name], table, crs) for name, table in TABLES.items()}
        day = date.fromisoformat(whole["day"])
        since = None if whole["changed_at_min"] is None else float(whole["changed_at_min"])
        done = {str(crew): int(rows) for crew, rows in whole["rows_done"].items()}
        out = frozenset(map(str, whole["out_of_action"]))
        closed = tuple(map(str, whole["closed"]))
    except (KeyError, TypeError, ValueError, AttributeError, RehitError) as error:
        raise _bad(path, "errors.plan_changed", said=str(error)) from error
    _joined_routes(path, tables)
    travel = day_travel(tables["stops"], tables["crews"], network=network, parameters=parameters)
    return Plan(**tables, travel=travel, since_min=since, done=done, out=out, closed=closed), day


def plan_streets(path: Path) -> tuple[tuple[str, ...], pd.DataFrame]:
    """Return the streets closed when a plan was written, and how and when its crews go along them.

    Of a plan that cannot be read, none: :func:`read_plan` says what is wrong with it.
    """
    columns = ["kind", "shift_start_min", "shift_end_min"]
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
        crews = pd.DataFrame(whole["crews"])[columns].astype(dict.fromkeys(columns[1:], float))
        return tuple(map(str, whole["closed"])), crews
    except (OSError, ValueError, RecursionError, KeyError, TypeError):
        return (), pd.DataFrame(columns=columns)


def _table(records: list[dict[str, object]], table: str, crs: str) -> Any:
    columns: dict[str, Any] = {column.name: _column([row[column.name] for row in records], column)
                               for column in contract(table).columns}
    if table == "patrol_visits":
        columns[PLACE_ROW] = np.array([row[PLACE_ROW] for row in records], dtype=np.int64)
    frame = pd.DataFrame(columns)
    if contract(table).spatial:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=crs)
    check(frame, table, where=f"table {table!r}")
    return frame


def _column(values: list[Any], column: Column) -> Any:
    if column.kind in GEOMETRY_KINDS:
        return gpd.GeoSeries([None if at is None else Point(*map(float, at)) for at in values])
    if column.kind == "flag":
        return np.array([{True: True, False: False}[value] for value in values], dtype=bool)
    if column.kind in ("number", "whole"):
        numbers = np.array([np.nan if value is None else float(value) for value in values])
        return numbers.astype(np.int64) if column.kind == "whole" else numbers
    return pd.array([None if value is None else str(value) for value in values], dtype="str")


def _joined_routes(path: Path, tables: dict[str, Any]) -> None:
    """Refuse a plan whose tables do not belong together."""
    visits, stops, crews = tables["visits"], tables["stops"], tables["crews"]
    if crews.empty:
        raise _bad(path, "errors.plan_without_crews")
    strange = (set(visits["stop_id"].dropna()) - set(stops["stop_id"])) | (
        set(visits["crew_id"]) - set(crews["crew_id"]))
    if strange:
        raise _bad(path, "errors.plan_unknown_visits", names=tuple(sorted(strange)[:5]))
    if not visits[PLACE_ROW].between(0, len(crews) + len(stops) - 1).all():
        raise _bad(path, "errors.plan_unknown_place")


def _bad(path: Path, code: str, **facts: object) -> InputFileError:
    return InputFileError(str(path), code, file=PLAN_FILE, **facts)


S_PER_MIN = 60
S_PER_H = 3600
CLOCKS = ["arrive_min", "start_min", "leave_min"]
STOPS = ("reported", "hotspot")


@dataclass(frozen=True)
class Progress:
    """How far the crews have come.

    Attributes
    ----------
    kept
        Rows of the day that stay: what is over, and the stop a crew is at or driving to.
    done
        How many rows of each crew's day are over.
    """

    kept: gpd.GeoDataFrame
    done: dict[str, int]


def replan(plan: Plan, added: gpd.GeoDataFrame, *, now_min: float, network: Network | None,
           parameters: Parameters, seed: int, stops_done: Mapping[str, int] | None = None,
           without: frozenset[str] = frozenset(), closed: Sequence[str] = ()) -> Plan:
    """Return the plan from `now_min` on with what changed; what is done or under way stays.

    A crew that is not named in `stops_done` is taken to be where its plan says, and goes on from
    the stop it is at, or is driving to. A crew that is named has done so many of its stops, and
    goes on from the last of them at once; whatever it has not done is planned again. A crew that
    falls out does nothing more; whatever it was at is planned again too.

    Parameters
    ----------
    plan
        This morning's plan, or one already changed.
    added
        New rows of the `patrol_stops` table, or none.
    now_min
        Minute of the day, not before the plan's last change.
    network, parameters, seed
        As for :func:`plan_routes`; the network without the closed streets.
    stops_done
        By ``crew_id``, the number of the last stop done as the run sheet counts them.
    without
        Crews that fall out, besides those that did before.
    closed
        Streets that the network lacks because they are closed, to be kept with the plan.

    Raises
    ------
    SettingError
        If no crew is out any more at `now_min`, or the plan was changed later than that.
    """
    check(added, "patrol_stops", where="patrol.replan")
    out = plan.out | without
    _refuse(plan, now_min, out)
    stops = gpd.GeoDataFrame(pd.concat([plan.stops, added], ignore_index=True),
                             geometry="geometry", crs=plan.crews.crs)
    check(stops, "patrol_stops", where="patrol.replan")
    travel = day_travel(stops, plan.crews, network=network, parameters=parameters)
    far = _delayed(progress(plan, now_min=now_min, stops_done=stops_done or {}, out=out), travel)
    todo = stops[~stops["stop_id"].isin(set(far.kept["stop_id"].dropna()))].reset_index()
    # A crew that fell out can do nothing more: no method, and its shift ends where it stands.
    gone = plan.crews["crew_id"].isin(out)
    team = plan.crews.assign(methods=plan.crews["methods"].where(~gone, ""))
    setting = day_problem(todo.drop(columns="index"), team, travel, parameters=parameters,
                          locations=len(plan.crews) + todo["index"].to_numpy())
    setting = _from_now(setting, far.kept, stops, now_min, plan, parameters, out)
    hoped = (todo["kind"] == "reported") & ~todo["stop_id"].isin(plan.left_out["stop_id"])
    found = _least_changed(setting, _rest_of_day(plan, todo, out), hoped.to_numpy(bool),
                           parameters, seed)
    fresh = visits_table(setting, found, travel)
    visits = _joined(far.kept, fresh, plan, travel, stops, setting)
    return replace(plan, stops=stops, visits=visits, travel=travel, since_min=now_min,
                   done=far.done, left_out=left_out(setting, found, travel),
                   notes=plan_notes(replace(setting, stops=stops), found, travel,
                                    parameters=parameters),
                   home=dict(zip(plan.crews["crew_id"], found.home, strict=True)),
                   price=found.price, out=out, closed=tuple(closed))


def changes(before: Plan, after: Plan) -> pd.DataFrame:
    """Return each stop still to do that a change of the day moved, added or dropped.

    Returns
    -------
    DataFrame
        ``stop_id``, ``name``, ``change`` (new, moved, dropped, taken_up), ``crew_before`` and
        ``crew_after`` (names, empty where there is none), ``arrive_before`` and ``arrive_after``
        (clock times).
    """
    names = before.crews.set_index("crew_id")["name"]
    old, new = (plan.visits.dropna(subset=["stop_id"]).set_index("stop_id")
                for plan in (before, after))
    rows = []
    for stop, name in zip(after.stops["stop_id"], after.stops["name"], strict=True):
        was, now = (str(names[t.loc[stop, "crew_id"]]) if stop in t.index else None
                    for t in (old, new))
        if was == now:
            continue
        known = stop in set(before.stops["stop_id"])
        change = "dropped" if now is None else "moved" if was else (
            "taken_up" if known else "new")
        times = [clock(float(t.loc[stop, "arrive_min"])) if stop in t.index else None
                 for t in (old, new)]
        rows.append((stop, name, change, was, now, *times))
    return pd.DataFrame(rows, columns=["stop_id", "name", "change", "crew_before", "crew_after",
                                       "arrive_before", "arrive_after"]).astype("str")


def _refuse(plan: Plan, now_min: float, out: frozenset[str]) -> None:
    still = plan.crews[~plan.crews["crew_id"].isin(out)]
    if still.empty:
        raise SettingError("patrol.replan", "errors.no_crew_left")
    ends = float(still["shift_end_min"].max())
    if now_min >= ends:
        raise SettingError("patrol.replan", "errors.shifts_over", now=clock(now_min),
                           end=clock(ends))
    if plan.since_min is not None and now_min < plan.since_min:
        raise SettingError("patrol.replan", "errors.plan_changed_since", now=clock(now_min),
                           since=clock(plan.since_min))


def progress(plan: Plan, *, now_min: float, stops_done: Mapping[str, int],
             out: frozenset[str] = frozenset()) -> Progress:
    """Return what of a plan stays as it is at `now_min`; of a crew that is out, what is done."""
    parts, done = [], {}
    for crew_id, own in plan.visits.sort_values(["crew_id", "position"]).groupby("crew_id"):
        name = str(crew_id)
        if name in stops_done:
            over = _rows_to_stop(own, stops_done[name])
            kept = own.head(over)
            # When exactly the crew was there is not known: not after now.
            kept = kept.assign(**{c: kept[c].clip(upper=now_min) for c in CLOCKS})
        else:
            over = max(int((own["leave_min"] <= now_min).sum()), int(name in out))
            before = own["leave_min"].shift(1, fill_value=-np.inf)
            # A crew on the road is committed to the stop it is driving to.
            kept = own[(before <= now_min) & ((own["kind"] != "return")
                                              | (own["leave_min"] <= now_min))]
            kept = own.head(over) if name in out else kept
        done[name] = min(over, len(kept))
        parts.append(kept)
    kept = pd.concat(parts) if parts else plan.visits
    return Progress(gpd.GeoDataFrame(kept, geometry="geometry", crs=plan.crews.crs), done)


def _delayed(far: Progress, travel: Travel) -> Progress:
    """Move on what a crew is driving to by what a closed street costs; without a way it is open."""
    kept, lost = far.kept.copy(), []
    for crew, own in kept.groupby("crew_id"):
        if len(own) <= max(far.done[str(crew)], 1) or own["kind"].iloc[-1] not in STOPS:
            continue
        here, there = own["location"].iloc[-2:].to_numpy(dtype=int)
        drive = float(travel.seconds[here, there]) / S_PER_MIN
        late = max(drive - float(own["travel_min"].iloc[-1]), 0.0)
        at = own.index[-1]
        if not np.isfinite(drive):
            lost.append(at)
        elif late > 0:
            start = max(float(own["start_min"].iloc[-1]), float(own["arrive_min"].iloc[-1]) + late)
            kept.loc[at, CLOCKS] = [own["arrive_min"].iloc[-1] + late, start, start + float(
                own["leave_min"].iloc[-1] - own["start_min"].iloc[-1])]
    return Progress(kept.drop(index=lost), far.done)


def _rows_to_stop(own: pd.DataFrame, number: int) -> int:
    """Return how many rows of a crew's day are over once stop `number` is done."""
    count = own["kind"].isin(STOPS).cumsum()
    return 1 if number <= 0 else int((count < number).sum()) + 1


def _least_changed(setting: Setting, rest: Routes, hoped: np.ndarray, parameters: Parameters,
                   seed: int) -> DayRoutes:
    """Return the rest of the day with what changed taken in; a new plan only where it wins a job.

    Crews know their sheets, and a search that begins anew swaps half of the stops between them for
    little. So what is left stays as it is, less what no longer fits, and what is new goes where
    there is room; the search is begun where a `hoped` stop, a reported job that was planned or is
    new, has none.
    """
    calm = search_day(setting, seed=seed, start=rest, parameters=parameters.override(
        {"patrol.search_iterations": parameters["patrol.change_iterations"]}))
    if set(np.flatnonzero(hoped)) <= {stop for route in calm.routes for stop in route}:
        return calm
    found = search_day(setting, parameters=parameters, seed=seed, start=rest)
    jobs, kept = (worth(each.problem, each.routes)[0] for each in (found, calm))
    return found if jobs > kept + 1e-6 else calm


def _rest_of_day(plan: Plan, todo: pd.DataFrame, out: frozenset[str]) -> Routes:
    """Return what remains of the plan as routes, to begin the search with."""
    row = {stop_id: at for at, stop_id in enumerate(todo["stop_id"])}
    ways = {str(crew): own.sort_values("position")["stop_id"].dropna().tolist()
            for crew, own in plan.visits.groupby("crew_id")}
    return [[row[stop] for stop in ways.get(crew, []) if stop in row and crew not in out]
            for crew in plan.crews["crew_id"]]


def _from_now(setting: Setting, kept: gpd.GeoDataFrame, stops: gpd.GeoDataFrame, now_min: float,
              plan: Plan, parameters: Parameters, out: frozenset[str]) -> Setting:
    """Move each crew to where it stands, with the time, water and break it has left."""
    crews = []
    n = len(plan.crews)
    position = {stop_id: n + i for i, stop_id in enumerate(stops["stop_id"])}
    late = int(parameters["patrol.break_late_h"] * S_PER_H)
    for crew, crew_id in zip(setting.problem.crews, plan.crews["crew_id"], strict=True):
        own = kept[kept["crew_id"] == crew_id]
        now = int(np.ceil(max([now_min, *own["leave_min"].tail(1)]) * S_PER_MIN))
        here = crew.start
        for _, row in own.iterrows():
            at_depot = row["kind"] in ("return", "refill")
            here = crew.end if at_depot else position.get(row["stop_id"], here)
        filled = own["position"].where(own["kind"] == "refill").max()
        since = own[own["position"] > filled] if pd.notna(filled) else own
        used = stops[stops["stop_id"].isin(since["stop_id"].dropna())]["wash_water_l"].fillna(0.0)
        gone = min(int(np.ceil(used).sum()), crew.capacity[0]) if crew.capacity else 0
        driven = int(own["travel_min"].sum() * S_PER_MIN)
        rested = (own["kind"] == "break").any()
        begins = min(max(now, crew.earliest), crew.latest)
        crews.append(replace(
            crew, start=here, earliest=begins, latest=begins if crew_id in out else crew.latest,
            used=gone, driving=None if crew.driving is None else max(crew.driving - driven, 0),
            rest=None if rested else _rest_from(crew.rest, now + late)))
    team: tuple[Crew, ...] = tuple(crews)
    relaxed = replace(setting.relaxed, crews=team)
    return replace(setting, problem=early(
        relaxed, setting.offensive, setting.due_s, parameters), relaxed=relaxed)


def _rest_from(rest: Break | None, last: int) -> Break | None:
    """Return the break still to come: it may be taken soon where it is overdue."""
    return None if rest is None else replace(rest, latest=max(rest.latest, last))


def _joined(kept: gpd.GeoDataFrame, fresh: gpd.GeoDataFrame, plan: Plan, travel: Travel,
            stops: gpd.GeoDataFrame, setting: Setting) -> gpd.GeoDataFrame:
    """Put what is done before what is planned, and bring home the crews that have nothing left."""
    parts = []
    position = {stop_id: len(plan.crews) + i for i, stop_id in enumerate(stops["stop_id"])}
    for index, crew in plan.crews.reset_index(drop=True).iterrows():
        own = kept[kept["crew_id"] == crew["crew_id"]].copy()
        own["location"] = [position.get(s, at) for s, at in
                           zip(own["stop_id"], own["location"], strict=True)]
        rest = fresh[fresh["crew_id"] == crew["crew_id"]]
        if len(own):
            rest = rest[rest["kind"] != "depart"]
        if len(own) and rest.empty and own["kind"].iloc[-1] != "return":
            now = setting.problem.crews[int(str(index))]
            rest = _way_home(own, _planned(plan, own, now), crew, now, travel) if len(
                own) > 1 else rest
            own = own if len(own) > 1 else own.iloc[:0]
        whole = pd.concat([own, rest]) if len(own) and len(rest) else (own if len(own) else rest)
        parts.append(whole.assign(position=np.arange(len(whole))))
    # Nobody out before and nobody now: the table stays without rows.
    table = pd.concat([p for p in parts if len(p)] or parts, ignore_index=True)
    visits = gpd.GeoDataFrame(table, geometry="geometry", crs=kept.crs)
    check(visits, "patrol_visits", where="patrol.replan")
    return visits


def _planned(plan: Plan, own: gpd.GeoDataFrame, now: Crew) -> gpd.GeoDataFrame:
    """Return the way home that a crew is on already, as a table of one row or none."""
    day = plan.visits[plan.visits["crew_id"] == own["crew_id"].iloc[0]].sort_values("position")
    last, following = day.iloc[len(own) - 1], day.iloc[len(own):len(own) + 1]
    under_way = (following["kind"] == "return") & (
        following["arrive_min"] >= now.earliest / S_PER_MIN) & (
        last["leave_min"] == own["leave_min"].iloc[-1])
    return following[under_way]


def _way_home(own: gpd.GeoDataFrame, planned: gpd.GeoDataFrame, crew: pd.Series, now: Crew,
              travel: Travel) -> gpd.GeoDataFrame:
    """Return the row that brings a crew home that has nothing left to do.

    A crew that is on its way already does not start again from its last stop.
    """
    if len(planned):
        return planned
    drive = float(travel.seconds[now.start, now.end]) / S_PER_MIN
    back = now.earliest / S_PER_MIN + drive
    row = own.tail(1).assign(kind="return", stop_id=None, name=crew["depot_name"],
                             location=now.end, travel_min=drive, arrive_min=back, start_min=back,
                             leave_min=back, leave_by_min=np.nan, made=np.nan)
    return row.set_geometry(gpd.points_from_xy(*travel.xy[[now.end]].T), crs=own.crs)
