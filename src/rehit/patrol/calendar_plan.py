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
LONGEST_BREAK_DAYS = 3.0
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
                  hours_per_day: float | Sequence[float], first_day: date, parameters: Parameters,
                  holidays: Sequence[date] = ()) -> Calendar:
    """Spread visits over the working days of the coming weeks.

    Places are dealt to crews as parts of town with work in proportion to their hours; then, the
    busiest first, each gets the starting day that keeps the fullest of its days least full. Visits
    less than a week apart are evenly spaced in working days, others in days of the calendar, so
    that a holiday moves one visit and not all that follow. A visit whose day is free of work or
    full moves to the nearest working day with room.

    Parameters
    ----------
    frequency
        The `patrol_frequency` table.
    points
        Place of each row, projected, in the same order.
    crew_ids
        Crews to share the visits.
    hours_per_day
        Hours a day for planned visits: of each crew, or one number for all alike.
    first_day
        First day of the calendar.
    parameters
        Reads ``patrol.calendar_weeks``, ``patrol.calendar_shift`` and
        ``patrol.work_days_per_week`` (from Monday).
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
    most = np.broadcast_to(np.asarray(hours_per_day, dtype=float), len(crew_ids))
    crew = _parts_of_town(points, frequency["visit_h"] / frequency["interval_days"], most)
    interval = frequency["interval_days"].to_numpy(float)
    load = np.zeros((len(days), len(crew_ids)))
    rows: list[tuple[object, ...]] = []
    missed: dict[str, int] = {}
    due = 0.0
    for place in np.lexsort((np.arange(len(interval)), interval)).tolist():
        # Of places seen more rarely than the calendar is long, only a share falls due in it.
        due += min(len(every) / interval[place], 1.0)
        if due < 1.0 - _FULL:
            continue
        due -= 1.0
        hours = float(frequency["visit_h"].iloc[place])
        name = str(frequency["place_id"].iloc[place])
        grid = _grid(days, every, interval[place], parameters["patrol.calendar_shift"])
        chosen, lost = _place_visits(load[:, crew[place]], grid, hours,
                                     float(most[crew[place]]))
        load[chosen, crew[place]] += hours
        rows += _rows(name, chosen, days, crew_ids[crew[place]], hours)
        if lost:
            missed[name] = lost
    return _calendar(rows, load, days, crew_ids, missed)


@dataclass(frozen=True)
class _Grid:
    """Where the working days stand, how far apart visits shall be, how far one may move."""

    place: np.ndarray
    end: float
    spacing: float
    slack: float


def _grid(days: list[date], every: list[date], interval: float, shift: float) -> _Grid:
    if interval < DAYS_PER_WEEK:
        spacing = max(interval * len(days) / len(every), 1.0)
        return _Grid(np.arange(len(days), dtype=float), len(days), spacing,
                     max(1.0, np.floor(spacing * shift)))
    # From the middle of a long weekend the nearest working day is up to two days away.
    offsets = np.array([(day - every[0]).days for day in days], dtype=float)
    return _Grid(offsets, len(every), interval, max(LONGEST_BREAK_DAYS, interval * shift))


def _parts_of_town(points: gpd.GeoSeries, work: pd.Series, hours: np.ndarray) -> np.ndarray:
    """Deal places to crews along the town's longest direction, work in proportion to hours."""
    crews = len(hours)
    xy = np.column_stack([points.x, points.y])
    if crews == 1 or len(xy) < crews:
        return np.arange(len(xy)) % crews
    centred = xy - xy.mean(axis=0)
    along = centred @ np.linalg.svd(centred, full_matrices=False)[2][0]
    order = np.argsort(along, kind="stable")
    done = np.cumsum(work.to_numpy(float)[order]) - work.to_numpy(float)[order] / 2
    part = np.empty(len(xy), dtype=np.int64)
    until = np.cumsum(hours) / hours.sum() if hours.sum() > 0 else np.arange(1, crews + 1) / crews
    part[order] = np.minimum(np.searchsorted(until, done / work.sum(), side="right"), crews - 1)
    return part


def _place_visits(load: np.ndarray, grid: _Grid, hours: float,
                  most: float) -> tuple[list[int], int]:
    """Return the days of one place's visits, and how many found no room.

    A visit goes to the working day with room that is nearest to where it should be, no farther
    than the grid's slack.
    """
    best: tuple[tuple[int, float, int], list[int], int] | None = None
    starts = np.flatnonzero(grid.place < min(grid.spacing, grid.end))
    for first in starts.tolist() or [0]:
        wanted = np.arange(grid.place[first], grid.end - _FULL, grid.spacing)
        free = load + hours <= most + _FULL
        chosen: list[int] = []
        for moment in wanted:
            away = np.where(free, np.abs(grid.place - moment), np.inf)
            day = int(np.lexsort((load, away.round(6)))[0])
            if away[day] <= grid.slack + _FULL:
                chosen.append(day)
                free[day] = False
        lost = len(wanted) - len(chosen)
        rank = (lost, max((float(load[d]) for d in chosen), default=0.0), first)
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
