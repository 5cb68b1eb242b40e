"""A day remembers: a place looked at yesterday is worth less today, one not seen for long more."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from patrol_town import CRS
from scipy.optimize import brentq

from rehit.parameters import Parameters
from rehit.patrol.looks import plan_calendar, visit_intervals
from rehit.patrol.memory import (
    Unreported,
    clearances,
    days_since_clear,
    days_since_looked,
    merged_looks,
    place_rates,
    without_memory,
)


def unreported(rate: float, *, report_days: float = 7.0, never_ratio: float = 0.0) -> Unreported:
    return Unreported(pd.Series({"A": rate, "B": rate, "C": rate}), report_days=report_days,
                      never_ratio=never_ratio, longest_days=91.0)


def looks(*rows: tuple[str, str, str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["day", "place_id", "outcome"]).assign(
        stop_id=lambda t: t["place_id"], crew="Van A")
    return merged_looks(pd.concat([without_memory(), table]))


def test_the_chance_against_simulated_markings_and_reports() -> None:
    """Markings in bursts, each reported after an exponential time, counted at T.

    A place's rate is drawn anew each time, exponential about its mean: a geometric number comes.
    """
    rng = np.random.default_rng(4)
    rate, delay, days, n = 0.08, 7.0, 10.0, 40_000
    counts = rng.poisson(rate * days * rng.exponential(1.0, n))
    at = rng.uniform(0, days, counts.sum())
    stands = at + rng.exponential(delay, len(at)) > days
    marked = np.zeros(n, dtype=bool)
    np.logical_or.at(marked, np.repeat(np.arange(n), counts), stands)
    found = unreported(rate, report_days=delay).looks(pd.Series({"A": days})).loc["A"]
    assert found["chance"] == pytest.approx(marked.mean(), abs=0.006)
    assert found["markings"] == pytest.approx(stands.sum() / n, abs=0.01)


def test_the_next_look_goes_where_it_ends_most_marking_days() -> None:
    """Seen every T days, a place has rate x T^2 / 2 marking-days between looks: none reported."""
    standing = unreported(0.05, never_ratio=1.0)
    ends = standing.looks(pd.Series({"A": 10.0, "B": 20.0, "C": 500.0}))["marking_days"]
    assert ends.to_dict() == pytest.approx({"A": 0.1 * 50, "B": 0.1 * 200, "C": 0.1 * 91**2 / 2})


def test_going_where_most_marking_days_end_is_the_square_root_rule_of_cho_and_garcia_molina_2003(
        numbers: Parameters) -> None:
    """Two looks a day at forty places: each is seen every so often as the intervals say."""
    rates = pd.Series(np.geomspace(0.002, 0.2, 40), [f"P{i:02}" for i in range(40)])
    standing = Unreported(rates, report_days=7.0, never_ratio=0.0, longest_days=730.0)
    since, gaps = pd.Series(0.0, rates.index), pd.Series(0.0, rates.index)
    n_days = 4_000
    for _ in range(n_days):
        since += 1
        gone = standing.looks(since)["marking_days"].nlargest(2).index
        gaps[gone] += 1
        since[gone] = 0.0
    wanted = visit_intervals(
        pd.DataFrame({"place_id": rates.index, "rate_per_year": rates.to_numpy() * 365.25,
                      "visit_h": 0.5}), hours_per_week=7.0,
        parameters=numbers.override({"patrol.max_interval_days": 730})).table
    wanted = wanted.set_index("place_id")["interval_days"].reindex(rates.index)
    seen = n_days / gaps
    assert (seen / wanted).between(0.85, 1.15).all()
    assert (rates * seen / 2).sum() == pytest.approx((rates * wanted / 2).sum(), rel=0.03)


def test_a_place_looked_at_yesterday_is_worth_less_today() -> None:
    since = days_since_looked(looks(("2026-01-04", "A", "clean"), ("2025-12-01", "B", "planned"),
                                    ("2026-01-05", "C", "clean"), ("2026-01-03", "C", "left")),
                              day=date(2026, 1, 5))
    # What is looked at on the day itself, or left marked, does not make a place clean.
    assert since.to_dict() == {"A": 1.0, "B": 35.0}
    chance = unreported(0.05).looks(since)["chance"]
    assert chance["A"] < 0.2 * chance["B"] < chance["B"] < chance["C"]


def test_a_clearance_is_a_day_on_which_the_place_was_clean() -> None:
    incidents = pd.DataFrame({"place_id": ["A", "A", None, "B"], "cleared_at": pd.to_datetime(
        ["2025-12-01 23:30", "2025-12-20 10:00", "2025-12-30 10:00", None], utc=True)})
    known = clearances(incidents, day=date(2026, 1, 2), time_zone="Europe/Lisbon")
    days = days_since_clear(known, day=date(2026, 1, 2))
    assert days.to_dict() == {"A": 13.0}


def _factor(found: np.ndarray, expected: np.ndarray) -> float:
    """Return k by its definition: a gamma belief of shape 1 about 1, geometric counts of mean k x.

    The belief's mean once each look's count and the burst behind it are replaced by their means.
    """
    return float(brentq(lambda k: k * (1 + (expected * (found + 1 / (1 + k * expected))).sum()) - 1
                        - (found * (1 + k * expected)).sum(), 0.01, 99))


def test_a_look_that_found_nothing_lowers_the_rate_and_a_find_raises_it() -> None:
    """One look each at places never seen: 0.05 a day over 7 days are 0.35 expected."""
    after = unreported(0.05).after(looks(
        ("2026-01-02", "A", "clean"), ("2026-01-02", "B", "done"), ("2026-01-02", "C", "planned")),
        prior_markings=1e9).all_per_day
    expected = np.array([0.35])
    assert after["A"] == pytest.approx(0.05 * _factor(np.array([0.0]), expected), rel=1e-4)
    assert after["B"] == pytest.approx(0.05 * _factor(np.array([1.0]), expected), rel=1e-4)
    assert after["A"] < 0.05 < after["B"]
    assert after["C"] == pytest.approx(0.05)  # planned, not yet told


def test_markings_that_nobody_reports_are_learnt_from_all_looks() -> None:
    """A look each week, 0.05 to be reported a day, in A and B always a find, in C never.

    The likelihood of finds (x / (1 + x)) and misses (1 / (1 + x)), with 2 markings of weight for
    nothing assumed, is greatest where its derivative by the ratio is 0.
    """
    days = [f"2026-01-{day:02}" for day in (1, 8, 15, 22, 29)]
    made = looks(*((day, place, "done") for day in days for place in "AB"),
                 *((day, "C", "clean") for day in days))
    after = unreported(0.05).after(made, prior_markings=2)
    since = np.array([91.0, 7, 7, 7, 7])
    soon, never = 0.35 * (1 - np.exp(-since / 7)), 0.05 * since

    def slope(u: float) -> float:
        x = soon + u * never
        return float((never * (2 / x - 3 / (1 + x))).sum() - 2)

    assert after.never_ratio == pytest.approx(brentq(slope, 0.01, 9), rel=1e-4)
    expected = soon + after.never_ratio * never
    assert after.found_ratio["A"] == pytest.approx(_factor(np.ones(5), expected), rel=1e-4)
    assert after.found_ratio["C"] == pytest.approx(_factor(np.zeros(5), expected), rel=1e-4)


def test_a_look_is_held_against_the_days_since_the_log_s_last_clearance() -> None:
    """Fault: a place cleared on a report ten days before was taken as unseen for a quarter."""
    made = looks(("2026-01-11", "A", "done"), ("2026-01-11", "B", "clean"))
    cleared = pd.DataFrame({"place_id": ["A", "A", "B"], "day": [
        "2026-01-11", "2025-11-01", "2026-01-01"]})
    after = unreported(0.05).after(made, cleared=cleared, prior_markings=1e9)
    ten_days = np.array([0.35 * (1 - np.exp(-10 / 7))])
    assert after.found_ratio["B"] == pytest.approx(_factor(np.zeros(1), ten_days), rel=1e-4)
    # What the find itself led to on that day is no clearance before it: 71 days are.
    long = np.array([0.35 * (1 - np.exp(-71 / 7))])
    assert after.found_ratio["A"] == pytest.approx(_factor(np.ones(1), long), rel=1e-4)


def test_what_was_left_the_time_before_is_no_new_find() -> None:
    """Fault: a marking left for want of time and found again made a place look twice as bad."""
    once = unreported(0.05).after(looks(("2026-01-02", "A", "left")), prior_markings=1e9)
    again = unreported(0.05).after(looks(("2026-01-02", "A", "left"), ("2026-01-05", "A", "done")),
                                   prior_markings=1e9)
    assert again.found_ratio["A"] == once.found_ratio["A"] > 1


def test_a_find_of_several_markings_is_still_one_find() -> None:
    """Fault: finds were held against the markings expected, so a busy town was thought quiet.

    Twice as many markings as are reported, in bursts, looks a fortnight apart: 1.7 stand there on
    average, and 63 of 100 looks find some.
    """
    rng = np.random.default_rng(5)
    soon, never, u = 0.35 * (1 - np.exp(-2.0)), 0.05 * 14, 2.0
    days = pd.date_range("1950-01-02", periods=2000, freq="14D").strftime("%Y-%m-%d")
    made = looks(*((days[0], place, "done") for place in "ABC"),
                 *((day, place, "done" if rng.poisson((soon + u * never) * rng.exponential())
                    else "clean") for day in days[1:] for place in "ABC"))
    after = unreported(0.05).after(made, prior_markings=5)
    assert after.never_ratio == pytest.approx(u, rel=0.1)


def test_a_reported_job_is_no_find_of_a_look() -> None:
    """Fault: each reported job that a crew did raised the rate of its place once more."""
    job = looks(("2026-01-02", "A", "done")).assign(stop_id="I0001")
    after = unreported(0.05).after(job, prior_markings=5)
    assert after.all_per_day["A"] == pytest.approx(0.05)
    both = merged_looks(job, looks(("2026-01-04", "A", "clean")))
    told = unreported(0.05).after(both, prior_markings=1e9).found_ratio
    assert told is not None  # but the place was seen clean two days before the look
    two_days = np.array([0.35 * (1 - np.exp(-2 / 7))])
    assert told["A"] == pytest.approx(_factor(np.zeros(1), two_days), rel=1e-4)


def test_the_share_never_reported_makes_a_long_wait_worth_more() -> None:
    """On top of what will be reported, 0.05 x 2 a day stand for good, up to the longest time."""
    chance = unreported(0.05, never_ratio=2.0).looks(pd.Series({"A": 30.0, "B": 500.0}))["chance"]
    month = 0.35 * (1 - np.exp(-30 / 7)) + 0.1 * 30
    assert chance["A"] == pytest.approx(month / (1 + month))
    assert chance["B"] == pytest.approx((0.35 + 0.1 * 91) / (1.35 + 0.1 * 91), rel=1e-4)


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
