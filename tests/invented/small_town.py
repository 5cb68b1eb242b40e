"""A small project on disk with crews and streets, whose texts try to do harm."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString

CRS = "EPSG:32625"
EAST, NORTH = 500_000.0, 5_094_000.0
HOSTILE = '=cmd|x!A1 <script>alert(1)</script> & "7" Quay Lane'
VAN = '<b>Van & "A"</b>'
YARD = '#eval("1") *Yard*'
PROJECT = """\
[project]
name = "Small town"
crs = "EPSG:32625"
time_zone = "Europe/Lisbon"
holidays = "PT"

[files]
log = "log.csv"
streets = "streets.geojson"
depots = "depots.csv"
vehicles = "vehicles.csv"

[patrol]
search_iterations = 300

[contract]  # every marking is reported
found_low = 0
found_likely = 0
found_high = 0
"""


def make_town(folder: Path) -> Path:
    """Write the project: twelve places on a grid of streets, one year of reports, two vans.

    The log ends on 30 December 2025. Five jobs are open, one of them at the hostile address.
    """
    folder.mkdir(parents=True)
    (folder / "rehit.toml").write_text(PROJECT, encoding="utf-8")
    _log().to_csv(folder / "log.csv", index=False)
    _streets().to_crs(4326).to_file(folder / "streets.geojson", driver="GeoJSON")
    pd.DataFrame({"depot_id": ["D1", "D2"], "name": [YARD, "North yard"],
                  "x": [EAST, EAST + 500], "y": [NORTH, NORTH + 500]}).to_csv(
        folder / "depots.csv", index=False)
    pd.DataFrame({
        "vehicle_id": ["V1", "V2"], "name": [VAN, "Hot wash B"], "kind": ["paint_only", "hot_wash"],
        "depot_id": ["D1", "D2"], "methods": ["paint_out;solvent_wipe;scrape",
                                              "paint_out;solvent_wipe;scrape;hot_wash"],
        "crew_size": [1, 2], "water_l": [20, 600], "shift_start": "07:00", "shift_end": "15:00",
        "break_minutes": 30}).to_csv(folder / "vehicles.csv", index=False)
    return folder


def _log() -> pd.DataFrame:
    rng = np.random.default_rng(4)
    xy = [(EAST + 100 * (i % 4) + 50, NORTH + 150 * (i // 4)) for i in range(12)]
    degrees = gpd.GeoSeries(gpd.points_from_xy(*zip(*xy, strict=True)), crs=CRS).to_crs(4326)
    rows = []
    for place, point in enumerate(degrees):
        address = HOSTILE if place == 0 else f"{place} Hill Street"
        for visit in range(2 + place):
            opened = datetime(2025, 1, 3, 9, 0) + timedelta(
                days=int(350 * (visit + rng.uniform()) / (2 + place)))
            rows.append((address, point, opened, opened + timedelta(days=3), "Closed"))
        if place in (0, 3, 5, 7, 9):
            rows.append((address, point, datetime(2025, 12, 30, 8, place), None, "Open"))
    return pd.DataFrame({
        "Ref": [f"R{i}" for i in range(len(rows))], "Address": [r[0] for r in rows],
        "Latitude": [round(r[1].y, 6) for r in rows],
        "Longitude": [round(r[1].x, 6) for r in rows],
        "Reported": [f"{r[2]:%Y-%m-%d %H:%M}" for r in rows],
        "Closed": ["" if r[3] is None else f"{r[3]:%Y-%m-%d %H:%M}" for r in rows],
        "Status": [r[4] for r in rows], "Surface": "painted brick",
        "Description": "graffiti tag in spray paint"})


def _streets() -> gpd.GeoDataFrame:
    grid = range(6)
    lines = [LineString([(EAST + 100 * j, NORTH + 100 * i) for j in grid]) for i in grid]
    lines += [LineString([(EAST + 100 * i, NORTH + 100 * j) for j in grid]) for i in grid]
    return gpd.GeoDataFrame({"class": "street"}, geometry=lines, crs=CRS, index=range(12))
