"""Which place is visited on which weekday by which crew, with even gaps and bounded hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.parameters import Parameters
from rehit.tables import check

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
DAYS_PER_WEEK = 7
MOST_SHIFT = 0.25
_FULL = 1e-9


@dataclass(frozen=True)
class Calendar:
    """Planned visits, and the visits for which no day had room.

    Attributes
    ----------
    visits
        The `patrol_calendar` table.
    hours
        Crew hours planned: one row per day, one column per crew.
    no_room
        ``place_id`` and ``n_visits`` that found no day.
    """

    visits: pd.DataFrame
    hours: pd.DataFrame
    no_room: pd.DataFrame


def plan_calendar(frequency: pd.DataFrame, points: gpd.GeoSeries, *, crew_ids: Sequence[str],
                  hours_per_day: float, first_day: date, parameters: Parameters,
                  holidays: Sequence[date] = ()) -> Calendar:
    """Spread visits over the working days of the coming weeks.

    Places are dealt to crews as parts of town with equal work; then, the busiest first, each gets
    the starting day that keeps the fullest of its days least full. A visit whose day has no room
    moves to a working day next to it.

    Parameters
    ----------
    frequency
        The `patrol_frequency` table.
    points
        Place of each row, projected, in the same order.
    crew_ids
        Crews to share the visits.
    hours_per_day
        Crew hours a day and crew for planned visits.
    first_day
        First day of the calendar.
    parameters
        Reads ``patrol.calendar_weeks`` and ``patrol.work_days_per_week`` (from Monday).
    holidays
        Days without work.

    Raises
    ------
    SettingError
        If there is no crew or no working day.
    """
    weeks = int(parameters["patrol.calendar_weeks"])
    n_week = int(parameters["patrol.work_days_per_week"])
    every = [first_day + timedelta(days=i) for i in range(weeks * DAYS_PER_WEEK)]
    days = [day for day in every if day.weekday() < n_week and day not in set(holidays)]
    if not days or not crew_ids:
        raise SettingError("patrol.plan_calendar", got="no working day or no crew",
                           allowed="at least one of each", remedy="give crews and working days")
    crew = _parts_of_town(points, frequency["visit_h"] / frequency["interval_days"], len(crew_ids))
    spacing = frequency["interval_days"].to_numpy(float) * len(days) / len(every)
    load = np.zeros((len(days), len(crew_ids)))
    rows: list[tuple[object, ...]] = []
    missed: dict[str, int] = {}
    order = np.lexsort((np.arange(len(spacing)), spacing))
    due = 0.0
    for place in order.tolist():
        # Of places seen more rarely than the calendar is long, only a share falls due in it.
        due += min(len(days) / spacing[place], 1.0)
        if due < 1.0 - _FULL:
            continue
        due -= 1.0
        hours = float(frequency["visit_h"].iloc[place])
        name = str(frequency["place_id"].iloc[place])
        chosen, lost = _place_visits(load[:, crew[place]], max(spacing[place], 1.0), hours,
                                     hours_per_day)
        load[chosen, crew[place]] += hours
        rows += _rows(name, chosen, days, crew_ids[crew[place]], hours)
        if lost:
            missed[name] = lost
    return _calendar(rows, load, days, crew_ids, missed)


def _parts_of_town(points: gpd.GeoSeries, work: pd.Series, crews: int) -> np.ndarray:
    """Deal places to crews along the town's longest direction, each with the same work."""
    xy = np.column_stack([points.x, points.y])
    if crews == 1 or len(xy) < crews:
        return np.arange(len(xy)) % crews
    centred = xy - xy.mean(axis=0)
    along = centred @ np.linalg.svd(centred, full_matrices=False)[2][0]
    order = np.argsort(along, kind="stable")
    done = np.cumsum(work.to_numpy(float)[order]) - work.to_numpy(float)[order] / 2
    part = np.empty(len(xy), dtype=np.int64)
    part[order] = np.minimum((done / work.sum() * crews).astype(np.int64), crews - 1)
    return part


def _place_visits(load: np.ndarray, spacing: float, hours: float,
                  most: float) -> tuple[list[int], int]:
    """Return the days of one place's visits, and how many found no room.

    A full day sends its visit to the nearest day with room, no farther than a quarter of the
    interval (at least one day).
    """
    n = len(load)
    slack = max(1, int(spacing * MOST_SHIFT))
    best: tuple[tuple[int, float, int], list[int], int] | None = None
    for start in range(max(int(np.ceil(min(spacing, n))), 1)):
        wanted = np.floor(np.arange(start, n, spacing) + 1e-9).astype(int)
        chosen: list[int] = []
        for day in wanted.tolist():
            free = [d for d in range(max(day - slack, 0), min(day + slack + 1, n))
                    if d not in chosen and load[d] + hours <= most + _FULL]
            chosen += sorted(free, key=lambda d: (abs(d - day), load[d]))[:1]
        lost = len(wanted) - len(chosen)
        rank = (lost, max((float(load[d]) for d in chosen), default=0.0), start)
        if best is None or rank < best[0]:
            best = (rank, sorted(chosen), lost)
    assert best is not None
    return best[1], best[2]


def _rows(name: str, chosen: list[int], days: list[date], crew_id: str,
          hours: float) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    before: date | None = None
    for number, at in enumerate(chosen, start=1):
        gap = np.nan if before is None else float((days[at] - before).days)
        rows.append((name, number, days[at].isoformat(), WEEKDAYS[days[at].weekday()], crew_id,
                     hours, gap))
        before = days[at]
    return rows


def _calendar(rows: list[tuple[object, ...]], load: np.ndarray, days: list[date],
              crew_ids: Sequence[str], missed: dict[str, int]) -> Calendar:
    columns = ["place_id", "visit", "day", "weekday", "crew_id", "visit_h", "gap_days"]
    visits = pd.DataFrame(rows, columns=columns).astype(
        {"visit": "int64", "visit_h": float, "gap_days": float, "place_id": "str", "day": "str",
         "weekday": "str", "crew_id": "str"})
    visits = visits.sort_values(["day", "crew_id", "place_id"], ignore_index=True)
    check(visits, "patrol_calendar", where="patrol.plan_calendar")
    hours = pd.DataFrame(load, index=[day.isoformat() for day in days], columns=list(crew_ids))
    lost = pd.DataFrame(list(missed.items()), columns=["place_id", "n_visits"])
    return Calendar(visits, hours, lost)
