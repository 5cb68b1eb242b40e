"""The fast search for partners against every pair tried in turn."""

from __future__ import annotations

import numpy as np
import pytest

from rehit.incidents.joining import BY_ADDRESS, BY_ASSET, BY_DISTANCE, Sites


def brute(sites: Sites, rows: np.ndarray, low: np.ndarray, high: np.ndarray, reach_m: float,
          among: np.ndarray) -> dict[tuple[int, int], int]:
    found = {}
    for k, i in enumerate(rows):
        for j in np.flatnonzero(among):
            if i == j or not low[k] <= sites.seconds[j] <= high[k]:
                continue
            near = np.hypot(sites.x[i] - sites.x[j], sites.y[i] - sites.y[j]) <= reach_m
            if sites.asset[i] >= 0 and sites.asset[i] == sites.asset[j]:
                found[int(i), int(j)] = BY_ASSET
            elif sites.address[i] >= 0 and sites.address[i] == sites.address[j]:
                found[int(i), int(j)] = BY_ADDRESS
            elif near:
                found[int(i), int(j)] = BY_DISTANCE
    return found


@pytest.mark.parametrize("seed", range(6))
def test_search_finds_what_trying_every_pair_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = 120
    # Points on a grid of half metres, so that no distance lies on the edge by rounding alone.
    x, y = (np.round(rng.uniform(0, 60, size) * 2) / 2 for _ in range(2))
    x[rng.random(size) < 0.2] = np.nan
    y[np.isnan(x)] = np.nan
    sites = Sites(seconds=rng.integers(0, 1000, size), asset=rng.integers(-1, 8, size),
                  address=rng.integers(-1, 8, size), x=x, y=y)
    rows = np.sort(rng.choice(size, size // (1 if seed % 2 else 12), replace=False))
    low = sites.seconds[rows] - rng.integers(0, 200, len(rows))
    high = sites.seconds[rows] + rng.integers(-300, 400, len(rows))
    among = rng.random(size) < 0.7
    pairs = sites.find(rows, low, high, reach_m=7.2, among=among)
    found = dict(zip(zip(pairs.first.tolist(), pairs.second.tolist(), strict=True),
                     pairs.how.tolist(), strict=True))
    assert len(found) == len(pairs.first)
    assert found == brute(sites, rows, low, high, 7.2, among)


def test_open_end_reaches_every_later_report() -> None:
    sites = Sites(seconds=np.array([0, 10, 10**9]), asset=np.array([1, 1, 1]),
                  address=np.array([-1, -1, -1]), x=np.full(3, np.nan), y=np.full(3, np.nan))
    pairs = sites.find(np.array([0]), np.array([0]), np.array([np.iinfo(np.int64).max]),
                       reach_m=5.0, among=np.ones(3, dtype=bool))
    assert pairs.second.tolist() == [1, 2]
    assert np.isnan(pairs.metres).all()
