"""A register is read when the project is started, not an hour later."""

from __future__ import annotations

from pathlib import Path

import pytest
from pyproj import Transformer

from rehit.chain import Chain
from rehit.cli import main
from rehit.project import load_project


def start(folder: Path, register: str) -> int:
    log = ["Date reported,Lat,Lon"] + [f"{n % 28 + 1:02d}/03/2025,{53.8 + (n + 1) / 997:.5f},"
                                       f"{-1.5 - (n + 1) / 991:.5f}" for n in range(30)]
    (folder / "log.csv").write_text("\n".join(log) + "\n", encoding="utf-8")
    (folder / "register.csv").write_text(register, encoding="utf-8")
    return main(["new", str(folder / "town"), "--log", str(folder / "log.csv"),
                 "--register", str(folder / "register.csv")])


def in_grid(code: str) -> str:
    x, y = Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(-1.515, 53.815)
    return f"Asset No,X,Y\nW1,{x:.1f},{y:.1f}\n"


def test_new_says_how_the_register_is_read(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert start(tmp_path, in_grid("EPSG:32630")) == 0
    said = capsys.readouterr().out
    assert "register.csv: 1 asset\n" in said
    assert "  asset_id is read from 'Asset No'\n" in said
    assert "no asset lies where" not in said


def test_new_finds_the_grid_by_which_a_register_lies_where_the_log_does(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert start(tmp_path, in_grid("EPSG:27700")) == 0
    assert "in EPSG:27700 they lie where the log does" in capsys.readouterr().out
    chain = Chain(load_project(tmp_path / "town"))
    assert chain.project.register_crs == "EPSG:27700"
    point = chain.register.to_crs(4326).geometry.iloc[0]
    assert (point.x, point.y) == pytest.approx((-1.515, 53.815), abs=1e-4)


def test_new_says_that_a_register_stands_somewhere_else(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert start(tmp_path, "Asset No,Lon,Lat\nW1,2.35,48.86\n") == 0
    assert "check: no asset lies where the log's incidents do" in capsys.readouterr().out


def test_new_refuses_a_register_without_numbers_and_writes_nothing(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert start(tmp_path, in_grid("EPSG:32630").replace("Asset No", "Zorb")) != 0
    said = capsys.readouterr().err
    assert 'name it "asset id" in the file' in said
    assert not (tmp_path / "town").exists()
