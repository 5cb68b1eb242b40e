"""What `rehit clean` says on the terminal of a log that it can hardly use."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from rehit.cli import main

ROWS = [f"A{n},2024-01-{n:02},46.0{n:02},-33.0{n:02},{n} Elm Street" for n in range(1, 21)]


def project(folder: Path, *, area: str | None = None, rows: list[str] = ROWS) -> Path:
    log = folder / "log.csv"
    log.write_text("Ref,Reported,Latitude,Longitude,Place\n" + "\n".join(rows), encoding="utf-8")
    assert main(["new", str(folder / "town"), "--log", str(log)]) == 0
    if area is not None:
        file = folder / "town" / "rehit.toml"
        text = re.sub(r"study_area = .*", f"study_area = {area}", file.read_text(encoding="utf-8"))
        file.write_text(text, encoding="utf-8")
    return folder / "town"


def clean(town: Path, capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    assert main(["clean", str(town)]) == 0
    return capsys.readouterr().out


def test_a_log_outside_its_study_area_is_warned_of(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [row.rsplit(",", 1)[0] + ",Elm Street" for row in ROWS]
    said = clean(project(tmp_path, area="[10.0, 50.0, 10.2, 50.2]", rows=rows), capsys)
    assert ("warning: 20 of 20 rows are set aside and take no part in any result; 20 of them lie "
            "outside the study area. The study_area in rehit.toml is probably not where the log "
            "is") in said
    assert "compare study_area (west, south, east, north in degrees) with the log's places" in said


def test_a_share_is_warned_of_and_a_slip_is_not(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The default share is a fifth: 5 of 20 undated rows are above it, 3 of 20 are not."""
    for undated, warned in ((5, True), (3, False)):
        folder = tmp_path / str(undated)
        folder.mkdir()
        rows = [row.replace("2024-", "9924-") if n < undated else row
                for n, row in enumerate(ROWS)]
        town = project(folder, rows=rows)
        assert ("5 of 20 rows are set aside" in clean(town, capsys)) == warned
        assert main(["clean", str(town), "--json"]) == 0
        summary = json.loads(capsys.readouterr().out)
        assert summary["rows_set_aside"] == undated
        assert len(summary["set_aside_warnings"]) == warned


def test_a_log_without_a_date_column_is_told_what_it_can_still_give(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [f"{n},{n} Mill Lane,53.8{n:03d},-1.5{n:03d}" for n in range(20)]
    (tmp_path / "log.csv").write_text("\n".join(["ID,Address,Lat,Lon", *rows]) + "\n")
    assert main(["new", str(tmp_path / "town"), "--log", str(tmp_path / "log.csv")]) == 0
    assert f"  rehit hotspots {tmp_path / 'town'}\n" in capsys.readouterr().out
    said = clean(tmp_path / "town", capsys)
    assert "No column of this log says when a marking was reported" in said
    assert "fields.reported" not in said
    # Fault: "allowed: days between 1970-01-01 and 1970-01-01".
    assert main(["report", str(tmp_path / "town"), "--period", "2025Q1"]) == 2
    refused = capsys.readouterr().err
    assert "got a log without a date of report" in refused
    assert "1970" not in refused
