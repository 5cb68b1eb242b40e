"""The command itself: its help, its language, and what machines read."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import warnings
from pathlib import Path

import pytest

from rehit.cli import COMMANDS, THREADS, main
from rehit.errors import DataWarning
from rehit.messages import message

HEAVY = ("pandas", "scipy", "sklearn", "statsmodels", "matplotlib", "pyvrp", "tqdm")


def test_help_waits_for_no_large_library() -> None:
    """Someone who asks how a command works should read the answer at once."""
    code = ("import sys, rehit.cli as m; m.build_parser().format_help(); "
            f"print([n for n in {HEAVY!r} if n in sys.modules])")
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("set_by_user", "expected"), [({}, "1"), ({"OPENBLAS_NUM_THREADS": "2"}, "2")])
def test_a_command_starts_no_threads_for_algebra_unless_asked(
        set_by_user: dict[str, str], expected: str) -> None:
    code = ("from rehit.cli import main; main(['clean', 'nowhere']); import numpy, threadpoolctl; "
            "print({i['num_threads'] for i in threadpoolctl.threadpool_info()})")
    plain = {k: v for k, v in os.environ.items() if k not in THREADS}
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                          env={**plain, **set_by_user})
    assert said.stdout.strip() == f"{{{expected}}}"


@pytest.mark.parametrize("name", [module.name for module in COMMANDS])
def test_every_command_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    said = capsys.readouterr().out
    assert said.startswith(f"usage: rehit {name}")
    assert f"rehit {name}" in said.split("Example:")[1]


def test_help_reads_no_catalogue_but_its_own() -> None:
    code = ("import rehit.cli as m, rehit.report.catalogue as c; m.build_parser().format_help(); "
            "print(c.topic.cache_info().currsize)")
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "1"


@pytest.mark.parametrize(("how", "environment"), [
    ((), {"LANGUAGE": "es"}), (("--lang", "es"), {}), (("--lang=es",), {"LANGUAGE": "en"})])
def test_help_is_in_the_language_of_the_system_or_as_asked(
        how: tuple[str, ...], environment: dict[str, str], monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str]) -> None:
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    with pytest.raises(SystemExit):
        main(["patrol", *how, "--help"])
    said = capsys.readouterr().out
    assert said.startswith("uso: rehit patrol")
    assert "hoja de ruta" in said
    assert not [line for line in said.splitlines() if " the " in line]


def test_a_refusal_is_read_by_machines_too(tmp_path: Path,
                                           capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["clean", str(tmp_path), "--json"]) == 2
    said = capsys.readouterr()
    assert said.err == ""
    assert json.loads(said.out)["errors"] == [{
        "code": "no_project", "kind": "InputFileError",
        "where": str(tmp_path / "rehit.toml"), "got": "no such file",
        "allowed": "a project file in TOML",
        "remedy": "make one with: rehit new FOLDER --log YOUR_LOG"}]


def test_every_fault_of_a_project_is_listed_for_machines(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "rehit.toml").write_text('[project]\nname = "a"\ncolour = 1\n', encoding="utf-8")
    assert main(["report", str(tmp_path), "--json"]) == 2
    errors = json.loads(capsys.readouterr().out)["errors"]
    assert sorted(error["code"] for error in errors) == ["no_key", "no_key", "unknown_key"]
    assert {error["kind"] for error in errors} == {"SettingError"}
    assert any("colour" in error["where"] + error["got"] for error in errors)


def test_an_option_that_does_not_exist_is_read_by_machines_too(
        capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["clean", "--colour", "--json"]) == 2
    assert "--colour" in json.loads(capsys.readouterr().out)["errors"][0]["got"]


FACTS = {"code", "kind", "where", "allowed", "got", "remedy"}


@pytest.mark.parametrize("name", [module.name for module in COMMANDS])
def test_every_command_fails_in_json_when_asked(
        name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("rehit.app.serve.open_page", lambda *_given, **_named: None)
    (tmp_path / "a_file").write_text("", encoding="utf-8")
    nowhere = {"demo": ["--out", str(tmp_path / "a_file")],
               "new": [str(tmp_path / "town"), "--log", str(tmp_path / "nowhere.csv")]}
    for given in (nowhere.get(name, [str(tmp_path / "nowhere")]), ["--colour"]):
        if name == "open" and given != ["--colour"]:
            continue  # it opens a page in which a project can be chosen
        assert main([name, *given, "--json"]) == 2
        said = capsys.readouterr()
        assert said.err == ""
        for error in json.loads(said.out)["errors"]:
            assert set(error) == FACTS
            assert error["remedy"]


def test_a_run_that_is_stopped_says_so_to_machines(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stopped(_path: object, **_how: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("rehit.project.load_project", stopped)
    assert main(["clean", ".", "--json"]) == 130
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert set(error) == FACTS
    assert error["code"] == "stopped"


def test_a_fault_of_rehit_itself_is_not_laid_on_the_user(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def broken(_path: object, **_how: object) -> None:
        raise ZeroDivisionError("no")

    monkeypatch.setattr("rehit.project.load_project", broken)
    assert main(["clean", "."]) == 1
    assert "a fault in rehit itself" in capsys.readouterr().err
    assert main(["clean", ".", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["errors"][0]["code"] == "fault"


@pytest.mark.parametrize(("given", "said"), [
    (["clean", "--colour"], "argumentos desconocidos: --colour"),
    (["price", "--years", "x"], "'x' no es un valor admitido"),
    (["new"], "faltan estos argumentos"), (["paint"], "no es una de las opciones")])
def test_a_command_line_that_cannot_be_read_is_refused_in_the_language_asked_for(
        given: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([*given, "--lang", "es"])
    assert said in capsys.readouterr().err
    assert vars(argparse)["_"]("unrecognized arguments: %s") == "unrecognized arguments: %s"


def test_a_refusal_is_said_in_the_language_of_the_project(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "rehit.toml").write_text('[project]\nname = "a"\nlanguage = "es"\ncolour = 1\n',
                                         encoding="utf-8")
    assert main(["clean", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "3 fallos" in said
    assert "una clave desconocida" in said
    assert main(["clean", str(tmp_path), "--lang", "en"]) == 2
    assert "an unknown key" in capsys.readouterr().err
    assert main(["clean", str(tmp_path), "--json"]) == 2
    assert {"falta la clave", "una clave desconocida"} == {
        error["got"] for error in json.loads(capsys.readouterr().out)["errors"]}


def test_a_warning_is_said_in_the_language_of_the_command(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str]) -> None:
    def warned(_path: object, **_how: object) -> None:
        warnings.warn(DataWarning(message("warnings.only_streets", where="gi")), stacklevel=1)
        raise KeyboardInterrupt

    monkeypatch.setattr("rehit.project.load_project", warned)
    assert main(["clean", str(tmp_path), "--lang", "es"]) == 130
    assert "mire las calles" in capsys.readouterr().err
