"""What a patrol could do today: open jobs and likely hotspots, as the `patrol_stops` table."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.tables import check
from rehit.tables import table as contract

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
