"""What kind of file a log is, told by its first bytes."""

from __future__ import annotations

from pathlib import Path

from rehit.errors import InputFileError

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
