"""What all workbooks share."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter
from openpyxl import load_workbook

from rehit.report.live_workbook import write_cautions
from rehit.report.say import Say


def test_cautions_are_as_tall_as_their_text(tmp_path: Path) -> None:
    """Fault: on paper every long caution was printed over the one below, its end cut off."""
    codes = ("sharps", "heights", "pressure")
    with xlsxwriter.Workbook(tmp_path / "c.xlsx") as book:
        write_cautions(book.add_worksheet(), Say("en"), codes, style=None, first=2)
    sheet = load_workbook(tmp_path / "c.xlsx").active
    assert sheet is not None
    width = sheet.column_dimensions["A"].width
    assert 90 < width < 110  # all that A4 on its side holds in letters that can be read
    for row, code in enumerate(codes, start=3):
        text = Say("en").code("caution_full", code)
        assert sheet.cell(row, 1).value == text
        lines = -(-len(text) // int(width))
        assert (sheet.row_dimensions[row].height or 15) >= 15 * lines
    assert sheet.row_dimensions[3].height > 15


def test_a_caution_in_own_words_is_no_formula(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(tmp_path / "c.xlsx") as book:
        write_cautions(book.add_worksheet(), Say("en"), ["=1+1"], style=None, first=0)
    sheet = load_workbook(tmp_path / "c.xlsx").active
    assert sheet is not None
    assert sheet["A1"].value == "'=1+1"
