"""Exports of one system whose columns were renamed in between."""

from __future__ import annotations

import pandas as pd

from rehit.files.reader import stack_tables
from rehit.files.rows import RawTable
from rehit.incidents.clean import clean_incidents
from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import apply_mapping
from rehit.incidents.propose import find_renamed, propose_mapping
from rehit.incidents.rows import CleanSettings


def quarter(name: str, first: int, *, closed: str, north: str = "Lat") -> RawTable:
    days = [f"{n % 28 + 1:02d}" for n in range(20)]
    return RawTable(name=name, table=pd.DataFrame({
        "Ref": [f"R{first + n}" for n in range(20)],
        "Date reported": [f"{day}/0{first // 20 + 1}/2025 09:00" for day in days],
        closed: [f"{day}/0{first // 20 + 1}/2025 15:00" for day in days],
        north: [f"{53.8 + (n + 1) / 997:.5f}" for n in range(20)],
        "Lon": [f"{-1.5 - (n + 1) / 991:.5f}" for n in range(20)],
    }, index=pd.RangeIndex(1, 21, name="source_row"), dtype="str"))


def test_a_renamed_clearance_is_read_from_both_files() -> None:
    logs = [quarter("q1", 0, closed="Date closed"),
            quarter("q2", 20, closed="Closed on", north="Latitude")]
    mapping = propose_mapping(stack_tables(logs))
    assert mapping.fields["cleared"].columns == ("Date closed", "Closed on")
    assert mapping.fields["latitude"].columns == ("Lat", "Latitude")
    assert mapping.columns == ("Ref", "Date reported", "Date closed", "Lat", "Lon", "Closed on",
                               "Latitude")
    assert not mapping.open_questions
    fields = pd.concat([apply_mapping(log, mapping) for log in logs], ignore_index=True)
    made = clean_incidents(fields, mapping=mapping, settings=CleanSettings(
        time_zone="UTC", crs="EPSG:32630"))
    assert made.incidents["cleared_at"].notna().tolist() == [True] * 40
    assert made.incidents["place_quality"].isin(["surveyed", "address"]).all()
    assert [d for log in logs for d in find_drift(log, mapping) if d.severity != "note"] == []


def test_two_columns_in_one_file_are_two_columns() -> None:
    both = quarter("q2", 20, closed="Closed on")
    both.table["Date closed"] = both.table["Closed on"]
    logs = [quarter("q1", 0, closed="Date closed"), both]
    assert find_renamed(stack_tables(logs)) == {}


def test_a_renamed_column_that_is_gone_altogether_is_a_fault() -> None:
    logs = [quarter("q1", 0, closed="Date closed"), quarter("q2", 20, closed="Closed on")]
    mapping = propose_mapping(stack_tables(logs))
    found = find_drift(quarter("q3", 40, closed="Termination"), mapping)
    assert [d.subject for d in found if d.severity == "fault"] == ["Date closed", "Closed on"]


def test_a_state_is_the_status_of_another_file_only_where_its_words_are() -> None:
    """"State" is a part of an address as well: its words tell which it is here."""
    first, second = (quarter(name, start, closed="Date closed")
                     for name, start in (("q1", 0), ("q2", 20)))
    first.table["Status"] = ["Open", "Completed"] * 10
    for words, found in ((["Open", "Completed"], {"State": "Status"}), (["MA", "MA"], {})):
        second.table["State"] = words * 10
        assert find_renamed(stack_tables([first, second])) == found
