"""The one reader: any table a user hands in as a table of texts, nothing interpreted or lost."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import pandas as pd

from rehit.errors import DataWarning, InputFileError, ManyErrors, RehitError
from rehit.files.delimited import decode, read_csv_text
from rehit.files.feeds import read_json, read_xml
from rehit.files.rows import RawTable
from rehit.files.sheets import read_workbook
from rehit.files.spatial import read_layer, read_parquet, with_places
from rehit.messages import message

FORMATS = message("errors.formats")
Table = TypeVar("Table")


def read_table(path: Path | str, *, sheet: str | None = None, layer: str | None = None,
               has_header: bool | None = None, places: bool = True) -> RawTable:
    """Read one file of any known kind, told by its content and not by its name.

    Delimited text (delimiter, quoting and encoding are found out), XLSX, XLS, ODS, GeoJSON,
    GeoPackage, FlatGeobuf, shapefile, Parquet, GeoParquet, and JSON or XML as Open311 GeoReport v2
    gives it.

    Parameters
    ----------
    path
        The file.
    sheet
        Sheet of a workbook; the one with most rows if not given.
    layer
        Layer of a spatial file; the one with most rows if not given.
    has_header
        Whether delimited text or a sheet has a row of column names; found out if not told.
    places
        Whether geometry is written into the table: points as the columns ``longitude`` and
        ``latitude`` (WGS 84) if the file has none of these names, other shapes as ``wkt``.
        Otherwise it stands in ``shapes``, in the file's own CRS.

    Returns
    -------
    RawTable
        The table of texts with index ``source_row``.

    Raises
    ------
    InputFileError
        If there is no such file, it is a folder, empty, of no known kind, damaged, holds no row
        below its header, or has no such sheet or layer.
    """
    file = Path(path)
    kind, data = file_kind(file)
    raw = _read(kind, file, data, sheet=sheet, layer=layer, has_header=has_header)
    if not len(raw.table):
        raise InputFileError(str(file), "errors.header_only")
    return replace(with_places(raw) if places else raw, name=file.name)


_NO_ROWS = ("errors.header_only", "errors.empty_file", "errors.empty_workbook", "errors.no_rows")
_LISTED = 5


def read_tables(paths: Iterable[Path | str], *, sheet: str | None = None,
                layer: str | None = None, has_header: bool | None = None) -> tuple[RawTable, ...]:
    """Read several files of one log, such as one per quarter; their periods may overlap.

    Parameters
    ----------
    paths
        The files. Rows that stand in more than one of them are kept here and joined in cleaning.
    sheet, layer, has_header
        As in :func:`read_table`.

    Returns
    -------
    tuple of RawTable
        In the order given. Two files of the same name are told apart by their folder.

    Raises
    ------
    ManyErrors
        Listing every file that cannot be read, so that all are mended in one go.
    InputFileError
        If no file is given or the only one cannot be read.
    """
    files = [Path(path) for path in paths]
    if not files:
        raise InputFileError("log", "errors.no_log")
    tables: list[RawTable] = []
    faults: list[RehitError] = []
    for file in files:
        try:
            tables.append(read_table(file, sheet=sheet, layer=layer, has_header=has_header))
        except RehitError as fault:
            faults.append(fault)
    # A month without a report is no fault of a log that has others.
    empty = [fault for fault in faults if fault.code in _NO_ROWS] if tables else []
    faults = [fault for fault in faults if fault not in empty]
    if faults:
        raise faults[0] if len(faults) == 1 else ManyErrors("log files", faults)
    passed = {str(fault.where) for fault in empty}
    if empty:
        names = tuple(Path(name).name for name in sorted(passed))
        more = len(names) - _LISTED
        tables[0] = tables[0].with_notes((
            message("reading.empty_files", n=len(names), files=names) if more <= 0 else
            message("reading.empty_files_many", n=more, files=names[:_LISTED]),))
    return _told_apart(tables, [file for file in files if str(file) not in passed])


def unless_empty(path: Path | None, read: Callable[[Path], Table]) -> Table | None:
    """Return what is read from a file that a project can do without, or None if it has no row.

    Parameters
    ----------
    path
        The file, if the project names one.
    read
        What reads it.

    Warns
    -----
    DataWarning
        If the file is there and empty, so that it is left out.
    """
    try:
        return None if path is None else read(path)
    except InputFileError as error:
        if error.code not in _NO_ROWS:
            raise
    warnings.warn(DataWarning(message("warnings.file_left_out", file=str(path))), stacklevel=2)
    return None


def stack_tables(tables: Sequence[RawTable]) -> RawTable:
    """Put the rows of several files of one log under each other, to propose one mapping for all.

    Parameters
    ----------
    tables
        As :func:`read_tables` gives them. A column that one file lacks is "" in its rows.

    Returns
    -------
    RawTable
        Named after the first file; ``source_row`` counts through all of them, so it serves for
        proposing only, not for the ledger.
    """
    table = pd.concat([raw.table for raw in tables], ignore_index=True).fillna("")
    table.index = pd.RangeIndex(1, len(table) + 1, name="source_row")
    return RawTable(
        table, all(raw.has_header for raw in tables), name=tables[0].name,
        notes=tuple(dict.fromkeys(note for raw in tables for note in raw.notes)),
        columns_of=tuple(frozenset(map(str, raw.table.columns)) for raw in tables),
        sizes=tuple(len(raw.table) for raw in tables))


def _told_apart(tables: list[RawTable], files: list[Path]) -> tuple[RawTable, ...]:
    names = [raw.name for raw in tables]
    renamed = [
        f"{file.parent.name}/{raw.name}" if names.count(raw.name) > 1 else raw.name
        for raw, file in zip(tables, files, strict=True)]
    if len(set(renamed)) < len(renamed):
        repeated = next(name for name in renamed if renamed.count(name) > 1)
        raise InputFileError(message("where.log_files"), "errors.file_twice", name=repeated)
    return tuple(replace(raw, name=name) for name, raw in zip(renamed, tables, strict=True))


def _read(kind: str, file: Path, data: bytes, *, sheet: str | None, layer: str | None,
          has_header: bool | None) -> RawTable:
    where = str(file)
    match kind:
        case "workbook":
            return read_workbook(file, sheet=sheet, has_header=has_header)
        case "json":
            return read_json(data, where=where)
        case "xml":
            return read_xml(data, where=where)
        case "layers":
            return read_layer(file, layer=layer)
        case "parquet":
            return read_parquet(file)
    text, notes = decode(data, where=where)
    return read_csv_text(text, where=where, has_header=has_header).with_notes(notes)


# What kind of file it is, told by its first bytes as the formats' own specifications state them.

_BINARY = (
    (b"SQLite format 3\x00", "layers"), (b"fgb\x03fgb", "layers"), (b"\x00\x00\x27\x0a", "layers"),
    (b"PAR1", "parquet"),
    (b"PK\x03\x04", "workbook"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "workbook"),
)
_NO_TABLES = (
    (b"\x89PNG\r\n\x1a\n", "no_table.picture", "PNG"),
    (b"\xff\xd8\xff", "no_table.picture", "JPEG"),
    (b"GIF87a", "no_table.picture", "GIF"), (b"GIF89a", "no_table.picture", "GIF"),
    (b"BM", "no_table.picture", "BMP"), (b"II*\x00", "no_table.picture", "TIFF"),
    (b"MM\x00*", "no_table.picture", "TIFF"), (b"%PDF-", "no_table.pdf", "PDF"),
    (b"\x1f\x8b", "no_table.archive", "gzip"), (b"7z\xbc\xaf\x27\x1c", "no_table.archive", "7z"),
    (b"Rar!", "no_table.archive", "RAR"), (b"BZh", "no_table.archive", "bzip2"),
    (b"\xfd7zXZ\x00", "no_table.archive", "xz"), (b"{\\rtf", "no_table.document", "RTF"),
    (b"\x7fELF", "no_table.program", "ELF"), (b"MZ", "no_table.program", "MZ"),
)
_BOMS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")
_HEAD = 4096


def file_kind(file: Path) -> tuple[str, bytes]:
    """Return the kind of `file` and, for text, JSON and XML, its bytes.

    Returns
    -------
    tuple
        ``text``, ``workbook``, ``json``, ``xml``, ``layers`` or ``parquet``; and the bytes.

    Raises
    ------
    InputFileError
        If it is missing, a folder, empty, unreadable or something else than a table.
    """
    where = str(file)
    try:
        if not file.exists():
            raise InputFileError(where, "errors.no_such_table", formats=FORMATS)
        if file.is_dir():
            raise InputFileError(where, "errors.a_folder", formats=FORMATS)
        with file.open("rb") as stream:
            head = stream.read(_HEAD)
        kind = _kind(head, where)
        data = file.read_bytes() if kind in ("text", "json", "xml") else b""
    except (OSError, ValueError) as error:
        raise InputFileError(where, "errors.cannot_open", said=str(error),
                             formats=FORMATS) from error
    return kind, data


def _kind(head: bytes, where: str) -> str:
    bare = head
    for bom in _BOMS:
        bare = bare.removeprefix(bom)
    if not bare.strip(b" \t\r\n\x00"):
        raise InputFileError(where, "errors.empty_file", formats=FORMATS)
    for start, kind in _BINARY:
        if head.startswith(start):
            return kind
    for start, kind, name in _NO_TABLES:
        if head.startswith(start) and (len(start) > 2 or _has_control(head)):
            raise InputFileError(where, "errors.not_a_table", kind=message(kind, name=name),
                                 formats=FORMATS)
    # Latin letters alone are compared, so that UTF-16 is recognised too.
    letters = bare.replace(b"\x00", b"").lstrip()
    if letters.lower().startswith((b"<!doctype html", b"<html")):
        raise InputFileError(where, "errors.web_page", formats=FORMATS)
    if letters.startswith((b"{", b"[")):
        return "json"
    return "xml" if letters.startswith(b"<") else "text"


def _has_control(head: bytes) -> bool:
    return any(byte < 9 or 13 < byte < 32 for byte in head)
