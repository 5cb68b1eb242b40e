"""Visit intervals replayed on the demo's true markings: days markings stand, against other rules.

    python tests/benchmarks/patrol_frequency.py [--figure FILE.png]

Rates come from the first two years of the true incidents, blended with the mean of all assets
(gamma-Poisson); the third year's true markings are then found at the next visit of a fixed round.
Each asset's round starts at a random day; the mean of many starts is shown.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from rehit.parameters import load_parameters
from rehit.patrol.looks import even_round, visit_intervals, worst_first

DEMO = Path(__file__).parents[2] / "data_demo"
YEAR_DAYS = 365.0
STARTS = 50


def replay() -> pd.DataFrame:
    """Marking-days of 2025 under each rule, for a range of crew hours a week."""
    truth = pd.read_csv(DEMO / "truth" / "true_incidents.csv")
    rates = pd.read_csv(DEMO / "truth" / "rates.csv")
    column = next(c for c in truth.columns if c.startswith("marked"))
    marked = pd.to_datetime(truth[column], format="ISO8601", utc=True)
    asset = next(c for c in truth.columns if c in ("asset_id", "true_asset"))
    early = marked < pd.Timestamp("2025-01-01", tz="UTC")
    counts = truth[early].groupby(asset).size().reindex(rates["asset_id"]).fillna(0).to_numpy()
    mean, var = counts.mean(), counts.var()
    shape = mean**2 / max(var - mean, 1e-9)
    places = pd.DataFrame({
        "place_id": rates["asset_id"], "visit_h": 0.15,
        "rate_per_year": (counts + shape) / (2.0 + shape / (mean / 2.0))})
    later = truth[~early]
    day = (marked[~early] - pd.Timestamp("2025-01-01", tz="UTC")).dt.total_seconds() / 86400
    at = pd.Index(places["place_id"]).get_indexer(later[asset])
    numbers = load_parameters()
    rng = np.random.default_rng(1)
    rows = []
    for hours in (20.0, 30.0, 40.0, 60.0, 80.0):
        rules = {
            "square-root rule": visit_intervals(
                places, hours_per_week=hours, parameters=numbers).table["interval_days"].to_numpy(),
            "even round": even_round(places, hours_per_week=hours),
            "worst first": worst_first(places, hours_per_week=hours, parameters=numbers)}
        for rule, interval in rules.items():
            stood = []
            for _ in range(STARTS):
                start = rng.uniform(0, 1, len(places)) * interval
                wait = (start[at] - day.to_numpy()) % interval[at]
                stood.append(np.minimum(wait, YEAR_DAYS - day.to_numpy()).sum())
            rows.append((hours, rule, np.mean(stood), np.std(stood)))
    return pd.DataFrame(rows, columns=["hours_per_week", "rule", "marking_days", "sd"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--figure", type=Path)
    args = parser.parse_args()
    found = replay()
    wide = found.pivot_table(index="hours_per_week", columns="rule", values="marking_days")
    wide["saved against the even round"] = 1 - wide["square-root rule"] / wide["even round"]
    print(wide.round(3).to_string())
    if args.figure:
        figure = Figure(figsize=(7, 4.2), layout="constrained")
        axes = figure.subplots()
        for (rule, rows), style in zip(found.groupby("rule"), ("-o", "--s", ":^"), strict=True):
            axes.errorbar(rows["hours_per_week"], rows["marking_days"], rows["sd"], fmt=style,
                          label=rule, capsize=3)
        axes.set_xlabel("crew hours a week for planned visits")
        axes.set_ylabel("days markings stood in 2025")
        axes.set_ylim(0)
        axes.legend(frameon=False)
        axes.set_title("Demo truth: markings found only by planned visits", loc="left", fontsize=10)
        figure.savefig(args.figure, dpi=150)


if __name__ == "__main__":
    main()
