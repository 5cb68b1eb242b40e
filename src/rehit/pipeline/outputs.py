"""Writing tables as files that people and other programs open."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow as pa
from pyarrow import csv as arrow_csv

from rehit.reporting.geodata import GEOPACKAGE_VERSION
from rehit.safe_text import neutralise_table


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as UTF-8 CSV, its point as x and y columns, its text safe for a spreadsheet."""
    arrow = pa.Table.from_pandas(neutralise_table(flat(table)), preserve_index=False)
    arrow_csv.write_csv(arrow, path)


def write_parquet(table: pd.DataFrame, path: Path) -> None:
    """Write a table as Parquet (GeoParquet where it has a geometry)."""
    table.to_parquet(path, index=False)


def write_layers(layers: dict[str, gpd.GeoDataFrame | None], path: Path) -> None:
    """Write the layers that exist and have rows into one GeoPackage."""
    for name, layer in layers.items():
        if layer is not None and len(layer):
            layer.to_file(path, layer=name, driver="GPKG", VERSION=GEOPACKAGE_VERSION)


def flat(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with its geometry replaced by the x and y of a point inside it."""
    if not isinstance(table, gpd.GeoDataFrame) or table._geometry_column_name not in table.columns:
        return table
    points = table.geometry.representative_point()
    plain = pd.DataFrame(table.drop(columns=table.geometry.name))
    return plain.assign(x=points.x.round(2), y=points.y.round(2))
