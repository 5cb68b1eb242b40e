"""Hostile text in every field of every input: no page rehit writes or serves runs any of it."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hostile_town import make_hostile
from served_page import served_page

from rehit.cli import main

ROOT = Path(__file__).parents[1]
#: Those that write pages.
COMMANDS = ("clean", "patrol", "report")
#: Opens what is folded, presses what can be pressed and rests on what answers to a pointer.
TRY_ALL = """() => {
    document.querySelectorAll('details').forEach(e => { e.open = true })
    document.querySelectorAll('input[type=search], input[type=text]').forEach(e => {
        e.value = '<'; e.dispatchEvent(new Event('input', {bubbles: true})) })
    const all = [...document.querySelectorAll(
        'button, summary, th, [tabindex], .leaflet-interactive')]
    for (const e of all.slice(0, 150)) for (const kind of ['mouseover', 'focus', 'click'])
        e.dispatchEvent(new MouseEvent(kind, {bubbles: true}))
    document.querySelectorAll('a[href]').forEach(e => {
        if (e.protocol === 'javascript:') window.hurt = 'link' })
}"""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the project and all its pages."""
    home = tmp_path_factory.mktemp("home")
    town = make_hostile(home / "town")
    ended = {command: main([command, str(town), "--json"]) for command in COMMANDS}
    assert ended == dict.fromkeys(COMMANDS, 0)
    return home


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    """A tab; afterwards: nothing ran, no box was shown, nothing was asked of another host."""
    tab = browser.new_page()
    asked: list[str] = []
    shown: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.on("dialog", lambda box: (shown.append(box.message), box.dismiss()))
    yield tab
    tab.close()
    assert shown == []
    assert [url for url in asked if not re.match(
        r"file:|data:|blob:|(?:http|ws)://127\.0\.0\.1:", url)] == []


def try_all(tab: Any) -> None:
    tab.evaluate(TRY_ALL)
    tab.wait_for_timeout(50)
    assert tab.evaluate("window.hurt === undefined"), tab.url


def test_no_page_of_any_command_runs_it(home: Path, tab: Any) -> None:
    pages = sorted((home / "town" / "results").rglob("*.html"))
    assert {"quality", "report", "details", "trace", "map", "run"} <= {
        page.stem.partition("_")[0] for page in pages}
    for page in pages:
        tab.goto(page.as_uri())
        try_all(tab)


def test_no_notebook_runs_it(home: Path, tab: Any, tmp_path: Path) -> None:
    path = ROOT / "notebooks" / "run_all.py"
    spec = importlib.util.spec_from_file_location("run_all", path)
    assert spec is not None
    assert spec.loader is not None
    runner = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(runner)
    runner.run(ROOT / "notebooks" / "01_clean_log.py", tmp_path / "out", home / "town")
    for page in (tmp_path / "out").glob("*.html"):
        tab.goto(page.as_uri())
        try_all(tab)


def test_no_view_of_the_local_page_runs_it(home: Path, tab: Any) -> None:
    with served_page(home) as address:
        tab.goto(address)
        for button, shown in (("town", "Results"), ("Check", "How the log is understood"),
                              ("Work out", "Work it out"), ("Decide", "Decide"),
                              ("Numbers", "Numbers"), ("Open", "Which log?")):
            tab.get_by_role("button", name=button, exact=True).first.click()
            tab.get_by_role("heading", name=shown, exact=True).first.wait_for()
            assert tab.evaluate("window.hurt === undefined"), button
