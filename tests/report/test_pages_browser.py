"""Report and map in a real browser: axe, no request to any host, keyboard, phone and desk."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from report_tables import HOSTILE

SIZES = {"phone": (320, 640), "desk": (1440, 900)}


@pytest.fixture(params=[(name, size) for name in ("report.html", "map.html") for size in SIZES],
                ids=lambda p: "-".join(p))
def page(request: pytest.FixtureRequest, browser: Any, written: Path) -> Iterator[Any]:
    """One page at one size; afterwards: no request but for itself, no fault in the console."""
    name, size = request.param
    width, height = SIZES[size]
    tab = browser.new_page(viewport={"width": width, "height": height}, has_touch=size == "phone")
    asked: list[str] = []
    faults: list[str] = []
    tab.on("request", lambda r: asked.append(r.url))
    tab.on("pageerror", lambda e: faults.append(str(e)))
    tab.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    tab.on("dialog", lambda d: faults.append("a dialog: " + d.message))
    address = (written / name).as_uri()
    tab.goto(address)
    tab.wait_for_load_state("load")
    yield tab
    beyond = [url for url in asked if not url.startswith("data:") and url != address]
    tab.close()
    assert beyond == []
    assert faults == []


def test_axe_finds_nothing_serious(page: Any) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright",
                              reason="axe is not installed")
    found = axe.Axe().run(page).response["violations"]
    grave = [(v["id"], n["html"][:150]) for v in found if v["impact"] in ("serious", "critical")
             for n in v["nodes"]]
    assert grave == []


def test_page_does_not_scroll_sideways(page: Any) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


@pytest.mark.parametrize("name", ["report.html", "details.html", "trace.html", "map.html"])
def test_every_page_can_be_read_by_all_on_every_screen(
        name: str, faults_of: Callable[[Path], list[object]], written: Path) -> None:
    assert faults_of(written / name) == []


def test_hostile_text_is_shown_and_never_run(page: Any) -> None:
    assert page.evaluate("document.querySelectorAll('script').length") in (0, 4)
    if page.url.endswith("report.html"):
        assert HOSTILE in page.inner_text("main")


def test_first_tab_stop_skips_to_the_content(page: Any) -> None:
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    target = page.evaluate("document.activeElement.id")
    assert target in ("summary", "panel")


def test_every_focus_can_be_seen(page: Any) -> None:
    """Each of the first forty tab stops is visible and shows an outline."""
    for _ in range(40):
        page.keyboard.press("Tab")
        state = page.evaluate("""() => { const e = document.activeElement, s = getComputedStyle(e);
            const r = e.getBoundingClientRect();
            return [e.tagName, s.outlineStyle, r.width > 0 && r.height > 0]; }""")
        if state[0] == "BODY":
            break
        assert state[2], state
        assert state[1] != "none", state


@pytest.fixture
def map_page(browser: Any, written: Path) -> Iterator[Any]:
    tab = browser.new_page(viewport={"width": 1400, "height": 800})
    tab.goto((written / "map.html").as_uri())
    tab.wait_for_selector("body[data-ready=yes]")
    yield tab
    tab.close()


def test_place_is_found_by_keyboard_alone(map_page: Any) -> None:
    map_page.focus("#search")
    map_page.keyboard.type("W-0007")
    assert map_page.inner_text("#hits") == "Places found: 1"
    map_page.keyboard.press("ArrowDown")
    map_page.keyboard.press("Enter")
    assert "W-0007" in map_page.inner_text("#details")
    assert "W-0007" in map_page.inner_text(".leaflet-popup-content")


def test_enter_on_the_map_reads_the_nearest_place(map_page: Any) -> None:
    map_page.focus("#map_rehit")
    map_page.keyboard.press("ArrowRight")
    map_page.wait_for_timeout(400)
    map_page.keyboard.press("Enter")
    assert "Rate per year" in map_page.inner_text("#details")


def test_search_by_kind_shows_hostile_name_as_text(map_page: Any) -> None:
    map_page.fill("#search", "<script>")
    assert HOSTILE in map_page.inner_text("#results")
    map_page.click("#results button")
    assert HOSTILE in map_page.inner_text("#details")
    assert map_page.evaluate("document.querySelectorAll('main script, .leaflet-popup script')"
                             ".length") == 0


def _switch(page: Any, name: str, *, on: bool) -> None:
    """Tick or untick a layer in the map's own control by its name."""
    page.locator(".leaflet-control-layers-overlays label", has_text=name).locator(
        "input").set_checked(on)


def _drawn(page: Any) -> int:
    """Count the shapes and marks that stand on the map."""
    return int(page.evaluate("(() => { let n = 0; map_rehit.eachLayer(() => { n += 1; });"
                             " return n; })()"))


def test_layers_switch_on_and_off(map_page: Any) -> None:
    before = _drawn(map_page)
    _switch(map_page, "streets", on=False)
    without = _drawn(map_page)
    assert without < before
    _switch(map_page, "squares with more than chance", on=True)
    assert _drawn(map_page) > without


def test_tap_tells_about_an_incident(map_page: Any) -> None:
    for layer in ("recurring places", "hotspots", "patrol routes", "numbered stops"):
        _switch(map_page, layer, on=False)
    _switch(map_page, "incidents", on=True)
    point = map_page.evaluate(
        "(() => { const f = geo_json_incidents.getLayers().find((l) => "
        "map_rehit.getBounds().pad(-0.2).contains(l.getLatLng()));"
        " const p = map_rehit.latLngToContainerPoint(f.getLatLng()); return [p.x, p.y]; })()")
    box = map_page.locator("#map_rehit").bounding_box()
    map_page.mouse.click(box["x"] + point[0], box["y"] + point[1])
    assert "Incident i" in map_page.inner_text("#details")


def test_streets_are_named_near_by(map_page: Any) -> None:
    assert map_page.locator(".leaflet-tooltip.street").count() == 0
    map_page.evaluate("map_rehit.setZoom(17) && 1")
    assert map_page.locator(".leaflet-tooltip.street").first.inner_text().startswith("Street ")


def test_a_phone_shows_the_list_before_the_map(browser: Any, written: Path) -> None:
    tab = browser.new_page(viewport={"width": 390, "height": 844})
    tab.goto((written / "map.html").as_uri())
    tab.wait_for_selector("body[data-ready=yes]")
    listed, chart = (tab.locator(name).bounding_box() for name in ("#results", "#map_rehit"))
    tab.close()
    assert listed["y"] + listed["height"] <= chart["y"]
    assert listed["y"] < 844 / 2
