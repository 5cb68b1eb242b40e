"""A year of patrol days in invented towns: what the memory of looks is worth on the street.

    python tests/studies/patrol_year.py [--towns 20] [--first 1] [--assets 150] [--days 365]

Each town has four years of markings, four times as many as the demo's: the patch of a crew that
does little else. rehit knows the log of the first three years, and of the fourth only what was
reported by the morning; what nobody reported in the quarter before still stands when the fourth
begins. A place's share of markings that anybody reports is drawn (one in seven, half, or nine in
ten) and so are days until a report, exponential about seven. That as many again are found as are
reported is known from the start, as a trial patrol tells; where they are is not. One crew of two
goes out on Mondays and Thursdays for five hours, which are for looks where no job waits; minutes of
jobs and drives are drawn about what is planned, and a look that cannot begin by the time on the
sheet is left out. The same markings, reports and shifts meet four ways of choosing the day's looks:
rehit with results handed in, with planned looks taken as done, an even round, and the worst twenty
daily.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.chain import Chain
from rehit.files.writing import write_csv
from rehit.outputs.patrol import (
    LOOKS_FILE,
    day_stops,
    fleet,
    merged_looks,
    plan_day,
    planned_looks,
    read_looks,
    standing_by,
)
from rehit.patrol.day import Sheet, crew_sheets
from rehit.patrol.routes import Plan, plan_routes
from rehit.project import load_project

DEMO = Path(__file__).parents[2] / "data_demo"
ARMS = ("results handed in", "planned looks only", "even round", "worst twenty")
YEAR = 2026
REPORTED_SHARES, REPORT_DAYS = (1 / 7, 0.5, 0.9), 7.0
SHIFT, OUT = ("07:00", "12:00"), (0, 3)  # Monday and Thursday
RATE_SCALE = 4.0
MIN_PER_DAY = 1440.0
#: A short search is enough for a dozen stops; all hours that jobs leave are for looks.
NUMBERS = {"patrol.search_iterations": 20, "patrol.search_runs": 1, "patrol.patrol_share": 0.9,
           "patrol.least_chance": 0.0, "contract.found_low": 0.9, "contract.found_likely": 1.0,
           "contract.found_high": 1.1}


@dataclass
class Town:
    """A town at the end of its third year, and the markings of the fourth.

    Attributes
    ----------
    chain
        rehit on the log of three years.
    marks
        The fourth year's markings, and what stands from the quarter before and nobody reports:
        ``place_id``, ``at`` and ``reported`` [days since the year began; infinite where nobody
        reports], and their rows of the `incidents` table.
    begins
        When the year begins.
    days
        How much of it is lived through.
    """

    chain: Chain
    marks: gpd.GeoDataFrame
    begins: pd.Timestamp
    days: float


@dataclass
class Year:
    """What came of a year."""

    cleared: np.ndarray
    due: np.ndarray
    n_looks: int = 0
    n_found: int = 0
    idle: int = 0
    home: list[bool] = field(default_factory=list)
    overtime_min: float = 0.0


def make(folder: Path, seed: int, n_assets: int, days: float) -> Town:
    """Return a town whose rehit knows three years of it."""
    sys.path.insert(0, str(DEMO))
    from make_demo import make_town, write_town

    write_town(make_town(seed=seed, n_assets=n_assets, n_coated=4, n_lit=4, years=4,
                         rate_scale=RATE_SCALE, faults=False), folder)
    shutil.copy(DEMO / "mapping.toml", folder)
    vehicles = pd.read_csv(folder / "vehicles.csv", dtype=str).tail(1)
    vehicles.assign(shift_start=SHIFT[0], shift_end=SHIFT[1]).to_csv(
        folder / "vehicles.csv", index=False)
    settings = (DEMO / "rehit.toml").read_text(encoding="utf-8")
    (folder / "rehit.toml").write_text(settings, encoding="utf-8")
    whole = Chain(load_project(folder))
    incidents, advice = whole.incidents, whole.advice
    (folder / "rehit.toml").write_text(settings.replace(
        "[project]", f'[project]\nextract_end = "{YEAR}-01-01"', 1), encoding="utf-8")
    begins = pd.Timestamp(f"{YEAR}-01-01", tz="Europe/Lisbon").tz_convert("UTC")
    rng = np.random.default_rng([seed, 17])
    incidents = incidents[incidents["place_id"].notna()].reset_index(drop=True)
    places = sorted(set(incidents["place_id"]))
    share = dict(zip(places, rng.choice(REPORTED_SHARES, len(places)), strict=True))
    told = rng.random(len(incidents)) < incidents["place_id"].map(share)
    before = incidents["reported_at"] < begins
    chain = Chain(load_project(folder)).with_parameters(NUMBERS)
    known = incidents[before & told].assign(status="closed")
    at = ((incidents["reported_at"] - begins) / pd.Timedelta(days=1)).to_numpy(float)
    reported = np.where(told, at + rng.exponential(REPORT_DAYS, len(at)), np.inf)
    lived = np.where(told, at >= 0, at > -chain.parameters["patrol.max_interval_days"]) & (
        at < days)
    marks = incidents.assign(at=at, reported=reported)[lived].reset_index(drop=True)
    chain = chain.given(incidents=known, advice=advice)
    chain = chain.given(repeats=chain.repeats, forecast=chain.forecast, crews=chain.crews,
                        network=chain.network)
    return Town(chain, marks, begins, days)


def working_days(days: float) -> Iterator[date]:
    """Go through the days out of the time lived through."""
    day = date(YEAR, 1, 1)
    while day_number(day) < days:
        if day.weekday() in OUT:
            yield day
        day += timedelta(days=1)


def this_morning(town: Town, year: Year, day: date) -> Chain:
    """Return the chain as the log stands on a day: reported by seven, cleared if it was."""
    now = day_number(day) + 7 / 24
    marks = town.marks
    seen = ((marks["reported"] < now) & ~(year.cleared < marks["reported"])).to_numpy()
    rows = marks[seen]
    done = pd.Series(year.cleared[seen], index=rows.index)
    rows = rows.assign(
        status=np.where(done.notna(), "closed", "open"),
        reported_at=town.begins + pd.to_timedelta(rows["reported"], unit="D").dt.floor("min"),
        cleared_at=town.begins + pd.to_timedelta(done, unit="D").dt.floor("min"))
    known = town.chain.incidents
    return town.chain.given(incidents=gpd.GeoDataFrame(pd.concat(
        [known, rows[known.columns].astype(known.dtypes.to_dict())], ignore_index=True),
        geometry="geometry", crs=known.crs))


def day_number(day: date) -> float:
    """Return the days since the year began."""
    return float((day - date(YEAR, 1, 1)).days)


def live(town: Town, arm: str, seed: int) -> Year:
    """Live through the year, choosing looks in one way."""
    looks_file = town.chain.project.folder / "results" / LOOKS_FILE
    looks_file.parent.mkdir(exist_ok=True)
    looks_file.unlink(missing_ok=True)
    n = len(town.marks)
    year, rng = Year(np.full(n, np.nan), np.full(n, np.nan)), np.random.default_rng(seed)
    round_, network = _round(town), town.chain.network
    for day in working_days(town.days):
        chain = this_morning(town, year, day)
        wanted = (round_ if arm == "even round" else _worst(town))[:40]
        found = None if arm not in ARMS[:2] else plan_day(chain, day=day, crews=None)
        plan = found.plan if found else _by_rule(chain, day, wanted, network)
        sheets = crew_sheets(plan)
        if not sheets:
            year.idle += 1
            continue
        outcomes = [outcome for sheet in sheets
                    for outcome in walk(town, year, sheet, plan, day, rng)]
        if found and arm in ARMS[:2]:
            planned = planned_looks(found)
            told = planned.assign(outcome=outcomes) if arm == ARMS[0] else planned
            write_csv(merged_looks(read_looks(chain), told), looks_file)
        elif arm == "even round":
            stops = pd.concat([sheet.stops for sheet in sheets])["place_id"]
            gone = set(stops[np.array(outcomes) != "not_seen"])
            round_ = [p for p in round_ if p not in gone] + [p for p in round_ if p in gone]
    return year


def _round(town: Town) -> list[str]:
    """Return all places in the order of a round through the town: street by street."""
    places = town.chain.repeats
    return list(places.assign(x=places.geometry.x.round(-2), y=places.geometry.y).sort_values(
        ["x", "y"])["place_id"])


def _worst(town: Town) -> list[str]:
    counts = town.chain.incidents["place_id"].value_counts()
    return list(counts.sort_index().sort_values(ascending=False, kind="stable").index[:20])


def _by_rule(chain: Chain, day: date, wanted: list[str], network: object) -> Plan:
    """Return the day's routes where looks are given by a rule: all wanted alike."""
    team, _ = fleet(chain, None)
    numbers = chain.parameters
    looks = read_looks(chain)
    standing, since = standing_by(chain, looks, day)
    stops, _ = day_stops(chain, day, crews=1, due=frozenset(wanted), worth=standing.looks(since))
    stops = stops[(stops["kind"] == "reported") | stops["place_id"].isin(wanted)]
    order = {place: rank for rank, place in enumerate(wanted)}
    look = stops["kind"] == "hotspot"
    # Nearly alike, the first in turn a little ahead.
    wish = 1.0 - stops["place_id"].map(order).fillna(0.0) / (4 * max(len(wanted), 1))
    stops = stops.assign(weight=stops["weight"].where(~look, wish / stops["expected"].clip(1e-9)))
    return plan_routes(stops.reset_index(drop=True), team, network=network,  # type: ignore[arg-type]
                       parameters=numbers, seed=1)


def walk(town: Town, year: Year, sheet: Sheet, plan: Plan, day: date,
         rng: np.random.Generator) -> list[str]:
    """Send a crew out, that leaves out what its sheet says; return the outcome of each stop."""
    marks, outcomes, clock = town.marks, [], float(sheet.crew["shift_start_min"])
    place, ids = marks["place_id"].to_numpy(), marks["incident_id"].to_numpy()
    about = {name: town.chain.parameters[f"patrol.{name}_spread"] for name in ("minutes", "drive")}
    rows = sheet.rows.to_dict("records")
    at, slow = rows[0]["location"], _noise(rng, about["drive"])
    for row in rows[1:]:
        reached = clock + slow * plan.travel.seconds[at, row["location"]] / 60
        sure = town.chain.parameters["patrol.setup_minutes"] + (
            town.chain.parameters["patrol.look_minutes"] if row["kind"] == "hotspot" else 0.0)
        if row["kind"] == "hotspot" and reached + sure > row["leave_by_min"]:
            outcomes.append("not_seen")
            continue
        clock, at = reached, row["location"]
        if not row["number"]:
            continue
        now = day_number(day) + clock / MIN_PER_DAY
        here = (place == row["place_id"]) | (ids == row["stop_id"])
        stands = np.flatnonzero(here & (marks["at"].to_numpy() <= now) & np.isnan(year.cleared))
        work = float(row["work_min"]) if np.isfinite(row["work_min"]) else 25.0
        clock += sure
        if row["kind"] == "hotspot":
            year.n_looks += 1
            year.n_found += int(len(stands) > 0)
        else:
            year.due[ids == row["stop_id"]] = day_number(day) + row["due_min"] / MIN_PER_DAY
            stands = np.array(sorted(stands, key=lambda mark: ids[mark] != row["stop_id"]), int)
        # The reported marking is done in any case, others as long as there is time.
        room = max(int((row["leave_by_min"] - clock) // work) if work else len(stands),
                   int(row["kind"] == "reported"))
        clock += len(stands[:room]) * work * _noise(rng, about["minutes"])
        year.cleared[stands[:room]] = now
        outcomes.append("clean" if not len(stands) else "left" if len(stands) > room else "done")
    late = clock - float(sheet.crew["shift_end_min"])
    year.home.append(late <= 0)
    year.overtime_min += max(late, 0.0)
    return outcomes


def _noise(rng: np.random.Generator, spread: float) -> float:
    return float(rng.lognormal(-spread**2 / 2, spread))


def told(town: Town, year: Year) -> dict[str, float]:
    """Return the year's figures."""
    at, reported = town.marks["at"].clip(lower=0.0).to_numpy(), town.marks["reported"].to_numpy()
    gone = np.where(np.isnan(year.cleared), town.days, year.cleared)
    jobs = np.isfinite(year.due)
    return {"marks": len(at), "marking_days": float((gone - at).sum()),
            "found_first": float((gone < np.minimum(reported, town.days)).sum()),
            "looks": year.n_looks, "finds_per_100": 100 * year.n_found / max(year.n_looks, 1),
            "in_time": float((year.cleared[jobs] <= year.due[jobs]).mean()),
            "idle_days": year.idle, "home": float(np.mean(year.home)),
            "overtime_min": round(year.overtime_min)}


def main() -> None:
    """Print a row per town and way, then the means and the paired differences."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--towns", type=int, default=20)
    ask.add_argument("--first", type=int, default=1)
    ask.add_argument("--assets", type=int, default=150)
    ask.add_argument("--days", type=float, default=365.0)
    ask.add_argument("--arms", nargs="*", default=list(ARMS))
    given = ask.parse_args()
    rows = []
    for seed in range(given.first, given.first + given.towns):
        with tempfile.TemporaryDirectory() as folder:
            town = make(Path(folder), seed, given.assets, given.days)
            for arm in given.arms:
                rows.append({"town": seed, "arm": arm} | told(town, live(town, arm, seed)))
                print(rows[-1], flush=True)
    table = pd.DataFrame(rows)
    pd.set_option("display.width", 200)
    print(table.drop(columns="town").groupby("arm", sort=False).mean().round(3).to_string())
    days = table.pivot_table(index="town", columns="arm", values="marking_days")
    for arm in given.arms[1:]:
        gain = 1 - days[given.arms[0]] / days[arm]
        print(f"marking-days fewer than {arm}: {gain.mean():.1%} "
              f"(standard error {gain.std(ddof=1) / len(gain) ** 0.5:.1%})")


if __name__ == "__main__":
    main()
