"""Files for the next analyst: a GeoPackage with styles that QGIS reads, Parquet, a dictionary."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import pandas as pd
import pyogrio
from matplotlib.colors import to_rgb

from rehit.files.writing import GEOPACKAGE_VERSION
from rehit.report.figures import INK, OCHRE, PLUM, QUIET, SKY, ramp_colours
from rehit.report.measures import Facts
from rehit.report.say import Say
from rehit.report.workbook import PRIVATE, data_package

# Layer styles in the XML that QGIS reads (QML), in the report's own colours.

_CLASSES = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0)
_SIZE = "2 + 6 * sqrt(\"rate_per_year\" / maximum(\"rate_per_year\"))"


def style_of(layer: str, say: Say, *, points: bool = False) -> str:
    """Return the QML of one layer: streets, hot_cells, clusters, routes, incidents or places.

    Clusters that are whole streets stand on the map as `points`, which a fill cannot draw.

    Examples
    --------
    >>> "SimpleLine" in style_of("streets", Say("en"))
    True
    """
    root = ET.Element("qgis", version="3.28.0", styleCategories="Symbology")
    if layer == "places":
        _graduated(root)
    elif layer == "hot_cells":
        _hot(root, say)
    else:
        renderer = ET.SubElement(root, "renderer-v2", type="singleSymbol", symbollevels="0")
        symbols = ET.SubElement(renderer, "symbols")
        (_ring if points and layer == "clusters" else _SINGLE[layer])(symbols, "0")
    return '<!DOCTYPE qgis>\n' + ET.tostring(root, encoding="unicode")


def _graduated(root: ET.Element) -> None:
    renderer = ET.SubElement(root, "renderer-v2", type="graduatedSymbol", attr="chance_above",
                             graduatedMethod="GraduatedColor", symbollevels="0",
                             enableorderby="1")
    ranges = ET.SubElement(renderer, "ranges")
    symbols = ET.SubElement(renderer, "symbols")
    colours = ramp_colours(len(_CLASSES) - 1)
    for number, colour in enumerate(colours):
        low, high = _CLASSES[number], _CLASSES[number + 1]
        ET.SubElement(ranges, "range", lower=f"{low}", upper=f"{high}", symbol=str(number),
                      label=f"{low:.0%} – {high:.0%}", render="true")
        layer = _symbol(symbols, str(number), "marker", "SimpleMarker", {
            "name": "circle", "color": _rgba(colour), "outline_color": _rgba(INK),
            "outline_width": "0.2", "size": "3", "size_unit": "MM"})
        _data_defined(layer, "size", _SIZE)
    # The surest places are drawn last, or the many uncertain ones around would hide them.
    order = ET.SubElement(renderer, "orderby")
    ET.SubElement(order, "orderByClause", asc="1", nullsFirst="1").text = '"chance_above"'


def _hot(root: ET.Element, say: Say) -> None:
    renderer = ET.SubElement(root, "renderer-v2", type="categorizedSymbol", attr="hot",
                             symbollevels="0")
    categories = ET.SubElement(renderer, "categories")
    symbols = ET.SubElement(renderer, "symbols")
    ET.SubElement(categories, "category", value="true", type="bool", symbol="0",
                  label=say("map.layer_cells"), render="true")
    _symbol(symbols, "0", "fill", "SimpleFill", {
        "style": "b_diagonal", "color": _rgba(PLUM), "outline_color": _rgba(PLUM),
        "outline_width": "0.3"})


def _line(symbols: ET.Element, name: str, colour: str, width: str) -> None:
    _symbol(symbols, name, "line", "SimpleLine", {
        "line_color": _rgba(colour), "line_width": width, "line_style": "solid",
        "line_width_unit": "MM"})


def _outline(symbols: ET.Element, name: str) -> None:
    _symbol(symbols, name, "fill", "SimpleFill", {
        "style": "no", "outline_color": _rgba(OCHRE), "outline_style": "dash",
        "outline_width": "0.6"})


def _ring(symbols: ET.Element, name: str) -> None:
    _symbol(symbols, name, "marker", "SimpleMarker", {
        "name": "circle", "color": _rgba(OCHRE, 0), "outline_color": _rgba(OCHRE),
        "outline_style": "dash", "outline_width": "0.6", "size": "5", "size_unit": "MM"})


def _dot(symbols: ET.Element, name: str) -> None:
    _symbol(symbols, name, "marker", "SimpleMarker", {
        "name": "square", "color": _rgba(QUIET, 150), "outline_style": "no", "size": "1.2",
        "size_unit": "MM"})


_SINGLE = {"streets": lambda s, n: _line(s, n, "#aab4ba", "0.3"),
           "routes": lambda s, n: _line(s, n, SKY, "0.9"), "clusters": _outline,
           "incidents": _dot}


def _symbol(symbols: ET.Element, name: str, kind: str, layer_class: str,
            options: dict[str, str]) -> ET.Element:
    symbol = ET.SubElement(symbols, "symbol", type=kind, name=name, alpha="1", clip_to_extent="1",
                           force_rhr="0")
    layer = ET.SubElement(symbol, "layer", {"class": layer_class, "enabled": "1", "pass": "0",
                                            "locked": "0"})
    box = ET.SubElement(layer, "Option", type="Map")
    for key, value in options.items():
        ET.SubElement(box, "Option", type="QString", name=key, value=value)
    return layer


def _data_defined(layer: ET.Element, prop: str, expression: str) -> None:
    holder = ET.SubElement(ET.SubElement(layer, "data_defined_properties"), "Option", type="Map")
    ET.SubElement(holder, "Option", name="name", value="", type="QString")
    box = ET.SubElement(holder, "Option", name="properties", type="Map")
    entry = ET.SubElement(box, "Option", name=prop, type="Map")
    ET.SubElement(entry, "Option", name="active", value="true", type="bool")
    ET.SubElement(entry, "Option", name="expression", value=expression, type="QString")
    ET.SubElement(entry, "Option", name="type", value="3", type="int")
    ET.SubElement(holder, "Option", name="type", value="collection", type="QString")


def _rgba(colour: str, alpha: int = 255) -> str:
    return ",".join(str(round(v * 255)) for v in to_rgb(colour)) + f",{alpha}"


GEOPACKAGE, PACKAGE = "rehit.gpkg", "datapackage.json"
#: Layer name to the attribute of ReportInput it holds, from the ground up.
LAYERS = {"streets": "streets", "hot_cells": "cells", "clusters": "clusters", "routes": "routes",
          "incidents": "incidents", "places": "repeats"}
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
            located = gpd.GeoDataFrame(_called(frame, layer, facts))
            if layer == "routes":
                located = located[located["what"] == "route"]
            located = located[located.geometry.notna()]
            if len(located):
                located.to_file(path, layer=layer, driver="GPKG", engine="pyogrio",
                                VERSION=GEOPACKAGE_VERSION)
                styles.append((layer, bool((located.geom_type == "Point").all())))
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    if styles:
        _add_styles(path, styles, facts)


def _called(frame: pd.DataFrame, name: str, facts: Facts) -> pd.DataFrame:
    """Put what a crew calls each place beside its code."""
    if name not in ("places", "repeats"):
        return frame
    return frame.assign(place_name=[facts.named(place) for place in frame["place_id"]])


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
                (layer, column, layer, style_of(layer, facts.say, points=points),
                 facts.say.code("about", layer), _STAMP))
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
    for attribute, frame in facts.written():
        if attribute == "streets":
            continue
        shown = _called(frame, attribute, facts)
        shown = shown.drop(columns=list(PRIVATE & set(frame.columns)))
        name = f"{attribute}.parquet"
        shown.to_parquet(folder / name, index=False)
        described[name] = (attribute, shown)
    text = data_package(facts.inputs.name, described, language=facts.say.language)
    (folder / PACKAGE).write_text(text, encoding="utf-8", newline="\n")
    return [*described, PACKAGE]
