"""How long the whole report takes for a large log, and how large its page gets.

Run by hand: ``python tests/benchmarks/report_speed.py [incidents]`` (default 100,000). Asked for:
under 60 s and a page below 8 MB.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "invented"))

from report_tables import make_incidents, make_input

from rehit.outputs.report import write_report


def main(n: int) -> None:
    """Make a log of `n` incidents on n / 20 places and write its report."""
    inputs = make_input(incidents=make_incidents(n, n_places=n // 20))
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        files = write_report(inputs, Path(folder))
        took = time.perf_counter() - start
        for path in files[:6]:
            print(f"{path.name:15} {path.stat().st_size / 1e6:7.2f} MB")
        print(f"{n:,} incidents: {took:.1f} s ({took / 60:.0%} of the minute allowed)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
