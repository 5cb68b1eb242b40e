"""A small square town with known streets, and tables of stops and crews in it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from shapely.geometry import LineString, Point

CRS = "EPSG:32625"
EAST, NORTH = 500_000.0, 5_094_000.0


def grid_streets(n: int = 6, spacing_m: float = 100.0) -> gpd.GeoDataFrame:
    """Streets of a square grid of n × n crossings, joined at the crossings."""
    lines = []
    for i in range(n):
        along = [(EAST + spacing_m * j, NORTH + spacing_m * i) for j in range(n)]
        up = [(EAST + spacing_m * i, NORTH + spacing_m * j) for j in range(n)]
        lines += [LineString(along), LineString(up)]
    return gpd.GeoDataFrame({"class": "street", "speed_kmh": 36.0, "oneway": False},
                            geometry=lines, crs=CRS, index=range(len(lines)))


def make_stops(n: int, *, seed: int = 1, reported: int = 0, **columns: object) -> gpd.GeoDataFrame:
    """Stops on the streets of the grid."""
    rng = np.random.default_rng(seed)
    points = [Point(EAST + 100 * rng.integers(0, 6), NORTH + rng.uniform(0, 500))
              for _ in range(n)]
    table = {
        "stop_id": [f"s{i}" for i in range(n)], "name": [f"{i} Hill Street" for i in range(n)],
        "place_id": None, "weight": 1.0, "more": 0.0, "due_min": np.nan, "work_min": np.nan,
        "people": np.nan, "access": None,
        "traffic_control": False, "advised": None, "case_number": None, "asset_id": None,
        "asset_type": None, "asset_name": None, "colour": None, "permit": None,
        "substrate": None, "finish": None, "medium": None, "area_m2": np.nan, "owner": None,
        "what_reported": None,
        "kind": ["reported"] * reported + ["hotspot"] * (n - reported),
        "offensive": False, "expected": rng.uniform(0.1, 0.9, n).round(3), "method": "paint_out",
        "service_min": 20.0, "earliest_min": np.nan, "latest_min": np.nan, "paint_l": 0.3,
        "remover_l": 0.1, "wash_water_l": 0.0, "materials": "brush",
        "cautions": "ppe; runoff"}
    return gpd.GeoDataFrame(table | columns, geometry=points, crs=CRS)


def make_crews(n: int = 2, **columns: object) -> gpd.GeoDataFrame:
    """Crews that start at the south-west corner of the grid."""
    table = {
        "crew_id": [f"V{i}" for i in range(n)], "name": [f"Van {i}" for i in range(n)],
        "kind": "paint_only", "depot_id": "D", "depot_name": "Yard",
        "methods": "paint_out;solvent_wipe", "crew_size": 2.0, "water_l": 20.0,
        "shift_start_min": 420.0, "shift_end_min": 900.0, "break_min": 30.0,
        "access": "platform", "traffic_control": True, "permits": "*", "driving_min": np.nan,
        "refill_min": np.nan}
    return gpd.GeoDataFrame(table | columns, geometry=[Point(EAST, NORTH)] * n, crs=CRS)
