"""What a patrol could do today: open jobs and places likely to be marked, as `patrol_stops`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.patrol.fleet import DAY_MIN, minute_of_day
from rehit.patrol.urgency import due_minutes
from rehit.tables import check
from rehit.tables import table as contract

NOT_FOR_CREWS = frozenset({"refer", "polish_or_replace"})
NO_PLACE = frozenset({"default", "none"})
LITRES = ("paint_l", "remover_l", "wash_water_l")
#: What the crew is told of a marking beside its place and method.
DETAILS = ("case_number", "asset_id", "asset_name", "asset_type", "substrate", "finish", "colour",
           "medium", "area_m2", "owner", "what_reported", "access", "traffic_control", "permit",
           "opens", "closes")
UNKNOWN_CODES = frozenset({"unknown", "other"})


def crew_methods() -> frozenset[str]:
    """Return the methods that crews on a round can be sent out for."""
    return frozenset(contract("advice").column("method").allowed) - NOT_FOR_CREWS


def reported_stops(incidents: gpd.GeoDataFrame, advice: pd.DataFrame,
                   places: gpd.GeoDataFrame, *, day: date, time_zone: str,
                   parameters: Parameters, holidays: Sequence[date] = (),
                   standing: pd.Series | None = None) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Return the open jobs for the crews, and those that are for someone else.

    Where an incident has no point of its own but is matched to an asset, the asset's point is
    taken. ``due_min`` is when the service standard wants each job begun. What else is expected to
    stand at the place is done too: time and litres are those of the job for each marking.

    Parameters
    ----------
    incidents
        The `incidents` table with ``place_id`` and the register's columns.
    advice
        The `advice` table.
    places
        The `repeats` table.
    day
        The day to plan.
    time_zone
        Time zone of the project.
    parameters
        Reads ``patrol.job_minutes``, ``patrol.setup_minutes``, ``patrol.people_*`` and the service
        standards.
    holidays
        Days that are no working days.
    standing
        Markings expected by place that nobody has reported; by default none.
    """
    still = _detailed(incidents[incidents["status"] == "open"]).merge(
        advice, on="incident_id", how="left")
    beside = pd.Series(dtype=float) if standing is None else standing
    n_jobs = still.groupby("place_id")["incident_id"].transform("size")
    more = (beside.reindex(still["place_id"]).set_axis(still.index) / n_jobs).fillna(0.0)
    advised = still["method"].fillna("inspect")
    theirs = advised.isin(NOT_FOR_CREWS)
    second = still["second_choice"].fillna("").where(theirs, "")
    others = theirs & ~second.isin(crew_methods())
    minutes = still["minutes"].astype(float).fillna(parameters["patrol.job_minutes"])
    service = minutes * (1 + more) + parameters["patrol.setup_minutes"]
    jobs = stops_table(
        still.assign(**{column: still[column] * (1 + more) for column in LITRES}),
        more=more, stop_id=still["incident_id"], place_id=still["place_id"],
        name=_names(still), kind="reported",
        offensive=still["priority"] == "offensive", expected=1.0,
        method=advised.where(~theirs, second), advised=advised,
        service_min=service, work_min=minutes,
        people=_people(still, parameters), **open_hours(still, service),
        due_min=due_minutes(still, day=day, time_zone=time_zone, holidays=holidays,
                            parameters=parameters))
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


def hotspot_stops(repeats: gpd.GeoDataFrame, worth: pd.DataFrame, incidents: gpd.GeoDataFrame,
                  advice: pd.DataFrame, *, count: int, parameters: Parameters, busy: set[str],
                  due: frozenset[str] = frozenset(), wanted: frozenset[str] = frozenset(),
                  ) -> gpd.GeoDataFrame:
    """Return all places due for a look, and those where it ends most marking-days up to `count`.

    Left out are `busy` ones and, unless due, those below ``patrol.least_chance``. Time and litres
    are those of the place's usual job times the markings expected there.

    Parameters
    ----------
    repeats, incidents, advice
        Tables of those contracts.
    worth
        By place ``chance``, ``markings`` and ``marking_days``, as
        :meth:`rehit.patrol.memory.Unreported.looks` returns them.
    count
        Most places returned, unless more are due.
    parameters
        Reads ``patrol.least_chance``, ``patrol.calendar_weight``, ``patrol.wanted_weight`` and the
        minutes at a stop.
    busy
        Places that have an open job.
    due
        Places whose look falls due by the calendar: they come first and may weigh more.
    wanted
        Places the planner asks for: each is worth several of the best look there is.
    """
    places = repeats.merge(worth, left_on="place_id", right_index=True)
    ends = places["marking_days"] * np.where(
        places["place_id"].isin(due), parameters["patrol.calendar_weight"], 1.0)
    asked = places["place_id"].isin(wanted)
    places = places.assign(due=places["place_id"].isin(due | wanted), ends=ends.where(
        ~asked, parameters["patrol.wanted_weight"] * ends.max()))
    likely = (places["chance"] >= parameters["patrol.least_chance"]) | places["due"]
    places = places[~places["place_id"].isin(busy) & likely].sort_values(
        ["due", "marking_days", "place_id"], ascending=[False, False, True])
    places = places.head(max(count, int(places["due"].sum()))).reset_index(drop=True)
    usual = usual_jobs(incidents, advice).reindex(places["place_id"]).reset_index()
    chance = places["chance"].astype(float)
    job = usual["minutes"].fillna(parameters["patrol.job_minutes"])
    look = parameters["patrol.look_minutes"] + parameters["patrol.setup_minutes"]
    method = usual["method"].where(usual["method"].isin(crew_methods()), "inspect")
    work = (places["markings"] * job).where(method != "inspect", 0.0)
    litres = {column: usual[column].fillna(0.0) * places["markings"] for column in LITRES}
    owned = places["place_id"].where(places["place_kind"] == "asset") if (
        "place_kind" in places) else None
    details = usual.drop(columns=["place_id", *LITRES]).assign(
        **litres, asset_id=owned, geometry=places.geometry)
    table = gpd.GeoDataFrame(details, geometry="geometry", crs=repeats.crs)
    return stops_table(
        table, stop_id=places["place_id"], place_id=places["place_id"],
        weight=places["ends"] / chance,
        name=usual["address"].fillna(places["place_id"]), kind="hotspot", offensive=False,
        expected=chance, method=method, advised=method, people=_people(usual, parameters),
        work_min=job.where(method != "inspect", 0.0), service_min=look + work,
        **open_hours(usual, look + work))


def usual_jobs(incidents: gpd.GeoDataFrame, advice: pd.DataFrame) -> pd.DataFrame:
    """Return the most frequent method of each place with its mean minutes and litres.

    Materials, cautions, address and what is known of the surface are those of the last such job.
    """
    jobs = _detailed(incidents).merge(advice, on="incident_id").dropna(subset=["place_id"])
    jobs = jobs[jobs["method"].isin(crew_methods())]
    counts = jobs.groupby(["place_id", "method"]).size().rename("n").reset_index()
    counts = counts.sort_values(["place_id", "n", "method"], ascending=[True, False, True])
    best = counts.drop_duplicates("place_id")[["place_id", "method"]]
    rows = pd.DataFrame(jobs.merge(best, on=["place_id", "method"])).sort_values("reported_at")
    numbers = rows.groupby("place_id")[["minutes", *LITRES]].mean()
    facts = ["asset_name", "asset_type", "substrate", "finish", "colour", "owner", "access",
             "traffic_control", "permit", "opens", "closes"]
    texts = rows.groupby("place_id")[
        ["method", "materials", "cautions", "address", *facts]].last()
    return texts.join(numbers)


def added_stop(place: gpd.GeoDataFrame, usual: pd.DataFrame, *, stop_id: str, offensive: bool,
               window_min: tuple[float, float], parameters: Parameters) -> gpd.GeoDataFrame:
    """Return a job that comes in during the day as a `patrol_stops` table of one row.

    Parameters
    ----------
    place
        One row with ``name``, ``place_id`` (empty if it is none yet) and its point.
    usual
        From :func:`usual_jobs`; a place without one gets a look.
    stop_id
        What to call the job.
    offensive
        Whether the marking is offensive.
    window_min
        First and last minute of the day at which work may begin; not a number where free.
    parameters
        Reads ``patrol.job_minutes`` and ``patrol.setup_minutes``.
    """
    row = usual.reindex(place["place_id"]).reset_index(drop=True)
    method = row["method"].fillna("inspect")
    minutes = row["minutes"].astype(float).fillna(parameters["patrol.job_minutes"])
    table = gpd.GeoDataFrame(row.assign(geometry=place.geometry.to_numpy()), geometry="geometry",
                             crs=place.crs)
    return stops_table(
        table, stop_id=stop_id, name=place["name"].reset_index(drop=True), kind="reported",
        offensive=offensive, expected=1.0, method=method, advised=method,
        service_min=minutes + parameters["patrol.setup_minutes"], work_min=minutes,
        people=_people(row, parameters), earliest_min=window_min[0],
        latest_min=window_min[1])


def open_hours(table: pd.DataFrame, service_min: pd.Series) -> dict[str, np.ndarray]:
    """Return first and last minute at which work may begin so that it ends while a place is open.

    Hours that go past midnight count on; hours that are none are taken as always open.
    """
    opens, closes = (np.array([minute_of_day(text) for text in table[name]], dtype=float)
                     if name in table else np.full(len(table), np.nan)
                     for name in ("opens", "closes"))
    closes = closes + np.where(closes <= opens, DAY_MIN, 0.0)
    return {"earliest_min": opens, "latest_min": closes - service_min.to_numpy(float)}


def stops_table(table: gpd.GeoDataFrame, **columns: Any) -> gpd.GeoDataFrame:
    """Return a `patrol_stops` table from rows with litres and details, and the columns given."""
    rules = contract("patrol_stops")
    stops = pd.DataFrame(table).reset_index(drop=True).reindex(columns=list(rules.names))
    for name, value in columns.items():
        stops[name] = value.to_numpy() if isinstance(value, pd.Series) else value
    for column in rules.columns:
        if column.kind == "number":
            stops[column.name] = stops[column.name].astype(float)
        elif column.kind == "flag":
            stops[column.name] = stops[column.name].astype("boolean").fillna(False).astype(bool)
        elif column.kind in ("text", "code"):
            stops[column.name] = stops[column.name].astype("str")
    filled = [*LITRES, "weight", "more"]
    stops[filled] = stops[filled].fillna({"weight": 1.0}).fillna(0.0)
    stops["geometry"] = table.geometry.to_numpy()
    made = gpd.GeoDataFrame(stops, geometry="geometry", crs=table.crs)
    check(made, "patrol_stops", where="patrol.stops_table")
    return made


def _detailed(incidents: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return incidents with what is known of each marking under the names the crew reads."""
    told = incidents.rename(columns={"report_id": "case_number", "description": "what_reported"})
    lacking = [name for name in DETAILS if name not in told]
    told = told.assign(**dict.fromkeys(lacking))
    for name in ("substrate", "finish", "medium"):
        told[name] = told[name].where(~told[name].isin(UNKNOWN_CODES))
    return told


def _people(table: pd.DataFrame, parameters: Parameters) -> pd.Series:
    """Return how many people the work needs where one may not do."""
    high = (table["access"] == "platform").to_numpy()
    beside = table["traffic_control"].astype("boolean").fillna(False).to_numpy(bool)
    needed = np.fmax(np.where(high, parameters["patrol.people_platform"], np.nan),
                     np.where(beside, parameters["patrol.people_traffic"], np.nan))
    return pd.Series(needed, index=table.index)


def _names(table: pd.DataFrame) -> pd.Series:
    name = table["address"].where(table["address"].notna(), table["place_id"])
    return name.where(name.notna(), table["incident_id"]).astype("str")
