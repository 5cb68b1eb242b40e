"""Layers (GeoPackage, FlatGeobuf, shapefile) and Parquet to texts, with the shapes beside them."""

from __future__ import annotations

import warnings
from dataclasses import replace
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
from rehit.messages import Message, message

WGS84 = "EPSG:4326"


def read_layer(file: Path, *, layer: str | None = None) -> RawTable:
    """Read one layer of a spatial file; the one with most rows if none is named.

    Raises
    ------
    InputFileError
        If the file is damaged or has no such layer.
    """
    where = str(file)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a file that is damaged is refused or read whole
            chosen, names, frame = _layer(file, layer, where)
    except (DataSourceError, DataLayerError, ValueError, RuntimeError, KeyError) as error:
        raise _damaged(where, "spatial", error) from error
    left = ", ".join(repr(name) for name in names if name != chosen)
    notes = (message("reading.layer", layer=chosen, left=left),) if left and layer is None else ()
    return spatial_table(frame, notes=notes)


def _layer(file: Path, layer: str | None, where: str) -> tuple[str, list[str], pd.DataFrame]:
    names = [str(name) for name in pyogrio.list_layers(file)[:, 0]]
    if not names or (layer is not None and layer not in names):
        if not layer:
            raise InputFileError(where, "errors.no_layers")
        raise InputFileError(where, "errors.no_layer", name=layer, known=tuple(names))
    sizes = {name: pyogrio.read_info(file, layer=name, force_feature_count=True)["features"]
             for name in names}
    chosen = layer or max(sizes, key=lambda name: sizes[name])
    # A row whose shape is broken stays, without a place.
    return chosen, names, pyogrio.read_dataframe(file, layer=chosen, on_invalid="ignore")


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
    return InputFileError(where, "errors.damaged_file", kind=kind, said=str(error)[:120])


def plain_table(frame: pd.DataFrame, *, notes: tuple[Message, ...] = ()) -> RawTable:
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


def spatial_table(frame: pd.DataFrame, *, notes: tuple[Message, ...] = ()) -> RawTable:
    """Turn a table with geometry to text; its shapes stand beside it, empty ones as missing."""
    if not isinstance(frame, gpd.GeoDataFrame) or frame.active_geometry_name is None:
        return plain_table(pd.DataFrame(frame), notes=notes)
    table = plain_table(pd.DataFrame(frame.drop(columns=frame.geometry.name)), notes=notes)
    shapes = np.array(frame.geometry.array, dtype=object)
    shapes[shapely.is_empty(shapes)] = None
    rows = pd.RangeIndex(1, len(frame) + 1, name="source_row")
    return replace(table, table=table.table.set_axis(rows),
                   shapes=gpd.GeoSeries(shapes, index=rows, crs=frame.crs))


def with_places(raw: RawTable) -> RawTable:
    """Write shapes into the table: points as longitude and latitude, others as WKT.

    A projected CRS is undone (to WGS 84), which is noted; without a CRS the numbers stay as they
    are, under the names ``x`` and ``y``.
    """
    if raw.shapes is None:
        return raw
    said = list(raw.notes)
    shapes = raw.shapes
    if shapes.crs is not None and shapes.crs != WGS84:
        said.append(message("reading.from_crs", crs=shapes.crs.to_string()))
        shapes = shapes.to_crs(WGS84)
    shown = shapes.notna()
    if not bool((shapes[shown].geom_type == "Point").all()):
        said.append(message("reading.wkt"))
        added = {"wkt": shapes.to_wkt().where(shown, "").tolist()}
    else:
        known = shapes.crs is not None
        points = np.array(shapes.array, dtype=object)
        x, y = shapely.get_x(points), shapely.get_y(points)
        whole = np.isfinite(x) & np.isfinite(y)
        added = {"longitude" if known else "x": _numbers(x, whole),
                 "latitude" if known else "y": _numbers(y, whole)}
    return replace(raw, table=_with_columns(raw.table, added, said), notes=tuple(said),
                   shapes=None)


def _numbers(values: np.ndarray, shown: np.ndarray) -> list[str]:
    return [repr(float(value)) if good else "" for value, good in zip(values, shown, strict=True)]


def _with_columns(table: pd.DataFrame, added: dict[str, list[str]],
                  said: list[Message]) -> pd.DataFrame:
    """Add geometry columns, under another name where the file already has a column so called."""
    result = table.copy()
    for name, cells in added.items():
        free = name
        while free in result.columns:
            free += "_of_geometry"
        if free != name:
            said.append(message("reading.geometry_renamed", name=name, column=free))
        result[free] = pd.Series(cells, index=result.index, dtype="str")
    return result
