"""A small invented project that has every kind of file, and ways to take each of them away."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString, Point

CRS = "EPSG:32625"
EAST, NORTH = 500_000.0, 5_094_000.0
PLACES, ROWS = 14, 150
PROJECT = f"""\
[project]
name = "Whole town"
crs = "{CRS}"
time_zone = "Europe/Lisbon"
holidays = "PT"

[files]
log = "log.csv"
register = "register.geojson"
streets = "streets.geojson"
works = "works.csv"
depots = "depots.csv"
vehicles = "vehicles.csv"
measures = "measures.csv"

[costs]  # few draws: what is asked of this town is how a command ends
draws = 100
variance_sample = 16

[contract]
draws = 500
sensitivity_draws = 200
queue_years = 5
queue_search_years = 1

[hotspots]
rank_draws = 100
stability_draws = 5
knox_permutations = 19
scan_permutations = 19
bootstrap_draws = 50

[pipeline]
trend_draws = 99

[patrol]
home_draws = 50
search_iterations = 10
"""


def make_whole_town(folder: Path, *, rows: int = ROWS) -> Path:
    """Write the project: reports of two and a half years on 14 walls, a yard and two crews."""
    folder.mkdir(parents=True)
    (folder / "rehit.toml").write_text(PROJECT, encoding="utf-8")
    walls = [Point(EAST + 100 * (n % 5) + 40, NORTH + 100 * (n // 5)) for n in range(PLACES)]
    log = _log(walls, rows)
    log.to_csv(folder / "log.csv", index=False)
    _works(log).to_csv(folder / "works.csv", index=False)
    _register(walls).to_file(folder / "register.geojson", driver="GeoJSON")
    grid = range(6)
    lines = [LineString([(EAST + 100 * j, NORTH + 100 * i) for j in grid]) for i in grid]
    lines += [LineString([(EAST + 100 * i, NORTH + 100 * j) for j in grid]) for i in grid]
    gpd.GeoDataFrame({"class": "street"}, geometry=lines, crs=CRS, index=range(12)).to_crs(
        4326).to_file(folder / "streets.geojson", driver="GeoJSON")
    pd.DataFrame({
        "measure": "coating", "asset_id": [f"W-{n:02}" for n in range(10)],
        "role": ["treated"] * 4 + ["comparison"] * 6, "started_at": "2024-08-01",
    }).to_csv(folder / "measures.csv", index=False)
    pd.DataFrame({"depot_id": ["D1"], "name": ["Yard"], "x": [EAST], "y": [NORTH]}).to_csv(
        folder / "depots.csv", index=False)
    pd.DataFrame({
        "vehicle_id": ["V1", "V2"], "name": ["Van A", "Van B"], "kind": ["paint_only", "hot_wash"],
        "depot_id": "D1", "methods": ["paint_out;solvent_wipe;scrape",
                                      "paint_out;solvent_wipe;scrape;hot_wash"],
        "crew_size": [1, 2], "water_l": [20, 600], "shift_start": "07:00", "shift_end": "15:00",
        "break_minutes": 30}).to_csv(folder / "vehicles.csv", index=False)
    return folder


def _log(walls: list[Point], rows: int) -> pd.DataFrame:
    rng = np.random.default_rng(18)
    degrees = gpd.GeoSeries(walls, crs=CRS).to_crs(4326)
    place = np.sort(rng.choice(PLACES, rows, p=np.arange(1, PLACES + 1) / 105))
    begun = datetime(2023, 7, 3, 9, 0)
    opened = [begun + timedelta(days=int(day), hours=int(day) % 7)
              for day in rng.integers(0, 900, rows)]
    last = max(opened)
    closed = [None if last - day < timedelta(days=20) else day + timedelta(days=2, hours=3)
              for day in opened]
    return pd.DataFrame({
        "Ref": [f"R{n:03}" for n in range(rows)], "Asset": [f"W-{n:02}" for n in place],
        "Address": [f"{n + 1} Hill Street" for n in place],
        "Latitude": degrees.y.to_numpy()[place].round(6),
        "Longitude": degrees.x.to_numpy()[place].round(6),
        "Reported": [f"{day:%Y-%m-%d %H:%M}" for day in opened],
        "Closed": ["" if day is None else f"{day:%Y-%m-%d %H:%M}" for day in closed],
        "Status": ["Open" if day is None else "Closed" for day in closed],
        "Surface": rng.choice(["painted brick", "bare stone", "painted metal"], rows),
        "Size": rng.choice(["0.5 m2", "2 m2", "6 m2"], rows),
        "Description": rng.choice(["tag in spray paint", "offensive words, marker pen"], rows)})


def _works(log: pd.DataFrame) -> pd.DataFrame:
    done = log[log["Closed"] != ""].reset_index(drop=True)
    area = done["Size"].str.removesuffix(" m2").astype(float)
    return pd.DataFrame({
        "work_id": [f"J{n:03}" for n in range(len(done))], "case_ref": done["Ref"],
        "asset_id": done["Asset"], "done_at": done["Closed"],
        "method": np.where(done.index % 3 == 0, "solvent_wipe", "paint_out"), "area_m2": area,
        "minutes": (20 + 9 * area).round(), "crew_size": 1, "paint_l": (0.2 * area).round(2),
        "materials_cost": (3 * area).round(2), "cost": (25 + 12 * area).round(2)})


def _register(walls: list[Point]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({
        "asset_id": [f"W-{n:02}" for n in range(len(walls))], "asset_type": "wall",
        "substrate": "brick", "finish": "painted", "wall_area_m2": 20.0, "heritage": False,
        "coating_allowed": True, "access": "ground", "traffic_control": False},
        geometry=walls, crs=CRS).to_crs(4326)


# What can be absent: the name of each lack, and what takes it away from a town.

Lack = Callable[[Path], None]


def change_log(town: Path, change: Callable[[pd.DataFrame], pd.DataFrame]) -> None:
    """Write the log anew."""
    log = pd.read_csv(town / "log.csv", dtype="str", keep_default_na=False)
    change(log).to_csv(town / "log.csv", index=False)


def _blank(*columns: str) -> Lack:
    return lambda town: change_log(town, lambda log: log.assign(**dict.fromkeys(columns, "")))


def _without(*columns: str) -> Lack:
    return lambda town: change_log(town, lambda log: log.drop(columns=list(columns)))


def _rows(keep: Callable[[pd.DataFrame], pd.DataFrame]) -> Lack:
    return lambda town: change_log(town, keep)


def _no_file(*roles: str) -> Lack:
    def take(town: Path) -> None:
        lines = (town / "rehit.toml").read_text(encoding="utf-8").splitlines(keepends=True)
        kept = [line for line in lines if line.partition(" = ")[0] not in roles]
        (town / "rehit.toml").write_text("".join(kept), encoding="utf-8")
        for role in roles:
            for path in town.glob(f"{role}.*"):
                path.unlink()
    return take


def _no_rows(name: str) -> Lack:
    def take(town: Path) -> None:
        path = town / name
        text = path.read_text(encoding="utf-8")
        path.write_text('{"type": "FeatureCollection", "features": []}'
                        if path.suffix == ".geojson" else text.partition("\n")[0] + "\n",
                        encoding="utf-8")
    return take


PLACE = ("Asset", "Address", "Latitude", "Longitude")
OTHERS = ("register", "streets", "works", "depots", "vehicles", "measures")
LACKS: dict[str, Lack] = {
    "nothing": lambda _town: None,
    "places": _blank(*PLACE),
    "columns of places": _without(*PLACE),
    "points": _without("Latitude", "Longitude"),
    "dates": _blank("Reported", "Closed"),
    "column of dates": _without("Reported", "Closed"),
    "clearances": _blank("Closed", "Status"),
    "column of clearances": _without("Closed", "Status"),
    "sizes": _without("Size"),
    "surfaces": _without("Surface"),
    "open jobs": _rows(lambda log: log[log["Status"] == "Closed"]),
    "register": _no_file("register"),
    "streets": _no_file("streets"),
    "works log": _no_file("works"),
    "measures": _no_file("measures"),
    "crews": _no_file("vehicles"),
    "yards": _no_file("depots"),
    "all files but the log": _no_file(*OTHERS),
    "rows of the log": _no_rows("log.csv"),
    "rows of the register": _no_rows("register.geojson"),
    "rows of the streets": _no_rows("streets.geojson"),
    "rows of the works log": _no_rows("works.csv"),
    "rows of the measures": _no_rows("measures.csv"),
    "rows of the crews": _no_rows("vehicles.csv"),
    "all but one row": _rows(lambda log: log.head(1)),
    "all but one open row": _rows(lambda log: log[log["Status"] == "Open"].head(1)),
    "all but one place": _rows(lambda log: log[log["Asset"] == "W-13"]),
    "all but one day": _rows(lambda log: log.assign(
        Reported="2024-03-05 " + log["Reported"].str[-5:],
        Closed=log["Closed"].where(log["Closed"] == "", "2024-03-05 23:00"))),
    "all but one year": _rows(lambda log: log[log["Reported"].str[:4] == "2024"]),
}
