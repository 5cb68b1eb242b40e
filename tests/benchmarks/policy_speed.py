"""How long policies take to be lived through, and what memory it takes.

    python tests/benchmarks/policy_speed.py [--places 5000] [--years 5] [--draws 1000]

Four policies on an invented patch with rates from a gamma distribution, some 3,500 markings a year
at 5,000 places, on two processes. Prints elapsed seconds, processor seconds for each million
markings, and the largest memory of this process and of one that worked for it.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from pathlib import Path

import numpy as np
from joblib.externals.loky import get_reusable_executor

from rehit.policy.patch import draw_worlds
from rehit.policy.policies import read_policies
from rehit.policy.simulate import live


def main() -> int:
    """Live through four policies and print what it took."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--places", type=int, default=5000)
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument("--draws", type=int, default=1000)
    args = parser.parse_args()
    sys.path.insert(0, str(Path(__file__).parents[1] / "invented"))
    from invented_patch import make_patch

    rng, n = np.random.default_rng(0), args.places
    patch = make_patch(
        n, wait_days=4.0, crews=4, round_the_clock=False, shape=3 * rng.gamma(0.6, 1, n) + 0.3,
        rate_years=np.full(n, 3.0), cell=rng.integers(0, max(n // 16, 1), n),
        elsewhere_per_year=n / 25, onsite_h=np.full(n, 0.5), onsite_coated_h=np.full(n, 0.3),
        offensive=np.full(n + 1, 0.1), report_days=7.0, effort_sd=0.4,
        bursts={"town": 0.02, "cell": 0.1, "place": 0.8})
    ones = np.ones(args.draws)
    worlds = draw_worlds(patch, level=np.ones((args.draws, args.years)), never_ratio=0.07 * ones,
                         report_factor=ones, minutes=ones, haste=ones, rng=rng)
    begun = time.perf_counter()
    lived = live(patch, read_policies()[:4], worlds, seed=1, years=args.years, n_jobs=2)
    elapsed = time.perf_counter() - begun
    get_reusable_executor().shutdown(wait=True)  # only then are its workers' figures known
    used = os.times()
    markings = sum(float(each.sums["markings"].sum()) for each in lived) / 1e6
    workers = resource.getrusage(resource.RUSAGE_CHILDREN)
    own = resource.getrusage(resource.RUSAGE_SELF)
    print(f"{markings:.1f} million markings in {elapsed:.1f} s; "
          f"{(used.user + used.children_user) / markings:.2f} s of processor a million; "
          f"this process {own.ru_maxrss / 1e6:.2f} GB, the largest worker "
          f"{workers.ru_maxrss / 1e6:.2f} GB")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
