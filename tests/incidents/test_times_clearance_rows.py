"""A list of clearances kept apart from the reports: joined by the number, in any order of files."""

from __future__ import annotations

import pandas as pd

from rehit.files.reader import stack_tables
from rehit.files.rows import RawTable
from rehit.incidents.clean import clean_incidents
from rehit.incidents.mapping import apply_mapping
from rehit.incidents.propose import propose_mapping
from rehit.incidents.rows import Cleaned, CleanSettings


def raw(name: str, **columns: list[str]) -> RawTable:
    size = len(next(iter(columns.values())))
    return RawTable(name=name, table=pd.DataFrame(columns, dtype="str",
                                     index=pd.RangeIndex(1, size + 1, name="source_row")))


CASES = raw("cases.csv", Case=[f"C{n}" for n in range(30)],
            Reported=[f"2025-03-{n % 28 + 1:02d} 09:00" for n in range(30)],
            Address=[f"{n + 1} Mill Lane" for n in range(30)])
CLEARANCES = raw("clear.csv", Case=[*(f"C{n}" for n in range(25)), "C99"],
                 Cleaned=[*(f"2025-04-{n + 1:02d} 15:00" for n in range(25)), "2025-04-26 15:00"])


def cleaned(*logs: RawTable) -> Cleaned:
    mapping = propose_mapping(stack_tables(logs))
    fields = pd.concat([apply_mapping(log, mapping) for log in logs], ignore_index=True)
    return clean_incidents(fields, mapping=mapping, settings=CleanSettings(
        time_zone="UTC", crs="EPSG:32630"))


def test_the_number_is_found_though_it_stands_in_both_files() -> None:
    mapping = propose_mapping(stack_tables([CASES, CLEARANCES]))
    assert mapping.fields["report_id"].columns == ("Case",)


def test_clearances_of_a_second_file_reach_the_reports() -> None:
    made = cleaned(CASES, CLEARANCES)
    incidents = made.incidents.set_index("report_id")
    assert len(incidents) == 30
    assert incidents["cleared_at"].notna().sum() == 25
    assert str(incidents.loc["C7", "cleared_at"]) == "2025-04-08 15:00:00+00:00"
    assert made.set_aside["reason"].value_counts().to_dict() == {
        "clearance_only": 25, "reported_date_missing": 1}
    counts = made.counts.set_index("source_file")
    assert counts.loc["clear.csv"].tolist() == [26, 0, 0, 26, 0]
    assert (made.ledger["rule"] == "from_row_of_same_number").sum() == 25


def test_the_order_of_files_makes_no_difference() -> None:
    one, two = cleaned(CASES, CLEARANCES).incidents, cleaned(CLEARANCES, CASES).incidents
    columns = ["incident_id", "report_id", "cleared_at", "status"]
    pd.testing.assert_frame_equal(
        pd.DataFrame(one[columns]).sort_values("incident_id").reset_index(drop=True),
        pd.DataFrame(two[columns]).sort_values("incident_id").reset_index(drop=True))


def test_a_clearing_of_the_report_itself_is_kept() -> None:
    fields = pd.DataFrame({
        "source_file": "log", "source_row": [1, 2], "report_id": ["A", "A"],
        "reported": ["2025-03-01 09:00", None], "address": ["1 Elm St", None],
        "cleared": ["2025-03-02 09:00", "2025-03-09 09:00"]})
    made = clean_incidents(fields, mapping=None, settings=CleanSettings(
        time_zone="UTC", crs="EPSG:32630"))
    assert str(made.incidents["cleared_at"].iloc[0]) == "2025-03-02 09:00:00+00:00"
