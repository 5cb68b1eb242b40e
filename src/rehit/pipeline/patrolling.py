"""Patrol plan from the chain's results: routes and run sheets, visit intervals, calendar."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.patrol.calendar_plan import plan_calendar
from rehit.patrol.check_plan import check_plan
from rehit.patrol.exports import routes_table, write_geojson, write_gpx, write_stops_csv
from rehit.patrol.fleet import crews_table, depot_points, refuse_without_files
from rehit.patrol.frequency import Frequency, visit_intervals
from rehit.patrol.nearest import nearest_seconds
from rehit.patrol.phone_page import phone_page
from rehit.patrol.routes import Plan, plan_routes
from rehit.patrol.runsheet import render_run_sheet
from rehit.patrol.saved import PLAN_FILE, write_plan
from rehit.patrol.sheets import Sheet, crew_sheets
from rehit.patrol.travel import Network, Travel, build_network
from rehit.pipeline.chain import Chain
from rehit.pipeline.file_names import file_names
from rehit.pipeline.outputs import write_csv
from rehit.pipeline.patrol_stops import day_after, hotspot_stops, reported_stops
from rehit.pipeline.patrol_words import summary
from rehit.project import FILE_NAME
from rehit.safe_text import neutralise_table
from rehit.tabular import read_text_table
from rehit.workdays import public_holidays

MIN_PER_H = 60
S_PER_H = 3600


def write_patrol(chain: Chain, stage: Path, *, day: date | None, crews: int | None,
                 search_iterations: float | None = None) -> dict[str, object]:
    """Plan one day and the coming weeks and write everything into `stage`.

    Parameters
    ----------
    chain
        The project's results.
    stage
        Folder to write into.
    day
        The day to plan; by default the first working day after the log ends.
    crews
        How many of the project's vehicles go out; by default all.
    search_iterations
        Steps of the route search; by default ``patrol.search_iterations``.
    """
    team, notes = fleet(chain, crews)
    day, idle = day_to_plan(chain, day)
    network = street_network(chain)
    stops, handed = day_stops(chain, day, crews=len(team))
    chain.step("Planning the routes")
    numbers = chain.parameters if search_iterations is None else chain.parameters.override(
        {"patrol.search_iterations": search_iterations})
    plan = plan_routes(stops, team, network=network, parameters=numbers, seed=chain.project.seed)
    broken = plan_faults(chain, plan)
    frequency, places = visit_plan(chain, team, network)
    stage.mkdir(exist_ok=True)
    chain.step("Writing run sheets")
    sheets = crew_sheets(plan)
    write_day(stage, plan, sheets, day=day, streets=chain.streets)
    neutralise_table(handed).to_csv(stage / "for_others.csv", index=False)
    calendar = plan_calendar(
        frequency.table, places.geometry, crew_ids=list(team["crew_id"]),
        hours_per_day=patrol_hours(team, parameters=chain.parameters).tolist(), first_day=day,
        parameters=chain.parameters, holidays=list(chain_holidays(chain, day)))
    write_csv(frequency.table, stage / "visit_intervals.csv")
    write_csv(calendar.visits, stage / "visit_calendar.csv")
    return summary(chain, plan, sheets, frequency, handed=handed, day=day,
                   notes=[*notes, *idle, *plan.notes, *broken],
                   no_room=int(calendar.no_room["n_visits"].sum()))


def day_to_plan(chain: Chain, day: date | None) -> tuple[date, list[str]]:
    """Return the day asked for, or else the first working day after the log ends.

    A day asked for is planned even if it is free of work or far from the log, with a note that it
    is.
    """
    after = day_after(chain.cleaned.observed_to, time_zone=chain.project.time_zone)
    first = day or after
    closed = chain_holidays(chain, first)
    n_week = int(chain.parameters["patrol.work_days_per_week"])
    if day is None:
        while first in closed or first.weekday() >= n_week:
            first += timedelta(days=1)
        return first, []
    notes = _off_the_log(day, after, horizon_days=chain.parameters["patrol.horizon_days"])
    if day in closed:
        notes.append(f"{day.isoformat()} is a public holiday ({closed[day]}): are crews out?")
    elif day.weekday() >= n_week:
        notes.append(f"{day.isoformat()} is a {day:%A}, outside the {n_week} working days a week: "
                     "are crews out?")
    return day, notes


def _off_the_log(day: date, after: date, *, horizon_days: float) -> list[str]:
    """Say where the log does not know how things stand on the day: open jobs are its last ones."""
    last = after - timedelta(days=1)
    if day <= last:
        return [f"{day.isoformat()} is not after the log, which ends on {last.isoformat()}: the "
                "plan has the jobs open at its end, not those of that day."]
    if (day - last).days > horizon_days:
        return [f"The log ends on {last.isoformat()}, {(day - last).days} days before the day "
                "planned: jobs reported or done since are not known. Take a newer log."]
    return []


def chain_holidays(chain: Chain, day: date) -> dict[date, str]:
    """Return the project's public holidays from the year of a day to the calendar's end."""
    end = day + timedelta(weeks=chain.parameters["patrol.calendar_weeks"])
    return public_holidays(chain.project.holidays, first_year=day.year, last_year=end.year + 1)


def street_network(chain: Chain) -> Network | None:
    """Return the streets as a graph, or None for a project without them."""
    if chain.streets is None:
        return None
    single = chain.streets[chain.streets.geometry.notna()].explode(ignore_index=True)
    return build_network(single, parameters=chain.parameters)


def fleet(chain: Chain, crews: int | None) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Return the crews that go out, and notes on vehicles that cannot.

    Raises
    ------
    SettingError
        For more crews than there are vehicles that can go out, or none, and for a project that
        names no depots or no vehicles.
    """
    refuse_without_files([role for role in ("depots", "vehicles")
                          if chain.project.path(role) is None],
                         where=str(chain.project.folder / FILE_NAME))
    depots_file, vehicles_file = chain.project.require("depots"), chain.project.require("vehicles")
    depots = depot_points(read_text_table(depots_file).table, crs=chain.project.crs,
                          where=str(depots_file))
    team, notes = crews_table(read_text_table(vehicles_file).table, depots,
                              where=str(vehicles_file))
    if crews is not None:
        if not 1 <= crews <= len(team):
            raise SettingError("--crews", got=str(crews),
                               allowed=f"1 to {len(team)}, the vehicles that can go out",
                               remedy=f"give another number or add vehicles to {vehicles_file}")
        team = team.head(crews)
    return team, notes


def day_stops(chain: Chain, day: date, *, crews: int) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Return the day's stops, and the open jobs that are for someone else.

    Raises
    ------
    SettingError
        If there is nothing to go out for.
    """
    incidents, numbers = chain.incidents, chain.parameters
    jobs, handed = reported_stops(incidents, chain.advice, chain.repeats, day=day,
                                  time_zone=chain.project.time_zone, parameters=numbers)
    busy = set(incidents.loc[incidents["status"] == "open", "place_id"].dropna())
    spots = hotspot_stops(
        chain.repeats, chain.forecast, incidents, chain.advice, busy=busy, parameters=numbers,
        count=int(numbers["patrol.candidates_per_crew"]) * crews)
    both = [table for table in (jobs, spots) if len(table)]
    if not both:
        raise SettingError("rehit patrol", got="no open job and no place likely to be marked",
                           allowed="a log with open jobs or with repeat places above the chance "
                                   "least_chance of [patrol]",
                           remedy="check the log and its mapping, or lower least_chance")
    stops = gpd.GeoDataFrame(pd.concat(both, ignore_index=True), geometry="geometry",
                             crs=chain.project.crs)
    return stops, handed


def plan_faults(chain: Chain, plan: Plan) -> list[str]:
    """Re-check the plan by code that knows nothing of the search."""
    n = chain.parameters
    found = check_plan(
        plan.visits, plan.stops, plan.crews, plan.left_out, seconds=plan.travel.seconds,
        break_after_h=n["patrol.break_after_h"], break_from_h=n["patrol.break_from_h"],
        break_to_h=n["patrol.break_to_h"], break_late_h=n["patrol.break_late_h"],
        since_min=plan.since_min, done=plan.done)
    return [f"The plan breaks a rule, check it before use: {fault}" for fault in found]


def visit_plan(chain: Chain, team: gpd.GeoDataFrame,
               network: Network | None) -> tuple[Frequency, gpd.GeoDataFrame]:
    """Return visit intervals for all places with a point, and those places."""
    places = chain.repeats[~(chain.repeats.geometry.isna() | chain.repeats.geometry.is_empty)]
    places = places.reset_index(drop=True)
    chain.step("Working out visit intervals")
    numbers = chain.parameters
    near = nearest_seconds(places.geometry, count=int(numbers["patrol.hop_neighbours"]),
                           network=network, parameters=numbers)
    minutes = numbers["patrol.look_minutes"] + numbers["patrol.setup_minutes"]
    table = pd.DataFrame({
        "place_id": places["place_id"], "rate_per_year": places["rate_per_year"].astype(float),
        "visit_h": minutes / MIN_PER_H + mean_hop_hours(near),
        "longest_days": _standard(places, chain)})
    hours = patrol_hours(team, parameters=numbers).sum() * numbers["patrol.work_days_per_week"]
    return visit_intervals(table, hours_per_week=float(hours), parameters=numbers), places


def hop_hours(travel: Travel, *, neighbours: int) -> np.ndarray:
    """Return each place's share of driving on a round: the mean drive to its nearest neighbours."""
    seconds = travel.seconds[1:, 1:].copy()
    np.fill_diagonal(seconds, np.inf)
    return mean_hop_hours(np.sort(seconds, axis=1)[:, :neighbours])


def mean_hop_hours(near: np.ndarray) -> np.ndarray:
    """Return the mean of each row's finite seconds as hours; the typical one where there is none.
    """
    near = np.where(np.isfinite(near), near, np.nan)
    known = np.isfinite(near).any(axis=1)
    hours = np.full(len(near), np.nan)
    hours[known] = np.nanmean(near[known], axis=1) / S_PER_H
    typical = float(np.nanmedian(hours)) if known.any() else 0.0
    return np.where(np.isfinite(hours), hours, typical)


def _standard(places: pd.DataFrame, chain: Chain) -> pd.Series:
    """Return the longest interval of places known for offensive markings, else nothing."""
    numbers = chain.parameters
    share = places["n_offensive"] / places["n_incidents"].clip(lower=1)
    known = (share >= numbers["patrol.offensive_share"]) & (places["n_offensive"] > 1)
    limit = max(numbers["patrol.offensive_interval_days"], numbers["patrol.min_interval_days"])
    return pd.Series(np.where(known, limit, np.nan), index=places.index)


def patrol_hours(team: gpd.GeoDataFrame, *, parameters: Parameters) -> np.ndarray:
    """Return the hours a day that each crew has for planned visits.

    A shift that is too short to need a break is worked through.
    """
    shift = team["shift_end_min"] - team["shift_start_min"]
    due = shift > parameters["patrol.break_after_h"] * MIN_PER_H
    worked = (shift - team["break_min"].where(due, 0.0)).clip(lower=0.0)
    return worked.to_numpy(float) / MIN_PER_H * parameters["patrol.patrol_share"]


def write_day(stage: Path, plan: Plan, sheets: list[Sheet], *, day: date,
              streets: gpd.GeoDataFrame | None) -> None:
    """Write the day's routes: a run sheet, a phone page and a GPX file per crew, and the tables.

    The plan itself is written too, for jobs that come in during the day.
    """
    when = f"{day:%A} {day.day} {day:%B %Y}"
    names = file_names(plan.crews)
    for sheet in sheets:
        name = f"{day.isoformat()}_{names[str(sheet.crew['crew_id'])]}"
        (stage / f"run_sheet_{name}.pdf").write_bytes(
            render_run_sheet(sheet, when=when, streets=streets))
        (stage / f"run_sheet_{name}.html").write_text(
            phone_page(sheet, when=when, streets=streets), encoding="utf-8")
        write_gpx(sheet, stage / f"route_{name}.gpx")
    write_geojson(sheets, stage / "routes.geojson")
    write_stops_csv(sheets, stage / "stops.csv")
    write_csv(routes_table(sheets), stage / "routes.csv")
    write_csv(plan.left_out, stage / "left_out.csv")
    write_plan(plan, stage / PLAN_FILE, day=day)
