"""The workbook: in words, filtered, with units and live figures; nothing of a log in it runs."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from python_calamine import CalamineWorkbook
from report_tables import make_input

from rehit.parameters import load_parameters
from rehit.report.catalogue import catalogue, languages
from rehit.report.inputs import CONTRACTS
from rehit.report.live_workbook import leave_to_be_calculated
from rehit.report.measures import Facts, gather_facts
from rehit.report.trace import load_trace
from rehit.report.workbook import TECHNICAL, described_columns, in_words, write_cell
from rehit.tables import table

#: Codes whose Spanish word is spelled alike.
SAME_IN_SPANISH = {"metal", "graffiti", "total"}
#: Tables whose rows are put into words as a whole.
READ_WHOLE = {"survival", "evaluations"}


@pytest.fixture(scope="module")
def book(written: Path) -> openpyxl.Workbook:
    return openpyxl.load_workbook(written / "workbook.xlsx")


def _rows(sheet: object) -> list[tuple[object, ...]]:
    return [row for row in sheet.iter_rows(min_row=2, values_only=True)  # type: ignore[attr-defined]
            if row[0] is not None or row[1] is not None]


def test_read_me_lists_every_sheet_with_its_rows(book: openpyxl.Workbook) -> None:
    readme = book["Read me"]
    listed = {row[0].value: row[1].value for row in readme.iter_rows() if row[1].value}
    assert set(listed) - {"Sheet"} == set(book.sheetnames[1:])
    for name in book.sheetnames[1:]:
        totals = [row for row in _rows(book[name]) if row[0] == "Total of the rows shown"]
        assert listed[name] == len(_rows(book[name])) - len(totals), name


def test_headers_are_frozen_filtered_and_say_in_words_what_they_hold(
        book: openpyxl.Workbook) -> None:
    sheet = book["Places"]
    assert sheet.freeze_panes == "B2"
    assert sheet.auto_filter.ref.startswith("A1:")
    heads = [c.value for c in sheet[1]]
    assert heads[:3] == ["Place", "Place code", "Kind of place"]
    assert "Rate [incidents/year]" in heads
    assert {"Easting", "Northing"} <= set(heads)
    assert not [h for name in book.sheetnames for c in book[name][1]
                if "_" in (h := str(c.value or "").partition(" [")[0])]


@pytest.mark.parametrize("language", languages())
def test_every_column_and_table_has_a_word_in_each_language(language: str) -> None:
    words = catalogue(language)
    for attribute, contract in {**CONTRACTS, "incidents": "incidents"}.items():
        name = str(words[f"sheet.{attribute}"])
        assert len(name) <= 31
        assert not set(name) & set("[]:*?/\\")
        for column in table(contract).names:
            if column not in {"geometry", "original"} | TECHNICAL:
                assert f"head.{column}" in words


def test_every_code_of_a_sheet_has_its_word_in_each_language() -> None:
    """Each allowed code of a column, and the kind of places that a place is compared with."""
    facts = gather_facts(make_input(n=300, full=False, language="es"), load_parameters())
    bare = {(attribute, column.name, code) for attribute in {*CONTRACTS, "incidents"} - READ_WHOLE
            for column in described_columns(attribute).values() for code in column.allowed
            if column.name not in TECHNICAL and _shown(attribute, column.name, code, facts) == code}
    assert {code for *_, code in bare} <= SAME_IN_SPANISH, bare
    assert _shown("repeats", "prior_group", "asset: wall", facts) == "elemento del inventario: muro"
    assert _shown("repeats", "prior_group", "site: any", facts) == "sitio hallado en el registro"


def _shown(attribute: str, column: str, code: str, facts: Facts) -> str:
    table_of_one = pd.DataFrame({column: [code]}, dtype="str")
    return str(in_words(table_of_one, attribute, facts).get(column, pd.Series([""])).iloc[0])


def test_every_sheet_prints_across_so_that_it_can_be_read(book: openpyxl.Workbook) -> None:
    for sheet in book:
        page = sheet.page_setup
        assert (page.orientation, page.paperSize, page.fitToHeight) == ("landscape", 9, 0)
        width = sum(d.width for d in sheet.column_dimensions.values() if d.width > 6)
        assert width / (page.fitToWidth or 1) < 260, sheet.title
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.oddFooter.left.text == "&A"
        assert (sheet.print_title_rows == "$1:$1") == (sheet.title != "Read me")


def test_long_text_is_wrapped_in_rows_tall_enough(book: openpyxl.Workbook) -> None:
    sheet = book["Measures"]
    long = [c for row in sheet.iter_rows(min_row=2) for c in row if len(str(c.value or "")) > 100]
    assert long
    for cell in long:
        assert cell.alignment.wrap_text
        assert sheet.row_dimensions[cell.row].height >= 45


def test_lines_of_the_read_me_break_within_the_page(book: openpyxl.Workbook) -> None:
    readme = book["Read me"]
    merged = {str(area) for area in readme.merged_cells.ranges}
    long = [row[0] for row in readme.iter_rows(min_row=3) if len(str(row[0].value or "")) > 123]
    assert long
    for cell in long:
        assert f"A{cell.row}:C{cell.row}" in merged
        assert cell.alignment.wrap_text
        assert readme.row_dimensions[cell.row].height >= 30


def test_no_text_of_the_log_runs_and_nothing_links_elsewhere(book: openpyxl.Workbook,
                                                             written: Path) -> None:
    """Formulas are our own: they name sheets of the book, and no function reaches outside it."""
    formulas = [str(c.value) for sheet in book for row in sheet.iter_rows() for c in row
                if c.data_type == "f"]
    assert len(formulas) > 100
    for formula in formulas:
        assert not any(word in formula for word in ("HYPERLINK", "WEBSERVICE", "DDE", "://"))
    with zipfile.ZipFile(written / "workbook.xlsx") as pack:
        assert not any(b'TargetMode="External"' in pack.read(n) for n in pack.namelist())


def test_every_figure_is_worked_out_by_the_sheets_themselves(
        written: Path, tmp_path: Path,
        recomputed: Callable[[Path], CalamineWorkbook]) -> None:
    """LibreOffice works the formulas out; the values that came along are taken out before."""
    path = tmp_path / "workbook.xlsx"
    shutil.copyfile(written / "workbook.xlsx", path)
    leave_to_be_calculated(path)
    found = recomputed(path)
    head, *rows = found.get_sheet_by_name("Figures").to_python()
    shown = pd.DataFrame(rows, columns=head).set_index("Code")
    figures = {f["id"]: f for f in load_trace(written)}
    assert list(shown.index) == list(figures)
    assert (shown["Agree?"] == "yes").all()
    for code, figure in figures.items():
        assert shown.loc[code, "Worked out here"] == pytest.approx(figure["value"]), code
        assert shown.loc[code, "Log rows"] == len(set(figure["rows"])), code
    places = found.get_sheet_by_name("Places").to_python()
    share, total = places[0].index("Share"), places[0].index("Incidents")
    body = [row for row in places[1:] if row[1] != ""]
    assert sum(row[share] for row in body) == pytest.approx(1)
    assert places[-1][total] == sum(row[total] for row in body)


def test_log_rows_carry_the_logs_own_number_and_a_mark_per_figure(
        book: openpyxl.Workbook, written: Path) -> None:
    head, *rows = book["Log rows"].iter_rows(values_only=True)
    assert head[:3] == ("File", "Line of the file", "Case or job number")
    figures = {f["id"]: f for f in load_trace(written)}
    for code in ("V1", "C1", "Q4"):
        marked = {(row[0], row[1]) for row in rows if row[head.index(code)] == 1}
        assert marked == {(file, int(n) + 1) for file, _, n in (
            row.rpartition("#") for row in figures[code]["rows"])}
    link = next(c for c in book["Log rows"][1] if c.value == "V1").hyperlink
    assert link.location.replace("'", "") == "Figures!A2"


def test_hostile_text_is_kept_as_text(book: openpyxl.Workbook) -> None:
    values = [c.value for row in book["Measures"].iter_rows() for c in row]
    assert any("<script>" in str(v) for v in values)
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type == "f" or not str(cell.value or "").startswith(("=", "@"))


@pytest.mark.parametrize(("seconds", "text"), [
    (253_402_304_340, "10000-01-01 00:59:00"), (-4_628_188_800, "1823-05-05 00:00:00")])
def test_a_time_beyond_a_spreadsheets_years_is_a_text(
        seconds: int, text: str, tmp_path: Path) -> None:
    """ECMA-376 part 1, 18.17.4.1: dates are counted from 1900 to 9999."""
    time = pd.Series([seconds]).astype("datetime64[s]").iloc[0]
    with xlsxwriter.Workbook(tmp_path / "times.xlsx") as book:
        write_cell(book.add_worksheet(), 0, 0, time, None)
    assert openpyxl.load_workbook(tmp_path / "times.xlsx").active["A1"].value == text


def test_rows_as_they_came_stay_out(book: openpyxl.Workbook) -> None:
    sheet = book["Rows set aside"]
    assert [c.value for c in sheet[1]] == ["File", "Row below the head", "Reason"]
    assert "555 0100" not in str([c.value for row in sheet.iter_rows() for c in row])


def test_all_incidents_are_there_in_local_time_and_in_words(book: openpyxl.Workbook,
                                                           full_input: object) -> None:
    sheet = book["Incidents"]
    heads = [str(c.value) for c in sheet[1]]
    incidents = full_input.incidents  # type: ignore[attr-defined]
    assert sheet.max_row >= len(incidents) + 1
    row = dict(zip(heads, sheet[2], strict=True))
    local = incidents["reported_at"].iloc[0].tz_convert("Europe/Madrid").tz_localize(None)
    assert row["First reported [Europe/Madrid]"].value == local.floor("s").to_pydatetime()
    assert row["Area [m²]"].data_type == "n"
    states = {sheet.cell(n, heads.index("State") + 1).value for n in range(2, 200)}
    assert states <= {"cleared", "still open", "closed, no usable date", "not known"}
