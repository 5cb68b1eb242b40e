"""Workbooks (XLSX, XLS, ODS) to a table of texts."""

from __future__ import annotations

import datetime as dt
import zipfile
from dataclasses import replace
from pathlib import Path

import pandas as pd
from python_calamine import CalamineError, CalamineWorkbook

from rehit.errors import InputFileError
from rehit.files.rows import RawTable, table_from_rows
from rehit.messages import Message, message

_MIDNIGHT = dt.time(0)


def read_workbook(file: Path, *, sheet: str | None = None,
                  has_header: bool | None = None) -> RawTable:
    """Read a sheet; text cells stay text ("00123"), dates become ISO text.

    Parameters
    ----------
    file
        The workbook.
    sheet
        Name of the sheet. If not given, the one with most filled rows, and under it those with
        the same columns; which were read is noted.
    has_header
        Whether there are column names; found out if not told.

    Raises
    ------
    InputFileError
        If the workbook is damaged, protected or has no such sheet, or the sheet is empty.
    """
    where = str(file)
    try:
        with CalamineWorkbook.from_path(str(file)) as book:
            names = list(book.sheet_names)
            if sheet is not None and sheet not in names:
                raise InputFileError(where, got=f"no sheet {sheet!r}",
                                     allowed=", ".join(map(repr, names)),
                                     remedy="name one of these sheets")
            sheets = {name: _cells(book, name) for name in ([sheet] if sheet else names)}
    except (CalamineError, zipfile.BadZipFile, OSError, ValueError) as error:
        raise InputFileError(
            where, got=f"a file that opens as no workbook ({error})",
            allowed="XLSX, XLS or ODS without a password, or another kind of log",
            remedy="open it in a spreadsheet program and save it again") from error
    chosen = max(sheets, key=lambda name: _filled(sheets[name]), default=None)
    if chosen is None or not sheets[chosen]:
        raise InputFileError(where, got="an empty workbook", allowed="a sheet with rows",
                             remedy="choose another file or sheet")
    if sheet is not None:
        return table_from_rows(sheets[chosen], has_header=has_header)
    return _with_like_sheets(sheets, chosen, has_header)


def _with_like_sheets(sheets: dict[str, list[list[str]]], chosen: str,
                      has_header: bool | None) -> RawTable:
    """Read the chosen sheet, and under it those with the very same columns, such as other years.

    A sheet that holds nothing but rows of those before it is a copy or an extract, and left out.
    """
    first = table_from_rows(sheets[chosen], has_header=has_header)
    notes: tuple[Message, ...] = ()
    parts, used, ragged, size = [first.table], [chosen], list(first.ragged_rows), len(first.table)
    known = _row_set(first.table)
    for name in sheets:
        other = table_from_rows(sheets[name], has_header=has_header) if name != chosen else None
        if other is None or not (first.has_header and other.has_header) or (
                set(other.table.columns) != set(first.table.columns)):
            continue
        new = _row_set(other.table[list(first.table.columns)])
        if not new <= known:
            known |= new
            used.append(name)
            parts.append(other.table)
            notes += (*other.notes, message("reading.more_rows", sheet=name, first=size + 1,
                                            last=size + len(other.table)))
            ragged += [size + row for row in other.ragged_rows]
            size += len(other.table)
    left = ", ".join(f"{name!r}" for name in sheets if name not in used)
    if left:
        notes = (message("reading.sheet", sheet=chosen, left=left), *first.notes, *notes)
    else:
        notes = first.notes + notes
    table = pd.concat(parts, ignore_index=True) if len(parts) > 1 else first.table
    table.index = pd.RangeIndex(1, len(table) + 1, name="source_row")
    return replace(first, table=table, notes=tuple(dict.fromkeys(notes)),
                   ragged_rows=tuple(ragged))


def _row_set(table: pd.DataFrame) -> set[tuple[str, ...]]:
    return set(table.itertuples(index=False, name=None))


def _cells(book: CalamineWorkbook, name: str) -> list[list[str]]:
    try:
        rows = book.get_sheet_by_name(name).to_python(skip_empty_area=True)
    except (CalamineError, ValueError):  # a chart sheet holds no cells
        return []
    texts = [[cell_text(cell) for cell in row] for row in rows]
    while texts and not any(cell.strip() for cell in texts[-1]):
        texts.pop()  # formatted but never filled: an artefact below the table, not rows of it
    return texts


def _filled(rows: list[list[str]]) -> int:
    return sum(1 for row in rows if any(cell.strip() for cell in row))


def cell_text(value: object) -> str:
    """Return a cell as text without a float's false decimals.

    Examples
    --------
    >>> cell_text(12.0), cell_text(dt.datetime(2018, 3, 5)), cell_text("00123"), cell_text(None)
    ('12', '2018-03-05', '00123', '')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.datetime):
        date_only = value.time() == _MIDNIGHT and value.tzinfo is None
        return value.date().isoformat() if date_only else value.isoformat(sep=" ")
    if isinstance(value, dt.timedelta):
        total = round(value.total_seconds())
        return f"{total // 3600:02d}:{total // 60 % 60:02d}:{total % 60:02d}"
    return value.isoformat() if isinstance(value, dt.date | dt.time) else str(value)
