"""Files for the next analyst: a GeoPackage with styles that QGIS reads, Parquet, a dictionary."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio

from rehit.reporting.dictionary import data_package
from rehit.reporting.measures import Facts
from rehit.reporting.styles import style_of
from rehit.reporting.workbook import PRIVATE

GEOPACKAGE, PACKAGE = "rehit.gpkg", "datapackage.json"
#: Layer name to the attribute of ReportInput it holds, from the ground up.
LAYERS = {"streets": "streets", "hot_cells": "cells", "clusters": "clusters", "routes": "routes",
          "incidents": "incidents", "places": "repeats"}
#: Programs some years old warn at newer versions of the format.
GEOPACKAGE_VERSION = "1.2"
_STAMP = "2000-01-01T00:00:00.000Z"


def write_geopackage(path: Path, facts: Facts) -> None:
    """Write every layer that has rows into one GeoPackage, each with a default style.

    Parameters
    ----------
    path
        File to write.
    facts
        The report's facts; geometries in the project's CRS.

    References
    ----------
    OGC GeoPackage Encoding Standard; the table ``layer_styles`` is what QGIS reads styles from.
    """
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _STAMP})
    styles = []
    try:
        for layer, attribute in LAYERS.items():
            frame = facts.inputs.given(attribute)
            if frame is None:
                continue
            located = gpd.GeoDataFrame(frame)
            located = located[located.geometry.notna()]
            if len(located):
                located.to_file(path, layer=layer, driver="GPKG", engine="pyogrio",
                                VERSION=GEOPACKAGE_VERSION)
                styles.append((layer, bool((located.geom_type == "Point").all())))
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    if styles:
        _add_styles(path, styles, facts)


def _add_styles(path: Path, layers: list[tuple[str, bool]], facts: Facts) -> None:
    with sqlite3.connect(path) as base:
        base.execute(
            "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, "
            "f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256), "
            "f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT, "
            "useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), "
            "update_time DATETIME)")
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, "
            "last_change) VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?)", (_STAMP,))
        for layer, points in layers:
            column = base.execute("SELECT column_name FROM gpkg_geometry_columns "
                                  "WHERE table_name = ?", (layer,)).fetchone()[0]
            base.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
                "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, "
                "owner, ui, update_time) VALUES ('', '', ?, ?, ?, ?, '', 1, ?, '', '', ?)",
                (layer, column, layer, style_of(layer, facts.words, points=points),
                 facts.words.code("about", layer), _STAMP))
    base.close()


def write_parquet(folder: Path, facts: Facts) -> list[str]:
    """Write every table as Parquet and describe all columns in ``datapackage.json``.

    Parameters
    ----------
    folder
        Where to write; made if missing.
    facts
        The report's facts.

    Returns
    -------
    list of str
        Names of the files.
    """
    folder.mkdir(exist_ok=True)
    described: dict[str, tuple[str, pd.DataFrame]] = {}
    for attribute, frame in facts.inputs.tables():
        if attribute == "streets":
            continue
        shown = frame.drop(columns=list(PRIVATE & set(frame.columns)))
        name = f"{attribute}.parquet"
        shown.to_parquet(folder / name, index=False)
        described[name] = (attribute, shown)
    text = data_package(facts.inputs.name, described, language=facts.words.language)
    (folder / PACKAGE).write_text(text, encoding="utf-8", newline="\n")
    return [*described, PACKAGE]
