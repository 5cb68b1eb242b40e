"""Hours, keys, the driver's time and the tank: a stop goes to a crew that may, or says why not."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from patrol_town import grid_streets, make_crews, make_stops

from rehit.messages import from_text
from rehit.parameters import Parameters
from rehit.patrol.check import check_plan
from rehit.patrol.day import crew_sheets, replan
from rehit.patrol.fleet import crews_table, depot_points
from rehit.patrol.routes import Plan, plan_routes
from rehit.patrol.stops import open_hours
from rehit.patrol.travel import build_network


def planned(stops: gpd.GeoDataFrame, crews: gpd.GeoDataFrame, numbers: Parameters) -> Plan:
    plan = plan_routes(stops, crews, seed=1, parameters=numbers,
                       network=build_network(grid_streets(), parameters=numbers))
    assert check_plan(plan.visits, plan.stops, plan.crews, plan.left_out,
                      seconds=plan.travel.seconds, break_after_h=6, break_from_h=3,
                      break_to_h=5) == []
    return plan


def test_a_locked_place_goes_to_the_crew_with_the_key(numbers: Parameters) -> None:
    stops = make_stops(3, reported=3, permit=["Yard key", "rail permit", None])
    crews = make_crews(permits=["yard key; school key", "school key"])
    plan = planned(stops, crews, numbers)
    assert plan.visits.set_index("stop_id").loc["s0", "crew_id"] == "V0"
    assert plan.left_out[["stop_id", "code"]].to_numpy().tolist() == [["s1", "no_permit"]]
    assert from_text(plan.left_out["reason"].iloc[0]).facts == {"permit": "rail permit"}


def test_nobody_looks_behind_a_locked_gate_either(numbers: Parameters) -> None:
    stops = make_stops(1, method="inspect", permit="yard key")
    plan = planned(stops, make_crews(permits=""), numbers)
    assert plan.left_out["code"].tolist() == ["no_permit"]


def test_work_at_a_place_with_hours_ends_while_it_is_open(numbers: Parameters) -> None:
    table = pd.DataFrame({"opens": ["09:00", "22:00", None, "soon"],
                          "closes": ["10:00", "02:00", None, "10:00"]})
    hours = open_hours(table, pd.Series([20.0] * 4))
    assert hours["earliest_min"][:2].tolist() == [540.0, 1320.0]
    assert hours["latest_min"][:2].tolist() == [580.0, 1540.0]
    # A word that is no time says nothing; where only the end is known, it still holds.
    assert np.isnan(hours["earliest_min"][2:]).all()
    assert hours["latest_min"][3] == 580.0
    assert np.isnan(hours["latest_min"][2])
    plan = planned(make_stops(2, reported=2, earliest_min=[540.0, np.nan],
                              latest_min=[580.0, np.nan]), make_crews(1), numbers)
    row = plan.visits.set_index("stop_id").loc["s0"]
    assert row["start_min"] >= 540
    assert row["leave_min"] <= 600 + 1e-6


def test_a_night_shift_works_before_and_after_midnight(numbers: Parameters) -> None:
    """Hours from 01:00 to 03:00 are those of the next morning for a shift from 22:00 to 06:00."""
    stops = make_stops(2, reported=2, earliest_min=[60.0, 1350.0], latest_min=[160.0, 1400.0])
    plan = planned(stops, make_crews(1, shift_start_min=1320.0, shift_end_min=1800.0), numbers)
    starts = plan.visits.set_index("stop_id")["start_min"]
    assert 1440 + 60 <= starts["s0"] <= 1440 + 160
    assert 1350 <= starts["s1"] <= 1400


def test_nobody_drives_longer_than_the_driver_may(numbers: Parameters) -> None:
    stops = make_stops(12, reported=12, service_min=5.0)
    free = planned(stops, make_crews(1), numbers)
    driven = float(free.visits["travel_min"].sum())
    tight = planned(stops, make_crews(1, driving_min=driven * 0.6), numbers)
    assert float(tight.visits["travel_min"].sum()) <= driven * 0.6
    assert 0 < len(tight.left_out) < 12
    none = planned(stops, make_crews(1, driving_min=0.05), numbers)
    far = stops.distance(make_crews(1).geometry.iloc[0]) > 50
    assert set(none.left_out["code"]) == {"driving_hours"}
    assert len(none.left_out) >= far.sum()


def test_a_tank_is_filled_again_where_the_depot_can(numbers: Parameters) -> None:
    stops = make_stops(6, reported=6, method="hot_wash", wash_water_l=100.0)
    dry = planned(stops, make_crews(1, methods="hot_wash", water_l=250.0), numbers)
    assert dry.left_out["code"].tolist() == ["water_used"] * 4
    crews = make_crews(1, methods="hot_wash", water_l=250.0, refill_min=15.0)
    plan = planned(stops, crews, numbers)
    assert plan.left_out.empty
    fills = plan.visits[plan.visits["kind"] == "refill"]
    assert len(fills) == 2
    assert (fills["leave_min"] - fills["start_min"]).tolist() == pytest.approx([15.0, 15.0])
    # Water gone since the last filling is gone for a change of the day, and no more.
    at = float(fills["leave_min"].iloc[0]) + 1
    later = replan(plan, stops.iloc[:0], now_min=at, network=None, parameters=numbers, seed=1)
    assert later.left_out.empty
    (sheet,) = crew_sheets(later)
    assert sheet.tank_l >= 250.0 - 100.0


def test_columns_of_depot_and_vehicle_say_who_may_what() -> None:
    depots = depot_points(pd.DataFrame({
        "depot_id": ["D1", "D2"], "name": ["Yard", "Shed"], "x": ["500000"] * 2,
        "y": ["5094000"] * 2, "water_l": ["20000", "4000"], "dump": ["yes", "no"]}, dtype="str"),
        crs="EPSG:32625", where="depots.csv")
    vehicles = pd.DataFrame({
        "vehicle_id": ["V1", "V2"], "name": ["A", "B"], "kind": "hot_wash",
        "depot_id": ["D1", "D2"], "methods": "hot_wash", "crew_size": "2", "water_l": "600",
        "shift_start": "22:00", "shift_end": "06:00", "break_minutes": "30",
        "permits": ["yard key, rail permit", ""], "driving_hours": ["4.5", ""]}, dtype="str")
    crews, notes = crews_table(vehicles, depots, where="vehicles.csv", refill_minutes=20.0)
    assert notes == ()
    assert crews["permits"].tolist() == ["yard key;rail permit", ""]
    assert crews["driving_min"].iloc[0] == 270.0
    assert np.isnan(crews["driving_min"].iloc[1])
    assert crews["refill_min"].iloc[0] == 20.0
    assert np.isnan(crews["refill_min"].iloc[1])  # its depot takes no wash water
    assert crews[["shift_start_min", "shift_end_min"]].iloc[0].tolist() == [1320.0, 1800.0]
