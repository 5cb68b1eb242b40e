"""Delimited text to a table: the fast reader first, a tolerant one where rows are uneven."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from rehit.errors import InputFileError
from rehit.incidents.read_csv_fast import holds_rows, read_fast
from rehit.incidents.read_rows import RawTable, table_from_rows

DELIMITERS = (",", ";", "\t", "|")
_NAMES = {";": "a semicolon", "\t": "a tab", "|": "a vertical bar", ",": "a comma"}
_SAMPLE_LINES = 200
_SINGLE_QUOTED = re.compile(r"(?:^|[,;\t|])'[^'\n]*'(?=[,;\t|]|$)", re.MULTILINE)


def read_csv_text(text: str, *, where: str, has_header: bool | None = None) -> RawTable:
    """Read delimited text whose delimiter and quoting are not known.

    Parameters
    ----------
    text
        The whole file.
    where
        Its name, for messages.
    has_header
        Whether there are column names; found out if not told.

    Raises
    ------
    InputFileError
        If the text holds no row of at least one cell.
    """
    lines, notes = _even_line_ends(text)
    with _cells_of_any_size(len(lines)):
        if _single_quoted(lines):
            table = _read(lines.replace("'", '"'), has_header)
            table = _with_apostrophes(table).with_notes(("cells are in single quotes",))
        else:
            table = _read(lines, has_header)
    if not len(table.table.columns):
        raise InputFileError(where, got="no rows", allowed="a log with a header and rows",
                             remedy="export the log again")
    return table.with_notes(notes)


def _read(text: str, has_header: bool | None) -> RawTable:
    lines, head, delimiter, said = _unwrapped(text, _head(text))
    if delimiter != ",":
        said += (f"the delimiter is {_NAMES[delimiter]}",)
    table = read_fast(lines, _rows(head, delimiter), delimiter, has_header)
    if table is None:
        rows, mended = _tolerant_rows(lines, delimiter)
        table = table_from_rows(rows, notes=mended, has_header=has_header)
    return table.with_notes(said)


@contextmanager
def _cells_of_any_size(size: int) -> Iterator[None]:
    """Lift the csv module's limit on a cell's length, which an unclosed quote would break."""
    before = csv.field_size_limit(max(size + 1, csv.field_size_limit()))
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _single_quoted(text: str) -> bool:
    """Whether most lines hold cells in single quotes and no double quote is used at all."""
    head = _head(text)
    return len(_SINGLE_QUOTED.findall(head)) * 2 > head.count("\n") + 1 and '"' not in text


def _with_apostrophes(table: RawTable) -> RawTable:
    """Give back the apostrophes inside cells that were read as double quotes."""
    frame = table.table.apply(lambda column: column.str.replace('"', "'", regex=False))
    return replace(table, table=frame.rename(columns=lambda name: name.replace('"', "'")))


def _even_line_ends(text: str) -> tuple[str, tuple[str, ...]]:
    if "\r" not in text:
        return text, ()
    if "\n" in text:
        return text.replace("\r\n", "\n").replace("\r", "\n"), ()
    return text.replace("\r", "\n"), ("line ends are carriage returns alone",)


def _head(text: str) -> str:
    end = 0
    for _ in range(_SAMPLE_LINES):
        found = text.find("\n", end)
        if found < 0:
            return text
        end = found + 1
    return text[:end]


def _rows(text: str, delimiter: str) -> list[list[str]]:
    return [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter) if row]


def find_delimiter(head: str) -> str:
    """Return the delimiter that gives the most rows the same number of cells above one.

    Examples
    --------
    >>> find_delimiter("a;b;c\\n1,5;2;3\\n2,5;4;5\\n")
    ';'
    """
    return max(DELIMITERS, key=lambda d: _fit(_rows(head, d)))


def _fit(rows: list[list[str]]) -> tuple[float, int]:
    widths = Counter(len(row) for row in rows)
    if not widths:
        return 0.0, 0
    width, count = max(((w, n) for w, n in widths.items() if w > 1), default=(1, 0),
                       key=lambda item: item[1] * item[0] ** 0.5)
    return (count / len(rows) * width ** 0.5 if width > 1 else 0.0), width


def _unwrapped(text: str, head: str) -> tuple[str, str, str, tuple[str, ...]]:
    """Undo quotes around whole rows, which hide the delimiter from every reader."""
    delimiter = find_delimiter(head)
    lines = [line.strip() for line in head.split("\n") if line.strip()]
    wrapped = [line for line in lines if len(line) > 1 and line[0] == line[-1] == '"']
    inside = [row for line in wrapped for row in _rows(line, "\x00") if len(row) == 1]
    if len(wrapped) < max(0.8 * len(lines), 1) or len(inside) < len(wrapped):
        return text, head, delimiter, ()
    inner = find_delimiter("\n".join(row[0] for row in inside))
    lone = all(len(_rows(line, inner)[0]) == 1 for line in wrapped if inner in line)
    if _fit([_rows(row[0], inner)[0] for row in inside if row[0].strip()])[1] < 2 or not lone:
        return text, head, delimiter, ()
    bare = "\n".join(row[0] if len(row) == 1 else inner.join(row) for row in _rows(text, inner))
    return bare, _head(bare), inner, ("quotes around whole rows taken off",)


def _tolerant_rows(text: str, delimiter: str) -> tuple[list[list[str]], tuple[str, ...]]:
    """Read rows one by one; where an unclosed quote swallowed rows, take its lines as they are."""
    rows: list[list[str]] = []
    mended = 0
    width = _fit(_rows(_head(text), delimiter))[1]
    for row, raw_lines in _records(text, delimiter):
        if len(raw_lines) > 1 and any(holds_rows(cell, width, delimiter) for cell in row):
            mended += 1
            rows += [_bare_cells(line, delimiter) for line in raw_lines if line.strip()]
        elif row:
            rows.append(row)
    notes = (f"{mended} quotes that were never closed taken as plain text",) if mended else ()
    return rows, notes


def _records(text: str, delimiter: str) -> Iterator[tuple[list[str], list[str]]]:
    lines = text.split("\n")
    reader = csv.reader((line + "\n" for line in lines), delimiter=delimiter)
    start = 0
    for row in reader:
        yield row, lines[start:reader.line_num]
        start = reader.line_num


def _bare_cells(line: str, delimiter: str) -> list[str]:
    """Split one line by itself, honouring quotes if they close within it."""
    cells = next(csv.reader([line], delimiter=delimiter), [])
    if line.count('"') % 2 == 0:
        return cells
    return [cell.strip().strip('"') for cell in line.split(delimiter)]

