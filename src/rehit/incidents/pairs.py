"""Pairs of reports that may speak of one marking: same place by some key, times that overlap."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

BY_ASSET, BY_ADDRESS, BY_DISTANCE = 3, 2, 1
_SMALLEST_CELL_M = 1.0


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
        """Look through the nine cells around each point; times sort out most before distance."""
        there = ~np.isnan(self.x)
        cells, height = self._cells(there, max(reach_m, _SMALLEST_CELL_M))
        known, number = np.unique(cells[there], return_inverse=True)
        code = np.full(len(self.x), -1, dtype=np.int64)
        code[there] = number
        index = _Index(code, self.seconds, among & there)
        looking = there[rows]
        rows, low, high = rows[looking], low[looking], high[looking]
        found: list[tuple[np.ndarray, np.ndarray]] = []
        for step in (east * height + north for east in (-1, 0, 1) for north in (-1, 0, 1)):
            target = cells[rows] + step
            place = np.minimum(np.searchsorted(known, target), max(len(known) - 1, 0))
            hit = known[place] == target if len(known) else np.zeros(0, dtype=bool)
            first, second = index.between(rows[hit], place[hit], low[hit], high[hit])
            near = np.hypot(self.x[first] - self.x[second],
                            self.y[first] - self.y[second]) <= reach_m
            found.append((first[near], second[near]))
        first, second = (np.concatenate(part) for part in zip(*found, strict=True))
        return first, second, np.full(len(first), BY_DISTANCE, dtype=np.int8)

    def _cells(self, there: np.ndarray, side_m: float) -> tuple[np.ndarray, int]:
        """Number square cells column by column, with an empty row between columns."""
        cells = np.full(len(self.x), -1, dtype=np.int64)
        if not there.any():
            return cells, 1
        side = side_m * (1 + 1e-9)
        east = np.floor((self.x[there] - self.x[there].min()) / side).astype(np.int64)
        north = np.floor((self.y[there] - self.y[there].min()) / side).astype(np.int64)
        height = int(north.max()) + 3
        cells[there] = east * height + north + 1
        return cells, height


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
