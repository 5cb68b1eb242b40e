"""Commands on logs spoilt at random end with 0 or 2 and a sentence, never with a traceback.

Budget and seed as in ``test_readers``; the rows of every log that is cleaned are accounted for.
"""

from __future__ import annotations

import importlib.util
import json
import random
from pathlib import Path
from types import ModuleType

import pytest

from rehit.cli import main
from rehit.files.reader import read_table


def beside(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


readers = beside("test_readers")
HEADER = "number,reported,cleared,status,address,latitude,longitude,surface,size,notes"


def log(rng: random.Random) -> bytes:
    rows = [",".join((
        str(n), f"2024-0{rng.randrange(1, 10)}-{rng.randrange(1, 29):02} 10:00",
        rng.choice(("", f"2024-10-{rng.randrange(1, 29):02} 12:00")),
        rng.choice(("Open", "Closed")),
        f"{rng.randrange(1, 20)} Elm Street", f"38.7{rng.randrange(100, 999)}",
        f"-9.1{rng.randrange(100, 999)}", rng.choice(("brick", "Painted metal", "")),
        rng.choice(("small", "2 m2", "")), f'"{rng.choice(("tag", "call 01632 960123", ""))}"'))
        for n in range(rng.choice((1, 12, 60)))]
    return "\n".join([HEADER, *rows]).encode()


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> int:
    with readers.no_hang():
        status = main(arguments)
    said = capsys.readouterr()
    assert status in (0, 2), (arguments, said.err)
    assert "Traceback" not in said.out + said.err
    assert status == 0 or said.err.strip()
    return status


def test_new_and_clean_end_in_words_and_account_for_every_row(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = 0
    for number, rng in enumerate(readers.runs("commands", least=5)):
        folder = tmp_path / str(number)
        folder.mkdir()
        file = folder / "log.csv"
        file.write_bytes(log(rng) if rng.random() < 0.2 else readers.spoilt(log(rng), rng))
        town, out = str(folder / "town"), str(folder / "out")
        new = ["new", town, "--log", str(file), "--time-zone", "Europe/Lisbon"]
        if run(new, capsys) or run(["clean", town, "--out", out], capsys):
            continue
        done += 1
        summary = json.loads((folder / "out" / "summary.json").read_text(encoding="utf-8"))
        counted = sum(summary[f"rows_{end}"] for end in ("kept", "joined", "set_aside"))
        assert counted + summary.get("rows_another_service", 0) == summary["rows_in"]
        assert summary["rows_in"] == len(read_table(file).table)
    assert done
