"""The view that opens a project: one there is, the invented town, or a new one from a log."""

from __future__ import annotations

import html
import re
import shutil
import unicodedata
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import panel as pn

from rehit.app.checking import Pending, when_read
from rehit.app.elsewhere import Understood, read_log
from rehit.app.parts import (
    Dropper,
    Field,
    button,
    drop,
    fault_words,
    heading,
    labelled,
    side_by_side,
    text_input,
    words,
    written,
)
from rehit.errors import ManyErrors, RehitError
from rehit.outputs.demo import demo_folder
from rehit.project import FILE_NAME, load_project

if TYPE_CHECKING:
    from rehit.app.page import Page

#: What may be dropped beside the log.
EXTRA = ("register", "streets", "works", "depots", "vehicles")


def view(page: Page) -> Any:
    """Return the view."""
    say = page.say
    return pn.Column(
        heading(say("app.open_head")), words(html.escape(say("app.open_about"))),
        *_projects(page), heading(say("app.demo_head"), level=3),
        words(html.escape(say("app.demo_about"))),
        button(say("app.demo_open"), lambda: _open_demo(page)),
        heading(say("app.new_head"), level=3), _new(page), sizing_mode="stretch_width")


def _projects(page: Page) -> list[Any]:
    known = page.desk.projects()
    if not known:
        return []
    return [heading(page.say("app.known_head"), level=3),
            pn.FlexBox(*(button(folder.name, partial(page.open, folder, "read"))
                         for folder in known))]


def _open_demo(page: Page) -> None:
    """Lay the invented town out as a project of the page's own, and open it."""
    source = demo_folder()
    folder = page.desk.home / folder_name(load_project(source).name)
    if not (folder / FILE_NAME).exists():
        shutil.copytree(source, folder, dirs_exist_ok=True,
                        ignore=shutil.ignore_patterns("truth", "town", "*.py", "__pycache__"))
    page.open(folder, "run")


def _new(page: Page) -> pn.Column:
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    name, where = text_input(say("app.new_name")), text_input(say("app.new_path"))
    boxes = {"log": drop(many=True),
             **{role: drop(many=False) for role in EXTRA}}
    fields = {"name": Field(name), **{role: Field(labelled(say(
        "app.new_log" if role == "log" else f"app.file_{role}"), box))
        for role, box in boxes.items()}}

    def start() -> None:
        told.objects = []
        for each in fields.values():
            each.tell()
        given = written(name)
        folder = page.desk.home / folder_name(given)
        problem = _problem(folder, given)
        if problem:
            fields["name"].tell(say(problem))
        elif not boxes["log"].value and not written(where):
            fields["log"].tell(say("app.log_missing"))
        else:
            named = [Path(each.strip()).expanduser() for each in written(where).split(";")
                     if each.strip()]
            _start(page, told, folder, given, boxes, named, fields)

    return pn.Column(fields["name"], fields["log"], where, words(
        html.escape(say("app.new_beside"))), side_by_side(fields[role] for role in EXTRA),
        button(say("app.new_start"), start, kind="main"), told, sizing_mode="stretch_width")


def _problem(folder: Path, name: str) -> str:
    """Return the code of why no project of a name can be started, or nothing."""
    if not folder_name(name):
        return "app.name_missing"
    return "app.name_taken" if (folder / FILE_NAME).exists() else ""


def folder_name(name: str) -> str:
    """Return a name as one folder can carry it on any system.

    Examples
    --------
    >>> folder_name(" Älm/..: North "), folder_name("../..")
    ('Alm North', '')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"\s+", " ", re.sub(r"[^A-Za-z0-9 _-]", " ", plain)).strip()[:60].strip()


def _start(page: Page, told: pn.Column, folder: Path, name: str, boxes: dict[str, Dropper],
           named: list[Path], fields: dict[str, Field]) -> None:
    """Read the files and show how the log is understood; nothing is begun before it is agreed."""
    page.let_go()
    dropped = {role: list(box.value.values()) for role, box in boxes.items()}
    files = {**dropped, "log": [*dropped["log"], *named]}
    reader = page.reader = read_log(files["log"], beside={
        role: paths[-1] for role, paths in files.items() if paths and role != "log"})

    def understood(found: Understood) -> None:
        page.pending = Pending(name, folder, files, tuple(boxes.values()), reader, found)
        page.show("check" if page.view == "open" else page.view)

    def refused(error: RehitError) -> None:
        for role, faults in by_file(error, files).items():
            fields[role].tell(*(fault_words(page.say, each) for each in faults))

    when_read(page, reader, told, understood, reading="app.reading", otherwise=refused)


def by_file(error: RehitError, files: Mapping[str, Sequence[Path]]) -> dict[str, list[RehitError]]:
    """Return which faults are in which file: by its role, those of none of them by the log's."""
    found: dict[str, list[RehitError]] = {}
    for each in error.errors if isinstance(error, ManyErrors) else (error,):
        found.setdefault(next((role for role, paths in files.items()
                               if any(str(path) in str(each.where) for path in paths)), "log"),
                         []).append(each)
    return found
