"""Writing tables, and results whole or not at all, whatever stops the run.

Files are written into a scratch folder beside the target. Putting them in their place is one
system call where the system has it: the new folder and the old one change names. Elsewhere the old
folder is put aside and the new one takes its name: never a mixture, and a run killed between the
two is undone by the next one. Only where a folder must keep its identity, or a file of it is held
open, are files moved one by one, under a journal by which the next run can undo them.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import socket
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import shapely
from pyarrow import csv as arrow_csv

from rehit.errors import InputFileError, RehitError
from rehit.files.safe_text import neutralise_table
from rehit.messages import Message, message

#: Programs some years old warn at newer versions of the format.
GEOPACKAGE_VERSION = "1.2"

STAGE = ".writing-"
JOURNAL, ASIDE = "moving.json", "before"
# Other files of a folder are linked into its new self; with more than this they are moved past.
MOST_OTHERS = 2000


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
        If `target` is a file or cannot be written, another run is writing it, or the disk is
        full, read-only or gone.
    """
    target = Path(target)
    if os.path.exists(target) and not os.path.isdir(target):
        raise InputFileError(str(target), "errors.not_a_folder")
    # Found out now, not after minutes of work.
    if os.path.isdir(target) and not os.access(target, os.W_OK | os.X_OK):
        raise unwritable(target, PermissionError(errno.EACCES, "Permission denied"))
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        lock = _lock(target)
    except OSError as error:
        raise unwritable(target, error) from error
    stage = None
    try:
        _clear_leftovers(target)
        stage = Path(tempfile.mkdtemp(prefix=_stage_prefix(target), dir=target.parent))
        (stage / "new").mkdir()
        yield stage / "new"
        _commit(stage, target)
    except RehitError:
        raise
    except Exception as error:
        fault = _write_fault(error) or (None if stage is None else _said_by_the_disk(stage))
        if fault is not None:
            raise unwritable(target, fault) from error
        raise
    finally:
        if stage is not None:
            with suppress(OSError):  # what cannot be put back now waits for the next run
                _take_back(stage, target)
        _unlock(lock, target)


def _stage_prefix(target: Path) -> str:
    return f"{STAGE}{target.absolute().name}-"


def _commit(stage: Path, target: Path) -> None:
    """Put the new files in their place by one rename or exchange wherever that can be."""
    new = stage / "new"
    files = [item for item in new.rglob("*") if not item.is_dir()]
    if not target.exists():
        new.replace(target)
        return
    if len(files) == 1:
        _replace_one(files[0], target / files[0].relative_to(new))
        return
    if not _is_within(Path.cwd(), target):
        shutil.copymode(target, new)
        if _with_others(target, new) and (_exchange(new, target) or _swap(stage, target)):
            return
        files = [item for item in files if item.exists()]
    _move_all(files, new, target, stage)


def _replace_one(file: Path, place: Path) -> None:
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        file.replace(place)
    except OSError as error:
        raise unwritable(place, error) from error


def _is_within(path: Path, folder: Path) -> bool:
    """Whether the running program stands in the folder, which must then keep its identity."""
    return path.resolve().is_relative_to(folder.resolve())


def _with_others(target: Path, new: Path) -> bool:
    """Link the other files of the target into its new self; say whether all of them could be."""
    made: list[Path] = []
    try:
        for count, item in enumerate(target.rglob("*")):
            place = new / item.relative_to(target)
            if count > MOST_OTHERS:
                raise OSError(errno.EMLINK, "too many files")
            if item.is_dir() and not item.is_symlink():
                place.mkdir(exist_ok=True)
            elif not place.exists():
                os.link(item, place, follow_symlinks=False)
                made.append(place)
    except (OSError, NotImplementedError):
        for place in made:
            place.unlink(missing_ok=True)
        return False
    return True


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change names in one system call; say whether the system could."""
    system = ctypes.CDLL(None, use_errno=True) if os.name == "posix" else None
    names = (os.fsencode(one), os.fsencode(other))
    try:
        if sys.platform == "linux" and system is not None:
            at_cwd, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE
            return bool(system.renameat2(at_cwd, names[0], at_cwd, names[1], exchange) == 0)
        if sys.platform == "darwin" and system is not None:
            return bool(system.renamex_np(*names, 2) == 0)  # RENAME_SWAP
    except AttributeError:  # an older C library
        pass
    return False


def _swap(stage: Path, target: Path) -> bool:
    """Put the old folder aside and the new one in its place; say whether the system let it."""
    try:
        target.replace(stage / ASIDE)
    except OSError:  # a file in it is held open: moved one by one, so that it can be named
        return False
    (stage / "new").replace(target)
    return True


# One file after the other, under a journal by which a killed run can be undone.


def _move_all(files: list[Path], new: Path, target: Path, stage: Path) -> None:
    """Move all files into `target`; what stood there waits until all are in place."""
    kept, item = stage / "old", target
    names = {str(file.relative_to(new)): (target / file.relative_to(new)).exists()
             for file in files}
    try:
        kept.mkdir()
        _write_journal(stage, names)
        for item in sorted(files):
            name = item.relative_to(new)
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            (kept / name).parent.mkdir(parents=True, exist_ok=True)
            if names[str(name)]:
                (target / name).replace(kept / name)
            item.replace(target / name)
    except BaseException as error:
        with suppress(OSError):
            _undo(stage, target)
        if isinstance(error, OSError):
            place = target if item == target else target / item.relative_to(new)
            raise unwritable(place, error) from error
        raise
    (stage / JOURNAL).unlink()


def _write_journal(stage: Path, names: dict[str, bool]) -> None:
    part = stage / f"{JOURNAL}.part"
    part.write_text(json.dumps(names), encoding="utf-8")
    part.replace(stage / JOURNAL)


def _undo(stage: Path, target: Path) -> None:
    """Put back what was moved; what was not moved yet, or is in place for good, is left.

    Raises
    ------
    OSError
        If something cannot be put back. It stays in `stage`, and can be tried again.
    """
    if (stage / ASIDE).exists() and not target.exists():
        (stage / ASIDE).replace(target)
    journal = stage / JOURNAL
    if not journal.exists():
        return
    for name, existed in json.loads(journal.read_text(encoding="utf-8")).items():
        if (stage / "old" / name).exists():
            (stage / "old" / name).replace(target / name)
        elif not existed and not (stage / "new" / name).exists():
            (target / name).unlink(missing_ok=True)
    journal.unlink()


def _take_back(stage: Path, target: Path) -> None:
    """Undo what was begun, then take the scratch folder away.

    Raises
    ------
    OSError
        If old results cannot be put back: they stay in the scratch folder.
    """
    _undo(stage, target)
    shutil.rmtree(stage, ignore_errors=True)


def _clear_leftovers(target: Path) -> None:
    """Undo and take away what a killed run left; the lock says that no run is alive."""
    for stage in target.parent.glob(f"{_stage_prefix(target)}*"):
        _take_back(stage, target)


# One run at a time writes a folder: the system takes a lock back from a run that has died.


def _lock(target: Path) -> int:
    """Take the lock of a folder, or name who holds it.

    Raises
    ------
    InputFileError
        If another run holds it.
    """
    place = _lock_file(target)
    while True:
        lock = os.open(place, os.O_RDWR | os.O_CREAT, 0o666)
        if not _take(lock):
            os.close(lock)
            raise InputFileError(str(target), "errors.being_written", holder=_holder(place))
        with suppress(OSError):
            if os.fstat(lock).st_ino == place.stat().st_ino:
                break
        os.close(lock)  # the run before took its lock file away between the two steps
    os.ftruncate(lock, 0)
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    os.write(lock, f"{os.getpid()} {socket.gethostname()} {now}".encode())
    return lock


def _lock_file(target: Path) -> Path:
    return target.parent / f".lock-{target.absolute().name}"


def _take(lock: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(lock, 1 << 20, os.SEEK_SET)  # beyond the holder's name, which stays readable
            msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)
            os.lseek(lock, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        # Where a share knows no locks a run goes on without.
        return error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
    return True


def _holder(place: Path) -> Message:
    """Return which process holds a folder, and since when."""
    with suppress(OSError, ValueError):
        process, host, since = place.read_text(encoding="utf-8", errors="replace").split()
        return message("errors.holder", process=process, host=host, since=since)
    return message("errors.holder_unknown")


def _unlock(lock: int, target: Path) -> None:
    with suppress(OSError):
        _lock_file(target).unlink()
    os.close(lock)


# What can be wrong with a disk, and what to do about it.

_OPEN_ELSEWHERE, _FREE, _GONE = "errors.held_open", "errors.disk_full", "errors.disk_gone"
_REMEDIES = {
    errno.ENOSPC: _FREE, errno.EDQUOT: "errors.quota_spent",
    errno.EFBIG: "errors.file_too_large",
    errno.EROFS: "errors.read_only",
    errno.EACCES: _OPEN_ELSEWHERE, errno.EPERM: _OPEN_ELSEWHERE, errno.EBUSY: _OPEN_ELSEWHERE,
    errno.ETXTBSY: _OPEN_ELSEWHERE, errno.ENAMETOOLONG: "errors.name_too_long",
    **dict.fromkeys((errno.EIO, errno.ENXIO, errno.ENODEV, errno.ESTALE, errno.ENOTCONN,
                     errno.EHOSTDOWN, errno.ENETDOWN, errno.ENETUNREACH, errno.ETIMEDOUT), _GONE),
}
# Windows: sharing and lock violation, disk full, network name or path gone.
_WINDOWS = {32: _OPEN_ELSEWHERE, 33: _OPEN_ELSEWHERE, 39: _FREE, 112: _FREE, 53: _GONE, 59: _GONE,
            64: _GONE, 67: _GONE, 121: _GONE}
# Libraries that write files themselves pass on the words, but not always the number.
_SAID = {"no space left": errno.ENOSPC, "disk is full": errno.ENOSPC,
         "disk quota": errno.EDQUOT, "read-only file system": errno.EROFS,
         "stale file handle": errno.ESTALE, "disk i/o error": errno.EIO}
_PROBE_BYTES = 1 << 20


def _fault(error: OSError) -> str | None:
    windows = _WINDOWS.get(getattr(error, "winerror", 0) or 0)
    return windows or _REMEDIES.get(error.errno or 0)


def _write_fault(error: Exception) -> OSError | None:
    """Return the disk's fault, such as a full one, that an error is, holds or names."""
    for inner in (error, *error.args, error.__cause__, error.__context__):
        if isinstance(inner, OSError) and _fault(inner) is not None:
            return inner
    said = next((number for words, number in _SAID.items() if words in str(error).lower()), None)
    return None if said is None else OSError(said, os.strerror(said))


def _said_by_the_disk(stage: Path) -> OSError | None:
    """Return what the system says of one more file: some libraries fail without a reason."""
    try:
        (stage / "probe").write_bytes(bytes(_PROBE_BYTES))
    except OSError as error:
        return error
    return None


def unwritable(place: Path, error: OSError) -> InputFileError:
    """Return an error of the system as one that says what to do about it."""
    fault = _fault(error) or _OPEN_ELSEWHERE
    folder = place if os.path.isdir(place) else place.parent
    if fault == _OPEN_ELSEWHERE and os.path.isdir(folder) and not os.access(folder, os.W_OK):
        fault = "errors.no_permission"
    return InputFileError(str(_meant(place)), fault, said=error.strerror or str(error))


def _meant(place: Path) -> Path:
    """Return where a file in a scratch folder was to go: the user knows no scratch folder."""
    for stage in place.parents:
        if stage.name.startswith(STAGE):
            target = stage.with_name(stage.name.removeprefix(STAGE).rpartition("-")[0])
            return target.joinpath(*place.relative_to(stage).parts[1:])
    return place


# Tables as files that people and other programs open.


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as UTF-8 CSV, its point as x and y columns, its text safe for a spreadsheet."""
    arrow = pa.Table.from_pandas(neutralise_table(flat(table)), preserve_index=False)
    arrow_csv.write_csv(arrow, path)


def write_parquet(table: pd.DataFrame, path: Path) -> None:
    """Write a table as Parquet (GeoParquet where it has a geometry)."""
    table.to_parquet(path, index=False)


def write_layers(layers: dict[str, gpd.GeoDataFrame | None], path: Path) -> None:
    """Write the layers that exist and have rows into one GeoPackage."""
    for name, layer in layers.items():
        if layer is not None and len(layer):
            layer.to_file(path, layer=name, driver="GPKG", VERSION=GEOPACKAGE_VERSION)


def flat(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with its geometry replaced by the x and y of a point inside it."""
    if not isinstance(table, gpd.GeoDataFrame) or table._geometry_column_name not in table.columns:
        return table
    points = table.geometry
    if not (shapely.get_type_id(points.to_numpy()) == shapely.GeometryType.POINT).all():
        points = points.representative_point()
    plain = pd.DataFrame(table.drop(columns=table.geometry.name))
    return plain.assign(x=points.x.round(2), y=points.y.round(2))
