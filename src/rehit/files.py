"""Writing results whole or not at all."""

from __future__ import annotations

import csv
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rehit.errors import InputFileError


def read_csv_rows(path: Path | str) -> list[dict[str, str]]:
    """Read a small table that the user edits, one dictionary per row.

    Raises
    ------
    InputFileError
        If the file cannot be read or is not UTF-8.
    """
    try:
        lines = Path(path).read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputFileError(str(path), got=str(error), allowed="a CSV in UTF-8",
                             remedy="check the path and save the file as UTF-8") from error
    return list(csv.DictReader(lines))


@contextmanager
def staged_folder(target: Path) -> Iterator[Path]:
    """Give a scratch folder whose files are moved into `target` only if the block succeeds.

    Parameters
    ----------
    target
        Where the finished files shall stand. Made if missing. Files of the same name are
        replaced; other files in it are left alone.

    Raises
    ------
    InputFileError
        If `target` is a file, or cannot be written.
    """
    target = Path(target)
    if target.exists() and not target.is_dir():
        raise InputFileError(str(target), got="a file", allowed="a folder to write results into",
                             remedy="choose another output folder")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=".writing-", dir=target.parent))
    except OSError as error:
        raise InputFileError(str(target), got=f"{error.strerror}", allowed="a writable folder",
                             remedy="choose another output folder") from error
    try:
        yield stage
        target.mkdir(exist_ok=True)
        for item in sorted(stage.rglob("*")):
            destination = target / item.relative_to(stage)
            if item.is_dir():
                destination.mkdir(exist_ok=True)
            else:
                item.replace(destination)
    finally:
        shutil.rmtree(stage, ignore_errors=True)
