"""Patrol routes read back for the map: what `rehit patrol` writes, and nothing else."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
from shapely.geometry import LineString, Point

from rehit.errors import InputFileError
from rehit.outputs.report import read_routes, routes_if_any
from rehit.tables import check

CRS = "EPSG:32625"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A patrol's output: two routes and a stop in degrees, and the plan that names the day."""
    lines = [LineString([(500000, 5094000), (500300, 5094400)]),
             LineString([(500000, 5094000), (499000, 5094000)])]
    found = gpd.GeoDataFrame(
        {"what": ["route", "route", "stop"], "route_id": ["V1", "V2", None],
         "crew_id": [None, None, "V1"], "number": [None, None, 1], "name": [None, None, "2 Elm"],
         "n_stops": [4, 2, None], "length_km": [0.5, 1.0, None], "minutes": [95.0, 60.0, None]},
        geometry=[*lines, Point(500300, 5094400)], crs=CRS)
    text = found.to_crs("EPSG:4326").to_json(drop_id=True, na="drop")
    (tmp_path / "routes.geojson").write_text(text, encoding="utf-8")
    (tmp_path / "day_plan.json").write_text(json.dumps(
        {"day": "2026-01-02", "crews": [{"crew_id": "V1", "name": "Van A"},
                                        {"crew_id": "V2", "name": None}]}), encoding="utf-8")
    return tmp_path


def test_routes_come_back_in_metres_with_their_day(folder: Path) -> None:
    routes = read_routes(folder, crs=CRS)
    check(routes, "report_ways", where="test")
    assert routes["route_id"].tolist() == ["Van A, 2026-01-02", "V2, 2026-01-02",
                                           "Van A, 2026-01-02"]
    assert routes["n_stops"].tolist()[:2] == [4, 2]
    assert routes.geometry.length.tolist() == pytest.approx([500.0, 1000.0, 0.0], abs=0.05)
    assert routes.loc[2, ["what", "number", "name"]].tolist() == ["stop", 1, "2 Elm"]


def test_without_a_plan_the_crew_alone_names_the_route(folder: Path) -> None:
    (folder / "day_plan.json").unlink()
    assert read_routes(folder / "routes.geojson", crs=CRS)["route_id"].tolist() == [
        "V1", "V2", "V1"]


@pytest.mark.parametrize(("text", "got"), [
    (None, "no file that can be read"), ("{", "no file that can be read"),
    ('{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"a": 1}, '
     '"geometry": {"type": "Point", "coordinates": [0, 0]}}]}', "no column route_id")])
def test_another_file_is_refused_if_asked_for_and_passed_over_if_not(
        tmp_path: Path, text: str | None, got: str) -> None:
    if text is not None:
        (tmp_path / "routes.geojson").write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match=got):
        read_routes(tmp_path / "routes.geojson", crs=CRS)
    assert routes_if_any(tmp_path, crs=CRS) is None
