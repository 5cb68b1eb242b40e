"""What changed since the mapping was made: each change planted by itself, found by its code."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.files.rows import RawTable
from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import Mapping
from rehit.incidents.propose import propose_mapping
from rehit.messages import message

ROWS = 30


def quarter(**changed: list[str] | None) -> RawTable:
    """Return a quarter's log with some columns replaced, added, or (None) left out."""
    dates = pd.date_range("2018-01-01", periods=ROWS, freq="2D")
    columns: dict[str, list[str] | None] = {
        "Ref": [f"R{n}" for n in range(ROWS)], "Reported": dates.strftime("%d/%m/%Y").tolist(),
        "Status": ["Open", "Closed"] * 15, "Surface": ["Brick", "Glass", "Wood"] * 10,
        "Lat": [f"46.00{n:02d}" for n in range(ROWS)],
        "Long": [f"-33.00{n:02d}" for n in range(ROWS)], "Unused note": ["x"] * ROWS}
    kept = {name: cells for name, cells in (columns | changed).items() if cells is not None}
    index = pd.RangeIndex(1, ROWS + 1, name="source_row")
    return RawTable(name="log.csv", table=pd.DataFrame(
        {name: pd.Series(cells, index=index, dtype="str") for name, cells in kept.items()},
        index=index))


@pytest.fixture(scope="module")
def mapping() -> Mapping:
    return propose_mapping(quarter())


def found(raw: RawTable, mapping: Mapping) -> list[tuple[str, str, str]]:
    return [(drift.code, drift.severity, drift.subject) for drift in find_drift(raw, mapping)]


def test_the_same_log_has_not_drifted(mapping: Mapping) -> None:
    assert find_drift(quarter(), mapping) == []


DATES = pd.date_range("2018-01-01", periods=ROWS, freq="2D")
CHANGES = [
    ({"Ward": ["3"] * ROWS}, ("column_new", "note", "Ward")),
    ({"Unused note": None}, ("column_missing", "note", "Unused note")),
    ({"Surface": None}, ("column_missing", "fault", "Surface")),
    ({"Surface": [""] * ROWS}, ("column_empty", "warning", "substrate")),
    ({"Status": ["Open", "Passed on"] * 15}, ("word_new", "warning", "status")),
    ({"Surface": ["Brick", "Corten", "Wood"] * 10}, ("word_new", "warning", "substrate")),
    ({"Reported": DATES.strftime("%Y-%m-%d").tolist()},
     ("date_format_new", "warning", "reported")),
    ({"Reported": DATES.strftime("%m/%d/%Y").tolist()},
     ("date_order_changed", "fault", "reported")),
    ({"Reported": DATES.strftime("%d/%m/%Y 14:22").tolist()},
     ("clock_changed", "note", "reported")),
    ({"Lat": [f"5290{n:02d}" for n in range(ROWS)]}, ("coordinates_changed", "fault", "latitude")),
]


@pytest.mark.parametrize(("changed", "expected"), CHANGES, ids=[
    f"{code}-{subject}" for _, (code, _, subject) in CHANGES])
def test_each_change_is_found(mapping: Mapping, changed: dict[str, list[str] | None],
                              expected: tuple[str, str, str]) -> None:
    drifts = found(quarter(**changed), mapping)
    assert expected in drifts
    allowed = {expected, ("date_format_new", "warning", "reported")}
    assert set(drifts) <= allowed


def test_a_renamed_column_is_recognised_in_the_advice(mapping: Mapping) -> None:
    raw = quarter(**{"Surface": None, "SURFACE:": ["Brick"] * ROWS})
    missing = next(d for d in find_drift(raw, mapping) if d.code == "column_missing")
    assert missing.advice == message("mend.export_renamed", name="SURFACE:")


def test_a_word_in_other_capitals_is_not_new(mapping: Mapping) -> None:
    assert find_drift(quarter(Status=["OPEN", "closed "] * 15), mapping) == []


def test_new_words_are_counted_by_rows(mapping: Mapping) -> None:
    drift = find_drift(quarter(Status=["Open", "Passed on", "Void"] * 10), mapping)[0]
    assert drift.count == 20
    assert drift.effect == message("drift.word_new", field="status",
                                   words=("'Passed on'", "'Void'"))


def test_a_lost_header_is_one_fault(mapping: Mapping) -> None:
    raw = quarter()
    table = raw.table.set_axis([f"column_{n}" for n in range(1, 8)], axis=1)
    drifts = found(RawTable(table, has_header=False, name="log.csv"), mapping)
    assert drifts == [("header_lost", "fault", "log.csv")]


def test_the_worst_comes_first(mapping: Mapping) -> None:
    raw = quarter(Ward=["3"] * ROWS, Surface=None, Status=["Void"] * ROWS)
    assert [d.severity for d in find_drift(raw, mapping)] == ["fault", "warning", "note"]


def test_dates_put_together_from_columns_do_not_drift_by_themselves() -> None:
    size = range(ROWS)
    parts = quarter(Reported=None, Year=["2018"] * ROWS, Month=[str(n % 12 + 1) for n in size],
                    Day=[str(n % 28 + 1) for n in size], Hour=[str(n % 24) for n in size])
    clock = quarter(Time=["2:22 PM"] * ROWS)
    for raw, source in ((parts, ("Year", "Month", "Day", "Hour")), (clock, ("Reported", "Time"))):
        proposed = propose_mapping(raw)
        assert proposed.fields["reported"].columns == source
        assert find_drift(raw, proposed) == []
    assert propose_mapping(clock).date_style("reported").clock == "12"
