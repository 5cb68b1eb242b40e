"""Speed of the recurrence side on large tables, as ratios to plain library calls.

Run by hand from the root: ``python tests/benchmarks/recurrence.py [incidents] [sites]``.
"""

from __future__ import annotations

import resource
import sys
import time
import warnings
from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from statsmodels.duration.hazard_regression import PHReg
from statsmodels.duration.survfunc import SurvfuncRight

from rehit.hotspots.rates import rank_repeats
from rehit.hotspots.recurrence import (
    design,
    fit_rates,
    mean_cumulative_function,
    rehit_spells,
    risk_clock,
)
from rehit.hotspots.survival import grouped_medians
from rehit.observed import Window

START = pd.Timestamp("2020-01-01", tz="UTC")
DAYS = 1461.0


def timed(name: str, work: Callable[[], Any], *, against: float | None = None) -> tuple[Any, float]:
    begun, cpu = time.perf_counter(), time.process_time()
    out = work()
    took, cpu = time.perf_counter() - begun, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    ratio = "" if against is None else f", 1/{against / took:.0f} of the library's time"
    print(f"{name}: {took:.2f} s ({cpu:.2f} s of processor), peak {peak:.2f} GB{ratio}", flush=True)
    return out, took


def large_log(n: int, sites: int) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(1)
    rate = rng.gamma(0.6, 1.0, sites)
    site = np.sort(rng.choice(sites, n, p=rate / rate.sum()))
    reported = pd.Series(START + pd.to_timedelta(rng.uniform(0, DAYS, n), unit="D"))
    cleared = reported + pd.to_timedelta(rng.exponential(4, n), unit="D")
    return gpd.GeoDataFrame({
        "incident_id": np.arange(n).astype(str), "place_id": pd.Series(site).astype("str"),
        "place_kind": "site", "place_quality": "surveyed", "reported_at": reported,
        "cleared_at": cleared, "status": "cleared", "priority": "ordinary",
        "substrate": np.where(site % 3 == 0, "brick", "metal")},
        geometry=gpd.points_from_xy(site % 300 * 10.0, site // 300 * 10.0), crs="EPSG:32625")


def main(n: int, sites: int) -> None:
    log = large_log(n, sites)
    window = Window(START, START + pd.Timedelta(days=DAYS))
    timed(f"rank_repeats, {n:,} incidents on {sites:,} sites",
          lambda: rank_repeats(log, rng=np.random.default_rng(1), window=window))
    spells, _ = timed("rehit_spells", lambda: rehit_spells(log, window=window))
    (times, ends), _ = timed("risk_clock", lambda: risk_clock(log, window=window))
    at = np.linspace(30, DAYS, 50)
    timed("mean_cumulative_function, 50 times", lambda: mean_cumulative_function(
        times["place_id"].to_numpy(), times["days_at_risk"].to_numpy(), ends=ends, at=at))
    part = spells[spells["place_id"].isin(pd.unique(spells["place_id"])[:500])]
    code = pd.factorize(part["place_id"])[0]
    _, theirs = timed("500 medians, SurvfuncRight one by one", lambda: [
        SurvfuncRight(g["days"], g["event"]).quantile(0.5) for _, g in part.groupby(code)])
    timed("500 medians, one pass", lambda: grouped_medians(
        code, part["days"].to_numpy(), part["event"].to_numpy(), n_places=500, min_events=1,
        level=0.9), against=theirs)
    some = spells.iloc[:5_000]
    x, used = design(some, effects=("substrate", "days_to_clearance"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _, theirs = timed("5,000 spells, statsmodels PHReg", lambda: PHReg(
            used["stop"], x.to_numpy(), status=used["event"], entry=used["start"] + 1e-6,
            ties="efron").fit())

    def ours(table: pd.DataFrame, z: pd.DataFrame) -> Any:
        return fit_rates(table["start"].to_numpy(), table["stop"].to_numpy(),
                         table["event"].to_numpy(), z.to_numpy(), names=tuple(z.columns),
                         cluster=table["place_id"].to_numpy())

    timed("5,000 spells, fit_rates with robust errors", lambda: ours(used, x), against=theirs)
    x, used = design(spells, effects=("substrate", "days_to_clearance"))
    timed(f"{len(used):,} spells, fit_rates", lambda: ours(used, x))


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    main(*(given or [1_000_000, 100_000]))
