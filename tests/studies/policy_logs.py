"""Do logs lived through look like the log they were learnt from?

    python tests/studies/policy_logs.py [demo "San Diego" Boston ...] [--draws 20]

Today's practice is lived through over the log's own days, each draw is written as a log (number,
reported, closed, degrees) and goes through the same cleaning and the same clock of re-hits as any
log. Printed is where the real log stands among the draws: inside the 90 % band or not.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from city_logs import chains

from rehit import open_project
from rehit.chain import Chain
from rehit.observed import DAYS_PER_YEAR, known_timeline
from rehit.outputs.whatif import set_up_lab
from rehit.policy import simulate
from rehit.policy.patch import Worlds, working_days
from rehit.policy.policies import TODAY, Policy
from rehit.project import load_project
from rehit.workdays import public_holidays

DEMO = Path(__file__).parents[2] / "data_demo"
BAND = (0.05, 0.95)
NEAR_M = 300.0


class Recorded(simulate._Run):
    """A run that keeps its jobs: lane, slot, marked, reported and cleared days."""

    def __init__(self, *args: Any, **how: Any) -> None:
        super().__init__(*args, **how)
        self.jobs_done: list[tuple[np.ndarray, ...]] = []

    def _count(self, lane: np.ndarray, wall: np.ndarray, place: np.ndarray, clear: np.ndarray,
               hours: np.ndarray, reported: np.ndarray) -> None:
        self.jobs_done.append((lane, wall % self.slots, reported.copy(), clear.copy()))
        super()._count(lane, wall, place, clear, hours, reported)


def lived_logs(chain: Chain, draws: int) -> tuple[pd.DataFrame, Any]:
    """Return jobs of today's practice over the log's days: draw, slot, reported, cleared [days]."""
    window = chain.cleaned.window
    lab = set_up_lab(chain, n_policies=1, years=1, draws=draws)
    years = int(np.ceil(window.years))
    first = window.start.tz_convert(chain.project.time_zone).date()
    patch = replace(lab.patch, first_day=first, lead_days=28.0, practice=replace(
        lab.patch.practice, working=working_days(
            first, years=years + 2, days_per_week=5, holidays=public_holidays(
                chain.project.holidays, first_year=first.year, last_year=first.year + years + 2))))
    worlds = lab.worlds
    worlds = Worlds(worlds.rates, np.ones((draws, years)), worlds.never_ratio, worlds.report_days,
                    np.ones(draws), worlds.haste)
    run, rng = Recorded(patch, [Policy(name=TODAY)], worlds, years=years, effect=1.0), (
        np.random.default_rng(lab.seed))
    used = np.zeros(draws, dtype=np.int64)
    for stretch in range(years + 1):
        marks = simulate.come(patch, worlds, stretch=stretch, spread=1.0, used=used, rng=rng)
        used = marks.used
        run.live(marks, stretch)
    parts = [np.concatenate(each) for each in zip(*run.jobs_done, strict=True)]
    jobs = pd.DataFrame(dict(zip(("draw", "slot", "reported", "cleared"), parts, strict=True)))
    jobs["reported"] -= patch.lead_days
    jobs["cleared"] -= patch.lead_days
    inside = jobs["reported"].between(0, window.days)
    assert years * DAYS_PER_YEAR >= window.days
    return jobs[inside], patch


def as_log(chain: Chain, jobs: pd.DataFrame, patch: Any, rng: np.random.Generator) -> pd.DataFrame:
    """Return one draw's jobs as the rows of a log, with further reports while each waits."""
    window, zone = chain.cleaned.window, chain.project.time_zone
    points = chain.repeats.geometry.representative_point().to_crs("EPSG:4326")
    at = jobs["slot"].to_numpy()
    known = at < patch.n
    row = np.where(known, at, rng.integers(0, patch.n, len(at)))
    lon, lat = points.x.to_numpy()[row], points.y.to_numpy()[row]
    aside = rng.uniform(-NEAR_M, NEAR_M, (2, len(at))) / 111_000
    lon, lat = np.where(known, lon, lon + aside[0]), np.where(known, lat, lat + aside[1])
    waits = np.minimum(jobs["cleared"], window.days) - jobs["reported"]
    further = rng.poisson(patch.further_per_day * waits.clip(lower=0))
    again = np.repeat(np.arange(len(jobs)), 1 + further)
    later = np.concatenate([[0.0, *rng.random(n)] for n in further]) if len(jobs) else []
    when = jobs["reported"].to_numpy()[again] + later * waits.to_numpy()[again]
    cleared = jobs["cleared"].to_numpy()[again]

    def stamp(days: np.ndarray) -> pd.Series:
        times = window.start + pd.to_timedelta(np.round(days * 1440), unit="min")
        return pd.Series(times).dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M")

    closed = stamp(cleared).where(cleared < window.days, "")
    return pd.DataFrame({
        "number": [f"L{n:06}" for n in range(len(again))], "reported": stamp(when),
        "closed": closed, "status": np.where(closed.eq(""), "Open", "Closed"),
        "latitude": lat[again].round(6), "longitude": lon[again].round(6)})


def looks(chain: Chain) -> dict[str, float]:
    """Return what a log looks like, once cleaned."""
    incidents, window = chain.incidents, chain.cleaned.window
    months = incidents["reported_at"].dt.tz_convert(chain.project.time_zone).dt.strftime("%Y-%m")
    waits = (incidents["cleared_at"] - incidents["reported_at"]).dt.total_seconds() / 86_400
    _, laid = known_timeline(incidents, window=window, parameters=chain.parameters)
    before = laid.groupby("place_code")["busy_until"].shift()
    gaps = (laid["reported"] - before)[laid["rehit"] & before.notna()]
    sizes = np.sort(incidents["place_id"].value_counts().to_numpy())[::-1]
    top = {share: sizes[:max(1, round(share * len(sizes)))].sum() / sizes.sum()
           for share in (0.01, 0.1)}
    return {"incidents": float(len(incidents)),
            "share of repeat reports": 1 - len(incidents) / incidents["n_reports"].sum(),
            "days to clearance, median": waits.median(), "days to clearance, 9 in 10":
            waits.quantile(0.9), "days to re-hit, median": gaps.median(),
            "re-hits within 28 days": float((gaps <= 28).mean()),
            "share of the worst 1 % of places": top[0.01],
            "share of the worst 10 % of places": top[0.1],
            **{f"month {month}": float(n) for month, n in
               months.value_counts().sort_index().iloc[1:-1].items()}}


def compare(name: str, chain: Chain, draws: int) -> pd.DataFrame:
    """Return the real log's figures beside the draws' bands."""
    jobs, patch = lived_logs(chain, draws)
    rows = []
    for draw, own in jobs.groupby("draw"):
        log = as_log(chain, own, patch, np.random.default_rng([7, int(draw)]))
        rows.append(looks(open_project(log=log, crs=chain.project.crs,
                                       time_zone=chain.project.time_zone)))
        print(name, draw, {k: round(v, 3) for k, v in list(rows[-1].items())[:8]},
              file=sys.stderr, flush=True)
    many, real = pd.DataFrame(rows), looks(chain)
    low, high = many.quantile(BAND[0]), many.quantile(BAND[1])
    table = pd.DataFrame({"real": pd.Series(real), "low": low, "high": high}).dropna()
    return table.assign(inside=table["real"].between(table["low"], table["high"]), log=name)


def main() -> int:
    """Compare the logs named and print a table of hits and misses."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("logs", nargs="*", default=["demo"])
    parser.add_argument("--draws", type=int, default=20)
    args = parser.parse_args()
    for name in args.logs:
        found = [("demo", Chain(load_project(DEMO)))] if name == "demo" else chains([name])
        for city, chain in found:
            table = compare(city, chain, args.draws)
            months = table.index.str.startswith("month ")
            print(table[~months].round(3).to_string())
            print(f"{city}: {int(table['inside'][months].sum())} of {int(months.sum())} months "
                  "inside", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
