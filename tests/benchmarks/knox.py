"""Knox with 99 permutations: seconds here, and as a ratio to pointpats where that finishes.

Run by hand: python tests/benchmarks/knox.py
"""

from __future__ import annotations

import resource
import time
import warnings

import numpy as np
from pointpats import Knox

from rehit.hotspots.spacetime import knox


def points(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Events over 30 x 30 km and three years."""
    rng = np.random.default_rng(1)
    return rng.uniform(0, 30_000, (n, 2)), rng.uniform(0, 1096, n)


def seconds(n: int) -> float:
    """Time one test of n events."""
    xy, times = points(n)
    begin = time.perf_counter()
    result = knox(xy, times, distance=100, interval=14, permutations=99,
                  rng=np.random.default_rng(1))
    taken = time.perf_counter() - begin
    print(f"{n:>8,} events: {taken:6.2f} s, {result.close_in_both} close pairs, "
          f"p {result.p_permuted:.2f}")
    return taken


def main() -> None:
    """Print the times and the ratio."""
    small = seconds(10_000)
    xy, times = points(10_000)
    begin = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        Knox(xy, times[:, None], delta=100, tau=14, permutations=99)
    theirs = time.perf_counter() - begin
    print(f"pointpats at 10,000: {theirs:.1f} s; ratio here / pointpats {small / theirs:.3f} "
          "(at 100,000 pointpats runs out of memory)")
    seconds(100_000)
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
