from __future__ import annotations

import pandas as pd
import pytest

from rehit.errors import ManyErrors, SettingError, TableError
from rehit.messages import message
from rehit.patrol.fleet import (
    crews_table,
    depot_points,
    minute_of_day,
    on_foot,
    shift_hours,
    without_walkers,
)

CRS = "EPSG:32625"


def depots(**columns: object) -> pd.DataFrame:
    table = {"depot_id": ["D1"], "name": ["Yard"], "lon": ["-32.983984"], "lat": ["46.007492"]}
    return pd.DataFrame(table | columns)


def vehicles(**columns: object) -> pd.DataFrame:
    table = {"vehicle_id": ["V1", "V2"], "name": ["A", "B"], "kind": "paint_only",
             "depot_id": "D1", "methods": "paint_out", "crew_size": "2", "water_l": "20",
             "shift_start": "07:00", "shift_end": "15:00", "break_minutes": "30"}
    return pd.DataFrame(table | columns)


def test_degrees_come_out_in_the_project_crs() -> None:
    point = depot_points(depots(), crs=CRS, where="d.csv").geometry.iloc[0]
    # The demo's own README puts this depot at these metres.
    assert point.x == pytest.approx(501240.0, abs=0.1)
    assert point.y == pytest.approx(5094880.0, abs=0.1)


def test_metres_are_taken_where_there_are_no_degrees() -> None:
    table = depots().drop(columns=["lon", "lat"]).assign(x="501240", y="5094880")
    assert depot_points(table, crs=CRS, where="d.csv").geometry.iloc[0].x == 501240.0


@pytest.mark.parametrize("lon", ["", "somewhere"])
def test_no_depot_with_a_place_is_refused(lon: str) -> None:
    with pytest.raises(SettingError, match="no depot with a place"):
        depot_points(depots(lon=[lon]), crs=CRS, where="d.csv")


def test_missing_columns_are_named() -> None:
    with pytest.raises(TableError, match="shift_end"):
        crews_table(vehicles().drop(columns=["shift_end"]),
                    depot_points(depots(), crs=CRS, where="d.csv"), where="v.csv")


@pytest.mark.parametrize(("column", "value"), [
    ("depot_id", "D9"), ("shift_end", "06:00"), ("shift_start", "dawn")])
def test_a_vehicle_that_cannot_go_out_is_named_and_the_rest_planned(column: str,
                                                                   value: str) -> None:
    table = vehicles()
    table[column] = [table[column].iloc[0], value]
    crews, notes = crews_table(table, depot_points(depots(), crs=CRS, where="d.csv"),
                               where="v.csv")
    assert crews["crew_id"].tolist() == ["V1"]
    (note,) = notes
    assert note.code == ("crews.no_depot" if column == "depot_id" else "crews.shift")
    assert (note.facts["file"], note.facts["vehicle"]) == ("v.csv", "V2")
    assert value in note.facts.values()


def test_no_vehicle_at_all_is_refused_with_every_reason() -> None:
    with pytest.raises(ManyErrors, match="2 faults"):
        crews_table(vehicles(depot_id="D9"), depot_points(depots(), crs=CRS, where="d.csv"),
                    where="v.csv")


def test_vehicles_of_one_name_are_told_apart() -> None:
    crews, notes = crews_table(vehicles(name=["Van", "van"]),
                               depot_points(depots(), crs=CRS, where="d.csv"), where="v.csv")
    assert crews["name"].tolist() == ["Van (V1)", "van (V2)"]
    assert notes == ()


def test_methods_written_in_other_ways_are_understood() -> None:
    crews, notes = crews_table(vehicles(methods=["Paint out, hot-wash", " scrape ;; solvent_wipe"]),
                               depot_points(depots(), crs=CRS, where="d.csv"), where="v.csv")
    assert crews["methods"].tolist() == ["paint_out;hot_wash", "scrape;solvent_wipe"]
    assert notes == ()


@pytest.mark.parametrize(("column", "value", "code", "facts"), [
    ("methods", "paint_out;whitewash", "crews.methods",
     {"strange": ("whitewash",), "left": (message("method.paint_out"),)}),
    ("methods", "whitewash", "crews.methods_none", {"strange": ("whitewash",)}),
    ("methods", "", "crews.no_methods", {}),
    ("water_l", "600 L", "crews.number", {"got": "600 L", "taken": 0.0}),
    ("break_minutes", "half an hour", "crews.number", {"got": "half an hour", "taken": 0.0}),
    ("break_minutes", "-30", "crews.number", {"got": "-30", "taken": 0.0}),
    ("crew_size", "two", "crews.number", {"got": "two", "taken": 1.0})])
def test_a_cell_that_is_not_understood_is_named_and_the_vehicle_still_goes_out(
        column: str, value: str, code: str, facts: dict[str, object]) -> None:
    table = vehicles()
    table[column] = [table[column].iloc[0], value]
    crews, notes = crews_table(table, depot_points(depots(), crs=CRS, where="d.csv"),
                               where="v.csv")
    assert crews["crew_id"].tolist() == ["V1", "V2"]
    (note,) = notes
    assert note.code == code
    assert dict(note.facts).items() >= (facts | {"vehicle": "V2", "file": "v.csv"}).items()


def test_a_vehicle_listed_twice_is_named_with_its_file() -> None:
    with pytest.raises(ManyErrors, match=r"v\.csv.*\n.*'V1'.*twice"):
        crews_table(vehicles(vehicle_id=["V1", "V1"]),
                    depot_points(depots(), crs=CRS, where="d.csv"), where="v.csv")


@pytest.mark.parametrize(("text", "minute"), [
    ("00:00", 0), ("07:59", 479), ("07:60", None), ("24:00", 1440), ("25:00", None)])
def test_a_clock_time_has_no_sixtieth_minute_and_no_twenty_fifth_hour(text, minute) -> None:
    # ISO 8601: 24:00 is the end of a day.
    assert minute_of_day(text) == minute


def test_crews_on_foot_are_planned_apart_from_those_that_drive() -> None:
    crews, _ = crews_table(vehicles(kind=["On foot", "van"]),
                           depot_points(depots(), crs=CRS, where="d.csv"), where="v.csv")
    assert crews["kind"].tolist() == ["on_foot", "van"]
    together, notes = without_walkers(crews)
    assert together["crew_id"].tolist() == ["V2"]
    assert [note.code for note in notes] == ["crews.on_foot"]
    assert not on_foot(together)
    alone, notes = without_walkers(crews.head(1))
    assert on_foot(alone)
    assert notes == ()


def test_a_night_shift_is_out_at_hours_before_and_after_midnight() -> None:
    crews, _ = crews_table(vehicles(shift_start=["22:30", "20:00"], shift_end=["02:15", "23:00"]),
                           depot_points(depots(), crs=CRS, where="d.csv"), where="v.csv")
    assert shift_hours(crews) == [20, 21, 22, 23, 0, 1, 2]
