"""A small file of any format as a table of texts and, if it has one, a geometry.

For registers and works logs; incident logs, with all that can be wrong in them, have a reader of
their own.
"""

from __future__ import annotations

import csv
import io
import warnings
from dataclasses import dataclass
from pathlib import Path

import charset_normalizer
import geopandas as gpd
import pandas as pd
import pyarrow
import pyogrio
import python_calamine

from rehit.errors import InputFileError

SPATIAL = (".geojson", ".json", ".gpkg", ".fgb", ".shp")
SHEETS = (".xlsx", ".xlsm", ".xls", ".ods")
TEXT = (".csv", ".tsv", ".txt")
PARQUET = (".parquet", ".geoparquet")


@dataclass(frozen=True)
class TextTable:
    """Text columns as they came, the geometry beside them or None, and what was noticed."""

    table: pd.DataFrame
    geometry: gpd.GeoSeries | None
    notes: tuple[str, ...] = ()


def read_text_table(path: Path | str, *, sheet: str | None = None,
                       layer: str | None = None) -> TextTable:
    """Read GeoJSON, GeoPackage, FlatGeobuf, shapefile, Parquet, CSV/TSV or a workbook as text.

    Raises
    ------
    InputFileError
        If there is no such file, the format is not known, it cannot be read or it has no rows.
    """
    file = Path(path)
    if not file.is_file():
        raise InputFileError(str(path), got="no such file", allowed="a file",
                             remedy="check the path")
    kind = file.suffix.lower()
    try:
        if kind in SPATIAL:
            raw = _spatial(gpd.read_file(file, layer=layer))
        elif kind in PARQUET:
            raw = _parquet(file)
        elif kind in SHEETS:
            raw = _workbook(file, sheet)
        elif kind in TEXT:
            raw = TextTable(_delimited(file), None)
        else:
            raise InputFileError(
                str(path), got=f"the ending {kind!r}",
                allowed=", ".join((*SPATIAL, *PARQUET, *SHEETS, *TEXT)),
                remedy="export it in one of these formats")
    except InputFileError:
        raise
    except (OSError, ValueError, TypeError, KeyError, csv.Error, pyarrow.ArrowException,
            pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError,
            python_calamine.CalamineError) as error:
        raise InputFileError(str(path), got=str(error)[:200] or type(error).__name__,
                             allowed=f"a readable {kind} file",
                             remedy="open it in the program it came from and export it again",
                             ) from error
    if raw.table.empty:
        raise InputFileError(str(path), got="no rows", allowed="at least one row",
                             remedy="export it again")
    return raw


def as_text(values: pd.Series) -> pd.Series:
    """Turn any column into text: whole numbers without a point, empty cells empty.

    Examples
    --------
    >>> as_text(pd.Series([12.0, None])).tolist()
    ['12', nan]
    """
    def one(value: object) -> str | None:
        if value is None or value is pd.NA or value != value:
            return None
        if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
            value = int(value)
        text = " ".join(str(value).split())
        return text or None

    return pd.Series([one(v) for v in values.tolist()], index=values.index, dtype="str")


def _texts(table: pd.DataFrame) -> pd.DataFrame:
    names = [" ".join(str(name).split()) or f"column {place}"
             for place, name in enumerate(table.columns, 1)]
    columns = {}
    for place, name in enumerate(names):
        unique = name if name not in columns else f"{name} ({place + 1})"
        columns[unique] = as_text(table.iloc[:, place])
    return pd.DataFrame(columns).reset_index(drop=True)


def _spatial(frame: pd.DataFrame) -> TextTable:
    if not isinstance(frame, gpd.GeoDataFrame):
        return TextTable(_texts(frame), None)
    attributes = pd.DataFrame(frame.drop(columns=frame.geometry.name))
    return TextTable(_texts(attributes), frame.geometry.reset_index(drop=True))


def _parquet(file: Path) -> TextTable:
    try:
        return _spatial(gpd.read_parquet(file))
    except ValueError:  # no geometry inside
        return TextTable(_texts(pd.read_parquet(file)), None)


def _workbook(file: Path, sheet: str | None) -> TextTable:
    book = python_calamine.CalamineWorkbook.from_path(str(file))
    name = sheet or book.sheet_names[0]
    if name not in book.sheet_names:
        raise InputFileError(f"{file}", got=f"the sheet {name!r}",
                             allowed=", ".join(map(repr, book.sheet_names)),
                             remedy="name one of these sheets")
    rows = book.get_sheet_by_name(name).to_python(skip_empty_area=True)
    width = max((len(r) for r in rows), default=0)
    filled = [sum(str(v).strip() != "" for v in row) for row in rows]
    # The header is the first row that is nearly as full as the fullest one: titles stand above it.
    header = next((i for i, n in enumerate(filled) if n >= max(1, 0.6 * max(filled))), 0)
    notes = (f"read the sheet {name!r}, header in row {header + 1}",)
    if not rows:
        return TextTable(pd.DataFrame(), None, notes)
    body = [row + [""] * (width - len(row)) for row in rows[header + 1:]]
    body = [row for row in body if any(str(v).strip() for v in row)]
    return TextTable(_texts(pd.DataFrame(body, columns=rows[header], dtype=object)), None, notes)


def _delimited(file: Path) -> pd.DataFrame:
    text = _decode(file.read_bytes()).replace("\r\n", "\n").replace("\r", "\n")
    lines = text.splitlines()
    sample = lines[0] if lines else ""
    delimiter = max(",;\t|", key=sample.count)
    rows = [row for row in csv.reader(io.StringIO(text), delimiter=delimiter)
            if any(cell.strip() for cell in row)]
    if not rows:
        return pd.DataFrame()
    width = max(map(len, rows))
    header = rows[0] + [f"column {i}" for i in range(len(rows[0]) + 1, width + 1)]
    body = [row + [""] * (width - len(row)) for row in rows[1:]]
    return _texts(pd.DataFrame(body, columns=header, dtype="str"))


def _decode(data: bytes) -> str:
    for encoding in ("utf-8-sig", "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        best = charset_normalizer.from_bytes(data[:100_000]).best()
    try:
        return data.decode("cp1252" if best is None else best.encoding)
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")
