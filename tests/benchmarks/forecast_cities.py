"""Rolling forecasts of public city logs: captures, log score, and how often totals held.

Run by hand: python tests/benchmarks/forecast_cities.py [city ...]

Protocol: 28-day periods one after another up to the end of the log, at most thirteen; places are
100 m cells hit before each origin, or streets where the log knows no more. "before" is the
forecast without the plain blend and without a common factor in the totals. All settings were fixed
before these runs except the prior ``hotspots.common_cv``.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from pyproj import Transformer

from rehit.hotspots.forecast import (
    BLEND,
    History,
    forecast_counts,
    make_history,
    predictive_interval,
    total_interval,
)
from rehit.hotspots.grid import lay_grid
from rehit.hotspots.scoring import _scale, baselines, capture_at, poisson_log_score
from rehit.parameters import Parameters, load_parameters

DATA = Path(__file__).parents[3] / "shared" / "data"
HORIZON, MOST = 28.0, 13


def read(city: str) -> History:
    """Return one city's graffiti as places and days."""
    if city == "san_diego":
        log = pd.read_csv(DATA / city / "SDGraffiti3.csv")
        times = pd.to_datetime(log["requested_datetime"])
        return cells(times, *utm(log["long"], log["lat"], 32611))
    if city == "boston":
        log = pd.read_csv(DATA / city / "Graffiti Removal.csv")
        times = pd.to_datetime(log["OPEN_DT"], format="%m/%d/%Y %I:%M:%S %p")
        return cells(times, *utm(log["LONGITUDE"], log["LATITUDE"], 32619))
    if city == "zurich":
        log = pd.read_csv(DATA / city / "reports_cleaned.csv")
        log = log[log["service_code"].str.contains("raffiti")]
        return cells(pd.to_datetime(log["date"]), log["e"].to_numpy(float),
                     log["n"].to_numpy(float))
    log = pd.read_csv(DATA / "westminster_uk" / "Graffiti.csv", header=None)
    log = log[log[1] != "Not Recorded"]
    place, _ = pd.factorize(log[1], sort=True)
    day = days(pd.to_datetime(log[0], format="%d/%m/%Y %H:%M"))
    return make_history(place, day, np.full((place.max() + 1, 2), np.nan), always_known=False)


def utm(x: pd.Series, y: pd.Series, epsg: int) -> tuple[np.ndarray, np.ndarray]:
    """Return longitude and latitude as metres."""
    return Transformer.from_crs(4326, epsg, always_xy=True).transform(x.to_numpy(), y.to_numpy())


def days(times: pd.Series) -> np.ndarray:
    """Return days since the first day of a log."""
    return ((times - times.min().normalize()) / pd.Timedelta(days=1)).to_numpy(float)


def cells(times: pd.Series, x: np.ndarray, y: np.ndarray) -> History:
    """Return a history by cells of 100 m."""
    good = np.isfinite(x) & np.isfinite(y) & times.notna().to_numpy()
    grid = lay_grid(x[good], y[good], side=100.0)
    used, cell = np.unique(grid.index(x[good], y[good]), return_inverse=True)
    return make_history(cell, days(times[good]), grid.centres(used), always_known=False)


def replay(history: History, numbers: Parameters) -> pd.DataFrame:
    """Return one row per origin and method."""
    end = np.floor(history.day.max())
    starts = end - HORIZON * np.arange(MOST, 0, -1)
    rows = []
    for origin in starts[starts >= 90]:
        known = history.known_from < origin
        came = history.counts(origin, origin + HORIZON)[known]
        made = forecast_counts(history, origin=origin, horizon=HORIZON, numbers=numbers)
        others = {k: v for k, v in made.held_out_scores.items() if k != BLEND}
        old = made if made.method != BLEND else forecast_counts(
            history, origin=origin, horizon=HORIZON, numbers=numbers,
            only=max(others, key=lambda name: others[name]))
        for name, each in (("now", made), ("before", replace(old, common=0.0))):
            low, high, _ = predictive_interval(each.expected[known], each.size[known], level=0.9)
            busy = each.expected[known] >= 0.5
            total, least, most = total_interval(each, known, level=0.9)
            rows.append(scored(name, origin, each.expected[known], came) | {
                "model": each.method, "cv": each.common ** 0.5, "total": total,
                "held": least <= came.sum() <= most, "width": (most - least) / max(total, 1),
                "held_busy": ((low <= came) & (came <= high))[busy].mean() if busy.any()
                else np.nan})
        for name, score in baselines(numbers).items():
            level, slope = _scale(history, score, origin, HORIZON, numbers)
            rows.append(scored(name, origin, np.maximum(
                level + slope * score(history, origin)[known], 1e-9), came))
    return pd.DataFrame(rows)


def scored(name: str, origin: float, expected: np.ndarray, came: np.ndarray) -> dict[str, object]:
    """Return the scores of one method at one origin."""
    got = {s: capture_at(expected, came, share=s, share_ties=True)["hit_rate"]
           for s in (0.01, 0.05)}
    return {"method": name, "origin": origin, "came": came.sum(), "top_1": got[0.01],
            "top_5": got[0.05], "log_score": poisson_log_score(expected, came)}


def main() -> None:
    """Print a table per city."""
    pd.set_option("display.width", 200)
    for city in sys.argv[1:] or ("san_diego", "boston", "zurich", "westminster"):
        table = replay(read(city), load_parameters())
        print(f"\n{city}: {table['origin'].nunique()} periods")
        print(table.groupby("method", sort=False)[["top_1", "top_5", "log_score", "held", "width",
              "held_busy", "cv"]].mean().astype(float).round(4).to_string())
        now = table[table["method"] == "now"]
        print(now[["origin", "model", "came", "total", "cv", "held"]].round(2).to_string())


if __name__ == "__main__":
    main()
