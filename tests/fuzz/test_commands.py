"""Commands on files spoilt at random end with 0 or 2 and a sentence, never with a traceback.

Budget and seed as in ``test_readers``, and the first run by ``REHIT_FUZZ_FROM``; the rows of every
log that is cleaned are accounted for. Pictures are left out: they take most of the time, and are
asked for by ``REHIT_FUZZ_PAINTED``. A failing town is kept, and named with its run.
"""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import os
import random
import shutil
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path
from types import ModuleType

import pytest
from whole_town import LACKS, make_whole_town

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


# A whole town: any of its files spoilt, any commands run on it.

VALUES = ("", " ", "n/a", "NULL", "0", "-1", "1e999", "-0.0", "nan", "inf", "9" * 40, "1/0",
          "0001-01-01", "9999-12-31 23:59", "2024-02-30", "29/02/24", "1700000000",
          "2024-03-31 02:30", "31.10.2024 02:30", "=1+1", "<script>alert(1)</script>", "\u200b",
          "\U0001f3a8" * 9, "x" * 9000, "\ud800", "\x00", '"', "a\nb", "W-00", "W-13; W-12",
          "1 Hill Street", "Hill Street / Elm Street", "46.0", "-91", "46,0065", "POINT (1 2)",
          "true", "no", "2 m2", "-3 m2", "500 sq ft", "paint_out", "treated", "07:00", "25:00",
          "D1", "V1")
TOML_VALUES = ("0", "-1", "1e9", "nan", "inf", "''", "[]", "{}", "true", "'Europe/Lisbon'",
               "'EPSG:4326'", "'log.csv'", "['log.csv', 'works.csv']", "2024-01-01")


def odd_cells(data: bytes, rng: random.Random) -> bytes:
    """Put odd values into cells, or take, repeat or mix up rows and columns of a CSV."""
    rows = list(csv.reader(io.StringIO(data.decode())))
    head, body = rows[0], rows[1:]
    for _ in range(rng.choice((1, 3, 10))):
        place = rng.randrange(len(head))
        match rng.randrange(6):
            case 0:
                value = rng.choice(VALUES)
                body = [[*row[:place], value, *row[place + 1:]] for row in body]
            case 1:
                other = rng.randrange(len(head))
                head[place], head[other] = head[other], head[place]
            case 2:
                body = rng.choices(body, k=rng.randrange(len(body) + 2)) if body else body
            case _:
                for row in rng.sample(body, min(len(body), rng.randrange(1, 6))):
                    row[place] = rng.choice(VALUES)
    out = io.StringIO()
    csv.writer(out).writerows([head, *body])
    return out.getvalue().encode("utf-8", "surrogatepass")


def odd_settings(data: bytes, rng: random.Random) -> bytes:
    """Give settings other values, or leave them out."""
    lines = data.decode().splitlines()
    for _ in range(rng.choice((1, 1, 4))):
        at = rng.randrange(len(lines))
        name, equals, _ = lines[at].partition(" = ")
        if equals:
            lines[at] = f"{name} = {rng.choice(TOML_VALUES)}" if rng.random() < 0.8 else ""
    return "\n".join(lines).encode()


def log_in_another_format(town: Path, rng: random.Random) -> None:
    """Write the log as a feed, a workbook or a table of columns."""
    rows = list(csv.reader(io.StringIO((town / "log.csv").read_text(encoding="utf-8"))))
    write = rng.choice(readers.WRITERS)
    if write is not readers.as_csv:
        (town / "log.csv").write_bytes(write(rows[1:], rng, rows[0]))


def spoil(town: Path, rng: random.Random) -> None:
    """Spoil a town in one to three ways."""
    for _ in range(rng.choice((1, 1, 2, 3))):
        files = sorted(path for path in town.iterdir() if path.is_file())
        file = rng.choice([town / "log.csv", *files])
        kind = rng.randrange(6)
        try:
            if kind == 0:
                LACKS[rng.choice(list(LACKS))](town)
            elif kind == 1:
                log_in_another_format(town, rng)
            elif file.suffix == ".toml" and kind < 5:
                file.write_bytes(odd_settings(file.read_bytes(), rng))
            elif file.suffix == ".csv" and kind < 5:
                file.write_bytes(odd_cells(file.read_bytes(), rng))
            else:
                file.write_bytes(readers.spoilt(file.read_bytes(), rng))
        except (UnicodeError, csv.Error, ValueError, KeyError, IndexError, OSError):
            continue  # spoilt too far to be spoilt in this way as well


def command(rng: random.Random) -> list[str]:
    """Choose a command with options that may be wrong."""
    odd = rng.choice(("-1", "0", "2", "1e99", "nan", "x", ""))
    options: dict[str, list[list[str]]] = {
        "new": [["--register", "{town}/register.geojson"], ["--streets", "{town}/streets.geojson"],
                ["--crs", rng.choice(("EPSG:32625", "EPSG:4326", "x"))], ["--currency", odd]],
        "clean": [["--methods"], ["--csv-bom"], ["--lang", rng.choice(("es", "en", "xx"))]],
        "hotspots": [["--lang", "es"]],
        "compare": [["--horizon-years", odd], ["--variance-shares"],
                    ["--measured-effect", rng.choice(("coat=coating", "coating", "x=y", "="))]],
        "programme": [["--budget-per-year", odd], ["--years", odd], ["--robust"]],
        "price": [["--margin", odd], ["--years", odd], ["--received", "{town}/works.csv"]],
        "patrol": [["--date", rng.choice(("2025-12-01", "2024-02-30", "9999-12-31", "x"))],
                   ["--crews", rng.choice(("V1", "Van B", "nobody"))],
                   ["--results", "{town}/works.csv"], ["--now", rng.choice(("10:00", "99", ""))],
                   ["--without", "V1"], ["--closed", "Hill Street"], ["--add", "1 Hill Street"]],
        "evaluate": [["--measures", rng.choice(("measures.csv", "works.csv", "nothing.csv"))]],
        "report": [["--period", rng.choice(("2024Q3", "2025", "2024Q9", "x"))], ["--explain", odd]]}
    weights = {"new": 3, "clean": 5, "hotspots": 3, "compare": 2, "programme": 2, "price": 1,
               "patrol": 3, "evaluate": 3, "report": 1}
    name = rng.choices(list(weights), list(weights.values()))[0]
    chosen = rng.sample(options[name], rng.choice((0, 0, 1, min(2, len(options[name])))))
    start = ["new", "{new}", "--log", "{town}/log.csv"] if name == "new" else [name, "{town}"]
    return [*start, *(part for option in chosen for part in option),
            *(["--json"] if rng.random() < 0.5 else [])]


def ended(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """Run a command; return how it ended and, where it broke a promise, how."""
    try:
        with readers.no_hang():
            status = main(arguments)
    except SystemExit as stopped:
        status = int(stopped.code or 0)
    said = capsys.readouterr()
    if status not in (0, 2) or "Traceback" in said.out + said.err:
        return status, said.out + said.err
    if "--json" not in arguments:
        return status, "" if status == 0 or said.err.strip() else "said nothing"
    try:
        told = json.loads(said.out)
    except ValueError:
        return status, f"no JSON: {said.out[:200]}"
    fine = status == 0 or all(set(each) == {"code", "kind", "where", "allowed", "got", "remedy"}
                              and each["remedy"] for each in told["errors"])
    return status, "" if fine else f"an error without its facts: {said.out[:300]}"


def unaccounted(town: Path) -> str:
    """Say which rows of a cleaned log neither stayed nor were named."""
    summary = json.loads((town / "results" / "summary.json").read_text(encoding="utf-8"))
    counted = sum(summary.get(f"rows_{end}", 0)
                  for end in ("kept", "joined", "set_aside", "another_service"))
    return "" if counted == summary["rows_in"] else f"{counted} of {summary['rows_in']} rows"


def memory_gb() -> float:
    """Return the most memory that this process has had."""
    if sys.platform == "win32":
        return 0.0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        1e9 if sys.platform == "darwin" else 1e6)


class Tally:
    """How the runs of each command ended."""

    def __init__(self) -> None:
        self.ends: dict[str, Counter[int]] = defaultdict(Counter)
        self.longest: dict[str, float] = defaultdict(float)
        self.faults: list[str] = []

    def add(self, name: str, status: int, seconds: float) -> None:
        """Count a run."""
        self.ends[name][status] += 1
        self.longest[name] = max(self.longest[name], seconds)

    def __str__(self) -> str:
        """Return a row a command, and what broke."""
        rows = [f"{name:10} {sum(ends.values()):6} runs, {ends[0]:6} done, {ends[2]:6} refused, "
                f"longest {self.longest[name]:5.1f} s of processor time"
                for name, ends in sorted(self.ends.items())]
        many = sum(sum(ends.values()) for ends in self.ends.values())
        return "\n".join([*rows, f"{many} runs of commands, {len(self.faults)} faults, most memory "
                                 f"{memory_gb():.1f} GB", *self.faults])


def town_run(town: Path, rng: random.Random, capsys: pytest.CaptureFixture[str], tally: Tally,
             where: str) -> bool:
    """Spoil a town and run three commands on it; say whether all kept their promises."""
    spoil(town, rng)
    kept = len(tally.faults)
    for turn in range(3):
        places = {"town": str(town), "new": str(town / f"new{turn}")}
        arguments = [part.format(**places) for part in command(rng)]
        began = time.process_time()
        status, broken = ended(arguments, capsys)
        tally.add(arguments[0], status, time.process_time() - began)
        if not broken and arguments[0] == "clean" and status == 0:
            broken = unaccounted(town)
        if broken:
            tally.faults.append(f"{where}: {' '.join(arguments)}: {broken}")
    return len(tally.faults) == kept


@pytest.fixture
def painted_if_asked(request: pytest.FixtureRequest) -> None:
    if not os.environ.get("REHIT_FUZZ_PAINTED"):
        request.getfixturevalue("unpainted")


@pytest.mark.usefixtures("painted_if_asked")
def test_every_command_on_a_spoilt_town_ends_in_words(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = make_whole_town(tmp_path / "whole", rows=24)
    tally, first = Tally(), int(os.environ.get("REHIT_FUZZ_FROM", "0"))
    for number, rng in enumerate(readers.runs("towns", least=3, first=first), start=first):
        town = tmp_path / str(number)
        shutil.copytree(whole, town)
        if town_run(town, rng, capsys, tally, f"run {number} of seed {readers.SEED}"):
            shutil.rmtree(town)
        elif "REHIT_FUZZ_LOG" in os.environ:
            Path(os.environ["REHIT_FUZZ_LOG"]).write_text(str(tally), encoding="utf-8")
    if "REHIT_FUZZ_LOG" in os.environ:
        Path(os.environ["REHIT_FUZZ_LOG"]).write_text(str(tally), encoding="utf-8")
    print(tally)
    assert not tally.faults, "\n".join(tally.faults)
    assert memory_gb() < readers.MOST_MEMORY_GB
