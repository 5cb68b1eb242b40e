"""What the demo puts on its map."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import geopandas as gpd
import pytest
from shapely.geometry import LineString

from rehit.chain import Chain
from rehit.outputs import report as reports
from rehit.outputs.demo import demo_folder
from rehit.project import load_project


def test_the_demo_plans_a_day_and_hands_its_routes_to_the_map(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The steps around are replaced: the whole demo runs in the continuous checks."""
    drawn: dict[str, Any] = {}

    def plan(_: Chain, stage: Path, **__: object) -> dict[str, object]:
        stage.mkdir()
        gpd.GeoDataFrame({
            "route_id": ["Van A"], "n_stops": [3], "length_km": [1.5], "minutes": [50.0]},
            geometry=[LineString([(-33.0, 46.0), (-33.0, 46.01)])], crs="EPSG:4326",
        ).to_file(stage / "routes.geojson", driver="GeoJSON")
        return {}

    def quarter(_: Chain, __: Path, **given: object) -> dict[str, Any]:
        drawn.update(given)
        return {}

    written = {"n_incidents": 1, "n_rehits": 1, "n_above_threshold": 1}
    monkeypatch.setattr(reports, "write_patrol", plan)
    monkeypatch.setattr(reports, "write_quarter", quarter)
    monkeypatch.setattr(reports, "write_hotspots", lambda *_: written)
    monkeypatch.setattr(reports, "write_comparison", lambda *_, **__: {})
    monkeypatch.setattr(reports, "five_findings", lambda _: [])
    chain = Chain(load_project(demo_folder()))
    reports.write_demo(chain, tmp_path)
    routes = cast(gpd.GeoDataFrame, drawn["routes"])
    assert list(routes["route_id"]) == ["Van A"]
    assert routes.crs == "EPSG:32625"
    assert routes.geometry.length.iloc[0] == pytest.approx(1112, rel=0.01)
