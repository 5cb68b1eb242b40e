"""Every command on a town that lacks each thing in turn: how it ends, and what it says.

    python tests/studies/absent_matrix.py [--only LACK ...] [--commands NAME ...] [--painted]

Each ends 0, or 2 with a sentence; the table printed is command by lack. Exits 1 if one does not.
The report's pictures, which take most of the time, are painted only if asked for.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "invented"))

from whole_town import LACKS, make_whole_town

from rehit.cli import main
from rehit.report import figures

COMMANDS: dict[str, list[str]] = {
    "new": ["new", "{new}", "--log", "{town}/log.csv", "--register", "{town}/register.geojson",
            "--streets", "{town}/streets.geojson", "--time-zone", "Europe/Lisbon"],
    "clean": ["clean", "{town}", "--methods"],
    "hotspots": ["hotspots", "{town}"],
    "compare": ["compare", "{town}"],
    "compare, shares": ["compare", "{town}", "--variance-shares", "--horizon-years", "5"],
    "whatif": ["whatif", "{town}", "--draws", "50", "--years", "2"],
    "programme": ["programme", "{town}"],
    "programme, robust": ["programme", "{town}", "--budget-per-year", "500", "--robust"],
    "price": ["price", "{town}"],
    "price, 3 years": ["price", "{town}", "--years", "3", "--margin", "0.1"],
    "patrol": ["patrol", "{town}"],
    "patrol, a day": ["patrol", "{town}", "--date", "2025-12-01"],
    "patrol, later": ["patrol", "{town}", "--now", "10:00", "--without", "V1"],
    "evaluate": ["evaluate", "{town}"],
    "report": ["report", "{town}"],
    "report, quarter": ["report", "{town}", "--period", "2024Q3"],
    "region": ["region", "{towns}", "--workers", "1"],
}


def ended(arguments: list[str]) -> tuple[int, str]:
    """Run a command; return its exit status and what it says, of a failure or done."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            status = main(arguments)
        except SystemExit as stopped:
            status = int(stopped.code or 0)
        except Exception as error:
            return 1, f"{type(error).__name__}: {error}"
    _, found, failed = err.getvalue().rpartition("rehit: ")
    return status, (found + failed).strip() if status else out.getvalue().strip()


def holds(status: int, said: str) -> bool:
    """Whether a command ended as it must: done, or refused in a sentence that says what to do."""
    return bool(said) and "Traceback" not in said and (
        status == 0 or (status == 2 and "To fix it: " in said))


def main_matrix() -> int:
    options = argparse.ArgumentParser()
    options.add_argument("--only", nargs="+", default=list(LACKS))
    options.add_argument("--commands", nargs="+", default=list(COMMANDS))
    options.add_argument("--painted", action="store_true")
    asked = options.parse_args()
    if not asked.painted:
        figures.to_svg = lambda _figure: b"<svg/>"
    bad = 0
    refused: dict[tuple[str, str], str] = {}
    print(f"{'without':24}" + " ".join(f"{name:>{max(len(name), 6)}}" for name in asked.commands))
    for lack in asked.only:
        with tempfile.TemporaryDirectory() as folder:
            towns = Path(folder) / "towns"
            town = make_whole_town(towns / "town")
            LACKS[lack](town)
            cells = []
            for name in asked.commands:
                places = {"town": town, "towns": towns, "new": Path(folder) / "new"}
                given = [part.format(**places) for part in COMMANDS[name]]
                if name == "new":
                    given = without_missing_files(given)
                began = time.perf_counter()
                status, said = ended(given)
                good = holds(status, said)
                bad += not good
                mark = f"{status}{'' if good else '!'} {time.perf_counter() - began:.1f}s"
                cells.append(f"{mark:>{max(len(name), 6)}}")
                if status:
                    refused[lack, name] = said.replace(folder, "")
            print(f"{lack:24}" + " ".join(cells), flush=True)
    for (lack, name), said in refused.items():
        print(f"\n{name}, without {lack}: {said}")
    print(f"\n{len(asked.only) * len(asked.commands)} runs, {bad} that did not end as they must")
    return 1 if bad else 0


def without_missing_files(given: list[str]) -> list[str]:
    """Leave out an option whose file the town does not have."""
    kept: list[str] = []
    for part in given:
        if kept and kept[-1] in ("--register", "--streets") and not Path(part).exists():
            kept.pop()
        else:
            kept.append(part)
    return kept


if __name__ == "__main__":
    sys.exit(main_matrix())
