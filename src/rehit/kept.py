"""Results that stand in the project's folder between runs, each beside what it was made from.

A result is taken again only while all it was made from still holds: the content of each file that
was read, each number, the project's other settings, the code of rehit and the versions of the
libraries. Nothing is declared: what was read while it was made is recorded with it, and compared
when it is looked for. Files are compared by their content, never by their time.

Opening a pickle runs what stands in it, and a project folder may come from somebody else. So each
file bears a mark that only a key in the user's own folder can make; what lacks it is passed over.

References
----------
Mokhov, Mitchell, Peyton Jones (2018), Build systems à la carte: verifying traces.
RFC 2104: HMAC. XDG Base Directory Specification: ``XDG_STATE_HOME``.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import pickle
import platform
import re
import secrets
import struct
import tempfile
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import fields
from functools import cache
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Any

import pyarrow as pa

from rehit.project import Project

#: The hidden folder of a project that holds them; it is no file of the project's.
FOLDER = ".rehit"
#: Such as one with the numbers of the project file and one with those of an option.
NEWEST = 2
_KEY_BYTES = 32
_CODEC = "zstd"  # a seventh of the size, for a tenth of a second per 60,000 rows
_HEAD = struct.Struct(">32sI")  # the mark of the record, and its length; the result follows
_LONGEST_RECORD = 1 << 20  # of a foreign file no more is read before its mark is asked for
#: Settings that are told apart elsewhere (files, numbers) or make no difference to a result.
_NO_SETTINGS = ("folder", "language", "files", "parameters")

StandsFor = Callable[[str], str | None]


def results_kept(project: Project, *, anew: bool = False) -> Kept | None:
    """Return where the results of a project are kept.

    Parameters
    ----------
    project
        The project. Its ``pipeline.kept_mb`` says how much may be kept.
    anew
        Whether to make every result anew, and keep that.

    Returns
    -------
    Kept or None
        None where nothing is to be kept, or the user's own folder cannot hold the key.
    """
    limit = project.parameters["pipeline.kept_mb"] * 1e6
    try:
        return Kept(project, key=_user_key(), limit_bytes=limit, anew=anew) if limit else None
    except (OSError, RuntimeError):  # no home, or none that can be written
        return None


class Kept:
    """The results of one project that stand in its folder.

    Parameters
    ----------
    project
        The project.
    key
        What marks are made with.
    limit_bytes
        Size that all of them together may have; the oldest give way.
    anew
        Whether to pass over what is there.

    Attributes
    ----------
    taken
        Names of the results that were taken from an earlier run.
    """

    def __init__(self, project: Project, *, key: bytes, limit_bytes: float,
                 anew: bool = False) -> None:
        self.taken: list[str] = []
        self._folder = project.folder / FOLDER
        self._key, self._limit, self._anew = key, limit_bytes, anew
        settings = {field.name: repr(getattr(project, field.name)) for field in fields(project)
                    if field.name not in _NO_SETTINGS}
        self._made_with = _digest(json.dumps([_code(), _versions(), settings]).encode())
        self._contents: dict[Path, str | None] = {}
        self._seen: dict[Path, tuple[int, int]] = {}

    def content(self, paths: tuple[Path, ...]) -> str | None:
        """Return what stands for the names and the content of some files.

        A file is read once a run. What lies beside it under its name belongs to it, as the parts
        of a shapefile do. None if one cannot be read.
        """
        names = [path.name for path in paths]
        parts = []
        for path in paths:
            if path not in self._contents:
                self._contents[path] = self._content(path)
            # Two files of one name are told apart by their folder, in the results too.
            name = path.name if names.count(path.name) == 1 else f"{path.parent.name}/{path.name}"
            parts.append((name, self._contents[path]))
        return None if any(part is None for _, part in parts) else _digest(
            json.dumps(parts).encode())

    def _content(self, path: Path) -> str | None:
        own = hashlib.sha256()
        try:
            beside = [each for each in path.parent.iterdir()
                      if each.name.startswith(f"{path.stem}.") and each.is_file()]
            for each in sorted({path, *beside}):
                self._seen[each] = _time_and_size(each)
                with each.open("rb") as stream:
                    own.update(each.name.encode() + hashlib.file_digest(stream, "sha256").digest())
        except OSError:
            return None
        return own.hexdigest()

    def find(self, name: str, stands_for: StandsFor) -> tuple[Any, frozenset[str]] | None:
        """Return a result of an earlier run with the names of what it read, if all of that holds.

        Parameters
        ----------
        name
            The result's name.
        stands_for
            Returns what a name that was read stands for now.
        """
        for file in () if self._anew else self._files(name):
            with suppress(OSError, ValueError, struct.error), file.open("rb") as held:
                mark, length = _HEAD.unpack(held.read(_HEAD.size))
                told = held.read(min(length, _LONGEST_RECORD))
                if not hmac.compare_digest(mark, self._mark(told)):
                    continue
                record = json.loads(told)
                if (record["result"], record["made_with"]) != (name, self._made_with) or any(
                        stands_for(each) != before for each, before in record["read"].items()):
                    continue
                packed = held.read()
                if _digest(packed) != record["packed"]:
                    continue
                os.utime(file)  # used last, dropped last
                self.taken.append(name)
                plain = pa.CompressedInputStream(pa.BufferReader(packed), _CODEC)
                return pickle.load(plain), frozenset(record["read"])
        return None

    def keep(self, name: str, made: object, read: Mapping[str, str | None]) -> None:
        """Put a result into the folder; where that cannot be, it is made anew next time.

        Parameters
        ----------
        name
            Its name.
        made
            What was made.
        read
            Each name that was read, and what it stood for; None for what cannot be told again.
        """
        if None in read.values():
            return
        # Never whole as it is: the incidents of a large log would stand in memory once more.
        sink = pa.BufferOutputStream()
        with pa.CompressedOutputStream(sink, _CODEC) as plain:
            pickle.dump(made, plain, protocol=5)
        packed = sink.getvalue()
        told = json.dumps({"result": name, "made_with": self._made_with, "read": dict(read),
                           "packed": _digest(packed)}, sort_keys=True).encode()
        with suppress(OSError):
            # A folder that leads elsewhere is somebody else's choice of where to write.
            if (len(packed) > self._limit or self._changed_meanwhile()
                    or self._folder.is_symlink()):
                return
            self._folder.mkdir(mode=0o700, exist_ok=True)
            _write_whole(self._folder / f"{name}-{_digest(told)[:16]}.kept",
                         (_HEAD.pack(self._mark(told), len(told)), told, packed))
            self._drop_old()

    def _mark(self, told: bytes) -> bytes:
        return hmac.digest(self._key, told, "sha256")

    def _changed_meanwhile(self) -> bool:
        """Whether a file may have been written between its being compared and its being read."""
        return any(_time_and_size(path) != before for path, before in self._seen.items())

    def _files(self, name: str) -> list[Path]:
        """Return the files of a result, the newest first."""
        with suppress(OSError):
            return sorted(self._folder.glob(f"{name}-*.kept"), reverse=True, key=_time_and_size)
        return []

    def _drop_old(self) -> None:
        """Leave the newest of each result, and of all together what is within the limit."""
        total, counts = 0, dict[str, int]()
        ours = [file for file in self._folder.iterdir() if file.suffix in (".kept", ".part")]
        for file in sorted(ours, reverse=True, key=_time_and_size):
            name, size = file.name.partition("-")[0], file.stat().st_size
            counts[name], total = counts.get(name, 0) + 1, total + size
            if counts[name] > NEWEST or total > self._limit:
                file.unlink(missing_ok=True)


def _time_and_size(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_mtime_ns, found.st_size


def _digest(data: bytes | pa.Buffer) -> str:
    return hashlib.sha256(data).hexdigest()


@cache
def _code() -> str:
    """Return what stands for rehit's own files: code, numbers and words."""
    package, mark = Path(__file__).parent, hashlib.sha256()
    for path in sorted(package.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            mark.update(str(path.relative_to(package)).encode() + path.read_bytes())
    return mark.hexdigest()


@cache
def _versions() -> dict[str, str]:
    """Return the versions of Python and of every library that rehit asks for."""
    found = {"python": platform.python_version(), "machine": platform.machine()}
    for line in requires("rehit") or ():
        name = re.split(r"[^\w.-]", line, maxsplit=1)[0]
        with suppress(PackageNotFoundError):
            found[name] = version(name)
    return found


def _user_key() -> bytes:
    """Return the key in the user's own folder, made when first asked for."""
    given = os.environ.get("XDG_STATE_HOME") or os.environ.get("LOCALAPPDATA")
    home = Path(given) if given else Path.home() / ".local" / "state"
    file = home / "rehit" / "key"
    with suppress(FileNotFoundError):
        key = file.read_bytes()
        if len(key) == _KEY_BYTES:  # an empty one could be guessed
            return key
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    key = secrets.token_bytes(_KEY_BYTES)
    _write_whole(file, (key,))
    return key


def _write_whole(file: Path, parts: Iterable[bytes | pa.Buffer]) -> None:
    """Write a file that its owner alone can read, whole or not at all."""
    number, beside = tempfile.mkstemp(prefix=f"{file.stem.partition('-')[0]}-", suffix=".part",
                                      dir=file.parent)
    try:
        with os.fdopen(number, "wb") as stream:
            stream.writelines(parts)
        Path(beside).replace(file)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
