"""GeoPackage and Parquet read back; styles are there for QGIS."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import pandas as pd
import pyogrio

from rehit.report.geodata import LAYERS, style_of
from rehit.report.inputs import ReportInput
from rehit.report.say import Say


def test_layers_keep_rows_and_crs(written: Path, full_input: ReportInput) -> None:
    path = written / "rehit.gpkg"
    names = {row[0] for row in pyogrio.list_layers(path)}
    assert set(LAYERS) <= names
    places = gpd.read_file(path, layer="places")
    assert full_input.repeats is not None
    assert len(places) == len(full_input.repeats)
    assert places.crs.to_epsg() == 25831


def test_each_layer_has_a_default_style_that_parses(written: Path) -> None:
    with sqlite3.connect(written / "rehit.gpkg") as base:
        rows = base.execute("SELECT f_table_name, f_geometry_column, useAsDefault, styleQML "
                            "FROM layer_styles").fetchall()
        registered = base.execute("SELECT data_type FROM gpkg_contents "
                                  "WHERE table_name = 'layer_styles'").fetchone()
    base.close()
    assert registered == ("attributes",)
    assert {row[0] for row in rows} == set(LAYERS)
    for _, column, default, qml in rows:
        assert column == "geom"
        assert default == 1
        root = ET.fromstring(qml.partition("\n")[2])
        assert root.find("renderer-v2") is not None


def test_places_are_classed_by_chance_and_sized_by_rate() -> None:
    root = ET.fromstring(style_of("places", Say("en")).partition("\n")[2])
    ranges = root.findall(".//range")
    assert [r.get("lower") for r in ranges] == ["0.0", "0.25", "0.5", "0.75", "0.9"]
    assert len(root.findall(".//symbol")) == len(ranges)
    assert "rate_per_year" in ET.tostring(root, encoding="unicode")


def test_the_surest_places_are_drawn_last() -> None:
    renderer = ET.fromstring(style_of("places", Say("en")).partition("\n")[2]).find("renderer-v2")
    assert renderer is not None
    assert renderer.get("enableorderby") == "1"
    clause = renderer.find("orderby/orderByClause")
    assert clause is not None
    assert (clause.text, clause.get("asc")) == ('"chance_above"', "1")


def test_the_geopackage_is_of_a_version_that_older_programs_know(written: Path) -> None:
    """GeoPackage 1.2 (OGC 12-128r14) says 10200 in the file's user_version."""
    with sqlite3.connect(written / "rehit.gpkg") as base:
        version = base.execute("PRAGMA user_version").fetchone()[0]
    base.close()
    assert version == 10200


def test_parquet_and_its_dictionary_agree(written: Path) -> None:
    package = json.loads((written / "data" / "datapackage.json").read_text(encoding="utf-8"))
    assert {r["path"] for r in package["resources"]} == {
        p.name for p in (written / "data").glob("*.parquet")}
    for resource in package["resources"]:
        columns = pd.read_parquet(written / "data" / resource["path"]).columns
        assert [f["name"] for f in resource["schema"]["fields"]] == list(columns)
    incidents = gpd.read_parquet(written / "data" / "incidents.parquet")
    assert incidents.crs.to_epsg() == 25831
    assert "original" not in pd.read_parquet(written / "data" / "set_aside.parquet").columns


def test_clusters_that_are_streets_get_a_style_that_can_draw_points() -> None:
    say = Say("en")
    assert 'type="fill"' in style_of("clusters", say)
    ring = style_of("clusters", say, points=True)
    assert 'type="marker"' in ring
    assert "fill" not in ring
