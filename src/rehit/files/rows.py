"""Rows of cells to a table of texts: where the header is, whether there is one, ragged rows."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import pandas as pd

from rehit.files.headers import is_header_word
from rehit.messages import Message, message

EXTRA_COLUMN = "cells_beyond_the_header"
LOOK_AT = 60
_VALUE = re.compile(r"[(\[]?[+-]?\d[\d.,:/\-+ TZ()e]*(?:[AaPp][Mm])?[)\]]?|POINT ?\(.*|X{3,}")
_LISTED = 5


@dataclass(frozen=True)
class RawTable:
    """A table as it came, every cell as text.

    Attributes
    ----------
    table
        All columns as text, "" where empty; index ``source_row`` from 1, one entry per data row.
    has_header
        Whether column names came from the file; if not they are ``column_1``, ``column_2`` ...
    notes
        What had to be decided or mended while reading.
    ragged_rows
        ``source_row`` of rows with more or fewer cells than the header; kept, but to be doubted.
    name
        Name of the file.
    rows_above
        Rows of the file above the first data row: its title and its header.
    shapes
        The geometry of each row in the file's own CRS, or None where the file has none.
    columns_of, sizes
        For several files under each other: the columns and the number of rows of each.
    """

    table: pd.DataFrame
    has_header: bool = True
    notes: tuple[Message, ...] = ()
    ragged_rows: tuple[int, ...] = ()
    name: str = ""
    rows_above: int = 1
    shapes: gpd.GeoSeries | None = None
    columns_of: tuple[frozenset[str], ...] = ()
    sizes: tuple[int, ...] = ()

    def with_notes(self, notes: tuple[Message, ...]) -> RawTable:
        """Return a copy with `notes` before its own."""
        return replace(self, notes=notes + self.notes)

    def filled(self) -> RawTable:
        """Return a copy without empty rows; empty cells are missing, blanks within cells single."""
        table = self.table.apply(
            lambda column: column.str.replace(r"\s+", " ", regex=True).str.strip())
        table = table.mask(table == "").astype("str")
        shown = table.notna().any(axis=1)
        if self.shapes is not None:
            shown |= self.shapes.notna().set_axis(table.index)
        return replace(self, table=table[shown],
                       shapes=None if self.shapes is None else self.shapes[shown.to_numpy()])

    def records(self) -> list[tuple[int, dict[str, str]]]:
        """Return each filled row as column to text, with the row of the file it stands in."""
        table = self.filled().table.fillna("")
        return [(self.file_row(int(row)), {str(name): cell for name, cell in cells.items()})
                for row, cells in zip(table.index, table.to_dict("records"), strict=True)]

    def file_row(self, source_row: int) -> int:
        """Return the row of the file that a row of the table stands in, counted from 1."""
        return source_row + self.rows_above


def find_header(rows: Sequence[Sequence[str]]) -> tuple[int, bool]:
    """Return the place of the first row that belongs to the table, and whether it is a header.

    Rows above it that fill fewer than half of the usual number of cells (a title, a date of
    export) do not belong. The row is a header unless it looks like the rows below: numbers or
    dates where they have numbers or dates.
    """
    filled = [sum(1 for cell in row if cell.strip()) for row in rows[:LOOK_AT]]
    usual = Counter(n for n in filled if n).most_common(1)
    width = max(usual[0][0] if usual else 1, 1)
    first = next((i for i, n in enumerate(filled) if 2 * n > width or n == width), 0)
    below = [row for row in rows[first + 1:LOOK_AT] if any(cell.strip() for cell in row)]
    return first, _looks_like_header(rows[first], below)


def _looks_like_header(row: Sequence[str], below: Sequence[Sequence[str]]) -> bool:
    cells = [cell.strip() for cell in row]
    words = sum(is_header_word(cell) for cell in cells)
    values = {place for place, cell in enumerate(cells) if _VALUE.fullmatch(cell)}
    over = {place for place, cell in enumerate(cells)
            if cell and _mostly_values([r[place] for r in below if place < len(r)])}
    repeats = _repeats(cells, below)
    if len(values) > words or len(over & values) > len(over - values) or (
            repeats and repeats >= words):
        return False
    named = [cell.lower() for cell in cells if cell]
    return words > 0 or (not values and (bool(over) or len(set(named)) == len(named)))


def _mostly_values(cells: Sequence[str]) -> bool:
    filled = [cell.strip() for cell in cells if cell.strip()]
    return len(filled) > 0 and sum(bool(_VALUE.fullmatch(c)) for c in filled) > len(filled) / 2


def _repeats(cells: Sequence[str], below: Sequence[Sequence[str]]) -> int:
    """How many cells turn up again further down their column, whole repeated headers apart."""
    others = [[cell.strip() for cell in row] for row in below]
    others = [row for row in others if row != list(cells)]
    return sum(1 for place, cell in enumerate(cells)
               if cell and any(place < len(row) and row[place] == cell for row in others))


def column_names(header: Sequence[str], width: int) -> tuple[list[str], tuple[Message, ...]]:
    """Return one distinct name per column and notes on those that had to be made up."""
    names: list[str] = []
    notes: list[Message] = []
    taken: set[str] = set()
    for place in range(width):
        given = " ".join(header[place].split()) if place < len(header) else ""
        name = given or f"column_{place + 1}"
        number = 2
        while name in taken:
            name = f"{given or 'column'}_{number}"
            number += 1
        if name != given and given:
            notes.append(message("reading.second_column", given=given, name=name))
        elif not given:
            notes.append(message("reading.column_unnamed", place=place + 1, name=name))
        taken.add(name)
        names.append(name)
    return names, tuple(notes)


def table_from_rows(rows: Sequence[Sequence[str]], *, notes: tuple[Message, ...] = (),
                    has_header: bool | None = None, open_ends: bool = False) -> RawTable:
    """Build the table from rows of cells, keeping every row below the header, empty ones too.

    Cells beyond the header are kept in the column ``cells_beyond_the_header`` (joined by " | ");
    missing cells at a row's end are "". Whether there is a header is found out unless told. With
    `open_ends`, as in a sheet, a row that ends early lacks nothing: its last cells are empty.
    """
    if not any(cell.strip() for row in rows for cell in row):
        return RawTable(pd.DataFrame())
    first, found = find_header(rows)
    has_header = found if has_header is None else has_header
    said = list(notes)
    if first:
        lines = [" ".join(cell for cell in row if cell.strip()) for row in rows[:first]]
        above = " / ".join(filter(None, lines))
        said.append(message("reading.rows_above", n=first, text=above[:200]))
    body = rows[first + 1:] if has_header else rows[first:]
    width = _width(rows[first], body, has_header)
    names, name_notes = column_names(rows[first] if has_header else [], width)
    said += name_notes if has_header else [message("reading.no_header")]
    ragged = tuple(i for i, row in enumerate(body, start=1)
                   if is_ragged(row, width) and not (open_ends and len(row) < width))
    columns: dict[str, list[str]] = {
        name: [row[place] if place < len(row) else "" for row in body]
        for place, name in enumerate(names)}
    extras = [beyond(row, width) for row in body]
    if any(extras):
        columns[EXTRA_COLUMN] = extras
    if ragged:
        said.append(ragged_note(ragged))
    return RawTable(text_frame(columns, len(body)), has_header, tuple(said), ragged,
                    rows_above=first + has_header)


def _width(top: Sequence[str], body: Sequence[Sequence[str]], has_header: bool) -> int:
    """The number of columns: named cells of the header, or the usual row without one."""
    if not has_header:
        return max(Counter(len(row) for row in body).most_common(1)[0][0], 1)
    last = max((place for place, cell in enumerate(top) if cell.strip()), default=-1) + 1
    used = Counter(max(_filled_width(row), last) for row in body).most_common(1)
    # A header shorter than most rows lacks names, not cells.
    return used[0][0] if used and used[0][1] > len(body) / 2 else max(last, 1)


def _filled_width(row: Sequence[str]) -> int:
    return max((place for place, cell in enumerate(row, start=1) if cell.strip()), default=0)


def is_ragged(row: Sequence[str], width: int) -> bool:
    """Whether a row has fewer cells than the header, or filled ones beyond it."""
    return len(row) < width or any(cell.strip() for cell in row[width:])


def beyond(row: Sequence[str], width: int) -> str:
    """Return the filled cells of a row beyond the header as one text."""
    return " | ".join(cell for cell in row[width:] if cell.strip())


def ragged_note(ragged: Sequence[int]) -> Message:
    """Say how many rows have a wrong number of cells, and the first few of them."""
    listed = ", ".join(map(str, ragged[:_LISTED])) + (" ..." if len(ragged) > _LISTED else "")
    return message("reading.uneven_rows", n=len(ragged), rows=listed)


def text_frame(columns: dict[str, list[str]], size: int) -> pd.DataFrame:
    """Return columns of text with the index ``source_row`` from 1."""
    index = pd.RangeIndex(1, size + 1, name="source_row")
    return pd.DataFrame({name: pd.Series(cells, index=index, dtype="str")
                         for name, cells in columns.items()}, index=index)
