"""Patrol plan from the chain's results: routes and run sheets, visit intervals, calendar."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import Point

from rehit.chain import Chain
from rehit.errors import SettingError
from rehit.files.reader import read_table
from rehit.files.safe_text import neutralise_table
from rehit.outputs.tables import write_csv
from rehit.parameters import Parameters
from rehit.patrol.check import check_plan
from rehit.patrol.day import (
    PLAN_FILE,
    STOPS,
    Sheet,
    clock,
    crew_sheets,
    read_plan,
    replan,
    write_plan,
)
from rehit.patrol.fleet import crews_table, depot_points, minute_of_day, refuse_without_files
from rehit.patrol.looks import (
    Frequency,
    even_round,
    marking_days_per_week,
    plan_calendar,
    saved_by_one_hour,
    visit_intervals,
    worst_first,
)
from rehit.patrol.routes import Plan, plan_routes
from rehit.patrol.travel import Network, Travel, build_network, nearest_seconds
from rehit.project import FILE_NAME
from rehit.report.runsheet import (
    phone_page,
    render_run_sheet,
    routes_table,
    write_geojson,
    write_gpx,
    write_stops_csv,
)
from rehit.report.say import Say
from rehit.tables import check
from rehit.tables import table as contract
from rehit.wording import counted
from rehit.words.addresses import normalise_address
from rehit.workdays import public_holidays

# What a patrol could do today: open jobs and likely hotspots, as the `patrol_stops` table.

COLUMNS = ["stop_id", "name", "kind", "offensive", "expected", "method", "service_min",
           "earliest_min", "latest_min", "paint_l", "remover_l", "wash_water_l", "materials",
           "cautions", "geometry"]
NOT_FOR_CREWS = frozenset({"refer", "polish_or_replace"})
NO_PLACE = frozenset({"default", "none"})
LITRES = ["paint_l", "remover_l", "wash_water_l"]
MIN_PER_DAY = 24 * 60


def crew_methods() -> frozenset[str]:
    """Return the methods that crews on a round can be sent out for."""
    return frozenset(contract("advice").column("method").allowed) - NOT_FOR_CREWS


def reported_stops(incidents: gpd.GeoDataFrame, advice: pd.DataFrame,
                   places: gpd.GeoDataFrame, *, day: date, time_zone: str,
                   parameters: Parameters) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Return the open jobs for the crews, and those that are for someone else.

    `places` is the `repeats` table: where an incident has no point of its own but is matched to an
    asset, the asset's point is taken. An offensive job whose service standard
    runs out during the day gets that moment as the end of its window.
    """
    still = incidents[incidents["status"] == "open"].merge(advice, on="incident_id", how="left")
    method = still["method"].fillna("inspect")
    second = still["second_choice"].fillna("").where(method.isin(NOT_FOR_CREWS), "")
    others = method.isin(NOT_FOR_CREWS) & ~second.isin(crew_methods())
    method = method.where(~method.isin(NOT_FOR_CREWS), second)
    minutes = still["minutes"].astype(float).fillna(parameters["patrol.job_minutes"])
    jobs = stops_table(
        still, stop_id=still["incident_id"], name=_names(still), kind="reported",
        offensive=still["priority"] == "offensive", expected=1.0, method=method,
        service_min=minutes + parameters["patrol.setup_minutes"],
        latest_min=_due(still, day, time_zone, parameters))
    # A point that only stands for "not known" is no place; the asset named in the log is one.
    vague = still["place_quality"].isin(NO_PLACE).to_numpy()
    known = places.set_index("place_id").geometry.reindex(still.loc[vague, "place_id"])
    points = jobs.geometry.to_numpy().copy()
    points[vague] = known.to_numpy()
    jobs = jobs.set_geometry(gpd.GeoSeries(points, crs=jobs.crs))
    handed = pd.DataFrame({
        "stop_id": still["incident_id"].astype("str"), "name": _names(still),
        "method": still["method"].astype("str"), "reason": still["reason"].astype("str")})
    mine = ~others.to_numpy()
    return jobs[mine].reset_index(drop=True), handed[~mine].reset_index(drop=True)


def _due(still: pd.DataFrame, day: date, time_zone: str, parameters: Parameters) -> pd.Series:
    hours = parameters["service.offensive_hours"]
    due = (still["reported_at"] + pd.Timedelta(hours=hours)).dt.tz_convert(time_zone)
    midnight = pd.Timestamp(day, tz=time_zone)
    minute = (due - midnight).dt.total_seconds() / 60
    # Overdue jobs have no window left to keep: they come as early as can be all the same.
    inside = (still["priority"] == "offensive") & (minute > 0) & (minute < MIN_PER_DAY) & (
        still["reported_precision"] == "minute")
    return minute.where(inside)


def hotspot_stops(repeats: gpd.GeoDataFrame, forecast: pd.DataFrame, incidents: gpd.GeoDataFrame,
                  advice: pd.DataFrame, *, count: int, parameters: Parameters,
                  busy: set[str]) -> gpd.GeoDataFrame:
    """Return the `count` places most likely to be found marked.

    Left out are `busy` ones and those below ``patrol.least_chance``.
    Time and litres are those of the place's usual job times the chance that there is one.
    """
    horizon = parameters["patrol.horizon_days"]
    near = forecast.loc[(forecast["horizon_days"] - horizon).abs().sort_values(
        kind="stable").index[:1], "horizon_days"]
    ahead = forecast[forecast["horizon_days"].isin(near)]
    places = repeats.merge(ahead[["place_id", "chance_any"]], on="place_id")
    likely = places["chance_any"] >= parameters["patrol.least_chance"]
    places = places[~places["place_id"].isin(busy) & likely].sort_values(
        ["chance_any", "place_id"], ascending=[False, True]).head(count).reset_index(drop=True)
    usual = usual_jobs(incidents, advice).reindex(places["place_id"]).reset_index()
    chance = places["chance_any"].astype(float)
    work = usual["minutes"].fillna(parameters["patrol.job_minutes"]) * chance
    look = parameters["patrol.look_minutes"] + parameters["patrol.setup_minutes"]
    table = pd.concat([places, usual.drop(columns=["place_id"])], axis=1)
    for column in LITRES:
        table[column] = table[column].fillna(0.0) * chance
    method = usual["method"].where(usual["method"].isin(crew_methods()), "inspect")
    return stops_table(table, stop_id=places["place_id"], name=usual["address"].fillna(
        places["place_id"]), kind="hotspot", offensive=False, expected=chance, method=method,
        service_min=look + work.where(method != "inspect", 0.0), latest_min=np.nan)


def usual_jobs(incidents: gpd.GeoDataFrame, advice: pd.DataFrame) -> pd.DataFrame:
    """Return the most frequent method of each place with its mean minutes and litres."""
    plain = pd.DataFrame(incidents[["incident_id", "place_id", "address", "reported_at"]])
    jobs = plain.merge(advice, on="incident_id").dropna(subset=["place_id"])
    jobs = jobs[jobs["method"].isin(crew_methods())]
    counts = jobs.groupby(["place_id", "method"]).size().rename("n").reset_index()
    counts = counts.sort_values(["place_id", "n", "method"], ascending=[True, False, True])
    best = counts.drop_duplicates("place_id")[["place_id", "method"]]
    rows = jobs.merge(best, on=["place_id", "method"]).sort_values("reported_at")
    numbers = rows.groupby("place_id")[["minutes", *LITRES]].mean()
    texts = rows.groupby("place_id")[["method", "materials", "cautions", "address"]].last()
    return texts.join(numbers)


def _names(table: pd.DataFrame) -> pd.Series:
    name = table["address"].where(table["address"].notna(), table["place_id"])
    return name.where(name.notna(), table["incident_id"]).astype("str")


def stops_table(table: pd.DataFrame, **columns: Any) -> gpd.GeoDataFrame:
    """Return a `patrol_stops` table of rows with litres, materials and cautions, and the rest."""
    stops = pd.DataFrame(table[[*LITRES, "materials", "cautions"]]).reset_index(drop=True)
    stops = Say("en").columns(stops, {"materials": "kit", "cautions": "caution"})
    for name, value in columns.items():
        stops[name] = value.to_numpy() if isinstance(value, pd.Series) else value
    stops["earliest_min"] = np.nan
    for name in ("stop_id", "name", "kind", "method"):
        stops[name] = stops[name].astype("str")
    for name in ("expected", "service_min", "latest_min", *LITRES):
        stops[name] = stops[name].astype(float)
    stops["offensive"] = stops["offensive"].astype(bool)
    stops["geometry"] = table.geometry.to_numpy()
    made = gpd.GeoDataFrame(stops[COLUMNS], geometry="geometry", crs=table.crs)
    check(made, "patrol_stops", where="pipeline.patrol_stops")
    return made


def day_after(observed_to: pd.Timestamp, *, time_zone: str) -> date:
    """Return the day after the log ends, local time."""
    return (observed_to.tz_convert(time_zone) - pd.Timedelta(seconds=1)).date() + timedelta(days=1)


# What came of a patrol plan, as figures and as sentences.

LEAST_SAVED = 0.05  # less is 0.0 as written


def summary(chain: Chain, plan: Plan, sheets: list[Sheet], frequency: Frequency, *,
            handed: pd.DataFrame, day: date, notes: list[str],
            no_room: int) -> dict[str, object]:
    """Return the figures of the plan and the sentences that say them."""
    visits = plan.visits
    reported = int((visits["kind"] == "reported").sum())
    spots = visits[visits["kind"] == "hotspot"]
    expected = float(spots.merge(plan.stops[["stop_id", "expected"]], on="stop_id")[
        "expected"].sum())
    # Worked out anew with that hour, so once for figure and sentence.
    saved = 0.0 if frequency.table.empty else saved_by_one_hour(
        frequency, parameters=chain.parameters)
    return {
        "project": chain.project.name, "day": day.isoformat(), "n_crews_out": len(sheets),
        "n_reported": reported, "n_hotspots": len(spots), "expected_found": round(expected, 2),
        "n_left_out": len(plan.left_out), "n_for_others": len(handed),
        "patrol_hours_per_week": round(frequency.hours_per_week, 1),
        "marking_days_per_week": round(frequency.marking_days_per_week, 1),
        "value_of_an_hour": round(saved, 2), "visits_without_room": no_room,
        "sentences": [
            *_day_sentences(chain, plan, sheets, reported, len(spots), expected, handed, day),
            *_week_sentences(chain, frequency, saved, no_room), *notes],
    }


def _day_sentences(chain: Chain, plan: Plan, sheets: list[Sheet], reported: int, spots: int,
                   expected: float, handed: pd.DataFrame, day: date) -> list[str]:
    early = chain.parameters["patrol.early_back_minutes"]
    said = [f"{day:%A} {day.day} {day:%B %Y}: {len(sheets)} of {counted(len(plan.crews), 'crew')} "
            f"{'goes' if len(sheets) == 1 else 'go'} out to {counted(reported, 'reported job')} "
            f"and {counted(spots, 'hotspot')}, where about {expected:.1f} markings should be "
            "found."]
    said += [crew_sentence(plan, sheet, early_min=early) for sheet in sheets]
    jobs = plan.left_out[plan.left_out["kind"] == "reported"]
    said += [f"Left out: {row['name']}: {row['reason']}." for row in jobs.to_dict("records")]
    rest = len(plan.left_out) - len(jobs)
    if rest:
        said.append(f"{counted(rest, 'hotspot')} {'is' if rest == 1 else 'are'} left for another "
                    "day (left_out.csv says why).")
    if len(handed):
        said.append(f"{counted(len(handed), 'open job')} {'is' if len(handed) == 1 else 'are'} not "
                    "for the crews (for_others.csv).")
    return said


def crew_sentence(plan: Plan, sheet: Sheet, *, early_min: float) -> str:
    """Return how many stops a crew has, when it is back, and why if that is early.

    Parameters
    ----------
    plan, sheet
        The day's plan, and the crew's part of it.
    early_min
        Minutes before the end of the shift from which a crew is back early.
    """
    back = float(sheet.rows["arrive_min"].iloc[-1])
    said = f"  {sheet.crew['name']}: {counted(len(sheet.stops), 'stop')}, back at {clock(back)}"
    if back > float(sheet.crew["shift_end_min"]) - early_min:
        return said + "."
    why = ("no stop left out that it can do fits in the time that remains"
           if len(plan.left_out) else
           "every place likely enough to be offered is on a route")
    return f"{said}, with the shift ending at {clock(float(sheet.crew['shift_end_min']))}: {why}."


def _week_sentences(chain: Chain, frequency: Frequency, saved: float,
                    no_room: int) -> list[str]:
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
        f"{even:,.0f}, worst first {worst:,.0f}."]
    if saved >= LEAST_SAVED:
        said[0] += f" One more crew hour a week would save {saved:.1f}."
    if frequency.short_by_h > 0:
        said.append(f"The longest intervals allowed need {frequency.short_by_h:.1f} crew hours a "
                    "week more than there are: allow longer ones or give more hours.")
    if no_room:
        said.append(f"{no_room} planned visits found no day with room in the calendar.")
    return said


# Names of files made from the names that users give to crews.

def file_names(crews: pd.DataFrame) -> dict[str, str]:
    """Return by ``crew_id`` a file name that no other crew has.

    Names may differ only in what a file name leaves out, such as letters beyond a to z.

    Examples
    --------
    >>> file_names(pd.DataFrame({"crew_id": ["V1", "V2"], "name": ["Öst", "Väst"]}))
    {'V1': 'st', 'V2': 'v_st'}
    >>> file_names(pd.DataFrame({"crew_id": ["V1", "V2"], "name": ["東", "西"]}))
    {'V1': 'crew_v1', 'V2': 'crew_v2'}
    """
    ids = crews["crew_id"].astype("str")
    found = crews["name"].map(file_name)
    same = found.duplicated(keep=False)
    found = found.where(~same, found + "_" + ids.map(file_name))
    number = pd.Series(range(1, len(found) + 1), index=found.index).astype("str")
    found = found.where(~found.duplicated(keep=False), found + "_" + number)
    return dict(zip(ids, found, strict=True))


def file_name(text: str) -> str:
    """Return a name safe on any file system.

    Examples
    --------
    >>> file_name("Hot-wash trailer C")
    'hot-wash_trailer_c'
    """
    return re.sub(r"[^a-z0-9-]+", "_", text.lower()).strip("_")[:40] or "crew"


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
    chain.step("step.planning_routes")
    numbers = chain.parameters if search_iterations is None else chain.parameters.override(
        {"patrol.search_iterations": search_iterations})
    plan = plan_routes(stops, team, network=network, parameters=numbers, seed=chain.project.seed)
    broken = plan_faults(chain, plan)
    frequency, places = visit_plan(chain, team, network)
    stage.mkdir(exist_ok=True)
    chain.step("step.writing_run_sheets")
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
    after = day_after(chain.cleaned.window.end, time_zone=chain.project.time_zone)
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
    depots = depot_points(read_table(depots_file, has_header=True).filled().table,
                          crs=chain.project.crs, where=str(depots_file))
    team, notes = crews_table(read_table(vehicles_file, has_header=True).filled().table, depots,
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
    chain.step("step.visit_intervals")
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


# A job that comes in during the day: where it is, and the day's routes with it.

WGS84 = 4326
_DEGREES = re.compile(r"\s*(-?\d{1,2}(?:\.\d+)?)\s*,\s*(-?\d{1,3}(?:\.\d+)?)\s*")


@dataclass(frozen=True)
class Place:
    """Where a job is: what the crew reads, its point, and the place it is known as, if any."""

    name: str
    point: Point
    place_id: str | None = None


def write_added(chain: Chain, stage: Path, *, folder: Path | None, place: str, now: str | None,
                done: Sequence[str] = (), between: str | None = None,
                offensive: bool = False) -> dict[str, object]:
    """Add a job to a day planned before and write the changed routes into `stage`.

    Parameters
    ----------
    chain
        The project's results.
    stage
        Folder to write into.
    folder
        Folder that holds the day's plan; by default the project's results.
    place
        An address or place of the log or the register, or latitude and longitude in degrees.
    now
        Hours and minutes by the clock.
    done
        Texts such as ``Van A=7``: the last stop each crew has done. A crew not named is taken to
        be where its plan says.
    between
        When work there may begin, such as ``13:00-15:00``.
    offensive
        Whether the marking is offensive.
    """
    minute, window = _minute(now), _window(between)
    network = street_network(chain)
    file = (folder or chain.project.folder / "results") / PLAN_FILE
    plan, day = read_plan(file, crs=chain.project.crs, network=network,
                          parameters=chain.parameters)
    spot = find_place(chain, place, plan.stops)
    job = added_stop(chain, spot, number=1 + int(
        plan.stops["stop_id"].str.startswith("added-").sum()), offensive=offensive)
    job[["earliest_min", "latest_min"]] = window
    chain.step("step.replanning_routes")
    changed = replan(plan, job, now_min=minute, network=network, parameters=chain.parameters,
                     seed=chain.project.seed, stops_done=stops_done(done, plan))
    broken = plan_faults(chain, changed)
    stage.mkdir(exist_ok=True)
    chain.step("step.writing_run_sheets")
    sheets = crew_sheets(changed)
    write_day(stage, changed, sheets, day=day, streets=chain.streets)
    new, early = str(job["stop_id"].iloc[0]), chain.parameters["patrol.early_back_minutes"]
    dropped = _dropped(plan, changed)
    return {
        "project": chain.project.name, "day": day.isoformat(), "changed_at": clock(minute),
        "added": new, "place": spot.name, "planned": new in set(changed.visits["stop_id"]),
        "dropped": dropped["stop_id"].tolist(),
        "sentences": [f"{day:%A} {day.day} {day:%B %Y}, changed at {clock(minute)}.",
                      job_sentence(changed, new, spot.name),
                      *dropped_sentences(dropped),
                      *(crew_sentence(changed, sheet, early_min=early) for sheet in sheets),
                      *changed.notes, *broken]}


def _minute(now: str | None) -> float:
    minute = minute_of_day(now)
    if minute is None:
        raise SettingError("--now", got="no time" if now is None else repr(now),
                           allowed="the time it is, such as 10:30",
                           remedy="write hours and minutes with a colon")
    return float(minute)


def _window(text: str | None) -> tuple[float, float]:
    """Return the first and last minute of the day of a text such as ``13:00-15:00``."""
    if text is None:
        return np.nan, np.nan
    first, _, last = text.partition("-")
    opens, closes = minute_of_day(first), minute_of_day(last)
    if opens is None or closes is None or closes < opens:
        raise SettingError("--between", got=repr(text), allowed="two times such as 13:00-15:00, "
                           "the earlier one first", remedy="write hours and minutes with colons")
    return float(opens), float(closes)


def find_place(chain: Chain, text: str, stops: gpd.GeoDataFrame) -> Place:
    """Return the place that a text means.

    Latitude and longitude are taken as they are; otherwise the stops of the day, the places of the
    log and the register are searched by id and by address, in any of its spellings.

    Raises
    ------
    SettingError
        If nothing is known by that text.
    """
    degrees = _DEGREES.fullmatch(text)
    if degrees:
        lat, lon = float(degrees[1]), float(degrees[2])
        if abs(lat) <= 90 and abs(lon) <= 180:
            point = gpd.GeoSeries([Point(lon, lat)], crs=WGS84).to_crs(chain.project.crs).iloc[0]
            return Place(f"{lat:.5f}, {lon:.5f}", point)
    known = pd.concat(_known_places(chain, stops), ignore_index=True)
    known = known[~(known["geometry"].isna())]
    same = known["place_id"].str.casefold() == text.strip().casefold()
    key = normalise_address(text)
    if not same.any() and key is not None:
        same = known["key"] == key
    if not same.any():
        raise SettingError(
            "--add", got=repr(text),
            allowed="an address or place of the log or the register, or latitude, longitude in "
                    "degrees such as 46.0075,-32.9840",
            remedy="write the address as the log does, or give the coordinates")
    # Several places may share an address: the one most incidents are about.
    row = known[same].iloc[int(known.loc[same, "n"].argmax())]
    return Place(str(row["name"]), row["geometry"].representative_point(), str(row["place_id"]))


def _known_places(chain: Chain, stops: gpd.GeoDataFrame) -> list[pd.DataFrame]:
    spots = pd.DataFrame({"place_id": stops["stop_id"], "name": stops["name"], "n": 0,
                          "key": stops["name"].map(normalise_address),
                          "geometry": stops.geometry.to_numpy()})
    found = [spots]
    if chain.register is not None:
        owned = chain.register
        found.append(pd.DataFrame({
            "place_id": owned["asset_id"], "name": owned["address"].fillna(owned["asset_id"]),
            "n": 0, "key": owned["address_key"], "geometry": owned.geometry.to_numpy()}))
    seen = chain.incidents[~chain.incidents["place_quality"].isin(NO_PLACE)]
    seen = seen.assign(n=seen.groupby("place_id")["place_id"].transform("size").fillna(1),
                       key=seen["address_key"])
    found.append(pd.DataFrame({
        "place_id": seen["place_id"].fillna(seen["incident_id"]),
        "name": seen["address"].fillna(seen["place_id"]), "n": seen["n"], "key": seen["key"],
        "geometry": seen.geometry.to_numpy()}))
    return found


def added_stop(chain: Chain, place: Place, *, number: int, offensive: bool) -> gpd.GeoDataFrame:
    """Return the job as a `patrol_stops` table, with the place's usual method where it has one."""
    numbers = chain.parameters
    row = pd.DataFrame({"method": ["inspect"], "minutes": [np.nan], "paint_l": 0.0,
                        "remover_l": 0.0, "wash_water_l": 0.0, "materials": None,
                        "cautions": None})
    if place.place_id is not None:
        usual = usual_jobs(chain.incidents, chain.advice)
        if place.place_id in usual.index:
            row = usual.loc[[place.place_id]].reset_index(drop=True)
    minutes = row["minutes"].astype(float).fillna(numbers["patrol.job_minutes"])
    table = gpd.GeoDataFrame(row, geometry=[place.point], crs=chain.project.crs)
    return stops_table(
        table, stop_id=pd.Series([f"added-{number}"]), name=pd.Series([place.name]),
        kind="reported", offensive=offensive, expected=1.0, method=row["method"],
        service_min=minutes + numbers["patrol.setup_minutes"], latest_min=np.nan)


def stops_done(texts: Sequence[str], plan: Plan) -> Mapping[str, int]:
    """Return the number of the last stop done of each crew named in texts such as ``Van A=7``.

    Raises
    ------
    SettingError
        If a text is not of that form, no crew has that name, or it has no such stop.
    """
    ids = {str(word).casefold(): str(crew) for column in ("crew_id", "name")
           for crew, word in zip(plan.crews["crew_id"], plan.crews[column], strict=True)}
    last = plan.visits[plan.visits["kind"].isin(STOPS)].groupby("crew_id").size()
    found = {}
    for text in texts:
        name, _, number = text.rpartition("=")
        crew = ids.get(name.strip().casefold())
        most = int(last.get(crew, 0)) if crew else 0
        if crew is None or not number.strip().isdecimal() or int(number) > most:
            raise SettingError(
                "--done", got=repr(text),
                allowed=f"CREW=STOP with a stop from 0 to {most}" if crew else
                        "CREW=STOP with one of " + ", ".join(plan.crews["name"]),
                remedy="give the number of the last stop done as the run sheet has it, such as "
                       f"{plan.crews['name'].iloc[0]}=7")
        found[crew] = int(number)
    return found


def job_sentence(plan: Plan, stop_id: str, name: str) -> str:
    """Return who does the new job and when, or why nobody does."""
    found = plan.visits[plan.visits["stop_id"] == stop_id]
    if found.empty:
        why = plan.left_out.set_index("stop_id")["reason"][stop_id]
        return f"The new job at {name} is in no route: {why}."
    visit = found.iloc[0]
    own = plan.visits[(plan.visits["crew_id"] == visit["crew_id"]) &
                      (plan.visits["position"] <= visit["position"])]
    crew = plan.crews.set_index("crew_id")["name"][visit["crew_id"]]
    return (f"The new job at {name} goes to {crew} as stop {int(own['kind'].isin(STOPS).sum())}, "
            f"at {clock(float(visit['arrive_min']))}.")


def dropped_sentences(dropped: pd.DataFrame) -> list[str]:
    """Return what no longer fits: reported jobs each by name, hotspots as a number."""
    jobs = dropped[dropped["kind"] == "reported"]
    said = [f"NO LONGER FITS TODAY: {row['name']}: {row['reason']}."
            for row in jobs.to_dict("records")]
    spots = len(dropped) - len(jobs)
    if spots:
        said.append("1 hotspot is" if spots == 1 else f"{spots} hotspots are")
        said[-1] += " left for another day that had been planned (left_out.csv names them)."
    return said


def _dropped(before: Plan, after: Plan) -> pd.DataFrame:
    """Return the stops that were planned and no longer are, with the reason."""
    planned = set(before.visits["stop_id"].dropna())
    return after.left_out[after.left_out["stop_id"].isin(planned)]
