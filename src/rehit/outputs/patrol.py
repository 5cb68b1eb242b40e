"""`rehit patrol`: the day's routes on paper, phone and in files, and the visits of coming weeks."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from difflib import get_close_matches
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import Point

from rehit.chain import Chain
from rehit.contract.volume import mean_found_share
from rehit.errors import InputFileError, SettingError
from rehit.files.reader import read_table
from rehit.files.safe_text import neutralise_table, without_guard
from rehit.files.spatial import WGS84
from rehit.files.writing import write_csv
from rehit.messages import Message, from_text, message
from rehit.parameters import Parameters
from rehit.patrol.check import check_plan
from rehit.patrol.day import (
    PLAN_FILE,
    Sheet,
    crew_sheets,
    write_plan,
)
from rehit.patrol.fleet import on_foot, shift_hours, with_hours, without_walkers
from rehit.patrol.looks import (
    Calendar,
    Frequency,
    even_round,
    marking_days_per_week,
    plan_calendar,
    saved_by_one_hour,
    visit_intervals,
    worst_first,
)
from rehit.patrol.memory import (
    DAYS_PER_YEAR,
    Unreported,
    clearances,
    days_since_clear,
    days_since_looked,
    merged_looks,
    place_rates,
    without_memory,
)
from rehit.patrol.routes import Plan, clock, plan_routes
from rehit.patrol.stops import NO_PLACE, NOT_FOR_CREWS, hotspot_stops, reported_stops
from rehit.patrol.travel import Network, Travel, build_network, hour_columns, nearest_seconds
from rehit.report.phone import phone_page
from rehit.report.route_files import (
    STREETS_FILE,
    routes_table,
    write_geojson,
    write_gpx,
    write_stops_csv,
    write_streets_near,
)
from rehit.report.runsheet import render_calendar, render_run_sheet
from rehit.report.say import Say
from rehit.tables import table as contract
from rehit.treatment.choose import care_messages
from rehit.words.addresses import normalise_address
from rehit.workdays import public_holidays

MIN_PER_H = 60
S_PER_H = 3600
#: Looks planned and what crews say came of them; work done, as a works log. Both among the results.
LOOKS_FILE, WORKS_FILE, RESULTS = "looks_log.csv", "works_from_patrol.csv", "results"
#: What crews may write as the outcome of a visit, in English and Spanish.
OUTCOMES = {"clean": "clean", "nothing found": "clean", "limpio": "clean", "no había nada": "clean",
            "sin marca": "clean", "done": "done", "hecho": "done", "left": "left",
            "dejado": "left", "photo": "left", "foto": "left", "not seen": "not_seen",
            "not_seen": "not_seen", "not visited": "not_seen", "no visto": "not_seen",
            "no visitado": "not_seen"}
#: How a photo of the phone page begins, as a data address (RFC 2397) and as a JPEG (ISO 10918-1).
PHOTO, JPEG = "data:image/jpeg;base64", b"\xff\xd8\xff"
LEAST_SAVED = 0.05  # less is 0.0 as written
_DEGREES = re.compile(r"\s*(-?\d{1,2}(?:\.\d+)?)\s*,\s*(-?\d{1,3}(?:\.\d+)?)\s*")


@dataclass(frozen=True)
class Wishes:
    """What the planner wants in a day and what not: places as people write them.

    Attributes
    ----------
    bring_in
        Places to look at, each worth several of the best look there is.
    leave_out
        Places and jobs that are in no route of this day.
    """

    bring_in: Sequence[str] = ()
    leave_out: Sequence[str] = ()


NO_WISHES = Wishes()


def write_patrol(chain: Chain, stage: Path, *, day: date | None,
                 crews: int | Sequence[str] | None, results: Sequence[Path] = (),
                 wishes: Wishes = NO_WISHES, hours: str = "") -> dict[str, object]:
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
        Names or ids of the vehicles that go out, or how many of them; by default all.
    results
        Tables that crews filled in after earlier days (``results_<day>.csv``).
    wishes
        What the planner wants in the day and what not.
    hours
        When all crews are out that day, such as ``06:00-14:00``; by default each at its own hours.
    """
    found = plan_day(chain, day=day, crews=crews, results=results, wishes=wishes, hours=hours)
    stage.mkdir(exist_ok=True)
    chain.step("step.writing_run_sheets")
    write_day(stage, found.plan, found.sheets, day=found.day, say=chain.say,
              streets=chain.streets, project=chain.project.name)
    neutralise_table(found.handed.assign(reason=chain.say.cells(found.handed["reason"]))).to_csv(
        stage / "for_others.csv", index=False)
    write_csv(found.frequency.table, stage / "visit_intervals.csv")
    visits = _addressed(found.calendar.visits, found.places, found.plan.crews)
    write_csv(visits, stage / "visit_calendar.csv")
    if len(visits):
        (stage / "visit_calendar.pdf").write_bytes(render_calendar(visits, say=chain.say))
    looks = merged_looks(found.looks, planned_looks(found))
    if len(looks):
        write_csv(looks, stage / LOOKS_FILE)
    write_csv(works_of(found.looks), stage / WORKS_FILE)
    n_photos = write_photos(results, stage)
    if found.sheets:
        write_csv(results_form(found.sheets, day=found.day), stage / f"{RESULTS}_{found.day}.csv")
    lost = int(found.calendar.no_room["n_visits"].sum())
    care = dict.fromkeys(code for sheet in found.sheets for code, _ in sheet.cautions)
    told = [*found.told, *[message("crew_day.no_room", n=lost)] * bool(lost),
            *care_messages(care)]
    return {**day_figures(chain, found), "visits_without_room": lost, "photos": n_photos,
            "sentences": told}


@dataclass(frozen=True)
class DayPlan:
    """A day planned and how often to visit, with what is said of it.

    Attributes
    ----------
    day
        The day.
    plan, sheets
        Its routes, and each crew's part of them.
    handed
        Open jobs that are for someone else.
    frequency, places, calendar
        Visit intervals, the places they are for, and their days.
    looks
        What is known of earlier looks, with the results handed in.
    told
        What came of it.
    """

    day: date
    plan: Plan
    sheets: list[Sheet]
    handed: pd.DataFrame
    frequency: Frequency
    places: gpd.GeoDataFrame
    calendar: Calendar
    looks: pd.DataFrame
    told: list[Message]


def plan_day(chain: Chain, *, day: date | None, crews: int | Sequence[str] | None,
             results: Sequence[Path] = (), wishes: Wishes = NO_WISHES,
             hours: str = "") -> DayPlan:
    """Plan a day from the chain's results, and the visit intervals.

    Parameters
    ----------
    chain
        The project's results, with the numbers in force.
    day, crews, wishes, results, hours
        As for :func:`write_patrol`.
    """
    team, notes = fleet(chain, crews)
    team = with_hours(team, hours, option="--hours") if hours else team
    numbers = day_numbers(chain, team)
    day, idle = day_to_plan(chain, day)
    handed_in = [read_results(file) for file in results]
    network, looks = street_network(chain, team), merged_looks(read_looks(chain), *handed_in)
    standing, since = standing_by(chain, looks, day)
    rates = standing.all_per_day
    frequency, places = visit_plan(chain, team, network, rates)
    calendar = plan_calendar(
        frequency.table, places.geometry, crew_ids=list(team["crew_id"]),
        hours_per_day=patrol_hours(team, parameters=numbers).tolist(), first_day=day,
        parameters=numbers, holidays=list(chain_holidays(chain, day)),
        since=since)
    due = calendar.visits.loc[calendar.visits["day"] == day.isoformat(), "place_id"]
    wanted = _wanted(chain, wishes.bring_in, rates)
    stops, handed = day_stops(chain, day, crews=len(team), due=frozenset(due),
                              wanted=frozenset(wanted), worth=standing.looks(since))
    stops, taken_out = _without_places(chain, stops, wishes.leave_out)
    stops, n_settled = without_settled(chain, stops, looks)
    chain.step("step.planning_routes")
    plan = plan_routes(stops, team, network=network, parameters=numbers, seed=chain.project.seed)
    sheets = crew_sheets(plan)
    told = [*(_day_messages(plan, sheets, handed, day, parameters=numbers) if len(stops) else
              _stay_home(calendar, day, handed, taken_out, parameters=numbers)),
            *week_messages(frequency, parameters=numbers),
            *results_messages(handed_in), *settled_messages(n_settled),
            *_wishes_messages(plan, wanted, taken_out), *notes,
            *idle, *plan.notes, *plan_faults(chain, plan)]
    return DayPlan(day, plan, sheets, handed, frequency, places, calendar, looks, told)


def _wanted(chain: Chain, texts: Sequence[str], rates: pd.Series) -> dict[str, str]:
    """Return the places wanted in the day: id and name.

    Raises
    ------
    SettingError
        If one of them has no rate: it is no place of the log.
    """
    known = known_by_name(chain) if texts else pd.DataFrame()
    found = [find_place(known, text, crs=chain.project.crs, option="--bring-in") for text in texts]
    for text, place in zip(texts, found, strict=True):
        if place.place_id not in rates.index:
            raise SettingError("--bring-in", "errors.unknown_place", text=text)
    return {str(place.place_id): place.name for place in found}


def _without_places(chain: Chain, stops: gpd.GeoDataFrame,
                    texts: Sequence[str]) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Return the stops without those left out, and the names of these."""
    known = known_by_name(chain, stops) if texts else pd.DataFrame()
    out = {find_place(known, text, crs=chain.project.crs, option="--leave-out").place_id
           for text in texts}
    theirs = stops["stop_id"].isin(out) | stops["place_id"].isin(out)
    return stops[~theirs].reset_index(drop=True), stops.loc[theirs, "name"].tolist()


def _wishes_messages(plan: Plan, wanted: dict[str, str], out: list[str]) -> list[Message]:
    """Return what became of the planner's wishes."""
    place = plan.stops.set_index("stop_id")["place_id"]
    visited = set(plan.visits["stop_id"].map(place))
    reasons = dict(zip(plan.left_out["stop_id"].map(place), plan.left_out["reason"], strict=True))
    told = [message("crew_day.brought_in", name=name) for each, name in wanted.items()
            if each in visited]
    told += [message("crew_day.not_brought_in", name=name, reason=from_text(reasons[each]))
             for each, name in wanted.items() if each in reasons.keys() - visited]
    return [*told, *[message("crew_day.taken_out", n=len(out), names=tuple(out))] * bool(out)]


def standing_by(chain: Chain, looks: pd.DataFrame, day: date) -> tuple[Unreported, pd.Series]:
    """Return what is believed of markings that nobody has reported, and the days since each place
    was last seen clean, by a clearance or a look.
    """
    numbers = chain.parameters
    cleared = clearances(chain.incidents, day=day, time_zone=chain.project.time_zone)
    assumed = Unreported(
        place_rates(chain.forecast, parameters=numbers),
        report_days=numbers["patrol.report_days"], never_ratio=mean_found_share(numbers),
        longest_days=numbers["patrol.max_interval_days"])
    standing = assumed.after(looks, cleared=cleared,
                             prior_markings=numbers["patrol.looks_prior_markings"])
    since = pd.concat([days_since_clear(cleared, day=day), days_since_looked(looks, day=day)],
                      axis=1).min(axis=1)
    return standing, since


def read_looks(chain: Chain) -> pd.DataFrame:
    """Return what looks were planned before, and what crews found where they have said so."""
    file = chain.project.folder / "results" / LOOKS_FILE
    return _looks_table(file) if file.is_file() else without_memory()


def _looks_table(file: Path) -> pd.DataFrame:
    """Read a table of looks that rehit wrote."""
    rows = read_table(file, has_header=True).filled().table
    kinds = contract("looks").columns
    missing = [column.name for column in kinds if column.name not in rows]
    if missing:
        raise InputFileError(str(file), "errors.looks_without_column", names=tuple(missing))
    return pd.DataFrame({
        column.name: pd.to_numeric(rows[column.name], errors="coerce").astype(float)
        if column.kind == "number" else rows[column.name].astype("str") for column in kinds})


def planned_looks(found: DayPlan) -> pd.DataFrame:
    """Return the day's stops as looks that are planned."""
    rows = [stop | {"day": found.day.isoformat(), "crew": str(sheet.crew["name"]),
                    "outcome": "planned"}
            for sheet in found.sheets for stop in sheet.stops.to_dict("records")]
    table = pd.DataFrame(rows, columns=[c.name for c in contract("looks").columns])
    return pd.concat([without_memory(), table.assign(
        minutes=np.nan, litres=np.nan, materials=None).astype(without_memory().dtypes)])


def results_form(sheets: list[Sheet], *, day: date) -> pd.DataFrame:
    """Return the table that crews fill in, one row per stop, for ``rehit patrol --results``."""
    parts = [pd.DataFrame({
        "day": day.isoformat(), "crew": str(sheet.crew["name"]), "stop": sheet.stops["number"],
        **{name: sheet.stops[name] for name in ("stop_id", "place_id", "case_number", "asset_id")},
        "place": sheet.stops["name"], "outcome": "", "why": "", "minutes": "", "litres": "",
        "method": sheet.stops["method"], "materials": "", "remarks": ""}) for sheet in sheets]
    return pd.concat(parts, ignore_index=True)


def read_results(file: Path) -> pd.DataFrame:
    """Read what crews filled in, as a table or as the phone page saves it.

    Rows without an outcome stay as they were planned.

    Raises
    ------
    InputFileError
        If a column is missing or an outcome, a day or a number is none.
    """
    rows = read_table(file, has_header=True).filled().table
    missing = [name for name in ("day", "stop_id", "outcome") if name not in rows]
    if missing:
        raise InputFileError(str(file), "errors.results_without_column", names=tuple(missing))
    told = rows[rows["outcome"].fillna("").str.strip() != ""].reset_index(drop=True)
    words = told["outcome"].str.strip().str.casefold()
    _refuse_cells(file, told["outcome"], ~words.isin(list(OUTCOMES)), "errors.unknown_outcome",
                  known=tuple(OUTCOMES))
    days = pd.to_datetime(told["day"], format="%Y-%m-%d", errors="coerce")
    _refuse_cells(file, told["day"], days.isna(), "errors.not_days")
    table = told.reindex(columns=[column.name for column in contract("looks").columns])
    numbers = {name: _filled_numbers(file, table[name]) for name in ("minutes", "litres")}
    texts = {str(name): table[name].astype("str").map(without_guard, na_action="ignore")
             for name in table if name not in numbers}
    return table.assign(**texts, **numbers).assign(outcome=words.map(OUTCOMES).astype("str"))


def _filled_numbers(file: Path, cells: pd.Series) -> pd.Series:
    """Return the numbers that crews wrote; an empty cell is none, a word is refused."""
    written = cells.astype("str").str.strip()
    numbers = pd.to_numeric(written.str.replace(",", "."), errors="coerce").astype(float)
    wrong = written.fillna("").ne("") & ~(numbers >= 0)
    _refuse_cells(file, cells, wrong, "errors.not_filled_numbers", column=str(cells.name))
    return numbers


def _refuse_cells(file: Path, cells: pd.Series, wrong: pd.Series, code: str,
                  **facts: object) -> None:
    if wrong.any():
        said = tuple(sorted(set(cells[wrong].astype("str")))[:5])
        raise InputFileError(message("where.file_column", file=str(file), column=str(cells.name)),
                             code, values=said, **facts)


def write_photos(files: Sequence[Path], stage: Path) -> int:
    """Write the photos that phone pages handed over as files, and return how many there are.

    Anything but a picture in JPEG as the page makes it is left where it is.
    """
    written = 0
    for file in files:
        rows = read_table(file, has_header=True).filled().table
        for row in rows.to_dict("records") if "photo" in rows else []:
            kind, _, content = str(row["photo"]).partition(",")
            try:
                picture = base64.b64decode(content, validate=True) if kind == PHOTO else b""
            except ValueError:
                continue
            if picture.startswith(JPEG):
                name = f"photo_{file_name(str(row['day']))}_{file_name(str(row['stop_id']))}.jpg"
                (stage / name).write_bytes(picture)
                written += 1
    return written


def results_messages(handed_in: Sequence[pd.DataFrame]) -> list[Message]:
    """Return what the tables handed in say came of the visits."""
    if not handed_in:
        return []
    counts = pd.concat(handed_in)["outcome"].value_counts()
    return [message("crew_day.results", n=int(counts.sum()), **{
        name: int(counts.get(name, 0)) for name in ("done", "clean", "left", "not_seen")})]


def without_settled(chain: Chain, stops: gpd.GeoDataFrame,
                    looks: pd.DataFrame) -> tuple[gpd.GeoDataFrame, int]:
    """Return the stops without reported jobs that crews have settled since the log ended.

    Settled is what they did or found clean, and what they left to a specialist; how many is
    returned beside. A log that goes on after the look is believed: there the job is open again.
    """
    ended = day_after(chain.cleaned.window.end, time_zone=chain.project.time_zone)
    told = looks[looks["day"] >= (ended - timedelta(days=1)).isoformat()]
    over = stops["stop_id"].isin(told.loc[told["outcome"].isin(["done", "clean"]), "stop_id"])
    seen = stops["stop_id"].isin(told.loc[told["outcome"] == "left", "stop_id"])
    settled = (stops["kind"] == "reported") & (
        over | (seen & stops["advised"].isin(NOT_FOR_CREWS)))
    return stops[~settled].reset_index(drop=True), int(settled.sum())


def settled_messages(n: int) -> list[Message]:
    """Return how many reported jobs are not planned again."""
    return [message("crew_day.settled", n=n)] if n else []


def works_of(looks: pd.DataFrame) -> pd.DataFrame:
    """Return the visits that ended in work as a works log, with its usual headings."""
    done = looks[looks["outcome"] == "done"]
    return pd.DataFrame({
        "work_id": done["day"] + "-" + done["stop_id"], "case_ref": done["case_number"],
        "asset_id": done["asset_id"], "done_at": done["day"], "crew": done["crew"],
        "method": done["method"], "minutes": done["minutes"]})


def _addressed(visits: pd.DataFrame, places: gpd.GeoDataFrame,
               crews: pd.DataFrame) -> pd.DataFrame:
    """Return the calendar with where and what each place is and the crew's name, for paper.

    A place without an address is told by its id with latitude and longitude.
    """
    degrees = places.geometry.centroid.to_crs(WGS84)
    point = [f"{place} ({at.y:.5f}, {at.x:.5f})"
             for place, at in zip(places["place_id"], degrees, strict=True)]
    told = places["address"].where(places["address"].notna(), point)
    known = pd.DataFrame({"address": told, "asset_type": places["asset_type"]}).set_axis(
        places["place_id"]).reindex(visits["place_id"])
    names = crews.set_index("crew_id")["name"].reindex(visits["crew_id"])
    return visits.assign(address=known["address"].to_numpy(), crew=names.to_numpy(),
                         asset_type=known["asset_type"].to_numpy())


# What came of it, as figures and as messages.

def day_figures(chain: Chain, found: DayPlan) -> dict[str, object]:
    """Return the figures of a day's plan."""
    kinds, frequency = found.plan.visits["kind"], found.frequency
    return {
        "project": chain.project.name, "day": found.day.isoformat(),
        "n_crews_out": len(found.sheets), "n_reported": int((kinds == "reported").sum()),
        "n_hotspots": int((kinds == "hotspot").sum()),
        "expected_found": round(expected_found(found.plan), 2),
        "most_to_find": round(found.plan.bound, 2),
        "idle_crews": sorted(set(found.plan.crews["name"]) - {
            str(sheet.crew["name"]) for sheet in found.sheets}),
        "n_left_out": len(found.plan.left_out), "n_for_others": len(found.handed),
        "patrol_hours_per_week": round(frequency.hours_per_week, 1),
        "marking_days_per_week": round(frequency.marking_days_per_week, 1),
        "value_of_an_hour": round(_saved(frequency, chain.parameters), 2)}


def expected_found(plan: Plan) -> float:
    """Return how many markings the looks of a plan should find."""
    spots = plan.visits[plan.visits["kind"] == "hotspot"].merge(
        plan.stops[["stop_id", "expected"]], on="stop_id")
    return float((spots["expected"] * spots["made"].fillna(1.0)).sum())


def _saved(frequency: Frequency, parameters: Parameters) -> float:
    return 0.0 if frequency.table.empty else saved_by_one_hour(frequency, parameters=parameters)


def _day_messages(plan: Plan, sheets: list[Sheet], handed: pd.DataFrame, day: date, *,
                  parameters: Parameters) -> list[Message]:
    kinds = plan.visits["kind"]
    told = [message("crew_day.day", day=day, n=len(sheets), crews=len(plan.crews),
                    jobs=int((kinds == "reported").sum()), spots=int((kinds == "hotspot").sum()),
                    found=expected_found(plan))]
    told += [message("crew_day.bound", bound=plan.bound)] * bool(np.isfinite(plan.bound))
    told += [crew_message(plan, sheet, early_min=parameters["patrol.early_back_minutes"])
             for sheet in sheets]
    out = {sheet.crew["crew_id"] for sheet in sheets}
    told += [message("crew_day.idle", crew=str(name)) for crew, name in
             zip(plan.crews["crew_id"], plan.crews["name"], strict=True) if crew not in out]
    jobs = plan.left_out[plan.left_out["kind"] == "reported"]
    told += [message("crew_day.left_out", name=row["name"], reason=from_text(row["reason"]))
             for row in jobs.to_dict("records")]
    rest = len(plan.left_out) - len(jobs)
    told += [message("crew_day.left_spots", n=rest)] * bool(rest)
    return told + _for_others(handed)


def _for_others(handed: pd.DataFrame) -> list[Message]:
    return [message("crew_day.for_others", n=len(handed))] * bool(len(handed))


def _stay_home(calendar: Calendar, day: date, handed: pd.DataFrame, taken_out: Sequence[str], *,
               parameters: Parameters) -> list[Message]:
    """Return why nobody goes out on a day without a stop, and what would change that."""
    if taken_out:
        return [message("crew_day.stay_home_asked", day=day), *_for_others(handed)]
    later = calendar.visits.loc[calendar.visits["day"] > day.isoformat(), "day"]
    told = [message("crew_day.stay_home", day=day, least=parameters["patrol.least_chance"])]
    told += [message("crew_day.next_look", day=date.fromisoformat(later.min()))] * bool(len(later))
    return [*told, message("crew_day.to_go_out"), *_for_others(handed)]


def crew_message(plan: Plan, sheet: Sheet, *, early_min: float) -> Message:
    """Return how many stops a crew has, when it is back, and why if that is early.

    Parameters
    ----------
    plan, sheet
        The day's plan, and the crew's part of it.
    early_min
        Minutes before the end of the shift from which a crew is back early.
    """
    back, end = float(sheet.rows["arrive_min"].iloc[-1]), float(sheet.crew["shift_end_min"])
    codes = set(plan.left_out["code"])
    code = "crew_day.crew_early_reserve" if "reserve" in codes else (
        "crew_day.crew_early_fits" if codes else "crew_day.crew_early_all")
    return message("crew_day.crew_back" if back > end - early_min else code,
                   crew=str(sheet.crew["name"]), stops=len(sheet.stops), back=clock(back),
                   end=clock(end), chance=float(plan.home.get(str(sheet.crew["crew_id"]), 1.0)))


def week_messages(frequency: Frequency, *, parameters: Parameters) -> list[Message]:
    """Return what the visit intervals leave standing, beside simpler rounds of the same hours."""
    table, hours = frequency.table, frequency.hours_per_week
    if table.empty:
        return []
    worst = worst_first(table, hours_per_week=hours, parameters=parameters)
    told = [message(
        "crew_day.intervals", places=len(table), hours=hours, days=frequency.marking_days_per_week,
        even=marking_days_per_week(table, even_round(table, hours_per_week=hours)),
        worst=marking_days_per_week(table, worst))]
    saved = _saved(frequency, parameters)
    if saved >= LEAST_SAVED:
        told.append(message("crew_day.hour_saves", saved=saved))
    if frequency.short_by_h > 0:
        told.append(message("crew_day.short_hours", hours=frequency.short_by_h))
    return told


# What the plan is made from.

def day_to_plan(chain: Chain, day: date | None) -> tuple[date, list[Message]]:
    """Return the day asked for, or else the first working day after the log ends.

    A day asked for is planned even if it is free of work or far from the log, with a note that it
    is.

    Raises
    ------
    SettingError
        If the day's year is one that would be taken for a slip in a log.
    """
    years = [int(chain.parameters[f"incidents.date_year_{end}"]) for end in ("low", "high")]
    if day is not None and not years[0] <= day.year <= years[1]:
        raise SettingError("--date", "errors.year_of_a_day", day=day, first=years[0], last=years[1])
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
        notes.append(message("crew_day.holiday", day=day, name=closed[day]))
    elif day.weekday() >= n_week:
        notes.append(message("crew_day.day_off", day=day, days=n_week))
    return day, notes


def day_after(observed_to: pd.Timestamp, *, time_zone: str) -> date:
    """Return the day after the log ends, local time."""
    return (observed_to.tz_convert(time_zone) - pd.Timedelta(seconds=1)).date() + timedelta(days=1)


def _off_the_log(day: date, after: date, *, horizon_days: float) -> list[Message]:
    """Say where the log does not know how things stand on the day: open jobs are its last ones."""
    last = after - timedelta(days=1)
    if day <= last:
        return [message("crew_day.before_end", day=day, last=last)]
    ahead = (day - last).days
    return [message("crew_day.far_ahead", last=last, days=ahead)] * (ahead > horizon_days)


def chain_holidays(chain: Chain, day: date) -> dict[date, str]:
    """Return the project's public holidays from the year of a day to the calendar's end."""
    end = day + timedelta(weeks=chain.parameters["patrol.calendar_weeks"])
    return public_holidays(chain.project.holidays, first_year=day.year, last_year=end.year + 1)


def street_network(chain: Chain, crews: pd.DataFrame,
                   closed: Sequence[str] = ()) -> Network | None:
    """Return the streets less closed ones as crews go along them at the hours they are out.

    None for a project without streets.
    """
    lines, hours = chain.streets, shift_hours(crews)
    if lines is None or not (closed or on_foot(crews) or hour_columns(lines).keys() & set(hours)):
        return chain.network
    return build_network(without_closed(lines, closed) if closed else lines,
                         parameters=chain.parameters, on_foot=on_foot(crews), hours=hours)


def day_numbers(chain: Chain, crews: pd.DataFrame) -> Parameters:
    """Return the numbers in force; crews on foot walk where a project has no streets."""
    if not on_foot(crews):
        return chain.parameters
    return chain.parameters.override(
        {"patrol.straight_speed_kmh": chain.parameters["patrol.walk_speed_kmh"]})


def without_closed(lines: gpd.GeoDataFrame, closed: Sequence[str]) -> gpd.GeoDataFrame:
    """Return the street lines less those closed: all of a name, or the one nearest to a point.

    Raises
    ------
    SettingError
        If no street has that name.
    """
    names = lines["name"] if "name" in lines else pd.Series(None, index=lines.index, dtype="str")
    keys = names.fillna("").astype("str").str.strip().str.casefold()
    shut = np.zeros(len(lines), dtype=bool)
    for text in closed:
        there = degrees(text)
        if there is not None:
            shut[int(lines.distance(in_crs(there, lines.crs)).argmin())] = True
            continue
        same = (keys == text.strip().casefold()).to_numpy()
        if not same.any():
            near = get_close_matches(text.strip().casefold(), sorted(set(keys) - {""}), n=3)
            raise SettingError("--closed", "errors.unknown_street_like" if near else
                               "errors.unknown_street", text=text, known=tuple(near))
        shut |= same
    return lines[~shut].reset_index(drop=True)


def degrees(text: str) -> Point | None:
    """Return the point of a text such as ``46.0075,-32.9840``, or nothing."""
    found = _DEGREES.fullmatch(text)
    if not found:
        return None
    lat, lon = float(found[1]), float(found[2])
    return Point(lon, lat) if abs(lat) <= 90 and abs(lon) <= 180 else None


def in_crs(point: Point, crs: object) -> Point:
    """Return a point of degrees (WGS 84) in another projection."""
    return gpd.GeoSeries([point], crs=WGS84).to_crs(crs).iloc[0]


def fleet(chain: Chain,
          crews: int | Sequence[str] | None) -> tuple[gpd.GeoDataFrame, tuple[Message, ...]]:
    """Return the crews that go out, and notes on vehicles that cannot.

    Raises
    ------
    SettingError
        For a crew that is not there or more crews than there are vehicles that can go out, or
        none, and for a project that names no depots or no vehicles.
    """
    team, notes = chain.crews
    if crews is not None and not isinstance(crews, int):
        team = named_crews(team, crews, option="--crews")
    elif crews is not None:
        if not 1 <= crews <= len(team):
            raise SettingError("--crews", "errors.too_many_crews", crews=crews, most=len(team),
                               file=chain.project.path("vehicles"))
        team = team.head(crews)
    team, apart = without_walkers(team)
    return team, (*notes, *apart)


def named_crews(team: gpd.GeoDataFrame, names: Sequence[str], *, option: str) -> gpd.GeoDataFrame:
    """Return the crews of those names or ids, in the order of the table.

    Raises
    ------
    SettingError
        If a name is no crew's.
    """
    known = {str(word).strip().casefold(): str(crew) for column in ("crew_id", "name")
             for crew, word in zip(team["crew_id"], team[column], strict=True)}
    strange = [name for name in names if name.strip().casefold() not in known]
    if strange or not names:
        raise SettingError(option, "errors.not_a_crew", names=tuple(strange),
                           known=tuple(team["name"]))
    wanted = {known[name.strip().casefold()] for name in names}
    return team[team["crew_id"].isin(wanted)].reset_index(drop=True)


def day_stops(chain: Chain, day: date, *, crews: int, worth: pd.DataFrame,
              due: frozenset[str] = frozenset(), wanted: frozenset[str] = frozenset(),
              ) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Return the day's stops, none where nothing is worth a look, and the open jobs of others."""
    incidents, numbers = findable(chain), chain.parameters
    jobs, handed = reported_stops(incidents, chain.advice, chain.repeats, day=day,
                                  time_zone=chain.project.time_zone, parameters=numbers,
                                  holidays=list(chain_holidays(chain, day)),
                                  standing=worth["markings"])
    busy = set(incidents.loc[incidents["status"] == "open", "place_id"].dropna())
    spots = hotspot_stops(
        chain.repeats, worth, incidents, chain.advice, busy=busy, due=due, wanted=wanted,
        parameters=numbers, count=int(numbers["patrol.candidates_per_crew"]) * crews)
    both = [table for table in (jobs, spots) if len(table)] or [spots]
    stops = gpd.GeoDataFrame(pd.concat(both, ignore_index=True), geometry="geometry",
                             crs=chain.project.crs)
    return stops, handed


def findable(chain: Chain) -> gpd.GeoDataFrame:
    """Return the incidents; those without an address have what their place is called."""
    say = chain.say
    incidents = chain.incidents
    lacking = incidents["address"].isna() & incidents["place_id"].notna()
    called = {place: say(chain.named(place)) for place in incidents.loc[
        lacking, "place_id"].unique()}
    address = incidents["address"].where(~lacking, incidents["place_id"].map(called))
    return incidents.assign(address=address.astype("str"))


@dataclass(frozen=True)
class Place:
    """Where a job is: what the crew reads, its point, and the place it is known as, if any."""

    name: str
    point: Point
    place_id: str | None = None


def find_place(known: pd.DataFrame, text: str, *, crs: object, option: str) -> Place:
    """Return the place that a text means.

    Latitude and longitude are taken as they are; otherwise the known places are searched by id and
    by address, in any of its spellings.

    Parameters
    ----------
    known
        Table of :func:`known_by_name`.
    text
        What a person wrote.
    crs
        System the place's point is wanted in.
    option
        The option it was written for, as an error names it.

    Raises
    ------
    SettingError
        If nothing is known by that text.
    """
    there = degrees(text)
    if there is not None:
        return Place(f"{there.y:.5f}, {there.x:.5f}", in_crs(there, crs))
    same = known["place_id"].str.casefold() == text.strip().casefold()
    key = normalise_address(text)
    if not same.any() and key is not None:
        same = known["key"] == key
    if not same.any():
        raise SettingError(option, "errors.unknown_place", text=text)
    # Several places may share an address: the one most incidents are about.
    row = known[same].iloc[int(known.loc[same, "n"].argmax())]
    return Place(str(row["name"]), row["geometry"].representative_point(), str(row["place_id"]))


def known_by_name(chain: Chain, stops: gpd.GeoDataFrame | None = None) -> pd.DataFrame:
    """Return the places of a day's stops, the register and the log, by id, name and address."""
    found = [] if stops is None else [pd.DataFrame({
        "place_id": stops["stop_id"], "name": stops["name"], "n": 0,
        "key": stops["name"].map(normalise_address), "geometry": stops.geometry.to_numpy()})]
    if chain.register is not None:
        owned = chain.register
        found.append(pd.DataFrame({
            "place_id": owned["asset_id"], "name": owned["address"].fillna(owned["asset_id"]),
            "n": 0, "key": owned["address_key"], "geometry": owned.geometry.to_numpy()}))
    seen = findable(chain)
    seen = seen[~seen["place_quality"].isin(NO_PLACE)]
    seen = seen.assign(n=seen.groupby("place_id")["place_id"].transform("size").fillna(1),
                       key=seen["address_key"])
    found.append(pd.DataFrame({
        "place_id": seen["place_id"].fillna(seen["incident_id"]),
        "name": seen["address"].fillna(seen["place_id"]), "n": seen["n"], "key": seen["key"],
        "geometry": seen.geometry.to_numpy()}))
    every = pd.concat(found, ignore_index=True)
    return every[~every["geometry"].isna()]


def plan_faults(chain: Chain, plan: Plan) -> list[Message]:
    """Re-check the plan by code that knows nothing of the search."""
    n = chain.parameters
    found = check_plan(
        plan.visits, plan.stops, plan.crews, plan.left_out, seconds=plan.travel.seconds,
        break_after_h=n["patrol.break_after_h"], break_from_h=n["patrol.break_from_h"],
        break_to_h=n["patrol.break_to_h"], break_late_h=n["patrol.break_late_h"],
        since_min=plan.since_min, done=plan.done)
    return [message("crew_day.rule_broken", fault=fault) for fault in found]


def visit_plan(chain: Chain, team: gpd.GeoDataFrame, network: Network | None,
               rates: pd.Series) -> tuple[Frequency, gpd.GeoDataFrame]:
    """Return visit intervals for all places with a point and a rate, and those places."""
    places = chain.repeats[~(chain.repeats.geometry.isna() | chain.repeats.geometry.is_empty)]
    places = places[places["place_id"].isin(rates.index)].reset_index(drop=True)
    address = findable(chain).dropna(subset=["address"]).groupby("place_id")["address"].last()
    places["address"] = places["place_id"].map(address)
    chain.step("step.visit_intervals")
    numbers = day_numbers(chain, team)
    near = nearest_seconds(places.geometry, count=int(numbers["patrol.hop_neighbours"]),
                           network=network, parameters=numbers)
    minutes = numbers["patrol.look_minutes"] + numbers["patrol.setup_minutes"]
    table = pd.DataFrame({
        "place_id": places["place_id"],
        "rate_per_year": rates.reindex(places["place_id"]).to_numpy(float) * DAYS_PER_YEAR,
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
    hours[~np.isfinite(hours)] = float(np.nanmedian(hours)) if known.any() else 0.0
    return hours


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
    hours: np.ndarray = worked.to_numpy(float) / MIN_PER_H * parameters["patrol.patrol_share"]
    return hours


# The files of the day.

def write_day(stage: Path, plan: Plan, sheets: list[Sheet], *, day: date, say: Say,
              streets: gpd.GeoDataFrame | None, project: str) -> None:
    """Write the day's routes: a run sheet, a phone page and a GPX file per crew, and the tables.

    The plan itself is written too, for jobs that come in during the day.
    """
    names = file_names(plan.crews)
    for sheet in sheets:
        name = f"{day.isoformat()}_{names[str(sheet.crew['crew_id'])]}"
        (stage / f"run_sheet_{name}.pdf").write_bytes(
            render_run_sheet(sheet, day=day, say=say, streets=streets))
        (stage / f"run_sheet_{name}.html").write_text(
            phone_page(sheet, day=day, say=say, streets=streets, project=project,
                       file=f"{RESULTS}_{name}"), encoding="utf-8")
        write_gpx(sheet, stage / f"route_{name}.gpx", say=say)
    write_geojson(sheets, stage / "routes.geojson")
    if streets is not None and sheets:
        write_streets_near(sheets, streets, stage / STREETS_FILE)
    write_stops_csv(sheets, stage / "stops.csv", say=say)
    write_csv(routes_table(sheets), stage / "routes.csv")
    write_csv(plan.left_out.assign(reason=say.cells(plan.left_out["reason"])),
              stage / "left_out.csv")
    write_plan(plan, stage / PLAN_FILE, day=day)


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
