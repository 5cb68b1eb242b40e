"""How long the programme of 20 000 assets x 5 years takes to a proven gap of 0.1 %.

Run by hand: ``OMP_NUM_THREADS=1 python tests/benchmarks/costs_programme.py [assets]``. The target
is 60 s. The budget is set so that money is short: a tenth of what all worthwhile covers cost.
"""

from __future__ import annotations

import sys
import time

import numpy as np
from costs_simulation import places

from rehit.costs.programme import best_choice, find_prospects, greedy_choice
from rehit.parameters import load_parameters

TARGET_S = 60.0


def main() -> None:
    """Time the candidates and the search, and print how far the plain ranking falls short."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    parameters = load_parameters()
    costing = places(n, np.random.default_rng(1))
    # Heavily hit places, so that many covers compete.
    costing["gamma_shape"] = costing["gamma_shape"] * 2 + 4
    started = time.perf_counter()
    prospects = find_prospects(costing, strategies=None, years=5, horizon_years=10,
                               scenarios=False, parameters=parameters)
    candidates = prospects.candidates
    print(f"{n} assets: {len(candidates.place)} candidates at "
          f"{len(np.unique(candidates.place))} places in {time.perf_counter() - started:.1f} s")
    now = candidates.keep(candidates.year == 0)
    worth = now.cost[np.unique(now.place, return_index=True)[1]].sum()
    for share in (0.02, 0.1, 0.18):
        money = np.full(5, worth * share)
        hours = np.full(5, now.hours.sum() * share)
        started, used = time.perf_counter(), time.process_time()
        best = best_choice(candidates, budgets=money, hours=hours, gap=0.001)
        elapsed, busy = time.perf_counter() - started, time.process_time() - used
        greedy = greedy_choice(candidates, budgets=money, hours=hours)
        print(f"budget {share:.0%} of the whole a year: elapsed {elapsed:.1f} s "
              f"({elapsed / TARGET_S:.2f} of the target), processor {busy:.1f} s, "
              f"gap {best.gap:.5f}, {best.chosen.sum()} places, "
              f"plain ranking / optimum {greedy.saving / best.saving:.5f}")


if __name__ == "__main__":
    main()
