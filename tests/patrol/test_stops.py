"""What a patrol could do today, worked out by hand on three places."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from rehit.parameters import load_parameters
from rehit.patrol.stops import hotspot_stops, open_hours, reported_stops, usual_jobs

NUMBERS = load_parameters().override({
    "patrol.setup_minutes": 4, "patrol.look_minutes": 3, "patrol.job_minutes": 25,
    "patrol.least_chance": 0.1, "patrol.horizon_days": 7, "service.offensive_hours": 24})
CRS = "EPSG:32625"


def at(hour: str) -> pd.Timestamp:
    return pd.Timestamp(f"2025-03-13 {hour}", tz="UTC")


INCIDENTS = gpd.GeoDataFrame({
    "incident_id": ["I1", "I2", "I3", "I4", "I5"], "place_id": ["A", "A", "A", "B", "C"],
    "address": ["1 Elm Rd", "1 Elm Rd", "1 Elm Road", "2 Elm Rd", None],
    "reported_at": [at("01:00"), at("02:00"), at("03:00"), at("04:00"), at("10:00")],
    "reported_precision": "minute", "place_quality": ["surveyed"] * 4 + ["none"],
    "status": ["cleared"] * 4 + ["open"], "priority": ["ordinary"] * 4 + ["offensive"],
}, geometry=gpd.points_from_xy([0, 0, 0, 9, 0], [0] * 5), crs=CRS)
ADVICE = pd.DataFrame({
    "incident_id": ["I1", "I2", "I3", "I4", "I5"],
    "method": ["hot_wash", "hot_wash", "paint_out", "refer", "paint_out"], "reason": "so",
    "second_choice": None, "minutes": [40.0, 60.0, 20.0, np.nan, 15.0], "materials": "kit",
    "paint_l": [0.0, 0.0, 0.5, 0.0, 0.3], "remover_l": 0.0,
    "wash_water_l": [100.0, 140.0, 0.0, 0.0, 0.0], "cautions": "care"})
REPEATS = gpd.GeoDataFrame({"place_id": ["A", "B", "C"]},
                           geometry=gpd.points_from_xy([0, 9, 5], [0, 0, 5]), crs=CRS)
WORTH = pd.DataFrame({"chance": [0.5, 0.2, 0.05], "markings": [0.7, 0.25, 0.05],
                      "marking_days": [8.0, 3.0, 1.0]}, ["A", "B", "C"])


def test_what_else_stands_at_a_reported_job_is_done_with_it() -> None:
    """Fault: a crew that found further markings beside the job was late.

    I5 at C: 15 minutes and 0.3 L for the job and half as much for half a marking, 4 to set up.
    """
    stops, _ = reported_stops(INCIDENTS, ADVICE, REPEATS, day=date(2025, 3, 14), time_zone="UTC",
                              parameters=NUMBERS, standing=pd.Series({"C": 0.5}))
    assert stops[["more", "work_min", "service_min", "paint_l"]].to_numpy().tolist() == [
        pytest.approx([0.5, 15.0, 15 * 1.5 + 4, 0.45])]


def test_the_usual_job_is_the_most_frequent_method_s_mean() -> None:
    usual = usual_jobs(INCIDENTS, ADVICE)
    assert usual.loc["A", ["method", "minutes", "wash_water_l"]].tolist() == ["hot_wash", 50, 120]
    assert "B" not in usual.index  # a specialist's work is no job of the crews


def test_a_hotspot_takes_a_look_and_the_usual_job_for_each_marking_expected() -> None:
    """A: 4 + 3 to set up and look, 0.7 × 50 of work. B: nothing known to be done, so a look."""
    stops = hotspot_stops(REPEATS, WORTH, INCIDENTS, ADVICE, count=5, parameters=NUMBERS,
                          busy=set()).set_index("stop_id")
    assert stops.index.tolist() == ["A", "B"]  # C is less likely than patrol.least_chance
    assert stops["service_min"].tolist() == [7 + 35, 7]
    assert stops["wash_water_l"].tolist() == [84, 0]
    assert stops["method"].tolist() == ["hot_wash", "inspect"]
    assert stops["expected"].tolist() == [0.5, 0.2]
    # What the search gains by a look is its chance times its weight: the marking-days it ends.
    assert (stops["expected"] * stops["weight"]).tolist() == [8.0, 3.0]


def test_a_place_due_by_the_calendar_comes_first_and_weighs_more() -> None:
    stops = hotspot_stops(REPEATS, WORTH, INCIDENTS, ADVICE, count=2, busy=set(),
                          due=frozenset("C"),
                          parameters=NUMBERS.override({"patrol.calendar_weight": 2.0}))
    assert stops["stop_id"].tolist() == ["C", "A"]
    assert (stops["expected"] * stops["weight"]).tolist() == pytest.approx([2.0, 8.0])


def test_a_place_the_planner_asks_for_is_worth_several_of_the_best_look() -> None:
    """C ends one marking-day and A eight: three times eight where it is asked for."""
    stops = hotspot_stops(REPEATS, WORTH, INCIDENTS, ADVICE, count=2, busy=set(),
                          wanted=frozenset("C"),
                          parameters=NUMBERS.override({"patrol.wanted_weight": 3.0}))
    assert stops["stop_id"].tolist() == ["C", "A"]
    assert (stops["expected"] * stops["weight"]).tolist() == pytest.approx([24.0, 8.0])


def test_all_places_due_are_offered_however_few_candidates_a_crew_gets() -> None:
    stops = hotspot_stops(REPEATS, WORTH, INCIDENTS, ADVICE, count=1, parameters=NUMBERS,
                          busy=set(), due=frozenset("AC"))
    assert stops["stop_id"].tolist() == ["A", "C"]


def test_busy_places_and_those_past_the_count_are_no_hotspots() -> None:
    few = hotspot_stops(REPEATS, WORTH, INCIDENTS, ADVICE, count=1, parameters=NUMBERS,
                        busy={"A"})
    assert few["stop_id"].tolist() == ["B"]


@pytest.mark.parametrize(("day", "due"), [
    (date(2025, 3, 14), 10 * 60.0),  # reported at ten the day before: due by ten
    (date(2025, 3, 15), -14 * 60.0),  # overdue since ten yesterday
])
def test_an_offensive_job_is_due_a_day_after_its_report_and_stays_so(day: date,
                                                                     due: float) -> None:
    stops, handed = reported_stops(INCIDENTS, ADVICE, REPEATS, day=day, time_zone="UTC",
                                   parameters=NUMBERS)
    assert stops["stop_id"].tolist() == ["I5"]
    assert stops["due_min"].tolist() == [due]
    assert stops["latest_min"].isna().all()
    assert stops["service_min"].tolist() == [15 + 4]
    assert stops["work_min"].tolist() == [15]
    assert stops.geometry.x.tolist() == [5]  # its own point is no place; the known place's is taken
    assert handed.empty


@pytest.mark.parametrize(("opens", "closes", "latest"), [
    ("08:00", "09:00", 9 * 60 - 10), ("08:00", "08:00", 32 * 60 - 10),
    ("22:00", "06:00", 30 * 60 - 10)])
def test_hours_that_end_when_they_begin_are_a_whole_day(
        opens: str, closes: str, latest: float) -> None:
    found = open_hours(pd.DataFrame({"opens": [opens], "closes": [closes]}), pd.Series([10.0]))
    assert found["latest_min"].tolist() == [latest]
