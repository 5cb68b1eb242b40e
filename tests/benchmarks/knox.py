"""The table of rings with 99 permutations: seconds here, and as a ratio to pointpats' Knox test.

Run by hand: python tests/benchmarks/knox.py
"""

from __future__ import annotations

import resource
import time
import warnings

import geopandas as gpd
import numpy as np
import pandas as pd
from pointpats import Knox

from rehit.hotspots.spacetime import knox_rings
from rehit.parameters import load_parameters


def points(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Events over 30 x 30 km and three years."""
    rng = np.random.default_rng(1)
    return rng.uniform(0, 30_000, (n, 2)), rng.uniform(0, 1096, n)


def seconds(n: int) -> float:
    """Time one table of a single ring and band of n events."""
    xy, times = points(n)
    log = gpd.GeoDataFrame(
        {"reported_at": pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta(times, unit="D")},
        geometry=gpd.points_from_xy(*xy.T), crs=32630)
    numbers = load_parameters().override({"hotspots.knox_permutations": 99})
    begin = time.perf_counter()
    table = knox_rings(log, ring_edges_m=(0, 100), wait_edges_days=(0, 14), parameters=numbers,
                       rng=np.random.default_rng(1))
    taken = time.perf_counter() - begin
    print(f"{n:>8,} events: {taken:6.2f} s, {table['pairs'].sum()} close pairs, "
          f"p {table['p_permuted'].iloc[0]:.2f}")
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
