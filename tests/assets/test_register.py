"""Registers of every format come to one contract; faults are listed at once; no row is lost."""

from __future__ import annotations

import csv
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from rehit.assets.register import inspect_register, read_register
from rehit.errors import InputFileError, ManyErrors, RehitError, TableError
from rehit.messages import Message, message
from rehit.report.say import Say
from rehit.tables import check

CRS = "EPSG:32625"
DEMO = Path(__file__).parents[2] / "data_demo" / "assets.geojson"
ROWS = pd.DataFrame({
    "Asset No": ["W-1", "C-2", "U-3"], "Asset Type": ["Boundary wall", "Utility box", "Ford"],
    "Surface Material": ["Brick - painted", "powder coated", "moon dust"],
    "Area m2": ["20", "3,5", ""], "Owner": ["council", None, "railway"],
    "Street Address": ["12 HIGH ST", "High Street", None], "Heritage": ["No", "", "Yes"],
    "Access": ["", "cherry picker", "ladder"], "Traffic control": ["y", "n", None],
    "Easting": ["500000", "500010", "500020"], "Northing": ["5000000", "5000000", "5000000"]})


def write(folder: Path, kind: str, rows: pd.DataFrame = ROWS) -> Path:
    """Write the register in one format."""
    path = folder / f"register.{kind}"
    if kind == "csv":
        rows.to_csv(path, index=False)
        return path
    points = gpd.GeoDataFrame(
        rows.drop(columns=["Easting", "Northing"]),
        geometry=gpd.points_from_xy(rows["Easting"], rows["Northing"]), crs=CRS)
    if kind == "tsv":
        rows.to_csv(path, index=False, sep="\t", encoding="utf-16")
    elif kind == "xlsx":
        rows.to_excel(path, index=False)
    elif kind == "parquet":
        points.to_parquet(path)
    elif kind == "geojson":
        points.to_crs(4326).to_file(path, driver="GeoJSON")
    else:
        points.to_file(path)
    return path


@pytest.mark.parametrize("kind", ["csv", "tsv", "xlsx", "parquet", "geojson", "gpkg"])
def test_every_format_gives_the_same_register(tmp_path: Path, kind: str) -> None:
    found = read_register(write(tmp_path, kind), crs=CRS)
    check(found, "register", where="test")
    assert found["asset_id"].tolist() == ["W-1", "C-2", "U-3"]
    assert found["asset_type"].tolist() == ["wall", "cabinet", "ford"]
    assert found["substrate"].tolist() == ["brick", "powder_coated", "unknown"]
    assert found["finish"].tolist() == ["painted", "unknown", "unknown"]
    assert found["wall_area_m2"].fillna(-1).tolist() == [20.0, 3.5, -1.0]
    assert found["address_key"].fillna("").tolist() == ["12 high street", "high street", ""]
    assert found["heritage"].tolist() == [False, False, True]
    # Fault: what nobody had said was taken for a yes. A listed thing is not coated without one.
    assert [None if pd.isna(said) else bool(said) for said in found["coating_allowed"]] == [
        None, None, False]
    assert found["access"].tolist() == ["ground", "platform", "ladder"]
    assert found["traffic_control"].tolist() == [True, False, False]
    assert found.crs == CRS
    np.testing.assert_allclose(found.geometry.x, [500000, 500010, 500020], atol=0.05)
    assert any("moon dust" in str(note) for note in found.attrs["notes"])


def test_demo_register_is_understood_without_help() -> None:
    reading = inspect_register(DEMO, crs=CRS)
    assert len(reading.register) == 1600
    assert reading.without_place.empty
    assert reading.register["substrate"].ne("unknown").all()


def test_square_feet_and_length_times_height(tmp_path: Path) -> None:
    rows = ROWS.drop(columns="Area m2").assign(**{
        "Area sqft": ["100", "", ""], "Length": ["", "10", ""], "Height": ["", "2.5", "3"]})
    found = read_register(write(tmp_path, "csv", rows), crs=CRS)
    # 100 international square feet = 9.290304 m2
    assert found["wall_area_m2"].fillna(-1).tolist() == [9.290304, 25.0, -1.0]


def test_lines_and_areas_stay_and_broken_areas_are_mended(tmp_path: Path) -> None:
    shapes = [shapely.LineString([(0, 0), (50, 0)]),
              shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)]), shapely.Point(5, 5, 7)]
    frame = gpd.GeoDataFrame({"asset_id": ["a", "b", "c"]}, geometry=shapes, crs=CRS)
    frame.geometry = frame.translate(500000, 5000000)
    frame.to_file(tmp_path / "r.gpkg")
    reading = inspect_register(tmp_path / "r.gpkg", crs=CRS)
    assert reading.register.geom_type.tolist() == ["LineString", "MultiPolygon", "Point"]
    assert reading.register.is_valid.all()
    assert not reading.register.has_z.any()
    assert reading.register.geometry.iloc[1].area == pytest.approx(50.0)
    assert message("register.mended", n=1) in reading.notes


def test_rows_without_place_are_kept_apart_and_named(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    ROWS.assign(Easting=["500000", "x", "0"], Northing=["5000000", "5000000", "0"]).to_csv(
        path, index=False)
    reading = inspect_register(path, crs=CRS)
    assert reading.register["asset_id"].tolist() == ["W-1"]
    assert reading.without_place["asset_id"].tolist() == ["C-2", "U-3"]
    assert ("C-2", "U-3") in [note.facts["assets"] for note in reading.notes
                              if isinstance(note, Message) and "assets" in note.facts]


def test_degrees_are_recognised(tmp_path: Path) -> None:
    rows = ROWS.drop(columns=["Easting", "Northing"]).assign(
        lat=["46.0", "46.001", "95"], lon=["-33.0", "-33.001", "-33"])
    path = tmp_path / "r.csv"
    rows.to_csv(path, index=False)
    reading = inspect_register(path, crs=CRS)
    assert len(reading.register) == 2
    assert reading.register.geometry.x.iloc[0] == pytest.approx(500000, abs=0.01)


def test_wkt_with_words_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    pd.DataFrame({"id": [1, 2, 3], "wkt": [
        "POINT (500000 5000000)", "nonsense", "LINESTRING (500000 5000000, 500010 5000000)"],
    }).to_csv(path, index=False)
    reading = inspect_register(path, crs=CRS)
    assert reading.register["asset_id"].tolist() == ["1", "3"]
    assert reading.register.geometry.length.tolist() == [0.0, 10.0]


def test_duplicates_differ_or_repeat(tmp_path: Path) -> None:
    twice = pd.concat([ROWS, ROWS.iloc[[0]]], ignore_index=True)
    reading = inspect_register(write(tmp_path, "csv", twice), crs=CRS)
    assert len(reading.register) == 3
    clash = pd.concat([ROWS, ROWS.iloc[[0]].assign(Easting="500500"),
                       ROWS.iloc[[1]].assign(Owner="other")], ignore_index=True)
    with pytest.raises(ManyErrors) as caught:
        inspect_register(write(tmp_path, "csv", clash), crs=CRS)
    assert [Say("en").told(e.where) for e in caught.value.errors] == [
        "register.csv, asset 'C-2'", "register.csv, asset 'W-1'"]


def test_missing_numbers_take_the_row(tmp_path: Path) -> None:
    rows = ROWS.assign(**{"Asset No": ["W-1", None, "U-3"]})
    found = read_register(write(tmp_path, "csv", rows), crs=CRS)
    assert found["asset_id"].tolist() == ["W-1", "row 2", "U-3"]


def test_all_faults_at_once(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    pd.DataFrame({"a": [1], "b": [2]}).to_csv(path, index=False)
    with pytest.raises(ManyErrors) as caught:
        read_register(path, crs="EPSG:4326", columns={"owner": "zz", "hue": "a"})
    assert len(caught.value.errors) == 4  # no such column, no such field, no number, degrees


def test_user_columns_and_words(tmp_path: Path) -> None:
    words = tmp_path / "words.csv"
    words.write_text("word,kind,code,language,reason\nmoon dust,substrate,stone,en,local\n")
    rows = ROWS.rename(columns={"Asset No": "Kennung"})
    found = read_register(write(tmp_path, "csv", rows), crs=CRS, vocabulary=words,
                          columns={"asset_id": "Kennung"})
    assert found["substrate"].tolist()[2] == "stone"


def test_further_columns_are_carried_as_numbers_or_words(tmp_path: Path) -> None:
    rows = ROWS.assign(Lamps=["2", "", "0"], Lit=["Yes ", "no", None])
    found = read_register(write(tmp_path, "csv", rows), crs=CRS, extra=("Lamps", "Lit"))
    assert found["Lamps"].tolist()[::2] == [2.0, 0.0]
    assert np.isnan(found["Lamps"][1])
    assert found["Lit"].tolist()[:2] == ["yes", "no"]
    assert found["Lit"].isna().tolist() == [False, False, True]


@pytest.mark.parametrize("name", ["Lamps", "Owner", "substrate"])
def test_further_columns_that_are_not_there_or_taken_are_faults(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, "csv", ROWS.assign(Lit="yes"))
    with pytest.raises(ManyErrors, match=r"register_effects.*Lit"):
        read_register(path, crs=CRS, extra=(name,))


@pytest.mark.parametrize(("name", "content"), [
    ("empty.csv", b""), ("header.csv", b"asset_id,easting,northing\n"), ("bad.xlsx", b"no"),
    ("bad.gpkg", b"no"), ("bad.parquet", b"no"), ("bad.geojson", b"{"), ("what.doc", b"x")])
def test_unusable_files_are_said_to_be_so(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputFileError):
        read_register(tmp_path / name, crs=CRS)
    with pytest.raises(InputFileError):
        read_register(tmp_path / "absent.csv", crs=CRS)


def test_no_place_at_all(tmp_path: Path) -> None:
    rows = ROWS.assign(Easting="", Northing="")
    path = tmp_path / "r.csv"
    rows.to_csv(path, index=False)
    with pytest.raises(TableError):
        read_register(path, crs=CRS)


def test_title_rows_and_sheet_choice(tmp_path: Path) -> None:
    path = tmp_path / "r.xlsx"
    with pd.ExcelWriter(path) as book:
        pd.DataFrame({"x": [1]}).to_excel(book, sheet_name="notes", index=False)
        ROWS.to_excel(book, sheet_name="assets", index=False, startrow=3)
    assert len(read_register(path, crs=CRS, sheet="assets")) == 3
    with pytest.raises(InputFileError):
        read_register(path, crs=CRS, sheet="absent")


CELLS = st.sampled_from([
    "", "1", "12 High St", "yes", "46.0", "-33", "500000", "5000000", "nan", "inf", "-inf", "1e400",
    "POINT (1 2)", "POINT EMPTY", "POINT(nan nan)", "LINESTRING(0 0)", "GEOMETRYCOLLECTION EMPTY",
    "POLYGON ((0 0,1 1,1 0,0 1,0 0))", "POLYGON ((nan 0,1 1,1 0,nan 0))", "=1+1", "\x00", "'", '"',
    "brick", "1,5", "9" * 400, "\u0661\u0662", "{a}"])
HEADERS = st.sampled_from([
    "asset id", "type", "surface", "finish", "area", "owner", "address", "heritage", "access",
    "lat", "lon", "easting", "northing", "wkt", "length", "height", "area sqft", "", "=1+1"])


@settings(max_examples=150, deadline=None)
@given(st.lists(HEADERS, min_size=1, max_size=7), st.lists(st.lists(CELLS, max_size=8), max_size=4))
def test_any_table_of_strings_gives_a_register_or_one_clear_error(
        headers: list[str], rows: list[list[str]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "r.csv"
        with path.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows([headers, *rows])
        try:
            reading = inspect_register(path, crs=CRS)
        except RehitError:
            return
    assert len(reading.register) + len(reading.without_place) <= len(rows)
    assert np.isfinite(reading.register.total_bounds).all()


@pytest.mark.parametrize("written", ["comma", "grouped", "ewkt", "ewkb"])
def test_places_as_spreadsheets_and_databases_write_them(written: str, tmp_path: Path) -> None:
    lon, lat = [4.8301, 4.8402], [45.7503, 45.7604]
    x, y = Transformer.from_crs("EPSG:4326", "EPSG:2154", always_xy=True).transform(lon, lat)
    shapes = shapely.set_srid(shapely.points(x, y), 2154)
    columns = {
        "comma": {"Latitude": [f"{v}".replace(".", ",") for v in lat],
                  "Longitude": [f"{v}".replace(".", ",") for v in lon]},
        "grouped": {"X": [f"{v:,.2f}" for v in x], "Y": [f"{v:,.2f}" for v in y]},
        "ewkt": {"geom": [f"SRID=2154;{s.wkt}" for s in shapes]},
        "ewkb": {"geom": shapely.to_wkb(shapes, hex=True, include_srid=True)}}[written]
    path = tmp_path / "register.csv"
    pd.DataFrame({"Code": ["00012", "00013"], **columns}).to_csv(path, index=False, sep=";")
    crs = "EPSG:2154" if written == "grouped" else "EPSG:32631"
    found = read_register(path, crs=crs)
    degrees = found.to_crs(4326).geometry
    assert degrees.x.tolist() == pytest.approx(lon, abs=1e-6)
    assert degrees.y.tolist() == pytest.approx(lat, abs=1e-6)


def test_the_owner_s_number_goes_before_the_row_number_of_mapping_software(tmp_path: Path) -> None:
    table = pd.DataFrame({"objectid": [3, 4], "gefaess_id": [1729, 1382], "region": ["a", "a"],
                          "longitude": [-1.5, -1.6], "latitude": [53.8, 53.9]})
    table.to_csv(tmp_path / "bins.csv", index=False)
    found = inspect_register(tmp_path / "bins.csv", crs=CRS)
    assert found.register["asset_id"].tolist() == ["1729", "1382"]
    assert found.notes[0].code == "register.own_number"
    table.assign(gefaess_id=[7, 7]).to_csv(tmp_path / "bins.csv", index=False)
    shared = inspect_register(tmp_path / "bins.csv", crs=CRS).register
    assert shared["asset_id"].tolist() == ["3", "4"]
