"""`rehit patrol --now` on a small town: one command for whatever happens during the day."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import LineString
from small_town import make_town

from rehit.cli import main
from rehit.errors import SettingError
from rehit.outputs.patrol import degrees, named_crews, without_closed


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_town(tmp_path_factory.mktemp("change") / "town")
    vehicles = pd.read_csv(folder / "vehicles.csv").assign(name=["Van A", "Hot wash B"])
    vehicles.to_csv(folder / "vehicles.csv", index=False)
    assert main(["patrol", str(folder)]) == 0
    return folder


def test_one_command_takes_a_crew_out_adds_a_job_and_keeps_what_is_done(
        town: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = Path(shutil.copytree(town, tmp_path / "town"))
    capsys.readouterr()
    morning = json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))
    out = next(row["crew_id"] for row in morning["visits"])
    name = next(row["name"] for row in morning["crews"] if row["crew_id"] == out)
    assert main(["patrol", str(copy), "--now", "08:00", "--without", name, "--add",
                 "6 Hill Street", "--offensive", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["without"] == [out]
    assert said["planned"]
    assert any(f"{name} falls out with" in line for line in said["sentences"])
    assert any("more, " in line and "changes.csv" in line for line in said["sentences"])
    # Its morning's sheet is still there, and nobody shall follow it.
    assert {Path(file).suffix for file in said["from_earlier_plans"]} == {".pdf", ".html", ".gpx"}
    assert any("do not hand them out" in line for line in said["sentences"])
    after = json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))
    assert after["out_of_action"] == [out]

    def done(plan: dict[str, list[dict[str, object]]]) -> list[object]:
        return [row["stop_id"] for row in plan["visits"]
                if row["crew_id"] == out and row["stop_id"] and float(str(row["leave_min"])) <= 480]

    assert done(after) == done(morning)
    table = pd.read_csv(copy / "results" / "changes.csv")
    assert {"new", "moved"} >= set(table.loc[table["crew_after"].notna(), "change"])
    assert (table["change"] == "new").sum() == 1
    # Later that day the crew is still out.
    assert main(["patrol", str(copy), "--now", "08:30"]) == 0
    assert json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))[
        "out_of_action"] == [out]


def test_crews_go_out_by_name(town: Path, tmp_path: Path) -> None:
    assert main(["patrol", str(town), "--crews", "hot wash b", "--out", str(tmp_path / "r")]) == 0
    plan = json.loads((tmp_path / "r" / "day_plan.json").read_text(encoding="utf-8"))
    assert [crew["name"] for crew in plan["crews"]] == ["Hot wash B"]


def test_a_crew_is_named_by_name_or_number_whatever_the_case() -> None:
    team = gpd.GeoDataFrame({"crew_id": ["V1", "V2"], "name": ["Van A", "Van B"]})
    assert named_crews(team, ["van b", "v1"], option="--crews")["crew_id"].tolist() == ["V1", "V2"]
    with pytest.raises(SettingError, match="'Van A', 'Van B'"):
        named_crews(team, ["2"], option="--crews")


def test_a_street_is_closed_by_its_name_or_by_a_point_on_it() -> None:
    lines = gpd.GeoDataFrame({"name": ["Quay Lane", "Mill Road", "Quay Lane"]}, geometry=[
        LineString([(500_000, 5_094_000), (500_100, 5_094_000)]),
        LineString([(500_000, 5_094_100), (500_100, 5_094_100)]),
        LineString([(500_000, 5_094_200), (500_100, 5_094_200)])], crs="EPSG:32625")
    assert without_closed(lines, ["quay lane"])["name"].tolist() == ["Mill Road"]
    point = gpd.GeoSeries.from_xy([500_050], [5_094_101], crs="EPSG:32625").to_crs(4326).iloc[0]
    left = without_closed(lines, [f"{point.y:.6f},{point.x:.6f}"])
    assert left["name"].tolist() == ["Quay Lane", "Quay Lane"]
    with pytest.raises(SettingError, match="such as 'quay lane'"):
        without_closed(lines, ["Quai Lane"])


def test_degrees_are_told_from_other_texts() -> None:
    there = degrees("46.0075, -32.9840")
    assert there is not None
    assert (there.y, there.x) == (46.0075, -32.984)
    assert degrees("12 Quay Street") is None
    assert degrees("96.0,10.0") is None


def test_a_crew_on_foot_walks_all_day_and_is_planned_apart(
        town: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The two legs of a walk are walked by morning and after a change alike."""
    copy = Path(shutil.copytree(town, tmp_path / "town"))
    vehicles = pd.read_csv(copy / "vehicles.csv").assign(kind=["van", "on foot"])
    vehicles.to_csv(copy / "vehicles.csv", index=False)
    capsys.readouterr()
    assert main(["patrol", str(copy)]) == 0
    assert "Hot wash B goes on foot and has no part in this plan" in capsys.readouterr().out
    plan = json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))
    assert [crew["name"] for crew in plan["crews"]] == ["Van A"]

    def metres_per_min() -> float:
        day = json.loads((copy / "results" / "day_plan.json").read_text(encoding="utf-8"))
        (crew,) = day["crews"]
        assert crew["kind"] == "on_foot"
        rest = day["visits"][day["rows_done"].get(crew["crew_id"], 0):]
        (route,) = pd.read_csv(copy / "results" / "routes.csv").to_dict("records")
        return 1000 * float(route["length_km"]) / sum(float(row["travel_min"]) for row in rest)

    # 4 km/h as assumed; whole seconds are rounded up.
    assert main(["patrol", str(copy), "--crews", "Hot wash B"]) == 0
    assert metres_per_min() == pytest.approx(4000 / 60, rel=0.02)
    assert main(["patrol", str(copy), "--now", "08:00"]) == 0
    assert metres_per_min() == pytest.approx(4000 / 60, rel=0.02)
