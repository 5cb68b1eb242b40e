"""Coordinates as spatial databases and spreadsheets write them, and grids nobody names."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Transformer

from rehit.cli import main
from rehit.files.rows import RawTable
from rehit.incidents.clean import clean_incidents
from rehit.incidents.mapping import apply_mapping
from rehit.incidents.places import from_text, read_numbers
from rehit.incidents.projection import suggest_place
from rehit.incidents.propose import log_points, propose_mapping
from rehit.incidents.rows import CleanSettings

LON = np.linspace(4.80, 4.90, 40)
LAT = np.linspace(45.72, 45.79, 40)


def points_in(code: str) -> tuple[np.ndarray, np.ndarray]:
    return Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(LON, LAT)


def log_with(**columns: object) -> RawTable:
    table = pd.DataFrame({"Date reported": [f"{n % 28 + 1:02d}/03/2025" for n in range(40)],
                          **columns}, index=pd.RangeIndex(1, 41, name="source_row"), dtype="str")
    return RawTable(table, name="log.csv")


def degrees_of(raw: RawTable, crs: str | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Longitude and latitude that cleaning makes of a log nobody has described."""
    mapping = propose_mapping(raw, crs=crs)
    settings = CleanSettings(time_zone="UTC", crs="EPSG:32631")
    made = clean_incidents(apply_mapping(raw, mapping), mapping=mapping, settings=settings)
    there = made.incidents.to_crs(4326).sort_values("reported_at").geometry
    return there.x.to_numpy(), there.y.to_numpy()


@pytest.mark.parametrize("written", ["ewkb", "ewkt"])
def test_a_shape_that_names_its_grid_needs_no_question(written: str) -> None:
    shapes = shapely.set_srid(shapely.points(*points_in("EPSG:2154")), 2154)
    texts = shapely.to_wkb(shapes, hex=True, include_srid=True) if written == "ewkb" else [
        f"SRID=2154;{text}" for text in shapely.to_wkt(shapes, rounding_precision=3)]
    raw = log_with(geom=texts)
    mapping = propose_mapping(raw)
    assert mapping.fields["location"].columns == ("geom",)
    assert mapping.places.location_crs == "EPSG:2154"
    assert not mapping.open_questions
    assert suggest_place(*log_points(raw, mapping)).crs == "EPSG:32631"  # type: ignore[union-attr]
    lon, lat = degrees_of(raw)
    assert sorted(lon) == pytest.approx(sorted(LON), abs=1e-6)
    assert sorted(lat) == pytest.approx(sorted(LAT), abs=1e-6)


def test_a_line_stands_at_its_middle_and_an_area_within_itself() -> None:
    texts = pd.Series(["LINESTRING (4 45, 4.2 45.2)", "POLYGON ((4 45, 4.2 45, 4.2 45.2, 4 45))",
                       "POLYGON ((4 45, 4.2", None])
    read = from_text(texts, order="wkt", crs="EPSG:4326")
    assert (read.longitude[0], read.latitude[0]) == pytest.approx((4.1, 45.1))
    assert shapely.from_wkt(texts[1]).contains(shapely.Point(read.longitude[1], read.latitude[1]))
    assert np.isnan(read.longitude[2:]).all()
    assert read.fault.tolist()[2:] == ["unreadable_place", ""]


@pytest.mark.parametrize(("text", "number"), [
    ("6,483,231.12", 6483231.12), ("565,123.4", 565123.4), ("5.933.912,45", 5933912.45),
    ("565.123,45", 565123.45), ("1'842'000", 1842000.0), ("5 933 912,5", 5933912.5),
    ("41,763", 41.763), ("-87,6867", -87.6867)])
def test_thousands_set_apart(text: str, number: float) -> None:
    assert read_numbers(pd.Series([text]))[0][0] == number


def test_grouped_feet_are_a_grid_and_not_degrees() -> None:
    x, y = points_in("EPSG:2154")
    raw = log_with(X=[f"{v:,.2f}" for v in x], Y=[f"{v:,.2f}" for v in y])
    mapping = propose_mapping(raw, crs="EPSG:2154")
    assert "location" not in mapping.fields
    assert mapping.fields["easting"].columns == ("X",)
    assert mapping.places.crs == "EPSG:2154"
    assert sorted(degrees_of(raw, "EPSG:2154")[0]) == pytest.approx(sorted(LON), abs=1e-6)


def test_a_grid_nobody_knows_is_not_taken_for_the_projects() -> None:
    x, y = points_in("EPSG:32632")  # a neighbouring zone: plausible and wrong
    raw = log_with(Easting=[f"{v:.2f}" for v in x], Northing=[f"{v:.2f}" for v in y])
    mapping = propose_mapping(raw)
    assert [q.key for q in mapping.open_questions] == ["places.crs"]
    made = clean_incidents(apply_mapping(raw, mapping), mapping=mapping,
                           settings=CleanSettings(time_zone="UTC", crs="EPSG:32631"))
    assert made.incidents.geometry.is_empty.all() or made.incidents.geometry.isna().all()
    said = made.findings.set_index("code").loc["grid_unknown"]
    assert (said["severity"], said["count"]) == ("high", 40)


def us_log(folder: Path) -> Path:
    to = Transformer.from_crs("EPSG:4326", "EPSG:2229", always_xy=True)
    x, y = to.transform(-118.25 + (LON - 4.8) / 5, 34.05 + (LAT - 45.72) / 5)
    lines = ["Created,X Coord,Y Coord"] + [
        f'03/{n % 28 + 1:02d}/2025,"{a:,.1f}","{b:,.1f}"' for n, (a, b) in enumerate(zip(
            x, y, strict=True))]
    (folder / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "log.csv"


def test_new_says_that_the_grid_is_missing_not_the_coordinates(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "town"), "--log", str(us_log(tmp_path))]) != 0
    said = capsys.readouterr().err
    assert "Its coordinates are in a grid that is not named" in said
    assert "without coordinates" not in said


def test_new_takes_a_grid_in_feet_for_the_log_and_metres_for_the_project(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = main(["new", str(tmp_path / "town"), "--log", str(us_log(tmp_path)),
                 "--crs", "EPSG:2229"])
    assert done == 0, capsys.readouterr().err
    assert "projection: EPSG:32611" in capsys.readouterr().out
    assert 'crs = "EPSG:2229"' in (tmp_path / "town" / "mapping.toml").read_text("utf-8")
