"""Notebooks served by Voilà to a real browser: answer, no other host, axe, knobs that answer."""

from __future__ import annotations

import importlib.util
import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

ROOT = Path(__file__).parents[2]
#: Notebook to what its answer says and what the knob's own answer says.
NOTEBOOKS = {
    "02_match_assets": ("incidents are matched to an asset of the register", " of "),
    "03_find_hotspots": ("for half of the incidents", "almost surely above"),
    "05_compare_costs": ("Removing each marking as it comes costs", "remove"),
    "06_plan_patrol": ("How often to visit can be told", "crew hours"),
}
WIDTHS = (320, 1000, 1440)
CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]
PATIENCE_S = 90

pytestmark = [
    pytest.mark.skipif(not CHROMIUM.exists(), reason="Chromium is not installed here"),
    pytest.mark.skipif(importlib.util.find_spec("voila") is None, reason="Voilà is not installed"),
    pytest.mark.skipif(importlib.util.find_spec("playwright") is None,
                       reason="playwright is not installed")]


@pytest.fixture(scope="module")
def small_town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo town with the first 300 rows of its log, so that it is quick to serve."""
    folder = tmp_path_factory.mktemp("town")
    demo = ROOT / "data_demo"
    rows = (demo / "incidents.csv").read_bytes().splitlines(keepends=True)[:301]
    (folder / "incidents.csv").write_bytes(b"".join(rows))
    for name in ("mapping.toml", "assets.geojson"):
        (folder / name).write_bytes((demo / name).read_bytes())
    kept = ("log =", "mapping =", "register =")
    lines, in_files = [], False
    for line in (demo / "rehit.toml").read_text(encoding="utf-8").splitlines():
        in_files = line.startswith("[files]") if line.startswith("[") else in_files
        if not in_files or line.startswith(("[", *kept)):
            lines.append(line)
    (folder / "rehit.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def served(small_town: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Build the notebooks and serve them as notebooks/README.md says."""
    out = tmp_path_factory.mktemp("served")
    subprocess.run([sys.executable, str(ROOT / "notebooks" / "run_all.py"), "--out", str(out),
                    "--project", str(small_town), "--build-only"],
                   check=True, capture_output=True, timeout=PATIENCE_S)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {**os.environ, "JUPYTER_PATH": str(ROOT / "notebooks" / "page")}
    with (out / "voila.log").open("wb") as log:
        server = subprocess.Popen(
            [sys.executable, "-m", "voila", str(out),
             "--template=rehit_page", "--strip_sources=True", "--no-browser",
             "--Voila.ip=127.0.0.1", f"--port={port}"],
            env=environment, cwd=out, stdout=log, stderr=subprocess.STDOUT)
        try:
            wait_for(port, server)
            yield f"http://127.0.0.1:{port}/"
        finally:
            server.terminate()
            server.wait(timeout=30)


def wait_for(port: int, server: subprocess.Popen[bytes]) -> None:
    """Wait until the server answers (on a small address of its own, which runs no notebook)."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        assert server.poll() is None, "Voilà ended by itself"
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/voila/nothing", timeout=5).close()
        except urllib.error.HTTPError as answer:
            answer.close()
            return
        except OSError:
            time.sleep(0.3)
        else:
            return
    pytest.fail("Voilà does not answer")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as play:
        running = play.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture(scope="module", params=NOTEBOOKS)
def visit(request: pytest.FixtureRequest, served: str,
          browser: Any) -> Iterator[tuple[str, Any, list[str], list[str]]]:
    """Each page opened once, everything that goes to another host blocked and written down."""
    tab = browser.new_page(viewport={"width": 1000, "height": 900})
    beyond: list[str] = []
    faults: list[str] = []

    def gate(route: Any) -> None:
        url = route.request.url
        if urlsplit(url).hostname == "127.0.0.1" or url.startswith(("data:", "blob:")):
            route.continue_()
        else:
            beyond.append(url)
            route.abort()

    tab.route("**/*", gate)
    tab.on("pageerror", lambda e: faults.append(str(e)))
    tab.goto(f"{served}voila/render/{request.param}.ipynb", timeout=PATIENCE_S * 1000)
    tab.wait_for_selector("ul.say li", timeout=PATIENCE_S * 1000)
    tab.wait_for_selector(".widget-html-content :is(p, table)", timeout=PATIENCE_S * 1000)
    tab.wait_for_selector(".noUi-handle", timeout=PATIENCE_S * 1000)
    yield request.param, tab, beyond, faults
    tab.close()


Visit = tuple[str, Any, list[str], list[str]]


def test_answer_is_read_and_no_code_is_shown(visit: Visit) -> None:
    name, tab, _, faults = visit
    assert NOTEBOOKS[name][0] in " ".join(tab.locator("ul.say").all_inner_texts())
    assert "import ipywidgets" not in tab.content(), "the sources are stripped"
    assert faults == []


def test_knobs_are_reached_and_turned_by_keyboard(visit: Visit) -> None:
    """Every knob is a tab stop; turning the last one changes the answer under it."""
    name, tab, _, _ = visit
    knobs = tab.locator(".noUi-handle")
    assert all(knobs.nth(n).get_attribute("tabindex") == "0" for n in range(knobs.count()))
    answer = tab.locator(".widget-html-content").last
    before = answer.inner_text()
    assert NOTEBOOKS[name][1] in before
    knobs.last.focus()
    for _ in range(5):
        tab.keyboard.press("ArrowRight")
    tab.wait_for_function(
        "old => [...document.querySelectorAll('.widget-html-content')].at(-1).innerText !== old",
        arg=before, timeout=PATIENCE_S * 1000)
    assert NOTEBOOKS[name][1] in answer.inner_text()


@pytest.mark.parametrize("width", WIDTHS)
def test_axe_finds_nothing_serious_in_our_content(visit: Visit, width: int) -> None:
    """Held for what the notebook shows; the widgets' own markup is the widget library's."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright",
                              reason="axe is not installed")
    _, tab, _, _ = visit
    tab.set_viewport_size({"width": width, "height": 900})
    context = {"include": [["#rendered_cells"]], "exclude": [[".jupyter-widgets"]]}
    found = axe.Axe().run(tab, context=context).response["violations"]
    grave = [(v["id"], n["html"][:150]) for v in found if v["impact"] in ("serious", "critical")
             for n in v["nodes"]]
    assert grave == []
    assert tab.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), (
        "the page scrolls sideways")


def test_nothing_is_asked_of_another_host(visit: Visit) -> None:
    """Comes last, so that the knob's own requests are in the record too."""
    _, _, beyond, _ = visit
    assert beyond == []
