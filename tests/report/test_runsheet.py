from __future__ import annotations

import json
import re
import shutil
import subprocess
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xmlschema
from patrol_town import CRS, grid_streets, make_crews, make_stops

from rehit.parameters import Parameters
from rehit.patrol.day import Sheet, crew_sheets
from rehit.patrol.routes import clock, plan_routes
from rehit.patrol.travel import build_network
from rehit.report.phone import phone_page
from rehit.report.route_files import routes_table, write_geojson, write_gpx, write_stops_csv
from rehit.report.runsheet import (
    detail_words,
    load_words,
    point_words,
    render_calendar,
    render_run_sheet,
)
from rehit.report.say import Say
from rehit.tables import check

EN, ES = Say("en"), Say("es")
DAY = date(2026, 1, 1)
SCHEMA = Path(__file__).parents[1] / "published" / "gpx_1_1.xsd"
HOSTILE = '=cmd|x!A1 <script>alert(1)</script> & "quoted" \x0b #typst'


def page_of(sheet: Sheet, say: Say) -> str:
    return phone_page(sheet, day=DAY, say=say, streets=None, file="results", project="Town")


@pytest.fixture(scope="module")
def sheets(numbers: Parameters) -> list[Sheet]:
    stops = make_stops(24, reported=4)
    stops.loc[0, ["name", "offensive", "wash_water_l"]] = [HOSTILE, True, 12.0]
    stops.loc[1, "cautions"] = HOSTILE
    plan = plan_routes(stops, make_crews(), seed=1, parameters=numbers,
                       network=build_network(grid_streets(), parameters=numbers))
    assert HOSTILE in set(plan.visits["name"])
    return crew_sheets(plan)


def test_gpx_is_valid_against_the_published_gpx_1_1_schema(sheets: list[Sheet],
                                                           tmp_path: Path) -> None:
    schema = xmlschema.XMLSchema(str(SCHEMA))
    for i, sheet in enumerate(sheets):
        write_gpx(sheet, tmp_path / f"{i}.gpx", say=EN)
        schema.validate(str(tmp_path / f"{i}.gpx"))
        found = schema.to_dict(str(tmp_path / f"{i}.gpx"))
        assert len(found["wpt"]) == len(sheet.stops)
        assert len(found["rte"][0]["rtept"]) == len(sheet.rows)


def test_schema_refuses_a_wrong_file(tmp_path: Path) -> None:
    (tmp_path / "bad.gpx").write_text(
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
        '<wpt lat="91" lon="0"/></gpx>')
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        xmlschema.XMLSchema(str(SCHEMA)).validate(str(tmp_path / "bad.gpx"))


def test_geojson_is_in_degrees_and_complete(sheets: list[Sheet], tmp_path: Path) -> None:
    write_geojson(sheets, tmp_path / "r.geojson")
    found = json.loads((tmp_path / "r.geojson").read_text())
    assert len(found["features"]) == len(sheets) + sum(len(s.rows) for s in sheets)
    back = gpd.read_file(tmp_path / "r.geojson")
    box = back.total_bounds
    assert -33.1 < box[0] < box[2] < -32.9
    assert 45.9 < box[1] < box[3] < 46.1


def test_csv_cannot_run_in_a_spreadsheet(sheets: list[Sheet], tmp_path: Path) -> None:
    write_stops_csv(sheets, tmp_path / "s.csv", say=EN)
    found = pd.read_csv(tmp_path / "s.csv")
    assert len(found) == sum(len(s.rows) for s in sheets)
    assert not found["place"].str.startswith(("=", "+", "-", "@")).any()
    assert found["place"].str.startswith("'=cmd").sum() == 1


def test_routes_table_keeps_the_reports_contract(sheets: list[Sheet]) -> None:
    table = routes_table(sheets)
    check(table, "report_routes", where="test")
    assert table.crs == CRS
    assert table["n_stops"].sum() == sum(len(s.stops) for s in sheets)
    assert table["minutes"].max() <= 480


def test_run_sheet_is_a_page_or_two_and_the_same_every_time(sheets: list[Sheet]) -> None:
    for sheet in sheets:
        first, second = (render_run_sheet(sheet, day=DAY, say=EN,
                                          streets=grid_streets()) for _ in range(2))
        assert first == second
        assert first.startswith(b"%PDF")
        assert re.search(rb"/Type/Pages/Count [12]/", first)


def test_sums_are_those_of_the_stops(sheets: list[Sheet]) -> None:
    for sheet in sheets:
        assert sheet.paint_l == pytest.approx(0.3 * len(sheet.stops))
        assert sheet.materials == ("brush",)
        assert "ppe" in [caution for caution, _ in sheet.cautions]
        assert sheet.stops["number"].tolist() == list(range(1, len(sheet.stops) + 1))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is missing")
def test_the_calendar_says_what_to_look_at_and_keeps_a_day_on_one_page(tmp_path: Path) -> None:
    """Fault: three things of one address looked alike, and a page could end within a day."""
    visits = pd.DataFrame({
        "crew": "Van A", "day": np.repeat([f"2026-01-{d:02d}" for d in range(5, 25)], 12),
        "visit_h": 0.1, "address": [f"{i} Quay Street" for i in range(240)],
        "asset_type": ["wall", None, "bench"] * 80})
    (tmp_path / "c.pdf").write_bytes(render_calendar(visits, say=ES))
    said = subprocess.run(["pdftotext", "-layout", str(tmp_path / "c.pdf"), "-"], check=True,
                          capture_output=True, text=True).stdout
    assert re.search(r"6 Quay Street, muro +7 Quay Street +8 Quay Street, banco", said)
    sides = said.split("\f")[:-1]
    assert len(sides) > 1
    days = [{at // 12 for at in map(int, re.findall(r"(\d+) Quay", side))} for side in sides]
    assert sum(map(len, days)) == 20


def test_what_to_load_is_rounded_up(numbers: Parameters) -> None:
    """Fault: a day that needs a few drops of remover said "0.0 L"."""
    stops = make_stops(1, paint_l=1.21, remover_l=0.02)
    (sheet,) = crew_sheets(plan_routes(stops, make_crews(1), seed=1, parameters=numbers,
                                       network=None))
    assert [line.split(" expected")[0] for line in load_words(sheet, EN)[:2]] == [
        "Paint: 1.3\u00a0L", "Remover: 0.1\u00a0L"]


def test_a_day_of_more_water_than_the_tank_says_when_it_is_filled_again(
        numbers: Parameters) -> None:
    """Fault: "30 L needed, the tank holds 20 L" left a crew leader with a riddle."""
    stops = make_stops(2, reported=2, wash_water_l=15.0)
    plan = plan_routes(stops, make_crews(1, refill_min=20.0), seed=1, parameters=numbers,
                       network=None)
    (sheet,) = crew_sheets(plan)
    (filled,) = plan.visits.loc[plan.visits["kind"] == "refill", "arrive_min"]
    (line,) = (line for line in load_words(sheet, EN) if "Wash water" in line)
    assert "30\u00a0L needed in all; the tank holds 20\u00a0L and is filled again at " in line
    assert clock(filled) in line


def test_an_unknown_surface_is_for_the_crew_to_judge(numbers: Parameters) -> None:
    stops = make_stops(2, reported=1, method="inspect")
    plan = plan_routes(stops, make_crews(1), seed=1, parameters=numbers, network=None)
    (sheet,) = crew_sheets(plan)
    page = page_of(sheet, EN)
    assert "<strong>Decide on site</strong>: surface not known" in page
    assert "<strong>Look</strong>: marking expected" in page


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is missing")
@pytest.mark.parametrize(("n", "pages"), [(10, 2), (17, 2), (30, 3), (48, 4)])
def test_every_stop_of_a_long_day_keeps_its_facts_and_boxes(
        numbers: Parameters, tmp_path: Path, n: int, pages: int) -> None:
    """Fault: above twenty rows case, asset, owner, litres and remark were not on the sheet."""
    stops = make_stops(n, service_min=2.0, cautions="; ".join(f"caution {i}" for i in range(8)),
                       reported=n, case_number=[f"GR-{i:03d}" for i in range(n)], owner="Council",
                       asset_type="wall", permit="yard key", access="ladder", traffic_control=True)
    plan = plan_routes(stops, make_crews(1), seed=1, parameters=numbers, network=None)
    (sheet,) = crew_sheets(plan)
    assert len(sheet.stops) == n
    (tmp_path / "s.pdf").write_bytes(render_run_sheet(sheet, day=DAY, say=EN, streets=None))
    said = subprocess.run(["pdftotext", "-layout", str(tmp_path / "s.pdf"), "-"], check=True,
                          capture_output=True, text=True).stdout
    assert said.count("remark") == said.count("nothing found") == n
    assert len(re.findall(r"\bmin +L$", said, flags=re.MULTILINE)) == n
    sides = said.split("\f")[:-1]
    assert len(sides) == pages
    for row in sheet.stops.to_dict("records"):  # no row is parted by the end of a page
        (side,) = (side for side in sides if row["case_number"] in side)
        assert re.search(rf" {row['name']}\b", side)
    told = " ".join(said.split())
    assert told.count("ladder") == n
    assert "traffic control needed" in detail_words(sheet.stops.iloc[0].to_dict(), EN)
    assert "key or permission: yard key" in detail_words(sheet.stops.iloc[0].to_dict(), EN)


def test_a_stop_without_an_address_has_its_coordinates_on_paper(numbers: Parameters) -> None:
    stops = make_stops(2, name=["site-1", "3 Hill Street"])
    plan = plan_routes(stops, make_crews(1), seed=1, parameters=numbers, network=None)
    (sheet,) = crew_sheets(plan)
    said = {row["name"]: point_words(row, point, EN) for row, point in zip(
        sheet.rows.to_dict("records"), sheet.rows.geometry.to_crs(4326), strict=True)}
    assert re.fullmatch(r"at 46\.0\d{4}, -32\.99\d{3}|at 46\.0\d{4}, -33\.0\d{4}", said["site-1"])
    assert said["3 Hill Street"] == said["Yard"] == ""


def test_a_hotspot_is_a_look_with_its_odds_and_never_an_order_to_paint(
        numbers: Parameters, tmp_path: Path) -> None:
    stops = make_stops(1, expected=0.11)
    plan = plan_routes(stops, make_crews(1), seed=1, parameters=numbers, network=None)
    (sheet,) = crew_sheets(plan)
    write_gpx(sheet, tmp_path / "en.gpx", say=EN)
    write_gpx(sheet, tmp_path / "es.gpx", say=ES)
    assert "Look: marking expected 1 in 9; if marked: paint out" in (
        tmp_path / "en.gpx").read_text(encoding="utf-8")
    assert "Mirar: marca esperada 1 de cada 9" in (tmp_path / "es.gpx").read_text(encoding="utf-8")


@pytest.mark.parametrize(("say", "words"), [(EN, "do not treat"), (ES, "no tratar")])
def test_a_stop_for_a_specialist_says_do_not_treat(numbers: Parameters, say: Say,
                                                   words: str) -> None:
    stops = make_stops(1, reported=1, method="inspect", advised="refer")
    plan = plan_routes(stops, make_crews(1), seed=1, parameters=numbers, network=None)
    (sheet,) = crew_sheets(plan)
    page = page_of(sheet, say)
    assert f'<p class="refer">Refer: {words}</p>' in page or (
        f'<p class="refer">Derivar: {words}</p>' in page)
    assert "Decide" not in page
    # Nobody can book as done what nobody may do; what the crew does is offered instead.
    assert 'value="done"' not in page
    assert say("phone.outcome_referred") in page


def test_the_crew_is_told_what_is_known_of_the_object(numbers: Parameters) -> None:
    stops = make_stops(1, reported=1, case_number="GR-7", asset_id="WL-1", asset_type="wall",
                       substrate="brick", finish="painted", medium="spray", area_m2=1.4,
                       owner="Council", what_reported="red letters <b>")
    plan = plan_routes(stops, make_crews(1), seed=1, parameters=numbers, network=None)
    (sheet,) = crew_sheets(plan)
    (row,) = sheet.stops.to_dict("records")
    assert detail_words(row, EN) == ("wall, WL-1, brick, painted, spray paint, 1.4\u00a0m² marked, "
                                     "owner Council, case GR-7")
    assert "red letters &lt;b&gt;" in page_of(sheet, EN)


def test_a_spanish_sheet_is_spanish_throughout(sheets: list[Sheet]) -> None:
    page = page_of(sheets[0], ES)
    assert '<html lang="es">' in page
    for words in ("Cargar antes de salir", "Paradas por orden", "jueves, 1 de enero de 2026",
                  "OFENSIVA, urgente", "Precauciones"):
        assert any(words in p for p in (page, page_of(sheets[1], ES))), words
    for words in ("Load before", "Stops in order", "reported", "Look", "stops", "back"):
        assert words not in re.sub(r"<(style|script).*?</\1>|<[^>]*>", "", page,
                                   flags=re.DOTALL), words
