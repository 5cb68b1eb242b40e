"""Verdicts on 40 towns for each true effect and each way of choosing comparison places.

Run by hand: python tests/studies/measures.py [towns]

A town has 400 places whose yearly rates are gamma distributed (shape 1, mean 2.5), three years of
log, and a measure half way at the 40 places most often hit before it. Comparison places are 80
others at random, the 80 next-worst, or the two of nearest rate before for each treated place.
"""

from __future__ import annotations

import sys

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.evaluate import evaluate_measure, match_comparison
from rehit.observed import Window
from rehit.parameters import load_parameters

START = pd.Timestamp("2022-01-01", tz="UTC")
DAYS, PLACES, TREATED, COMPARED = 1096.0, 400, 40, 80
WINDOW = Window(START, START + pd.Timedelta(days=DAYS))
BEGUN = START + pd.Timedelta(days=DAYS / 2)
EFFECTS, WAYS = (1.0, 0.6, 1.5), ("random", "next-worst", "matched")
NUMBERS = load_parameters()


def town(effect: float, rng: np.random.Generator) -> tuple[gpd.GeoDataFrame, list[str], np.ndarray]:
    """Return a log, the treated places and all others, the worst of these first."""
    rates = rng.gamma(1.0, 2.5, PLACES)
    before = rng.poisson(rates * DAYS / 2 / 365.25)
    order = np.argsort(-before + rng.uniform(0, 0.5, PLACES))
    change = np.ones(PLACES)
    change[order[:TREATED]] = effect
    after = rng.poisson(change * rates * DAYS / 2 / 365.25)
    place = np.repeat(np.tile(np.arange(PLACES), 2), np.r_[before, after])
    day = np.r_[rng.uniform(0, DAYS / 2, before.sum()), rng.uniform(DAYS / 2, DAYS, after.sum())]
    reported = pd.Series(START + pd.to_timedelta(day, unit="D"))
    log = gpd.GeoDataFrame({
        "incident_id": [f"I{k}" for k in range(len(day))], "place_id": [f"P{p}" for p in place],
        "place_kind": "asset", "reported_at": reported,
        "cleared_at": reported + pd.Timedelta(hours=6), "status": "cleared"},
        geometry=gpd.points_from_xy(10.0 * place, 0.0 * place), crs="EPSG:32625")
    names = np.array([f"P{p}" for p in order])
    return log, names[:TREATED].tolist(), names[TREATED:]


def chosen(way: str, log: gpd.GeoDataFrame, treated: list[str], others: np.ndarray,
           rng: np.random.Generator) -> list[str]:
    """Return the comparison places of one way of choosing."""
    if way == "matched":
        return match_comparison(log, treated_ids=treated, started_at=BEGUN, window=WINDOW,
                                parameters=NUMBERS)
    found: list[str] = (others[:COMPARED] if way == "next-worst" else
                        rng.choice(others, COMPARED, replace=False)).tolist()
    return found


def main(towns: int) -> None:
    """Print verdicts, mean ratios and coverage."""
    rows = []
    for effect in EFFECTS:
        for seed in range(towns):
            rng = np.random.default_rng([seed, int(10 * effect)])
            log, treated, others = town(effect, rng)
            for way in WAYS:
                seen = evaluate_measure(
                    log, treated_ids=treated, comparison_ids=chosen(way, log, treated, others, rng),
                    started_at=BEGUN, window=WINDOW, parameters=NUMBERS)
                rows.append({"effect": effect, "comparison": way, "fewer": seen.verdict == "fewer",
                             "more": seen.verdict == "more", "ratio": seen.rate_ratio,
                             "counted": seen.rate_ratio * (seen.return_ratio or 1.0),
                             "fell_back": seen.return_ratio,
                             "held": seen.low <= effect <= seen.high})
    table = pd.DataFrame(rows).groupby(["effect", "comparison"], sort=False).agg(
        towns=("ratio", "size"), fewer=("fewer", "sum"), more=("more", "sum"),
        counted=("counted", "mean"), fell_back=("fell_back", "mean"), ratio=("ratio", "mean"),
        held=("held", "sum"))
    print(table.round(3).to_string())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
