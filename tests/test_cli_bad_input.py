"""Each way of giving rehit something unusable ends in one clear message and exit status 2."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.cli import COMMANDS, main

PICTURE = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01"
LOG = "Ref,Reported,Latitude,Longitude\nA1,2024-01-05,46.0,-33.0\n"

BROKEN = {
    "empty.csv": b"",
    "picture.csv": PICTURE,
    "header_only.csv": b"Ref,Reported,Latitude,Longitude\n",
    "unknown_kind.xyz": b"abc",
    "not_a_workbook.xlsx": b"PK\x03\x04 nothing",
    "not_json.geojson": b"{",
}


def said(capsys: pytest.CaptureFixture[str]) -> str:
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err + captured.out
    assert captured.err.startswith("rehit: ")
    return captured.err


@pytest.mark.parametrize("name", BROKEN)
def test_a_log_that_cannot_be_used_is_one_message(
        name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / name).write_bytes(BROKEN[name])
    assert main(["new", str(tmp_path / "town"), "--log", str(tmp_path / name)]) == 2
    assert name in said(capsys)
    assert not (tmp_path / "town").exists()


def test_a_missing_log_is_one_message(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "town"), "--log", str(tmp_path / "nowhere.csv")]) == 2
    assert "nowhere.csv" in said(capsys)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_log_in_another_encoding_is_read(
        encoding: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = LOG.replace("Ref", "Référence")
    (tmp_path / "log.csv").write_bytes(text.encode(encoding))
    assert main(["new", str(tmp_path / "town"), "--log", str(tmp_path / "log.csv")]) == 0
    assert "log.csv: 1 row\n" in capsys.readouterr().out


def test_an_existing_project_is_never_overwritten(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    arguments = ["new", str(tmp_path / "town"), "--log", str(tmp_path / "log.csv")]
    assert main(arguments) == 0
    before = (tmp_path / "town" / "rehit.toml").read_bytes()
    capsys.readouterr()
    assert main(arguments) == 2
    assert "already there" in said(capsys)
    assert (tmp_path / "town" / "rehit.toml").read_bytes() == before


@pytest.mark.parametrize("option", [["--time-zone", "Mars/Base"], ["--crs", "EPSG:4326"],
                                    ["--crs", "nonsense"], ["--crs", "EPSG:2263"]])
def test_an_unusable_setting_is_refused(
        option: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.csv").write_text(LOG, encoding="utf-8")
    assert main(["new", str(tmp_path / "t"), "--log", str(tmp_path / "log.csv"), *option]) == 2
    assert option[1] in said(capsys)


@pytest.mark.parametrize("name", [m.name for m in COMMANDS
                                  if m.name not in ("demo", "new")])
def test_every_command_names_a_missing_project(
        name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([name, str(tmp_path)]) == 2
    assert "rehit new" in said(capsys)


@pytest.mark.parametrize("content", [b"[project", b"\xff\xfe[", b"name = 'a\n"])
def test_an_unreadable_project_file_is_one_message(
        content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "rehit.toml").write_bytes(content)
    assert main(["clean", str(tmp_path)]) == 2
    assert "unreadable TOML" in said(capsys)


@pytest.mark.parametrize(("setting", "told"), [
    ("contract.crews=many", "'many'"), ("contract.crews", "a number from 0 to 200"),
    ("contract.crew=3", "contract.crews"), ("patrol.break_from_h=9", "above")])
def test_a_number_that_cannot_be_set_for_a_run_is_one_message(
        setting: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    demo = str(Path(__file__).parents[1] / "data_demo")
    assert main(["clean", demo, "--set", setting, "--json"]) == 2
    assert told in capsys.readouterr().out


def test_a_section_that_the_report_has_not_is_one_message(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    demo = str(Path(__file__).parents[1] / "data_demo")
    assert main(["report", demo, "--out", str(tmp_path / "out"), "--leave-out", "prices"]) == 2
    assert "'prices'" in said(capsys)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("arguments", [["clean", "--colour"], ["paint"], [], ["demo", "extra"]])
def test_an_unknown_option_or_command_ends_with_status_2(
        arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    assert stopped.value.code == 2
    assert "usage: rehit" in capsys.readouterr().err


@pytest.mark.parametrize("module", COMMANDS, ids=lambda m: m.name)
def test_help_has_a_description_and_an_example(
        module, capsys: pytest.CaptureFixture[str]) -> None:
    name = module.name
    with pytest.raises(SystemExit) as stopped:
        main([name, "--help"])
    assert stopped.value.code == 0
    text = capsys.readouterr().out
    assert module.example in text
    assert "--json" in text
