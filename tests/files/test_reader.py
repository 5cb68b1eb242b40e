"""One tiny file per fault, named for it; and that no file of any bytes gives a traceback."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rehit.errors import InputFileError, ManyErrors, RehitError
from rehit.files.reader import read_table, read_tables, stack_tables
from rehit.files.rows import RawTable
from rehit.report.say import Say

FAULTS = Path(__file__).parent / "faults_reading"
EXPECTED = list(csv.DictReader((FAULTS / "expected.csv").read_text(encoding="utf-8").splitlines()))
SHARED = Path(__file__).parents[2].parent / "shared" / "data"


def test_every_planted_file_has_one_expected_outcome() -> None:
    named = [row["file"] for row in EXPECTED]
    assert sorted(named) == sorted(p.name for p in FAULTS.iterdir() if p.name != "expected.csv")
    assert len(named) >= 25


@pytest.mark.parametrize("row", [r for r in EXPECTED if r["outcome"] == "error"],
                         ids=lambda row: row["file"])
def test_an_unusable_file_is_refused_in_words(row: dict[str, str]) -> None:
    with pytest.raises(InputFileError) as caught:
        read_table(FAULTS / row["file"])
    assert row["expected"] in Say("en")(caught.value.got)
    assert row["file"] in caught.value.where
    assert Say("es")(caught.value.remedy)


@pytest.mark.parametrize("row", [r for r in EXPECTED if r["outcome"] != "error"],
                         ids=lambda row: row["file"])
def test_a_faulty_file_is_read_and_no_row_is_lost(row: dict[str, str]) -> None:
    raw = read_table(FAULTS / row["file"])
    assert raw.table.index.tolist() == list(range(1, int(row["rows"]) + 1))
    assert all(str(dtype) == "str" for dtype in raw.table.dtypes)
    assert not raw.table.isna().any().any()
    if row["outcome"] == "cell":
        number, column, text = row["expected"].split(" ", 2)
        assert raw.table.loc[int(number), column] == text
        assert raw.ragged_rows == ()
    elif row["outcome"] == "note":
        notes = Say("en").all(raw.notes)
        assert any(row["expected"] in note for note in notes), notes
    elif row["outcome"] == "ragged":
        assert raw.ragged_rows == (int(row["expected"]),)
    assert raw.has_header == (row["outcome"] != "headerless")


def test_overlong_and_short_rows_keep_every_cell() -> None:
    long = read_table(FAULTS / "row_too_long.csv").table
    assert long.loc[2].tolist() == ["A2", "17/03/2018", "3 Oak Road", " rear", "46.002", "-33.002"]
    assert long.columns[-1] == "cells_beyond_the_header"
    short = read_table(FAULTS / "row_too_short.csv").table
    assert short.loc[2].tolist() == ["A2", "17/03/2018", "", "", ""]


@pytest.mark.parametrize("row", ["A7,17/03/2018", 'A7,17/03/2018,"Oak, rear",x,46.0,-33.0'])
def test_a_few_uneven_rows_in_a_long_log_stand_where_they_stood(tmp_path: Path, row: str) -> None:
    """The fast reader puts them back; the tolerant one, on a few rows, is the authority."""
    even = [f"B{n},05/03/2018,{n} Elm Street,46.001,-33.001" for n in range(500)]
    header = "number,reported,address,latitude,longitude"
    long, short = tmp_path / "long.csv", tmp_path / "short.csv"
    long.write_text("\n".join([header, *even[:300], row, "", *even[300:]]), encoding="utf-8")
    short.write_text("\n".join([header, even[0], row, even[1]]), encoding="utf-8")
    raw, few = read_table(long), read_table(short)
    assert raw.ragged_rows == (301,)
    assert few.ragged_rows == (2,)
    assert raw.table.loc[301].tolist() == few.table.loc[2].tolist()
    assert raw.table["number"].drop(301).tolist() == [f"B{n}" for n in range(500)]
    assert raw.table.index.tolist() == list(range(1, 502))


def test_a_quote_that_is_never_closed_swallows_no_row() -> None:
    table = read_table(FAULTS / "quote_never_closed.csv").table
    assert table["number"].tolist() == ["A1", "A2", "A3"]
    assert table.loc[1, "address"] == "12 Elm Street"


def test_a_cell_longer_than_the_csv_module_allows_is_read(tmp_path: Path) -> None:
    """Python's csv module refuses cells above 131,072 characters unless told otherwise."""
    before = csv.field_size_limit()
    file = tmp_path / "log.csv"
    file.write_text('number,notes\n1,"' + "x" * 140_000 + '"\n2\n', encoding="utf-8")
    raw = read_table(file)
    assert raw.table["notes"].str.len().tolist() == [140_000, 0]
    assert csv.field_size_limit() == before


def test_line_ends_inside_quoted_cells_stay() -> None:
    table = read_table(FAULTS / "line_end_in_cell.csv").table
    assert table.loc[1, "address"] == "12 Elm Street\nrear wall"


@pytest.mark.parametrize("name", ["utf8_with_mark.csv", "utf16_with_mark.csv", "windows_1252.csv",
                                  "utf16_without_mark.csv"])
def test_letters_survive_every_encoding(name: str) -> None:
    assert read_table(FAULTS / name).table.loc[1, "address"] == "12 Königstraße"


@pytest.mark.parametrize("name", ["leading_zeros_and_dates.xlsx", "old_workbook.xls",
                                  "old_workbook.ods"])
def test_workbooks_keep_text_as_text_and_dates_as_dates(name: str) -> None:
    table = read_table(FAULTS / name).table
    assert table["number"].tolist() == ["00123", "00124"]
    assert table["reported"].tolist() == ["2018-03-05 14:20:00", "2018-03-17"]


def test_a_sheet_and_a_layer_can_be_chosen_and_a_wrong_one_lists_the_right_ones() -> None:
    book, package = FAULTS / "header_in_third_row_of_second_sheet.xlsx", (
        FAULTS / "two_layers_projected.gpkg")
    assert read_table(book, sheet="Log").table["number"].tolist() == ["1", "2"]
    assert len(read_table(package, layer="other").table) == 1
    with pytest.raises(InputFileError, match="'Cover', 'Log'"):
        read_table(book, sheet="Sheet9")
    with pytest.raises(InputFileError, match="'incidents', 'other'"):
        read_table(package, layer="roads")


def test_points_of_a_projected_layer_come_back_in_degrees() -> None:
    table = read_table(FAULTS / "two_layers_projected.gpkg").table
    assert float(table.loc[1, "longitude"]) == pytest.approx(-33.001, abs=1e-9)
    assert float(table.loc[1, "latitude"]) == pytest.approx(46.001, abs=1e-9)
    assert table.loc[2, ["longitude", "latitude"]].tolist() == ["", ""]


@pytest.mark.parametrize("geometry", [
    "null", '{"type":"Point","coordinates":[]}', '{"type":"LineString","coordinates":null}',
    '{"type":"Foo","coordinates":[1,2]}', '"POINT (1 2)"',
    '{"type":"Point","coordinates":[NaN,2]}'])
def test_odd_geometries_leave_the_place_empty_and_keep_the_row(tmp_path: Path,
                                                               geometry: str) -> None:
    """RFC 7946, 3.2: a feature may be unlocated (null); the others are faults of the export."""
    file = tmp_path / "log.json"
    file.write_text('{"type":"FeatureCollection","features":[{"type":"Feature","properties":'
                    '{"number":"A\\ud800"},"geometry":' + geometry + "}]}", encoding="utf-8")
    table = read_table(file).table
    assert table.loc[1].tolist() == ["A?", "", ""]
    assert table.columns.tolist() == ["number", "longitude", "latitude"]


def test_open311_json_and_xml_give_the_same_table() -> None:
    """GeoReport v2 gives the same requests in either notation."""
    one, other = (read_table(FAULTS / f"open311.{kind}").table for kind in ("json", "xml"))
    assert one[other.columns.tolist()].equals(other)
    # JSON numbers keep the digits they were written with.
    assert one["long"].tolist() == ["-33.001", "-33.002"]


def test_a_missing_file_a_folder_and_no_file_are_said(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="no such file"):
        read_table(tmp_path / "gone.csv")
    with pytest.raises(InputFileError, match="a folder"):
        read_table(tmp_path)
    with pytest.raises(InputFileError, match="no file"):
        read_tables([])


def test_several_files_are_read_together_and_all_bad_ones_named(tmp_path: Path) -> None:
    good = [FAULTS / "tabs.tsv", FAULTS / "windows_1252.csv"]
    assert [raw.name for raw in read_tables(good)] == ["tabs.tsv", "windows_1252.csv"]
    with pytest.raises(ManyErrors) as caught:
        read_tables([*good, FAULTS / "json_cut_short.json", tmp_path / "gone.csv"])
    assert [Path(str(error.where)).name for error in caught.value.errors] == [
        "json_cut_short.json", "gone.csv"]
    # An empty month among others is a note.
    assert [raw.name for raw in read_tables([*good, FAULTS / "empty.csv"])] == [
        "tabs.tsv", "windows_1252.csv"]
    with pytest.raises(InputFileError, match="twice"):
        read_tables([good[0], good[0]])


def test_stacked_logs_hold_the_rows_of_all_files() -> None:
    logs = read_tables([FAULTS / "tabs.tsv", FAULTS / "open311.json"])
    stacked = stack_tables(logs)
    assert len(stacked.table) == 4
    assert stacked.table.index.tolist() == [1, 2, 3, 4]
    assert stacked.table.loc[4, "service_request_id"] == "638345"
    assert stacked.table.loc[4, "number"] == ""
    assert logs[1].table.index.tolist() == [1, 2]


def test_two_files_of_one_name_are_told_apart_by_their_folder(tmp_path: Path) -> None:
    for quarter in ("q1", "q2"):
        (tmp_path / quarter).mkdir()
        (tmp_path / quarter / "log.csv").write_text("reported\n05/03/2018\n", encoding="utf-8")
    read = read_tables([tmp_path / "q1" / "log.csv", tmp_path / "q2" / "log.csv"])
    assert [raw.name for raw in read] == ["q1/log.csv", "q2/log.csv"]


def test_being_told_about_the_header_wins_over_finding_out() -> None:
    file = FAULTS / "header_missing.csv"
    assert len(read_table(file, has_header=True).table) == 1
    assert read_table(FAULTS / "tabs.tsv", has_header=False).table.loc[1, "column_1"] == "number"


@pytest.mark.parametrize(("folder", "file", "rows", "columns", "header"), [
    ("chicago", "chicago_graffiti_historical_extract.csv", 12_621, 18, True),
    ("san_diego", "SDGraffiti3.csv", 19_339, 11, True),
    ("westminster_uk", "Graffiti.csv", 4_867, 6, False),
])
def test_real_logs_lose_no_row(folder: str, file: str, rows: int, columns: int,
                               header: bool) -> None:
    if not SHARED.is_dir():
        pytest.skip("the real logs in ../shared are not here")
    raw = read_table(SHARED / folder / file)
    assert raw.table.shape == (rows, columns)
    assert raw.has_header == header
    assert raw.ragged_rows == ()


STARTS = (b"", b"{", b"<a>", b"PK\x03\x04", b"PAR1", b"SQLite format 3\x00",
          b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"\xff\xfe", b"\xef\xbb\xbf")


@settings(max_examples=150, deadline=None)
@given(start=st.sampled_from(STARTS),
       rest=st.one_of(st.binary(max_size=120), st.text(
           alphabet='a1,;"\n\r\t|\'é {}[]:<>/', max_size=120).map(lambda text: text.encode())))
def test_any_bytes_are_read_or_refused_in_words(tmp_path_factory: pytest.TempPathFactory,
                                                start: bytes, rest: bytes) -> None:
    file = tmp_path_factory.mktemp("bytes") / "log.csv"
    file.write_bytes(start + rest)
    try:
        raw = read_table(file)
    except RehitError:
        return
    assert isinstance(raw, RawTable)
    assert raw.table.index.tolist() == list(range(1, len(raw.table) + 1))
    assert not raw.table.isna().any().any()


WORDS = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp")),
                min_size=1, max_size=8).filter(lambda text: text.strip() == text)


@settings(max_examples=100, deadline=None)
@given(body=st.lists(st.lists(WORDS, min_size=3, max_size=3), min_size=1, max_size=8),
       mark=st.sampled_from([",", ";", "\t"]))
@example(body=[["¶", ":", "["], ["¶", "0", "0"]], mark=";")
@example(body=[[";", ",", ";"], ['",', '","', '",""']], mark=",")
def test_what_the_csv_module_writes_comes_back_cell_for_cell(
        tmp_path_factory: pytest.TempPathFactory, body: list[list[str]], mark: str) -> None:
    """Python's csv module is the authority for quoting (RFC 4180)."""
    file = tmp_path_factory.mktemp("csv") / "log.csv"
    with file.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, delimiter=mark, quoting=csv.QUOTE_ALL)
        writer.writerows([["request number", "reported date", "street address"], *body])
    raw = read_table(file, has_header=True)
    assert raw.table.to_numpy().tolist() == body


@pytest.mark.parametrize("name", ["EPSG:99999", "nonsense", "EPSG:", "\ud800"])
def test_a_projection_nobody_knows_is_one_message(tmp_path: Path, name: str) -> None:
    content = {"type": "FeatureCollection", "crs": {"properties": {"name": name}}, "features": [
        {"type": "Feature", "properties": {"id": "1"},
         "geometry": {"type": "Point", "coordinates": [1.0, 2.0]}}]}
    file = tmp_path / "log.geojson"
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(InputFileError, match="GeoJSON in an unknown CRS"):
        read_table(file)


def test_empty_months_among_others_are_a_note(tmp_path: Path) -> None:
    for month in range(1, 8):
        rows = "R1,2025-01-01\n" * (month == 4)
        (tmp_path / f"m{month}.csv").write_text("Ref,Date\n" * (month != 7) + rows, "utf-8")
    read = read_tables([tmp_path / f"m{month}.csv" for month in range(1, 8)])
    assert [raw.name for raw in read] == ["m4.csv"]
    note = read[0].notes[0]
    assert (note.code, note.facts["n"], note.facts["files"][0]) == (
        "reading.empty_files_many", 1, "m1.csv")
    with pytest.raises(ManyErrors):
        read_tables([tmp_path / "m1.csv", tmp_path / "m2.csv"])
