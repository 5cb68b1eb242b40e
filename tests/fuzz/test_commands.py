"""Commands on files spoilt at random end with 0 or 2 and a sentence, never with a traceback.

Budget and seed as in ``test_readers``, and the first run by ``REHIT_FUZZ_FROM``; the rows of every
log that is cleaned are accounted for. Each command has a process of its own, so that one which
hangs, aborts or fills the memory is counted, and its time and memory are its own. Pictures are left
out: they take most of the time, and are asked for by ``REHIT_FUZZ_PAINTED``. A failing town is
kept, and named with its run; ``REHIT_FUZZ_LOG`` names a file for the table as it grows.
"""

from __future__ import annotations

import csv
import ctypes
import gc
import importlib
import importlib.util
import io
import json
import os
import pkgutil
import random
import shutil
import signal
import subprocess
import sys
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import pytest
from openpyxl.utils.exceptions import IllegalCharacterError
from PIL import Image
from whole_town import LACKS, make_whole_town

import rehit
from rehit.cli import main
from rehit.files.reader import read_table

if TYPE_CHECKING:
    from resource import struct_rusage


def beside(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


readers = beside("test_readers")
# Python 3.12 warns of a fork beside threads; here no thread holds a lock when a run begins.
pytestmark = pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning")
PR_SET_CHILD_SUBREAPER = 36  # of Linux's prctl
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


@dataclass(frozen=True)
class Ended:
    """How a command ended; below zero, by which signal."""

    status: int
    out: str
    err: str
    seconds: float = 0.0
    peak_gb: float = 0.0


def run(arguments: list[str], said: Path) -> Ended:
    """Run a command in a process of its own; what it says goes to files beside `said`."""
    if sys.platform != "linux":  # forking is not there, or not safe beside the system's libraries
        told = subprocess.run([sys.executable, "-m", "rehit.cli", *arguments], capture_output=True,
                              encoding="utf-8", timeout=10 * readers.LONGEST_SECONDS, check=False)
        return Ended(told.returncode, told.stdout, told.stderr)
    files = said.with_suffix(".out"), said.with_suffix(".err")
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        run_and_exit(arguments, files)
    _, how, used = os.wait4(child, 0)
    every = [used, *end_workers(child)]
    out, err = (file.read_text(encoding="utf-8", errors="replace") for file in files)
    return Ended(os.waitstatus_to_exitcode(how), out, err,
                 sum(each.ru_utime + each.ru_stime for each in every),
                 sum(each.ru_maxrss for each in every) * 1024 / 1e9)


def end_workers(group: int) -> Iterator[struct_rusage]:
    """End the processes that worked for a command, and say what each of them used."""
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)
    with suppress(ChildProcessError):
        while True:
            yield os.wait4(-group, 0)[2]


def take_in_orphans() -> None:
    """Become the parent of processes whose own has ended, so that they can be counted."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def run_and_exit(arguments: list[str], files: tuple[Path, Path]) -> None:
    """Be the process of one command, with a limit of time and of memory."""
    import resource

    os.setpgid(0, 0)
    # Processor time, and ten times as much by the clock: the machine may have other work.
    for each in (signal.SIGPROF, signal.SIGALRM):
        signal.signal(each, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_PROF, readers.LONGEST_SECONDS)
    signal.alarm(10 * readers.LONGEST_SECONDS)
    # More addresses are taken than memory is used, which is held to its limit afterwards.
    resource.setrlimit(resource.RLIMIT_AS, (int(4e9 * readers.MOST_MEMORY_GB),) * 2)
    os.environ["REHIT_TRACE"] = "1"
    status = 1
    try:
        with files[0].open("w") as sys.stdout, files[1].open("w") as sys.stderr:
            os.dup2(sys.stdout.fileno(), 1)
            os.dup2(sys.stderr.fileno(), 2)
            try:
                status = main(arguments)
            except SystemExit as stopped:
                status = int(stopped.code or 0)
            except BaseException:
                traceback.print_exc()
    finally:
        os._exit(status)


def load_all(town: Path) -> None:
    """Load what the commands load, once for all the processes to come.

    Of the work only the cleaning is done, with which most commands begin: some libraries start
    threads when they are used, which a forked process would have lost.
    """
    for module in pkgutil.walk_packages(rehit.__path__, "rehit."):
        if not module.name.startswith(("rehit.app", "rehit.region")):
            importlib.import_module(module.name)
    main(["clean", str(town)])
    take_in_orphans()
    gc.collect()
    gc.freeze()  # what is loaded is never looked through again, and so stays shared memory


def broken(arguments: list[str], ended: Ended) -> str:
    """Say which promise a command broke, if any."""
    if ended.status < 0:  # SIGPROF and SIGALRM: it took too long
        return f"ended by {signal.Signals(-ended.status).name}: {ended.err}"
    if ended.status not in (0, 2) or "Traceback" in ended.out + ended.err:
        return f"ended {ended.status}: {ended.out}{ended.err}"
    # A promise to itself that a command broke.
    if any(said in ended.out + ended.err for said in ("fault of rehit", "fallo de rehit")):
        return f"refused what it made itself: {ended.out}{ended.err}"
    if ended.peak_gb > readers.MOST_MEMORY_GB:
        return f"took {ended.peak_gb:.1f} GB"
    if "--json" not in arguments:
        return "" if ended.status == 0 or ended.err.strip() else "said nothing"
    try:
        told = json.loads(ended.out)
    except ValueError:
        return f"no JSON: {ended.out[:200]}"
    fine = ended.status == 0 or all(
        set(each) == {"code", "kind", "where", "allowed", "got", "remedy"} and each["remedy"]
        for each in told["errors"])
    return "" if fine else f"an error without its facts: {ended.out[:300]}"


def unaccounted(results: Path) -> str:
    """Say which rows of a cleaned log neither stayed nor were named."""
    summary = json.loads((results / "summary.json").read_text(encoding="utf-8"))
    counted = sum(summary.get(f"rows_{end}", 0)
                  for end in ("kept", "joined", "set_aside", "another_service"))
    return "" if counted == summary["rows_in"] else f"{counted} of {summary['rows_in']} rows"


def test_new_and_clean_end_in_words_and_account_for_every_row(tmp_path: Path) -> None:
    done = 0
    for number, rng in enumerate(readers.runs("commands", least=5)):
        folder = tmp_path / str(number)
        folder.mkdir()
        file = folder / "log.csv"
        file.write_bytes(log(rng) if rng.random() < 0.2 else readers.spoilt(log(rng), rng))
        town, out = str(folder / "town"), folder / "out"
        for arguments in (["new", town, "--log", str(file), "--time-zone", "Europe/Lisbon"],
                          ["clean", town, "--out", str(out)]):
            ended = run(arguments, folder / arguments[0])
            assert not broken(arguments, ended), (arguments, broken(arguments, ended))
            if ended.status:
                break
        else:
            done += 1
            assert not unaccounted(out), (folder, unaccounted(out))
            summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
            assert summary["rows_in"] == len(read_table(file).table), folder
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
        except (UnicodeError, csv.Error, IllegalCharacterError, ValueError, KeyError, IndexError,
                OSError):
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
        "whatif": [["--years", odd], ["--draws", rng.choice(("50", odd))],
                   ["--policies", "{town}/rehit.toml"], ["--worth-of-day", odd]],
        "patrol": [["--date", rng.choice(("2025-12-01", "2024-02-30", "9999-12-31", "x"))],
                   ["--crews", rng.choice(("V1", "Van B", "nobody"))],
                   ["--results", "{town}/works.csv"], ["--now", rng.choice(("10:00", "99", ""))],
                   ["--without", "V1"], ["--closed", "Hill Street"], ["--add", "1 Hill Street"]],
        "evaluate": [["--measures", rng.choice(("measures.csv", "works.csv", "nothing.csv"))]],
        "report": [["--period", rng.choice(("2024Q3", "2025", "2024Q9", "x"))], ["--explain", odd]]}
    weights = {"new": 3, "clean": 5, "hotspots": 3, "compare": 2, "programme": 2, "price": 1,
               "whatif": 1, "patrol": 3, "evaluate": 3, "report": 1}
    name = rng.choices(list(weights), list(weights.values()))[0]
    chosen = rng.sample(options[name], rng.choice((0, 0, 1, min(2, len(options[name])))))
    start = ["new", "{new}", "--log", "{town}/log.csv"] if name == "new" else [name, "{town}"]
    return [*start, *(part for option in chosen for part in option),
            *(["--json"] if rng.random() < 0.5 else [])]


class Tally:
    """How the runs of each command ended."""

    def __init__(self) -> None:
        self.ends: dict[str, list[Ended]] = defaultdict(list)
        self.faults: list[str] = []

    def __str__(self) -> str:
        """Return a row a command, and what broke."""
        every = [each for ends in self.ends.values() for each in ends]
        rows = [self.row(name, ends) for name, ends in sorted(self.ends.items())]
        return "\n".join([*rows, self.row("all", every), f"{len(self.faults)} faults",
                          *self.faults])

    @staticmethod
    def row(name: str, ends: list[Ended]) -> str:
        """Return how the runs of one command ended."""
        how, seconds = Counter(each.status for each in ends), [each.seconds for each in ends]
        return (f"{name:10} {len(ends):6} runs, {how[0]:6} done, {how[2]:6} refused, longest "
                f"{max(seconds):5.1f} s of {sum(seconds):6.0f} s of processor time, "
                f"peak {max(each.peak_gb for each in ends):4.2f} GB")


def town_run(town: Path, rng: random.Random, tally: Tally, where: str) -> bool:
    """Spoil a town and run three commands on it; say whether all kept their promises."""
    spoil(town, rng)
    kept = len(tally.faults)
    for turn in range(3):
        places = {"town": str(town), "new": str(town / f"new{turn}")}
        arguments = [part.format(**places) for part in command(rng)]
        ended = run(arguments, town.with_name(f"{town.name}-{turn}"))
        fault = broken(arguments, ended)
        if not fault and arguments[0] == "clean" and ended.status == 0:
            fault = unaccounted(town / "results")
        if fault:
            tally.faults.append(f"{where}: {' '.join(arguments)}: {fault}")
        tally.ends[arguments[0]].append(replace(ended, out="", err=""))
    return len(tally.faults) == kept


def unpainted_file(_figure: object, file: Path | io.BytesIO, **how: object) -> None:
    """Write a picture that nobody looks at."""
    if how.get("format") == "svg" and isinstance(file, io.BytesIO):
        file.write(b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>')
    else:
        Image.new("1", (1, 1)).save(file, "PNG")


@pytest.fixture
def painted_if_asked(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if not os.environ.get("REHIT_FUZZ_PAINTED"):
        request.getfixturevalue("unpainted")
        monkeypatch.setattr("matplotlib.figure.Figure.savefig", unpainted_file)


@pytest.mark.usefixtures("painted_if_asked")
def test_every_command_on_a_spoilt_town_ends_in_words(tmp_path: Path) -> None:
    whole = {rows: make_whole_town(tmp_path / f"whole{rows}", rows=rows) for rows in (6, 12, 24)}
    load_all(whole[6])
    shutil.rmtree(whole[6] / "results")
    tally, first = Tally(), int(os.environ.get("REHIT_FUZZ_FROM", "0"))
    for number, rng in enumerate(readers.runs("towns", least=3, first=first), start=first):
        town = tmp_path / str(number)
        shutil.copytree(whole[rng.choice((6, 12, 24))], town)
        if town_run(town, rng, tally, f"run {number} of seed {readers.SEED}"):
            for path in tmp_path.glob(f"{number}-*"):
                path.unlink()
            shutil.rmtree(town)
        if "REHIT_FUZZ_LOG" in os.environ:
            Path(os.environ["REHIT_FUZZ_LOG"]).write_text(
                f"{number - first + 1} towns\n{tally}\n", encoding="utf-8")
    print(tally)
    assert not tally.faults, "\n".join(tally.faults)
