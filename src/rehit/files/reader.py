"""Read any incident log to a raw table of texts: nothing interpreted, no row lost."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from rehit.errors import InputFileError, ManyErrors, RehitError
from rehit.files.delimited import decode, read_csv_text
from rehit.files.feeds import read_json, read_xml
from rehit.files.rows import RawTable
from rehit.files.sheets import read_workbook
from rehit.files.spatial import read_layer, read_parquet

# What kind of file a log is, told by its first bytes.

KINDS = ("text", "workbook", "json", "xml", "geopackage", "parquet")
ALLOWED = "CSV, TSV, XLSX, XLS, ODS, GeoJSON, GeoPackage, Parquet, Open311 JSON or XML"
# First bytes as the formats' own specifications state them.
_BINARY_LOGS = (
    (b"SQLite format 3\x00", "geopackage"), (b"PAR1", "parquet"),
    (b"PK\x03\x04", "workbook"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "workbook"),
)
_NOT_LOGS = (
    (b"\x89PNG\r\n\x1a\n", "a PNG picture"), (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF87a", "a GIF picture"), (b"GIF89a", "a GIF picture"), (b"BM", "a BMP picture"),
    (b"II*\x00", "a TIFF picture"), (b"MM\x00*", "a TIFF picture"), (b"%PDF-", "a PDF document"),
    (b"\x1f\x8b", "a gzip archive"), (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a RAR archive"), (b"BZh", "a bzip2 archive"), (b"\xfd7zXZ\x00", "an xz archive"),
    (b"{\\rtf", "a word-processor document"), (b"\x7fELF", "a program"), (b"MZ", "a program"),
)
_BOMS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")
_HEAD = 4096


def file_kind(file: Path) -> tuple[str, bytes]:
    """Return the kind of `file` (one of ``KINDS``) and, for text kinds, its bytes.

    Raises
    ------
    InputFileError
        If it is missing, a folder, empty, unreadable or something else than a log.
    """
    where = str(file)
    try:
        if not file.exists():
            raise InputFileError(where, got="no such file", allowed=ALLOWED,
                                 remedy="check the name and the folder")
        if file.is_dir():
            raise InputFileError(where, got="a folder", allowed=f"one file: {ALLOWED}",
                                 remedy="name the file inside it")
        with file.open("rb") as stream:
            head = stream.read(_HEAD)
        kind = _kind(head, where)
        data = b"" if kind in ("workbook", "geopackage", "parquet") else file.read_bytes()
    except (OSError, ValueError) as error:
        raise InputFileError(where, got=f"a file that cannot be opened ({error})", allowed=ALLOWED,
                             remedy="check the file's permissions, or copy it anew") from error
    return kind, data


def _kind(head: bytes, where: str) -> str:
    bare = head
    for bom in _BOMS:
        bare = bare.removeprefix(bom)
    if not bare.strip(b" \t\r\n\x00"):
        raise InputFileError(where, got="an empty file", allowed=ALLOWED,
                             remedy="export the log again")
    for start, kind in _BINARY_LOGS:
        if head.startswith(start):
            return kind
    for start, what in _NOT_LOGS:
        if head.startswith(start) and (len(start) > 2 or _has_control(head)):
            raise InputFileError(where, got=what, allowed=ALLOWED,
                                 remedy="give the log itself (the file's name does not matter)")
    # Latin letters alone are compared, so that UTF-16 is recognised too.
    letters = bare.replace(b"\x00", b"").lstrip()
    if letters.lower().startswith((b"<!doctype html", b"<html")):
        raise InputFileError(where, got="a web page", allowed=ALLOWED,
                             remedy="download the data themselves, not the page that shows them")
    if letters.startswith((b"{", b"[")):
        return "json"
    return "xml" if letters.startswith(b"<") else "text"


def _has_control(head: bytes) -> bool:
    return any(byte < 9 or 13 < byte < 32 for byte in head)


@dataclass(frozen=True)
class RawLog:
    """A log as it came, every cell as text.

    Attributes
    ----------
    name
        Name of the file.
    table
        All columns as text, "" where empty; index ``source_row`` from 1, one entry per data row.
    has_header
        Whether column names came from the file; if not they are ``column_1``, ``column_2`` ...
    notes
        What had to be decided or mended while reading, in words.
    ragged_rows
        ``source_row`` of rows with more or fewer cells than the header; kept, but to be doubted.
    columns_of
        For several files under each other: the columns of each.
    sizes
        For several files under each other: the rows of each.
    """

    name: str
    table: pd.DataFrame
    has_header: bool = True
    notes: tuple[str, ...] = ()
    ragged_rows: tuple[int, ...] = ()
    columns_of: tuple[frozenset[str], ...] = ()
    sizes: tuple[int, ...] = ()


def read_log(path: Path | str, *, sheet: str | None = None, layer: str | None = None,
             has_header: bool | None = None) -> RawLog:
    """Read one log file of any known kind, told by its content and not by its name.

    Delimited text (delimiter, quoting and encoding are found out), XLSX, XLS, ODS, GeoJSON,
    GeoPackage, Parquet, GeoParquet, and JSON or XML as Open311 GeoReport v2 gives it.

    Parameters
    ----------
    path
        The file.
    sheet
        Sheet of a workbook; the one with most rows if not given.
    layer
        Layer of a GeoPackage; the one with most rows if not given.
    has_header
        Whether delimited text or a sheet has a row of column names; found out if not told.

    Returns
    -------
    RawLog
        The table of texts with index ``source_row``. Points become the columns ``longitude`` and
        ``latitude`` (WGS 84) if the file has none of these names; other shapes become ``wkt``.

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
        raise InputFileError(str(file), got="a header and no rows", allowed="at least one row",
                             remedy="export the log again with its rows")
    return RawLog(file.name, raw.table, raw.has_header, raw.notes, raw.ragged_rows)


def read_logs(paths: Iterable[Path | str], *, sheet: str | None = None,
              layer: str | None = None, has_header: bool | None = None) -> tuple[RawLog, ...]:
    """Read several files of one log, such as one per quarter; their periods may overlap.

    Parameters
    ----------
    paths
        The files. Rows that stand in more than one of them are kept here and joined in cleaning.
    sheet, layer, has_header
        As in :func:`read_log`.

    Returns
    -------
    tuple of RawLog
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
        raise InputFileError("log", got="no file", allowed="at least one log file",
                             remedy='name it in the project file: log = "log.csv"')
    logs: list[RawLog] = []
    faults: list[RehitError] = []
    for file in files:
        try:
            logs.append(read_log(file, sheet=sheet, layer=layer, has_header=has_header))
        except RehitError as fault:
            faults.append(fault)
    if faults:
        raise faults[0] if len(faults) == 1 else ManyErrors("log files", faults)
    return _told_apart(logs, files)


def stack_logs(logs: Sequence[RawLog]) -> RawLog:
    """Put the rows of several files of one log under each other, to propose one mapping for all.

    Parameters
    ----------
    logs
        As :func:`read_logs` gives them. A column that one file lacks is "" in its rows.

    Returns
    -------
    RawLog
        Named after the first file; ``source_row`` counts through all of them, so it serves for
        proposing only, not for the ledger.
    """
    table = pd.concat([log.table for log in logs], ignore_index=True).fillna("")
    table.index = pd.RangeIndex(1, len(table) + 1, name="source_row")
    notes = tuple(dict.fromkeys(note for log in logs for note in log.notes))
    columns = tuple(frozenset(map(str, log.table.columns)) for log in logs)
    return RawLog(logs[0].name, table, all(log.has_header for log in logs), notes,
                  columns_of=columns, sizes=tuple(len(log.table) for log in logs))


def _told_apart(logs: list[RawLog], files: list[Path]) -> tuple[RawLog, ...]:
    names = [log.name for log in logs]
    renamed = [
        f"{file.parent.name}/{log.name}" if names.count(log.name) > 1 else log.name
        for log, file in zip(logs, files, strict=True)]
    if len(set(renamed)) < len(renamed):
        repeated = next(name for name in renamed if renamed.count(name) > 1)
        raise InputFileError("log files", got=f"the file {repeated!r} twice",
                             allowed="each file once", remedy="take it out of the list once")
    return tuple(RawLog(name, log.table, log.has_header, log.notes, log.ragged_rows)
                 for name, log in zip(renamed, logs, strict=True))


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
        case "geopackage":
            return read_layer(file, layer=layer)
        case "parquet":
            return read_parquet(file)
    text, notes = decode(data, where=where)
    return read_csv_text(text, where=where, has_header=has_header).with_notes(notes)
