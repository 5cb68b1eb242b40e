"""A million incidents on 100,000 sites: repeats, clusters, Gi* and forecast, timed.

Run by hand: python tests/benchmarks/hotspots_million.py [--rows N] [--compare]

--compare adds the plain library calls (scikit-learn's DBSCAN on every row, esda's G_Local on the
grid) and prints the ratio of time.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from typing import TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.clusters import find_clusters, suggest_radius
from rehit.hotspots.forecast import forecast_places
from rehit.hotspots.rates import rank_repeats
from rehit.hotspots.significance import hot_cells
from rehit.observed import Window
from rehit.parameters import load_parameters

FROM, TO = pd.Timestamp("2022-01-01", tz="UTC"), pd.Timestamp("2025-01-01", tz="UTC")
Result = TypeVar("Result")


def big_log(n_incidents: int, n_sites: int) -> gpd.GeoDataFrame:
    """Sites over 30 x 30 km, thicker in forty centres, with gamma distributed rates."""
    rng = np.random.default_rng(1)
    centres = rng.uniform(2_000, 28_000, (40, 2))
    near = centres[rng.integers(0, 40, n_sites)] + rng.normal(0, 1_500, (n_sites, 2))
    xy = np.where(rng.uniform(size=(n_sites, 1)) < 0.5, near, rng.uniform(0, 30_000, near.shape))
    rate = rng.gamma(0.6, 1.0, n_sites)
    site = rng.choice(n_sites, n_incidents, p=rate / rate.sum())
    day = rng.uniform(0, (TO - FROM).days, n_incidents)
    reported = FROM + pd.to_timedelta(day, unit="D")
    streets = np.array([f"street {i}" for i in range(3_000)])
    return gpd.GeoDataFrame({
        "incident_id": np.arange(n_incidents).astype(str), "reported_at": reported,
        "cleared_at": reported + pd.to_timedelta(rng.uniform(0.2, 9, n_incidents), unit="D"),
        "status": "cleared", "priority": "ordinary", "place_quality": "surveyed",
        "place_id": np.char.add("S", site.astype(str)), "place_kind": "site",
        "street_key": streets[site % 3_000], "asset_id": None, "asset_id_given": None,
    }, geometry=gpd.points_from_xy(*xy[site].T), crs=32630)


def timed(name: str, work: Callable[[], Result]) -> tuple[Result, float]:
    """Run and print how long it took (wall and processor) and the peak memory so far."""
    begin, cpu = time.perf_counter(), time.process_time()
    result = work()
    taken = time.perf_counter() - begin
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{name:<22}{taken:7.1f} s wall {time.process_time() - cpu:7.1f} s processor "
          f"{memory:6.2f} GB", flush=True)
    return result, taken


def main() -> None:
    """Print the table of times."""
    n = int(sys.argv[sys.argv.index("--rows") + 1]) if "--rows" in sys.argv else 1_000_000
    log, _ = timed("(making the log)", lambda: big_log(n, n // 10))
    numbers, window = load_parameters(), Window(FROM, TO)
    places, a = timed("repeats", lambda: rank_repeats(
        log, register=None, threshold_per_year=4.0, parameters=numbers,
        rng=np.random.default_rng(1), window=window))
    clusters, b = timed("clusters", lambda: find_clusters(
        log, parameters=numbers, rng=np.random.default_rng(1), window=window))
    cells, c = timed("Gi* and local Moran", lambda: hot_cells(log, parameters=numbers))
    _, d = timed("forecast", lambda: forecast_places(
        log, places=places, parameters=numbers, window=window))
    print(f"together {a + b + c + d:.1f} s: {len(places):,} places, {len(clusters):,} clusters, "
          f"{len(cells):,} cells")
    if "--compare" in sys.argv:
        compare(log, suggest_radius(log, parameters=numbers).radius_m, b, c)


def compare(log: gpd.GeoDataFrame, radius_m: float, clusters_s: float, cells_s: float) -> None:
    """Time the plain library calls on the same data."""
    import esda
    from libpysal.weights import lat2W
    from sklearn.cluster import DBSCAN

    from rehit.hotspots.grid import lay_grid

    xy = np.column_stack([log.geometry.x, log.geometry.y])
    _, theirs = timed("sklearn DBSCAN", lambda: DBSCAN(eps=radius_m, min_samples=10).fit(xy))
    print(f"  clusters with radius, names, hulls, stability / one DBSCAN {clusters_s / theirs:.2f}")
    grid = lay_grid(*xy.T, side=100.0)
    counts = grid.tally(*xy.T).ravel().astype(float)
    weights = lat2W(grid.rows, grid.columns, rook=False)
    _, theirs = timed("esda G_Local analytic", lambda: esda.G_Local(
        counts, weights, transform="B", star=True, permutations=0))
    print(f"  cells with Gi*, tails, local Moran / G_Local {cells_s / theirs:.3f}")


if __name__ == "__main__":
    main()
