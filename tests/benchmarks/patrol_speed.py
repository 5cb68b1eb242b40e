"""Seconds for 500 stops and 4 crews on the demo streets: travel matrix and routes.

    python tests/benchmarks/patrol_speed.py

Prints wall and processor seconds of one process; the target is 60 s.
"""

from __future__ import annotations

import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from rehit.parameters import load_parameters
from rehit.patrol.check import check_plan
from rehit.patrol.routes import day_travel, plan_routes
from rehit.patrol.travel import build_network, read_streets

DEMO = Path(__file__).parents[2] / "data_demo"
CRS = "EPSG:32625"


def tables(n_stops: int = 500, n_crews: int = 4) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Stops at register assets drawn at random, one in ten a reported job; crews at two depots."""
    rng = np.random.default_rng(1)
    assets = gpd.read_file(DEMO / "assets.geojson").to_crs(CRS).sample(n_stops, random_state=1)
    kind = np.where(np.arange(n_stops) < n_stops // 10, "reported", "hotspot")
    stops = gpd.GeoDataFrame({
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
        "methods": ["paint_out;solvent_wipe", "paint_out;solvent_wipe;hot_wash"] * (n_crews // 2),
        "crew_size": 2.0, "water_l": 400.0, "shift_start_min": 420.0, "shift_end_min": 900.0,
        "break_min": 30.0}, geometry=[depots[i % 2] for i in range(n_crews)], crs=CRS)
    return stops, crews


def main() -> None:
    stops, crews = tables()
    parameters = load_parameters()
    network = build_network(read_streets(DEMO / "streets.gpkg", crs=CRS), parameters=parameters)
    wall, cpu = time.perf_counter(), time.process_time()
    day_travel(stops, crews, network=network, parameters=parameters)
    print(f"matrix: wall {time.perf_counter() - wall:.1f} s, cpu {time.process_time() - cpu:.1f} s")
    wall, cpu = time.perf_counter(), time.process_time()
    plan = plan_routes(stops, crews, network=network, parameters=parameters, seed=1)
    print(f"matrix and routes: wall {time.perf_counter() - wall:.1f} s, "
          f"cpu {time.process_time() - cpu:.1f} s")
    spots = plan.visits[plan.visits["kind"] == "hotspot"].merge(
        plan.stops[["stop_id", "expected"]], on="stop_id")
    print(f"{(plan.visits['kind'] == 'reported').sum()} reported, {len(spots)} hotspots, "
          f"yield {spots['expected'].sum():.2f}; faults found by check_plan:",
          check_plan(plan.visits, plan.stops, plan.crews, plan.left_out,
                     seconds=plan.travel.seconds, break_after_h=6, break_from_h=3, break_to_h=5))


if __name__ == "__main__":
    main()
