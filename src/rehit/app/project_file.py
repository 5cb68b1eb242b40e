"""Changing a project's file from the page: comments stay, a wrong value changes nothing, undo."""

from __future__ import annotations

import json
import shutil
from itertools import chain, count
from pathlib import Path
from typing import Any

import pandas as pd
import tomlkit

from rehit.errors import RehitError
from rehit.files.writing import staged_folder
from rehit.project import FILE_NAME, load_project

#: Roles of files that can be put beside a log.
ROLES = ("register", "streets", "works", "depots", "vehicles", "measures")
#: Changes that can be taken back, even after a restart: the project's file before and after each.
UNDO, KEPT = "undo.json", 20


def set_value(folder: Path, section: str, key: str, value: Any, *,
              undoable: bool = True) -> None:
    """Write one value into the project file; its comments and order stay.

    Parameters
    ----------
    folder
        The project.
    section, key
        Where the value stands.
    value
        What it becomes; None takes the line out.
    undoable
        Whether it is a change that can be taken back.

    Raises
    ------
    RehitError
        If the project cannot be used with it; the file is then as it was.
    """
    file = folder / FILE_NAME
    before, changes = file.read_text(encoding="utf-8"), _changes(folder)
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
    after = file.read_text(encoding="utf-8")
    if undoable:
        _keep(folder, [*changes, {"before": before, "after": after}][-KEPT:])


def can_undo(folder: Path) -> bool:
    """Whether a change made from the page can be taken back: the file stands as it left it."""
    return bool(_changes(folder))


def undo(folder: Path) -> None:
    """Take the last change back."""
    changes = _changes(folder)
    if changes:
        _write(folder, changes[-1]["before"])
        _keep(folder, changes[:-1])


def _changes(folder: Path) -> list[dict[str, str]]:
    """Return the changes up to the one that left the file as it is; what a hand wrote stays."""
    try:
        kept = json.loads((folder / UNDO).read_text(encoding="utf-8"))
        now = (folder / FILE_NAME).read_text(encoding="utf-8")
        ends = [at for at, change in enumerate(kept, 1)
                if change["after"] == now and isinstance(change["before"], str)]
    except (OSError, ValueError, KeyError, TypeError):
        return []
    return kept[:ends[-1]] if ends else []


def _keep(folder: Path, changes: list[dict[str, str]]) -> None:
    with staged_folder(folder) as stage:
        (stage / UNDO).write_text(json.dumps(changes, ensure_ascii=False), encoding="utf-8")


def keep_file(folder: Path, dropped: Path, *, anew: bool = False) -> Path:
    """Move a file that was dropped on the page into a folder, made if missing; say where it is.

    With `anew` it takes another name where one of its name stands there already.
    """
    folder.mkdir(parents=True, exist_ok=True)
    names = chain([dropped.name], (f"{n}_{dropped.name}" for n in count(2)))
    name = next(each for each in names if not (anew and (folder / each).exists()))
    return Path(shutil.move(dropped, folder / name))


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
