from __future__ import annotations

from itertools import permutations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from patrol_town import CRS, EAST, NORTH, grid_streets, make_crews, make_stops
from pyvrp.stop import MaxIterations
from shapely.geometry import Point

from rehit.errors import SettingError
from rehit.messages import Message, message
from rehit.parameters import Parameters
from rehit.patrol import search
from rehit.patrol.check import check_plan
from rehit.patrol.day import replan
from rehit.patrol.routes import Plan, plan_routes, time_route
from rehit.patrol.search import Crew, Problem, finish_time, search_routes
from rehit.patrol.travel import build_network


def planned(stops, crews, numbers: Parameters, *, seed: int = 1, streets: bool = True) -> Plan:
    network = build_network(grid_streets(), parameters=numbers) if streets else None
    return plan_routes(stops, crews, network=network, parameters=numbers, seed=seed)


def faults(plan: Plan, numbers: Parameters) -> list[Message]:
    return check_plan(plan.visits, plan.stops, plan.crews, plan.left_out,
                      seconds=plan.travel.seconds, break_after_h=numbers["patrol.break_after_h"],
                      break_from_h=numbers["patrol.break_from_h"],
                      break_to_h=numbers["patrol.break_to_h"])


def said(faults: list[Message]) -> set[str]:
    return {fault.code for fault in faults}


def codes(plan: Plan) -> dict[str, str]:
    return dict(zip(plan.left_out["stop_id"], plan.left_out["code"], strict=True))


def test_search_finds_the_best_of_all_orders() -> None:
    """Every subset and order of seven stops walked one by one."""
    rng = np.random.default_rng(8)
    xy = rng.uniform(0, 100, (8, 2))
    travel = np.rint(np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))).astype(np.int64)
    n = 7
    problem = Problem(
        travel=travel, location=np.arange(1, 8), service=np.full(n, 5), score=np.arange(1.0, 8.0),
        earliest=np.array([0, 0, 60, 0, 0, 100, 0]),
        latest=np.array([300, 80, 300, 300, 90, 300, 70]),
        must=np.zeros(n, dtype=bool), crews=(Crew(0, 0, 0, 190),))
    best = max(problem.score[list(order)].sum() for size in range(n + 1)
               for order in permutations(range(n), size)
               if finish_time(problem, problem.crews[0], list(order)) is not None)
    found = search_routes(problem, stops=[MaxIterations(300)] * 5, seed=1)
    assert problem.score[found.routes[0]].sum() == best
    assert best < problem.score.sum()


@pytest.mark.parametrize(("closes", "kept"), [(20, True), (19, False)])
def test_a_crew_may_arrive_at_the_very_moment_a_stop_closes(closes: int, kept: bool) -> None:
    """Twenty seconds of way, five of work, and twenty back."""
    problem = Problem(
        travel=np.array([[0, 20], [20, 0]]), location=np.array([1]), service=np.array([5]),
        earliest=np.array([0]), latest=np.array([closes]), score=np.array([1.0]),
        must=np.array([False]), crews=(Crew(0, 0, 0, 45),))
    timed = time_route(problem, problem.crews[0], [0])
    assert (None if timed is None else timed.back) == (45 if kept else None)
    assert finish_time(problem, problem.crews[0], [0]) == (45 if kept else None)


@pytest.fixture(scope="module")
def plan(numbers: Parameters) -> Plan:
    """A day of two crews, fifty stops and ten reported jobs."""
    return planned(make_stops(50, reported=10), make_crews(), numbers)


def test_plan_keeps_every_rule_and_accounts_for_every_stop(
        plan: Plan, numbers: Parameters) -> None:
    assert faults(plan, numbers) == []
    assert set(plan.visits["kind"]) == {"depart", "reported", "hotspot", "break", "return"}
    assert (plan.visits["kind"] == "reported").sum() == 10
    assert set(codes(plan).values()) <= {"day_full", "reserve"}


def test_same_seed_gives_same_routes(numbers: Parameters) -> None:
    first, second = (planned(make_stops(40, reported=5), make_crews(), numbers) for _ in range(2))
    pd.testing.assert_frame_equal(pd.DataFrame(first.visits), pd.DataFrame(second.visits))


def test_windows_are_kept_and_offensive_jobs_come_early(numbers: Parameters) -> None:
    stops = make_stops(30, reported=4)
    stops.loc[0, ["earliest_min", "latest_min"]] = [780.0, 800.0]
    stops.loc[1, "offensive"] = True
    plan = planned(stops, make_crews(1), numbers)
    start = plan.visits.dropna(subset=["stop_id"]).set_index("stop_id")["start_min"]
    assert 780 <= start["s0"] <= 800
    assert start["s1"] <= 420 + 60 * numbers["patrol.offensive_first_h"]
    assert faults(plan, numbers) == []


def test_every_reason_for_leaving_out_is_told_apart(numbers: Parameters) -> None:
    stops = make_stops(7, reported=7)
    stops.loc[0, "geometry"] = None
    stops.loc[1, "geometry"] = Point(stops.geometry[2].x - 9000, stops.geometry[2].y)
    stops.loc[2, "method"] = "hot_wash"
    stops.loc[3, "wash_water_l"] = 500.0
    stops.loc[4, "service_min"] = 600.0
    stops.loc[5, ["earliest_min", "latest_min"]] = [700.0, 650.0]
    plan = planned(stops, make_crews(), numbers)
    assert codes(plan) == {"s0": "no_place", "s1": "unreachable", "s2": "no_crew", "s3": "water",
                           "s4": "does_not_fit", "s5": "does_not_fit"}
    assert "s6" in set(plan.visits["stop_id"])
    assert message("plan.unreachable", names=(stops["name"][1],), depot="Yard") in plan.notes
    assert faults(plan, numbers) == []


def test_what_cannot_be_reached_is_told_of_each_depot(numbers: Parameters) -> None:
    """Fault: where the first depot lay off the streets, stops were visited and called cut off."""
    island = grid_streets(2).translate(90_000)
    lines = gpd.GeoDataFrame(pd.concat([grid_streets(), grid_streets(2).set_geometry(island)]),
                             crs=CRS)
    stops = make_stops(3, reported=3)
    stops.loc[2, "geometry"] = Point(EAST + 90_000, NORTH)
    crews = make_crews(3, depot_id=["F", "N", "I"], depot_name=["Far yard", "Near yard", "Island"])
    crews = crews.set_geometry(gpd.GeoSeries.from_xy(
        [EAST, EAST, EAST + 90_000], [NORTH - 9000, NORTH, NORTH], crs=CRS))
    plan = plan_routes(stops, crews, network=build_network(lines, parameters=numbers),
                       parameters=numbers, seed=1)
    told = [note for note in plan.notes if note.code in ("plan.depot_cut_off", "plan.unreachable")]
    assert told == [
        message("plan.depot_cut_off", depot="Far yard", crews=("Van 0",)),
        message("plan.unreachable", depot="Near yard", names=(stops["name"][2],)),
        message("plan.unreachable", depot="Island", names=tuple(stops["name"][:2]))]
    assert set(plan.visits["stop_id"].dropna()) == {"s0", "s1", "s2"}


def test_shift_too_short_for_any_stop_leaves_all_out_in_words(numbers: Parameters) -> None:
    plan = planned(make_stops(5, reported=1), make_crews(shift_end_min=430.0), numbers)
    assert plan.visits.empty
    assert set(codes(plan).values()) == {"does_not_fit"}


def test_water_and_methods_go_to_the_crew_that_has_them(numbers: Parameters) -> None:
    stops = make_stops(8, reported=8, method="hot_wash", wash_water_l=100.0)
    crews = make_crews()
    crews.loc[1, ["methods", "water_l"]] = ["hot_wash", 600.0]
    plan = planned(stops, crews, numbers)
    done = plan.visits[plan.visits["kind"] == "reported"]
    assert set(done["crew_id"]) == {"V1"}
    assert len(done) == 6
    assert set(codes(plan).values()) == {"water_used"}
    assert faults(plan, numbers) == []


def test_reported_jobs_come_before_any_yield(numbers: Parameters) -> None:
    stops = make_stops(60, reported=20, service_min=40.0)
    stops.loc[stops["kind"] == "hotspot", "expected"] = 0.99
    plan = planned(stops, make_crews(), numbers)
    # Two shifts of 7.5 h hold at most 11 jobs of 40 minutes each with any driving between them.
    assert (plan.visits["kind"] == "reported").sum() == 20
    assert faults(plan, numbers) == []


def test_a_long_job_that_one_crew_alone_can_do_is_not_lost_among_hotspots(
        numbers: Parameters) -> None:
    """Without it the likelier stops near by would fill the only crew with hot water."""
    stops = make_stops(80, reported=14, service_min=25.0)
    stops.loc[0, ["method", "service_min", "wash_water_l"]] = ["hot_wash", 150.0, 100.0]
    crews = make_crews()
    crews.loc[1, ["methods", "water_l"]] = ["paint_out;hot_wash", 600.0]
    plan = planned(stops, crews, numbers)
    assert (plan.visits["kind"] == "reported").sum() == 14
    assert faults(plan, numbers) == []


def test_no_crew_comes_home_while_a_stop_left_out_would_fit(numbers: Parameters) -> None:
    """Stops worth next to nothing, far off: the crews are paid to the end of the shift."""
    stops = make_stops(15, service_min=2.0)
    home = make_crews().geometry[0]
    poor = np.arange(15) >= 10
    stops["expected"] = np.where(poor, 1e-4, 0.9)
    stops["geometry"] = [Point(home.x + 500, home.y + 500 - i) if far else Point(home.x, home.y + i)
                         for i, far in enumerate(poor)]
    plan = planned(stops, make_crews(), numbers)
    assert plan.left_out.empty
    assert faults(plan, numbers) == []


def test_crews_return_to_their_own_depot(numbers: Parameters) -> None:
    crews = make_crews()
    crews.loc[1, ["depot_id", "depot_name"]] = ["E", "Far yard"]
    crews.loc[1, "geometry"] = Point(crews.geometry[0].x + 500, crews.geometry[0].y + 500)
    plan = planned(make_stops(40), crews, numbers)
    ends = plan.visits[plan.visits["kind"].isin(["depart", "return"])]
    assert ends.groupby("crew_id")["name"].unique().map(list).to_dict() == {
        "V0": ["Yard"], "V1": ["Far yard"]}
    assert faults(plan, numbers) == []


def test_no_street_layer_is_said(numbers: Parameters) -> None:
    plan = planned(make_stops(6), make_crews(1), numbers, streets=False)
    assert plan.notes[0] == message("plan.straight_lines", factor=1.2)
    assert (plan.visits["kind"] == "hotspot").sum() == 6


def test_no_crew_is_refused(numbers: Parameters) -> None:
    with pytest.raises(SettingError, match="no crew"):
        planned(make_stops(3), make_crews().iloc[:0], numbers)


def test_replan_keeps_what_is_done_and_takes_the_new_job(numbers: Parameters) -> None:
    plan = planned(make_stops(50, reported=6), make_crews(), numbers)
    added = make_stops(1, seed=9, reported=1, stop_id=["new"], offensive=True)
    network = build_network(grid_streets(), parameters=numbers)
    later = replan(plan, added, now_min=600.0, network=network, parameters=numbers, seed=1)
    assert faults(later, numbers) == []
    before = plan.visits[(plan.visits["leave_min"] <= 600) & plan.visits["stop_id"].notna()]
    assert len(before) > 5
    kept = later.visits.merge(before, on=["crew_id", "stop_id", "start_min", "leave_min"])
    assert len(kept) == len(before)
    new = later.visits[later.visits["stop_id"] == "new"].iloc[0]
    assert new["start_min"] >= 600


MISTAKES = {
    "fault.twice": lambda v: v.assign(stop_id=v["stop_id"].where(
        v.index != v.index[v["kind"] == "hotspot"][0],
        v.loc[v["kind"] == "hotspot", "stop_id"].iloc[1])),
    "fault.too_soon": lambda v: v.assign(arrive_min=v["arrive_min"] - 3.0),
    "fault.too_little_time": lambda v: v.assign(leave_min=v["leave_min"] - 1.0),
    "fault.breaks": lambda v: v[v["kind"] != "break"],
    "fault.not_home": lambda v: v[v["kind"] != "return"],
    "fault.back_late": lambda v: v.assign(arrive_min=v["arrive_min"].where(
        v["kind"] != "return", 905.0)),
}


def test_a_break_is_taken_where_the_crew_stands(plan: Plan) -> None:
    rests = 0
    for _, own in plan.visits.sort_values("position").groupby("crew_id"):
        rest, before = own["kind"] == "break", own["location"].shift()
        assert (own.loc[rest, "location"] == before[rest]).all()
        assert (own.loc[rest, "travel_min"] == 0).all()
        rests += int(rest.sum())
    assert rests > 0


@pytest.mark.parametrize("code", MISTAKES)
def test_check_finds_planted_mistakes(plan: Plan, code: str) -> None:
    wrong = MISTAKES[code](plan.visits.reset_index(drop=True))
    found = check_plan(wrong, plan.stops, plan.crews, plan.left_out, seconds=plan.travel.seconds,
                       break_after_h=6.0, break_from_h=3.0, break_to_h=5.0)
    assert code in said(found)


def mixed_day():
    """A town of three kilometres, 24 long jobs, some for one crew only, and 96 likely places."""
    rng = np.random.default_rng(1)
    stops = make_stops(120, reported=24)
    job = (stops["kind"] == "reported").to_numpy()
    stops.geometry = stops.geometry.affine_transform([6, 0, 0, 6, -5 * EAST, -5 * NORTH])
    stops["service_min"] = np.where(job, rng.uniform(15, 60, 120), rng.uniform(7, 12, 120))
    stops["expected"] = rng.gamma(1, 0.08, 120).clip(0.02, 0.9)
    stops["method"] = np.where(job & (rng.uniform(size=120) < 0.3), "hot_wash", "paint_out")
    stops["wash_water_l"] = np.where(stops["method"] == "hot_wash", 60.0, 0.0)
    crews = make_crews(3, methods=["paint_out", "paint_out;hot_wash", "paint_out"],
                       water_l=[20.0, 600.0, 20.0], depot_id=["D", "D", "E"])
    return stops, crews


def test_penalties_keep_up_with_the_prizes_of_jobs_that_must_be_done(
        numbers: Parameters, monkeypatch: pytest.MonkeyPatch) -> None:
    """With PyVRP's own pace some hundred steps end with four per cent less."""
    stops, crews = mixed_day()
    found = []
    for updates in (500, search.PENALTY_UPDATES):
        monkeypatch.setattr(search, "PENALTY_UPDATES", updates)
        plan = planned(stops, crews, numbers.override({"patrol.home_chance": 0.05}),
                       streets=False)
        assert faults(plan, numbers) == []
        assert (plan.visits["kind"] == "reported").sum() == 24
        spots = plan.visits.loc[plan.visits["kind"] == "hotspot", "stop_id"]
        found.append(stops.set_index("stop_id")["expected"][spots].sum())
    assert found[1] > 1.01 * found[0]
