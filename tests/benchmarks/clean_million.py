"""Cleaning a million rows: python tests/benchmarks/clean_million.py [--rows N] [--folder DIR]

Grows the demo town until its log has that many rows (or takes DIR, if it holds such a town
already), then reads, maps and cleans the log in one process. Prints seconds on the wall and on the
processor, the peak of memory, what dominates, and the ratio to a bare ``pandas.read_csv`` with both
dates parsed in the same run. Goals: 60 s on 2 cores, 3 GB, ratio 40.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
from pyproj import Transformer

from rehit.files.reader import read_table
from rehit.incidents.clean import clean_incidents
from rehit.incidents.mapping import apply_mapping
from rehit.incidents.propose import propose_mapping
from rehit.incidents.rows import CleanSettings

ROOT = Path(__file__).parents[2]
CRS = "EPSG:32625"


@contextmanager
def timed(name: str, spent: dict[str, tuple[float, float]]) -> Iterator[None]:
    wall, cpu = time.perf_counter(), time.process_time()
    yield
    spent[name] = (time.perf_counter() - wall, time.process_time() - cpu)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    print(f"{name:<28}{spent[name][0]:8.1f} s wall {spent[name][1]:8.1f} s processor "
          f"   peak so far {peak:.2f} GB", flush=True)


def study_area(folder: Path) -> tuple[float, float, float, float]:
    """Limits of the grown town's assets, in degrees."""
    truth = pd.read_csv(folder / "truth" / "true_incidents.csv", usecols=["x", "y"])
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform
    west, south = to_degrees(truth["x"].min() - 500, truth["y"].min() - 500)
    east, north = to_degrees(truth["x"].max() + 500, truth["y"].max() + 500)
    return float(west), float(south), float(east), float(north)


def bare_read(path: Path) -> int:
    frame = pd.read_csv(path)
    for column in ("Logged On", "Closed On"):
        frame[column] = pd.to_datetime(frame[column], format="mixed", dayfirst=True,
                                       errors="coerce")
    return len(frame)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--profile", action="store_true", help="say which functions dominate")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.folder or Path(scratch)
        if not (folder / "incidents.csv").exists():
            subprocess.run([sys.executable, str(ROOT / "data_demo" / "make_demo.py"), "--rows",
                            str(given.rows), "--out", str(folder)], check=True)
        run(folder, profile=given.profile)


def run(folder: Path, *, profile: bool) -> None:
    log, area = folder / "incidents.csv", study_area(folder)
    spent: dict[str, tuple[float, float]] = {}
    with timed("bare read_csv with dates", spent):
        print(f"{bare_read(log):,} rows")
    with timed("read_table", spent):
        raw = read_table(log)
    with timed("propose_mapping", spent):
        mapping = propose_mapping(raw, study_area=area, crs=CRS)
    with timed("apply_mapping", spent):
        fields = apply_mapping(raw, mapping)
    del raw
    watch = cProfile.Profile()
    settings = CleanSettings(time_zone="Europe/Lisbon", crs=CRS, study_area=area)
    with timed("clean_incidents", spent):
        if profile:
            watch.enable()
        cleaned = clean_incidents(fields, mapping=mapping, settings=settings)
        watch.disable()
    print(cleaned.counts.to_string(index=False), f"{len(cleaned.ledger):,} ledger entries")
    total = [sum(part[k] for name, part in spent.items() if not name.startswith("bare"))
             for k in (0, 1)]
    bare = spent["bare read_csv with dates"]
    print(f"whole chain {total[0]:.1f} s wall, {total[1]:.1f} s processor; ratio to the bare read "
          f"{total[0] / bare[0]:.1f} (wall), {total[1] / bare[1]:.1f} (processor)")
    if profile:
        pstats.Stats(watch).sort_stats("cumulative").print_stats("rehit", 40)


if __name__ == "__main__":
    main()
