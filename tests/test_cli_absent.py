"""What a project lacks is left out with its reason: every command ends 0, or 2 with a sentence."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from small_town import make_town
from whole_town import LACKS, make_whole_town

from rehit.cli import main


@pytest.fixture
def town(tmp_path: Path) -> Path:
    return make_town(tmp_path / "town")


def change_log(town: Path, **columns: str) -> None:
    log = pd.read_csv(town / "log.csv", dtype="str", keep_default_na=False)
    log.assign(**columns).to_csv(town / "log.csv", index=False)


def add_measures(town: Path, *rows: str) -> None:
    (town / "measures.csv").write_text(
        "\n".join(["measure,asset_id,role,started_at", *rows]) + "\n", encoding="utf-8")
    file = town / "rehit.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("[files]", '[files]\nmeasures = "measures.csv"'),
                    encoding="utf-8")


def test_a_log_without_places_has_a_report(town: Path) -> None:
    change_log(town, Latitude="", Longitude="", Address="")
    assert main(["report", str(town), "--json"]) == 0
    assert (town / "results" / "report.html").exists()


def test_a_measure_after_the_log_stops_no_price(town: Path) -> None:
    add_measures(town, "coat,site-1,treated,2030-01-01")
    assert main(["price", str(town), "--json"]) == 0


def test_a_measure_after_the_log_is_named_by_evaluate(
        town: Path, capsys: pytest.CaptureFixture[str]) -> None:
    add_measures(town, "coat,site-1,treated,2030-01-01")
    assert main(["evaluate", str(town), "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["errors"][0]["got"] == "'coat' begun on 2030-01-01"


def test_one_row_has_a_price(town: Path) -> None:
    log = pd.read_csv(town / "log.csv", dtype="str", keep_default_na=False)
    log.head(1).to_csv(town / "log.csv", index=False)
    assert main(["price", str(town), "--json"]) == 0


def test_a_log_of_a_minute_has_no_price(town: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One row that is still open: stretched to a year it would be a job each minute."""
    log = pd.read_csv(town / "log.csv", dtype="str", keep_default_na=False)
    log.head(1).assign(Closed="", Status="Open").to_csv(town / "log.csv", index=False)
    assert main(["price", str(town)]) == 2
    assert "got a log that covers 1\u00a0min, with 1 job" in capsys.readouterr().err


# A selection of `tests/studies/absent_matrix.py`, which runs every command without each thing.

@pytest.mark.parametrize(("command", "lack", "status"), [
    ("clean", "dates", 0), ("hotspots", "rows of the log", 2), ("evaluate", "measures", 2),
    ("hotspots", "all but one place", 0), ("programme", "sizes", 0),
    ("patrol", "rows of the crews", 2), ("evaluate", "rows of the measures", 2)])
def test_what_is_absent_is_left_out_or_named(
        command: str, lack: str, status: int, tmp_path: Path,
        capsys: pytest.CaptureFixture[str]) -> None:
    town = make_whole_town(tmp_path / "town", rows=60)
    LACKS[lack](town)
    assert main([command, str(town), "--json"]) == status
    told = json.loads(capsys.readouterr().out)
    if status == 0:
        assert str(town / "results" / "summary.json") in told["files"]
    else:
        assert [bool(error["remedy"]) for error in told["errors"]] == [True]


@pytest.mark.parametrize(("command", "file", "lack"), [
    ("evaluate", "register.geojson", "rows of the register"),
    ("hotspots", "streets.geojson", "rows of the streets"),
    ("programme", "works.csv", "rows of the works log"),
    ("price", "measures.csv", "rows of the measures")])
def test_a_file_without_rows_is_left_out_and_named_once(
        command: str, file: str, lack: str, tmp_path: Path,
        capsys: pytest.CaptureFixture[str]) -> None:
    town = make_whole_town(tmp_path / "town", rows=24)
    LACKS[lack](town)
    assert main([command, str(town), "--json"]) == 0
    assert capsys.readouterr().err.count(f"{town / file} holds no row and is left out") == 1
