"""Logs in more than one piece: sheets of one workbook, questions and answers inside a record."""

from __future__ import annotations

import json
from pathlib import Path

from openpyxl import Workbook

from rehit.files.headers import plain_words
from rehit.files.reader import read_table
from rehit.incidents.propose import propose_mapping
from rehit.messages import message
from rehit.report.say import Say

HEADER = ["Ref", "Date reported", "Address"]


def book_with(folder: Path, sheets: dict[str, list[list[str]]]) -> Path:
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(folder / "log.xlsx")
    return folder / "log.xlsx"


def rows_of(year: int, count: int) -> list[list[str]]:
    return [[f"{year}-{n}", f"{year}-03-{n + 1:02d}", f"{n} Mill Lane"] for n in range(count)]


def test_sheets_with_the_same_columns_are_one_log(tmp_path: Path) -> None:
    file = book_with(tmp_path, {
        "2023": [["Council"], HEADER, *rows_of(2023, 3)],
        "Key": [["code", "means"], ["A", "asset"]],
        "2024": [HEADER, *rows_of(2024, 5)]})
    raw = read_table(file)
    assert raw.table["Ref"].tolist() == [f"2024-{n}" for n in range(5)] + [
        f"2023-{n}" for n in range(3)]
    assert raw.table.index.tolist() == list(range(1, 9))
    said = Say("en").all(raw.notes)
    assert "sheet '2024' read, not 'Key'" in said
    assert "rows of sheet '2023' follow as rows 6 to 8" in said
    assert read_table(file, sheet="2023").table["Ref"].tolist() == [f"2023-{n}" for n in range(3)]


def test_a_sheet_that_repeats_rows_of_another_is_left_out(tmp_path: Path) -> None:
    rows = rows_of(2024, 6)
    raw = read_table(book_with(tmp_path, {"All": [HEADER, *rows], "March": [HEADER, *rows[2:4]]}))
    assert len(raw.table) == 6
    assert raw.notes == (message("reading.sheet", sheet="All", left="'March'"),)


def test_questions_and_answers_of_a_request_become_columns(tmp_path: Path) -> None:
    records = [{
        "service_request_id": str(n), "requested_datetime": "2025-03-01T10:00:00Z",
        "lat": 43.6 + n / 997, "long": -79.4, "tags": ["a", "b"],
        "attributes": [
            {"code": "S1", "label": "Surface type", "value": "brick"},
            {"code": "OFF", "label": "Offensive?", "value": {"key": "y", "name": "Yes"}},
            {"code": "M", "label": "Made with", "values": ["spray", {"name": "marker"}]}],
    } for n in range(12)]
    file = tmp_path / "page.json"
    file.write_text(json.dumps(records), encoding="utf-8")
    raw = read_table(file)
    first = raw.table.iloc[0]
    assert first["attributes.Surface type"] == "brick"
    assert first["attributes.Offensive?"] == "Yes"
    assert first["attributes.Made with"] == "spray; marker"
    assert first["tags"] == '["a", "b"]'
    fields = propose_mapping(raw).fields
    assert fields["substrate"].columns == ("attributes.Surface type",)
    assert fields["priority"].columns == ("attributes.Offensive?",)


def test_a_number_sign_in_a_name_says_number() -> None:
    assert plain_words("Street #") == "street no"
