"""A job that comes in during the day: where it is, and the day's routes with it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import Point

from rehit.addresses import normalise_address
from rehit.errors import SettingError
from rehit.patrol.fleet import minute_of_day
from rehit.patrol.replan import STOPS, replan
from rehit.patrol.routes import Plan
from rehit.patrol.saved import PLAN_FILE, read_plan
from rehit.patrol.sheets import clock, crew_sheets
from rehit.pipeline.chain import Chain
from rehit.pipeline.patrol_stops import NO_PLACE, stops_table, usual_jobs
from rehit.pipeline.patrol_words import crew_sentence
from rehit.pipeline.patrolling import plan_faults, street_network, write_day

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
    chain.step("Planning the routes again")
    changed = replan(plan, job, now_min=minute, network=network, parameters=chain.parameters,
                     seed=chain.project.seed, stops_done=stops_done(done, plan))
    broken = plan_faults(chain, changed)
    stage.mkdir(exist_ok=True)
    chain.step("Writing run sheets")
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
