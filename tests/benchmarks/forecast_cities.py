"""Rolling forecasts of public city logs beside all simple rivals, compared by paired bootstrap.

Run by hand: python tests/benchmarks/forecast_cities.py [--earlier] [--rows FILE] [city ...]

Protocol: incidents as the chain makes them; 28-day periods one after another up to the end of the
log, the last thirteen of those that have at least ninety days before them; places are 100 m cells
hit before each origin, or streets where the log knows no more. A plain count becomes an
expectation by a level and a slope fitted on periods before the origin, and its ranges are Poisson.
Rivals are the plain counts, kernel density and the plain blend on its own. --earlier: the periods
before the last thirteen instead, on which alone anything was chosen.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.chain import Chain
from rehit.hotspots.forecast import (
    BLEND,
    History,
    PlaceForecast,
    forecast_counts,
    make_history,
    predictive_interval,
    total_interval,
)
from rehit.hotspots.grid import coordinates, days_since, lay_grid, well_placed
from rehit.hotspots.scoring import FORECAST, baselines, capture_at, poisson_log_score
from rehit.parameters import Parameters, load_parameters

sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))
sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from city_logs import chains
from forecast_scores import scaled_score

#: Chicago's extract holds 8,844 of its 12,621 rows in one month and no row in most others.
CITIES = ["San Diego", "Westminster", "Boston", "Zurich"]
HORIZON, MOST, WARM_UP, LEVEL, CELL_M, DRAWS = 28.0, 13, 90.0, 0.9, 100.0, 10_000
MEASURES = ["top_1", "top_5", "log_score"]


def history_of(chain: Chain) -> History:
    """Return a city's incidents by cells, or by streets where none is placed better."""
    rows = well_placed(chain.incidents, where="forecast_cities")
    if len(rows):
        x, y = coordinates(rows)
        grid = lay_grid(x, y, side=CELL_M)
        used, place = np.unique(grid.index(x, y), return_inverse=True)
        return by_day(chain, rows, place, grid.centres(used))
    rows = chain.incidents[chain.incidents["place_id"].notna()]
    place, names = pd.factorize(rows["place_id"], sort=True)
    return by_day(chain, rows, place, np.full((len(names), 2), np.nan))


def by_day(chain: Chain, rows: gpd.GeoDataFrame, place: np.ndarray, xy_m: np.ndarray) -> History:
    """Return incidents at numbered places as a history."""
    return make_history(place, days_since(rows["reported_at"], chain.cleaned.window.start), xy_m,
                        always_known=False)


def origins_of(history: History, *, earlier: bool) -> np.ndarray:
    """Return the origins looked at."""
    end = np.floor(history.day.max())
    every = np.arange(end - HORIZON, WARM_UP - 1e-9, -HORIZON)[::-1]
    return every[:-MOST] if earlier else every[-MOST:]


def forecasts(history: History, origin: float, numbers: Parameters) -> dict[str, PlaceForecast]:
    """Return the forecast of each method at one origin."""
    made = {FORECAST: forecast_counts(history, origin=origin, horizon=HORIZON, numbers=numbers),
            "plain blend": forecast_counts(history, origin=origin, horizon=HORIZON,
                                           numbers=numbers, weights={BLEND: 1.0})}
    for name, score in baselines(numbers).items():
        expected = scaled_score(history, score, origin=origin, horizon=HORIZON, numbers=numbers)
        made[name] = PlaceForecast(expected, np.full(len(expected), np.inf), name, {})
    return made


def scored(made: PlaceForecast, known: np.ndarray, came: np.ndarray) -> dict[str, object]:
    """Return how one forecast fared: captures, log score, and whether its ranges held."""
    expected, size = made.expected[known], np.minimum(made.size[known], 1e9)
    got = {share: capture_at(expected, came, share=share, share_ties=True)["hit_rate"]
           for share in (0.01, 0.05)}
    low, high, _ = predictive_interval(expected, size, level=LEVEL)
    busy = expected >= 0.5
    total, least, most = total_interval(made, known, level=LEVEL)
    return {"model": made.method, "came": came.sum(), "expected": total,
            "top_1": got[0.01], "top_5": got[0.05], "log_score": poisson_log_score(expected, came),
            "places_held": ((low <= came) & (came <= high)).mean(),
            "busy_held": ((low <= came) & (came <= high))[busy].mean() if busy.any() else np.nan,
            "total_held": float(least <= came.sum() <= most)}


def replay(history: History, numbers: Parameters, *, earlier: bool) -> pd.DataFrame:
    """Return one row per origin and method."""
    rows = []
    for origin in origins_of(history, earlier=earlier):
        known = history.known_from < origin
        came = history.counts(origin, origin + HORIZON)[known]
        rows += [{"origin": origin, "method": name} | scored(made, known, came)
                 for name, made in forecasts(history, origin, numbers).items()]
    return pd.DataFrame(rows)


def ahead(table: pd.DataFrame, measure: str, rival: str | None = None) -> tuple[str, np.ndarray]:
    """Return a rival, the best if none is named, and by how much the forecast is ahead of it."""
    wide = table.pivot_table(index="origin", columns="method", values=measure)
    rival = rival or wide.drop(columns=FORECAST).mean().idxmax()
    return rival, (wide[FORECAST] - wide[rival]).to_numpy()


def resampled_means(values: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return means over origins drawn with replacement."""
    return values[rng.integers(len(values), size=(DRAWS, len(values)))].mean(axis=1)


def compared(tables: dict[str, pd.DataFrame], rng: np.random.Generator) -> pd.DataFrame:
    """Return the forecast less the best rival per city, and less each in the mean over cities."""
    rows = []
    for measure in MEASURES:
        means, drawn = [], []
        for city, table in tables.items():
            best, difference = ahead(table, measure)
            means.append(difference.mean())
            drawn.append(resampled_means(difference, rng))
            rows.append((measure, city, best, means[-1], drawn[-1]))
        rows.append((measure, "all", "each city's best", np.mean(means), np.mean(drawn, axis=0)))
        for rival in dict.fromkeys(next(iter(tables.values()))["method"]):
            if rival != FORECAST:
                apart = [ahead(table, measure, rival)[1] for table in tables.values()]
                rows.append((measure, "all", rival, np.mean([each.mean() for each in apart]),
                             np.mean([resampled_means(each, rng) for each in apart], axis=0)))
    return pd.DataFrame(
        [(*row[:4], *np.quantile(row[4], [0.05, 0.95]), (row[4] > 0).mean()) for row in rows],
        columns=["measure", "city", "best rival", "ahead by", "from", "to", "chance ahead"])


def main() -> None:
    """Print a table per city, then the comparisons."""
    ask = argparse.ArgumentParser()
    ask.add_argument("cities", nargs="*")
    ask.add_argument("--earlier", action="store_true")
    ask.add_argument("--rows", help="write every origin's row here")
    given = ask.parse_args()
    pd.set_option("display.width", 200, "display.max_columns", 30)
    tables = {}
    for city, chain in chains(given.cities or CITIES):
        table = replay(history_of(chain), load_parameters(), earlier=given.earlier)
        if not len(table):
            continue
        tables[city] = table
        print(f"\n{city}: {table['origin'].nunique()} periods,",
              f"models {table.loc[table['method'] == FORECAST, 'model'].value_counts().to_dict()}")
        print(table.drop(columns=["origin", "model"]).groupby("method", sort=False).mean()
              .round(4).to_string(), flush=True)
    print(compared(tables, np.random.default_rng(1)).round(4).to_string())
    if given.rows:
        pd.concat(tables, names=["city"]).to_csv(given.rows)


if __name__ == "__main__":
    main()
