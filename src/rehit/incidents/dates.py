"""Dates as logs write them, read to UTC with a fault or remark code for every row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from rehit.errors import SettingError
from rehit.incidents.dates_parts import apply_half, full_year, month_and_day, zone_offsets
from rehit.incidents.dates_patterns import NO_DATE, SHAPES, TIME_FIRST, Shape, extract, whole
from rehit.parameters import Parameters, load_parameters

# Day 0 of spreadsheets as stored by ECMA-376 files with the 1900 date system, seen from March 1900.
SERIAL_ZERO = np.datetime64("1899-12-30", "us")
CLOCKS = ("none", "24", "12")
FAULT_CODES = ("date_missing", "date_unreadable", "date_impossible", "date_out_of_range")
REMARK_CODES = ("date_order_switched", "clock_skipped", "clock_repeated")


@dataclass(frozen=True)
class DateStyle:
    """How one column writes its dates.

    Attributes
    ----------
    day_first
        Whether 03/04/2018 is 3 April (True) or March 4 (False).
    clock
        ``"none"``: days only, a written 00:00 is no time of day; ``"24"`` or ``"12"`` (AM/PM).
    formats
        The styles seen when the mapping was made, for people and for drift reports. Reading does
        not depend on them: a cell in another unmistakable style is read too.
    """

    day_first: bool = True
    clock: str = "24"
    formats: tuple[str, ...] = ()


class ParsedDates(NamedTuple):
    """What :func:`parse_dates` gives, row for row on the index of the texts.

    ``times`` are UTC, NaT where unusable. ``codes`` holds a code of ``FAULT_CODES`` where the time
    is NaT, one of ``REMARK_CODES`` where the time is usable but a rule had to decide, else NaN.
    ``precision`` is ``"minute"`` or ``"day"``, NaN where the time is NaT.
    """

    times: pd.Series
    codes: pd.Series
    precision: pd.Series


def parse_dates(texts: pd.Series, *, style: DateStyle | None = None, time_zone: str = "UTC",
                parameters: Parameters | None = None) -> ParsedDates:
    """Read a column of dates written in any mixture of usual styles.

    Each distinct text is read once. Cells with an offset (``Z``, ``+01:00``) are taken at it;
    Unix times are UTC; all others are wall-clock times in `time_zone`. A wall-clock time that the
    spring change skips is moved to the first one after the gap (``clock_skipped``); one that the
    autumn change repeats is taken as the first of the two (``clock_repeated``). Where day and
    month cannot be told apart by size, ``style.day_first`` decides; where they can and the style
    says otherwise, size decides (``date_order_switched``). Letters that name a zone ("EST") are
    passed over, as they name no one zone. 24:00 is midnight at the day's end
    (ISO 8601-1:2019). Two-digit years follow the pivot in the parameters.

    Parameters
    ----------
    texts
        Text column; empty cells and words such as "n/a" give ``date_missing``.
    style
        How the column writes dates; day first with a 24-hour clock if not given.
    time_zone
        IANA name of the zone of the log's clock.
    parameters
        Default numbers (``incidents.date_year_low``, ``incidents.date_year_high``,
        ``incidents.two_digit_year_pivot``).

    Returns
    -------
    ParsedDates
        ``times``, ``codes``, ``precision``.

    Raises
    ------
    SettingError
        If `time_zone` is not known.

    Examples
    --------
    >>> texts = pd.Series(["03/04/2018", "2018-07-01 09:30", "31/02/2018", "n/a"])
    >>> parse_dates(texts, time_zone="Europe/London").times.dt.strftime("%d %b %H:%M").tolist()
    ['02 Apr 23:00', '01 Jul 08:30', nan, nan]
    >>> parse_dates(texts).codes.tolist()
    [nan, nan, 'date_impossible', 'date_missing']
    """
    zone = _zone(time_zone)
    rule = style or DateStyle()
    row_of, distinct = pd.factorize(texts.astype("str"))
    cells = pa.array(distinct, type=pa.large_string(), from_pandas=True)
    read = _Reading(len(distinct))
    _read_shapes(_tidy(cells), read, rule, parameters or load_parameters())
    times = _localise(read, zone)
    return _spread(texts.index, row_of, times, read, rule)


class _Reading:
    """Working arrays, one place per distinct text."""

    def __init__(self, size: int) -> None:
        self.wall = np.full(size, np.datetime64("NaT"), dtype="datetime64[us]")
        self.offset_minutes = np.full(size, np.nan)
        self.has_clock = np.zeros(size, dtype=bool)
        self.code = np.zeros(size, dtype=np.int8)  # place in _CODES

    def mark(self, where: np.ndarray, code: str) -> None:
        self.code[where] = _CODES.index(code)


_CODES = ("", *FAULT_CODES, *REMARK_CODES)


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError, TypeError) as error:
        raise SettingError("time_zone", got=repr(name),
                           allowed='an IANA time zone name such as "Europe/London"',
                           remedy="correct time_zone in the project file") from error


def _tidy(cells: pa.Array) -> pa.Array:
    spaced = pc.replace_substring_regex(cells, pattern=r"[\s\x{00A0}\x{202F}\x{2009}]+",
                                        replacement=" ")
    trimmed = pc.utf8_trim(spaced, characters=" '\"")
    return pc.replace_substring_regex(trimmed, pattern=TIME_FIRST, replacement=r"\2 \1")


def _read_shapes(cells: pa.Array, read: _Reading, style: DateStyle,
                 parameters: Parameters) -> None:
    missing = pc.is_in(pc.utf8_lower(cells), value_set=pa.array(NO_DATE, type=cells.type))
    missing = missing.to_numpy(zero_copy_only=False)
    read.mark(missing, "date_missing")
    pending = np.flatnonzero(~missing)
    for shape in SHAPES:
        if not len(pending):
            return
        matched, groups = extract(cells.take(pa.array(pending)), shape)
        if groups:
            _read_one_shape(shape, groups, pending[matched], read, style, parameters)
        pending = pending[~matched]
    read.mark(pending, "date_unreadable")


def _read_one_shape(shape: Shape, groups: Mapping[str, pa.Array], at: np.ndarray, read: _Reading,
                    style: DateStyle, parameters: Parameters) -> None:
    if "n" in groups:
        _read_number(shape.name, groups["n"], at, read)
    else:
        year = full_year(groups["y"], int(parameters["incidents.two_digit_year_pivot"]))
        month, day, switched = month_and_day(shape, groups, day_first=style.day_first)
        read.mark(at[switched], "date_order_switched")
        _assemble(year, month, day, groups, at, read)
    years = read.wall[at].astype("datetime64[Y]").astype(np.int64) + 1970
    known = ~np.isnat(read.wall[at])
    strange = known & ((years < parameters["incidents.date_year_low"])
                       | (years > parameters["incidents.date_year_high"]))
    read.wall[at[strange]] = np.datetime64("NaT")
    read.mark(at[strange], "date_out_of_range")


def _read_number(name: str, group: pa.Array, at: np.ndarray, read: _Reading) -> None:
    number = group.cast(pa.float64()).to_numpy(zero_copy_only=False)
    if name.startswith("Unix"):
        scale = 1e3 if name.endswith("milliseconds") else 1e6
        read.wall[at] = np.datetime64(0, "us") + np.round(number * scale).astype(np.int64)
        read.offset_minutes[at] = 0.0
        read.has_clock[at] = True
        return
    # Rounded to the second: a day fraction cannot hold a wall-clock time more exactly.
    seconds = np.round(number * 86_400).astype(np.int64)
    read.wall[at] = SERIAL_ZERO + seconds * 1_000_000
    read.has_clock[at] = seconds % 86_400 != 0


def _assemble(year: np.ndarray, month: np.ndarray, day: np.ndarray, groups: Mapping[str, pa.Array],
              at: np.ndarray, read: _Reading) -> None:
    size = len(at)
    hour, minute, second = (whole(groups.get(key), size, empty=-1) for key in "HMS")
    read.has_clock[at] = hour >= 0
    clock_fine = apply_half(groups.get("p"), hour)
    midnight_after = (hour == 24) & (minute <= 0) & (second <= 0)
    hour, minute, second = (np.maximum(part, 0) for part in (hour, minute, second))
    fine = (clock_fine & (month >= 1) & (month <= 12) & (day >= 1) & (year >= 1)
            & ((hour <= 23) | midnight_after) & (minute <= 59) & (second <= 60))
    months = (year - 1970) * 12 + np.where(fine, month, 1) - 1
    first_of_month = months.astype("datetime64[M]")
    date = first_of_month.astype("datetime64[D]") + np.where(fine, day - 1, 0)
    fine &= date.astype("datetime64[M]") == first_of_month
    clock_us = ((hour * 60 + minute) * 60 + np.minimum(second, 59)) * 1_000_000
    wall = date.astype("datetime64[us]") + clock_us
    read.wall[at] = np.where(fine, wall, np.datetime64("NaT"))
    read.mark(at[~fine], "date_impossible")
    if "z" in groups:
        read.offset_minutes[at] = zone_offsets(groups["z"])


def _localise(read: _Reading, zone: ZoneInfo) -> pd.DatetimeIndex:
    walls = pd.DatetimeIndex(read.wall)
    given = ~np.isnan(read.offset_minutes)
    plain = walls.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    lost = np.asarray(plain.isna()) & ~np.isnat(read.wall) & ~given
    times = plain.tz_convert("UTC").as_unit("us")
    if lost.any():
        first = np.ones(int(lost.sum()), dtype=bool)  # of two equal times, the summer one
        mended = walls[lost].tz_localize(zone, ambiguous=first, nonexistent="shift_forward")
        back = mended.tz_localize(None)
        codes = np.where(back == walls[lost], "clock_repeated", "clock_skipped")
        for code in ("clock_repeated", "clock_skipped"):
            read.mark(np.flatnonzero(lost)[codes == code], code)
        values = times.to_numpy(dtype="datetime64[us]").copy()
        values[lost] = mended.tz_convert("UTC").to_numpy(dtype="datetime64[us]")
        times = pd.DatetimeIndex(values, tz="UTC")
    if given.any():
        values = times.to_numpy(dtype="datetime64[us]").copy()
        shift = (read.offset_minutes[given] * 60_000_000).astype("timedelta64[us]")
        values[given] = read.wall[given] - shift
        times = pd.DatetimeIndex(values, tz="UTC")
    return times


def _spread(index: pd.Index, row_of: np.ndarray, times: pd.DatetimeIndex, read: _Reading,
            style: DateStyle) -> ParsedDates:
    """Hand the distinct results out to the rows; a row without text has place -1."""
    stamps = np.append(times.to_numpy(dtype="datetime64[us]"), np.datetime64("NaT"))
    code = np.append(read.code, _CODES.index("date_missing"))
    at_midnight = read.wall == read.wall.astype("datetime64[D]")
    by_day = ~read.has_clock | (at_midnight & (style.clock == "none"))
    by_day = np.append(by_day, False)
    rows = stamps[row_of]
    precision = np.where(np.isnat(rows), 2, np.where(by_day[row_of], 1, 0)).astype(np.int8)
    return ParsedDates(
        pd.Series(pd.DatetimeIndex(rows, tz="UTC"), index=index),
        _words(code[row_of], _CODES, 0, index),
        _words(precision, ("minute", "day", ""), 2, index),
    )


def _words(places: np.ndarray, names: tuple[str, ...], none: int, index: pd.Index) -> pd.Series:
    words = pa.DictionaryArray.from_arrays(
        pa.array(places, mask=places == none), pa.array(names, type=pa.large_string()))
    return pd.Series(pd.array(words.cast(pa.large_string()), dtype="str"), index=index)
