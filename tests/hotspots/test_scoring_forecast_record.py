"""Forecasts of past months held to what came."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.hotspots.forecast import (
    PlaceForecast,
    make_history,
    predictive_interval,
    total_interval,
)
from rehit.hotspots.scoring import past_record
from rehit.observed import Window
from rehit.parameters import load_parameters

START = pd.Timestamp("2023-01-01", tz="UTC")


@pytest.fixture(scope="module")
def record():
    rng = np.random.default_rng(5)
    rates = rng.gamma(0.5, 4.0, 200)
    counts = rng.poisson(rates * 2)
    place = np.repeat(np.arange(200), counts)
    day = rng.uniform(0, 730, len(place))
    history = make_history(place, day, rng.uniform(0, 2000, (200, 2)), always_known=True)
    starts = [START + pd.Timedelta(days=d) for d in (610, 640, 670, 700)]
    ends = [s + pd.Timedelta(days=30) for s in starts]
    return past_record(history, starts=starts, ends=ends,
                       window=Window(START, START + pd.Timedelta(days=730)),
                       numbers=load_parameters()), history


def test_totals_of_a_steady_town_are_forecast_within_their_intervals(record) -> None:
    (checks, _), history = record
    assert checks["days"].tolist() == [30.0] * 4
    inside = (checks["low"] <= checks["observed"]) & (checks["observed"] <= checks["high"])
    assert inside.sum() >= 3
    assert checks["expected"].mean() == pytest.approx(30 * len(history.day) / 730, rel=0.15)


def test_a_total_is_as_unsure_as_its_places_together() -> None:
    """One place keeps its own interval; n alike are a negative binomial of n times the size."""
    numbers = load_parameters()
    level = numbers["hotspots.interval_level"]
    for n in (1, 25):
        made = PlaceForecast(np.full(n + 1, 4.0), np.full(n + 1, 2.0), "any", {})
        known = np.arange(n + 1) > 0
        low, high, _ = predictive_interval(np.array([4.0 * n]), np.array([2.0 * n]), level=level)
        assert total_interval(made, known, level=level) == pytest.approx((4.0 * n, low[0], high[0]))


def test_observed_counts_are_those_of_the_log(record) -> None:
    (checks, _), history = record
    assert checks["observed"].iloc[0] == ((history.day >= 610) & (history.day < 640)).sum()


def test_plain_counts_stand_beside_the_forecast(record) -> None:
    (_, scores), _ = record
    assert scores["method"].iloc[0] == "forecast"
    assert "count, all history" in set(scores["method"])
    assert scores.set_index("method")["pai"]["forecast"] > 2


def test_a_log_without_known_places_gives_empty_tables() -> None:
    history = make_history(np.array([0]), np.array([50.0]), np.zeros((1, 2)), always_known=False)
    checks, scores = past_record(
        history, starts=[START + pd.Timedelta(days=10)], ends=[START + pd.Timedelta(days=20)],
        window=Window(START, START + pd.Timedelta(days=730)), numbers=load_parameters())
    assert checks.empty
    assert checks["period_start"].dt.tz_convert("Europe/Lisbon").empty, "moments all the same"
    assert scores.empty


def test_places_without_coordinates_are_forecast_all_the_same() -> None:
    """A log that gives addresses only: the kernel density knows nothing, the counts do."""
    rng = np.random.default_rng(8)
    history = make_history(rng.integers(0, 12, 400), rng.uniform(0, 730, 400),
                           np.full((12, 2), np.nan), always_known=True)
    checks, scores = past_record(
        history, starts=[START + pd.Timedelta(days=640)], ends=[START + pd.Timedelta(days=670)],
        window=Window(START, START + pd.Timedelta(days=730)), numbers=load_parameters())
    assert checks["observed"].iloc[0] == ((history.day >= 640) & (history.day < 670)).sum()
    assert "kernel density" in set(scores["method"])
