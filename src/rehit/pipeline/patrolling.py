"""Patrol plan from the chain's results: routes and run sheets, visit intervals, calendar."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.patrol.calendar_plan import plan_calendar
from rehit.patrol.check_plan import check_plan
from rehit.patrol.exports import routes_table, write_geojson, write_gpx, write_stops_csv
from rehit.patrol.fleet import crews_table, depot_points
from rehit.patrol.frequency import (
    Frequency,
    even_round,
    marking_days_per_week,
    visit_intervals,
    worst_first,
)
from rehit.patrol.phone_page import phone_page
from rehit.patrol.routes import Plan, plan_routes
from rehit.patrol.runsheet import render_run_sheet
from rehit.patrol.sheets import Sheet, crew_sheets
from rehit.patrol.travel import Network, Travel, build_network, travel_times
from rehit.pipeline.chain import Chain
from rehit.pipeline.outputs import write_csv
from rehit.pipeline.patrol_stops import day_after, hotspot_stops, reported_stops
from rehit.safe_text import neutralise_table
from rehit.tabular import read_text_table

MIN_PER_H = 60
S_PER_H = 3600
NEAREST = 3


def write_patrol(chain: Chain, stage: Path, *, day: date | None,
                 crews: int | None) -> dict[str, object]:
    """Plan one day and the coming weeks and write everything into `stage`.

    Parameters
    ----------
    chain
        The project's results.
    stage
        Folder to write into.
    day
        The day to plan; by default the day after the log ends.
    crews
        How many of the project's vehicles go out; by default all.
    """
    team, notes = fleet(chain, crews)
    day = day or day_after(chain.cleaned.observed_to, time_zone=chain.project.time_zone)
    network = None if chain.streets is None else build_network(
        _single(chain.streets), parameters=chain.parameters)
    stops, handed = day_stops(chain, day, crews=len(team))
    chain.step("Planning the routes")
    plan = plan_routes(stops, team, network=network, parameters=chain.parameters,
                       seed=chain.project.seed)
    broken = plan_faults(chain, plan)
    frequency, places = visit_plan(chain, team, network)
    stage.mkdir(exist_ok=True)
    chain.step("Writing run sheets")
    sheets = crew_sheets(plan)
    write_day(stage, plan, sheets, handed, day=day, streets=chain.streets)
    hours = _hours_per_day(chain, team)
    calendar = plan_calendar(
        frequency.table, places.geometry, crew_ids=list(team["crew_id"]),
        hours_per_day=hours / len(team), first_day=day, parameters=chain.parameters)
    write_csv(frequency.table, stage / "visit_intervals.csv")
    write_csv(calendar.visits, stage / "visit_calendar.csv")
    return summary(chain, plan, sheets, frequency, handed=handed, day=day,
                   notes=[*notes, *plan.notes, *broken],
                   no_room=int(calendar.no_room["n_visits"].sum()))


def fleet(chain: Chain, crews: int | None) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Return the crews that go out, and notes on vehicles that cannot."""
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
    """Return the day's stops, and the open jobs that are for someone else."""
    incidents, numbers = chain.incidents, chain.parameters
    jobs, handed = reported_stops(incidents, chain.advice, chain.repeats, day=day,
                                  time_zone=chain.project.time_zone, parameters=numbers)
    busy = set(incidents.loc[incidents["status"] == "open", "place_id"].dropna())
    spots = hotspot_stops(
        chain.repeats, chain.forecast, incidents, chain.advice, busy=busy, parameters=numbers,
        count=int(numbers["patrol.candidates_per_crew"]) * crews)
    both = [table for table in (jobs, spots) if len(table)]
    if not both:
        raise SettingError("rehit patrol", got="no open job and no place to visit",
                           allowed="a log with open jobs or repeat places",
                           remedy="check the log and its mapping")
    stops = gpd.GeoDataFrame(pd.concat(both, ignore_index=True), geometry="geometry",
                             crs=chain.project.crs)
    return stops, handed


def plan_faults(chain: Chain, plan: Plan) -> list[str]:
    """Re-check the plan by code that knows nothing of the search."""
    n = chain.parameters
    found = check_plan(
        plan.visits, plan.stops, plan.crews, plan.left_out, seconds=plan.travel.seconds,
        break_after_h=n["patrol.break_after_h"], break_from_h=n["patrol.break_from_h"],
        break_to_h=n["patrol.break_to_h"])
    return [f"The plan breaks a rule, check it before use: {fault}" for fault in found]


def visit_plan(chain: Chain, team: gpd.GeoDataFrame,
               network: Network | None) -> tuple[Frequency, gpd.GeoDataFrame]:
    """Return visit intervals for all places with a point, and those places."""
    places = chain.repeats[~(chain.repeats.geometry.isna() | chain.repeats.geometry.is_empty)]
    places = places.reset_index(drop=True)
    chain.step("Working out visit intervals")
    numbers = chain.parameters
    points = gpd.GeoSeries([*team.geometry[:1], *places.geometry], crs=team.crs)
    travel = travel_times(points, network=network, parameters=numbers)
    minutes = numbers["patrol.look_minutes"] + numbers["patrol.setup_minutes"]
    table = pd.DataFrame({
        "place_id": places["place_id"], "rate_per_year": places["rate_per_year"].astype(float),
        "visit_h": minutes / MIN_PER_H + hop_hours(travel),
        "longest_days": _standard(places, chain)})
    hours = _hours_per_day(chain, team) * numbers["patrol.work_days_per_week"]
    return visit_intervals(table, hours_per_week=hours, parameters=numbers), places


def hop_hours(travel: Travel) -> np.ndarray:
    """Return each place's share of driving on a round: the mean drive to its nearest neighbours."""
    seconds = travel.seconds[1:, 1:].copy()
    np.fill_diagonal(seconds, np.inf)
    near = np.sort(seconds, axis=1)[:, :NEAREST]
    near[~np.isfinite(near)] = np.nan
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


def _hours_per_day(chain: Chain, team: gpd.GeoDataFrame) -> float:
    worked = team["shift_end_min"] - team["shift_start_min"] - team["break_min"]
    return float(worked.sum()) / MIN_PER_H * chain.parameters["patrol.patrol_share"]


def _single(streets: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return streets[streets.geometry.notna()].explode(ignore_index=True)


def write_day(stage: Path, plan: Plan, sheets: list[Sheet], handed: pd.DataFrame, *, day: date,
              streets: gpd.GeoDataFrame | None) -> None:
    """Write the day's routes: a run sheet, a phone page and a GPX file per crew, and the tables."""
    when = f"{day:%A} {day.day} {day:%B %Y}"
    for sheet in sheets:
        name = f"{day.isoformat()}_{file_name(str(sheet.crew['name']))}"
        (stage / f"run_sheet_{name}.pdf").write_bytes(
            render_run_sheet(sheet, when=when, streets=streets))
        (stage / f"run_sheet_{name}.html").write_text(
            phone_page(sheet, when=when, streets=streets), encoding="utf-8")
        write_gpx(sheet, stage / f"route_{name}.gpx")
    write_geojson(sheets, stage / "routes.geojson")
    write_stops_csv(sheets, stage / "stops.csv")
    write_csv(routes_table(sheets), stage / "routes.csv")
    write_csv(plan.left_out, stage / "left_out.csv")
    neutralise_table(handed).to_csv(stage / "for_others.csv", index=False)


def file_name(text: str) -> str:
    """Return a name safe on any file system.

    Examples
    --------
    >>> file_name("Hot-wash trailer C")
    'hot-wash_trailer_c'
    """
    return re.sub(r"[^a-z0-9-]+", "_", text.lower()).strip("_")[:40] or "crew"


def summary(chain: Chain, plan: Plan, sheets: list[Sheet], frequency: Frequency, *,
            handed: pd.DataFrame, day: date, notes: list[str],
            no_room: int) -> dict[str, object]:
    """Return the figures of the plan and the sentences that say them."""
    visits = plan.visits
    reported = int((visits["kind"] == "reported").sum())
    spots = visits[visits["kind"] == "hotspot"]
    expected = float(spots.merge(plan.stops[["stop_id", "expected"]], on="stop_id")[
        "expected"].sum())
    return {
        "project": chain.project.name, "day": day.isoformat(), "n_crews_out": len(sheets),
        "n_reported": reported, "n_hotspots": len(spots), "expected_found": round(expected, 2),
        "n_left_out": len(plan.left_out), "n_for_others": len(handed),
        "patrol_hours_per_week": round(frequency.hours_per_week, 1),
        "marking_days_per_week": round(frequency.marking_days_per_week, 1),
        "value_of_an_hour": round(frequency.value_of_an_hour, 2), "visits_without_room": no_room,
        "sentences": [
            *_day_sentences(plan, sheets, reported, len(spots), expected, handed, day),
            *_week_sentences(chain, frequency, no_room), *notes],
    }


def _day_sentences(plan: Plan, sheets: list[Sheet], reported: int, spots: int, expected: float,
                   handed: pd.DataFrame, day: date) -> list[str]:
    said = [f"{day.isoformat()}: {len(sheets)} of {len(plan.crews)} crews go out to {reported} "
            f"reported jobs and {spots} hotspots, where about {expected:.1f} markings should be "
            "found."]
    for sheet in sheets:
        back = sheet.rows["arrive_min"].iloc[-1]
        said.append(f"  {sheet.crew['name']}: {len(sheet.stops)} stops, back at "
                    f"{int(back) // 60:02d}:{int(back) % 60:02d}.")
    jobs = plan.left_out[plan.left_out["kind"] == "reported"]
    said += [f"Left out: {row['name']}: {row['reason']}." for row in jobs.to_dict("records")]
    rest = len(plan.left_out) - len(jobs)
    if rest:
        said.append(f"{rest} hotspots are left for another day (left_out.csv says why).")
    if len(handed):
        said.append(f"{len(handed)} open jobs are not for the crews (for_others.csv).")
    return said


def _week_sentences(chain: Chain, frequency: Frequency, no_room: int) -> list[str]:
    if frequency.table.empty:
        return []
    table, numbers = frequency.table, chain.parameters
    hours = frequency.hours_per_week
    even = marking_days_per_week(table, even_round(table, hours_per_week=hours))
    worst = marking_days_per_week(table, worst_first(table, hours_per_week=hours,
                                                     parameters=numbers))
    said = [
        f"Visit intervals for {len(table):,} places within {hours:.1f} crew hours a week leave "
        f"about {frequency.marking_days_per_week:,.0f} marking-days a week; the even round "
        f"{even:,.0f}, worst first {worst:,.0f}. One more crew hour a week would save "
        f"{frequency.value_of_an_hour:.1f}."]
    if frequency.short_by_h > 0:
        said.append(f"The longest intervals allowed need {frequency.short_by_h:.1f} crew hours a "
                    "week more than there are: allow longer ones or give more hours.")
    if no_room:
        said.append(f"{no_room} planned visits found no day with room in the calendar.")
    return said
