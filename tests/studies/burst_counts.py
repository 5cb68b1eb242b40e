"""How often a place is marked at all, given how many markings are expected: in bursts or singly.

    python tests/studies/burst_counts.py [CITY ...]

The log of each city is cut into periods of 28 days. What is expected of a place in a period is its
mean in all other periods, pulled a little to the middle; places and periods of like expectation are
put together, and the share that was marked is held against a Poisson number of the mean that came
(singly) and a geometric number (in bursts).
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from city_logs import chains

PERIOD_DAYS = 28
BANDS = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 4.0)
LEAST = 200


def shares(incidents: pd.DataFrame) -> pd.DataFrame:
    """Return a row per band of expectation: how many, their mean, the share marked and told."""
    known = incidents.dropna(subset=["place_id"])
    days = (known["reported_at"] - known["reported_at"].min()) / pd.Timedelta(days=1)
    n = int(days.max() // PERIOD_DAYS)
    period = (days // PERIOD_DAYS).astype(int)
    counts = pd.crosstab(known["place_id"], period).reindex(
        columns=range(n), fill_value=0).to_numpy()
    others = (counts.sum(axis=1, keepdims=True) - counts + 0.5) / (n + 1)
    table = pd.DataFrame({"came": counts.ravel(), "marked": counts.ravel() > 0,
                          "band": pd.cut(others.ravel(), BANDS, right=False)})
    found = table.groupby("band", observed=True).agg(
        n=("came", "size"), mean=("came", "mean"), marked=("marked", "mean"))
    return found[found["n"] >= LEAST].assign(
        poisson=lambda t: -np.expm1(-t["mean"]), geometric=lambda t: t["mean"] / (1 + t["mean"]))


if __name__ == "__main__":
    for city, chain in chains(sys.argv[1:]):
        print(city, shares(chain.incidents).round(3).to_string(), sep="\n", flush=True)
