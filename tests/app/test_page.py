"""The local page in a real browser: every view, axe, the keyboard, no request to elsewhere."""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from babel.messages.pofile import read_po
from served_page import served_page

import rehit
from rehit.app.page import STATE, Page
from rehit.app.serve import Desk
from rehit.incidents.mapping import load_mapping
from rehit.project import load_project

DEMO = Path(__file__).parents[2] / "data_demo"
#: What a log's cells may hold that a page must show as the text it is.
HOSTILE = "<img src=x onerror=window.hurt=1>"

pytestmark = pytest.mark.xdist_group("local page")
WAIT_MS = 120_000


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page's folder, with the invented town as a project that has a report."""
    home = tmp_path_factory.mktemp("home")
    _lay_out_the_demo(home)
    return home


def _lay_out_the_demo(home: Path) -> None:
    shutil.copytree(DEMO, home / "town",
                    ignore=shutil.ignore_patterns("truth", "town", "*.py", "__pycache__"))
    shutil.copytree(DEMO.parent / "reports", home / "town" / "results")


@pytest.fixture(scope="module")
def address(home: Path) -> Iterator[str]:
    """The address of the page, served as a user serves it."""
    with served_page(home) as found:
        yield found


@pytest.fixture
def tab(address: str, browser: Any) -> Iterator[Any]:
    """A tab at the page; afterwards: nothing was asked of another host, nothing failed."""
    tab = browser.new_page(viewport={"width": 390, "height": 844})
    tab.set_default_timeout(WAIT_MS)
    asked: list[str] = []
    faults: list[str] = []
    tab.on("request", lambda request: asked.append(request.url))
    tab.on("pageerror", lambda error: faults.append(str(error)))
    tab.goto(address)
    yield tab
    assert tab.evaluate("window.hurt === undefined")
    tab.close()
    assert [url for url in asked
            if not url.startswith((address.rsplit("/", 1)[0], "data:", "blob:", "ws://127.0.0.1"))
            ] == []
    assert faults == []


def _axe(tab: Any) -> list[tuple[str, str]]:
    """Return what axe finds, on light ground and on dark."""
    module = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = []
    for ground in ("dark", "light"):
        tab.emulate_media(color_scheme=ground)
        found += [(ground, each["id"]) for each in module.Axe().run(tab).response["violations"]]
    return found


def _press(tab: Any, name: str) -> None:
    tab.get_by_role("button", name=name, exact=True).first.click()


def _go(tab: Any, name: str, shown: str) -> None:
    """Press a button and wait for the view it leads to, and for the one before it to go."""
    with _leaving(tab):
        _press(tab, name)
    tab.get_by_role("heading", name=shown, exact=True).first.wait_for()
    tab.wait_for_timeout(300)


@contextmanager
def _leaving(tab: Any) -> Iterator[None]:
    """Wait afterwards until the view shown has gone, even where the next has the same heading."""
    before = tab.get_by_role("heading", level=2).first.element_handle()
    yield
    before.wait_for_element_state("hidden")


def _top(tab: Any, text: str) -> float:
    """Return how far down the page a text begins [pixels]."""
    return float(tab.get_by_text(text).first.bounding_box()["y"])


def test_a_project_is_opened_and_every_view_of_it_is_fit_for_all(tab: Any) -> None:
    _press(tab, "town")
    tab.get_by_role("heading", name="Results").wait_for()
    assert _axe(tab) == []
    for view, shown in (("Check", "How the log is understood"), ("Work out", "Work it out"),
                        ("Decide", "Decide"), ("Numbers", "Numbers")):
        _press(tab, view)
        tab.get_by_role("heading", name=shown, exact=True).first.wait_for()
        assert _axe(tab) == [], view
        assert tab.evaluate("document.documentElement.scrollWidth") <= 390, view
    _press(tab, "Open")
    tab.get_by_role("heading", name="Which log?").wait_for()
    assert _axe(tab) == []


def test_what_came_of_a_stop_is_noted_beside_the_plan(tab: Any, home: Path) -> None:
    """A plan of two stops stands in the results; what is noted goes into the crews' own table."""
    results = home / "town" / "results"
    (results / "results_2026-01-02.csv").write_text(
        "day,crew,stop,stop_id,place_id,place,outcome,why,minutes,litres,method\n"
        f'2026-01-02,Van A,1,S1,WL-1,"{HOSTILE}",,,,,paint_out\n'
        "2026-01-02,Van A,2,S2,WL-2,2 Quay Lane,,,,,paint_out\n", encoding="utf-8")
    (results / "left_out.csv").write_text(
        "stop_id,name,kind,code,reason\nWL-3,3 Quay Lane,hotspot,day_full,the day is full\n",
        encoding="utf-8")
    _go(tab, "Open", "Which log?")
    _go(tab, "town", "Results")
    _go(tab, "Decide", "The plan of 2 January 2026")
    tab.get_by_role("button", name="Bring in: 3 Quay Lane (WL-3)").wait_for()
    tab.get_by_text("2 Quay Lane").first.drag_to(tab.get_by_role("heading", name="Not in the plan"))
    back = tab.get_by_role("button", name="Bring in: Van A 2: 2 Quay Lane")
    back.focus()
    tab.keyboard.press("Space")
    tab.get_by_role("button", name="Leave out: Van A 2: 2 Quay Lane").wait_for()
    tab.keyboard.press("Space")
    back.wait_for()
    tab.get_by_label("Stop").select_option("Van A 2: 2 Quay Lane")
    tab.get_by_label("What was found").select_option("found: done")
    tab.get_by_label("Minutes").fill("22")
    _press(tab, "Note it")
    tab.get_by_text("1 stop noted").wait_for()
    assert _axe(tab) == []
    assert tab.evaluate("document.documentElement.scrollWidth") <= 390
    table = pd.read_csv(home / "town" / "returned" / "results_2026-01-02.csv", dtype="str")
    assert table["outcome"].fillna("").tolist() == ["", "done"]
    assert table["minutes"].fillna("").tolist() == ["", "22"]


def test_two_browsers_look_at_two_projects(
        tab: Any, browser: Any, address: str, home: Path) -> None:
    other = home / "other town"
    other.mkdir()
    for path in (home / "town").glob("*.*"):
        if path.is_file():
            shutil.copy(path, other)
    settings = (other / "rehit.toml").read_text(encoding="utf-8")
    (other / "rehit.toml").write_text(settings.replace("Merrowby-on-Sea", "Elsewhere"),
                                      encoding="utf-8")
    _go(tab, "Open", "Which log?")
    second = browser.new_page()
    second.goto(address)
    _go(second, "Open", "Which log?")
    _go(tab, "town", "Results")
    _press(second, "other town")
    for each, name in ((tab, "Merrowby-on-Sea"), (second, "Elsewhere")):
        _go(each, "Check", "How the log is understood")
        each.get_by_text(name, exact=True).wait_for()
    second.close()
    shutil.rmtree(other)


def test_a_command_runs_to_its_end_and_a_number_is_changed_and_taken_back(
        tab: Any, home: Path) -> None:
    _go(tab, "Open", "Which log?")
    _go(tab, "town", "Results")
    _go(tab, "Work out", "Work it out")
    _press(tab, "Clean the log")
    tab.get_by_text("Clean the log: done.").wait_for()
    assert (home / "town" / "results" / "incidents.csv").is_file()
    _go(tab, "Numbers", "Numbers")
    tab.get_by_label("Topic").select_option("Costs")
    tab.get_by_label("Number", exact=True).select_option("costs.labour_per_hour")
    tab.get_by_label("Value").fill("much")
    _press(tab, "Change it")
    tab.locator(".note.fault").wait_for()
    assert _top(tab, "got 'much'") < tab.get_by_role(
        "button", name="Change it").bounding_box()["y"]
    tab.get_by_label("Value").fill("41")
    _press(tab, "Change it")
    tab.get_by_role("button", name="Undo", disabled=False).wait_for()
    settings = home / "town" / "rehit.toml"
    assert "labour_per_hour = 41" in settings.read_text(encoding="utf-8")
    _press(tab, "Undo")
    tab.get_by_role("button", name="Undo", disabled=True).wait_for()
    assert "labour_per_hour = 34" in settings.read_text(encoding="utf-8")


def test_a_strange_log_is_read_checked_and_becomes_a_project(
        tab: Any, home: Path, tmp_path: Path) -> None:
    """Hostile cells stay text; a file that is no log ends in a sentence."""
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 not a workbook")
    _go(tab, "Open", "Which log?")
    tab.get_by_label("Name of the patch or council").fill("New town")
    tab.get_by_label("Or where the log stands").fill(str(broken))
    _press(tab, "Read the log")
    tab.locator(".note.fault").wait_for()
    log = tmp_path / "log.csv"
    log.write_text("Case,Opened,Closed,Street address,Lat,Lon,Notes\n" + "".join(
        f"C{n},2024-03-{n % 28 + 1:02d} 09:00,2024-04-{n % 28 + 1:02d} 10:00,{n % 9 + 1} High St,"
        f"51.50{n % 9},-0.14{n % 9},{HOSTILE}\n" for n in range(80)), encoding="utf-8")
    tab.get_by_label("Or where the log stands").fill("")
    tab.locator("input[type=file]").first.set_input_files(log)
    tab.get_by_text("Copied", exact=True).wait_for()
    _press(tab, "Read the log")
    tab.get_by_role("heading", name="How the log is understood").wait_for()
    assert tab.get_by_text(HOSTILE).count() >= 1
    assert _axe(tab) == []
    _press(tab, "Use this and start the project")
    tab.get_by_role("heading", name="Work it out").wait_for()
    assert (home / "New town" / "rehit.toml").is_file()
    assert (home / "New town" / "log.csv").read_bytes() == log.read_bytes()


def test_from_an_own_log_to_report_place_bid_and_files_by_keyboard(
        tab: Any, home: Path, tmp_path: Path) -> None:
    """The whole way without a mouse: Tab, Space and letters; a wrong number is told on the way."""
    log = _some_of_the_demo(tmp_path / "own.csv")
    tab.set_viewport_size({"width": 1024, "height": 900})
    with _leaving(tab):
        _keyed(tab, "Open", "Which log?")
    _write(tab, "Name of the patch or council", "Own")
    _write(tab, "Or where the log stands on this machine (several parted by ;)", str(log))
    _keyed(tab, "Read the log", "How the log is understood")
    _keyed(tab, "Use this and start the project", "Work it out")
    _key(tab, "Make the whole report")
    tab.get_by_text("Make the whole report: done.").wait_for()
    settings = home / "Own" / "rehit.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + QUICK, encoding="utf-8")
    _keyed(tab, "Read", "Results")
    _key(tab, "One place")
    tab.get_by_label("Find a place").wait_for()
    _write(tab, "Find a place by its name or code", "road")
    tab.keyboard.press("Enter")
    tab.wait_for_timeout(600)
    tab.keyboard.press("Tab")
    tab.keyboard.press("Space")
    tab.get_by_role("img", name="each bar runs from a report").wait_for()
    tab.get_by_text("Chance to be cheapest").wait_for()
    assert _axe(tab) == []
    _keyed(tab, "Decide", "Decide")
    _keyed(tab, "Price", "Price")
    _write(tab, "Crews (0: as many as the standard needs)", "many")
    _key(tab, "Work out the bid")
    tab.get_by_text("got 'many'").wait_for()
    assert _top(tab, "got 'many'") < _top(tab, "Standard: hours to clear")
    _write(tab, "Crews (0: as many as the standard needs)", "1")
    _keyed(tab, "Work out the bid", "The bid")
    assert "Two falling curves" in tab.locator("picture img").get_attribute("alt")
    assert tab.get_by_role("cell", name="(asked)").count() == 1
    assert _axe(tab) == []
    _keyed(tab, "Quarter", "The report on paper and as a workbook")
    _tab_to(tab, "Sections to leave out")
    tab.keyboard.press("ArrowDown")
    assert _axe(tab) == []
    with tab.expect_download() as loaded:
        _tab_to(tab, "workbook.xlsx")
        tab.keyboard.press("Enter")
    assert loaded.value.suggested_filename == "workbook.xlsx"


#: So few simulated years that a bid is a matter of seconds.
QUICK = """
[contract]
draws = 500
queue_years = 5
queue_search_years = 1
sensitivity_draws = 200
"""
#: The name of what has the focus, whichever shadow it stands in.
FOCUSED = """() => {
  let e = document.activeElement;
  while (e && e.shadowRoot && e.shadowRoot.activeElement) e = e.shadowRoot.activeElement;
  const label = e && e.labels && e.labels[0];
  return e ? (label ? label.innerText : e.getAttribute('aria-label') || e.innerText || '').trim()
           : '';
}"""


def _tab_to(tab: Any, name: str) -> None:
    """Press Tab until something of that name has the focus; the view may still be changing."""
    for _ in range(300):
        tab.keyboard.press("Tab")
        if tab.evaluate(FOCUSED) == name:
            return
    raise AssertionError(name)


def _key(tab: Any, name: str) -> None:
    tab.wait_for_timeout(300)
    _tab_to(tab, name)
    tab.keyboard.press("Space")


def _keyed(tab: Any, name: str, shown: str) -> None:
    _key(tab, name)
    tab.get_by_role("heading", name=shown, exact=True).first.wait_for()
    tab.wait_for_timeout(300)


def _write(tab: Any, name: str, text: str) -> None:
    _tab_to(tab, name)
    tab.keyboard.press("Control+A")
    tab.keyboard.type(text)


def test_a_file_that_cannot_be_used_ends_in_a_sentence_wherever_it_is_given(
        tab: Any, home: Path, tmp_path: Path) -> None:
    """Nothing of it stays: neither in the project's file nor beside it."""
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK\x03\x04 not a workbook")
    before = (home / "town" / "rehit.toml").read_text(encoding="utf-8")
    _go(tab, "Open", "Which log?")
    tab.get_by_label("Name of the patch or council").fill("Broken")
    tab.locator("input[type=file]").first.set_input_files(broken)
    tab.get_by_text("Copied", exact=True).wait_for()
    _press(tab, "Read the log")
    tab.locator(".note.fault").get_by_text("broken.xlsx").wait_for()
    assert not (home / "Broken").exists()
    _beside_the_log(tab, tmp_path)
    assert not (home / "Broken").exists()
    _go(tab, "town", "Results")
    _go(tab, "Check", "How the log is understood")
    tab.get_by_label("What it is").select_option("Works log")
    tab.locator("input[type=file]").first.set_input_files(broken)
    tab.get_by_text("Copied", exact=True).wait_for()
    _press(tab, "Add it")
    tab.locator(".note.fault").get_by_text("broken.xlsx").wait_for()
    _go(tab, "Decide", "Decide")
    tab.locator("input[type=file]").last.set_input_files(broken)
    tab.get_by_text("Copied", exact=True).wait_for()
    _press(tab, "Take in what was found and plan the day")
    tab.locator(".note.fault").get_by_text("broken.xlsx").wait_for()
    assert (home / "town" / "rehit.toml").read_text(encoding="utf-8") == before
    assert not list((home / "town").rglob("*broken*"))


BESIDE = ("Register of assets", "Streets", "Works log", "Depots", "Vehicles and crews")


def _drop(tab: Any, label: str, file: Path, *, copied: str = "Copied") -> None:
    """Drop a file into the box under a label, and wait until it has come."""
    box = tab.locator(".filepond--root").nth(0 if label == "log" else 1 + BESIDE.index(label))
    box.locator("input[type=file]").set_input_files(file)
    box.get_by_text(copied, exact=True).wait_for()


def _beside_the_log(tab: Any, folder: Path) -> None:
    """A good log with four files that are none: each is told under its own box."""
    _go(tab, "Check", "How the log is understood")
    _go(tab, "Open", "Which log?")
    tab.get_by_label("Name of the patch or council").fill("Broken")
    _drop(tab, "log", _some_of_the_demo(folder / "log.csv"))
    for label in BESIDE[:4]:
        broken = folder / f"no {label}.xlsx"
        broken.write_bytes(b"PK\x03\x04 not a workbook")
        _drop(tab, label, broken)
    _press(tab, "Read the log")
    for label in BESIDE[:4]:
        tab.locator(".note.fault").get_by_text(f"no {label}.xlsx").wait_for()
    tops = [_top(tab, f"no {label}.xlsx: got") for label in BESIDE[:4]]
    assert tops == sorted(tops)


def _some_of_the_demo(log: Path) -> Path:
    """Write every sixteenth row of the invented town's log."""
    rows = (DEMO / "incidents.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    log.write_text("".join([rows[0], *rows[1::16]]), encoding="utf-8")
    return log


def test_a_project_is_started_with_all_that_stands_beside_its_log(
        tab: Any, home: Path, tmp_path: Path) -> None:
    """Dropped at once; the crews are known to the day's part without a further step."""
    _go(tab, "Open", "Which log?")
    tab.get_by_label("Name of the patch or council").fill("Whole")
    _drop(tab, "log", _some_of_the_demo(tmp_path / "log.csv"))
    files = ("assets.geojson", "streets.gpkg", "works_log.csv", "depots.csv", "vehicles.csv")
    for label, name in zip(BESIDE, files, strict=True):
        _drop(tab, label, DEMO / name)
    assert tab.evaluate("document.documentElement.scrollWidth") <= 390
    assert _axe(tab) == []
    _press(tab, "Read the log")
    tab.get_by_role("heading", name="How the log is understood").wait_for()
    _press(tab, "Use this and start the project")
    tab.get_by_role("heading", name="Work it out").wait_for()
    named = load_project(home / "Whole").files
    assert {path.name for paths in named.values() for path in paths} == {
        "log.csv", "mapping.toml", *files}
    _go(tab, "Decide", "Decide")
    assert tab.get_by_label("Crews that go out").locator("option").all_inner_texts() == [
        "Van A", "Van B", "Hot-wash trailer C"]


#: Each piece of text on the page, whichever shadow it stands in, and what is read out instead.
SAID = """() => {
  const found = [];
  const walk = node => {
    if (node.nodeType === Node.TEXT_NODE) found.push(node.textContent);
    if (['STYLE', 'SCRIPT', 'IFRAME'].includes(node.nodeName)) return;
    for (const name of ['aria-label', 'placeholder', 'title', 'alt'])
      if (node.getAttribute && node.getAttribute(name)) found.push(node.getAttribute(name));
    for (const each of [...(node.shadowRoot ? node.shadowRoot.childNodes : []), ...node.childNodes])
      walk(each);
  };
  walk(document.body);
  return [...new Set(found.map(text => text.trim()).filter(text => /[a-z]{2}/i.test(text)))];
}"""


def test_no_word_of_a_spanish_page_is_english(browser: Any, tmp_path: Path) -> None:
    """Every text is held against all that the package says in English and not so in Spanish.

    The page is walked in Spanish from the first view to a file just taken, a command and each part
    of a project; what a log, a register or the English results say stays as it is.
    """
    home, tab, said = tmp_path / "home", browser.new_page(), {}
    _lay_out_the_demo(home)
    tab.set_default_timeout(WAIT_MS)
    with served_page(home) as address:
        tab.goto(address)
        _go(tab, "town", "Results")
        tab.get_by_label("Language").select_option("es")
        tab.get_by_role("heading", name="Resultados").wait_for()
        assert tab.evaluate("document.documentElement.lang") == "es"
        said["Leer"] = tab.evaluate(SAID)
        for view, shown in (
                ("Comprobar", "Cómo se entiende el registro"), ("Calcular", "Calcularlo"),
                ("Decidir", "Decidir"), ("Números", "Números"), ("Abrir", "¿Qué registro?")):
            _go(tab, view, shown)
            for part in ("Precio", "Trimestre") if view == "Decidir" else ():
                said[f"before {part}"] = tab.evaluate(SAID)
                _press(tab, part)
                tab.get_by_role("heading", name=part, exact=True).wait_for()
            if view == "Calcular":
                _press(tab, "Depurar el registro")
                tab.get_by_text("Depurar el registro: hecho.").wait_for()
            said[view] = tab.evaluate(SAID)
        tab.get_by_label("Nombre").first.fill("Nuevo")
        _drop(tab, "log", _some_of_the_demo(tmp_path / "log.csv"), copied="Copiado")
        said["a file was dropped"] = tab.evaluate(SAID)
        _press(tab, "Leer el registro")
        tab.get_by_role("heading", name="Cómo se entiende el registro").wait_for()
        said["proposed"] = tab.evaluate(SAID)
    tab.close()
    english, log = _only_english(), pd.read_csv(DEMO / "incidents.csv", dtype="str")
    own = {*log.columns, *log.to_numpy().ravel()}
    assert {view: found for view, texts in said.items() if (found := [
        each for text in texts for each in _said_of(text, own) if english.fullmatch(each)])} == {}


def _said_of(text: str, own: set[str]) -> list[str]:
    """Return what the page says in a text: without what stands in the log, as "Gone → cleared"."""
    pairs = [each.partition(" → ") for each in text.split(" · ")]
    return [understood or raw for raw, _, understood in pairs if understood or raw not in own]


def _only_english() -> re.Pattern[str]:
    """Return what is said in English and not in Spanish, with anything for what is filled in.

    The last two are what boxes for files and the page's own parts say by themselves.
    """
    english, spanish = (set(_texts(language)) for language in ("en", "es"))
    words = {re.sub(r"(\\\{.*?\\\})+", ".+", re.escape(text)) for text in english - spanish
             if re.search(r"[a-z]{3}", re.sub(r"\{.*?\}", "", text))}
    return re.compile("|".join((*sorted(words), r".*\b(the|and|with|from)\b.*",
                                "(Upload|Drag|Browse|Choose|Loading|Select|Remove|Abort).*")))


def _texts(language: str) -> Iterator[str]:
    for file in (Path(rehit.__file__).parent / "report" / "locale" / language).glob("*.po"):
        for each in read_po(io.BytesIO(file.read_bytes())):
            yield from [each.string] if isinstance(each.string, str) else each.string


def test_the_invented_town_comes_to_its_report_in_three_clicks(
        browser: Any, tmp_path: Path) -> None:
    """From an empty folder; the report is the one that stands in the project, figure by figure."""
    tab = browser.new_page()
    tab.set_default_timeout(10 * WAIT_MS)
    with served_page(tmp_path) as address:
        tab.goto(address)
        tab.evaluate("window.clicks = 0; addEventListener('click', () => { window.clicks += 1 })")
        _go(tab, "Open the invented town", "Work it out")
        _press(tab, "Make the whole report")
        tab.get_by_text("Make the whole report: done.").wait_for()
        _go(tab, "Read", "Results")
        assert tab.evaluate("window.clicks") == 3
        shown = tab.frame_locator("iframe").locator(".tiles .value")
        shown.first.wait_for()
        made = (DEMO.parent / "reports" / "report.html").read_text(encoding="utf-8")
        assert [text.split()[0] for text in shown.all_inner_texts()] == [
            text.split()[0] for text in re.findall(r'class="value">([^<]+)', made)]
    tab.close()


def test_a_page_whose_server_is_killed_opens_again_as_it_was(
        browser: Any, tmp_path: Path) -> None:
    """Killed while a command works and begun again: the view, the project and its results stand."""
    shutil.copytree(DEMO, tmp_path / "town",
                    ignore=shutil.ignore_patterns("truth", "town", "*.py", "__pycache__"))
    results = tmp_path / "town" / "results"
    results.mkdir()
    (results / "report.html").write_text("<p>made before</p>", encoding="utf-8")
    tab = browser.new_page()
    tab.set_default_timeout(WAIT_MS)
    with served_page(tmp_path) as first:
        tab.goto(first)
        _go(tab, "town", "Results")
        _go(tab, "Work out", "Work it out")
        _press(tab, "Clean the log")
        tab.get_by_role("button", name="Stop").wait_for()
        first.process.kill()
    with served_page(tmp_path) as again:
        tab.goto(again)
        tab.get_by_role("heading", name="Work it out").wait_for()
        tab.get_by_text("Merrowby-on-Sea", exact=True).wait_for()
        _go(tab, "Read", "Results")
        tab.frame_locator("iframe").get_by_text("made before").wait_for()
        _go(tab, "Open", "Which log?")
        tab.locator(".filepond--root").first.wait_for()
    tab.close()


def test_a_log_of_all_services_with_wrong_guesses_is_put_right_by_hand(
        tab: Any, home: Path, tmp_path: Path) -> None:
    """Potholes that were murals, and the wrong column for the address; no dates."""
    log = tmp_path / "all.csv"
    log.write_text("Case,Service,Street,Premises,Lat,Lon\n" + "".join(
        f"C{n},{('Graffiti', 'Mural complaint', 'Pothole')[n % 3]},High St,{n % 9 + 1} Elm Road,"
        f"51.50{n % 9},-0.14{n % 9}\n" for n in range(90)), encoding="utf-8")
    _go(tab, "Open", "Which log?")
    tab.get_by_label("Name of the patch or council").fill("All services")
    tab.get_by_label("Or where the log stands").fill(str(log))
    _press(tab, "Read the log")
    tab.get_by_role("heading", name="How the log is understood").wait_for()
    tab.get_by_text("nothing over time can be told").first.wait_for()
    tab.get_by_label("address (").select_option("Premises")
    tab.get_by_label("The column of address, chosen by hand").wait_for()
    tab.get_by_label("Value in the log").select_option("Pothole")
    tab.get_by_label("Counts as").last.select_option("graffiti")
    _press(tab, "Correct this kind")
    tab.get_by_label("What 'Pothole' (30 rows) counts as, told by hand").wait_for()
    _press(tab, "Use this and start the project")
    tab.get_by_role("heading", name="Work it out").wait_for()
    mapping = load_mapping(home / "All services" / "mapping.toml")
    assert mapping.fields["address"].columns == ("Premises",)
    assert mapping.services["graffiti"] == ("Graffiti", "Pothole")


def test_a_kept_state_that_names_no_view_opens_at_the_beginning(tmp_path: Path) -> None:
    """A file of another version, or one that a hand has changed, is no reason to fail."""
    shutil.copytree(DEMO, tmp_path / "town", ignore=shutil.ignore_patterns("truth", "__pycache__"))
    kept = {"project": "town", "view": "nowhere", "language": "en"}
    (tmp_path / STATE).write_text(json.dumps(kept), encoding="utf-8")
    page = Page(Desk(tmp_path), language="en")
    assert (page.view, page.folder) == ("open", tmp_path / "town")
