"""Time reading, proposing, mapping and dates on the demo log grown to a million rows.

Run by hand: ``python tests/benchmarks/bench_reading.py [rows]``. Prints seconds of processor time
and the ratio to a bare ``pandas.read_csv`` with the dates parsed, in the same run.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd

from rehit.files.reader import read_table
from rehit.incidents.dates import parse_dates
from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import apply_mapping
from rehit.incidents.propose import propose_mapping

DEMO = Path(__file__).parents[2] / "data_demo" / "incidents.csv"
T = TypeVar("T")


def grow(file: Path, rows: int, *, ragged: bool) -> None:
    """Write `rows` rows drawn from the demo log, each with its own number and minute."""
    rng = np.random.default_rng(1)
    base = pd.read_csv(DEMO, dtype=str, keep_default_na=False)
    grown = base.iloc[rng.integers(0, len(base), rows)].reset_index(drop=True)
    minutes = pd.to_timedelta(rng.integers(0, 5 * 365 * 1440, rows), unit="m")
    grown["Logged On"] = pd.Series(pd.Timestamp("2019-01-01") + minutes).dt.strftime(
        "%d/%m/%Y %H:%M")
    grown["Case Ref"] = np.arange(rows).astype(str)
    grown.to_csv(file, index=False)
    if ragged:
        with file.open("a", encoding="utf-8") as stream:
            stream.write("Total,1\n")


def timed(name: str, work: Callable[[], T], base: float | None = None) -> tuple[T, float]:
    start = time.process_time()
    result = work()
    seconds = time.process_time() - start
    ratio = f"  {seconds / base:6.1f} x" if base else ""
    print(f"{name:34} {seconds:7.2f} s{ratio}")
    return result, seconds


def main(rows: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        even, ragged = Path(folder) / "even.csv", Path(folder) / "ragged.csv"
        grow(even, rows, ragged=False)
        grow(ragged, rows, ragged=True)
        _, base = timed("pandas.read_csv with dates", lambda: pd.read_csv(
            even, parse_dates=["Logged On"], date_format="%d/%m/%Y %H:%M"))
        raw, _ = timed("read_table", lambda: read_table(even), base)
        timed("read_table, one ragged row", lambda: read_table(ragged), base)
        mapping, _ = timed("propose_mapping", lambda: propose_mapping(raw), base)
        fields, _ = timed("apply_mapping", lambda: apply_mapping(raw, mapping), base)
        timed("find_drift", lambda: find_drift(raw, mapping), base)
        timed(f"parse_dates ({fields['reported'].nunique()} distinct)", lambda: parse_dates(
            fields["reported"], style=mapping.date_style("reported"),
            time_zone="Europe/Lisbon"), base)
    print(f"largest memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
