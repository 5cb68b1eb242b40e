"""A second report while the first still waits is the same marking; after the clearing, a new one.

That is the difference on which every re-hit rate rests. Two reports are of one marking when they
name the same asset, the same exact address, or points nearer than the places are known; when the
later came before the earlier was cleared; and when nothing they say contradicts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from pyproj import CRS

from rehit.incidents.places import EXACT_KINDS, Points
from rehit.incidents.rows import CleanSettings, is_blank_id
from rehit.incidents.times import Times
from rehit.parameters import Parameters

# What joining needs to know of every row, and what it finds.

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
    asset, address, kind, detail, surface, poster
        Codes of asset id, exact address, kind of thing, finer kind of request, family of surfaces,
        and whether the request is of posters alone; -1 not known.
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
    detail: np.ndarray
    surface: np.ndarray
    poster: np.ndarray
    x: np.ndarray
    y: np.ndarray

    def sites(self) -> Sites:
        """Return the index of places and times."""
        return Sites(seconds=self.seconds, asset=self.asset, address=self.address, x=self.x,
                     y=self.y)


@dataclass
class Joins:
    """To which row each row was joined, and why.

    ``root`` holds the position of the incident's own row (a row's own position when it is one);
    ``rule`` the reason, empty for an incident's own; ``orphan`` marks duplicates without a parent.
    ``cleared_at`` holds the clearing of the incident at its own row, ``named_by`` the row whose
    report names the thing that was marked.
    """

    root: np.ndarray
    rule: np.ndarray
    orphan: np.ndarray
    cleared_at: np.ndarray
    named_by: np.ndarray
    usable_ids: pd.Series
    reused_ids: int = 0
    undecidable: int = 0
    undecidable_groups: int = 0
    notes: dict[str, int] = field(default_factory=dict)


# Reports of one marking become one incident: what the log says outright comes first.
#
# In this order: one request number twice; a row repeated in an overlapping file; a reference to the
# earlier report; then same place and time; last, rows whose status calls them duplicates, which
# look for the incident they repeat.

def join_reports(rows: pd.DataFrame, reports: Reports, active: np.ndarray, flagged: np.ndarray, *,
                 settings: CleanSettings) -> Joins:
    """Join reports of one marking.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    reports
        Times, places and kinds of all rows.
    active
        Which rows are usable at all.
    flagged
        Which rows the log itself calls duplicates.
    settings
        Windows and distances (``parameters``), and what to do with exact duplicates.

    Returns
    -------
    Joins
        One entry per row.
    """
    size = len(rows)
    ids = rows["report_id"].mask(is_blank_id(rows["report_id"]))
    ids, ignored = _without_useless_ids(ids, rows)
    joins = Joins(np.arange(size), np.full(size, "", dtype=object), np.zeros(size, dtype=bool),
                  reports.cleared.copy(), np.arange(size), ids)
    joins.notes["ids_ignored"] = ignored
    _join_same_number(joins, reports, active, flagged, settings)
    _join_overlaps(joins, rows, active)
    lost = _join_references(joins, _with_named_numbers(rows, joins.usable_ids, flagged), active)
    # A row joined by its number follows the row that the reference of that one led to.
    joins.root = _flatten(joins.root)
    flagged = (flagged | lost) & active & (joins.root == np.arange(size))
    join_repeats(joins, reports, active & ~flagged, settings.parameters)
    _exact_duplicates(joins, rows, active & ~flagged, settings)
    _join_flagged(joins, reports, active, flagged, settings)
    joins.root = _flatten(joins.root)
    joins.orphan |= joins.orphan[joins.root]
    _name_things(joins, reports, active & ~joins.orphan)
    _join_incidents(joins, reports, active & ~joins.orphan, flagged, settings.parameters)
    return joins


def _without_useless_ids(ids: pd.Series, rows: pd.DataFrame) -> tuple[pd.Series, int]:
    """Drop the request numbers of a file in which most of them are not unique."""
    known = ids.notna()
    twice = pd.DataFrame({"file": rows["source_file"], "id": ids, "twice": known})[known]
    twice["twice"] = twice.duplicated(["file", "id"], keep=False)
    share = twice.groupby("file")["twice"].agg(["mean", "size"])
    useless = share.index[(share["mean"] > 0.5) & (share["size"] > 9)]
    drop = rows["source_file"].isin(useless) & known
    return ids.mask(drop), int(drop.sum())


def _join_same_number(joins: Joins, reports: Reports, active: np.ndarray, flagged: np.ndarray,
                      settings: CleanSettings) -> None:
    """Join rows with one request number; the one closed last speaks for all."""
    ids = joins.usable_ids
    twice = (ids.duplicated(keep=False) & ids.notna() & active).to_numpy()
    at = np.flatnonzero(twice)
    if not len(at):
        return
    closed = np.where(reports.cleared[at] == NEVER, np.iinfo(np.int64).min, reports.cleared[at])
    order = at[np.lexsort((at, -closed.astype(float), flagged[at]))]
    groups = ids.iloc[order].groupby(ids.iloc[order].to_numpy(), sort=False)
    owner = _first_of(groups, order)
    far = settings.parameters["incidents.same_number_days"] * 86_400
    same = np.abs(reports.seconds[order] - reports.seconds[owner]) <= far
    apart = np.hypot(reports.x[order] - reports.x[owner], reports.y[order] - reports.y[owner])
    same &= ~(apart > settings.parameters["incidents.same_number_metres"])
    joins.reused_ids = int((~same).sum())
    won = same & (order != owner)
    joins.root[order[won]] = owner[won]
    joins.rule[order[won]] = "same_request_number"
    # A number used again for something else names neither row.
    reused = set(ids.iloc[order[~same]])
    if reused:
        joins.usable_ids = ids.mask(ids.isin(reused))


def _first_of(groups: pd.api.typing.SeriesGroupBy[Any, Any], order: np.ndarray) -> np.ndarray:
    number = groups.ngroup().to_numpy()
    _, first = np.unique(number, return_index=True)
    return order[first[number]]


def _join_overlaps(joins: Joins, rows: pd.DataFrame, active: np.ndarray) -> None:
    """Join the k-th of equal rows without a number to the k-th such row of an earlier file."""
    free = active & joins.usable_ids.isna().to_numpy() & (joins.root == np.arange(len(rows)))
    at = np.flatnonzero(free)
    if rows["source_file"].nunique() < 2 or not len(at):
        return
    part = rows.iloc[at]
    turn = part.groupby(["content", "source_file"], sort=False).cumcount()
    keys = pd.DataFrame({"content": part["content"], "turn": turn})
    number = keys.groupby(["content", "turn"], sort=False).ngroup().to_numpy()
    _, first = np.unique(number, return_index=True)
    owner = at[first[number]]
    won = owner != at
    joins.root[at[won]] = owner[won]
    joins.rule[at[won]] = "repeated_in_overlapping_file"


_LIKE_A_NUMBER = re.compile(r"(?<![\w.])(?=[\w-]*\d{4})[A-Za-z]{0,6}[\w-]*\d(?![\w.])")


def _with_named_numbers(rows: pd.DataFrame, ids: pd.Series, flagged: np.ndarray) -> pd.DataFrame:
    """Fill ``duplicate_of`` of rows called duplicates with a request number that their notes name.

    Only a number that another row has counts; letters before it ("SR#4385628") may be left out.
    """
    silent = flagged & rows["duplicate_of"].isna().to_numpy()
    if not silent.any():
        return rows
    known = {str(number).casefold(): str(number) for number in ids.dropna().unique()}
    texts = rows.loc[silent, "outcome"].str.cat(rows.loc[silent, ["status", "description"]],
                                                sep=" ", na_rep="")
    named = [_number_in(text, known, str(own).casefold()) for text, own in zip(
        texts.tolist(), rows.loc[silent, "report_id"].tolist(), strict=True)]
    found = pd.Series(pd.array(named, dtype="str"), index=texts.index).reindex(rows.index)
    return rows.assign(duplicate_of=rows["duplicate_of"].fillna(found).astype("str"))


def _number_in(text: str, known: dict[str, str], own: str) -> str | None:
    for token in _LIKE_A_NUMBER.findall(text):
        for key in (token.casefold(), token.casefold().lstrip("abcdefghijklmnopqrstuvwxyz-_")):
            if key in known and key != own:
                return known[key]
    return None


def _join_references(joins: Joins, rows: pd.DataFrame, active: np.ndarray) -> np.ndarray:
    """Follow ``duplicate_of``; return the rows whose reference leads nowhere."""
    lost = np.zeros(len(rows), dtype=bool)
    referring = rows["duplicate_of"].notna().to_numpy() & active & (
        joins.root == np.arange(len(rows)))
    if not referring.any():
        return lost
    known = joins.usable_ids[active & joins.usable_ids.notna().to_numpy()]
    known = known[~known.duplicated()]
    at = np.flatnonzero(referring)
    place = pd.Series(known.index, index=known.to_numpy(), dtype="int64")
    found = rows["duplicate_of"].iloc[at].map(place).fillna(-1).to_numpy(dtype=np.int64)
    found = np.where(found >= 0, joins.root[found], -1)
    target = dict(zip(at.tolist(), found.tolist(), strict=True))
    for row in target:
        end = _end_of_chain(row, target)
        if end == -1:
            lost[row] = True
        elif end != row:
            joins.root[row] = end
            joins.rule[row] = "duplicate_of_reference"
    return lost


def _end_of_chain(at: int, target: dict[int, int]) -> int:
    """Return the row a chain of references ends at; -1 if the very first leads nowhere.

    A ring has no end; its first row stands for all of it.
    """
    seen = [at]
    while seen[-1] in target:
        step = target[seen[-1]]
        if step == -1:
            return -1 if seen[-1] == at else seen[-1]
        if step in seen:
            return min(seen[seen.index(step):])
        seen.append(step)
    return seen[-1]


def _exact_duplicates(joins: Joins, rows: pd.DataFrame, usable: np.ndarray,
                      settings: CleanSettings) -> None:
    """Count rows equal in every cell that nothing tells apart; join them only if asked."""
    own = usable & (joins.root == np.arange(len(rows))) & joins.usable_ids.isna().to_numpy()
    at = np.flatnonzero(own)
    number = rows["content"].iloc[at].groupby(rows["content"].iloc[at].to_numpy()).ngroup()
    values, first, count = np.unique(number.to_numpy(), return_index=True, return_counts=True)
    later = np.ones(len(at), dtype=bool)
    later[first] = False
    joins.undecidable = int(later.sum())
    joins.undecidable_groups = int((count > 1).sum())
    if settings.exact_duplicates == "join" and len(values):
        owner = at[first[number.to_numpy()]]
        joins.root[at[later]] = owner[later]
        joins.rule[at[later]] = "exact_duplicate"


def _join_flagged(joins: Joins, reports: Reports, active: np.ndarray, flagged: np.ndarray,
                  settings: CleanSettings) -> None:
    at = np.flatnonzero(flagged)
    parent = find_parents(at, _flatten(joins.root), reports, active & ~flagged,
                          settings.parameters)
    found = parent >= 0
    joins.root[at[found]] = parent[found]
    joins.rule[at[found]] = "duplicate_by_status"
    joins.orphan[at[~found]] = True
    # The duplicate may be the one on which the work was booked.
    gain = found & (reports.cleared[at] != NEVER)
    for child, own in zip(at[gain], parent[gain], strict=True):
        if joins.cleared_at[own] == NEVER and reports.cleared[child] >= reports.seconds[own]:
            joins.cleared_at[own] = reports.cleared[child]


def _flatten(root: np.ndarray) -> np.ndarray:
    """Follow each row to the incident's own row."""
    root = root.copy()
    while True:
        further = root[root]
        if (further == root).all():
            return root
        root = further


def _name_things(joins: Joins, reports: Reports, active: np.ndarray) -> None:
    """Let the first report that names a thing tell that of an incident whose own row names none."""
    silent = reports.kind[joins.named_by[joins.root]] < 0
    at = np.flatnonzero(active & silent & (reports.kind >= 0))
    at = at[np.lexsort((at, reports.seconds[at]))]
    own, first = np.unique(joins.root[at], return_index=True)
    joins.named_by[own] = at[first]


def _join_incidents(joins: Joins, reports: Reports, active: np.ndarray, flagged: np.ndarray,
                    parameters: Parameters) -> None:
    """Join incidents that meet only by what the reports joined to one of them brought.

    A duplicate may be older than the report it names, or bring the clearing; one that only
    repeats its own number is an incident like others. Done until no two incidents meet, so that
    cleaning what was cleaned changes nothing.
    """
    while True:
        own = active & (joins.root == np.arange(len(joins.root)))
        merged = _as_incidents(joins, reports, active)
        changed = own & (flagged | (merged.seconds != reports.seconds)
                         | (merged.cleared != reports.cleared))
        before = joins.root.copy()
        if changed.any():
            join_repeats(joins, merged, own, parameters, changed=changed)
            joins.root = _flatten(joins.root)
        if (joins.root == before).all():
            return


def _as_incidents(joins: Joins, reports: Reports, active: np.ndarray) -> Reports:
    """Give each incident's own row the first report, clearing and thing of all its reports."""
    seconds = reports.seconds.copy()
    np.minimum.at(seconds, joins.root[active], reports.seconds[active])
    gained = joins.cleared_at != reports.cleared
    return replace(reports, seconds=seconds, cleared=joins.cleared_at.copy(),
                   kind=reports.kind[joins.named_by],
                   closed=np.where(gained, joins.cleared_at, reports.closed),
                   closed_by_day=reports.closed_by_day & ~gained,
                   waiting=reports.waiting & ~gained)


# Reports of one place while its marking waits.

def join_repeats(joins: Joins, reports: Reports, usable: np.ndarray, parameters: Parameters, *,
                 changed: np.ndarray | None = None) -> None:
    """Join each report to the incident that was waiting at its place.

    The incident is clean from the first clearing that any of its reports has: later reports start
    a new incident even if a joined report was closed later, for its closing is paperwork.

    Parameters
    ----------
    joins
        What was joined so far; added to here.
    reports
        All rows.
    usable
        Rows that take part; those already joined are passed over.
    parameters
        ``incidents.join_distance_m``, ``incidents.undated_window_days``,
        ``incidents.same_day_is_repeat``, ``incidents.same_visit_hours`` and
        ``incidents.longest_repeat_days``.
    changed
        Where given, only pairs of which one is among these rows are looked at.
    """
    root = joins.root
    rows = np.flatnonzero(usable if changed is None else usable & changed)
    free = usable & (root == np.arange(len(root)))
    last = waits_until(reports, parameters)
    # A report joined already lends its place to its incident, and waits as long as that does.
    until = last[root[rows]]
    reach_m, sites = parameters["incidents.join_distance_m"], reports.sites()
    pairs = sites.find(rows, reports.seconds[rows], until, reach_m=reach_m, among=free)
    if changed is not None:
        always = np.full(len(rows), reports.seconds.min(initial=0))
        before = sites.find(rows, always, reports.seconds[rows], reach_m=reach_m, among=free)
        met = last[root[before.second]] >= reports.seconds[before.first]
        pairs = Pairs(*(np.concatenate(two) for two in zip(pairs, _only(_turned(before), met),
                                                           strict=True)))
    two_jobs = (pairs.how != BY_ASSET) & _told_apart(pairs.first, pairs.second, reports, parameters)
    pairs = _only(pairs, compatible(pairs, reports, parameters) & ~two_jobs)
    # Of two reports at the same time, the one that comes first in the rows' own order leads.
    ahead = (reports.seconds[pairs.first] < reports.seconds[pairs.second]) | (
        pairs.first < pairs.second)
    pairs = _only(pairs, ahead)
    _assign(pairs, joins, last, reports)


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
    # Closed the very minute it came in: work booked when it was done, often in several lines.
    booked = known & ~reports.by_day & (np.where(known, reports.closed, 0) - reports.seconds <= 60)
    visit = int(parameters["incidents.same_visit_hours"] * 3600)
    ended = np.where(booked, np.maximum(ended, reports.seconds + visit), ended)
    # Closed without cleaning: the marking is still there to be reported once more.
    ended = np.where(reports.cleared == NEVER, np.maximum(ended, reports.seconds + window), ended)
    # A case left open for months, or closed with many others long after, is no longer what a new
    # report sees.
    longest = int(parameters["incidents.longest_repeat_days"] * DAY)
    return np.asarray(np.minimum(np.where(known, ended, last), reports.seconds + longest))


def compatible(pairs: Pairs, reports: Reports, parameters: Parameters) -> np.ndarray:
    """Return which pairs nothing speaks against."""
    a, b = pairs.first, pairs.second

    def contradict(code: np.ndarray) -> np.ndarray:
        return np.asarray((code[a] >= 0) & (code[b] >= 0) & (code[a] != code[b]))

    same_asset = pairs.how == BY_ASSET
    far = pairs.metres > parameters["incidents.same_address_metres"]
    against = contradict(reports.asset) | (far & ~same_asset)
    against |= (pairs.how == BY_DISTANCE) & contradict(reports.address)
    against |= ~same_asset & (contradict(reports.kind) | contradict(reports.surface))
    # Where kinds of request name things, one that names none is not about the thing of another.
    one_named = (reports.kind[a] >= 0) != (reports.kind[b] >= 0)
    against |= ~same_asset & one_named & contradict(reports.detail)
    against |= contradict(reports.poster)
    return np.asarray(~against)


def _told_apart(a: np.ndarray, b: np.ndarray, reports: Reports,
                parameters: Parameters) -> np.ndarray:
    """Return which reports were filed in one sitting and cleaned on different visits: two jobs.

    What the log itself calls a duplicate is one whatever its dates: it is closed as paperwork.
    """
    sitting = parameters["incidents.one_sitting_minutes"] * 60
    together = np.abs(reports.seconds[a] - reports.seconds[b]) <= sitting
    together &= ~(reports.by_day[a] | reports.by_day[b])
    ends = reports.cleared[a], reports.cleared[b]
    known = (ends[0] != NEVER) & (ends[1] != NEVER)
    apart = np.where(known, ends[0], 0) - np.where(known, ends[1], 0)
    return np.asarray(together & (np.abs(apart) > DAY))


def _assign(pairs: Pairs, joins: Joins, last: np.ndarray, reports: Reports) -> None:
    """Go through the later reports in time; join each to the best incident still waiting."""
    seconds, kind, root, cleared = reports.seconds, reports.kind, joins.root, joins.cleared_at
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
        thing = kind[joins.named_by[own]]
        if how != BY_ASSET and thing >= 0 and 0 <= kind[j] != thing:
            continue  # else a report that names no thing would join two that name two
        root[j], joins.rule[j], done = own, names[how], j
        if thing < 0:
            joins.named_by[own] = joins.named_by[j]
        if cleared[own] == NEVER and cleared[j] != NEVER:
            cleared[own] = cleared[j]
        if reports.closed[own] == NEVER and reports.closed[j] != NEVER and last[own] != last[j]:
            last[own] = last[j]


def find_parents(rows: np.ndarray, root: np.ndarray, reports: Reports, among: np.ndarray,
                 parameters: Parameters) -> np.ndarray:
    """Return, for rows the log calls duplicates, the own row of the incident each repeats.

    Only a report of the same asset, address or spot counts, made before the duplicate or while
    its case still stood open: what came after cannot have been repeated. The incident that was
    waiting at the time is preferred, then the nearer by asset, address and distance, then the
    nearer in time. -1 where none is found.
    """
    parent = np.full(len(rows), -1, dtype=np.int64)
    reach = int(parameters["incidents.duplicate_search_days"] * DAY)
    # A report known by its day alone may have come at any hour of it.
    until = reports.seconds[rows] + np.where(reports.by_day[rows], DAY - 1, 0)
    closed = np.where(reports.closed[rows] == NEVER, 0, reports.closed[rows])
    until = np.minimum(np.maximum(until, closed), reports.seconds[rows] + reach)
    pairs = reports.sites().find(rows, reports.seconds[rows] - reach, until,
                                 reach_m=parameters["incidents.duplicate_search_metres"],
                                 among=among)
    pairs = _only(pairs, compatible(pairs, reports, parameters))
    if not len(pairs.first):
        return parent
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


def _turned(pairs: Pairs) -> Pairs:
    return Pairs(pairs.second, pairs.first, pairs.how, pairs.metres)


def _only(pairs: Pairs, keep: np.ndarray) -> Pairs:
    return Pairs(*(column[keep] for column in pairs))


# Pairs of reports that may speak of one marking: same place by some key, times that overlap.

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


# The rows of a log as columns of numbers.

# Families within which people mistake one surface for the other.
SURFACE_FAMILY = {"brick": 0, "stone": 0, "concrete": 0, "render": 0, "tile": 0, "metal": 1,
                  "powder_coated": 1, "sign_face": 1, "plastic": 1, "timber": 2, "glass": 3,
                  "asphalt": 0}


def read_reports(rows: pd.DataFrame, *, times: Times, states: pd.DataFrame, points: Points,
                 judged: pd.DataFrame, substrate: pd.Series, objects: pd.Series,
                 services: pd.Series, crs: str) -> Reports:
    """Put what joining needs of all rows into columns of numbers.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    times, states, points, judged
        What was made of times, states and places of these rows.
    substrate
        Code of the surface.
    objects
        The thing that was marked, from :func:`rehit.incidents.meaning.read_objects`.
    services
        The class of each request.
    crs
        Projected CRS of the points.
    """
    plane = CRS.from_user_input(crs)
    metre = plane.axis_info[0].unit_conversion_factor if plane.axis_info else 1.0
    exact = judged["place_quality"].isin(("surveyed", "address")).to_numpy()
    address = judged["address_key"].where(judged["address_kind"].isin(EXACT_KINDS))
    surface = substrate.map(SURFACE_FAMILY).fillna(-1)
    waiting = (states["status"] == "open").to_numpy()
    return Reports(
        seconds=in_seconds(times.reported_at, 0), by_day=_is_day(times.precision),
        cleared=in_seconds(states["cleared_at"], NEVER),
        closed=in_seconds(states["closed_at"], NEVER),
        closed_by_day=_is_day(times.cleared_precision), waiting=waiting,
        asset=_codes(_loose_ids(rows["asset_id"])), address=_codes(address), kind=_codes(objects),
        detail=_codes(rows["service_detail"]), surface=surface.to_numpy(dtype=np.int64),
        poster=services.eq("posters").to_numpy(dtype=np.int64),
        x=np.where(exact, points.x * metre, np.nan),
        y=np.where(exact, points.y * metre, np.nan))


def _loose_ids(ids: pd.Series) -> pd.Series:
    """Return asset ids without case, and without punctuation where letters keep them apart."""
    folded = ids.str.casefold()
    lettered = folded.str.contains(r"[^\W\d_]", regex=True).fillna(False).astype(bool)
    return folded.mask(lettered, folded.str.replace(r"[\W_]+", "", regex=True))


def in_seconds(times: pd.Series, missing: int) -> np.ndarray:
    """Return UTC times as whole seconds since 1970, `missing` where there is none."""
    whole = times.to_numpy(dtype="datetime64[s]").astype(np.int64)
    return np.where(times.isna(), missing, whole)


def _is_day(precision: pd.Series) -> np.ndarray:
    return (precision == "day").to_numpy(dtype=bool)


def _codes(values: pd.Series) -> np.ndarray:
    return pd.factorize(values, use_na_sentinel=True)[0].astype(np.int64)
