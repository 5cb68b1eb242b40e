"""The commands as a user types them, on grown towns: processor time, peak memory, growth.

Run by hand::

    python tests/benchmarks/whole_commands.py [--rows 62500 250000 1000000] [--folder DIR]
        [--only clean hotspots] [--again]

Each command works everything out anew; with ``--again`` it is run a second time, from what stands
in the project's folder then. It runs in a fresh process from files; the kernel tells its processor
time and its peak memory. Printed are the growth of both (the slope of their logarithms over that of
the rows: 1 is in step with the log) and, from the same run, what plain library calls take for the
same file: pyarrow reading it and parsing its dates. Goals on two cores for 1,000,000 rows,
processor time and memory: clean 30 s and 2 GB, hotspots 60 s and 2.5 GB, compare with programme
90 s and 2 GB, price 60 s, report 240 s and 3 GB, patrol 90 s; growth at most 1.1.
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
COMMANDS = {
    "clean": ["clean"], "hotspots": ["hotspots"], "compare": ["compare"],
    "programme": ["programme", "--budget-per-year", "50000"], "price": ["price", "--margin", "0.1"],
    "patrol": ["patrol", "--date", "2026-01-05"], "report": ["report"],
}
PLAIN_READ = """
import sys, pyarrow.csv as csv, pyarrow.compute as pc
table = csv.read_csv(sys.argv[1])
for name in ("Logged On", "Closed On"):
    text = table[name].cast("string")
    pc.strptime(text, format="%d/%m/%Y %H:%M", unit="s", error_is_null=True)
print(len(table))
"""


@dataclass(frozen=True)
class Spent:
    """What one process took: seconds on the processor and the wall, peak memory, how it ended."""

    processor_s: float
    wall_s: float
    peak_gb: float
    status: int


def spend(arguments: list[str], told: Path) -> Spent:
    """Run a process to its end, its words into the file `told`."""
    begin = time.perf_counter()
    with told.open("wb") as words:
        process = subprocess.Popen(arguments, stdout=words, stderr=subprocess.STDOUT)
        _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return Spent(used.ru_utime + used.ru_stime, time.perf_counter() - begin,
                 used.ru_maxrss / 1024**2, process.returncode)


def grown_town(folder: Path, rows: int) -> Path:
    """The demo town, built side by side until its log has that many rows; made once."""
    town = folder / f"t{rows}"
    if not (town / "incidents.csv").exists():
        subprocess.run([sys.executable, str(ROOT / "data_demo" / "make_demo.py"),
                        "--rows", str(rows), "--out", str(town)], check=True)
    shutil.copy(ROOT / "data_demo" / "mapping.toml", town)
    return town


def slope(sizes: list[int], values: list[float]) -> float:
    """Growth between the smallest and the largest log."""
    return math.log(values[-1] / values[0]) / math.log(sizes[-1] / sizes[0])


def measure(town: Path, rows: int, names: list[str], *, again: bool) -> dict[str, Spent]:
    """Run the commands, and the plain read, on one town; print a line for each."""
    spent = {}
    runs = [(name, ["--anew"]) for name in names]
    runs += [(f"{name} again", []) for name in names if again]
    for name, options in [("plain read", []), *runs]:
        told = town / f"{name.replace(' ', '_')}.log"
        work = ([sys.executable, "-c", PLAIN_READ, str(town / "incidents.csv")]
                if name == "plain read" else
                [sys.executable, "-m", "rehit.cli", *COMMANDS[name.removesuffix(" again")],
                 str(town), "--out", str(town / "results" / name), *options])
        spent[name] = one = spend(work, told)
        ratio = one.processor_s / spent["plain read"].processor_s
        print(f"{rows:>10,} {name:<16}{one.processor_s:8.1f} s processor {one.wall_s:8.1f} s wall "
              f"{one.peak_gb:6.2f} GB   {ratio:6.0f} plain reads   exit {one.status}", flush=True)
        if one.status:
            print(told.read_text(errors="replace")[-600:], flush=True)
    return spent


def main() -> None:
    """Measure every command at every size, then print how they grow."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, nargs="+", default=[62_500, 250_000, 1_000_000])
    parser.add_argument("--folder", type=Path, help="keep the towns here")
    parser.add_argument("--only", nargs="+", choices=COMMANDS, default=list(COMMANDS))
    parser.add_argument("--again", action="store_true", help="run each command a second time")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        results = [measure(grown_town(given.folder or Path(scratch), rows), rows, given.only,
                           again=given.again)
                   for rows in sorted(given.rows)]
    for name in given.only if len(results) > 1 else ():
        times, memories = zip(*((r[name].processor_s, r[name].peak_gb) for r in results),
                              strict=True)
        print(f"growth of {name:<11} time {slope(sorted(given.rows), list(times)):5.2f}   "
              f"memory {slope(sorted(given.rows), list(memories)):5.2f}")


if __name__ == "__main__":
    main()
