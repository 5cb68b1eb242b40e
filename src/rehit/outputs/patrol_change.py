"""`rehit patrol --now`: the day planned again when something changed while the crews are out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.chain import Chain
from rehit.errors import SettingError
from rehit.files.writing import write_csv
from rehit.messages import Message, from_text, message
from rehit.outputs.patrol import (
    crew_message,
    day_numbers,
    find_place,
    findable,
    known_by_name,
    named_crews,
    plan_faults,
    street_network,
    write_day,
)
from rehit.patrol.day import (
    PLAN_FILE,
    STOPS,
    changes,
    crew_sheets,
    plan_streets,
    read_plan,
    replan,
)
from rehit.patrol.fleet import minute_of_day
from rehit.patrol.routes import Plan, clock
from rehit.patrol.stops import added_stop, usual_jobs

CHANGES_FILE = "changes.csv"
DAY_MIN = 24 * 60


@dataclass(frozen=True)
class Change:
    """What happened while the crews are out.

    Attributes
    ----------
    now
        Hours and minutes by the clock.
    add, between, offensive
        Where a new job is, when work there may begin (``13:00-15:00``), whether it is offensive.
    without
        Names of crews that fall out.
    closed
        Streets that are closed: names, or latitude and longitude of a point on one.
    done
        Texts such as ``Van A=7``: the last stop each crew has done. A crew not named is taken to
        be where its plan says.
    """

    now: str | None
    add: str | None = None
    between: str | None = None
    offensive: bool = False
    without: Sequence[str] = ()
    closed: Sequence[str] = ()
    done: Sequence[str] = ()


def write_changed(chain: Chain, stage: Path, change: Change, *,
                  folder: Path | None) -> dict[str, object]:
    """Plan the rest of a day again and write the changed routes into `stage`.

    What is done stays; the rest is planned anew for the crews that are still out.

    Parameters
    ----------
    chain
        The project's results.
    stage
        Folder to write into.
    change
        What happened.
    folder
        Folder that holds the day's plan; by default the project's results.

    Raises
    ------
    SettingError
        If a crew, street, place or time of the change is not known.
    """
    file = (folder or chain.project.folder / "results") / PLAN_FILE
    before, crews = plan_streets(file)
    closed = tuple(dict.fromkeys((*before, *change.closed)))
    if change.closed and chain.streets is None:
        raise SettingError("--closed", "errors.closed_without_streets")
    network, numbers = street_network(chain, crews, closed), day_numbers(chain, crews)
    plan, day = read_plan(file, crs=chain.project.crs, network=network, parameters=numbers)
    minute = _minute(change.now, plan)
    job, name = _job(chain, change, plan)
    out = frozenset(named_crews(plan.crews, change.without, option="--without")["crew_id"]
                    if change.without else ())
    chain.step("step.replanning_routes")
    after = replan(plan, job, now_min=minute, network=network, parameters=numbers,
                   seed=chain.project.seed, stops_done=stops_done(change.done, plan),
                   without=out, closed=closed)
    table = changes(plan, after)
    stage.mkdir(exist_ok=True)
    chain.step("step.writing_run_sheets")
    sheets = crew_sheets(after)
    write_day(stage, after, sheets, day=day, say=chain.say, streets=chain.streets,
              project=chain.project.name)
    write_csv(table, stage / CHANGES_FILE)
    new = job["stop_id"].tolist()
    dropped, early = _dropped(plan, after), chain.parameters["patrol.early_back_minutes"]
    told = [message("crew_day.changed_at", day=day, clock=clock(minute)),
            *(job_message(after, stop, name) for stop in new), *dropped_messages(dropped),
            *fallen_out(plan, after, out),
            *(crew_message(after, sheet, early_min=early) for sheet in sheets),
            *crew_changes(plan, after, table), *after.notes, *plan_faults(chain, after)]
    return {
        "project": chain.project.name, "day": day.isoformat(), "changed_at": clock(minute),
        "added": new[0] if new else None, "place": name or None,
        "planned": set(new) <= set(after.visits["stop_id"]), "without": sorted(out),
        "closed": list(closed), "dropped": dropped["stop_id"].tolist(),
        "moved": int((table["change"] == "moved").sum()), "sentences": told}


def _job(chain: Chain, change: Change, plan: Plan) -> tuple[gpd.GeoDataFrame, str]:
    """Return the new job as stops, none where there is no new job, and the name of its place."""
    window = _window(change.between)
    if change.add is None:
        return plan.stops.iloc[:0], ""
    spot = find_place(known_by_name(chain, plan.stops), change.add, crs=chain.project.crs,
                      option="--add")
    number = 1 + int(plan.stops["stop_id"].str.startswith("added-").sum())
    there = gpd.GeoDataFrame({"name": [spot.name], "place_id": [spot.place_id]},
                             geometry=[spot.point], crs=chain.project.crs)
    return added_stop(there, usual_jobs(findable(chain), chain.advice),
                      stop_id=f"added-{number}", offensive=change.offensive, window_min=window,
                      parameters=chain.parameters), spot.name


def _minute(now: str | None, plan: Plan) -> float:
    """Return the minute of the day; the small hours of a shift past midnight count on."""
    minute = minute_of_day(now)
    if minute is None:
        raise SettingError("--now", "errors.no_time" if now is None else "errors.not_a_time",
                           text=now)
    begins, ends = plan.crews["shift_start_min"].min(), plan.crews["shift_end_min"].max()
    return float(minute + DAY_MIN if minute < begins and minute + DAY_MIN < ends else minute)


def _window(text: str | None) -> tuple[float, float]:
    """Return the first and last minute of the day of a text such as ``13:00-15:00``."""
    if text is None:
        return np.nan, np.nan
    first, _, last = text.partition("-")
    opens, closes = minute_of_day(first), minute_of_day(last)
    if opens is None or closes is None or closes < opens:
        raise SettingError("--between", "errors.not_two_times", text=text)
    return float(opens), float(closes)


def fallen_out(before: Plan, after: Plan, out: frozenset[str]) -> list[Message]:
    """Return for each crew that falls out what becomes of the stops it had yet to do."""
    names = before.crews.set_index("crew_id")["name"]
    planned = set(after.visits["stop_id"].dropna())
    told = []
    for crew in sorted(out):
        kept = set(after.visits.loc[after.visits["crew_id"] == crew, "stop_id"].dropna())
        had = set(before.visits.loc[before.visits["crew_id"] == crew, "stop_id"].dropna()) - kept
        told.append(message("crew_day.fell_out", crew=str(names[crew]), done=len(kept),
                            n=len(had), taken=len(had & planned), left=len(had - planned)))
    return told


def crew_changes(before: Plan, after: Plan, table: pd.DataFrame) -> list[Message]:
    """Return for each crew how its day differs from the plan before."""
    told = []
    for crew, name in zip(after.crews["crew_id"], after.crews["name"], strict=True):
        was, back = (_back(plan, str(crew)) for plan in (before, after))
        if back is None and was is None:
            continue
        if was is None:
            told.append(message("crew_day.goes_out_too", crew=str(name)))
            continue
        gained = int((table["crew_after"] == name).sum())
        lost = int((table["crew_before"] == name).sum())
        facts = {"crew": str(name), "back": clock(back or 0.0), "was": clock(was)}
        if not gained and not lost and back is not None and round(was) == round(back):
            told.append(message("crew_day.as_before", **facts))
        else:
            told.append(message("crew_day.differs", gained=gained, lost=lost, **facts))
    return told


def _back(plan: Plan, crew: str) -> float | None:
    own = plan.visits[(plan.visits["crew_id"] == crew) & (plan.visits["kind"] == "return")]
    return float(own["arrive_min"].max()) if len(own) else None


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
                "--done", "errors.not_a_stop" if crew else "errors.unknown_crew", text=text,
                most=most, crews=tuple(plan.crews["name"]), crew=plan.crews["name"].iloc[0])
        found[crew] = int(number)
    return found


def job_message(plan: Plan, stop_id: str, name: str) -> Message:
    """Return who does the new job and when, or why nobody does."""
    found = plan.visits[plan.visits["stop_id"] == stop_id]
    if found.empty:
        reason = str(plan.left_out.set_index("stop_id")["reason"][stop_id])
        return message("crew_day.job_left_out", name=name, reason=from_text(reason))
    visit = found.iloc[0]
    own = plan.visits[(plan.visits["crew_id"] == visit["crew_id"]) &
                      (plan.visits["position"] <= visit["position"])]
    crew = plan.crews.set_index("crew_id")["name"][visit["crew_id"]]
    return message("crew_day.job_planned", name=name, crew=str(crew),
                   stop=int(own["kind"].isin(STOPS).sum()), arrive=clock(visit["arrive_min"]))


def dropped_messages(dropped: pd.DataFrame) -> list[Message]:
    """Return what no longer fits: reported jobs each by name, hotspots as a number."""
    jobs = dropped[dropped["kind"] == "reported"]
    told = [message("crew_day.dropped", name=row["name"], reason=from_text(row["reason"]))
            for row in jobs.to_dict("records")]
    spots = len(dropped) - len(jobs)
    return told + [message("crew_day.dropped_spots", n=spots)] * bool(spots)


def _dropped(before: Plan, after: Plan) -> pd.DataFrame:
    """Return the stops that were planned and no longer are, with the reason."""
    planned = set(before.visits["stop_id"].dropna())
    return after.left_out[after.left_out["stop_id"].isin(planned)]
