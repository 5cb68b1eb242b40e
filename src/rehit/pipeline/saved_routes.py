"""The routes of a patrol planned before, read back for the report's map."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

import geopandas as gpd
import pyogrio

from rehit.errors import InputFileError

ROUTES_FILE, PLAN_FILE = "routes.geojson", "day_plan.json"
COLUMNS = ("route_id", "n_stops", "length_km", "minutes")
_TRIED = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, UnicodeDecodeError,
          OSError, ValueError)


def read_routes(path: Path, *, crs: str) -> gpd.GeoDataFrame:
    """Read the routes that ``rehit patrol`` wrote, named by crew and, where known, by day.

    Parameters
    ----------
    path
        A ``routes.geojson`` of a patrol, or the folder that holds one.
    crs
        The project's CRS.

    Returns
    -------
    geopandas.GeoDataFrame
        The contract ``report_routes``: one row per crew.

    Raises
    ------
    InputFileError
        If there is no such file, or it holds no routes.
    """
    file = path / ROUTES_FILE if path.is_dir() else path
    try:
        found = gpd.read_file(file, engine="pyogrio")
    except _TRIED as error:
        raise _refused(file, "no file that can be read") from error
    missing = [name for name in COLUMNS if name not in found.columns]
    if missing:
        raise _refused(file, f"no column {', '.join(missing)}")
    lines = found.geometry.geom_type.isin(["LineString", "MultiLineString"])
    routes = found[lines & found["route_id"].notna() & found["n_stops"].notna()]
    if routes.empty:
        raise _refused(file, "no route")
    day = _day(file.parent / PLAN_FILE)
    names = routes["route_id"].astype("str") + (f", {day}" if day else "")
    return gpd.GeoDataFrame({
        "route_id": names, "n_stops": routes["n_stops"].astype("int64"),
        "length_km": routes["length_km"].astype(float), "minutes": routes["minutes"].astype(float),
        }, geometry=routes.geometry).to_crs(crs).reset_index(drop=True)


def routes_if_any(folder: Path, *, crs: str) -> gpd.GeoDataFrame | None:
    """Return the routes saved in a folder, or None where there are none to be read."""
    with suppress(InputFileError):
        return read_routes(folder / ROUTES_FILE, crs=crs)
    return None


def _day(plan: Path) -> str | None:
    """Return the day that the plan beside the routes is for, if it says so."""
    with suppress(OSError, ValueError, KeyError, TypeError):
        return str(json.loads(plan.read_text(encoding="utf-8"))["day"])
    return None


def _refused(file: Path, got: str) -> InputFileError:
    return InputFileError(str(file), got=got, allowed=f"a {ROUTES_FILE} written by rehit patrol",
                          remedy="plan the day first with rehit patrol, or leave --routes out")
