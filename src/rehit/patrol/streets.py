"""Street lines from the user's own files: GeoPackage, GeoJSON, or an OpenStreetMap extract."""

from __future__ import annotations

import csv
import re
from functools import cache
from importlib.resources import files
from pathlib import Path

import geopandas as gpd
import numpy as np
import osmium
import pandas as pd
import pyogrio
from pyproj import CRS
from shapely.geometry import LineString

from rehit.errors import InputFileError

KM_PER_MILE = 1.609344
_YES = frozenset({"yes", "true", "1", "t", "y", "ja", "si", "oui"})
_SPEED = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(mph)?")


@cache
def road_classes() -> dict[str, str]:
    """Return which of the four speed classes each word for a road means.

    Words are the values of OpenStreetMap's ``highway`` tag for roads that vans may use (open
    tagging scheme) and a few plain English ones.
    """
    text = (files("rehit") / "patrol" / "road_classes.csv").read_text(encoding="utf-8")
    return {row["word"]: row["class"] for row in csv.DictReader(text.splitlines())}


def read_streets(path: Path, *, crs: str) -> gpd.GeoDataFrame:
    """Read street lines from GeoPackage, GeoJSON or ``.osm.pbf`` and bring them to `crs`.

    Parameters
    ----------
    path
        The file. An OpenStreetMap extract must carry its nodes.
    crs
        Projected CRS of the project.

    Returns
    -------
    GeoDataFrame
        Lines in `crs`; an extract gives ``name, class, oneway, speed_kmh``.

    Raises
    ------
    InputFileError
        If the file cannot be read, has no lines or no CRS.
    """
    try:
        lines = _read_extract(path) if path.name.endswith(".pbf") else gpd.read_file(path)
    except (pyogrio.errors.DataSourceError, OSError, RuntimeError) as error:
        raise _bad(path, f"a file that cannot be read ({error})") from error
    # A table without places comes back as a plain table.
    if not isinstance(lines, gpd.GeoDataFrame):
        raise _bad(path, "a table without lines")
    if lines.crs is None:
        raise _bad(path, "no coordinate reference system")
    lines = lines[lines.geometry.geom_type.isin(["LineString", "MultiLineString"])]
    if lines.empty:
        raise _bad(path, "no lines")
    return lines.explode(ignore_index=True).to_crs(crs)


def _bad(path: Path, got: str) -> InputFileError:
    return InputFileError(str(path), got=got,
                          allowed="street lines with a CRS (GeoPackage, GeoJSON) or an "
                                  "OpenStreetMap extract (.osm.pbf)",
                          remedy="export the streets again")


def _read_extract(path: Path) -> gpd.GeoDataFrame:
    rows = []
    ways = osmium.FileProcessor(str(path), osmium.osm.NODE | osmium.osm.WAY).with_locations()
    for way in ways.with_filter(osmium.filter.KeyFilter("highway")):
        if not isinstance(way, osmium.osm.Way) or way.tags.get("highway") not in road_classes():
            continue
        if way.tags.get("access") in ("no", "private"):
            continue
        points = [(node.lon, node.lat) for node in way.nodes if node.location.valid()]
        if len(points) > 1:
            rows.append(_way_row(dict(way.tags), points))
    table = pd.DataFrame(rows, columns=["name", "class", "oneway", "speed_kmh", "geometry"])
    return gpd.GeoDataFrame(table, geometry="geometry", crs=CRS.from_epsg(4326))


def _way_row(tags: dict[str, str],
             points: list[tuple[float, float]]) -> tuple[str, str, bool, float, LineString]:
    oneway = tags.get("oneway", "no")
    if oneway == "-1":
        points = points[::-1]
    single = oneway in ("yes", "true", "1", "-1") or tags.get("junction") == "roundabout" or (
        tags["highway"] == "motorway" and oneway != "no")
    return (tags.get("name", ""), tags["highway"], single, _speed_kmh(tags.get("maxspeed", "")),
            LineString(points))


def _speed_kmh(text: str) -> float:
    found = _SPEED.match(text)
    if not found:
        return np.nan
    return float(found[1]) * (KM_PER_MILE if found[2] else 1.0)


def oneway_flags(lines: pd.DataFrame) -> np.ndarray:
    """Return which lines may be driven only as drawn; without the column, none."""
    if "oneway" not in lines:
        return np.zeros(len(lines), dtype=bool)
    return lines["oneway"].astype("str").str.strip().str.lower().isin(_YES).to_numpy(bool)
