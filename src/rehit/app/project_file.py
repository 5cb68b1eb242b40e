"""Changing a project's file from the page: comments stay, a wrong value changes nothing, undo."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit

from rehit.errors import RehitError
from rehit.files.writing import staged_folder
from rehit.project import FILE_NAME, load_project

#: Roles of files that can be put beside a log.
ROLES = ("register", "streets", "works", "depots", "vehicles", "measures")
KEPT = 20
_undo: dict[Path, list[str]] = {}


def set_value(folder: Path, section: str, key: str, value: Any) -> None:
    """Write one value into the project file; its comments and order stay.

    Parameters
    ----------
    folder
        The project.
    section, key
        Where the value stands.
    value
        What it becomes; None takes the line out.

    Raises
    ------
    RehitError
        If the project cannot be used with it; the file is then as it was.
    """
    file = folder / FILE_NAME
    before = file.read_text(encoding="utf-8")
    document = tomlkit.parse(before)
    if section not in document:
        document[section] = tomlkit.table()
    place: Any = document[section]
    if value is None:
        place.pop(key, None)
    else:
        place[key] = value
    _write(folder, tomlkit.dumps(document))
    try:
        load_project(folder)
    except RehitError:
        _write(folder, before)
        raise
    _undo.setdefault(folder, []).append(before)
    del _undo[folder][:-KEPT]


def can_undo(folder: Path) -> bool:
    """Whether a change made from the page can be taken back."""
    return bool(_undo.get(folder))


def undo(folder: Path) -> None:
    """Take the last change back."""
    if can_undo(folder):
        _write(folder, _undo[folder].pop())


def keep_dropped(folder: Path, dropped: Mapping[str, bytes] | None) -> list[Path]:
    """Keep files that were dropped on the page in a folder, under their own names.

    Parameters
    ----------
    folder
        Where they go; made if missing.
    dropped
        Name to content; a name never leads out of the folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    kept = []
    for name, content in (dropped or {}).items():
        path = folder / Path(name).name
        path.write_bytes(content if isinstance(content, bytes) else str(content).encode())
        kept.append(path)
    return kept


def add_file(folder: Path, role: str, source: Path) -> None:
    """Put a file beside the log: copied into the project, and named in its file.

    Raises
    ------
    RehitError
        If the project cannot be used with it.
    """
    target = folder / f"{role}_{Path(source.name).name}"
    shutil.copyfile(source, target)
    try:
        set_value(folder, "files", role, target.name)
    except RehitError:
        target.unlink()
        raise


def _write(folder: Path, text: str) -> None:
    with staged_folder(folder) as stage:
        (stage / FILE_NAME).write_text(text, encoding="utf-8")
