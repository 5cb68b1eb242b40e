"""A stop goes only to a crew that may do it; otherwise the reason is the true one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from patrol_town import EAST, NORTH, grid_streets, make_crews, make_stops
from shapely.affinity import translate
from shapely.geometry import Point

from rehit.messages import from_text
from rehit.parameters import Parameters
from rehit.patrol.check import check_plan
from rehit.patrol.fleet import crews_table, depot_points
from rehit.patrol.routes import Plan, plan_routes
from rehit.patrol.travel import build_network
from rehit.report.say import Say


def planned(stops, crews, numbers: Parameters, network=None) -> Plan:
    return plan_routes(stops, crews, network=network, parameters=numbers, seed=1)


@pytest.mark.parametrize(("stop", "crew", "code"), [
    ({"people": 2.0}, {"crew_size": 1.0}, "too_few_people"),
    ({"access": "platform"}, {"access": "ladder"}, "no_access"),
    ({"traffic_control": True}, {"traffic_control": False}, "no_traffic_control")])
def test_what_the_crews_lack_is_the_reason(stop: dict[str, object], crew: dict[str, object],
                                           code: str, numbers: Parameters) -> None:
    stops = make_stops(2, reported=2)
    for name, value in stop.items():
        stops[name] = pd.Series([value, stops[name].iloc[1]], dtype=object if name == "access"
                                else None)
    plan = planned(stops, make_crews(1, **crew), numbers)
    assert dict(zip(plan.left_out["stop_id"], plan.left_out["code"], strict=True)) == {"s0": code}
    able = planned(stops, make_crews(2, **{name: [value, make_crews()[name].iloc[0]]
                                           for name, value in crew.items()}), numbers)
    assert able.left_out.empty
    assert able.visits.set_index("stop_id")["crew_id"]["s0"] == "V1"
    wrong = able.visits.replace({"crew_id": {"V1": "V0", "V0": "V1"}})
    swapped = check_plan(wrong, able.stops, able.crews, able.left_out,
                         seconds=able.travel.seconds, break_after_h=6, break_from_h=3,
                         break_to_h=5)
    assert {f.code for f in swapped} & {"fault.people", "fault.access", "fault.traffic"}


@pytest.mark.parametrize(("people", "sent"), [(2.0, "V1"), (np.nan, "V1"), (3.0, "V0")])
def test_a_crew_of_three_is_kept_for_what_needs_three(people: float, sent: str,
                                                      numbers: Parameters) -> None:
    plan = planned(make_stops(1, reported=1, people=people),
                   make_crews(3, crew_size=[3.0, 2.0, 4.0]), numbers)
    assert plan.visits.set_index("stop_id")["crew_id"]["s0"] == sent


def test_a_tank_used_up_by_the_jobs_before_is_said_with_its_litres(numbers: Parameters) -> None:
    stops = make_stops(2, reported=2, method="hot_wash", wash_water_l=[140.0, 140.0])
    plan = planned(stops, make_crews(1, methods="hot_wash", water_l=150.0), numbers)
    (row,) = plan.left_out.to_dict("records")
    reason = from_text(row["reason"])
    assert (row["code"], reason.facts["used"], reason.facts["tank"]) == ("water_used", 140, 150)
    assert Say("en")(reason) == ("it needs 140\u00a0L of water; the tank of Van 0 holds "
                                 "150\u00a0L and 140\u00a0L "
                                 "go to the jobs before it")


def test_unreachable_is_told_per_depot(numbers: Parameters) -> None:
    """Two islands of streets: the stop's island has a depot, but not of the crew that is able."""
    streets = grid_streets()
    island = grid_streets().assign(geometry=[translate(g, 9000) for g in grid_streets().geometry])
    network = build_network(pd.concat([streets, island], ignore_index=True), parameters=numbers)
    crews = make_crews(2, methods=["paint_out", "hot_wash"], water_l=100.0,
                       depot_id=["D", "E"])
    crews.loc[0, "geometry"] = Point(EAST + 9000, NORTH)
    stops = make_stops(1, reported=1, method="hot_wash", wash_water_l=20.0)
    stops.loc[0, "geometry"] = Point(EAST + 9100, NORTH)
    plan = planned(stops, crews, numbers, network)
    assert plan.left_out["code"].tolist() == ["unreachable_for_able"]
    stops["method"] = "paint_out"
    assert planned(stops, crews, numbers, network).left_out.empty


def vehicles(**columns: str) -> pd.DataFrame:
    table = {"vehicle_id": "V1", "name": "A", "kind": "van", "depot_id": "D1",
             "methods": "paint_out", "crew_size": "2", "water_l": "20", "shift_start": "22:00",
             "shift_end": "06:00", "break_minutes": "30"}
    return pd.DataFrame([table | columns])


def depots(**columns: str) -> pd.DataFrame:
    return pd.DataFrame([{"depot_id": "D1", "name": "Yard", "x": "500000", "y": "5094000"}
                         | columns])


def crews(vehicle: pd.DataFrame, depot: pd.DataFrame | None = None):
    place = depot_points(depots() if depot is None else depot, crs="EPSG:32625", where="d.csv")
    return crews_table(vehicle, place, where="v.csv")


def test_a_night_shift_goes_past_midnight(numbers: Parameters) -> None:
    team, notes = crews(vehicles())
    assert (team["shift_start_min"][0], team["shift_end_min"][0]) == (1320, 1800)
    assert notes == ()
    plan = planned(make_stops(12), team, numbers)
    assert (plan.visits["kind"] == "hotspot").sum() == 12
    assert plan.visits["arrive_min"].max() > 1440


def test_a_shift_ends_when_its_depot_closes() -> None:
    team, _ = crews(vehicles(shift_start="06:00", shift_end="15:00"),
                    depots(opens="06:30", closes="14:00"))
    assert (team["shift_start_min"][0], team["shift_end_min"][0]) == (390, 840)


def test_what_a_crew_may_do_is_read_and_what_is_not_understood_is_said() -> None:
    team, notes = crews(vehicles(access="Ladder", traffic_control="No"))
    assert (team["access"][0], team["traffic_control"][0]) == ("ladder", False)
    assert notes == ()
    team, notes = crews(vehicles(access="crane"))
    assert team["access"][0] == "platform"
    assert [note.code for note in notes] == ["crews.access"]
