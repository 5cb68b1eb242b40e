"""`rehit patrol` on a small town: every file it writes read back, and a job added in the day."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import xmlschema
from patrol_town import make_stops
from shapely.geometry import box
from small_town import HOSTILE, VAN, YARD, make_town

from rehit.chain import Chain
from rehit.cli import main
from rehit.outputs.patrol import read_results, without_settled
from rehit.project import load_project
from rehit.report.say import Say

SCHEMA = Path(__file__).parents[1] / "published" / "gpx_1_1.xsd"
NAME = "2025-12-31_b_van_a_b"
SECTIONS = ("Load before leaving", "Stops in order", "Take care")


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_town(tmp_path_factory.mktemp("patrol") / "town")
    assert main(["patrol", str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def out(town: Path) -> Path:
    return town / "results"


@pytest.fixture
def copy(town: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(town, tmp_path / "town"))


def table(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, dtype="str", keep_default_na=False)


def add(folder: Path, *options: str, place: str = "6 Hill Street", now: str = "07:40") -> int:
    return main(["patrol", str(folder), "--add", place, "--now", now, *options])


def test_all_the_files_are_there(out: Path) -> None:
    assert {p.name for p in out.iterdir()} == {
        "day_plan.json", "for_others.csv", "left_out.csv", f"route_{NAME}.gpx", "routes.csv",
        "routes.geojson", "routes_streets.geojson", f"run_sheet_{NAME}.html",
        f"run_sheet_{NAME}.pdf", "stops.csv",
        "looks_log.csv", "works_from_patrol.csv", "results_2025-12-31.csv",
        "run_log.json", "summary.json", "visit_calendar.csv",
        "visit_calendar.pdf", "visit_intervals.csv"}


def test_every_open_job_is_done_and_the_files_agree(out: Path) -> None:
    stops = table(out / "stops.csv")
    said = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert (stops["kind"] == "reported").sum() == said["n_reported"] == 5
    assert (stops["kind"] == "hotspot").sum() == said["n_hotspots"] == 7
    assert table(out / "left_out.csv").empty
    shapes = gpd.read_file(out / "routes.geojson")
    placed = shapes[shapes["what"] == "stop"]
    assert placed["name"].tolist() == [t.removeprefix("'") for t in stops["place"]]
    clocks = [f"{moment:%H:%M}" for moment in placed["arrive"]]
    assert clocks == stops["arrive"].tolist()
    (route,) = shapes[shapes["what"] == "route"].itertuples()
    assert route.n_stops == 12
    assert route.geometry.geom_type == "LineString"


def test_a_day_of_other_hours_is_planned_within_them(copy: Path) -> None:
    assert main(["patrol", str(copy), "--hours", "09:00-11:30"]) == 0
    stops = table(copy / "results" / "stops.csv")
    assert stops["arrive"].min() >= "09:00"
    assert stops["leave"].max() <= "11:30"
    assert main(["patrol", str(copy), "--hours", "09:00-"]) == 2


def test_the_streets_behind_the_routes_are_those_around_them(out: Path) -> None:
    """RFC 7946: degrees. Each lies within the routes' extent and a tenth of it around."""
    near = gpd.read_file(out / "routes_streets.geojson")
    assert near.crs.to_epsg() == 4326
    west, south, east, north = gpd.read_file(out / "routes.geojson").total_bounds
    wide = max(east - west, north - south) * 2  # a degree of longitude may be half as long
    assert len(near) > 0
    assert near.intersects(box(west - wide, south - wide, east + wide, north + wide)).all()
    assert set(near.geom_type) <= {"LineString", "MultiLineString"}


def test_geojson_is_where_the_csv_says(out: Path) -> None:
    stops, shapes = table(out / "stops.csv"), gpd.read_file(out / "routes.geojson")
    assert shapes.crs == 4326
    metres = shapes[shapes["what"] == "stop"].to_crs(32625).geometry
    assert (metres.x.to_numpy() - stops["x"].astype(float)).abs().max() < 0.1
    assert (metres.y.to_numpy() - stops["y"].astype(float)).abs().max() < 0.1


def test_gpx_keeps_the_schema_and_every_stop(out: Path) -> None:
    schema = xmlschema.XMLSchema(str(SCHEMA))
    schema.validate(str(out / f"route_{NAME}.gpx"))
    found = schema.to_dict(str(out / f"route_{NAME}.gpx"))
    stops = table(out / "stops.csv")
    assert [point["name"] for point in found["wpt"]] == [
        f"{row.stop} {row.place.removeprefix(chr(39))}"
        for row in stops[stops["stop"] != ""].itertuples()]
    assert len(found["rte"][0]["rtept"]) == len(stops)
    assert len(found["trk"][0]["trkseg"][0]["trkpt"]) > len(stops)
    assert found["rte"][0]["name"] == VAN


def test_no_cell_of_any_csv_starts_a_formula(out: Path) -> None:
    for file in out.glob("*.csv"):
        for column in (cells := table(file)).columns:
            texts = cells[column][~cells[column].str.fullmatch(r"-?[\d.]+")]
            assert not texts.str.startswith(("=", "+", "-", "@")).any(), (file.name, column)
    assert f"'{HOSTILE}" in set(table(out / "stops.csv")["place"])


def test_phone_page_is_whole_and_harmless(out: Path) -> None:
    page = (out / f"run_sheet_{NAME}.html").read_text(encoding="utf-8")
    assert page.count("<script") == 2  # its own data and its own code
    assert "<b>Van" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert not re.search(r"(src|href)=\"(?!data:|geo:|#stops)", page)
    assert page.count('href="geo:') == 12
    for title in SECTIONS:
        assert title in page


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is missing")
def test_run_sheet_on_paper_says_what_the_crew_needs(out: Path) -> None:
    said = subprocess.run(["pdftotext", "-layout", str(out / f"run_sheet_{NAME}.pdf"), "-"],
                          capture_output=True, text=True, check=True).stdout
    words = " ".join(said.split())
    for text in (VAN, YARD, "Wednesday 31 December 2025", "12 stops; out 07:00", *SECTIONS,
                 "<script>", "alert(1)", "Paint:", "Look", "Back at the depot",
                 "page 1 / 2"):
        assert text in words
    stops = table(out / "stops.csv")
    for row in stops[stops["stop"] != ""].itertuples():
        assert row.arrive in words
    assert "page 3" not in words


def test_no_visit_is_planned_on_a_public_holiday_or_weekend(out: Path) -> None:
    days = pd.to_datetime(table(out / "visit_calendar.csv")["day"])
    assert len(days) > 12
    assert pd.Timestamp("2026-01-01") not in set(days)
    assert days.dt.day_of_week.max() <= 4


def test_a_day_asked_for_is_planned_and_a_holiday_said(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["patrol", str(copy), "--date", "2026-01-01"]) == 0
    said = capsys.readouterr().out
    assert "Thursday 1 January 2026" in said
    assert "public holiday (New Year's Day)" in said


def test_the_first_working_day_is_planned_where_none_is_asked_for(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = pd.read_csv(copy / "log.csv")
    log["Reported"] = log["Reported"].str.replace("2025-12-30", "2025-12-31")
    log.to_csv(copy / "log.csv", index=False)
    assert main(["patrol", str(copy)]) == 0
    assert "Friday 2 January 2026" in capsys.readouterr().out


def test_the_calendar_on_paper_has_every_look_of_every_day(out: Path) -> None:
    visits = table(out / "visit_calendar.csv")
    said = subprocess.run(["pdftotext", "-raw", str(out / "visit_calendar.pdf"), "-"], check=True,
                          capture_output=True, text=True).stdout
    assert "Looks of the coming weeks" in said
    assert said.count(" looks, ") + said.count(" look, ") == len(visits.groupby(["crew", "day"]))
    words = "".join(said.split())  # a long address is broken into lines
    for address, looks in visits.groupby("address"):
        # The table's guard against formulas is not for paper.
        assert words.count("".join(address.removeprefix("'").split())) >= len(looks)


def test_an_added_job_gets_a_crew_and_new_sheets(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert add(copy, "--offensive", "--done", f"{VAN}=2") == 0
    said = capsys.readouterr().out
    found = re.search(r"new job at 6 Hill Street goes to (.+) as stop (\d+), at (\d\d:\d\d)", said)
    assert found
    stops = table(copy / "results" / "stops.csv")
    row = stops[(stops["stop"] == found[2]) & (stops["crew"] == found[1])].iloc[0]
    assert (row["kind"], row["place"], row["arrive"]) == ("reported", "6 Hill Street", found[3])
    assert found[3] >= "07:40"
    left = stops[(stops["crew"] == VAN) & (stops["stop"] != "")]
    assert left["stop"].astype(int).min() == 3
    plan = json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))
    assert plan["changed_at_min"] == 460.0
    assert plan["stops"][-1]["offensive"] is True
    assert plan["stops"][-1]["method"] == "paint_out"
    page = (copy / "results" / f"run_sheet_{NAME}.html").read_text(encoding="utf-8")
    assert "changed 07:40" in page
    # A second job goes on from the changed plan.
    assert add(copy, place="46.0010,-32.9985", now="08:00") == 0
    assert "The new job at 46.00100, -32.99850 goes to" in capsys.readouterr().out


def test_a_job_no_street_leads_to_is_named_and_the_rest_still_planned(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert add(copy, place="46.2,-32.9") == 0
    said = capsys.readouterr().out
    assert "The new job at 46.20000, -32.90000 is in no route: no street leads there" in said
    assert "stops, back at" in said


def test_an_added_job_waits_for_its_window_or_says_why_it_cannot_be_done(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert add(copy, "--between", "13:00-14:00") == 0
    stops = table(copy / "results" / "stops.csv")
    row = stops[(stops["place"] == "6 Hill Street") & (stops["kind"] == "reported")].iloc[0]
    assert "13:00" <= row["start"] <= "14:00"
    pages = [page.read_text(encoding="utf-8")
             for page in (copy / "results").glob("run_sheet_*.html")]
    assert ["begin between 13:00 and 14:00" in page for page in pages].count(True) == 1
    capsys.readouterr()
    assert add(copy, "--between", "06:00-06:30", now="08:00") == 0
    assert "it fits in no shift, even alone" in capsys.readouterr().out


@pytest.mark.parametrize("role", ["depots", "vehicles"])
def test_a_project_without_crews_is_one_message(
        role: str, copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = copy / "rehit.toml"
    lines = file.read_text(encoding="utf-8").splitlines()
    file.write_text("\n".join(t for t in lines if not t.startswith(role)), encoding="utf-8")
    assert main(["patrol", str(copy)]) == 2
    said = capsys.readouterr().err
    assert said.startswith("rehit: ")
    assert f'{role} = "{role}.csv"' in said


@pytest.mark.parametrize(("options", "words"), [
    (["--add", "99 Nowhere Road", "--now", "08:00"], "99 Nowhere Road"),
    (["--add", "6 Hill Street"], "--now"),
    (["--add", "6 Hill Street", "--now", "soon"], "soon"),
    (["--add", "6 Hill Street", "--now", "15:30"], "15:30"),
    (["--add", "6 Hill Street", "--now", "08:00", "--done", "Van Z=1"], "Van Z=1"),
    (["--add", "6 Hill Street", "--now", "08:00", "--done", "V1=99"], "V1=99"),
    (["--add", "6 Hill Street", "--now", "08:00", "--done", "V1"], "CREW=STOP"),
    (["--add", "6 Hill Street", "--now", "08:00", "--date", "2026-01-05"], "--date"),
    (["--add", "6 Hill Street", "--now", "08:00", "--plan", "nowhere"], "day_plan.json"),
    (["--add", "6 Hill Street", "--now", "08:00", "--between", "15:00-13:00"], "15:00-13:00"),
    (["--offensive"], "--now"),
    (["--now", "08:00", "--offensive"], "--add"),
    (["--now", "08:00", "--without", "Van Z"], "Van Z"),
    (["--now", "08:00", "--without", "V1", "V2"], "no crew that is still out"),
    (["--now", "08:00", "--closed", "Nowhere Road"], "Nowhere Road"),
    (["--crews", "1"], "'Hot wash B'"),
    (["--date", "tomorrow"], "tomorrow")])
def test_what_cannot_be_done_is_one_message_and_changes_nothing(
        town: Path, options: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    before = {p.name: p.read_bytes() for p in (town / "results").iterdir()}
    assert main(["patrol", str(town), *options]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert said.startswith("rehit: ")
    assert "Traceback" not in said
    assert {p.name: p.read_bytes() for p in (town / "results").iterdir()} == before


BROKEN = {
    "empty": lambda _: "",
    "not JSON": lambda _: "day plan",
    "another kind": lambda _: '{"what": "picture"}',
    "another projection": lambda plan: json.dumps(plan | {"crs": "EPSG:32630"}),
    "no crews": lambda plan: json.dumps(plan | {"crews": []}),
    "no visits": lambda plan: json.dumps({k: v for k, v in plan.items() if k != "visits"}),
    "a strange kind": lambda plan: json.dumps(
        plan | {"visits": [row | {"kind": "picnic"} for row in plan["visits"]]}),
    "an unknown stop": lambda plan: json.dumps(plan | {"stops": plan["stops"][1:]}),
    "a text for a number": lambda plan: json.dumps(
        plan | {"stops": [row | {"service_min": "long"} for row in plan["stops"]]}),
    "a place out of range": lambda plan: json.dumps(
        plan | {"visits": [row | {"location": 999} for row in plan["visits"]]}),
}


@pytest.mark.parametrize("kind", BROKEN)
def test_a_plan_that_is_not_whole_is_one_message(
        kind: str, copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = copy / "results" / "day_plan.json"
    file.write_text(BROKEN[kind](json.loads(file.read_text(encoding="utf-8"))), encoding="utf-8")
    assert add(copy) == 2
    said = capsys.readouterr().err
    assert said.startswith("rehit: ")
    assert "day_plan.json" in said
    assert "rehit patrol" in said
    assert "Traceback" not in said


@pytest.mark.parametrize(("day", "words"), [
    ("2025-12-30", "not after the log, which ends on 2025-12-30"),
    ("2026-03-02", "2025-12-30, 62 days before the day planned"),
    ("2026-01-05", "")])
def test_a_day_the_log_does_not_know_is_planned_and_that_is_said(
        copy: Path, day: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["patrol", str(copy), "--date", day]) == 0
    said = capsys.readouterr().out
    assert words in said
    assert bool(words) == ("log" in said.partition("Open first")[0])


@pytest.mark.parametrize("day", ["9999-12-31", "0205-12-31"])
def test_a_day_of_an_impossible_year_is_refused_by_its_year(
        town: Path, day: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The calendar of the last day there is ran past the end of time."""
    assert main(["patrol", str(town), "--date", day]) == 2
    assert "of the years 1980 to 2100" in capsys.readouterr().err


def test_crews_whose_names_look_alike_in_a_file_name_keep_their_own_sheets(copy: Path) -> None:
    file = copy / "vehicles.csv"
    pd.read_csv(file).assign(name=["東", "西"], methods="paint_out").to_csv(file, index=False)
    assert main(["patrol", str(copy)]) == 0
    crews = set(table(copy / "results" / "stops.csv")["crew"])
    assert crews
    for crew, name in (("東", "crew_v1"), ("西", "crew_v2")):
        sheet = copy / "results" / f"route_2025-12-31_{name}.gpx"
        assert sheet.exists() == (crew in crews)
        assert crew not in crews or f"<name>{crew}</name>" in sheet.read_text(encoding="utf-8")


def test_a_shift_too_short_for_its_break_is_planned_all_the_same(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Ten-minute shifts with half an hour of break gave less than no hours for planned visits."""
    file = copy / "vehicles.csv"
    pd.read_csv(file).assign(shift_end="07:25").to_csv(file, index=False)
    assert main(["patrol", str(copy)]) == 0
    said = capsys.readouterr().out
    # Two crews, 25 minutes, five days, three tenths of it: 1.25 hours.
    hours = json.loads((copy / "results" / "summary.json").read_text(encoding="utf-8"))
    assert hours["patrol_hours_per_week"] >= 1.2
    assert "crew hours a week" in said


def test_sheets_left_from_an_earlier_plan_of_the_day_are_named(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = {"run_sheet_2025-12-31_hot_wash_b.pdf", "route_2025-12-31_hot_wash_b.gpx"}
    for name in (*old, "run_sheet_2025-12-30_hot_wash_b.pdf"):
        (copy / "results" / name).write_bytes(b"of an earlier plan")
    assert main(["patrol", str(copy), "--crews", "V1", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert {Path(name).name for name in said["from_earlier_plans"]} == old
    assert any("do not hand them out" in sentence for sentence in said["sentences"])
    assert all((copy / "results" / name).exists() for name in old)


def test_a_day_on_which_no_crew_can_go_out_is_written_with_the_reasons(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = copy / "vehicles.csv"
    pd.read_csv(file).assign(shift_end="07:02").to_csv(file, index=False)
    assert main(["patrol", str(copy)]) == 0
    said = capsys.readouterr()
    assert "0 of 2 crews go out" in said.out
    assert "it fits in no shift, even alone" in said.out
    out = copy / "results"
    assert json.loads((out / "routes.geojson").read_text(encoding="utf-8"))["features"] == []
    left = table(out / "left_out.csv")
    assert len(left) == 12
    assert set(left["code"]) == {"does_not_fit"}
    # Nor can a job that comes in be done; it is said and not a fault of rehit.
    assert add(copy, now="07:01") == 0
    assert "is in no route: it fits in no shift" in capsys.readouterr().out
    # The report goes on without routes.
    assert main(["report", str(copy)]) == 0


@pytest.mark.parametrize(("old", "new", "words"), [
    ('streets = "streets.geojson"', 'streets = "log.csv"', "a table without lines"),
    ("[patrol]", "[patrol]\nbreak_from_h = 6\nbreak_to_h = 4", "break_from_h and break_to_h")])
def test_settings_that_contradict_each_other_or_the_files_are_one_message(
        copy: Path, old: str, new: str, words: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = copy / "rehit.toml"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    assert main(["patrol", str(copy)]) == 2
    assert words in capsys.readouterr().err


def test_the_day_follows_the_calendar_and_remembers_the_day_before(copy: Path) -> None:
    """Plans of two days visited the same hotspots; looks planned count until crews say."""
    first = set(table(copy / "results" / "looks_log.csv")["place_id"])
    calendar = table(copy / "results" / "visit_calendar.csv")
    assert set(calendar.loc[calendar["day"] == "2025-12-31", "place_id"]) <= first
    assert calendar["address"].str.len().min() > 0
    before = table(copy / "results" / "stops.csv")
    assert main(["patrol", str(copy), "--date", "2026-01-02"]) == 0
    after = table(copy / "results" / "stops.csv")
    again = before.merge(after, on="place", suffixes=("", "_then"))
    again = again[(again["kind"] == "hotspot") & (again["kind_then"] == "hotspot")]
    assert (again["expected_then"].astype(float) < 0.6 * again["expected"].astype(float)).all()
    planned = table(copy / "results" / "looks_log.csv")
    assert set(planned["day"]) == {"2025-12-31", "2026-01-02"}


def test_a_reported_job_that_crews_settled_is_not_planned_again(
        copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Fault: all jobs done on one day were in the next day's plan."""
    filled = table(copy / "results" / "results_2025-12-31.csv")
    plan = json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))
    reported = [stop["stop_id"] for stop in plan["stops"] if stop["kind"] == "reported"]
    told = dict(zip(reported, ["done", "clean", "left", "not_seen"], strict=False))
    assert len(told) == 4
    filled["outcome"] = filled["stop_id"].map(told)
    filled.to_csv(tmp_path / "filled.csv", index=False)
    capsys.readouterr()
    assert main(["patrol", str(copy), "--date", "2026-01-02", "--results",
                 str(tmp_path / "filled.csv")]) == 0
    assert "2 reported jobs are not planned again" in capsys.readouterr().out
    again = json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))
    assert {stop["stop_id"] for stop in again["stops"] if stop["kind"] == "reported"} == set(
        reported[2:])


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_words_beside_the_boxes_on_paper_are_read_as_outcomes(
        language: str, tmp_path: Path) -> None:
    say = Say(language)
    words = {say(f"sheet.box_{box}"): outcome for box, outcome in
             {"done": "done", "clean": "clean", "referred": "left"}.items()}
    file = tmp_path / "filled.csv"
    pd.DataFrame({"day": "2026-01-02", "stop_id": range(3), "outcome": list(words)}).to_csv(
        file, index=False)
    assert read_results(file)["outcome"].tolist() == list(words.values())


def test_a_job_left_to_a_specialist_is_settled_unless_a_newer_log_has_it_open(copy: Path) -> None:
    chain = Chain(load_project(copy))
    stops = make_stops(3, reported=3, advised=["refer", "paint_out", "refer"])
    looks = pd.DataFrame({"stop_id": ["s0", "s1", "s2"], "outcome": ["left", "left", "left"],
                          "day": ["2026-01-02", "2026-01-02", "2025-12-01"]})
    left, n = without_settled(chain, stops, looks)
    assert (left["stop_id"].tolist(), n) == (["s1", "s2"], 1)


def test_the_planner_leaves_a_job_out_and_brings_a_place_in(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["patrol", str(copy), "--leave-out", "3 Hill Street", "2 hill st"]) == 0
    places = set(table(copy / "results" / "stops.csv")["place"])
    assert "2 stops left out as asked: " in capsys.readouterr().out
    assert not {"3 Hill Street", "2 Hill Street"} & places
    assert main(["patrol", str(copy), "--bring-in", "2 hill st"]) == 0
    places = set(table(copy / "results" / "stops.csv")["place"])
    assert "2 Hill Street is in the plan, as asked." in capsys.readouterr().out
    assert {"3 Hill Street", "2 Hill Street"} <= places


@pytest.mark.parametrize(("option", "place"), [
    ("--bring-in", "1 Nowhere Lane"), ("--leave-out", "1 Nowhere Lane"),
    ("--bring-in", "46.0,-33.0")])
def test_a_wish_that_names_no_place_is_one_message(
        option: str, place: str, town: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["patrol", str(town), f"{option}={place}"]) == 2
    assert f"rehit: {option}: got '{place}'" in capsys.readouterr().err


def test_a_day_with_nothing_to_do_is_a_result(copy: Path,
                                              capsys: pytest.CaptureFixture[str]) -> None:
    log = table(copy / "log.csv")
    log[log["Status"] == "Closed"].to_csv(copy / "log.csv", index=False)
    settings = (copy / "rehit.toml").read_text(encoding="utf-8")
    (copy / "rehit.toml").write_text(settings.replace(
        "[patrol]", "[patrol]\nleast_chance = 0.9"), encoding="utf-8")
    shutil.rmtree(copy / "results")
    saturday = ("patrol", str(copy), "--date", "2025-12-13")  # no look is due on a day off
    assert main([*saturday]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Saturday 13 December 2025: all crews stay at their depots. No open job")
    assert "reach 90%" in said
    assert "The next look by the calendar is on Monday 15 December 2025." in said
    assert "or a lower least_chance under [patrol]" in said
    assert {"visit_calendar.csv", "visit_intervals.csv", "day_plan.json"} <= {
        file.name for file in (copy / "results").iterdir()}
    none = table(copy / "results" / "stops.csv")  # headings all the same
    assert len(none) == 0
    assert list(none)[:3] == ["crew", "stop", "kind"]
    assert main([*saturday, "--lang", "es"]) == 0  # nor does an empty day stop the next
    assert "todos los equipos se quedan en su base" in capsys.readouterr().out
    assert main([*saturday, "--bring-in", "2 hill st"]) == 0
    assert "1 of 2 crews goes out" in capsys.readouterr().out
    assert main([*saturday, "--bring-in", "2 hill st", "--leave-out", "2 hill st"]) == 0
    assert "since every stop is left out as asked" in capsys.readouterr().out
    assert add(copy, place="3 Hill Street", now="09:00") == 0
    assert "stayed at its depot before" in capsys.readouterr().out


def test_what_crews_found_comes_back_by_the_table_they_fill_in(
        copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    form = table(copy / "results" / "results_2025-12-31.csv")
    assert form["case_number"].str.startswith("R").sum() == 5
    spots = form.index[form["stop_id"] == form["place_id"]]
    form.loc[spots[0], ["outcome", "minutes", "method"]] = ["done", "12,5", "paint_out"]
    form.loc[spots[1], "outcome"] = "Nothing found"
    form.loc[spots[2], ["outcome", "why"]] = ["left", "needs a ladder"]
    form.loc[spots[3], "outcome"] = "no visto"
    form.to_csv(copy / "filled.csv", index=False)
    before = table(copy / "results" / "visit_intervals.csv").set_index("place_id")
    assert main(["patrol", str(copy), "--date", "2026-01-02", "--results",
                 str(copy / "filled.csv")]) == 0
    assert "4 visits came back: 1 done, 1 with nothing found, 1 left, 1 not made." in (
        capsys.readouterr().out)
    looks = table(copy / "results" / "looks_log.csv")
    looks = looks[looks["day"] == "2025-12-31"].set_index("stop_id")["outcome"]
    ids = form["stop_id"]
    assert [looks[ids[at]] for at in spots[:4]] == ["done", "clean", "left", "not_seen"]
    assert (looks == "planned").sum() == len(form) - 4
    works = table(copy / "results" / "works_from_patrol.csv")
    assert works[["method", "minutes", "done_at"]].to_numpy().tolist() == [
        ["paint_out", "12.5", "2025-12-31"]]
    after = table(copy / "results" / "visit_intervals.csv").set_index("place_id")
    rates = (after["rate_per_year"].astype(float) / before["rate_per_year"].astype(float))
    assert rates[ids[spots[0]]] > 1 > rates[ids[spots[1]]]
    # Where nobody went only what all looks together tell has changed: a little more is unreported.
    assert rates[ids[spots[3]]] == pytest.approx(rates.median())
    assert 1 < rates.median() < rates[ids[spots[0]]]


def test_a_result_that_is_none_is_one_message(copy: Path,
                                              capsys: pytest.CaptureFixture[str]) -> None:
    form = table(copy / "results" / "results_2025-12-31.csv").assign(outcome="perhaps")
    form.to_csv(copy / "filled.csv", index=False)
    assert main(["patrol", str(copy), "--results", str(copy / "filled.csv")]) == 2
    said = capsys.readouterr().err
    assert "'perhaps'" in said
    assert "nothing found" in said
