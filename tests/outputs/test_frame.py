"""What every command leaves: sentences in the project's language, and a log of the run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_town import make_town

from rehit.chain import Chain
from rehit.cli import main
from rehit.errors import InputFileError
from rehit.files.reader import read_table
from rehit.messages import message
from rehit.outputs.frame import told, write_results
from rehit.project import load_project
from rehit.report.say import Say


def test_messages_are_said_and_their_codes_kept() -> None:
    summary = {"n": 2, "limits": [message("of.place", n=1)], "files": {"a": "b"},
               "sentences": [message("of.place", n=2), "as it is"]}
    assert told(summary, Say("es")) == {
        "n": 2, "limits": ["1 lugar"], "files": {"a": "b"}, "sentences": ["2 lugares", "as it is"],
        "codes": ['of.place {"n": 2}']}


def test_a_summary_is_said_in_the_language_of_the_project(tmp_path: Path) -> None:
    chain = Chain(load_project(make_town(tmp_path / "town"))).in_language("es")
    summary = write_results(chain, tmp_path / "out",
                            work=lambda _, __: {"sentences": [message("of.place", n=3)]})
    assert summary["sentences"] == ["3 lugares"]
    assert json.loads((tmp_path / "out" / "summary.json").read_text("utf-8")) == summary


def test_the_log_of_a_run_says_how_it_went_and_names_nobody(tmp_path: Path) -> None:
    town = make_town(tmp_path / "a secret folder")
    assert main(["clean", str(town), "--json"]) == 0
    text = (town / "results" / "run_log.json").read_text("utf-8")
    log = json.loads(text)
    assert log["steps"][0]["step"] == "step.reading_log"
    assert log["seconds"] >= sum(step["seconds"] for step in log["steps"]) - 0.1
    assert log["counts"]["rows_in"] == log["counts"]["rows_kept"] > 0
    assert log["settings"]["numbers"] == {
        "patrol.search_iterations": 300, "contract.found_low": 0, "contract.found_likely": 0,
        "contract.found_high": 0}
    assert log["settings"]["files"] == {"log": 1, "streets": 1, "depots": 1, "vehicles": 1}
    assert log["versions"]["pandas"]
    for private in ("secret", "Small town", "Quay Lane", "log.csv", str(Path.home())):
        assert private not in text


def test_csv_files_carry_a_byte_order_mark_only_when_asked(tmp_path: Path) -> None:
    """Unicode Standard, section 23.8: EF BB BF; our own reader takes it as no part of a name."""
    town = make_town(tmp_path / "town")
    for options, mark in (([], b""), (["--csv-bom"], b"\xef\xbb\xbf")):
        out = tmp_path / f"out{len(options)}"
        assert main(["clean", str(town), "--out", str(out), *options]) == 0
        files = sorted(out.rglob("*.csv"))
        assert files
        for path in files:
            content = path.read_bytes()
            assert content.startswith(b"\xef\xbb\xbf") == bool(mark), path.name
            assert not content[3:].startswith(b"\xef\xbb\xbf")
        rows = next(path for path in files if path.read_bytes().count(b"\n") > 1)
        assert not read_table(rows).table.columns[0].startswith("\ufeff")


@pytest.mark.parametrize("command", [
    "clean", "hotspots", "compare", "programme", "price", "whatif", "patrol", "report"])
def test_a_log_that_would_not_fit_is_refused_before_the_work_begins(
        command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chain = Chain(load_project(make_town(tmp_path / "town")))
    rows = sum(len(raw.table) for raw in chain.raw_logs)
    needed = (chain.parameters["pipeline.memory_any_mb"] * 1e6
              + rows * chain.parameters[f"pipeline.memory_{command}_kb"] * 1e3)
    begun: list[Path] = []

    def work(_chain: Chain, stage: Path) -> dict[str, Any]:
        begun.append(stage)
        return {"sentences": []}

    monkeypatch.setattr("rehit.files.memory.free_bytes", lambda: needed - 1)
    with pytest.raises(InputFileError, match=f"a log of {rows} rows, .* GB of memory") as caught:
        write_results(chain, tmp_path / "out", work=work, command=command)
    assert caught.value.facts["needed_gb"] == pytest.approx(needed / 1e9)
    assert begun == []
    monkeypatch.setattr("rehit.files.memory.free_bytes", lambda: needed)
    write_results(chain, tmp_path / "out", work=work, command=command)
    assert len(begun) == 1
