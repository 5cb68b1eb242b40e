"""The workbook: tidy, filtered, with units, and nothing in it that runs."""

from __future__ import annotations

import zipfile
from pathlib import Path

import openpyxl
import pytest


@pytest.fixture(scope="module")
def book(written: Path) -> openpyxl.Workbook:
    return openpyxl.load_workbook(written / "workbook.xlsx")


def test_read_me_lists_every_sheet_with_its_rows(book: openpyxl.Workbook) -> None:
    readme = book["Read me"]
    listed = {row[0].value: row[1].value for row in readme.iter_rows() if row[1].value}
    for name in book.sheetnames[1:]:
        assert listed[name] == book[name].max_row - 1


def test_headers_are_frozen_filtered_and_carry_units(book: openpyxl.Workbook) -> None:
    sheet = book["repeats"]
    assert sheet.freeze_panes == "B2"
    assert sheet.auto_filter.ref.startswith("A1:")
    heads = [c.value for c in sheet[1]]
    assert "rate_per_year [incidents/year]" in heads
    assert "exposure_years [years]" in heads
    assert {"x", "y"} <= set(heads)


def test_every_sheet_prints_across_as_wide_as_one_page(book: openpyxl.Workbook) -> None:
    for sheet in book:
        page = sheet.page_setup
        assert (page.orientation, page.paperSize, page.fitToHeight) == ("landscape", 9, 0)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.oddFooter.left.text == "&A"
        assert (sheet.print_title_rows == "$1:$1") == (sheet.title != "Read me")


def test_lines_of_the_read_me_break_within_the_page(book: openpyxl.Workbook) -> None:
    readme = book["Read me"]
    merged = {str(area) for area in readme.merged_cells.ranges}
    long = [row[0] for row in readme.iter_rows(min_row=3) if len(str(row[0].value or "")) > 114]
    assert long
    for cell in long:
        assert f"A{cell.row}:C{cell.row}" in merged
        assert cell.alignment.wrap_text
        assert readme.row_dimensions[cell.row].height >= 30


def test_no_cell_is_a_formula_or_a_link_to_elsewhere(book: openpyxl.Workbook,
                                                     written: Path) -> None:
    kinds = {c.data_type for sheet in book for row in sheet.iter_rows() for c in row}
    assert "f" not in kinds
    with zipfile.ZipFile(written / "workbook.xlsx") as pack:
        assert not any(b"<f>" in pack.read(n) for n in pack.namelist() if "sheet" in n)
        assert not any(b'TargetMode="External"' in pack.read(n) for n in pack.namelist())


def test_hostile_text_is_kept_as_text(book: openpyxl.Workbook) -> None:
    values = [c.value for row in book["evaluations"].iter_rows() for c in row]
    assert any("<script>" in str(v) for v in values)
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert not str(cell.value or "").startswith(("=", "@"))


def test_rows_as_they_came_stay_out(book: openpyxl.Workbook) -> None:
    assert "original" not in [c.value for c in book["set_aside"][1]]
    assert "555 0100" not in str([c.value for row in book["set_aside"].iter_rows() for c in row])


def test_times_are_dates_and_numbers_are_numbers(book: openpyxl.Workbook) -> None:
    sheet = book["Incidents"]
    heads = [str(c.value) for c in sheet[1]]
    row = dict(zip(heads, sheet[2], strict=True))
    assert row["reported_at [UTC]"].is_date
    assert row["area_m2 [m2]"].data_type == "n"
