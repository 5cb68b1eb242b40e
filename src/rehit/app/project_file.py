"""Changing a project's file from the page: comments stay, a wrong value changes nothing, undo."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pandas as pd
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


def keep_file(folder: Path, dropped: Path) -> Path:
    """Move a file that was dropped on the page into a folder, made if missing; say where it is."""
    folder.mkdir(parents=True, exist_ok=True)
    return Path(shutil.move(dropped, folder / dropped.name))


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


def add_works(folder: Path, found: Path) -> bool:
    """Put what crews did after a plan beside the project's works log, in place of what came before.

    Parameters
    ----------
    folder
        The project.
    found
        The jobs of all days so far, as a patrol leaves them.

    Returns
    -------
    bool
        Whether there was any job to put there.
    """
    if not found.is_file() or pd.read_csv(found, dtype="str").empty:
        return False
    shutil.copyfile(found, folder / found.name)
    named = [str(path) for path in load_project(folder).files.get("works", ())]
    if str(folder / found.name) not in named:
        known = tomlkit.parse((folder / FILE_NAME).read_text(encoding="utf-8"))
        given = known.get("files", {}).get("works", [])
        listed = [given] if isinstance(given, str) else list(given)
        set_value(folder, "files", "works", [*listed, found.name])
    return True


def _write(folder: Path, text: str) -> None:
    with staged_folder(folder) as stage:
        (stage / FILE_NAME).write_text(text, encoding="utf-8")
