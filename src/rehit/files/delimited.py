"""Delimited text to a table: encoding, dialect, and rows that no stray quote joins or shifts.

Where cells are quoted, the delimiter is the mark beside the quotes. Otherwise the dialect is what
clevercsv finds in the head of the file: its measure of how regular the rows are takes time in
proportion to the square of the text, so it never sees more than a bounded sample. Most files are
then read by pyarrow; only where rows are uneven or a quote was never closed are they read one by
one.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import NamedTuple

import charset_normalizer
import clevercsv
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv

from rehit.errors import InputFileError
from rehit.files.rows import (
    EXTRA_COLUMN,
    RawTable,
    beyond,
    column_names,
    find_header,
    is_ragged,
    ragged_note,
    table_from_rows,
)
from rehit.messages import Message, message

DELIMITERS = {",": "delimiter.comma", ";": "delimiter.semicolon", "\t": "delimiter.tab",
              "|": "delimiter.bar"}
# A backslash before the quote that ends a cell is a backslash.
_ENDS_CELL = re.compile(r'\\"(?=[,;\t|\n]|$)')
_SAMPLE_LINES = 200
_SAMPLE_CHARACTERS = 20_000


class Dialect(NamedTuple):
    """How the cells of a file are parted, quoted and escaped ("" where they are not)."""

    delimiter: str = ","
    quote: str = '"'
    escape: str = ""


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
        table = _read(lines, has_header)
    if not len(table.table.columns):
        raise InputFileError(where, "errors.no_rows")
    return table.with_notes(notes)


def find_dialect(head: str) -> Dialect:
    """Return the dialect of the first lines of a file; of one column alone that of RFC 4180.

    Quotes around whole cells decide before how regular the rows are: what stands within them may
    be any mark, but only the delimiter stands between them (RFC 4180, section 2, rules 5 and 6).

    Examples
    --------
    >>> find_dialect("a;b;c\\n1,5;2;3\\n2,5;4;5\\n").delimiter
    ';'
    """
    sample = head[:_SAMPLE_CHARACTERS]
    if len(head) > len(sample) and "\n" in sample:
        sample = sample[:sample.rindex("\n")]
    quoted = _mark_beside_quotes(sample)
    if quoted and '\\"' not in head:
        return Dialect(quoted)
    try:
        found = clevercsv.Sniffer().sniff(sample, delimiters=quoted or "".join(DELIMITERS))
    except (clevercsv.Error, ValueError, IndexError):
        return Dialect(quoted or ",")
    if found is None or found.delimiter not in DELIMITERS:
        return Dialect(quoted or ",")
    escaped = found.escapechar == "\\" and '\\"' in head and not _ENDS_CELL.search(head)
    escape = "\\" if escaped else ""
    quote = "'" if found.quotechar == "'" and '"' not in head else '"'
    return Dialect(str(found.delimiter), quote, escape)


def _mark_beside_quotes(sample: str) -> str:
    """Return the delimiter that bounds the quoted cells of a sample, "" where none clearly does.

    With the right one nearly every quote opens or closes a whole cell; with another most stand in
    the middle of cells.
    """
    n_quotes = sample.count('"')
    best, most = "", 0
    for mark in DELIMITERS:
        cells = re.compile(f'(?:^|(?<=[{mark}\n]))"(?:[^"]|"")*+"(?=[{mark}\n]|$)')
        inside = sum(found.group().count('"') for found in cells.finditer(sample)
                     if mark in (sample[found.start() - 1:found.start()],
                                 sample[found.end():found.end() + 1]))
        best, most = (mark, inside) if inside > most else (best, most)
    return best if 2 * most > n_quotes else ""


def _read(text: str, has_header: bool | None) -> RawTable:
    lines, head, dialect, said = _unwrapped(text, _head(text))
    if dialect.delimiter != ",":
        said += (message("reading.delimiter", delimiter=message(DELIMITERS[dialect.delimiter])),)
    if dialect.quote == "'":
        said += (message("reading.single_quotes"),)
    table = _read_fast(lines, _rows(head, dialect), dialect, has_header)
    if table is None:
        rows, mended = _tolerant_rows(lines, dialect)
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


def _even_line_ends(text: str) -> tuple[str, tuple[Message, ...]]:
    """End lines with a line feed alone; a few carriage returns among them stand within cells."""
    if "\r" not in text:
        return text, ()
    text = re.sub(r"\r+\n", "\n", text)
    alone, ends = text.count("\r"), text.count("\n")
    if alone == 0:
        return text, ()
    if alone > ends:
        notes = () if ends else (message("reading.carriage_returns"),)
        return text.replace("\r", "\n"), notes
    return text.replace("\r", " "), (message("reading.carriage_returns_inside", n=alone),)


def _head(text: str) -> str:
    end = 0
    for _ in range(_SAMPLE_LINES):
        found = text.find("\n", end)
        if found < 0:
            return text
        end = found + 1
    return text[:end]


def _cells(lines: Iterator[str] | io.StringIO | list[str], dialect: Dialect, *,
           strict: bool = False) -> Iterator[list[str]]:
    """Return the csv module's reader, for which a quote within a cell is plain text."""
    return csv.reader(lines, delimiter=dialect.delimiter, quotechar=dialect.quote,
                      escapechar=dialect.escape or None, strict=strict)


def _rows(text: str, dialect: Dialect) -> list[list[str]]:
    return [row for row in _cells(io.StringIO(text, newline=""), dialect) if row]


def _usual_width(rows: list[list[str]]) -> int:
    """Return how many cells most rows have, long rows counting more than short ones."""
    widths = Counter(len(row) for row in rows)
    return max(((w, n) for w, n in widths.items() if w > 1), default=(0, 0),
               key=lambda item: item[1] * item[0] ** 0.5)[0]


def _unwrapped(text: str, head: str) -> tuple[str, str, Dialect, tuple[Message, ...]]:
    """Undo quotes around whole rows, which hide the delimiter from every reader."""
    dialect = find_dialect(head)
    lines = [line.strip() for line in head.split("\n") if line.strip()]
    wrapped = [line for line in lines if len(line) > 1 and line[0] == line[-1] == '"']
    inside = [row for line in wrapped for row in _rows(line, Dialect("\x00")) if len(row) == 1]
    if len(wrapped) < max(0.8 * len(lines), 1) or len(inside) < len(wrapped):
        return text, head, dialect, ()
    inner = find_dialect("\n".join(row[0] for row in inside))
    lone = all(len(_rows(line, inner)[0]) == 1 for line in wrapped if inner.delimiter in line)
    width = _usual_width([_rows(row[0], inner)[0] for row in inside if row[0].strip()])
    if width < 2 or not lone:
        return text, head, dialect, ()
    bare = "\n".join(row[0] if len(row) == 1 else inner.delimiter.join(row)
                     for row in _rows(text, inner))
    return bare, _head(bare), inner, (message("reading.row_quotes"),)


# Rows one by one, where a quote may never have been closed.


def _tolerant_rows(text: str, dialect: Dialect) -> tuple[list[list[str]], tuple[Message, ...]]:
    """Read rows one by one; a quote that swallowed rows is taken as plain text in its line."""
    rows: list[list[str]] = []
    mended, place = 0, 0
    lines = text.split("\n")
    width = _usual_width(_rows(_head(text), dialect))
    while place < len(lines):
        start = place
        for row, place in _records(lines, start, dialect):
            raw_lines = lines[start:place]
            if _swallowed(row, raw_lines, width, dialect):
                mended += 1
                place = start + 1
                if raw_lines[0].strip():
                    rows.append(_bare_cells(raw_lines[0], dialect))
                break  # and read on from the next line
            if row:
                rows.append(row)
            start = place
    return rows, (message("reading.unclosed_quotes", n=mended),) if mended else ()


def _records(lines: list[str], start: int,
             dialect: Dialect) -> Iterator[tuple[list[str], int]]:
    """Go through the rows from one line on, each with the number of the line after it."""
    reader = csv.reader((lines[i] + "\n" for i in range(start, len(lines))),
                        delimiter=dialect.delimiter, quotechar=dialect.quote,
                        escapechar=dialect.escape or None)
    for row in reader:
        yield row, start + reader.line_num


def _swallowed(row: list[str], lines: list[str], width: int, dialect: Dialect) -> bool:
    """Whether a quote that was never closed has joined cells or whole rows.

    A row of the usual width, all of whose quotes stand at the ends of cells, is what it seems,
    unless each of its lines by itself has the usual width too. Any other row over several lines
    is taken apart if one of them could be a row.
    """
    if len(lines) == 1:
        return len(row) != width and lines[0].count(dialect.quote) % 2 == 1 and (
            len(_bare_cells(lines[0], dialect)) == width)
    widths = [len(_bare_cells(line, dialect)) for line in lines if line.strip()]
    if len(row) == width and _closes(lines, dialect):
        return all(cells == width for cells in widths)
    return max(widths, default=0) >= max(width - 1, 2)


def _closes(lines: list[str], dialect: Dialect) -> bool:
    try:
        return sum(1 for _ in _cells([line + "\n" for line in lines], dialect, strict=True)) == 1
    except csv.Error:
        return False


def _bare_cells(line: str, dialect: Dialect) -> list[str]:
    """Split one line by itself, honouring quotes if they close within it."""
    if line.count(dialect.quote) % 2 == 0:
        return next(_cells([line], dialect), [])
    return [cell.strip().strip(dialect.quote) for cell in line.split(dialect.delimiter)]


# The fast way: pyarrow, with the few uneven rows put back in their places.

# With more uneven rows than this the header is in doubt, and rows are read one by one.
_MOST_UNEVEN = 10_000
_UNEVEN_SHARE = 0.01
_BLOCK = 1 << 24
_Handler = Callable[[pacsv.InvalidRow], str]


def _read_fast(text: str, head: Sequence[Sequence[str]], dialect: Dialect,
               has_header: bool | None) -> RawTable | None:
    """Read rows with pyarrow; None if many are uneven or an unclosed quote swallowed some."""
    if not head:
        return None
    first, found = find_header(head)
    if first != 0:
        return None
    has_header = found if has_header is None else has_header
    names, notes = column_names(head[0] if has_header else [], len(head[0]))
    if not has_header:
        notes = (message("reading.no_header"),)
    data = text.encode("utf-8", errors="replace")
    if dialect.quote not in text:
        dialect = dialect._replace(quote="")
    uneven: dict[int, str] = {}
    table = _parsed(data, names, dialect, skip=has_header)
    if table is None:
        table = _parsed(data, names, dialect, skip=has_header,
                        handler=_collect(uneven, skip=has_header))
    if table is None or len(uneven) > _UNEVEN_SHARE * table.num_rows or any(
            "\n" in row for row in uneven.values()) or (
                dialect.quote and _has_swallowed(table, dialect.delimiter, dialect.quote)):
        return None
    frame = _frame(table, names, table.num_rows + len(uneven), uneven)
    if uneven:
        return _with_uneven(frame, names, uneven, dialect, has_header, notes)
    return RawTable(frame, has_header, notes, rows_above=int(has_header))


def _collect(uneven: dict[int, str], *, skip: bool) -> _Handler:
    """Return a handler that notes each uneven row by its number among the data rows."""
    def handler(row: pacsv.InvalidRow) -> str:
        uneven[row.number - skip] = row.text
        return "skip" if len(uneven) <= _MOST_UNEVEN else "error"
    return handler


def _parsed(data: bytes, names: list[str], dialect: Dialect, *, skip: bool,
            handler: _Handler | None = None) -> pa.Table | None:
    try:
        return pacsv.read_csv(
            io.BytesIO(data),
            read_options=pacsv.ReadOptions(
                column_names=names, skip_rows_after_names=int(skip), block_size=_BLOCK,
                use_threads=handler is None),  # row numbers are only kept by one thread
            parse_options=pacsv.ParseOptions(
                delimiter=dialect.delimiter, newlines_in_values=bool(dialect.quote),
                invalid_row_handler=handler, quote_char=dialect.quote or False,
                escape_char=dialect.escape or False),
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


def _with_uneven(frame: pd.DataFrame, names: list[str], uneven: dict[int, str], dialect: Dialect,
                 has_header: bool, notes: tuple[Message, ...]) -> RawTable:
    """Put uneven rows back: short ones filled with "", cells beyond the header kept apart."""
    width = len(names)
    quoted = dialect if dialect.quote else dialect._replace(quote='"')
    rows = {place: next(_cells([text], quoted), []) for place, text in uneven.items()}
    rows |= {place: _bare_cells(uneven[place], quoted) for place, row in rows.items()
             if _swallowed(row, [uneven[place]], width, quoted)}
    cells = {place: [*row[:width], *[""] * (width - len(row))] for place, row in rows.items()}
    odd = pd.DataFrame(cells.values(), columns=names, dtype="str",
                       index=pd.Index(cells.keys(), name="source_row"))
    extras = pd.Series({place: beyond(row, width) for place, row in rows.items()}, dtype="str")
    whole = pd.concat([frame, odd]).sort_index()
    whole.index = pd.RangeIndex(1, len(whole) + 1, name="source_row")
    if extras.ne("").any():
        whole[EXTRA_COLUMN] = extras.reindex(whole.index).fillna("")
    ragged = tuple(sorted(place for place, row in rows.items() if is_ragged(row, width)))
    said = (ragged_note(ragged),) if ragged else ()
    return RawTable(whole, has_header, notes + said, ragged, rows_above=int(has_header))


def _has_swallowed(table: pa.Table, delimiter: str, quote: str) -> bool:
    """Whether some cell may hold rows: a line with about as many delimiters as a row has.

    Behind a quote that was never closed the next one stays in the cell; with it any delimiter is
    enough for doubt.
    """
    for column in table.columns:
        inside = pa.compute.match_substring(column, "\n")
        if pa.compute.any(inside).as_py():
            cells = column.filter(inside).to_pylist()
            for cell in cells:
                most = 1 if quote in cell else max(table.num_columns - 2, 1)
                if any(line.count(delimiter) >= most for line in cell.split("\n")[1:]):
                    return True
    return False


# Bytes to text: the encoding found out, and said when it was not plain UTF-8.

_SAMPLE = 200_000
# Control characters that no log holds; more than a few mean that the bytes are no text.
_CONTROL = re.compile("[\x01-\x08\x0e-\x1a\x1c-\x1f]")
_CONTROL_SHARE = 0.02
# What older office software writes; their looks are alike, so the commonest goes before.
_LIKELY = "cp1252"
_CODE_PAGES = ["cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "mac_roman", "cp850"]
_MOST_CHAOS = 0.1


def decode(data: bytes, *, where: str) -> tuple[str, tuple[Message, ...]]:
    """Return the text of a file and notes about its encoding.

    A byte order mark decides; without one, bytes that are valid UTF-8 are UTF-8, a pattern of
    NUL bytes means UTF-16, and anything else is Windows-1252, the usual one of older office
    software, unless charset-normalizer finds its letters no text and those of another code page
    (Cyrillic, Greek, DOS) text. Where both are possible it prefers rare ones, hence the order.

    Raises
    ------
    InputFileError
        If the bytes are no text at all.

    Examples
    --------
    >>> text, notes = decode("Straße".encode("cp1252"), where="log.csv")
    >>> text, notes[0].facts["name"]
    ('Straße', 'Windows-1252')
    """
    text, encoding = _decoded(data, where)
    notes: tuple[Message, ...] = ()
    if encoding == _UNMARKED:
        notes = (message("reading.utf16_unmarked"),)
    elif encoding != "UTF-8":
        notes = (message("reading.encoding", name=encoding.replace("cp125", "Windows-125")),)
    sample = text[:_SAMPLE]
    if len(_CONTROL.findall(sample)) > _CONTROL_SHARE * len(sample):
        raise _no_text(where)
    if "\x00" in text:
        notes += (message("reading.nul", n=text.count("\x00")),)
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
        return data.decode(name, errors="replace"), _UNMARKED
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        name = _code_page(sample)
        # The bytes that a code page leaves undefined come through as they are (WHATWG).
        return data.decode(name, errors="surrogateescape").translate(_UNDEFINED), name


def _code_page(sample: bytes) -> str:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = list(charset_normalizer.from_bytes(sample, cp_isolation=_CODE_PAGES))
    likely = any(_LIKELY in match.could_be_from_charset for match in found)
    if likely or not found or found[0].chaos > _MOST_CHAOS:
        return _LIKELY
    return found[0].encoding


_UNMARKED = "utf-16 unmarked"
_UNDEFINED = {0xDC00 + byte: chr(byte) for byte in range(0x80, 0x100)}


def _no_text(where: str) -> InputFileError:
    return InputFileError(where, "errors.no_text")
