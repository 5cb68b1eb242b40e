from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from patrol_town import make_stops

from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.patrol.looks import plan_calendar, visit_intervals

MONDAY = date(2026, 1, 5)


def planned(numbers: Parameters, *, hours_per_week: float = 20.0, slack: float = 1.15):
    stops = make_stops(80)
    rng = np.random.default_rng(2)
    places = pd.DataFrame({"place_id": stops["stop_id"], "visit_h": 0.25,
                           "rate_per_year": rng.gamma(0.7, 8.0, 80) + 0.1})
    frequency = visit_intervals(places, hours_per_week=hours_per_week, parameters=numbers)
    calendar = plan_calendar(frequency.table, stops.geometry, crew_ids=["A", "B"],
                             hours_per_day=slack * hours_per_week / 10, first_day=MONDAY,
                             parameters=numbers, holidays=[date(2026, 1, 14)])
    return frequency.table.set_index("place_id"), calendar


def intervals(places: list[str], *, visit_h: float, interval_days: float) -> pd.DataFrame:
    return pd.DataFrame({"place_id": places, "visit_h": visit_h, "interval_days": interval_days,
                         "rate_per_year": 1.0})


def test_hours_are_bounded_and_spread_over_crews(numbers: Parameters) -> None:
    _, calendar = planned(numbers)
    assert (calendar.hours <= 1.15 * 2.0 + 1e-9).all(axis=None)
    totals = calendar.hours.sum()
    assert totals.min() > 0.85 * totals.max()
    assert calendar.visits["visit_h"].sum() == pytest.approx(calendar.hours.to_numpy().sum())


def test_no_work_on_weekends_and_holidays(numbers: Parameters) -> None:
    _, calendar = planned(numbers)
    assert calendar.visits["weekday"].max() <= 5
    assert "2026-01-14" not in set(calendar.visits["day"])


def test_number_of_visits_is_that_of_the_intervals(numbers: Parameters) -> None:
    frequency, calendar = planned(numbers)
    wanted = (28 / frequency["interval_days"]).clip(upper=19).sum()
    got = len(calendar.visits) + calendar.no_room["n_visits"].sum()
    assert got == pytest.approx(wanted, rel=0.1)
    assert len(calendar.visits) > 0.9 * got


def test_gaps_are_even(numbers: Parameters) -> None:
    frequency, calendar = planned(numbers)
    gaps = calendar.visits.dropna(subset=["gap_days"])
    interval = gaps["place_id"].map(frequency["interval_days"])
    # A weekend adds two days, a moved visit a quarter of the interval at each end.
    assert ((gaps["gap_days"] - interval).abs() <= 3 + 0.5 * interval).mean() > 0.97


def test_a_holiday_moves_one_visit_and_leaves_the_others_where_they_were(
        numbers: Parameters) -> None:
    table = intervals(["a"], visit_h=0.5, interval_days=7.0)
    days = {name: plan_calendar(
        table, make_stops(1).geometry, crew_ids=["A"], hours_per_day=4.0, first_day=MONDAY,
        parameters=numbers, holidays=free).visits["day"].tolist()
        for name, free in {"none": [], "one": [date(2026, 1, 19)]}.items()}
    assert days["none"] == ["2026-01-05", "2026-01-12", "2026-01-19", "2026-01-26"]
    assert len(days["one"]) == 4
    assert "2026-01-19" not in days["one"]
    gaps = np.diff(pd.to_datetime(days["one"])).astype("timedelta64[D]").astype(int)
    assert set(gaps) <= {6, 7, 8}


def test_a_place_seen_every_working_day_loses_only_the_holiday(numbers: Parameters) -> None:
    table = intervals(["a"], visit_h=0.5, interval_days=1.0)
    found = plan_calendar(table, make_stops(1).geometry, crew_ids=["A"], hours_per_day=4.0,
                          first_day=MONDAY, parameters=numbers, holidays=[date(2026, 1, 14)])
    assert len(found.visits) == 19
    assert found.no_room.empty


def test_no_crew_is_refused(numbers: Parameters) -> None:
    stops = make_stops(2)
    with pytest.raises(SettingError, match="no crew"):
        plan_calendar(intervals(["a", "b"], visit_h=1.0, interval_days=7.0),
                      stops.geometry, crew_ids=[], hours_per_day=1.0, first_day=MONDAY,
                      parameters=numbers)


def test_a_crew_with_a_short_shift_gets_no_more_than_its_hours(numbers: Parameters) -> None:
    stops = make_stops(80)
    table = intervals(list(stops["stop_id"]), visit_h=0.25, interval_days=7.0)
    calendar = plan_calendar(table, stops.geometry, crew_ids=["long", "short"],
                             hours_per_day=[4.0, 1.0], first_day=MONDAY, parameters=numbers)
    assert calendar.hours["long"].max() <= 4.0
    assert calendar.hours["short"].max() <= 1.0
    assert calendar.hours["short"].sum() == pytest.approx(calendar.hours["long"].sum() / 4, rel=0.1)
    assert calendar.no_room.empty


def test_overdue_looks_come_first_where_a_day_s_plan_would_go(numbers: Parameters) -> None:
    """Fault: 6 of 54 looks of the calendar's day were in that day's plan of the demo town.

    Overdue: A 10 markings a year, unseen for 40 days; B 20 for 20; C 5 for 90: 16,000, 8,000 and
    40,500 marking-days in proportion. One look a day; D is not due for a week.
    """
    table = intervals(list("ABCD"), visit_h=0.5, interval_days=14.0).assign(
        rate_per_year=[10.0, 20.0, 5.0, 99.0])
    calendar = plan_calendar(table, make_stops(4).geometry, crew_ids=["A"], hours_per_day=0.5,
                             first_day=MONDAY, parameters=numbers,
                             since=pd.Series({"A": 40.0, "B": 20.0, "C": 90.0, "D": 7.0}))
    first = calendar.visits.groupby("place_id")["day"].min()
    assert first.to_dict() == {"C": "2026-01-05", "A": "2026-01-06", "B": "2026-01-07",
                               "D": "2026-01-12"}
