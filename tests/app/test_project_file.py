"""Changes of a project from the page."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from rehit.app.project_file import (
    UNDO,
    add_file,
    add_works,
    can_undo,
    keep_file,
    set_value,
    undo,
)
from rehit.chain import Chain
from rehit.errors import RehitError
from rehit.project import load_project

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture
def town(tmp_path: Path) -> Path:
    """The invented town as a project of its own."""
    folder = tmp_path / "town"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("truth", "town", "*.py"))
    return folder


def test_a_number_is_changed_and_its_comments_stay(town: Path) -> None:
    before = (town / "rehit.toml").read_text(encoding="utf-8")
    set_value(town, "costs", "labour_per_hour", 40)
    after = (town / "rehit.toml").read_text(encoding="utf-8")
    assert load_project(town).parameters["costs.labour_per_hour"] == 40
    assert after == before.replace("labour_per_hour = 34", "labour_per_hour = 40")
    undo(town)
    assert (town / "rehit.toml").read_text(encoding="utf-8") == before
    assert not can_undo(town)


def test_changes_are_taken_back_after_a_restart_and_never_what_a_hand_wrote(town: Path) -> None:
    """They stand in the project's folder; one that the file has moved on from is no offer."""
    file = town / "rehit.toml"
    before = file.read_text(encoding="utf-8")
    set_value(town, "costs", "labour_per_hour", 40)
    set_value(town, "costs", "call_out", 15)
    moved = shutil.move(town, town.with_name("moved"))
    undo(Path(moved))
    undo(Path(moved))
    assert (Path(moved) / "rehit.toml").read_text(encoding="utf-8") == before
    town = Path(shutil.move(moved, town))
    set_value(town, "costs", "labour_per_hour", 41)
    by_hand = file.read_text(encoding="utf-8") + "# mine\n"
    file.write_text(by_hand, encoding="utf-8")
    assert not can_undo(town)
    undo(town)
    assert file.read_text(encoding="utf-8") == by_hand


@pytest.mark.parametrize("kept", ["", "{", "7", '["x"]', '[{"after": 1}]', "{}"])
def test_a_spoilt_record_of_changes_offers_nothing(town: Path, kept: str) -> None:
    (town / UNDO).write_text(kept, encoding="utf-8")
    assert not can_undo(town)
    set_value(town, "costs", "labour_per_hour", 40)
    assert can_undo(town)


def test_a_number_goes_back_to_its_default(town: Path) -> None:
    set_value(town, "costs", "labour_per_hour", None)
    row = load_project(town).parameters.row("costs.labour_per_hour")
    assert (row.value, row.overridden) == (row.default, False)


@pytest.mark.parametrize("value", [-5, "many", 1e9])
def test_a_wrong_number_changes_nothing(town: Path, value: object) -> None:
    before = (town / "rehit.toml").read_text(encoding="utf-8")
    with pytest.raises(RehitError):
        set_value(town, "costs", "labour_per_hour", value)
    assert (town / "rehit.toml").read_text(encoding="utf-8") == before
    assert not can_undo(town)


def test_a_file_is_put_beside_the_log(town: Path, tmp_path: Path) -> None:
    source = tmp_path / "crews.csv"
    shutil.copyfile(town / "vehicles.csv", source)
    add_file(town, "vehicles", source)
    assert load_project(town).path("vehicles") == town / "vehicles_crews.csv"


def test_two_files_of_one_name_are_both_kept(tmp_path: Path) -> None:
    kept = []
    for n in range(3):
        dropped = tmp_path / str(n) / "data.csv"
        dropped.parent.mkdir()
        dropped.write_text(str(n), encoding="utf-8")
        kept.append(keep_file(tmp_path / "town", dropped, anew=True))
    assert [(path.name, path.read_text(encoding="utf-8")) for path in kept] == [
        ("data.csv", "0"), ("2_data.csv", "1"), ("3_data.csv", "2")]


def test_jobs_done_after_a_plan_join_the_projects_works_log(town: Path, tmp_path: Path) -> None:
    """Both files are read as one; the next day's jobs take the place of those before."""
    found, heads = tmp_path / "works_from_patrol.csv", "work_id,asset_id,done_at,method\n"
    before = Chain(load_project(town)).works
    assert before is not None
    assert not add_works(town, found)
    found.write_text(heads, encoding="utf-8")
    assert not add_works(town, found)
    for day in ("02", "03"):
        found.write_text(f"{heads}N-{day},WL-1,2026-01-{day},paint out\n", encoding="utf-8")
        assert add_works(town, found)
        works = Chain(load_project(town)).works
        assert works is not None
        assert works["work_id"].tolist()[len(before):] == [f"N-{day}"]
    assert [path.name for path in load_project(town).files["works"]] == [
        "works_log.csv", "works_from_patrol.csv"]
