"""A day changed while the crews are out: what stays, what moves, what is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from patrol_town import grid_streets, make_crews, make_stops

from rehit.errors import InputFileError, SettingError
from rehit.messages import Message
from rehit.parameters import Parameters
from rehit.patrol.check import check_plan
from rehit.patrol.day import changes, crew_sheets, read_plan, replan
from rehit.patrol.routes import Plan, plan_routes
from rehit.patrol.travel import Network, build_network


@pytest.fixture(scope="module")
def network(numbers: Parameters) -> Network:
    return build_network(grid_streets(), parameters=numbers)


@pytest.fixture(scope="module")
def morning(numbers: Parameters, network: Network) -> Plan:
    return plan_routes(make_stops(50, reported=6), make_crews(), network=network,
                       parameters=numbers, seed=1)


def new_job(number: int = 1, **columns: object):
    return make_stops(1, seed=9 + number, reported=1, stop_id=[f"new{number}"], **columns)


def changed(plan: Plan, numbers: Parameters, network: Network, *, at: float,
            number: int = 1, **options: object) -> Plan:
    return replan(plan, new_job(number, offensive=True), now_min=at, network=network,
                  parameters=numbers, seed=1, **options)


def faults(plan: Plan, numbers: Parameters) -> list[Message]:
    return check_plan(
        plan.visits, plan.stops, plan.crews, plan.left_out, seconds=plan.travel.seconds,
        break_after_h=numbers["patrol.break_after_h"], break_from_h=numbers["patrol.break_from_h"],
        break_to_h=numbers["patrol.break_to_h"], break_late_h=numbers["patrol.break_late_h"],
        since_min=plan.since_min, done=plan.done)


def numbered(plan: Plan, crew: str) -> list[str]:
    own = plan.visits[plan.visits["crew_id"] == crew].sort_values("position")
    return own["stop_id"].dropna().tolist()


def test_a_crew_behind_its_plan_gets_what_it_has_not_done_again(
        morning: Plan, numbers: Parameters, network: Network) -> None:
    before = numbered(morning, "V0")
    later = changed(morning, numbers, network, at=660.0, stops_done={"V0": 2})
    assert faults(later, numbers) == []
    assert numbered(later, "V0")[:2] == before[:2]
    own = later.visits[later.visits["crew_id"] == "V0"].sort_values("position")
    # Nothing after the second stop is arrived at before the call came.
    assert (own["leave_min"].iloc[later.done["V0"]:] > 660).all()
    assert own["arrive_min"].iloc[later.done["V0"]] >= 660
    waiting = set(before[2:]) - set(later.left_out["stop_id"])
    assert waiting <= set(later.visits["stop_id"].dropna())
    assert "new1" in set(later.visits["stop_id"])


def test_a_crew_ahead_of_its_plan_goes_on_at_once(morning: Plan, numbers: Parameters,
                                                  network: Network) -> None:
    ahead = int((morning.visits["crew_id"] == "V0").sum()) // 2
    later = changed(morning, numbers, network, at=480.0, stops_done={"V0": ahead})
    assert faults(later, numbers) == []
    assert numbered(later, "V0")[:ahead] == numbered(morning, "V0")[:ahead]
    own = later.visits[later.visits["crew_id"] == "V0"].sort_values("position")
    assert own["leave_min"].iloc[later.done["V0"] - 1] <= 480
    assert own["arrive_min"].iloc[later.done["V0"]] < 500


def test_water_used_in_the_morning_is_gone(numbers: Parameters, network: Network) -> None:
    stops = make_stops(6, reported=6, wash_water_l=100.0, method="hot_wash")
    crews = make_crews(1, methods="hot_wash", water_l=650.0)
    plan = plan_routes(stops, crews, network=network, parameters=numbers, seed=1)
    assert (plan.visits["kind"] == "reported").sum() == 6
    later = replan(plan, new_job(wash_water_l=100.0, method="hot_wash"), now_min=500.0,
                   network=network, parameters=numbers, seed=1, stops_done={"V0": 3})
    assert faults(later, numbers) == []
    assert (later.visits["kind"] == "reported").sum() == 6
    assert len(later.left_out) == 1
    (sheet,) = crew_sheets(later)
    assert sheet.tank_l == 350.0
    assert sheet.wash_water_l == 300.0


def test_an_overdue_break_is_still_taken(numbers: Parameters, network: Network) -> None:
    plan = plan_routes(make_stops(40, reported=4), make_crews(1), network=network,
                       parameters=numbers, seed=1)
    later = changed(plan, numbers, network, at=735.0, stops_done={"V0": 3})
    assert faults(later, numbers) == []
    rest = later.visits[later.visits["kind"] == "break"].iloc[0]
    assert 735 <= rest["start_min"] <= 735 + 60 * numbers["patrol.break_late_h"] + 0.1


def test_a_day_can_be_changed_twice_but_not_backwards(morning: Plan, numbers: Parameters,
                                                      network: Network) -> None:
    first = changed(morning, numbers, network, at=560.0)
    second = changed(first, numbers, network, at=640.0, number=2)
    assert faults(second, numbers) == []
    assert {"new1", "new2"} <= set(second.visits["stop_id"].dropna())
    with pytest.raises(SettingError, match="10:40"):
        changed(second, numbers, network, at=600.0, number=3)


def test_after_the_last_shift_no_job_is_taken(morning: Plan, numbers: Parameters,
                                              network: Network) -> None:
    with pytest.raises(SettingError, match="15:00"):
        changed(morning, numbers, network, at=900.0)


def test_a_crew_already_home_can_be_sent_out_again(numbers: Parameters,
                                                   network: Network) -> None:
    plan = plan_routes(make_stops(3), make_crews(1), network=network, parameters=numbers, seed=1)
    home = float(plan.visits["arrive_min"].max())
    later = changed(plan, numbers, network, at=home + 60)
    assert faults(later, numbers) == []
    assert later.visits["kind"].tolist()[-3:] == ["return", "reported", "return"]
    assert later.visits["arrive_min"].iloc[-2] >= home + 60


def test_the_new_sheet_holds_only_what_is_left_and_keeps_the_numbers(
        morning: Plan, numbers: Parameters, network: Network) -> None:
    later = changed(morning, numbers, network, at=600.0)
    for sheet in crew_sheets(later):
        crew = str(sheet.crew["crew_id"])
        own = numbered(later, crew)
        assert sheet.stops["stop_id"].tolist() == own[sheet.n_done:]
        assert sheet.stops["number"].tolist() == list(range(sheet.n_done + 1, len(own) + 1))
        assert sheet.rows["kind"].iloc[0] == "depart"
        assert sheet.rows["leave_min"].iloc[0] >= 600 or sheet.rows["leave_min"].iloc[1] >= 600
        assert sheet.paint_l == pytest.approx(0.3 * len(sheet.stops))


def test_inputs_are_left_alone_and_the_same_call_gives_the_same_day(
        morning: Plan, numbers: Parameters, network: Network) -> None:
    before = morning.visits.copy()
    first, second = (changed(morning, numbers, network, at=600.0) for _ in range(2))
    pd.testing.assert_frame_equal(pd.DataFrame(before), pd.DataFrame(morning.visits))
    pd.testing.assert_frame_equal(pd.DataFrame(first.visits), pd.DataFrame(second.visits))
    assert np.isfinite(first.visits["arrive_min"]).all()


def test_check_finds_work_planned_before_the_change(morning: Plan, numbers: Parameters,
                                                    network: Network) -> None:
    later = changed(morning, numbers, network, at=600.0)
    wrong = Plan(later.stops, later.crews, later.visits, later.left_out, later.travel,
                 since_min=600.0, done=dict.fromkeys(later.done, 1))
    assert "fault.before_change" in {fault.code for fault in faults(wrong, numbers)}


def test_a_crew_on_its_way_home_is_not_late_for_a_job_it_does_not_get(
        numbers: Parameters, network: Network) -> None:
    """Both crews drive home when a job comes in that neither can do any more."""
    far = make_stops(2, reported=2, service_min=470.0)
    far.geometry = gpd.points_from_xy([500_500.0] * 2, [5_094_500.0] * 2)
    crews = make_crews(shift_end_min=900.0, break_min=0.0)
    plan = plan_routes(far, crews, network=network, parameters=numbers, seed=1)
    home = plan.visits[plan.visits["kind"] == "return"]["arrive_min"]
    crews["shift_end_min"] = home.max()
    plan = replace(plan, crews=crews)
    later = changed(plan, numbers, network, at=float(home.max()) - 0.5)
    assert faults(later, numbers) == []
    assert later.left_out["stop_id"].tolist() == ["new1"]
    assert later.visits.loc[later.visits["kind"] == "return", "arrive_min"].tolist() == (
        home.tolist())


def test_a_crew_that_falls_out_hands_its_stops_to_the_others(
        numbers: Parameters, network: Network) -> None:
    morning = plan_routes(make_stops(36, reported=10), make_crews(), network=network,
                          parameters=numbers, seed=1)
    later = replan(morning, morning.stops.iloc[:0], now_min=600.0, network=network,
                   parameters=numbers, seed=1, without=frozenset({"V0"}))
    assert faults(later, numbers) == []
    done = [s for s in numbered(morning, "V0") if float(morning.visits.set_index("stop_id")
                                                        .loc[s, "leave_min"]) <= 600]
    assert numbered(later, "V0") == done
    assert [str(sheet.crew["crew_id"]) for sheet in crew_sheets(later)] == ["V1"]
    table = changes(morning, later)
    taken = set(table.loc[table["change"] == "moved", "stop_id"])
    assert taken == set(numbered(later, "V1")) & set(numbered(morning, "V0"))
    assert taken
    assert set(table.loc[table["change"] == "dropped", "crew_before"]) <= {"Van 0", "Van 1"}
    # It stays out at the next change of the day.
    again = changed(later, numbers, network, at=640.0)
    assert numbered(again, "V0") == done
    assert faults(again, numbers) == []


def test_what_only_the_crew_that_fell_out_can_do_is_left_with_the_true_reason(
        numbers: Parameters, network: Network) -> None:
    stops = make_stops(2, reported=2, method=["hot_wash", "paint_out"])
    crews = make_crews(methods=["hot_wash", "paint_out"])
    morning = plan_routes(stops, crews, network=network, parameters=numbers, seed=1)
    later = replan(morning, stops.iloc[:0], now_min=421.0, network=network, parameters=numbers,
                   seed=1, without=frozenset({"V0"}))
    assert later.left_out[["stop_id", "code"]].to_numpy().tolist() == [["s0", "no_crew"]]


def test_a_closed_street_lengthens_the_way_a_crew_is_on(numbers: Parameters) -> None:
    streets = grid_streets(3)
    open_all = build_network(streets, parameters=numbers)
    # One stop at the far end of the southern street; closed, the way is round the block.
    stops = make_stops(1, reported=1)
    stops.geometry = gpd.points_from_xy([500_200.0], [5_094_000.0])
    crews = make_crews(1)
    morning = plan_routes(stops, crews, network=open_all, parameters=numbers, seed=1)
    arrive = float(morning.visits["arrive_min"].iloc[1])
    shut = build_network(streets[streets.geometry.length > 0].drop(index=0), parameters=numbers)
    later = replan(morning, stops.iloc[:0], now_min=arrive - 0.1, network=shut,
                   parameters=numbers, seed=1, closed=("South Street",))
    assert faults(later, numbers) == []
    # Two hundred metres more to the north and back: at 36 km/h times the speed share.
    more = 200 / (10 * numbers["patrol.speed_share"]) / 60
    assert float(later.visits["arrive_min"].iloc[1]) == pytest.approx(arrive + more, abs=0.02)
    assert later.closed == ("South Street",)


@pytest.mark.parametrize(("text", "told"), [
    ("[]", "errors.no_plan"), ("7", "errors.no_plan"), ("{}", "errors.no_plan"),
    ('{"what": "rehit day plan", "version": -1}', "errors.no_plan"),
    ("{", "errors.plan_no_json"), ("[" * 100_000, "errors.plan_no_json")])
def test_a_file_that_is_no_day_plan_is_refused(text: str, told: str, tmp_path: Path,
                                               numbers: Parameters) -> None:
    (tmp_path / "plan.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError) as refused:
        read_plan(tmp_path / "plan.json", crs="EPSG:32625", network=None, parameters=numbers)
    assert refused.value.code == told


def test_what_a_change_does_not_touch_stays_with_its_crew(
        morning: Plan, numbers: Parameters, network: Network) -> None:
    """Fault: asked anew at eight with nothing changed, crews swapped stops with each other.

    They do where the search begins anew, which only a job without room is worth.
    """
    def at_eight(added: gpd.GeoDataFrame, numbers: Parameters) -> list[str]:
        later = replan(morning, added, now_min=480.0, network=network, parameters=numbers, seed=2)
        assert faults(later, numbers) == []
        assert set(added["stop_id"]) <= set(later.visits["stop_id"])
        table = changes(morning, later)
        return table.loc[table["change"] == "moved", "stop_id"].tolist()

    assert at_eight(morning.stops.head(0), numbers) == []
    assert at_eight(new_job(service_min=5.0), numbers) == []
    anew = numbers.override({"patrol.change_iterations": numbers["patrol.search_iterations"]})
    assert at_eight(morning.stops.head(0), anew) != []
