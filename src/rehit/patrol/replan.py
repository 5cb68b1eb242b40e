"""Today's routes again, when a job comes in while the crews are out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.patrol.problem import Break, Crew, Routes
from rehit.patrol.reasons import left_out
from rehit.patrol.routes import Plan, day_travel, plan_notes, search_day, visits_table
from rehit.patrol.setting import Setting, day_problem, early
from rehit.patrol.sheets import clock
from rehit.patrol.timing import time_routes
from rehit.patrol.travel import Network, Travel
from rehit.tables import check

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
           parameters: Parameters, seed: int, stops_done: Mapping[str, int] | None = None) -> Plan:
    """Return the plan from `now_min` on with jobs added; what is done or under way stays as it is.

    A crew that is not named in `stops_done` is taken to be where its plan says, and goes on from
    the stop it is at, or is driving to. A crew that is named has done so many of its stops, and
    goes on from the last of them at once; whatever it has not done is planned again.

    Parameters
    ----------
    plan
        This morning's plan, or one already changed.
    added
        New rows of the `patrol_stops` table.
    now_min
        Minute of the day, not before the plan's last change.
    network, parameters, seed
        As for :func:`plan_routes`.
    stops_done
        By ``crew_id``, the number of the last stop done as the run sheet counts them.

    Raises
    ------
    SettingError
        If no crew is out any more at `now_min`, or the plan was changed later than that.
    """
    check(added, "patrol_stops", where="patrol.replan")
    _refuse(plan, now_min)
    stops = gpd.GeoDataFrame(pd.concat([plan.stops, added], ignore_index=True),
                             geometry="geometry", crs=plan.crews.crs)
    check(stops, "patrol_stops", where="patrol.replan")
    far = progress(plan, now_min=now_min, stops_done=stops_done or {})
    travel = day_travel(stops, plan.crews, network=network, parameters=parameters)
    todo = stops[~stops["stop_id"].isin(set(far.kept["stop_id"].dropna()))].reset_index()
    setting = day_problem(todo.drop(columns="index"), plan.crews, travel, parameters=parameters,
                          locations=len(plan.crews) + todo["index"].to_numpy())
    setting = _from_now(setting, far.kept, stops, now_min, plan, parameters)
    routes, relaxed = search_day(setting, parameters=parameters, seed=seed,
                                 start=_rest_of_day(plan, todo))
    problem = setting.relaxed if relaxed else setting.problem
    fresh = visits_table(setting, time_routes(problem, routes), travel)
    visits = _joined(far.kept, fresh, plan, travel, stops, setting)
    return replace(plan, stops=stops, visits=visits, travel=travel, since_min=now_min,
                   done=far.done, left_out=left_out(setting, problem, routes, travel),
                   notes=plan_notes(stops, plan.crews, travel, relaxed, parameters=parameters))


def _refuse(plan: Plan, now_min: float) -> None:
    ends = float(plan.crews["shift_end_min"].max())
    if now_min >= ends:
        raise SettingError("patrol.replan", got=f"the time {clock(now_min)}",
                           allowed=f"a time before {clock(ends)}, when the last shift ends",
                           remedy="plan the job for another day")
    if plan.since_min is not None and now_min < plan.since_min:
        raise SettingError("patrol.replan", got=f"the time {clock(now_min)}",
                           allowed=f"{clock(plan.since_min)} or later: the plan was changed then",
                           remedy="give the time it is now")


def progress(plan: Plan, *, now_min: float, stops_done: Mapping[str, int]) -> Progress:
    """Return what of a plan stays as it is at `now_min`."""
    parts, done = [], {}
    for crew_id, own in plan.visits.sort_values(["crew_id", "position"]).groupby("crew_id"):
        name = str(crew_id)
        if name in stops_done:
            over = _rows_to_stop(own, stops_done[name])
            kept = own.head(over)
            # When exactly the crew was there is not known: not after now.
            kept = kept.assign(**{c: kept[c].clip(upper=now_min) for c in CLOCKS})
        else:
            over = int((own["leave_min"] <= now_min).sum())
            before = own["leave_min"].shift(1, fill_value=-np.inf)
            # A crew on the road is committed to the stop it is driving to.
            kept = own[(before <= now_min) & ((own["kind"] != "return")
                                              | (own["leave_min"] <= now_min))]
        done[name] = min(over, len(kept))
        parts.append(kept)
    kept = pd.concat(parts) if parts else plan.visits
    return Progress(gpd.GeoDataFrame(kept, geometry="geometry", crs=plan.crews.crs), done)


def _rows_to_stop(own: pd.DataFrame, number: int) -> int:
    """Return how many rows of a crew's day are over once stop `number` is done."""
    count = own["kind"].isin(STOPS).cumsum()
    return 1 if number <= 0 else int((count < number).sum()) + 1


def _rest_of_day(plan: Plan, todo: pd.DataFrame) -> Routes:
    """Return what remains of the plan as routes, to begin the search with."""
    row = {stop_id: at for at, stop_id in enumerate(todo["stop_id"])}
    ways = {str(crew): own.sort_values("position")["stop_id"].dropna().tolist()
            for crew, own in plan.visits.groupby("crew_id")}
    return [[row[stop] for stop in ways.get(crew, []) if stop in row]
            for crew in plan.crews["crew_id"]]


def _from_now(setting: Setting, kept: gpd.GeoDataFrame, stops: gpd.GeoDataFrame, now_min: float,
              plan: Plan, parameters: Parameters) -> Setting:
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
            here = crew.end if row["kind"] == "return" else position.get(row["stop_id"], here)
        used = stops[stops["stop_id"].isin(own["stop_id"].dropna())]["wash_water_l"].fillna(0.0)
        water = max(crew.capacity[0] - int(np.ceil(used).sum()), 0) if crew.capacity else 0
        rested = (own["kind"] == "break").any()
        crews.append(replace(
            crew, start=here, earliest=min(max(now, crew.earliest), crew.latest),
            capacity=(water, *crew.capacity[1:]),
            rest=None if rested else _rest_from(crew.rest, here, now + late)))
    team: tuple[Crew, ...] = tuple(crews)
    relaxed = replace(setting.relaxed, crews=team)
    return replace(setting, problem=early(relaxed, setting.offensive, parameters), relaxed=relaxed)


def _rest_from(rest: Break | None, here: int, last: int) -> Break | None:
    """Return the break still to come: it may be taken on the spot, and soon where it is overdue."""
    if rest is None:
        return None
    return replace(rest, latest=max(rest.latest, last),
                   locations=tuple(dict.fromkeys((*rest.locations, here))))


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
                             leave_min=back)
    return row.set_geometry(gpd.points_from_xy(*travel.xy[[now.end]].T), crs=own.crs)
