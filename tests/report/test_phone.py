"""The phone page: whole without a network, kept on the phone, read back; in a real browser."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from matplotlib.image import imsave
from numpy import zeros
from patrol_town import make_crews, make_stops
from PIL import Image

from rehit.outputs.patrol import read_results, write_photos
from rehit.parameters import Parameters
from rehit.patrol.day import Sheet, crew_sheets
from rehit.patrol.routes import plan_routes
from rehit.report.phone import phone_page, stop_facts
from rehit.report.say import Say

EN, ES = Say("en"), Say("es")
DAY = date(2026, 1, 2)
HOSTILE = '=cmd|x!A1 </script><script>alert(1)</script> & "quoted"'


@pytest.fixture(scope="module")
def sheet(numbers: Parameters) -> Sheet:
    stops = make_stops(3, reported=2, case_number=["GR-7", None, None],
                       asset_id=["WL-1", None, None], asset_name=["Quay wall", None, None],
                       asset_type=["wall", None, None], substrate=["brick", None, None],
                       colour=["RAL 7032", None, None], owner=["Council", None, None],
                       permit=["yard key", None, None], area_m2=[1.4, None, None],
                       what_reported=[HOSTILE, None, None], name=[HOSTILE, "b", "c"],
                       method=["paint_out", "inspect", "paint_out"],
                       advised=["paint_out", "refer", "paint_out"],
                       cautions=["sds; lead", "sds; heritage", "sds"])
    (made,) = crew_sheets(plan_routes(stops, make_crews(1), seed=1, parameters=numbers,
                                      network=None))
    return made


def page_of(sheet: Sheet, say: Say = EN) -> str:
    return phone_page(sheet, day=DAY, say=say, streets=None, file="results_2026-01-02_van_0",
                      project="Small town")


def test_phone_page_stands_alone_and_escapes(sheet: Sheet) -> None:
    page = page_of(sheet)
    assert "http:" not in page
    assert "https:" not in page
    assert page.count("<script") == 2  # its own data and its own code
    assert "alert(1)</script" not in page
    assert not re.search(r'(src|href)="(?!data:|geo:|#stops)', page)
    assert page.count('href="geo:') == 3


@pytest.mark.parametrize(("say", "refer", "words"), [
    (EN, "Refer: do not treat", ("found, done", "Minutes on site", "Take care")),
    (ES, "Derivar: no tratar", ("había marca, hecho", "Minutos en el sitio",
                                "Precauciones"))])
def test_the_page_speaks_the_projects_language(sheet: Sheet, say: Say, refer: str,
                                               words: tuple[str, ...]) -> None:
    page = page_of(sheet, say)
    assert f'<p class="refer">{refer}</p>' in page
    assert all(word in page for word in words)


def test_each_stop_carries_what_is_known_of_its_object(sheet: Sheet) -> None:
    row = next(r for r in sheet.stops.to_dict("records") if r["stop_id"] == "s0")
    assert stop_facts(row, EN) == [
        ("Case", "GR-7"), ("Asset", "WL-1"), ("Name", "Quay wall"), ("Kind", "wall"),
        ("Surface", "brick"), ("Colour", "RAL 7032"), ("Size", "1.4\u00a0m² marked"),
        ("Owner", "Council"), ("Needs", "key or permission: yard key"), ("Reported", HOSTILE)]


def test_cautions_of_most_stops_stand_once_and_others_at_their_stop(numbers: Parameters) -> None:
    """Fault: one stop without a caution had it written out at all the others, 50 screens of it."""
    stops = make_stops(5, cautions=["sds; lead", "sds", "sds", "sds", None])
    (sheet,) = crew_sheets(plan_routes(stops, make_crews(1), seed=1, parameters=numbers,
                                       network=None))
    page = html.unescape(page_of(sheet))
    # In full once, so that whoever acts has read all of it, with the stops it is for.
    most, lead = (EN(f"caution_full.{code}") for code in ("sds", "lead"))
    (without,) = sheet.stops.loc[sheet.stops["stop_id"] == "s4", "number"]
    assert page.count(most) == 1
    assert f"{most} (all stops but {without})" in page
    assert page.count(lead) == 1
    assert page.count(EN("phone.care_above", cautions=EN("caution.sds"))) == 4
    assert lead in page.split('data-stop="s0"')[0].rsplit("<h3>", 1)[1]
    assert EN("caution.sds") not in page.split('data-stop="s4"')[0].rsplit("<h3>", 1)[1]


@pytest.fixture
def tab(browser: Any, sheet: Sheet, tmp_path: Path) -> Iterator[Any]:
    """The page on a phone 390 points wide; afterwards: no request but for itself, no fault."""
    file = tmp_path / "run_sheet.html"
    file.write_text(page_of(sheet), encoding="utf-8")
    opened = browser.new_page(viewport={"width": 390, "height": 844}, has_touch=True)
    asked: list[str] = []
    faults: list[str] = []
    opened.on("request", lambda r: asked.append(r.url))
    opened.on("pageerror", lambda e: faults.append(str(e)))
    opened.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
    opened.on("dialog", lambda d: faults.append("a dialog: " + d.message))
    opened.goto(file.as_uri())
    yield opened
    beyond = [url for url in asked if not url.startswith(("data:", "blob:")) and (
        url != file.as_uri())]
    opened.close()
    assert beyond == []
    assert faults == []


def _fill(tab: Any) -> None:
    tab.check('[data-stop="s0"] [value=done]')
    tab.fill('[data-stop="s0"] [name=minutes]', "12,5")
    tab.fill('[data-stop="s0"] [name=litres]', "0.4")
    tab.fill('[data-stop="s0"] [name=materials]', "grey paint")
    tab.fill('[data-stop="s0"] [name=remarks]', '=1+1 "quoted", and\nmore')
    tab.check('[data-stop="s1"] [value=left]')
    tab.fill('[data-stop="s1"] [name=why]', "heritage officer called")
    tab.check('[data-stop="s2"] [value=clean]')


def _saved(tab: Any, button: str, folder: Path) -> Path:
    with tab.expect_download() as waiting:
        tab.click(button)
    file = folder / str(waiting.value.suggested_filename)
    waiting.value.save_as(file)
    return file


def test_what_a_crew_enters_outlives_the_page_and_is_read_back(tab: Any, tmp_path: Path) -> None:
    _fill(tab)
    tab.reload()
    assert tab.inner_text("#told") == "3 of 3 stops reported, kept on this phone."
    assert tab.is_visible('[data-stop="s1"] [name=why]')
    for button, ending in (("#save-csv", "csv"), ("#save-json", "json")):
        file = _saved(tab, button, tmp_path)
        assert file.name == f"results_2026-01-02_van_0.{ending}"
        found = read_results(file).set_index("stop_id")
        assert found["outcome"].to_dict() == {"s0": "done", "s1": "left", "s2": "clean"}
        assert found.loc["s0", ["minutes", "litres", "materials", "case_number", "asset_id"]
                         ].tolist() == [12.5, 0.4, "grey paint", "GR-7", "WL-1"]
        assert found.loc["s0", "remarks"].split() == ["=1+1", '"quoted",', "and", "more"]
        assert found.loc["s1", "why"] == "heritage officer called"


def test_a_photo_comes_back_as_a_file(tab: Any, tmp_path: Path) -> None:
    picture = tmp_path / "wall.png"
    imsave(picture, zeros((30, 2000, 3)))
    tab.check('[data-stop="s0"] [value=done]')
    tab.set_input_files('[data-stop="s0"] [name=photo]', picture)
    # A function to wait for would need eval, which the page's policy forbids.
    tab.get_by_text("A photo is kept.").wait_for()
    assert write_photos([_saved(tab, "#save-json", tmp_path)], tmp_path) == 1
    made = (tmp_path / "photo_2026-01-02_s0.jpg").read_bytes()
    assert made.startswith(b"\xff\xd8\xff")
    assert Image.open(io.BytesIO(made)).size == (1024, 15)


def test_axe_finds_nothing_and_nothing_scrolls_sideways(tab: Any) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright",
                              reason="axe is not installed")
    _fill(tab)
    found = axe.Axe().run(tab).response["violations"]
    assert [(v["id"], n["html"][:150]) for v in found for n in v["nodes"]] == []
    assert tab.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
