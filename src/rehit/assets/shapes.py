"""Where the assets of a register stand: points, lines or areas in the project's projection."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from rehit.errors import RehitError, TableError
from rehit.number_text import coordinate_numbers
from rehit.shape_text import read_shape
from rehit.tabular import TextTable

POINT_PAIRS = (("longitude", "latitude"), ("easting", "northing"))
DEGREES = "EPSG:4326"
AREAS = ("Polygon", "MultiPolygon")


def register_geometry(raw: TextTable, chosen: Mapping[str, str], *, crs: object, where: str,
                      ) -> tuple[gpd.GeoSeries, list[str], list[RehitError]]:
    """Return each row's geometry in the project's CRS (empty where unusable), notes and faults."""
    target = pyproj.CRS.from_user_input(crs)
    notes: list[str] = []
    nowhere = gpd.GeoSeries([None] * len(raw.table), crs=target)
    if not target.is_projected:
        return nowhere, notes, [TableError(
            f"{where}, crs", got=f"{target.to_string()} (degrees)",
            allowed="a projected CRS in metres or feet", remedy="name the project's projection")]
    shapes = raw.geometry
    if shapes is None:
        shapes = _from_columns(raw.table, chosen, target)
    if shapes is None:
        pairs = " or ".join(f"{x} and {y}" for x, y in POINT_PAIRS)
        return nowhere, notes, [TableError(
            where, got="no columns that say where the assets stand", allowed=f"{pairs}, or wkt",
            remedy="name them: columns={\"easting\": \"...\", \"northing\": \"...\"}")]
    if shapes.crs is None:
        shapes = shapes.set_crs(_likely_crs(shapes, target))
        notes.append(f"the file names no projection: taken as {shapes.crs.to_string()}")
    shapes = _usable(shapes, notes).to_crs(target)
    broken = shapes.notna() & ~np.isfinite(shapes.bounds.to_numpy()).all(axis=1)
    return shapes.mask(broken, None), notes, []


def _from_columns(table: pd.DataFrame, chosen: Mapping[str, str],
                  target: pyproj.CRS) -> gpd.GeoSeries | None:
    if "wkt" in chosen:
        return _from_text(table[chosen["wkt"]], target)
    for (x_name, y_name), crs in zip(POINT_PAIRS, (DEGREES, target), strict=True):
        if x_name in chosen and y_name in chosen:
            x, y = (coordinate_numbers(table[chosen[n]]) for n in (x_name, y_name))
            good = np.isfinite(x) & np.isfinite(y)
            points = np.full(len(x), None, dtype=object)
            points[good] = shapely.points(x[good], y[good])
            return gpd.GeoSeries(points, crs=crs)
    return None


def _from_text(texts: pd.Series, target: pyproj.CRS) -> gpd.GeoSeries:
    """Read shapes written as text; where they name their CRS it is theirs, else not yet known."""
    with np.errstate(all="ignore"):  # numbers beyond any place are emptied later
        read = [read_shape(text) if isinstance(text, str) else (None, "") for text in texts]
    shapes = gpd.GeoSeries([shapely.set_srid(shape, 0) if shape is not None else None
                            for shape, _ in read])
    codes = pd.Series([code for _, code in read], dtype="str")
    named = sorted(set(codes) - {""})
    if not named:
        return shapes
    if len(named) == 1:
        return shapes.set_crs(named[0])
    # Without a code of its own among others that have one, a shape is in the project's.
    whole = shapes.set_crs(target)
    for code in named:
        whole[codes == code] = shapes[codes == code].set_crs(code).to_crs(target)
    return whole


def _likely_crs(shapes: gpd.GeoSeries, target: pyproj.CRS) -> object:
    bounds = shapes.total_bounds
    degrees = np.isfinite(bounds).all() and abs(bounds[[0, 2]]).max() <= 180 and (
        abs(bounds[[1, 3]]).max() <= 90)
    return DEGREES if degrees else target


def _usable(shapes: gpd.GeoSeries, notes: list[str]) -> gpd.GeoSeries:
    """Flatten, mend broken areas, and empty what cannot be a place: (0, 0), off the globe."""
    flat = gpd.GeoSeries(shapely.force_2d(shapes.to_numpy()), index=shapes.index, crs=shapes.crs)
    finite = np.isfinite(flat.bounds.to_numpy()).all(axis=1)
    flat = flat.where(finite & ~flat.is_empty, None)
    broken = flat.notna() & ~flat.is_valid
    flat = flat.mask(broken & ~flat.geom_type.isin(AREAS), None)  # only areas can be mended
    broken &= flat.notna()
    if broken.any():
        mended = shapely.make_valid(flat[broken].to_numpy())
        flat.loc[broken] = gpd.GeoSeries(mended, index=flat.index[broken], crs=flat.crs)
        notes.append(f"{int(broken.sum())} areas crossed themselves and were mended")
    bounds = flat.bounds
    off = bounds.eq(0).all(axis=1)
    if shapes.crs.is_geographic:
        off |= (bounds[["minx", "maxx"]].abs() > 180).any(axis=1)
        off |= (bounds[["miny", "maxy"]].abs() > 90).any(axis=1)
    if off.any():
        notes.append(f"{int(off.sum())} places are (0, 0) or off the globe and are not used")
    return flat.mask(off, None)
