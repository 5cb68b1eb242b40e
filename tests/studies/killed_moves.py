"""Results while their run is ended at every single system call of the final move.

    python tests/studies/killed_moves.py [--most N]

Needs Linux and ``strace``, which ends the run by KILL or TERM as it enters its n-th call, for every
call from the end of the work to the end of the run. For each way of moving, what stands in the
results folder right then, and once the next run has begun, must be all old or all new.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from rehit.files import writing
from rehit.files.writing import staged_folder

OLD = {"report.html": "old", "table.csv": "old", "tables/a.csv": "old", "mine.txt": "kept"}
NEW = {"report.html": "new", "table.csv": "new", "tables/a.csv": "new", "tables/b.csv": "new",
       "mine.txt": "kept"}
WAYS = ("exchange", "put aside", "one by one")
_CALL = re.compile(r"(\w+)\(")


def lay(folder: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


def contents(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): path.read_text(encoding="utf-8")
            for path in folder.rglob("*") if path.is_file()}


def _asked_to_stop(_number: int, _frame: object) -> None:
    raise KeyboardInterrupt  # as the command does


def run(target: Path, way: str) -> int:
    """Start a run that waits, its work done, to be let go on to the final move."""
    child = os.fork()
    if child:
        os.waitpid(child, os.WUNTRACED)
        return child
    signal.signal(signal.SIGTERM, _asked_to_stop)
    if way != "exchange":
        writing._exchange = lambda _one, _other: False
    if way == "one by one":
        writing._is_within = lambda _path, _folder: True
    with suppress(KeyboardInterrupt):
        with staged_folder(target) as stage:
            lay(stage, {name: text for name, text in NEW.items() if text == "new"})
            os.kill(os.getpid(), signal.SIGSTOP)
        os._exit(0)
    os._exit(130)


def traced(target: Path, way: str, log: Path, *inject: str) -> int:
    """Let a run go on under the tracer; return how it ended."""
    child = run(target, way)
    with subprocess.Popen(["strace", "-qq", "-o", str(log), "-p", str(child), *inject],
                          stderr=subprocess.DEVNULL) as tracer:
        while "TracerPid:\t0" in Path(f"/proc/{child}/status").read_text(encoding="ascii"):
            time.sleep(0.002)
        os.kill(child, signal.SIGCONT)
        _, status = os.waitpid(child, 0)
        tracer.wait()
    return os.waitstatus_to_exitcode(status)


def calls(way: str, folder: Path) -> list[tuple[str, int]]:
    """Return each system call of the final move: its name, and the how many-th of that name."""
    lay(folder / "out", OLD)
    traced(folder / "out", way, folder / "calls.txt")
    seen: Counter[str] = Counter()
    found = []
    for line in (folder / "calls.txt").read_text(encoding="utf-8").splitlines():
        if call := _CALL.match(line):
            seen[call[1]] += 1
            found.append((call[1], seen[call[1]]))
    return found


def ended_at_every_call(way: str, stop: str, most: int | None) -> Iterator[tuple[str, str, bool]]:
    """Give what stood there right then and after the next start, and whether anything was left."""
    with tempfile.TemporaryDirectory() as made:
        points = calls(way, Path(made))
    for name, number in points[:most]:
        with tempfile.TemporaryDirectory() as made:
            place = Path(made) / "patch"
            target = place / "out"
            lay(target, OLD)
            traced(target, way, Path(made) / "log.txt",
                   "-e", f"inject={name}:signal={stop}:when={number}")
            at_once = state(target)
            with suppress(InterruptedError), staged_folder(target):
                raise InterruptedError
            yield at_once, state(target), os.listdir(place) == ["out"]


def state(target: Path) -> str:
    if not target.exists():
        return "absent"
    found = contents(target)
    return "old" if found == OLD else "new" if found == NEW else "mixed"


def main() -> int:
    options = argparse.ArgumentParser()
    options.add_argument("--most", type=int, help="only the first calls of each way")
    asked = options.parse_args()
    if shutil.which("strace") is None:
        print("strace is not installed")
        return 2
    good = total = 0
    for way in WAYS:
        for stop in ("KILL", "TERM"):
            ends = list(ended_at_every_call(way, stop, asked.most))
            whole = sum(later in ("old", "new") and clean and (
                way == "one by one" or at_once != "mixed") for at_once, later, clean in ends)
            good, total = good + whole, total + len(ends)
            print(f"{way:10} {stop}: {len(ends)} calls, {whole} old or new; at once "
                  f"{dict(Counter(end[0] for end in ends))}, after the next start "
                  f"{dict(Counter(end[1] for end in ends))}", flush=True)
    print(f"{good} of {total} old or new")
    return 0 if good == total else 1


if __name__ == "__main__":
    sys.exit(main())
