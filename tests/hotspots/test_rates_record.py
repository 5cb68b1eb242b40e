"""The ranking's statements held to the log's own last part."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.rates import held_out_record
from rehit.observed import Window
from rehit.parameters import load_parameters

START = pd.Timestamp("2022-01-01", tz="UTC")
WINDOW = Window(START, START + pd.Timedelta(days=1096))


def steady(*, late_factor: float) -> gpd.GeoDataFrame:
    """200 places of gamma rates, mean 6 a year; in the last half year times a factor."""
    rng = np.random.default_rng(1)
    rates = rng.gamma(2.0, 3.0, 200)
    rows = []
    for low, high, factor in ((0, 914, 1.0), (914, 1096, late_factor)):
        counts = rng.poisson(rates * factor * (high - low) / 365.25)
        rows.append((np.repeat(np.arange(200), counts), rng.uniform(low, high, counts.sum())))
    place, day = (np.concatenate(c) for c in zip(*rows, strict=True))
    at = pd.Series(START + pd.to_timedelta(day, unit="D"))
    return gpd.GeoDataFrame({
        "incident_id": [f"I{k}" for k in range(len(day))], "place_id": [f"A{p}" for p in place],
        "place_kind": "site", "place_quality": "surveyed", "reported_at": at, "cleared_at": at,
        "status": "cleared", "priority": "ordinary"},
        geometry=gpd.points_from_xy(10.0 * place, 0.0 * place), crs="EPSG:32625")


def record(log: gpd.GeoDataFrame):
    return held_out_record(log, window=WINDOW, days=182.0, sure=0.9,
                           parameters=load_parameters(), rng=np.random.default_rng(1))


def test_statements_on_a_steady_log_come_true_as_often_as_said():
    """200 places: some 180 of 200 ranges hold; sums of chances within two standard errors."""
    found = record(steady(late_factor=1.0))
    assert found.n_busy >= 180
    assert 0.85 <= found.held / found.n_busy <= 1.0
    assert abs(found.came - found.expected) < 3 * found.expected**0.5
    assert found.n_sure >= 20
    assert abs(found.met - found.claimed) <= 2 * (found.n_sure * 0.06) ** 0.5 + 1


def test_a_log_whose_pace_breaks_shows_that_it_was_not_foreseen():
    found = record(steady(late_factor=0.4))
    assert found.came < 0.5 * found.expected
    # Some 31 of 33 should have had more: a standard error of about 1.2.
    assert found.met < found.claimed - 4
