"""Pairs of reports that may speak of one marking: same place by some key, times that overlap."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

BY_ASSET, BY_ADDRESS, BY_DISTANCE = 3, 2, 1
_CHUNK = 2_000_000
# From one wanted spot in so many on, looking up each costs less than listing all pairs.
_FEW = 5


class Pairs(NamedTuple):
    """Pairs of row positions: `first` looked for `second`; how they meet, and how far apart."""

    first: np.ndarray
    second: np.ndarray
    how: np.ndarray
    metres: np.ndarray


class Sites:
    """Where and when each row was reported, ready to be searched.

    Parameters
    ----------
    seconds
        Time of the report as whole seconds.
    asset, address
        Code of the asset and of the exact address; -1 where not known.
    x, y
        Point in metres, NaN where it is not known well enough to tell two walls apart.
    """

    def __init__(self, *, seconds: np.ndarray, asset: np.ndarray, address: np.ndarray,
                 x: np.ndarray, y: np.ndarray) -> None:
        self.seconds, self.asset, self.address, self.x, self.y = seconds, asset, address, x, y
        there = ~np.isnan(x)
        self._node = np.full(len(x), -1, dtype=np.int64)
        grid = pd.DataFrame({"x": np.round(x[there], 2), "y": np.round(y[there], 2)})
        self._node[there] = grid.groupby(["x", "y"], sort=True).ngroup().to_numpy()
        self._spots = grid.drop_duplicates().sort_values(["x", "y"]).to_numpy()

    def find(self, rows: np.ndarray, low: np.ndarray, high: np.ndarray, *, reach_m: float,
             among: np.ndarray) -> Pairs:
        """Return pairs of each of `rows` with rows `among` reported from `low` to `high`.

        Parameters
        ----------
        rows
            Positions that look for partners.
        low, high
            Limits of the partner's report for each of them, in seconds.
        reach_m
            Distance within which two points are one place.
        among
            Truth per row of the whole table: who may be a partner.
        """
        parts = [
            self._by_key(self.asset, rows, low, high, among, BY_ASSET),
            self._by_key(self.address, rows, low, high, among, BY_ADDRESS),
            self._by_distance(rows, low, high, among, reach_m),
        ]
        first, second, how = (np.concatenate(column) for column in zip(*parts, strict=True))
        keep = first != second
        first, second, how = first[keep], second[keep], how[keep]
        order = np.lexsort((-how, second, first))
        first, second, how = first[order], second[order], how[order]
        fresh = np.ones(len(first), dtype=bool)
        fresh[1:] = (first[1:] != first[:-1]) | (second[1:] != second[:-1])
        first, second, how = first[fresh], second[fresh], how[fresh]
        metres = np.hypot(self.x[first] - self.x[second], self.y[first] - self.y[second])
        return Pairs(first, second, how, metres)

    def _by_key(self, code: np.ndarray, rows: np.ndarray, low: np.ndarray, high: np.ndarray,
                among: np.ndarray, how: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        looking = code[rows] >= 0
        index = _Index(code, self.seconds, among & (code >= 0))
        first, second = index.between(rows[looking], code[rows[looking]], low[looking],
                                      high[looking])
        return first, second, np.full(len(first), how, dtype=np.int8)

    def _by_distance(self, rows: np.ndarray, low: np.ndarray, high: np.ndarray, among: np.ndarray,
                     reach_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        looking = self._node[rows] >= 0
        rows, low, high = rows[looking], low[looking], high[looking]
        index = _Index(self._node, self.seconds, among & (self._node >= 0))
        place = self._node[rows]
        starts, ends = _neighbours(self._spots, np.unique(place), reach_m)
        found = [index.between(rows, place, low, high)]
        begin = np.searchsorted(starts, place, "left")
        count = np.searchsorted(starts, place, "right") - begin
        for chunk in _chunks(count):
            which = np.repeat(chunk, count[chunk])
            within = np.arange(len(which)) - np.repeat(
                np.cumsum(count[chunk]) - count[chunk], count[chunk])
            nodes = ends[begin[which] + within]
            found.append(index.between(rows[which], nodes, low[which], high[which]))
        first = np.concatenate([f for f, _ in found])
        second = np.concatenate([s for _, s in found])
        return first, second, np.full(len(first), BY_DISTANCE, dtype=np.int8)


class _Index:
    """Rows sorted by key and time, searched by whole columns."""

    def __init__(self, key: np.ndarray, seconds: np.ndarray, among: np.ndarray) -> None:
        at = np.flatnonzero(among)
        self._zero = int(seconds.min()) if len(seconds) else 0
        self._span = (int(seconds.max()) - self._zero + 2) if len(seconds) else 2
        spot = key[at] * self._span + (seconds[at] - self._zero)
        order = np.argsort(spot, kind="stable")
        self._spot, self._row = spot[order], at[order]

    def between(self, rows: np.ndarray, key: np.ndarray, low: np.ndarray, high: np.ndarray
                ) -> tuple[np.ndarray, np.ndarray]:
        """Return each of `rows` with every row of that key reported from low to high."""
        base = key * self._span
        low = np.clip(low - self._zero, 0, self._span - 1)
        high = np.clip(high - self._zero, -1, self._span - 1)
        begin = np.searchsorted(self._spot, base + low, "left")
        end = np.where(high < low, begin, np.searchsorted(self._spot, base + high, "right"))
        count = np.maximum(end - begin, 0)
        first = np.repeat(rows, count)
        step = np.arange(len(first)) - np.repeat(np.cumsum(count) - count, count)
        return first, self._row[np.repeat(begin, count) + step]


def _neighbours(spots: np.ndarray, wanted: np.ndarray, reach_m: float
                ) -> tuple[np.ndarray, np.ndarray]:
    """Return ordered pairs of a wanted spot and another within reach, sorted by the first."""
    if len(spots) < 2 or reach_m <= 0 or not len(wanted):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    tree = cKDTree(spots)
    if len(wanted) * _FEW > len(spots):
        pairs = tree.query_pairs(reach_m, output_type="ndarray").astype(np.int64)
        starts = np.concatenate([pairs[:, 0], pairs[:, 1]])
        ends = np.concatenate([pairs[:, 1], pairs[:, 0]])
    else:
        balls = tree.query_ball_point(spots[wanted], reach_m)
        starts = np.repeat(wanted, [len(ball) for ball in balls])
        ends = np.concatenate([np.asarray(ball, dtype=np.int64) for ball in balls])
        starts, ends = starts[starts != ends], ends[starts != ends]
    order = np.lexsort((ends, starts))
    return starts[order], ends[order]


def _chunks(count: np.ndarray) -> list[np.ndarray]:
    """Split rows so that each part expands to a bounded number of searches."""
    some = np.flatnonzero(count)
    if not len(some):
        return []
    part = (np.cumsum(count[some]) - 1) // _CHUNK
    return [some[part == number] for number in np.unique(part)]
