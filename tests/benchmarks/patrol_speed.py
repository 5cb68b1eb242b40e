"""Seconds and markings of a day on the demo streets, beside the greedy start.

    python tests/benchmarks/patrol_speed.py --stops 500 --crews 10 --day

The targets: 60 stops within 20 s, 500 stops and 10 crews within 90 s on two processors.
"""

from __future__ import annotations

import argparse
import resource
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from rehit.parameters import load_parameters
from rehit.patrol.check import check_plan
from rehit.patrol.routes import (
    day_problem,
    day_travel,
    plan_routes,
    search_stops,
    time_route,
)
from rehit.patrol.search import most_score, search_routes, worth
from rehit.patrol.travel import build_network, read_streets
from rehit.tables import table as contract

DEMO = Path(__file__).parents[2] / "data_demo"
CRS = "EPSG:32625"
METHODS = ("paint_out;solvent_wipe", "paint_out;solvent_wipe;hot_wash")


def tables(n_stops: int = 500, n_crews: int = 4) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Stops at register assets drawn at random, one in ten a reported job; crews at two depots."""
    rng = np.random.default_rng(1)
    assets = gpd.read_file(DEMO / "assets.geojson").to_crs(CRS).sample(n_stops, random_state=1)
    kind = np.where(np.arange(n_stops) < n_stops // 10, "reported", "hotspot")
    stops = gpd.GeoDataFrame({
        **dict.fromkeys(contract("patrol_stops").names), "weight": 1.0, "more": 0.0,
        "traffic_control": False,
        "due_min": np.nan, "work_min": np.nan, "people": np.nan, "area_m2": np.nan,
        "stop_id": assets["asset_id"].to_numpy(), "name": assets["asset_id"].to_numpy(),
        "kind": kind, "offensive": np.arange(n_stops) < n_stops // 100,
        "expected": rng.uniform(0.02, 0.6, n_stops),
        "method": rng.choice(["paint_out", "solvent_wipe", "hot_wash"], n_stops, p=[0.5, 0.4, 0.1]),
        "service_min": rng.uniform(6, 40, n_stops), "earliest_min": np.nan, "latest_min": np.nan,
        "paint_l": 0.3, "remover_l": 0.1, "wash_water_l": 0.0, "materials": "", "cautions": "",
    }, geometry=assets.representative_point().to_numpy(), crs=CRS)
    depots = shapely.points([[501240.0, 5094880.0], [499200.0, 5095300.0]])
    crews = gpd.GeoDataFrame({
        "crew_id": [f"V{i}" for i in range(n_crews)], "name": [f"Van {i}" for i in range(n_crews)],
        "kind": "van", "depot_id": [f"D{i % 2}" for i in range(n_crews)], "depot_name": "yard",
        "methods": [METHODS[i % 2] for i in range(n_crews)],
        "crew_size": 2.0, "water_l": 400.0, "shift_start_min": 420.0, "shift_end_min": 900.0,
        "break_min": 30.0, "access": "platform", "traffic_control": True, "permits": "*",
        "driving_min": np.nan, "refill_min": np.nan},
        geometry=[depots[i % 2] for i in range(n_crews)], crs=CRS)
    return stops, crews


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stops", type=int, default=500)
    parser.add_argument("--crews", type=int, default=4)
    parser.add_argument("--day", action="store_true", help="the whole day, with time kept free")
    args = parser.parse_args()
    stops, crews = tables(args.stops, args.crews)
    parameters = load_parameters()
    network = build_network(read_streets(DEMO / "streets.gpkg", crs=CRS), parameters=parameters)
    wall, cpu = time.perf_counter(), _cpu()
    travel = day_travel(stops, crews, network=network, parameters=parameters)
    print(f"matrix: wall {time.perf_counter() - wall:.1f} s, processor {_cpu() - cpu:.1f} s")
    wall, cpu = time.perf_counter(), _cpu()
    if args.day:
        plan = plan_routes(stops, crews, network=network, parameters=parameters, seed=1)
        spots = plan.visits[plan.visits["kind"] == "hotspot"].merge(
            plan.stops[["stop_id", "expected"]], on="stop_id")
        print(f"{(plan.visits['kind'] == 'reported').sum()} reported, {len(spots)} hotspots, "
              f"yield {spots['expected'].sum():.2f} of at most {plan.bound:.2f}; faults:",
              check_plan(plan.visits, plan.stops, plan.crews, plan.left_out,
                         seconds=plan.travel.seconds, break_after_h=6, break_from_h=3,
                         break_to_h=5))
    else:
        problem = day_problem(stops, crews, travel, parameters=parameters).relaxed
        found = search_routes(problem, stops=search_stops(len(stops), parameters), seed=1,
                              legal=lambda crew, way: time_route(problem, crew, way) is not None)
        ours, greedy = (worth(problem, routes) for routes in (found.routes, found.greedy))
        print(f"jobs {ours[0]:g} and {greedy[0]:g}; markings {ours[1]:.2f}, greedy {greedy[1]:.2f}"
              f": {100 * (ours[1] / greedy[1] - 1):+.1f} %; with all jobs at most",
              f"{most_score(problem, done=np.flatnonzero(problem.must).tolist()):.2f}")
    print(f"{args.stops} stops, {args.crews} crews: wall {time.perf_counter() - wall:.1f} s, "
          f"processor {_cpu() - cpu:.1f} s with the runs beside it")


def _cpu() -> float:
    """Return processor seconds of this process and of those that ended beside it."""
    return time.process_time() + resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime


if __name__ == "__main__":
    main()
