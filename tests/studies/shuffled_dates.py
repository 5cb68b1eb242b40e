"""What is found in logs in which there is nothing to find: dates permuted among incidents.

Run by hand: python tests/studies/shuffled_dates.py [permutations] [city ...]

Places and dates stay as they are, only who has which date is drawn anew, so that no place is
nearer, newer, better or worse than chance makes it. All is worked out as the command does, by its
own numbers. Stated rates: a ring raised in 5 of 100 such logs (false-discovery control at 0.05
where nothing is true), a zone called emerging in 5 of 100, a yearly change told of any place in 10
of 100, one of the five worst said to come faster or more slowly in 5 of 100 (each by a 99 % range).
"""

from __future__ import annotations

import sys

import geopandas as gpd
import numpy as np
import pandas as pd
from city_logs import CITIES, chains

from rehit.chain import Chain
from rehit.hotspots.recurrence import risk_clock
from rehit.outputs.hotspots import emerging_zones, worst_trends


def shuffled(log: gpd.GeoDataFrame, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Return the log with its dates dealt out anew, each report keeping its wait."""
    order = rng.permutation(len(log))
    reported = log["reported_at"].array[order]
    return log.assign(reported_at=reported, cleared_at=reported + (
        log["cleared_at"] - log["reported_at"]).array)


def found(chain: Chain) -> dict[str, int]:
    """Return how often each thing is claimed of a log."""
    numbers = chain.parameters
    clock = risk_clock(chain.incidents, window=chain.cleaned.window, parameters=numbers)
    zones = emerging_zones(chain)
    emerging = {way: int((zones[chance] <= numbers["hotspots.emerging_chance"]).sum())
                for way, chance in (("zones", "p_value"), ("zones by days", "p_permuted"))}
    return {"rings": int(chain.rings["raised"].sum()), **emerging,
            "changed": int(chain.repeats["trend_ratio_per_year"].notna().sum()),
            "worst changed": sum(said.code in ("trend.faster", "trend.slower")
                                 for said in worst_trends(chain, clock)),
            "fading": int(chain.repeats["now_half_life_years"].notna().any())}


def main(times: int, cities: list[str]) -> None:
    """Print per city in how many shuffled logs each thing was claimed."""
    for city, chain in chains(cities):
        rows = pd.DataFrame([
            found(chain.given(incidents=shuffled(chain.incidents, np.random.default_rng(seed))))
            for seed in range(times)])
        print(f"{city}, {times} shuffled logs; in how many was anything claimed:",
              (rows > 0).sum().to_dict(), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, sys.argv[2:] or list(CITIES))
