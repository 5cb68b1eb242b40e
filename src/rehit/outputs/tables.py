"""Writing tables as files that people and other programs open."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow as pa
from pyarrow import csv as arrow_csv

from rehit.files.safe_text import neutralise_table
from rehit.report.geodata import GEOPACKAGE_VERSION
from rehit.report.say import MINUS, NO_BREAK, Say


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


# Money and chances in the sentences of results, with no more figures than they can bear.

FIGURES = 3  # as many as totals over simulated futures agree in from run to run


def amount(value: float, currency: str, *, exact: bool = False) -> str:
    """Write money in whole units, an estimate to three significant figures.

    Parameters
    ----------
    value
        Amount [currency].
    currency
        The currency's sign or code.
    exact
        Whether the amount was given rather than estimated, and is written in full.

    Examples
    --------
    >>> amount(1052886, "€"), amount(42.4, "€"), amount(1052886, "EUR", exact=True)
    ('€1,050,000', '€42', 'EUR 1,052,886')
    """
    words = Say("en")
    if not exact and abs(value) >= 1:
        value = round(value, min(0, FIGURES - 1 - math.floor(math.log10(abs(value)))))
    key = "format.money_code" if currency.isalpha() else "format.money_sign"
    minus = MINUS if round(value) < 0 else ""
    said = words(key, minus=minus, currency=currency, value=words.whole(abs(value)))
    return said.replace(NO_BREAK, " ")


def chance(value: float) -> str:
    """Write a chance that was estimated, never as 0 or 100 %.

    Examples
    --------
    >>> chance(0.874), chance(1.0)
    ('87%', 'over 99%')
    """
    said = Say("en").chance(value).replace(NO_BREAK, "")
    return said.replace(">", "over ").replace("<", "under ")
