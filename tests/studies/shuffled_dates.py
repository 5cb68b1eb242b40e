"""What is found in logs in which there is nothing to find: dates permuted among incidents.

Run by hand: python tests/studies/shuffled_dates.py [permutations] [city ...]

Places and dates stay as they are, only who has which date is drawn anew, so that no place is
nearer, newer, better or worse than chance makes it. Stated rates: a ring raised in 5 of 100 such
logs (false-discovery control at 0.05 where nothing is true), a zone called emerging in 5 of 100, a
trend told in 10 of 100.
"""

from __future__ import annotations

import sys

import geopandas as gpd
import numpy as np
import pandas as pd
from city_logs import CITIES, chains

from rehit.hotspots.grid import well_placed
from rehit.hotspots.rates import rank_repeats
from rehit.hotspots.scan import scan_statistic
from rehit.hotspots.spacetime import knox_rings
from rehit.observed import Window
from rehit.parameters import load_parameters

NUMBERS = load_parameters().override({"hotspots.scan_permutations": 19,
                                      "hotspots.knox_listed_pairs": 1000})


def shuffled(log: gpd.GeoDataFrame, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Return the log with its dates dealt out anew, each report keeping its wait."""
    order = rng.permutation(len(log))
    reported = log["reported_at"].array[order]
    return log.assign(reported_at=reported, cleared_at=reported + (
        log["cleared_at"] - log["reported_at"]).array)


def found(log: gpd.GeoDataFrame, window: Window, seed: int) -> dict[str, object]:
    """Return what is claimed of one shuffled log."""
    rng = np.random.default_rng(seed)
    drawn = shuffled(log, rng)
    table = rank_repeats(drawn, window=window, parameters=NUMBERS, rng=rng)
    said = {"trends": int(table["trend_ratio_per_year"].notna().sum()),
            "fading": bool(table["now_half_life_years"].notna().any())}
    if len(well_placed(drawn, where="shuffled dates")):
        rings = knox_rings(drawn, parameters=NUMBERS, rng=rng)
        zones = scan_statistic(drawn, window=window, parameters=NUMBERS, rng=rng)
        said |= {"rings": int(rings["raised"].sum()),
                 "zones": int((zones["p_value"] <= NUMBERS["hotspots.emerging_chance"]).sum()),
                 "zones_by_days": int((zones["p_permuted"]
                                       <= NUMBERS["hotspots.emerging_chance"]).sum())}
    return said


def main(times: int, cities: list[str]) -> None:
    """Print per city in how many shuffled logs each thing was claimed."""
    for city, chain in chains(cities):
        rows = pd.DataFrame([found(chain.incidents, chain.cleaned.window, seed)
                             for seed in range(times)])
        print(city, f"{times} shuffled logs;", "in how many was anything claimed:",
              (rows > 0).sum().to_dict(), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, sys.argv[2:] or list(CITIES))
