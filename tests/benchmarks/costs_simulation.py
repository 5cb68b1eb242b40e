"""How long 100 000 assets x 5 strategies x 10 years x 1 000 draws take, and how much memory.

Run by hand: ``OMP_NUM_THREADS=1 python tests/benchmarks/costs_simulation.py [assets]``. The target
is 90 s and 2 GB on two processors. Shapes are a prior's plus a count, as the repeat table gives.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pandas as pd

from rehit.costs.lifecycle import compare_by_formula, compare_strategies
from rehit.costs.strategies import load_strategies
from rehit.parameters import load_parameters

TARGET_S, TARGET_GB = 90.0, 2.0


def places(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return invented places: most are seldom hit, few often."""
    return pd.DataFrame({
        "place_id": [f"P{number}" for number in range(n)],
        "gamma_shape": 0.6 + rng.poisson(rng.gamma(0.8, 4, n)),
        "gamma_rate_years": rng.uniform(1, 4, n),
        "mark_area_m2": rng.lognormal(0, 0.6, n), "wall_area_m2": rng.lognormal(2.6, 0.7, n),
        "method": rng.choice(["paint_out", "solvent_wipe", "hot_wash"], n, p=[0.55, 0.25, 0.2]),
        "coating_allowed": rng.random(n) < 0.8,
        "access": rng.choice(["ground", "ladder", "platform"], n, p=[0.8, 0.15, 0.05]),
        "traffic_control": rng.random(n) < 0.05})


def main() -> None:
    """Time the formula alone and the whole comparison."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    parameters = load_parameters()
    costing = places(n, np.random.default_rng(1))
    strategies = load_strategies(parameters=parameters)
    started, used = time.perf_counter(), time.process_time()
    compare_by_formula(costing, strategies=strategies, parameters=parameters)
    print(f"formula alone: {time.perf_counter() - started:.1f} s elapsed, "
          f"{time.process_time() - used:.1f} s of processor time")
    started, used = time.perf_counter(), time.process_time()
    table = compare_strategies(costing, strategies=strategies, draws=1000, horizon_years=10,
                               parameters=parameters, n_jobs=2, rng=np.random.default_rng(2))
    elapsed, busy = time.perf_counter() - started, time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{n} assets x {len(strategies)} strategies x 10 years x 1000 draws: {len(table)} rows")
    print(f"elapsed {elapsed:.1f} s ({elapsed / TARGET_S:.2f} of the target), "
          f"processor time {busy:.1f} s, peak memory {peak:.2f} GB ({peak / TARGET_GB:.2f})")
    print(table.loc[table["cheapest"], "strategy"].value_counts(normalize=True).round(3))


if __name__ == "__main__":
    main()
