"""A workbook costs the memory of its filled cells, wherever they stand."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from openpyxl import Workbook

from rehit.errors import InputFileError
from rehit.files import sheets
from rehit.files.reader import read_table


def book(folder: Path, row: int, column: int, text: str = " ") -> Path:
    made = Workbook()
    sheet = made.active
    for line in (["number", "reported", "address"], ["001", "2024-01-05", "3 Elm Street"],
                 ["002", None, "4 Elm Street"]):
        sheet.append(line)
    sheet.cell(row, column).value = text
    made.save(folder / "log.xlsx")
    return folder / "log.xlsx"


@pytest.mark.parametrize(("row", "column"), [
    (1_048_576, 16_384), (1_048_576, 30), (3, 16_384), (1_048_576, 1)])
def test_one_stray_blank_far_away_costs_nothing(tmp_path: Path, row: int, column: int) -> None:
    """A sheet's last cell is XFD1048576: laid out to there it would be 17 thousand million."""
    table = read_table(book(tmp_path, row, column)).table
    assert table["number"].tolist() == ["001", "002"]
    assert table["reported"].tolist() == ["2024-01-05", ""]
    assert table["address"].tolist() == ["3 Elm Street", "4 Elm Street"]


def test_a_word_far_away_is_kept(tmp_path: Path) -> None:
    raw = read_table(book(tmp_path, 2, 16_384, "seen"))
    assert raw.table.loc[1].tolist()[-1] == "seen"
    assert raw.ragged_rows == (1,)


def test_a_workbook_that_is_a_trap_is_refused_unread(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blanks, which shrink to a thousandth: a small file may unpack to gigabytes."""
    monkeypatch.setattr(sheets, "_TRAP_BYTES", 1 << 20)
    file = book(tmp_path, 3, 3)
    with zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as parts, (
            parts.open("xl/worksheets/sheet2.xml", "w")) as sheet:
        for _ in range(3):
            sheet.write(b" " * (1 << 20))
    with pytest.raises(InputFileError, match="export it as CSV"):
        read_table(file)


def test_a_workbook_that_would_not_fit_is_refused_with_the_number(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rehit.files.memory.free_bytes", lambda: 10_000.0)
    with pytest.raises(InputFileError, match="a workbook of 78 cells") as caught:
        read_table(book(tmp_path, 3, 3))
    assert caught.value.facts["needed_gb"] == pytest.approx(78 * 190 / 1e9)
