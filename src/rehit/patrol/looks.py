"""How often to visit each place so that markings stand for the fewest days."""

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

DAYS_PER_WEEK = 7.0
DAYS_PER_YEAR = 365.25
_STEPS = 200


@dataclass(frozen=True)
class Frequency:
    """Visit intervals and what they leave standing.

    Attributes
    ----------
    table
        The `patrol_frequency` table.
    hours_per_week
        Crew hours a week the intervals take.
    marking_days_per_week
        Days a week that markings stand, all places together.
    value_of_an_hour
        Marking-days saved per crew-hour at the margin, as if hours could be had in crumbs; 0 where
        every place is at its shortest interval. See :func:`saved_by_one_hour` for a whole hour.
    short_by_h
        Crew hours a week missing to keep every longest interval; 0 where they suffice.
    """

    table: pd.DataFrame
    hours_per_week: float
    marking_days_per_week: float
    value_of_an_hour: float
    short_by_h: float


def visit_intervals(places: pd.DataFrame, *, hours_per_week: float,
                    parameters: Parameters) -> Frequency:
    r"""Return the visit interval of each place that leaves the fewest marking-days.

    Markings come evenly in time, so with visits every T days one stands T/2 days on average.
    Minimising :math:`\sum \lambda_i T_i / 2` within :math:`\sum 7 c_i / T_i \le B` gives
    :math:`T_i \propto \sqrt{c_i / \lambda_i}`, clipped to the place's limits; the multiplier is
    found by bisection. Markings that are reported and cleared before the visit are not taken off:
    a place whose markings are always reported gains less.

    Parameters
    ----------
    places
        ``place_id, rate_per_year`` [markings/year], ``visit_h`` [crew h per visit]; optional
        ``shortest_days`` and ``longest_days`` (a response standard), empty where none.
    hours_per_week
        Crew hours a week for planned visits.
    parameters
        Reads ``patrol.min_interval_days`` and ``patrol.max_interval_days``.

    Raises
    ------
    SettingError
        If the hours are not above 0, a visit takes no time, or a limit is upside down.

    References
    ----------
    The square-root rule is that of the economic lot size (Harris 1913), with the multiplier of a
    shared budget in place of a holding cost.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> two = pd.DataFrame({"place_id": ["a", "b"], "rate_per_year": [40.0, 10.0],
    ...                     "visit_h": [0.5, 0.5]})
    >>> found = visit_intervals(two, hours_per_week=1.5, parameters=load_parameters())
    >>> found.table["interval_days"].round(6).tolist()
    [3.5, 7.0]
    """
    rate, cost, low, high = _arrays(places, parameters)
    _refuse(hours_per_week, cost, low, high)
    least, most = _hours(cost, high), _hours(cost, low)
    if least >= hours_per_week:
        days, value = high, _value(rate, cost, high)
    elif most <= hours_per_week:
        days, value = low, 0.0
    else:
        value = _multiplier(rate, cost, low, high, hours_per_week)
        days = _at(value, rate, cost, low, high)
    return Frequency(
        _table(places, rate, cost, low, high, days), float(_hours(cost, days)),
        float((rate * days / 2).sum() * DAYS_PER_WEEK), value,
        float(max(least - hours_per_week, 0.0)))


def saved_by_one_hour(frequency: Frequency, *, parameters: Parameters) -> float:
    """Return the marking-days a week that one more crew-hour a week would save, worked out anew.

    The value at the margin promises more than a whole hour keeps where hours are few; and where
    they are short of the longest intervals, an hour first goes into those.
    """
    hours = frequency.hours_per_week - frequency.short_by_h + 1.0
    more = visit_intervals(frequency.table, hours_per_week=hours, parameters=parameters)
    return frequency.marking_days_per_week - more.marking_days_per_week


def even_round(places: pd.DataFrame, *, hours_per_week: float) -> np.ndarray:
    """Return the one interval [days] that visits every place equally often in the hours."""
    cost = places["visit_h"].to_numpy(float)
    return np.full(len(cost), DAYS_PER_WEEK * cost.sum() / hours_per_week)


def worst_first(places: pd.DataFrame, *, hours_per_week: float,
                parameters: Parameters) -> np.ndarray:
    """Return intervals [days] where the worst places are seen as often as may be.

    Everyone else is seen at the longest interval.
    """
    rate, cost, low, high = _arrays(places, parameters)
    days = high.copy()
    spare = hours_per_week - _hours(cost, high)
    for i in np.argsort(-rate, kind="stable"):
        need = DAYS_PER_WEEK * cost[i] * (1 / low[i] - 1 / high[i])
        if spare <= 0:
            break
        share = min(1.0, spare / need) if need > 0 else 0.0
        days[i] = 1 / ((1 - share) / high[i] + share / low[i])
        spare -= share * need
    return days


def marking_days_per_week(places: pd.DataFrame, interval_days: np.ndarray) -> float:
    """Return the expected days a week that markings stand at given intervals."""
    rate = places["rate_per_year"].to_numpy(float) / DAYS_PER_YEAR
    return float((rate * interval_days / 2).sum() * DAYS_PER_WEEK)


def _arrays(places: pd.DataFrame,
            parameters: Parameters) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rate = places["rate_per_year"].to_numpy(float) / DAYS_PER_YEAR
    cost = places["visit_h"].to_numpy(float)
    limits = []
    for column, name in (("shortest_days", "min_interval_days"),
                         ("longest_days", "max_interval_days")):
        default = parameters[f"patrol.{name}"]
        given = places[column].astype(float) if column in places else pd.Series(
            np.nan, index=places.index)
        limits.append(given.fillna(default).to_numpy(float))
    return rate, cost, limits[0], limits[1]


def _refuse(hours: float, cost: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
    where = "patrol.visit_intervals"
    if not hours > 0:
        raise SettingError(where, "errors.no_hours", hours=hours)
    if (cost <= 0).any():
        raise SettingError(where, "errors.no_visit_time")
    if (low > high).any():
        raise SettingError(where, "errors.crossed_intervals")


def _hours(cost: np.ndarray, days: np.ndarray) -> float:
    return float(DAYS_PER_WEEK * (cost / days).sum())


def _value(rate: np.ndarray, cost: np.ndarray, days: np.ndarray) -> float:
    """Marking-days saved by the next hour, spent where it saves most."""
    return float((rate * days**2 / (2 * cost)).max(initial=0.0))


def _at(value: float, rate: np.ndarray, cost: np.ndarray, low: np.ndarray,
        high: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore"):
        free = np.sqrt(2 * value * cost / rate)
    days: np.ndarray = np.clip(free, low, high)
    return days


def _multiplier(rate: np.ndarray, cost: np.ndarray, low: np.ndarray, high: np.ndarray,
                hours: float) -> float:
    """Find the value of an hour at which the intervals take just the hours given."""
    under, over = 0.0, _value(rate, cost, high)
    for _ in range(_STEPS):
        middle = (under + over) / 2
        if _hours(cost, _at(middle, rate, cost, low, high)) > hours:
            under = middle
        else:
            over = middle
    return over


def _table(places: pd.DataFrame, rate: np.ndarray, cost: np.ndarray, low: np.ndarray,
           high: np.ndarray, days: np.ndarray) -> pd.DataFrame:
    bound = np.where(days <= low, "shortest", np.where(days >= high, "longest", "none"))
    return pd.DataFrame({
        "place_id": places["place_id"].to_numpy(), "rate_per_year": rate * DAYS_PER_YEAR,
        "visit_h": cost, "shortest_days": low, "longest_days": high, "interval_days": days,
        "visits_per_week": DAYS_PER_WEEK / days,
        "marking_days_per_week": rate * days / 2 * DAYS_PER_WEEK, "bound": bound})


# Which place is visited on which weekday by which crew, with even gaps and bounded hours.

WORKDAYS_PER_WEEK = 7
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
                  holidays: Sequence[date] = (), since: pd.Series | None = None) -> Calendar:
    """Spread visits over the working days of the coming weeks.

    Places are dealt to crews as parts of town with work in proportion to their hours. Those whose
    look is overdue come first, on the first days with room, where a look ends most marking-days
    before others: as a day's plan goes. Then, the busiest first, each gets the starting day that
    keeps the fullest of its days least full. Visits
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
        Reads ``patrol.calendar_weeks``, ``patrol.calendar_shift``, ``patrol.max_interval_days`` and
        ``patrol.work_days_per_week`` (from Monday).
    holidays
        Days without work.
    since
        Days since each place was last seen clean, by ``place_id``: its first visit then falls due
        when its interval is over. Places without begin where there is room.

    Raises
    ------
    SettingError
        If there is no crew or no working day.
    """
    weeks = int(parameters["patrol.calendar_weeks"])
    n_week = int(parameters["patrol.work_days_per_week"])
    every = [first_day + timedelta(days=i) for i in range(weeks * WORKDAYS_PER_WEEK)]
    days = [day for day in every if day.weekday() < n_week and day not in set(holidays)]
    if not days or not crew_ids:
        raise SettingError("patrol.plan_calendar", "errors.no_working_day")
    most = np.broadcast_to(np.asarray(hours_per_day, dtype=float), len(crew_ids))
    crew = _parts_of_town(points, frequency["visit_h"] / frequency["interval_days"], most)
    interval = frequency["interval_days"].to_numpy(float)
    seen = frequency["place_id"].map({} if since is None else since.to_dict()).to_numpy(float)
    load = np.zeros((len(days), len(crew_ids)))
    rows: list[tuple[object, ...]] = []
    missed: dict[str, int] = {}
    due = 0.0
    waited = np.minimum(seen, parameters["patrol.max_interval_days"])
    ends = np.where(seen > interval, frequency["rate_per_year"].to_numpy(float) * waited**2, 0.0)
    for place in np.lexsort((np.arange(len(interval)), interval, -ends)).tolist():
        first = max(interval[place] - seen[place], 0.0)
        if first >= len(every):
            continue
        if np.isnan(first):
            # Of places seen more rarely than the calendar is long, only a share falls due in it.
            due += min(len(every) / interval[place], 1.0)
            if due < 1.0 - _FULL:
                continue
            due -= 1.0
        hours = float(frequency["visit_h"].iloc[place])
        name = str(frequency["place_id"].iloc[place])
        grid = _grid(days, every, interval[place], first, parameters["patrol.calendar_shift"])
        chosen, lost = _place_visits(load[:, crew[place]], grid, hours,
                                     float(most[crew[place]]))
        load[chosen, crew[place]] += hours
        rows += _rows(name, chosen, days, crew_ids[crew[place]], hours)
        if lost:
            missed[name] = lost
    return _calendar(rows, load, days, crew_ids, missed)


@dataclass(frozen=True)
class _Grid:
    """Where the working days stand, how far apart visits shall be, how far one may move.

    `first` is when the first one falls due, not a number where it may begin anywhere.
    """

    place: np.ndarray
    end: float
    spacing: float
    slack: float
    first: float


def _grid(days: list[date], every: list[date], interval: float, first: float,
          shift: float) -> _Grid:
    if interval < WORKDAYS_PER_WEEK:
        share = len(days) / len(every)
        spacing = max(interval * share, 1.0)
        return _Grid(np.arange(len(days), dtype=float), len(days), spacing,
                     max(1.0, np.floor(spacing * shift)), first * share)
    # From the middle of a long weekend the nearest working day is up to two days away.
    offsets = np.array([(day - every[0]).days for day in days], dtype=float)
    return _Grid(offsets, len(every), interval, max(LONGEST_BREAK_DAYS, interval * shift), first)


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
    if np.isfinite(grid.first):
        # What is overdue is late on any day: the first with room.
        room = np.flatnonzero((load + hours <= most + _FULL) & (grid.first == 0))
        starts = room[:1] if len(room) else np.array([np.abs(grid.place - grid.first).argmin()])
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
        rows.append((name, number, days[at].isoformat(), days[at].isoweekday(), crew_id,
                     hours, gap))
        before = days[at]
    return rows


def _calendar(rows: list[tuple[object, ...]], load: np.ndarray, days: list[date],
              crew_ids: Sequence[str], missed: dict[str, int]) -> Calendar:
    columns = ["place_id", "visit", "day", "weekday", "crew_id", "visit_h", "gap_days"]
    visits = pd.DataFrame(rows, columns=columns).astype(
        {"visit": "int64", "visit_h": float, "gap_days": float, "place_id": "str", "day": "str",
         "weekday": "int64", "crew_id": "str"})
    visits = visits.sort_values(["day", "crew_id", "place_id"], ignore_index=True)
    check(visits, "patrol_calendar", where="patrol.plan_calendar")
    hours = pd.DataFrame(load, index=[day.isoformat() for day in days], columns=list(crew_ids))
    lost = pd.DataFrame(list(missed.items()), columns=["place_id", "n_visits"])
    return Calendar(visits, hours, lost)
