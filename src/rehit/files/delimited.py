"""Delimited text to a table: the fast reader first, a tolerant one where rows are uneven."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv

from rehit.errors import InputFileError
from rehit.files.rows import (
    EXTRA_COLUMN,
    RawTable,
    column_names,
    find_header,
    is_ragged,
    ragged_note,
    table_from_rows,
)

# The fast reader of delimited text: pyarrow, with the few uneven rows put back in their places.

# With more uneven rows than this the header is in doubt, and the tolerant reader is asked.
_MOST_UNEVEN = 10_000
_UNEVEN_SHARE = 0.01
_BLOCK = 1 << 24
_Handler = Callable[[pacsv.InvalidRow], str]


def read_fast(text: str, head: Sequence[Sequence[str]], delimiter: str,
              has_header: bool | None) -> RawTable | None:
    """Read rows with pyarrow; None if many are uneven or an unclosed quote swallowed some.

    Parameters
    ----------
    text
        The whole file.
    head
        Its first rows, split.
    delimiter
        The delimiter.
    has_header
        Whether there are column names; found out if not told.
    """
    if not head or find_header(head)[0] != 0:
        return None
    has_header = find_header(head)[1] if has_header is None else has_header
    names, notes = column_names(head[0] if has_header else [], len(head[0]))
    if not has_header:
        notes = ("no header row: columns are numbered",)
    data = text.encode("utf-8", errors="replace")
    quoted = '"' in text
    uneven: dict[int, str] = {}
    table = _parsed(data, names, delimiter, quoted=quoted, skip=has_header)
    if table is None:
        table = _parsed(data, names, delimiter, quoted=quoted, skip=has_header,
                        handler=_collect(uneven, skip=has_header))
    if table is None or len(uneven) > _UNEVEN_SHARE * table.num_rows or any(
            "\n" in row for row in uneven.values()) or (quoted and _swallowed(table, delimiter)):
        return None
    frame = _frame(table, names, table.num_rows + len(uneven), uneven)
    if uneven:
        return _with_uneven(frame, names, uneven, delimiter, has_header, notes)
    return RawTable(frame, has_header, notes)


def _collect(uneven: dict[int, str], *, skip: bool) -> _Handler:
    """Return a handler that notes each uneven row by its number among the data rows."""
    def handler(row: pacsv.InvalidRow) -> str:
        uneven[row.number - skip] = row.text
        return "skip" if len(uneven) <= _MOST_UNEVEN else "error"
    return handler


def _parsed(data: bytes, names: list[str], delimiter: str, *, quoted: bool, skip: bool,
            handler: _Handler | None = None) -> pa.Table | None:
    try:
        return pacsv.read_csv(
            io.BytesIO(data),
            read_options=pacsv.ReadOptions(
                column_names=names, skip_rows_after_names=int(skip), block_size=_BLOCK,
                use_threads=handler is None),  # row numbers are only kept by one thread
            parse_options=pacsv.ParseOptions(
                delimiter=delimiter, newlines_in_values=quoted, invalid_row_handler=handler,
                quote_char='"' if quoted else False),
            convert_options=pacsv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.large_string()), strings_can_be_null=False))
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None


def _frame(table: pa.Table, names: list[str], size: int, uneven: dict[int, str]) -> pd.DataFrame:
    places = np.setdiff1d(np.arange(1, size + 1), np.fromiter(uneven, dtype=np.int64))
    index = pd.Index(places, name="source_row") if uneven else pd.RangeIndex(
        1, size + 1, name="source_row")
    return pd.DataFrame({name: pd.Series(pd.array(table.column(name), dtype="str"), index=index)
                         for name in names}, index=index)


def _with_uneven(frame: pd.DataFrame, names: list[str], uneven: dict[int, str], delimiter: str,
                 has_header: bool, notes: tuple[str, ...]) -> RawTable:
    """Put uneven rows back: short ones filled with "", cells beyond the header kept apart."""
    width = len(names)
    rows = {place: next(csv.reader([text], delimiter=delimiter), []) for place, text in
            uneven.items()}
    cells = {place: [*row[:width], *[""] * (width - len(row))] for place, row in rows.items()}
    odd = pd.DataFrame(cells.values(), columns=names, dtype="str",
                       index=pd.Index(cells.keys(), name="source_row"))
    extras = pd.Series({place: " | ".join(row[width:]) for place, row in rows.items()
                        if any(cell.strip() for cell in row[width:])}, dtype="str")
    whole = pd.concat([frame, odd]).sort_index()
    whole.index = pd.RangeIndex(1, len(whole) + 1, name="source_row")
    if len(extras):
        whole[EXTRA_COLUMN] = extras.reindex(whole.index).fillna("")
    ragged = tuple(sorted(place for place, row in rows.items() if is_ragged(row, width)))
    said = (ragged_note(ragged),) if ragged else ()
    return RawTable(whole, has_header, notes + said, ragged)


def _swallowed(table: pa.Table, delimiter: str) -> bool:
    """Whether some cell holds a line end followed by what looks like another row."""
    for column in table.columns:
        inside = pa.compute.match_substring(column, "\n")
        if pa.compute.any(inside).as_py():
            cells = column.filter(inside).to_pylist()
            if any(holds_rows(cell, table.num_columns, delimiter) for cell in cells):
                return True
    return False


def holds_rows(cell: str, width: int, delimiter: str) -> bool:
    """Whether a later line of a cell has about as many delimiters as a row."""
    return any(line.count(delimiter) >= max(width - 2, 1) for line in cell.split("\n")[1:])


# Bytes to text: the encoding found out, and said when it was not plain UTF-8.

_SAMPLE = 200_000
# Control characters that no log holds; more than a few mean that the bytes are no text.
_CONTROL = re.compile("[\x01-\x08\x0e-\x1a\x1c-\x1f]")
_CONTROL_SHARE = 0.02


def decode(data: bytes, *, where: str) -> tuple[str, tuple[str, ...]]:
    """Return the text of a file and notes about its encoding.

    A byte order mark decides; without one, bytes that are valid UTF-8 are UTF-8, a pattern of
    NUL bytes means UTF-16, and anything else is Windows-1252, the usual one of older office
    software.

    Raises
    ------
    InputFileError
        If the bytes are no text at all.

    Examples
    --------
    >>> decode("Straße".encode("cp1252"), where="log.csv")
    ('Straße', ('read as Windows-1252',))
    """
    text, encoding = _decoded(data, where)
    notes: tuple[str, ...] = () if encoding == "UTF-8" else (f"read as {encoding}",)
    sample = text[:_SAMPLE]
    if len(_CONTROL.findall(sample)) > _CONTROL_SHARE * len(sample):
        raise _no_text(where)
    if "\x00" in text:
        notes += (f"{text.count(chr(0))} NUL characters taken out",)
        text = text.replace("\x00", "")
    return text.removeprefix("\ufeff"), notes


def _decoded(data: bytes, where: str) -> tuple[str, str]:
    if data.startswith(codecs.BOM_UTF8):
        return data.decode("utf-8-sig", errors="replace"), "UTF-8"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16", errors="replace"), "UTF-16"
    sample = data[:_SAMPLE]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    if even + odd > len(sample) // 4 and len(sample) > 1:
        if max(even, odd) < 3 * min(even, odd):
            raise _no_text(where)
        name = "utf-16-le" if odd > even else "utf-16-be"
        return data.decode(name, errors="replace"), "UTF-16 without a byte order mark"
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        # The five bytes that Windows-1252 leaves undefined come through as they are (WHATWG).
        return data.decode("cp1252", errors="surrogateescape").translate(_UNDEFINED), "Windows-1252"


_UNDEFINED = {0xDC00 + byte: chr(byte) for byte in range(0x80, 0x100)}


def _no_text(where: str) -> InputFileError:
    return InputFileError(where, got="bytes that are no text", allowed="a log in a known format",
                          remedy="open it where it came from and export it as CSV or XLSX")


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
