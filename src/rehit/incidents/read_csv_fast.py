"""The fast reader of delimited text: pyarrow, with the few uneven rows put back in their places."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv

from rehit.incidents.read_rows import (
    EXTRA_COLUMN,
    RawTable,
    column_names,
    find_header,
    is_ragged,
    ragged_note,
)

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
