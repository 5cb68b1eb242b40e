"""GeoPackage, Parquet and GeoParquet, and features read from JSON, to a table of texts."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError

from rehit.errors import InputFileError
from rehit.files.rows import RawTable, column_names
from rehit.files.sheets import cell_text

WGS84 = "EPSG:4326"


def read_layer(file: Path, *, layer: str | None = None) -> RawTable:
    """Read one layer of a GeoPackage; the one with most rows if none is named.

    Raises
    ------
    InputFileError
        If the file is damaged or has no such layer.
    """
    where = str(file)
    try:
        names = [str(name) for name in pyogrio.list_layers(file)[:, 0]]
        if not names or (layer is not None and layer not in names):
            raise InputFileError(where, got=f"no layer {layer!r}" if layer else "no layer",
                                 allowed=", ".join(map(repr, names)) or "a layer with rows",
                                 remedy="name one of these layers")
        sizes = {name: pyogrio.read_info(file, layer=name, force_feature_count=True)["features"]
                 for name in names}
        chosen = layer or max(sizes, key=lambda name: sizes[name])
        frame = pyogrio.read_dataframe(file, layer=chosen)
    except (DataSourceError, DataLayerError, ValueError, RuntimeError) as error:
        raise _damaged(where, "GeoPackage", error) from error
    left = ", ".join(repr(name) for name in names if name != chosen)
    notes = (f"layer {chosen!r} read, not {left}",) if left and layer is None else ()
    return spatial_table(frame, notes=notes)


def read_parquet(file: Path) -> RawTable:
    """Read Parquet, with geometry if it is GeoParquet.

    Raises
    ------
    InputFileError
        If the file is damaged.
    """
    try:
        if b"geo" in (pq.read_schema(file).metadata or {}):
            return spatial_table(gpd.read_parquet(file))
        return plain_table(pq.read_table(file).to_pandas(ignore_metadata=True))
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as error:
        raise _damaged(str(file), "Parquet", error) from error


def _damaged(where: str, kind: str, error: Exception) -> InputFileError:
    return InputFileError(where, got=f"a damaged {kind} file ({str(error)[:120]})",
                          allowed=f"a whole {kind} file", remedy="copy or export it again")


def plain_table(frame: pd.DataFrame, *, notes: tuple[str, ...] = ()) -> RawTable:
    """Turn every column to text; names are made distinct, empty cells become ""."""
    names, name_notes = column_names([str(name) for name in frame.columns], frame.shape[1])
    index = pd.RangeIndex(1, len(frame) + 1, name="source_row")
    columns = {name: pd.Series(_texts(frame.iloc[:, place]), index=index, dtype="str")
               for place, name in enumerate(names)}
    return RawTable(pd.DataFrame(columns, index=index), True, notes + name_notes)


def _texts(values: pd.Series) -> list[str]:
    if isinstance(values.dtype, pd.CategoricalDtype):
        values = values.astype(object)
    # Missing values of every kind (None, NaN, NaT) are empty cells.
    cells = values.astype(object).where(values.notna(), None).tolist()
    return [cell_text(cell) for cell in cells]


def spatial_table(frame: pd.DataFrame, *, notes: tuple[str, ...] = ()) -> RawTable:
    """Turn a table with geometry to text: points to longitude and latitude, others to WKT.

    A projected CRS is undone (to WGS 84), which is noted; without a CRS the numbers stay as they
    are, under the names ``x`` and ``y``.
    """
    if not isinstance(frame, gpd.GeoDataFrame) or frame.active_geometry_name is None:
        return plain_table(pd.DataFrame(frame), notes=notes)
    geometry = frame.geometry
    table = plain_table(pd.DataFrame(frame.drop(columns=geometry.name)), notes=notes)
    said = list(table.notes)
    if geometry.crs is not None and geometry.crs != WGS84:
        said.append(f"geometry brought from {geometry.crs.to_string()} to WGS 84")
        geometry = geometry.to_crs(WGS84)
    shapes = np.array(geometry.array, dtype=object)
    shapes[shapely.is_empty(shapes)] = None
    shown = pd.Series(~shapely.is_missing(shapes), index=geometry.index)
    if not bool((geometry[shown].geom_type == "Point").all()):
        said.append("geometries that are not points are kept as WKT")
        added = {"wkt": geometry.to_wkt().where(shown, "").tolist()}
    else:
        known = geometry.crs is not None
        x, y = shapely.get_x(shapes), shapely.get_y(shapes)
        whole = np.isfinite(x) & np.isfinite(y)
        added = {"longitude" if known else "x": _numbers(x, whole),
                 "latitude" if known else "y": _numbers(y, whole)}
    return RawTable(_with_columns(table.table, added, said), True, tuple(said))


def _numbers(values: np.ndarray, shown: np.ndarray) -> list[str]:
    return [repr(float(value)) if good else "" for value, good in zip(values, shown, strict=True)]


def _with_columns(table: pd.DataFrame, added: dict[str, list[str]],
                  said: list[str]) -> pd.DataFrame:
    """Add geometry columns, under another name where the file already has a column so called."""
    result = table.copy()
    for name, cells in added.items():
        free = name
        while free in result.columns:
            free += "_of_geometry"
        if free != name:
            said.append(f"the geometry's {name} is called {free!r}")
        result[free] = pd.Series(cells, index=result.index, dtype="str")
    return result
