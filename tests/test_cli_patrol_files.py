"""What a project needs before crews can be sent out, said in one go and true as written."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from rehit.cli import main
from rehit.files.reader import read_table
from rehit.patrol.fleet import EXAMPLES, crews_table, depot_points
from rehit.project import load_project


@pytest.fixture
def town(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    log = tmp_path / "log.csv"
    rows = [f"A{n},2024-01-{n:02},38.7{n:02},-9.1{n:02},{n} Elm Street" for n in range(1, 11)]
    log.write_text("Ref,Reported,Latitude,Longitude,Place\n" + "\n".join(rows), encoding="utf-8")
    assert main(["new", str(tmp_path / "town"), "--log", str(log)]) == 0
    assert "rehit patrol also needs the crews' depots and vehicles" in capsys.readouterr().out
    return tmp_path / "town"


def test_both_missing_files_are_one_message(
        town: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["patrol", str(town)]) == 2
    said = capsys.readouterr().err
    assert "no 'depots' file and no 'vehicles' file" in said
    for header, line in EXAMPLES.values():
        assert f"    {header}\n    {line}\n" in said


def test_only_the_missing_file_is_named(town: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = town / "rehit.toml"
    (town / "depots.csv").write_text("\n".join(EXAMPLES["depots"]), encoding="utf-8")
    text = file.read_text(encoding="utf-8").replace("# depots =", "depots =")
    file.write_text(text, encoding="utf-8")
    capsys.readouterr()
    assert main(["patrol", str(town)]) == 2
    said = capsys.readouterr().err
    assert "got no 'vehicles' file; allowed: vehicles = " in said
    assert EXAMPLES["depots"][0] not in said


def test_the_examples_of_the_project_file_can_be_used_as_they_stand(town: Path) -> None:
    """The lines written for the user give a crew without a word of complaint."""
    file = town / "rehit.toml"
    text = file.read_text(encoding="utf-8")
    assert set(tomllib.loads(text)["files"]) == {"log", "mapping"}
    for role, (header, line) in EXAMPLES.items():
        assert f"#   columns: {header}\n#   such as: {line}\n" in text
        (town / f"{role}.csv").write_text(f"{header}\n{line}\n", encoding="utf-8")
        text = text.replace(f"# {role} =", f"{role} =")
    file.write_text(text, encoding="utf-8")
    project = load_project(town)
    depots, vehicles = (read_table(project.require(role)).table for role in EXAMPLES)
    crews, notes = crews_table(
        vehicles, depot_points(depots, crs=project.crs, where="depots.csv"), where="vehicles.csv")
    assert notes == ()
    assert crews[["crew_id", "depot_name", "methods"]].to_numpy().tolist() == [
        ["V1", "Main depot", "paint_out;solvent_wipe"]]
