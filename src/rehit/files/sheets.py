"""Workbooks (XLSX, XLS, ODS) to a table of texts."""

from __future__ import annotations

import datetime as dt
import io
import os
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from itertools import islice
from pathlib import Path

import openpyxl
import pandas as pd
from openpyxl.utils.exceptions import InvalidFileException
from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook, SheetTypeEnum

from rehit.errors import InputFileError
from rehit.files.memory import free_if_below
from rehit.files.rows import RawTable, table_from_rows
from rehit.messages import Message, message

Rows = list[list[str]]
_MIDNIGHT = dt.time(0)
_TOO_FAR = "Cell limit exceeded"  # what the library says of an ODS too large to lay out
_ODS_ROW = re.compile(rb"(<table:table-row\b[^>]*>)(.*?)(</table:table-row>)", re.DOTALL)
_ODS_CELL = re.compile(rb"<table:((?:covered-)?table-cell)\b[^>]*?(?:/>|>.*?</table:\1>)",
                       re.DOTALL)
_TAG = re.compile(rb"<[^>]*>")


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
        sheets = (_sparse_sheets if _is_sparse(file, where) else _sheets)(file, sheet, where)
    except (CalamineError, zipfile.BadZipFile, InvalidFileException, zlib.error, OSError,
            ValueError, KeyError, EOFError, AttributeError, TypeError) as error:
        raise InputFileError(where, "errors.not_a_workbook", said=str(error)) from error
    chosen = max(sheets, key=lambda name: _filled(sheets[name]), default=None)
    if chosen is None or not sheets[chosen]:
        raise InputFileError(where, "errors.empty_workbook")
    if sheet is not None:
        return table_from_rows(sheets[chosen], has_header=has_header, open_ends=True)
    return _with_like_sheets(sheets, chosen, has_header)


def _with_like_sheets(sheets: dict[str, list[list[str]]], chosen: str,
                      has_header: bool | None) -> RawTable:
    """Read the chosen sheet, and under it those with the very same columns, such as other years.

    A sheet that holds nothing but rows of those before it is a copy or an extract, and left out.
    """
    first = table_from_rows(sheets[chosen], has_header=has_header, open_ends=True)
    notes: tuple[Message, ...] = ()
    parts, used, ragged, size = [first.table], [chosen], list(first.ragged_rows), len(first.table)
    known = _row_set(first.table)
    for name in sheets:
        other = table_from_rows(
            sheets[name], has_header=has_header, open_ends=True) if name != chosen else None
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


def _sheets(file: Path, sheet: str | None, where: str) -> dict[str, Rows]:
    with _panics_as_errors(), _opened(file) as book:
        names = [found.name for found in book.sheets_metadata
                 if found.typ == SheetTypeEnum.WorkSheet]  # a chart sheet holds no cells
        return {name: _texts(_rows(book.get_sheet_by_name(name)))
                for name in _asked(sheet, names, where)}


def _rows(sheet: CalamineSheet) -> Iterable[Sequence[object]]:
    if sheet.total_height * sheet.total_width <= MOST_CELLS:
        return sheet.to_python(skip_empty_area=True)
    top, _ = sheet.start or (0, 0)  # the columns before the first are left out already
    return map(_without_blank_end, islice(sheet.iter_rows(), top, None))


def _opened(file: Path) -> CalamineWorkbook:
    try:
        return CalamineWorkbook.from_path(str(file))
    except CalamineError as error:
        if _TOO_FAR in str(error):
            with suppress(CalamineError):  # a word is far away, not only a blank
                return CalamineWorkbook.from_filelike(_without_far_blanks(file))
        raise


def _without_far_blanks(file: Path) -> io.BytesIO:
    """Return an ODS whose rows end with their last word; one blank far away would be too much."""
    kept = io.BytesIO()
    with zipfile.ZipFile(file) as parts, zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as out:
        for name in parts.namelist():
            content = parts.read(name)
            out.writestr(name, _ODS_ROW.sub(_up_to_last_word, content)
                         if name == "content.xml" else content)
    kept.seek(0)
    return kept


def _up_to_last_word(row: re.Match[bytes]) -> bytes:
    words = [cell.end() for cell in _ODS_CELL.finditer(row[2])
             if _TAG.sub(b"", cell[0]).strip()]
    return row[1] + row[2][:max(words, default=0)] + row[3]


@contextmanager
def _panics_as_errors() -> Iterator[None]:
    """Make an error of the library's giving up on a damaged file, and hush what it prints then."""
    shown = None
    with suppress(OSError):  # a program without a console has none
        shown = os.dup(2)
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
    try:
        yield
    except BaseException as error:
        if type(error).__name__ == "PanicException":
            raise ValueError(str(error)) from error
        raise
    finally:
        if shown is not None:
            os.dup2(shown, 2)
            os.close(shown)


def _asked(sheet: str | None, names: list[str], where: str) -> list[str]:
    if sheet is not None and sheet not in names:
        raise InputFileError(where, "errors.no_sheet", name=sheet, known=tuple(names))
    return names if sheet is None else [sheet]


# The library lays a sheet out from its first cell to its last: one blank far away is 550 GB.

MOST_CELLS, MOST_BLANK = 2_000_000, 0.9
MOST_FILLED = 20_000_000  # measured: 2.5 s a million, so that more take longer than anyone waits
LAST_COLUMN = 16_384  # XFD: Excel specifications and limits
MOST_BYTES = 4 << 30
CELL_BYTES = 190  # measured: what a filled cell takes until it stands in a table
# Sheets written by programs shrink to a tenth or a thirtieth; what shrinks to so little is a trap.
_TRAP_BYTES, _TRAP_SHRINKS = 1 << 28, 200
_CHUNK = 1 << 20
_FAR = re.compile(rb' r="([A-Z]{2,}|[A-Z](?=\d{4}))(\d+)"')  # a cell in AA1 or A1000, or beyond
_CELL = re.compile(rb"[<:]c[ />]")
_ROW = re.compile(rb'<(?:\w+:)?row [^>]*?r="(\d{1,7})"')


def _is_sparse(file: Path, where: str) -> bool:
    """Whether a sheet of an XLSX has a cell too far out to lay out all before it.

    Raises
    ------
    InputFileError
        If the workbook would fill the memory in any case.
    """
    if not zipfile.is_zipfile(file):
        return False
    with zipfile.ZipFile(file) as parts:
        if sum(part.file_size for part in parts.infolist()) > MOST_BYTES or any(
                part.file_size > max(_TRAP_BYTES, _TRAP_SHRINKS * part.compress_size)
                for part in parts.infolist()):
            raise InputFileError(where, "errors.workbook_too_large")
        sizes = [_laid_out_and_filled(parts, name, where) for name in parts.namelist()
                 if name.startswith("xl/worksheets/") and name.endswith(".xml")]
    sparse = any(laid_out > MOST_CELLS and (
        filled < (1 - MOST_BLANK) * laid_out or laid_out > MOST_FILLED)
        for laid_out, filled in sizes)
    cells = sum(filled if sparse else max(laid_out, filled) for laid_out, filled in sizes)
    free = free_if_below(cells * CELL_BYTES)
    if free is not None:
        raise InputFileError(where, "errors.workbook_does_not_fit", cells=cells,
                             needed_gb=cells * CELL_BYTES / 1e9, free_gb=free / 1e9)
    return sparse


def _laid_out_and_filled(parts: zipfile.ZipFile, name: str, where: str) -> tuple[int, int]:
    """Return how many cells lie between a sheet's first and last, and how many are written.

    Raises
    ------
    InputFileError
        If more are written than can be read in a minute, or one stands where no sheet reaches.
    """
    rows, columns, cells, kept = 1, 26, 0, b""
    with parts.open(name) as stream:
        while chunk := stream.read(_CHUNK):
            text = kept + chunk
            cells += len(_CELL.findall(chunk))
            far = _FAR.findall(text)
            columns = max([columns, *map(_column_number, {letters for letters, _ in far})])
            rows = max([rows, *map(int, _ROW.findall(text)[-1:]), *(int(row) for _, row in far)])
            if columns > LAST_COLUMN:
                raise InputFileError(where, "errors.cell_beyond_sheet", column=columns,
                                     most=LAST_COLUMN)
            if cells > MOST_FILLED:
                raise InputFileError(where, "errors.workbook_of_many_cells", most=MOST_FILLED)
            kept = text[-200:]
    return rows * columns, cells


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _sparse_sheets(file: Path, sheet: str | None, where: str) -> dict[str, Rows]:
    """Read a workbook cell by cell, which takes longer but only the memory of its filled cells."""
    # Given open: by its name openpyxl would judge the file's ending.
    with warnings.catch_warnings(), file.open("rb") as stream:
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(stream, read_only=True, data_only=True)
        sheets = {}
        for name in _asked(sheet, [found.title for found in book.worksheets], where):
            book[name].reset_dimensions()
            sheets[name] = _texts(_without_blank_end(row)
                                  for row in book[name].iter_rows(values_only=True))
        book.close()
    return sheets


def _without_blank_end(row: Sequence[object]) -> Sequence[object]:
    filled = [place for place, cell in enumerate(row, 1) if cell is not None and str(cell).strip()]
    return row[:filled[-1]] if filled else ()


def _texts(rows: Iterable[Sequence[object]]) -> Rows:
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
