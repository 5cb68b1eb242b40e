"""What all workbooks share: one style, print set-up, where a number is from, finishing the file."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

from rehit.files.safe_text import neutralise_formula
from rehit.parameters import Parameter
from rehit.report.figures import TEAL
from rehit.report.say import Say

_TOP = {"valign": "top"}
#: How cells look in every workbook: heads on one colour, text broken into lines, money and shares.
STYLES: dict[str, dict[str, object]] = {
    "title": {"bold": True, "font_size": 14},
    "head": {"bold": True, "font_color": "white", "bg_color": TEAL, "text_wrap": True, **_TOP},
    "strong": {"bold": True, **_TOP},
    "wrap": {"text_wrap": True, "align": "left", "indent": 1, **_TOP},
    "text": {"align": "left", "indent": 1, **_TOP},
    "link": {"font_color": "#0b5394", "underline": 1, **_TOP},
    "time": {"num_format": "yyyy-mm-dd hh:mm", **_TOP}, "whole": {"num_format": "#,##0", **_TOP},
    "share": {"num_format": "0.0%", **_TOP}, "number": {"num_format": "#,##0.00", **_TOP},
    "plain": {"num_format": "#,##0.####", **_TOP},
    "total": {"num_format": "#,##0.00", "bold": True, "top": 1},
    "total_whole": {"num_format": "#,##0", "bold": True, "top": 1},
}
_A4 = 9  # as the file format numbers it
#: So many characters of a column's width can still be read across a page of A4 on its side.
_PAGE_WIDTH = 215
_CAUTION_WIDTH = 100
_LINE_POINTS, _TALLEST_POINTS = 15, 409  # one line of text; the tallest row of the file format


def set_page(sheet: Any, *, repeat_head: bool = False, width: float = 0) -> None:
    """Print on A4 on its side, with the sheet's name and the page below.

    Parameters
    ----------
    sheet
        The worksheet.
    repeat_head
        Whether its first row and column stand on every page.
    width
        Of all its columns [characters]: a sheet too wide to be read on one page gets more.
    """
    sheet.set_landscape()
    sheet.set_paper(_A4)
    sheet.fit_to_pages(max(1, math.ceil(width / _PAGE_WIDTH)), 0)
    sheet.set_footer("&L&A&R&P / &N")
    if repeat_head:
        sheet.repeat_rows(0)
        sheet.repeat_columns(0)


def set_height(sheet: Any, row: int, texts: Iterable[tuple[object, float]]) -> None:
    """Make a row as tall as its wrapped texts need; not every program does that by itself.

    Parameters
    ----------
    sheet
        The worksheet.
    row
        Number of the row, from 0.
    texts
        Each wrapped text with its column's width [characters].
    """
    lines = max((math.ceil(len(str(text)) / max(width - 3, 1)) for text, width in texts),
                default=1)
    if lines > 1:
        sheet.set_row(row, min(lines * _LINE_POINTS, _TALLEST_POINTS))


def write_cautions(sheet: Any, say: Say, codes: Iterable[str], *, style: Any, first: int) -> None:
    """Write cautions in full, one below the other from row `first`, each as tall as it needs.

    Parameters
    ----------
    sheet
        The worksheet; its first column is set to a page's width.
    say
        Language.
    codes
        Codes of the cautions.
    style
        A format that breaks text into lines.
    first
        Number of the first row, from 0.
    """
    sheet.set_column(0, 0, _CAUTION_WIDTH)
    for row, code in enumerate(codes, start=first):
        text = neutralise_formula(say.code("caution_full", code))  # may be the user's own words
        sheet.write_string(row, 0, text, style)
        # Where the file's font is missing, another one takes up to a third more room.
        set_height(sheet, row, [(text, _CAUTION_WIDTH * 3 / 4)])


def leave_to_be_calculated(path: Path) -> None:
    """Take the stand-in results out of the file, so that every program works the formulas out.

    XlsxWriter stores 0 beside each formula, and some spreadsheet programs would show that.
    """
    with ZipFile(path) as archive:
        parts = [(info, archive.read(info)) for info in archive.infolist()]
    with ZipFile(path, "w", ZIP_DEFLATED) as archive:
        for info, content in parts:
            if info.filename.startswith("xl/worksheets/"):
                content = re.sub(rb"</f><v>[^<]*</v>", b"</f>", content)
            archive.writestr(info, content)


def said_source(entry: Parameter, *, say: Say) -> str:
    """Return where the number in force is from: a project's own is not its default's source."""
    if not entry.overridden:
        return say.own(entry.source)
    return say("worked.own_source", default=entry.default, source=entry.source)
