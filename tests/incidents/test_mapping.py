"""The mapping as a file: byte-stable, editable, every fault said at once; and its use."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rehit.errors import InputFileError, ManyErrors, SettingError
from rehit.files.reader import read_table
from rehit.files.rows import RawTable
from rehit.incidents.dates import DateStyle
from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import (
    FieldSource,
    Mapping,
    Places,
    Question,
    apply_mapping,
    load_mapping,
    mapping_text,
    save_mapping,
    with_setting,
)
from rehit.incidents.projection import suggest_place
from rehit.incidents.propose import log_points, propose_mapping
from rehit.messages import Message, message
from rehit.report.say import Say
from rehit.tables import check, table

FAULTS = Path(__file__).parents[1] / "files" / "faults_reading"


def log(columns: dict[str, list[str]], *, has_header: bool = True) -> RawTable:
    size = len(next(iter(columns.values())))
    index = pd.RangeIndex(1, size + 1, name="source_row")
    cells = {name: pd.Series(texts, index=index, dtype="str") for name, texts in columns.items()}
    return RawTable(pd.DataFrame(cells, index=index), has_header, name="log.csv")


def told(text: str) -> Message:
    """Evidence as it is read back from a file."""
    return message("shown.told", text=text)


MAPPING = Mapping(
    "log.csv", True, ("No", "Date", "Time", "Wall \"A\"", "X", "Y", "Größe"),
    {"report_id": FieldSource(("No",), confidence=0.7, evidence=(told("100% distinct"),)),
     "reported": FieldSource(("Date", "Time"), ("date", "time"),
                             DateStyle(False, "12", ("MM/DD/YYYY",)), 0.9,
                             (told("one"), told("two"))),
     "address": FieldSource(("Wall \"A\"",)), "easting": FieldSource(("X",)),
     "northing": FieldSource(("Y",)), "size": FieldSource(("Größe",))},
    Places("EPSG:27700", "EPSG:4326", "lon_lat", (told("agrees to 2 m"),)), "ft2",
    {"status": ("Closed", "Open")},
    (Question("sizes.unit", told("Feet?"), ("m2", "ft2"), "m2", "", (told("no unit"),)),))


def saved(tmp_path: Path, mapping: Mapping = MAPPING) -> Path:
    file = tmp_path / "mapping.toml"
    save_mapping(mapping, file)
    return file


def test_saving_and_loading_gives_the_same_mapping_and_the_same_bytes(tmp_path: Path) -> None:
    file = saved(tmp_path)
    first = file.read_bytes()
    loaded = load_mapping(file)
    assert loaded == MAPPING
    save_mapping(loaded, file)
    assert file.read_bytes() == first
    assert b"\r" not in first


def test_the_file_reads_well() -> None:
    text = mapping_text(MAPPING, tell=Say("en"))
    assert "# evidence: one\n# evidence: two\ncolumns = [\"Date\", \"Time\"]" in text
    assert text.startswith("# How rehit reads this log.")
    assert "[[questions]]" in text
    assert 'answer = ""' in text


def test_an_answer_wins_over_the_setting_above_it(tmp_path: Path) -> None:
    file = saved(tmp_path, replace(MAPPING, size_unit="ft2"))
    file.write_text(file.read_text(encoding="utf-8").replace('answer = ""', 'answer = "m2"'),
                    encoding="utf-8")
    loaded = load_mapping(file)
    assert loaded.size_unit == "m2"
    assert loaded.open_questions == ()


EDITS = [
    ("name = \"log.csv\"", "nane = \"log.csv\"", "[log] nane", "an unknown key"),
    ("has_header = true", "has_header = \"yes\"", "[log] has_header", "true or false"),
    ("[fields.address]", "[fields.adress]", "[fields] adress", "perhaps address is meant"),
    ('columns = ["X"]', 'columns = ["Easting"]', "[fields.easting] columns", "'Easting'"),
    ('columns = ["X"]', "columns = []", "[fields.easting] columns", "column names"),
    ('columns = ["X"]', 'column = ["X"]', "[fields.easting] columns", "no such key"),
    ('parts = ["date", "time"]', 'parts = ["date"]', "[fields.reported] parts", "1 parts for 2"),
    ('parts = ["date", "time"]', 'parts = ["date", "o"]', "[fields.reported] parts", "year"),
    ("day_first = false", "day_first = \"no\"", "[fields.reported] day_first", "true or false"),
    ('clock = "12"', 'clock = "am"', "[fields.reported] clock", "'24'"),
    ("confidence = 0.7", "confidence = 7", "[fields.report_id] confidence", "from 0 to 1"),
    ("confidence = 0.7", "day_first = true", "[fields.report_id] day_first", "an unknown key"),
    ('crs = "EPSG:27700"', 'crs = "EPSG:4326"', "[places] crs", "a projected CRS"),
    ('crs = "EPSG:27700"', 'crs = "Mars 2000"', "[places] crs", "a projected CRS"),
    ('location_order = "lon_lat"', 'location_order = "xy"', "[places] location_order", "'wkt'"),
    ('unit = "ft2"', 'unit = "acre"', "[sizes] unit", "'m2'"),
    ("[sizes]", "[size]", "[size]", "an unknown table"),
    ('key = "sizes.unit"', 'key = "sizes.units"', "[[questions]] 1 key", "sizes.units"),
    ('answer = ""', 'answer = "yards"', "[[questions]] 1 answer", "'ft2'"),
    ('choices = ["m2", "ft2"]', "choices = 3", "[[questions]] 1 choices", "a list of texts"),
    ('status = ["Closed", "Open"]', "status = 1", "[words] status", "a list of texts"),
]


@pytest.mark.parametrize(("before", "after", "key", "said"), EDITS,
                         ids=[f"{n:02d}-{e[2]}" for n, e in enumerate(EDITS)])
def test_an_edited_fault_is_named_by_file_and_key(tmp_path: Path, before: str, after: str,
                                                  key: str, said: str) -> None:
    file = saved(tmp_path)
    text = file.read_text(encoding="utf-8")
    assert before in text
    file.write_text(text.replace(before, after, 1), encoding="utf-8")
    with pytest.raises(ManyErrors) as caught:
        load_mapping(file)
    lines = [str(error) for error in caught.value.errors]
    assert any(f"{file} {key}" in line and said in line for line in lines), lines


def test_all_faults_come_at_once(tmp_path: Path) -> None:
    file = saved(tmp_path)
    text = file.read_text(encoding="utf-8")
    for before, after in (('clock = "12"', 'clock = "am"'), ('unit = "ft2"', 'unit = "acre"'),
                          ('columns = ["X"]', 'columns = ["Z"]'), ("[words]", "[word]")):
        text = text.replace(before, after)
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ManyErrors) as caught:
        load_mapping(file)
    assert len(caught.value.errors) == 4


@pytest.mark.parametrize("text", ["[log", "columns = [\"a\"", "a = 1\na = 2", "\x00"])
def test_unreadable_toml_is_one_message(tmp_path: Path, text: str) -> None:
    file = tmp_path / "mapping.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match="unreadable TOML"):
        load_mapping(file)


def test_other_encodings_missing_files_and_empty_ones_are_said(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="no such file"):
        load_mapping(tmp_path / "gone.toml")
    with pytest.raises(InputFileError, match="a folder"):
        load_mapping(tmp_path)
    file = tmp_path / "mapping.toml"
    file.write_bytes("[log]".encode("utf-16"))
    with pytest.raises(InputFileError, match="UTF-8"):
        load_mapping(file)
    file.write_text("", encoding="utf-8")
    with pytest.raises(ManyErrors, match=r"\[log\]"):
        load_mapping(file)


def test_fields_hold_the_contract_and_every_row() -> None:
    raw = log({"No": ["1", " "], "Date": ["03/05/2018", ""], "Time": ["2:22 PM", "9 AM"],
               "Wall \"A\"": [" 12 Elm ", "x"], "X": ["1", "2"], "Y": ["3", "4"],
               "Größe": ["small", ""]})
    fields = apply_mapping(raw, MAPPING)
    check(fields, "fields", where="test")
    assert fields.columns.tolist() == table("fields").names
    assert fields["source_row"].tolist() == [1, 2]
    assert fields["reported"].tolist()[0] == "03/05/2018 2:22 PM"
    assert fields["address"].tolist() == ["12 Elm", "x"]
    assert fields["report_id"].isna().tolist() == [False, True]
    assert fields["reported"].isna().tolist() == [False, True]
    assert fields["cleared"].isna().all()


def test_a_log_without_any_mapped_column_is_refused() -> None:
    with pytest.raises(InputFileError, match="without any mapped column"):
        apply_mapping(log({"Other": ["1"]}), MAPPING)
    with_one = apply_mapping(log({"No": ["7"], "New": ["1"]}), MAPPING)
    assert with_one["report_id"].tolist() == ["7"]


def test_a_first_row_that_holds_names_after_all_is_dropped() -> None:
    raw = log({"column_1": ["when", "2018-03-05"]}, has_header=False)
    mapping = Mapping("log.csv", False, ("column_1",), {"reported": FieldSource(("column_1",))})
    said = with_setting(mapping, "log.has_header", "no, column names")
    fields = apply_mapping(raw, said)
    assert fields[["source_row", "reported"]].to_numpy().tolist() == [[2, "2018-03-05"]]
    assert len(apply_mapping(raw, mapping)) == 2


def test_names_that_were_an_incident_are_asked_to_be_read_again() -> None:
    mapping = Mapping("log.csv", False, ("a",), {"reported": FieldSource(("a",))})
    with pytest.raises(InputFileError, match="without a header"):
        apply_mapping(log({"a": ["2018-03-05"]}), mapping)


def test_an_answered_column_changes_places_with_the_one_it_takes() -> None:
    mapping = Mapping("log.csv", False, ("a", "b"), {
        "latitude": FieldSource(("a",)), "longitude": FieldSource(("b",))})
    turned = with_setting(mapping, "fields.latitude.columns", "b")
    assert turned.fields["latitude"].columns == ("b",)
    assert turned.fields["longitude"].columns == ("a",)
    without = with_setting(mapping, "fields.latitude.columns", "none")
    assert "latitude" not in without.fields


@pytest.mark.parametrize("key", ["", "fields", "fields.wall.columns", "places.colour", "sizes",
                                 "fields.address.day_first"])
def test_a_question_about_no_setting_is_refused(key: str) -> None:
    with pytest.raises(SettingError, match="names no setting"):
        with_setting(MAPPING, key, "x")


def test_next_quarter_gives_the_same_result(tmp_path: Path) -> None:
    """The same rows under the saved mapping give the same table, whatever is proposed anew."""
    raw = read_table(FAULTS / "tabs.tsv")
    file = saved(tmp_path, propose_mapping(raw))
    again = RawTable(raw.table.iloc[::-1].reset_index(drop=True), name="next.tsv")
    again.table.index += 1
    one = apply_mapping(raw, load_mapping(file)).drop(columns=["source_file", "source_row"])
    two = apply_mapping(again, load_mapping(file)).drop(columns=["source_file", "source_row"])
    pd.testing.assert_frame_equal(one, two.iloc[::-1].reset_index(drop=True))


CELLS = st.one_of(
    st.text(max_size=12), st.floats().map(str), st.integers().map(str), st.datetimes().map(str),
    st.sampled_from(["", "0", "01/02/2018", "2018-01-02 10:00", "51.5", "-0.14", "529057",
                     "(51.5, -0.14)", "POINT (1 2)", "small", "2x3m", "Completed", "brick", "XXXX",
                     "1520251200", "43164", "1e400", "12 Elm Street", "=1+1", "2:30 PM"]))
NAMES = st.one_of(st.text(max_size=10), st.sampled_from([
    "Date", "Closed", "Lat", "Long", "X", "Y", "Year", "Month", "Day", "Hour", "Size", "Status",
    "Location", "Surface", "Address", "House number", "Time", "Repeat of", "Offensive"]))


@st.composite
def tables(draw: st.DrawFn) -> RawTable:
    names = draw(st.lists(NAMES, min_size=1, max_size=6, unique=True))
    size = draw(st.integers(1, 6))
    column = st.lists(CELLS, min_size=size, max_size=size)
    return log({name: draw(column) for name in names}, has_header=draw(st.booleans()))


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(raw=tables())
def test_any_table_of_strings_is_proposed_mapped_saved_and_loaded(
        tmp_path_factory: pytest.TempPathFactory, raw: RawTable) -> None:
    file = tmp_path_factory.mktemp("mapping") / "mapping.toml"
    mapping = propose_mapping(raw)
    fields = apply_mapping(raw, mapping)
    place = suggest_place(*log_points(raw, mapping))
    assert place is None or place.crs.startswith("EPSG:")
    save_mapping(mapping, file)
    check(fields, "fields", where="test")
    assert fields["source_row"].tolist() == raw.table.index.tolist()
    before = file.read_bytes()
    loaded = load_mapping(file)
    save_mapping(loaded, file)
    assert file.read_bytes() == before
    assert apply_mapping(raw, loaded).equals(fields)
    assert find_drift(raw, loaded) == []
