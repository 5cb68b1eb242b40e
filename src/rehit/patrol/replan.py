"""Today's routes again, when a job comes in while the crews are out."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.patrol.problem import Crew
from rehit.patrol.reasons import left_out
from rehit.patrol.routes import Plan, day_travel, plan_notes, search_day, visits_table
from rehit.patrol.setting import Setting, day_problem
from rehit.patrol.timing import time_routes
from rehit.patrol.travel import Network, Travel
from rehit.tables import check

S_PER_MIN = 60


def replan(plan: Plan, added: gpd.GeoDataFrame, *, now_min: float, network: Network | None,
           parameters: Parameters, seed: int) -> Plan:
    """Return the plan from `now_min` on with jobs added; what is done or under way stays as it is.

    Each crew goes on from the stop it is at, or is driving to, when the call comes.

    Parameters
    ----------
    plan
        This morning's plan.
    added
        New rows of the `patrol_stops` table.
    now_min
        Minute of the day.
    network, parameters, seed
        As for :func:`plan_routes`.
    """
    check(added, "patrol_stops", where="patrol.replan")
    stops = gpd.GeoDataFrame(pd.concat([plan.stops, added], ignore_index=True),
                             geometry="geometry", crs=plan.crews.crs)
    check(stops, "patrol_stops", where="patrol.replan")
    # A crew on the road is committed to the stop it is driving to.
    begun = plan.visits.sort_values(["crew_id", "position"])
    before = begun.groupby("crew_id")["leave_min"].shift(1, fill_value=-np.inf)
    kept = begun[(before <= now_min) & (begun["kind"] != "return")]
    done = set(kept["stop_id"].dropna())
    travel = day_travel(stops, plan.crews, network=network, parameters=parameters)
    todo = stops[~stops["stop_id"].isin(done)].reset_index()
    setting = day_problem(todo.drop(columns="index"), plan.crews, travel, parameters=parameters,
                          locations=len(plan.crews) + todo["index"].to_numpy())
    setting = _from_now(setting, kept, stops, now_min, plan)
    routes, relaxed = search_day(setting, parameters=parameters, seed=seed)
    problem = setting.relaxed if relaxed else setting.problem
    timed = time_routes(problem, routes)
    fresh = visits_table(setting, timed, travel)
    visits = _joined(kept, fresh, plan, travel, stops, setting)
    return replace(plan, stops=stops, visits=visits, travel=travel,
                   left_out=left_out(setting, problem, routes, travel),
                   notes=plan_notes(stops, plan.crews, travel, network, relaxed))


def _from_now(setting: Setting, kept: gpd.GeoDataFrame, stops: gpd.GeoDataFrame, now_min: float,
              plan: Plan) -> Setting:
    """Move each crew to where it stands, with the time, water and break it has left."""
    crews = []
    n = len(plan.crews)
    position = {stop_id: n + i for i, stop_id in enumerate(stops["stop_id"])}
    for crew, crew_id in zip(setting.problem.crews, plan.crews["crew_id"], strict=True):
        own = kept[kept["crew_id"] == crew_id]
        now = int(np.ceil(max([now_min, *own["leave_min"].tail(1)]) * S_PER_MIN))
        here = crew.start
        for _, row in own.iterrows():
            here = position.get(row["stop_id"], here) if row["kind"] != "break" else here
        used = stops[stops["stop_id"].isin(own["stop_id"].dropna())]["wash_water_l"].fillna(0.0)
        water = max(crew.capacity[0] - int(np.ceil(used).sum()), 0) if crew.capacity else 0
        rested = (own["kind"] == "break").any()
        crews.append(replace(
            crew, start=here, earliest=min(max(now, crew.earliest), crew.latest),
            capacity=(water, *crew.capacity[1:]), rest=None if rested else crew.rest))
    team: tuple[Crew, ...] = tuple(crews)
    return replace(setting, problem=replace(setting.problem, crews=team),
                   relaxed=replace(setting.relaxed, crews=team))


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
        if len(own) and rest.empty:
            here = setting.problem.crews[int(str(index))].start
            home = setting.problem.crews[int(str(index))].end
            left = float(own["leave_min"].iloc[-1])
            drive = float(travel.seconds[here, home]) / S_PER_MIN
            back = own.tail(1).assign(kind="return", stop_id=None, name=crew["depot_name"],
                                      location=home, travel_min=drive, arrive_min=left + drive,
                                      start_min=left + drive, leave_min=left + drive)
            back = back.set_geometry(gpd.points_from_xy(*travel.xy[[home]].T), crs=kept.crs)
            rest = back if len(own) > 1 else back.iloc[:0]
            own = own if len(own) > 1 else own.iloc[:0]
        whole = pd.concat([own, rest]) if len(own) and len(rest) else (own if len(own) else rest)
        parts.append(whole.assign(position=np.arange(len(whole))))
    table = pd.concat([p for p in parts if len(p)], ignore_index=True)
    visits = gpd.GeoDataFrame(table, geometry="geometry", crs=kept.crs)
    check(visits, "patrol_visits", where="patrol.replan")
    return visits
