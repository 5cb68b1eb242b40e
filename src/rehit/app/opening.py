"""The view that opens a project: one there is, the invented town, or a new one from a log."""

from __future__ import annotations

import html
import re
import shutil
import unicodedata
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import panel as pn

from rehit.app.checking import Pending, when_read
from rehit.app.elsewhere import Understood, read_log
from rehit.app.parts import (
    Dropper,
    button,
    drop,
    heading,
    labelled,
    note,
    text_input,
    words,
    written,
)
from rehit.outputs.demo import demo_folder
from rehit.project import FILE_NAME, load_project

if TYPE_CHECKING:
    from rehit.app.page import Page

#: What may be dropped: the kinds of file that the reader knows.
EXTRA = ("register", "streets")


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
    name = text_input(say("app.new_name"))
    where = text_input(say("app.new_path"))
    log = drop(say("app.drop"), many=True)
    extra = {role: drop(say("app.drop"), many=False) for role in EXTRA}

    def start() -> None:
        told.objects = []
        given = written(name)
        folder = page.desk.home / folder_name(given)
        problem = _problem(folder, given, bool(log.value) or bool(written(where)))
        if problem:
            told.objects = [note(say(problem), kind="fault")]
            return
        boxes = {"log": log, **extra}
        named = [Path(each.strip()).expanduser() for each in written(where).split(";")
                 if each.strip()]
        _start(page, told, folder, given, boxes, named)

    return pn.Column(name, labelled(say("app.new_log"), log), where,
                     *(labelled(say(f"app.file_{role}"), box) for role, box in extra.items()),
                     button(say("app.new_start"), start, kind="main"), told,
                     sizing_mode="stretch_width")


def _problem(folder: Path, name: str, has_log: bool) -> str:
    """Return the code of what is missing before a project can be started, or nothing."""
    if not folder_name(name):
        return "app.name_missing"
    if (folder / FILE_NAME).exists():
        return "app.name_taken"
    return "" if has_log else "app.log_missing"


def folder_name(name: str) -> str:
    """Return a name as one folder can carry it on any system.

    Examples
    --------
    >>> folder_name(" Älm/..: North "), folder_name("../..")
    ('Alm North', '')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"\s+", " ", re.sub(r"[^A-Za-z0-9 _-]", " ", plain)).strip()[:60].strip()


def _start(page: Page, told: pn.Column, folder: Path, name: str,
           boxes: dict[str, Dropper], named: list[Path]) -> None:
    """Read the log and show how it is understood; nothing is begun before that is confirmed."""
    page.let_go()
    dropped = {role: list(box.value.values()) for role, box in boxes.items()}
    files = {**dropped, "log": [*dropped["log"], *named]}
    reader = page.reader = read_log(files["log"])

    def understood(found: Understood) -> None:
        page.pending = Pending(name, folder, files, tuple(boxes.values()), reader, found)
        page.show("check" if page.view == "open" else page.view)

    when_read(page, reader, told, understood, reading="app.reading")
