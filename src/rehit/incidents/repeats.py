"""A second report while the first still waits is the same marking; after the clearing, a new one.

That is the difference on which every re-hit rate rests. Two reports are of one marking when they
name the same asset, the same exact address, or points nearer than the places are known; when the
later came before the earlier was cleared; and when nothing they say contradicts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rehit.incidents.pairs import BY_ASSET, BY_DISTANCE, Pairs, Sites
from rehit.parameters import Parameters

NEVER = np.iinfo(np.int64).max
DAY = 86_400


@dataclass(frozen=True)
class Reports:
    """What joining needs to know of every row, as columns of numbers.

    Attributes
    ----------
    seconds
        Report, in seconds since 1970 (UTC).
    by_day
        Whether only the day of the report is known.
    cleared
        Clearing in seconds; ``NEVER`` where there is none.
    closed
        End of the case in seconds, cleaned or not; ``NEVER`` where there is none.
    closed_by_day
        Whether only the day of that end is known.
    waiting
        Whether the case is open, so that it waits until the extract's end.
    asset, address, kind, surface
        Codes of asset id, exact address, kind of thing and family of surfaces; -1 not known.
    x, y
        Point in metres; NaN where the place is known to the street only, or not at all.
    """

    seconds: np.ndarray
    by_day: np.ndarray
    cleared: np.ndarray
    closed: np.ndarray
    closed_by_day: np.ndarray
    waiting: np.ndarray
    asset: np.ndarray
    address: np.ndarray
    kind: np.ndarray
    surface: np.ndarray
    x: np.ndarray
    y: np.ndarray

    def sites(self) -> Sites:
        """Return the index of places and times."""
        return Sites(seconds=self.seconds, asset=self.asset, address=self.address, x=self.x,
                     y=self.y)


def join_repeats(root: np.ndarray, rule: np.ndarray, cleared: np.ndarray, reports: Reports,
                 usable: np.ndarray, parameters: Parameters) -> None:
    """Join each report to the incident that was waiting at its place; changes the first three.

    The incident is clean from the first clearing that any of its reports has: later reports start
    a new incident even if a joined report was closed later, for its closing is paperwork.

    Parameters
    ----------
    root, rule, cleared
        Own row, reason and clearing of each row, filled in here.
    reports
        All rows.
    usable
        Rows that take part; those already joined are passed over.
    parameters
        ``incidents.join_distance_m``, ``incidents.undated_window_days`` and
        ``incidents.same_day_is_repeat``.
    """
    rows = np.flatnonzero(usable)
    free = usable & (root == np.arange(len(root)))
    last = waits_until(reports, parameters)
    # A report joined already lends its place to its incident, and waits as long as that does.
    until = last[root[rows]]
    pairs = reports.sites().find(rows, reports.seconds[rows], until,
                                 reach_m=parameters["incidents.join_distance_m"], among=free)
    pairs = _only(pairs, compatible(pairs, reports, parameters))
    # Of two reports at the same time, the one that comes first in the rows' own order leads.
    ahead = (reports.seconds[pairs.first] < reports.seconds[pairs.second]) | (
        pairs.first < pairs.second)
    pairs = _only(pairs, ahead)
    _assign(pairs, root, rule, cleared, last, reports)


def waits_until(reports: Reports, parameters: Parameters) -> np.ndarray:
    """Return the last second at which another report is still one of the same marking."""
    window = int(parameters["incidents.undated_window_days"] * DAY)
    last = np.where(reports.waiting, NEVER, reports.seconds + window)
    known = reports.closed != NEVER
    # A clearing known by its day lasts until the day's end: a report of that day, also known by
    # its day at best, is taken for one of the marking that was cleared on it.
    slack = np.where(reports.closed_by_day & (parameters["incidents.same_day_is_repeat"] > 0),
                     DAY, 0)
    ended = np.where(known, reports.closed, 0) + slack - 1
    # Closed without cleaning: the marking is still there to be reported once more.
    ended = np.where(reports.cleared == NEVER, np.maximum(ended, reports.seconds + window), ended)
    return np.where(known, ended, last)


def compatible(pairs: Pairs, reports: Reports, parameters: Parameters) -> np.ndarray:
    """Return which pairs nothing speaks against."""
    a, b = pairs.first, pairs.second

    def contradict(code: np.ndarray) -> np.ndarray:
        return (code[a] >= 0) & (code[b] >= 0) & (code[a] != code[b])

    same_asset = pairs.how == BY_ASSET
    far = pairs.metres > parameters["incidents.same_address_metres"]
    against = contradict(reports.asset) | (far & ~same_asset)
    against |= (pairs.how == BY_DISTANCE) & contradict(reports.address)
    against |= ~same_asset & (contradict(reports.kind) | contradict(reports.surface))
    return ~against


def find_parents(rows: np.ndarray, root: np.ndarray, reports: Reports, among: np.ndarray,
                 parameters: Parameters) -> np.ndarray:
    """Return, for rows the log calls duplicates, the own row of the incident each repeats.

    The incident that was waiting at the time is preferred, then the nearer by asset, address and
    distance, then the nearer in time. -1 where none is found.
    """
    parent = np.full(len(rows), -1, dtype=np.int64)
    reach = int(parameters["incidents.duplicate_search_days"] * DAY)
    pairs = reports.sites().find(rows, reports.seconds[rows] - reach, reports.seconds[rows] + reach,
                                 reach_m=parameters["incidents.duplicate_search_metres"],
                                 among=among)
    if not len(pairs.first):
        return parent
    clash = (reports.asset[pairs.first] >= 0) & (reports.asset[pairs.second] >= 0) & (
        reports.asset[pairs.first] != reports.asset[pairs.second])
    pairs = _only(pairs, ~clash)
    last = waits_until(reports, parameters)
    asked = reports.seconds[pairs.first]
    waiting = (reports.seconds[pairs.second] <= asked) & (asked <= last[pairs.second])
    gap = np.abs(asked - reports.seconds[pairs.second])
    metres = np.nan_to_num(pairs.metres, nan=0.0)
    order = np.lexsort((pairs.second, gap, np.round(metres), -pairs.how, ~waiting, pairs.first))
    first, where = np.unique(pairs.first[order], return_index=True)
    spot = np.searchsorted(rows, first)
    parent[spot] = root[pairs.second[order][where]]
    return parent


def _only(pairs: Pairs, keep: np.ndarray) -> Pairs:
    return Pairs(*(column[keep] for column in pairs))


def _assign(pairs: Pairs, root: np.ndarray, rule: np.ndarray, cleared: np.ndarray,
            last: np.ndarray, reports: Reports) -> None:
    """Go through the later reports in time; join each to the best incident still waiting."""
    seconds = reports.seconds
    metres = np.nan_to_num(pairs.metres, nan=0.0)
    order = np.lexsort((pairs.first, -seconds[pairs.first], np.round(metres), -pairs.how,
                        pairs.second, seconds[pairs.second]))
    names = {1: "same_place_before_cleared", 2: "same_address_before_cleared",
             3: "same_asset_before_cleared"}
    joined_before = root != np.arange(len(root))
    done = -1
    for i, j, how in zip(pairs.first[order].tolist(), pairs.second[order].tolist(),
                         pairs.how[order].tolist(), strict=True):
        own = int(root[i])
        if j == done or own == j or seconds[j] > last[own] or seconds[j] < seconds[own]:
            continue
        if own != i and how == BY_DISTANCE and not joined_before[i]:
            continue  # else a chain of near points would wander down the street
        root[j], rule[j], done = own, names[how], j
        if cleared[own] == NEVER and cleared[j] != NEVER:
            cleared[own] = cleared[j]
        if reports.closed[own] == NEVER and reports.closed[j] != NEVER and last[own] != last[j]:
            last[own] = last[j]
