"""Writing results whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from rehit.errors import InputFileError


@contextmanager
def staged_folder(target: Path) -> Iterator[Path]:
    """Give a scratch folder whose files are moved into `target` only if the block succeeds.

    If one of them cannot be put in its place, or the user stops rehit just then, those put there
    before it are taken back.

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
    # Found out now, not after minutes of work.
    if target.is_dir() and not os.access(target, os.W_OK | os.X_OK):
        raise _unwritable(target, "Permission denied")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=".writing-", dir=target.parent))
    except OSError as error:
        raise _unwritable(target, error.strerror) from error
    try:
        (stage / "new").mkdir()
        yield stage / "new"
        _move_all(stage / "new", target, kept=stage / "old")
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _move_all(source: Path, target: Path, *, kept: Path) -> None:
    """Move all files into `target`; what stood there waits in `kept` until all are in place."""
    undo: list[tuple[Path, Path | None]] = []
    item, made = target, not target.exists()
    try:
        target.mkdir(exist_ok=True)
        kept.mkdir()
        for item in sorted(source.rglob("*")):
            name = item.relative_to(source)
            if item.is_dir():
                (target / name).mkdir(exist_ok=True)
                (kept / name).mkdir()
                continue
            old = kept / name if (target / name).exists() else None
            # Noted before it is done: whenever the user stops, each file is here or there.
            undo.append((target / name, old))
            if old is not None:
                (target / name).replace(old)
            item.replace(target / name)
    except BaseException as error:
        for place, old in reversed(undo):
            _put_back(place, old)
        if made:
            with suppress(OSError):
                target.rmdir()
        if isinstance(error, OSError):
            place = target if item == target else target / item.relative_to(source)
            raise _unwritable(place, error.strerror) from error
        raise


def _put_back(place: Path, old: Path | None) -> None:
    """Undo one move; a file that had not been set aside yet is as it was."""
    with suppress(OSError):
        if old is None:
            place.unlink(missing_ok=True)
        elif old.is_file():
            old.replace(place)


def _unwritable(place: Path, why: str | None) -> InputFileError:
    return InputFileError(
        str(place), got=f"{why}", allowed="a place that can be written",
        remedy="close the file if another program has it open, or choose another output folder")
