"""Writing a town to a folder, the same bytes every time."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd

from town.messy import degrees
from town.model import CRS, HOLIDAYS, PLACE_NAME, TIME_ZONE, Town


def write_town(town: Town, folder: Path | str) -> list[Path]:
    """Write a town's files and its truth; return the paths written.

    Files are overwritten. CSV and GeoJSON are the same byte for byte for the same town;
    the GeoPackage is the same in content (the format carries a time of writing).
    """
    folder = Path(folder)
    truth = folder / "truth"
    truth.mkdir(parents=True, exist_ok=True)
    depots = town.depots.copy()
    lon, lat = degrees(depots["x"].to_numpy(), depots["y"].to_numpy())
    depots["lon"], depots["lat"] = lon.round(6), lat.round(6)
    measures = town.measures.assign(started_at=town.measures["started_at"].dt.tz_convert(
        TIME_ZONE).dt.strftime("%Y-%m-%d"))
    _write_streets(town, folder / "streets.gpkg")
    (folder / "assets.geojson").write_bytes(geojson(town.register).encode("utf-8"))
    _csv(town.log, folder / "incidents.csv")
    _csv(town.works, folder / "works_log.csv")
    _csv(depots, folder / "depots.csv")
    _csv(town.vehicles, folder / "vehicles.csv")
    _csv(measures.drop(columns="true_ratio"), folder / "measures.csv")
    (folder / "rehit.toml").write_bytes(project_text(town).encode("utf-8"))
    _write_truth(town, truth)
    return sorted(p for p in [*folder.iterdir(), *truth.iterdir()] if p.is_file())


def _write_truth(town: Town, truth: Path) -> None:
    incidents = pd.DataFrame(town.incidents.drop(columns="geometry"))
    for name in ("marked_at", "reported_at", "cleared_at"):
        incidents[name] = incidents[name].dt.strftime("%Y-%m-%dT%H:%MZ")
    _csv(incidents, truth / "true_incidents.csv")
    _csv(town.rows.reset_index(), truth / "rows.csv")
    _csv(town.rates.round(4),
         truth / "rates.csv")
    _csv(town.measures.assign(started_at=town.measures["started_at"].dt.strftime(
        "%Y-%m-%dT%H:%MZ")), truth / "measures.csv")
    _csv(town.personal, truth / "personal.csv")
    _csv(town.hostile, truth / "hostile.csv")
    text = json.dumps(town.facts, indent=1, ensure_ascii=False)
    (truth / "facts.json").write_bytes((text + "\n").encode("utf-8"))


def _csv(table: pd.DataFrame, path: Path) -> None:
    table.to_csv(path, index=False, encoding="utf-8", lineterminator="\n")


def _write_streets(town: Town, path: Path) -> None:
    path.unlink(missing_ok=True)
    streets = town.streets.drop(columns="tile").rename(columns={"length_m": "length"})
    streets.to_file(path, layer="streets", driver="GPKG", engine="pyogrio")


def geojson(register: gpd.GeoDataFrame) -> str:
    """Return the register as GeoJSON (RFC 7946: longitude, latitude), one feature per line."""
    lon, lat = degrees(register.geometry.x.to_numpy(), register.geometry.y.to_numpy())
    facts = pd.DataFrame(register.drop(columns=["geometry", "tile", "street"]))
    records = facts.astype(object).where(facts.notna(), None).to_dict("records")
    lines = [json.dumps({"type": "Feature", "properties": record, "geometry": {
        "type": "Point", "coordinates": [round(float(x), 6), round(float(y), 6)]}},
        ensure_ascii=False) for record, x, y in zip(records, lon, lat, strict=True)]
    return '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n"


def project_text(town: Town) -> str:
    """Return the project file."""
    west, south, east, north = town.streets.total_bounds
    lon, lat = degrees([west - 300, east + 300], [south - 300, north + 300])  # type: ignore[arg-type]
    area = ", ".join(f"{v:.4f}" for v in (lon[0], lat[0], lon[1], lat[1]))
    end = town.settings.end.tz_convert(TIME_ZONE)
    return f"""\
# The demo project: an invented town. See README.md.
[project]
name = "{PLACE_NAME}"
crs = "{CRS}"
time_zone = "{TIME_ZONE}"
holidays = "{HOLIDAYS}"  # public holidays, when crews do not work
currency = "€"
price_year = {end.year - 1}
language = "en"
study_area = [{area}]
register_effects = ["lit"]  # does it matter for re-hits that a place is lit?

[files]
log = "incidents.csv"
mapping = "mapping.toml"
register = "assets.geojson"
streets = "streets.gpkg"
works = "works_log.csv"
depots = "depots.csv"
vehicles = "vehicles.csv"
measures = "measures.csv"

[service]
offensive_hours = 24
ordinary_working_days = 5

[costs]  # what this town pays; minutes and litres come from its works log
labour_per_hour = 34
call_out = 12
access_platform = 140
traffic_control = 120
"""
