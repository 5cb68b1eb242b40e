"""A day remembers: a place looked at yesterday is worth less today, one not seen for long more."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from patrol_town import CRS

from rehit.parameters import Parameters
from rehit.patrol.looks import plan_calendar, visit_intervals
from rehit.patrol.memory import (
    chance_marked,
    days_since_clear,
    days_since_looked,
    merged_looks,
    place_rates,
    rates_after_looks,
    without_memory,
)


def looks(*rows: tuple[str, str, str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["day", "place_id", "outcome"]).assign(
        stop_id=lambda t: t["place_id"], crew="Van A")
    return merged_looks(pd.concat([without_memory(), table]))


def test_the_chance_against_simulated_markings_and_reports() -> None:
    """Markings by a Poisson process, each reported after an exponential time, counted at T."""
    rng = np.random.default_rng(4)
    rate, delay, days, n = 0.08, 7.0, 10.0, 40_000
    counts = rng.poisson(rate * days, n)
    at = rng.uniform(0, days, counts.sum())
    stands = at + rng.exponential(delay, len(at)) > days
    marked = np.zeros(n, dtype=bool)
    np.logical_or.at(marked, np.repeat(np.arange(n), counts), stands)
    found = chance_marked(pd.Series({"A": rate}), pd.Series({"A": days}), report_days=delay)
    assert found["A"] == pytest.approx(marked.mean(), abs=0.006)


def test_a_place_looked_at_yesterday_is_worth_less_today() -> None:
    rates = pd.Series({"A": 0.05, "B": 0.05, "C": 0.05})
    since = days_since_looked(looks(("2026-01-04", "A", "clean"), ("2025-12-01", "B", "planned"),
                                    ("2026-01-05", "C", "clean"), ("2026-01-03", "C", "left")),
                              day=date(2026, 1, 5))
    # What is looked at on the day itself, or left marked, does not make a place clean.
    assert since.to_dict() == {"A": 1.0, "B": 35.0}
    chance = chance_marked(rates, since, report_days=7.0)
    assert chance["A"] < 0.2 * chance["B"] < chance["B"] < chance["C"]


def test_a_clearance_is_a_day_on_which_the_place_was_clean() -> None:
    incidents = pd.DataFrame({"place_id": ["A", "A", None, "B"], "cleared_at": pd.to_datetime(
        ["2025-12-01 23:30", "2025-12-20 10:00", "2025-12-30 10:00", None], utc=True)})
    days = days_since_clear(incidents, day=date(2026, 1, 2), time_zone="Europe/Lisbon")
    assert days.to_dict() == {"A": 13.0}


def test_a_look_that_found_nothing_lowers_the_rate_and_a_find_raises_it() -> None:
    """Belief of shape 2 and mean 0.05 a day; one look after never, report delay 7 days."""
    rates, shapes = pd.Series({"A": 0.05, "B": 0.05, "C": 0.05}), pd.Series(
        {"A": 2.0, "B": 2.0, "C": 2.0})
    after = rates_after_looks(rates, shapes, looks(
        ("2026-01-02", "A", "clean"), ("2026-01-02", "B", "done"), ("2026-01-02", "C", "planned")),
        report_days=7.0)
    assert after["A"] == pytest.approx(2 / (40 + 7))
    assert after["B"] == pytest.approx(3 / (40 + 7))
    assert after["C"] == pytest.approx(0.05)  # planned, not yet told


def test_what_the_crew_says_takes_the_place_of_what_was_planned() -> None:
    both = merged_looks(looks(("2026-01-02", "A", "planned"), ("2026-01-02", "B", "planned")),
                        looks(("2026-01-02", "A", "left")))
    assert dict(zip(both["place_id"], both["outcome"], strict=True)) == {
        "A": "left", "B": "planned"}


def test_one_source_of_rates_for_day_and_intervals(numbers: Parameters) -> None:
    forecast = pd.DataFrame({"place_id": ["A", "A"], "horizon_days": [7, 91],
                             "expected": [0.7, 7.0], "chance_any": [0.5, 0.9]})
    assert place_rates(forecast, parameters=numbers)["A"] == pytest.approx(0.1)


def test_the_calendar_goes_on_from_the_last_look(numbers: Parameters) -> None:
    """Seen yesterday: due when its interval is over; seen long ago: on the first day."""
    places = pd.DataFrame({"place_id": ["new", "old"], "rate_per_year": [12.0, 12.0],
                           "visit_h": [0.2, 0.2]})
    frequency = visit_intervals(places, hours_per_week=0.28, parameters=numbers).table
    points = gpd.GeoSeries(gpd.points_from_xy([0.0, 10.0], [0.0, 0.0]), crs=CRS)
    calendar = plan_calendar(frequency, points, crew_ids=["V0"], hours_per_day=2.0,
                             first_day=date(2026, 1, 5), parameters=numbers,
                             since=pd.Series({"new": 1.0, "old": 40.0}))
    first = calendar.visits.groupby("place_id")["day"].min()
    interval = frequency["interval_days"].iloc[0]
    assert first["old"] == "2026-01-05"
    waited = (pd.Timestamp(first["new"]) - pd.Timestamp("2026-01-05")).days
    assert waited == pytest.approx(interval - 1, abs=1)
