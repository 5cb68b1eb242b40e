"""Changes of a project from the page."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from rehit.app.project_file import add_file, can_undo, set_value, undo
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
