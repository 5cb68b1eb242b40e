"""A workbook costs the memory of its filled cells, wherever they stand."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Callable
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


def with_cells(file: Path, change: Callable[[str], str]) -> Path:
    """Write the workbook anew, the XML of its sheet changed as no program would write it."""
    with zipfile.ZipFile(file) as parts:
        contents = {name: parts.read(name) for name in parts.namelist()}
    name = "xl/worksheets/sheet1.xml"
    contents[name] = change(contents[name].decode()).encode()
    with zipfile.ZipFile(file, "w") as parts:
        for each, content in contents.items():
            parts.writestr(each, content)
    return file


def open_document(file: Path, *rows: str) -> Path:
    """Write an ODS as OpenDocument 1.2 has it, part 1 section 9 and part 3 section 3."""
    names = " ".join(f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
                     for name in ("office", "table", "text"))
    with zipfile.ZipFile(file, "w") as parts:
        parts.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        parts.writestr("META-INF/manifest.xml", (
            '<manifest xmlns="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>'))
        parts.writestr("content.xml", (
            f'<office:document-content {names}><office:body><office:spreadsheet>'
            f'<table:table table:name="Log">{"".join(rows)}</table:table>'
            '</office:spreadsheet></office:body></office:document-content>'))
    return file


def ods_row(*texts: str, before: int = 0, above: int = 0) -> str:
    blank = f'<table:table-cell table:number-columns-repeated="{before}"/>' * (before > 0)
    cells = "".join('<table:table-cell office:value-type="string">'
                    f"<text:p>{text}</text:p></table:table-cell>" for text in texts)
    empty = (f'<table:table-row table:number-rows-repeated="{above}">'
             '<table:table-cell table:number-columns-repeated="16384"/></table:table-row>')
    return f"{empty * (above > 0)}<table:table-row>{blank}{cells}</table:table-row>"


ODS_ROWS = (ods_row("number", "reported", "address"), ods_row("001", "2024-01-05", "3 Elm Street"))


@pytest.mark.parametrize(("row", "column"), [
    (1_048_576, 16_384), (1_048_576, 30), (3, 16_384), (1_048_576, 1)])
def test_one_stray_blank_far_away_costs_nothing(tmp_path: Path, row: int, column: int) -> None:
    """A sheet's last cell is XFD1048576: laid out to there it would be 17 thousand million."""
    table = read_table(book(tmp_path, row, column)).table
    assert table["number"].tolist() == ["001", "002"]
    assert table["reported"].tolist() == ["2024-01-05", ""]
    assert table["address"].tolist() == ["3 Elm Street", "4 Elm Street"]


def test_one_stray_blank_far_away_costs_nothing_in_an_open_document(tmp_path: Path) -> None:
    file = open_document(tmp_path / "log.ods", *ODS_ROWS,
                         ods_row("<text:s/>", before=16_000, above=1_048_000))
    table = read_table(file).table
    assert table.to_dict("list") == {
        "number": ["001"], "reported": ["2024-01-05"], "address": ["3 Elm Street"]}


def test_a_word_far_away_in_an_open_document_is_refused_with_what_to_do(tmp_path: Path) -> None:
    file = open_document(tmp_path / "log.ods", *ODS_ROWS,
                         ods_row("seen", before=16_000, above=1_048_000))
    with pytest.raises(InputFileError, match=r"Cell limit exceeded.*delete the empty rows"):
        read_table(file)


def test_rows_that_end_early_in_a_sheet_read_cell_by_cell_lack_nothing(tmp_path: Path) -> None:
    made = Workbook()
    for line in (["number", "notes"], ["001", None], ["002", "tag"]):
        made.active.append(line)
    made.active.cell(90_000, 30).value = " "
    made.save(tmp_path / "log.xlsx")
    raw = read_table(tmp_path / "log.xlsx")
    assert raw.table["notes"].tolist() == ["", "tag"]
    assert raw.ragged_rows == ()


@pytest.mark.parametrize("laid_out", [1, 2_000_000])
def test_a_table_that_begins_lower_and_further_right_is_the_same_in_a_large_sheet(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, laid_out: int) -> None:
    made = Workbook()
    for row, line in enumerate((["number", "notes"], ["001", None], ["002", "tag"]), start=5):
        for column, text in enumerate(line, start=3):
            made.active.cell(row, column).value = text
    made.save(tmp_path / "log.xlsx")
    monkeypatch.setattr(sheets, "MOST_CELLS", laid_out)
    monkeypatch.setattr(sheets, "MOST_BLANK", 1.0)  # read at once, not cell by cell
    raw = read_table(tmp_path / "log.xlsx")
    assert raw.table.to_dict("list") == {"number": ["001", "002"], "notes": ["", "tag"]}
    assert (raw.notes, raw.ragged_rows, raw.rows_above) == ((), (), 1)


@pytest.mark.parametrize("cell", ["XFE2", "AAAA2", "ZZZZZZZ2"])
def test_a_cell_after_the_last_column_is_refused_and_its_row_not_lost(
        tmp_path: Path, cell: str) -> None:
    """ZZZZZZZ is column eight thousand million: the process was aborted."""
    file = with_cells(book(tmp_path, 2, 4, "seen"),
                      lambda xml: xml.replace('r="D2"', f'r="{cell}"'))
    with pytest.raises(InputFileError, match=r"no column after number 16,384"):
        read_table(file)


def test_a_far_cell_whose_row_says_otherwise_costs_nothing(tmp_path: Path) -> None:
    file = with_cells(book(tmp_path, 2, 4, "seen"),
                      lambda xml: xml.replace('r="D2"', 'r="XFD999999"'))
    assert read_table(file).table["address"].tolist() == ["3 Elm Street", "4 Elm Street"]


@pytest.mark.parametrize("named", [True, False])
def test_more_cells_than_are_read_in_a_minute_are_refused_with_the_number(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, named: bool) -> None:
    monkeypatch.setattr(sheets, "MOST_FILLED", 7)
    file = book(tmp_path, 2, 3, "x")  # eight cells
    if not named:
        with_cells(file, lambda xml: re.sub(r' r="[A-Z]+[0-9]+"', "", xml))
    with pytest.raises(InputFileError, match=r"more than 7 cells.*as CSV"):
        read_table(file)


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
