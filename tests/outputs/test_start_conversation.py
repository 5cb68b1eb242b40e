"""`rehit new` asks on a terminal or in a file, and never guesses where counts hang on it."""

from __future__ import annotations

import io
import json
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from pyproj import Transformer

from rehit.cli import main
from rehit.errors import SettingError
from rehit.outputs.start import start_project
from rehit.project import load_project

ROWS = 40


@pytest.fixture
def swiss_log(tmp_path: Path) -> Path:
    """Forty rows of all services on a grid that is not named."""
    to = Transformer.from_crs("EPSG:4326", "EPSG:2056", always_xy=True)
    lines = ["date,service_code,e,n"]
    for n in range(ROWS):
        x, y = to.transform(8.5 + n / 997, 47.36 + n / 1991)
        kind = ("Graffiti", "Abfall", "Beleuchtung", "Farbe am Haus")[n % 4]
        lines.append(f"2025-03-{n % 28 + 1:02d},{kind},{x:.0f},{y:.0f}")
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_what_must_be_answered_stands_in_a_file_to_fill_in(
        swiss_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    town = tmp_path / "town"
    assert main(["new", str(town), "--log", str(swiss_log)]) == 2
    said = capsys.readouterr().err
    assert "1 open question on which the counts depend: Which country is the log from?" in said
    assert f"--answers {town / 'answers.toml'}" in said
    assert not (town / "rehit.toml").exists()
    text = (town / "answers.toml").read_text(encoding="utf-8")
    assert text.startswith("# What rehit asks before it begins this project.")
    keys = [each["key"] for each in tomllib.loads(text)["questions"]]
    assert keys[0] == "project.country"
    assert "services.Farbe am Haus" in keys
    filled = text.replace('answer = ""', 'answer = "CH"', 1)
    at = filled.index('key = "services.Farbe')
    filled = filled[:at] + filled[at:].replace('answer = ""', 'answer = "graffiti_private"', 1)
    (town / "answers.toml").write_text(filled, encoding="utf-8")
    assert main(["new", str(town), "--log", str(swiss_log), "--answers",
                 str(town / "answers.toml")]) == 0
    project = tomllib.loads((town / "rehit.toml").read_text(encoding="utf-8"))["project"]
    assert [project[key] for key in ("crs", "time_zone", "currency", "holidays")] == [
        "EPSG:2056", "Europe/Zurich", "CHF", "CH"]
    assert "# country: Switzerland" in (town / "rehit.toml").read_text(encoding="utf-8")
    mapping = tomllib.loads((town / "mapping.toml").read_text(encoding="utf-8"))
    assert mapping["services"]["graffiti_private"] == ["Farbe am Haus"]
    out = capsys.readouterr().out
    assert "The middle of the points: 47.3" in out
    assert "Farbe am Haus (10): graffiti on private property" in out


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    keys = Terminal()
    monkeypatch.setattr(sys, "stdin", keys)
    return keys


def test_a_person_at_a_terminal_is_asked_and_asked_again(
        swiss_log: Path, tmp_path: Path, typed: Terminal,
        capsys: pytest.CaptureFixture[str]) -> None:
    typed.write("Wonderland\nCH\nnonsense\n1\n\n")
    typed.seek(0)
    assert main(["new", str(tmp_path / "town"), "--log", str(swiss_log)]) == 0
    said = capsys.readouterr().out
    assert "Question 1 of 1: Which country is the log from?" in said
    assert "Question 1 of 2: The grid of 'e' and 'n' is not named." in said
    assert "Question 2 of 2: What are requests of the kind 'Farbe am Haus' (10 rows)?" in said
    assert "That is none of the choices; please try again." in said
    mapping = tomllib.loads((tmp_path / "town" / "mapping.toml").read_text(encoding="utf-8"))
    assert mapping["places"]["crs"] == "EPSG:2056"
    assert all(each["answer"] for each in mapping["questions"])


def test_nobody_is_asked_where_the_answer_goes_to_a_machine(
        swiss_log: Path, tmp_path: Path, typed: Terminal,
        capsys: pytest.CaptureFixture[str]) -> None:
    typed.write("CH\n")
    typed.seek(0)
    assert main(["new", str(tmp_path / "town"), "--log", str(swiss_log), "--json"]) == 2
    assert '"where": "rehit new"' in capsys.readouterr().out


def test_a_file_of_answers_that_answers_nothing_asked_is_refused(
        swiss_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "answers.toml"
    file.write_text('[[questions]]\nkey = "services.Zorb"\nask = ""\nchoices = ["graffiti"]\n'
                    'assumed = ""\nanswer = "graffiti"\n', encoding="utf-8")
    assert main(["new", str(tmp_path / "town"), "--log", str(swiss_log), "--answers",
                 str(file)]) == 2
    assert "an answer to nothing that is asked" in capsys.readouterr().err
    file.write_text("questions = 3\n", encoding="utf-8")
    assert main(["new", str(tmp_path / "town"), "--log", str(swiss_log), "--answers",
                 str(file)]) == 2
    assert "[[questions]]" in capsys.readouterr().err


def test_what_is_new_next_quarter_is_asked_and_comments_stay(
        swiss_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    town = tmp_path / "town"
    assert main(["new", str(town), "--log", str(swiss_log), "--time-zone", "Europe/Zurich"]) == 0
    file = town / "mapping.toml"
    file.write_text("# ours, agreed in May\n" + file.read_text(encoding="utf-8"),
                    encoding="utf-8")
    assert main(["new", str(town), "--again"]) == 0
    assert "0 new values were found" in capsys.readouterr().out
    grown = swiss_log.read_text(encoding="utf-8").replace("Beleuchtung", "Zorbflug").replace(
        "Abfall", "Abfall am Baum")
    swiss_log.write_text(grown, encoding="utf-8")
    assert main(["new", str(town), "--again"]) == 0
    said = capsys.readouterr().out
    assert "1 new value was found" in said
    assert "? What are requests of the kind 'Zorbflug' (10 rows)?" in said
    text = file.read_text(encoding="utf-8")
    assert text.startswith("# ours, agreed in May\n")
    mapping = tomllib.loads(text)
    assert {"Zorbflug", "Abfall am Baum", "Abfall"} <= set(mapping["services"]["another"])
    at = text.index('key = "services.Zorbflug"')
    file.write_text(text[:at] + text[at:].replace('answer = ""', 'answer = "graffiti"', 1),
                    encoding="utf-8")
    assert main(["clean", str(town), "--json"]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert (summary["rows_other_service"], summary["mapping_drift"]) == (20, [])


def test_either_a_log_or_again(swiss_log: Path, tmp_path: Path,
                               capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "town")]) == 2
    assert "got no --log" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "town"), "--again", "--log", str(swiss_log)]) == 2
    assert "both --log and --again" in capsys.readouterr().err


def test_a_list_of_works_is_the_works_log_too_or_no_log(tmp_path: Path) -> None:
    rows = [f"{n},{day:%d/%m/%Y},{n % 9} Mill Lane,2,135.50,paint out"
            for n, day in enumerate(pd.date_range("2024-01-03", periods=60))]
    (tmp_path / "jobs.csv").write_text(
        "\n".join(["Job,Date of Work,Address,Labour Hours,Total Cost,Method", *rows]) + "\n")
    start_project(tmp_path / "both", logs=[tmp_path / "jobs.csv"])
    assert load_project(tmp_path / "both").require("works").name == "jobs.csv"
    answers = tmp_path / "answers.toml"
    answers.write_text('[[questions]]\nkey = "log.works"\nanswer = "log"\n')
    start_project(tmp_path / "log", logs=[tmp_path / "jobs.csv"], answers=answers)
    assert load_project(tmp_path / "log").path("works") is None
    answers.write_text('[[questions]]\nkey = "log.works"\nanswer = "works"\n')
    with pytest.raises(SettingError, match="a list of works, which says when each job was done"):
        start_project(tmp_path / "works", logs=[tmp_path / "jobs.csv"], answers=answers)
    assert not (tmp_path / "works" / "rehit.toml").exists()
