"""On how many small days the search misses a standard that some plan would keep.

    python tests/studies/patrol_standards.py --days 100

Every share of the jobs among the crews is tried in every order, with the break after each stop;
days whose jobs do not all fit are left out.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "invented"))
from patrol_small_days import fewest_missed, missed_by_search, small_day

from rehit.parameters import load_parameters

KINDS = ({"n_crews": 1, "n_jobs": 6, "n_looks": 0, "last_due_min": 800.0},
         {"n_crews": 1, "n_jobs": 7, "n_looks": 0, "last_due_min": 700.0},
         {"n_crews": 2, "n_jobs": 6, "n_looks": 0, "last_due_min": 650.0},
         {"n_crews": 2, "n_jobs": 7, "n_looks": 0, "last_due_min": 650.0},
         {"n_crews": 1, "n_jobs": 4, "n_looks": 12, "last_due_min": 800.0})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=25)
    args = parser.parse_args()
    numbers = load_parameters().override({"patrol.search_iterations": 500})
    for kind in KINDS:
        days = [small_day(numbers, seed=seed, **kind) for seed in range(args.days)]
        missed = [(missed_by_search(day, numbers), least) for day in days
                  if (least := fewest_missed(day)) is not None]
        print(kind, f"more standards missed than needed on {sum(a > b for a, b in missed)} of "
              f"{len(missed)} days; some must be missed on {sum(b > 0 for _, b in missed)}",
              flush=True)


if __name__ == "__main__":
    main()
