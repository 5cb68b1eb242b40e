"""Reports of one marking become one incident: what the log says outright comes first.

In this order: one request number twice; a row repeated in an overlapping file; a reference to the
earlier report; then same place and time (:mod:`rehit.incidents.repeats`); last, rows whose status
calls them duplicates, which look for the incident they repeat.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from rehit.incidents.repeats import NEVER, Reports, find_parents, join_repeats
from rehit.incidents.rows import is_blank_id
from rehit.incidents.settings import CleanSettings


@dataclass
class Joins:
    """To which row each row was joined, and why.

    ``root`` holds the position of the incident's own row (a row's own position when it is one);
    ``rule`` the reason, empty for an incident's own; ``orphan`` marks duplicates without a parent.
    ``cleared_at`` holds the clearing of the incident at its own row.
    """

    root: np.ndarray
    rule: np.ndarray
    orphan: np.ndarray
    cleared_at: np.ndarray
    usable_ids: pd.Series
    reused_ids: int = 0
    undecidable: int = 0
    undecidable_groups: int = 0
    notes: dict[str, int] = field(default_factory=dict)


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
                  reports.cleared.copy(), ids)
    joins.notes["ids_ignored"] = ignored
    _join_same_number(joins, reports, active, flagged, settings)
    _join_overlaps(joins, rows, active)
    lost = _join_references(joins, rows, active)
    flagged = (flagged | lost) & active & (joins.root == np.arange(size))
    join_repeats(joins.root, joins.rule, joins.cleared_at, reports, active & ~flagged,
                 settings.parameters)
    _exact_duplicates(joins, rows, active & ~flagged, settings)
    _join_flagged(joins, reports, active, flagged, settings)
    joins.root = _flatten(joins.root)
    joins.orphan |= joins.orphan[joins.root]
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


def _first_of(groups: pd.api.typing.SeriesGroupBy, order: np.ndarray) -> np.ndarray:
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
