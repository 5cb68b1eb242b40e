"""A user reads the faults of all rates at once, each with its file and key, before any work."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.cli import main

PROJECT = """
[project]
name = "Town"
crs = "EPSG:32625"
time_zone = "Europe/Lisbon"
[files]
log = "log.csv"
strategies = "strategies.toml"
methods = "methods.csv"
[costs]
labour_per_hr = 34
water_per_l = 99
"""


def test_one_error_lists_every_fault_of_every_file_with_its_key(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "rehit.toml").write_text(PROJECT, encoding="utf-8")
    (tmp_path / "log.csv").write_text("date\n2024-01-01\n", encoding="utf-8")
    (tmp_path / "strategies.toml").write_text(
        "[strategies.lamp]\nfirst_cost = 900\n[strategies.permanent_coating]\n"
        "cover_materials_per_m2 = -3\n", encoding="utf-8")
    (tmp_path / "methods.csv").write_text(
        "rule,method,minutes_per_visit,minutes_per_m2,reason,source\nmine,blast,5,many,x,y\n",
        encoding="utf-8")
    assert main(["compare", str(tmp_path), "--out", str(tmp_path / "out")]) != 0
    said = capsys.readouterr().err
    assert "6 faults" in said
    for words in ("rehit.toml [costs.labour_per_hr]", "costs.labour_per_hour",
                  "rehit.toml [costs.water_per_l]: got 99",
                  "strategies.toml [strategies.lamp], key 'life_years': got no life",
                  "key 'cover_materials_per_m2': got -3; allowed: a number from 0 up",
                  "methods.csv, line 2 (mine): got the method 'blast'", "minutes_per_m2 'many'"):
        assert words in said, words
    assert not (tmp_path / "out").exists()
