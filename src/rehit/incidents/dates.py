"""Dates as logs write them, read to UTC with a fault or remark code for every row."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from rehit.errors import SettingError
from rehit.messages import Message, message
from rehit.packaged import packaged_rows
from rehit.parameters import Parameters, load_parameters

# The shapes in which logs write dates, as regular expressions over whole cells.
#
# The patterns are RE2 (pyarrow), so that a million cells are read in about a second. Every pattern
# has the same named groups where it has them at all: ``y m d`` or ``a b`` (order not known from the
# shape), ``w`` (month as a word), ``H M S p z`` (clock, AM/PM mark, zone), ``n`` (a bare number).

_CLOCK = (r"(?:(?:T|\s*,?\s*(?:T|at|um|às|à|a las|om|kl\.?|(?:o )?godz\.?)\s+|\s*,\s*|\s+|:)"
          r"(?P<H>\d{1,2})(?:\s*(?:[:.]|h|Uhr)\s*(?P<M>\d{2}))?(?:[:.](?P<S>\d{2})(?:[.,]\d+)?)?\s*"
          r"(?P<p>[AaPp]\.?\s?[Mm]\.?)?(?:h|\s*Uhr)?\s*"
          r"(?P<z>[Zz]|(?:UTC|GMT)?[+-]\d{2}:?\d{2}|(?:UTC|GMT)?[+-]\d{1,2}|[A-Z]{2,5})?"
          r"(?:\s*\([^)]*\))?)?")
_WORD = r"[^\d\s.,/()-]"
_DAY_NAME = rf"(?:{_WORD}+\.?,?\s+)?"
_MONTH = rf"(?P<w>{_WORD}{{3,12}})\.?"
_YEAR_WORD = r"(?:\s*r\.|\s*roku)?"  # Polish


@dataclass(frozen=True)
class Shape:
    """One way of writing a date: its name as a person would write it, and its pattern."""

    name: str
    pattern: str


SHAPES = (
    Shape("YYYY-MM-DD", r"(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})" + _CLOCK),
    Shape("two numbers and a year", _DAY_NAME + r"(?P<a>\d{1,2})[-/. ](?P<b>\d{1,2})[-/. ]"
          r"(?P<y>\d{4}|\d{2})" + _YEAR_WORD + _CLOCK),
    Shape("DD Month YYYY", _DAY_NAME + r"(?P<d>\d{1,2})(?:st|nd|rd|th|er|º|\.)?[-/ ]*(?:de |of )?"
          + _MONTH + r",?[-/ ]*(?:de |del )?(?P<y>\d{4}|\d{2})" + _YEAR_WORD + _CLOCK),
    Shape("Month DD YYYY", _DAY_NAME + _MONTH + r"[-/ ]+(?P<d>\d{1,2})(?:st|nd|rd|th)?,?[-/ ]+"
          r"(?P<y>\d{4})" + _CLOCK),
    Shape("YYYY Month DD", r"(?P<y>\d{4})[-/ ]" + _MONTH + r"[-/ ](?P<d>\d{1,2})" + _CLOCK),
    Shape("YYYYMMDD", r"(?P<y>(?:19|20)\d{2})(?P<m>\d{2})(?P<d>\d{2})"
          r"(?:[T ]?(?P<H>\d{2}):?(?P<M>\d{2})(?::?(?P<S>\d{2})(?:[.,]\d+)?)?"
          r"(?P<z>Z|[+-]\d{2}:?\d{2})?)?"),
    Shape("Unix time in milliseconds", r"(?:/Date\()?(?P<n>-?\d{11,13})(?:\.\d*)?(?:\)/)?"),
    Shape("Unix time in seconds", r"(?P<n>\d{9,10}(?:\.\d*)?)"),
    Shape("spreadsheet day number", r"(?P<n>\d{5}(?:\.\d*)?)"),
)
NUMERIC_ORDER = "two numbers and a year"
TIME_FIRST = r"^(\d{1,2}:\d{2}(?::\d{2})?(?:\s*[AaPp]\.?[Mm]\.?)?)[ ,]+(\S.*\d{2,4})$"
# Words that logs write where there is no date.
NO_DATE = ("", "-", "--", "n/a", "na", "nan", "nat", "null", "none", "nil", "unknown", "tbc", "tba",
           "pending", "open", "#n/a", "0", "0000-00-00", "0000-00-00 00:00:00", "00/00/0000", "?",
           "\\n", "not recorded", "xxxx")


def extract(cells: pa.Array, shape: Shape) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Match whole cells against `shape`; return which matched and the groups of those that did."""
    found = pc.extract_regex(cells, pattern=f"^(?:{shape.pattern})$")
    matched = pc.is_valid(found).to_numpy(zero_copy_only=False)
    if not matched.any():
        return matched, {}
    kept = found.filter(pa.array(matched))
    names = [field.name for field in found.type]
    return matched, {name: pc.struct_field(kept, name) for name in names}


def whole(group: pa.Array | None, size: int, *, empty: int) -> np.ndarray:
    """Turn a group of digits into whole numbers, `empty` where the group did not match."""
    if group is None:
        return np.full(size, empty, dtype=np.int64)
    blank = pc.equal(group, "")
    filled = pc.if_else(blank, str(empty), group).cast(pa.int64())
    return np.array(filled.to_numpy(zero_copy_only=False))


@cache
def month_words() -> dict[str, int]:
    """Return the beginnings of month names in several languages, from ``months.csv``."""
    return {row["word"]: int(row["month"]) for row in packaged_rows("words", "months.csv")}


@cache
def month_number(word: str) -> int:
    """Return the month that `word` begins, 0 if none: the longest known beginning counts.

    Examples
    --------
    >>> month_number("September"), month_number("août"), month_number("maio"), month_number("foo")
    (9, 8, 5, 0)
    """
    plain = "".join(c for c in unicodedata.normalize("NFKD", word.lower()) if c.isalpha())
    for length in range(len(plain), 2, -1):
        if plain[:length] in month_words():
            return month_words()[plain[:length]]
    return 0


# The parts of a date as matched by a shape: whole numbers, the order of day and month, zones.

def full_year(group: pa.Array, pivot: int) -> np.ndarray:
    """Return years as numbers; those of two digits from `pivot` on belong to the 1900s."""
    year = whole(group, len(group), empty=0)
    short = pc.less_equal(pc.utf8_length(group), 2).to_numpy(zero_copy_only=False)
    return np.where(short, np.where(year >= pivot, 1900, 2000) + year, year)


def month_and_day(shape: Shape, groups: Mapping[str, pa.Array], *,
                  day_first: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return month, day, and where their size spoke against the given order."""
    size = len(groups["y"])
    never = np.zeros(size, dtype=bool)
    if "w" in groups:
        words = groups["w"].dictionary_encode()
        numbers = np.array([month_number(word) for word in words.dictionary.to_pylist()])
        month = numbers[words.indices.to_numpy(zero_copy_only=False)]
        return month, whole(groups["d"], size, empty=0), never
    if shape.name != NUMERIC_ORDER:
        return whole(groups["m"], size, empty=0), whole(groups["d"], size, empty=0), never
    first, second = whole(groups["a"], size, empty=0), whole(groups["b"], size, empty=0)
    day, month = (first, second) if day_first else (second, first)
    switched = (month > 12) & (day <= 12) & (month <= 31)
    return np.where(switched, day, month), np.where(switched, month, day), switched


def apply_half(group: pa.Array | None, hour: np.ndarray) -> np.ndarray:
    """Turn 12-hour clocks into 24-hour ones in place; return whether each hour is possible."""
    if group is None:
        return np.ones(len(hour), dtype=bool)
    letter = pc.utf8_lower(pc.utf8_slice_codeunits(group, 0, 1))
    morning = pc.equal(letter, "a").to_numpy(zero_copy_only=False)
    evening = pc.equal(letter, "p").to_numpy(zero_copy_only=False)
    hour[evening & (hour < 12)] += 12
    hour[morning & (hour == 12)] = 0
    # "14:05 PM" is a 24-hour time with a needless mark; "14:05 AM" contradicts itself.
    fine: np.ndarray = ~(morning & (hour > 12))
    return fine


def zone_offsets(group: pa.Array) -> np.ndarray:
    """Return minutes east of UTC, NaN where a cell names none."""
    encoded = group.dictionary_encode()
    values = np.array([_offset(text) for text in encoded.dictionary.to_pylist()], dtype=float)
    return np.asarray(values[encoded.indices.to_numpy(zero_copy_only=False)])


def _offset(text: str) -> float:
    """Return minutes east of UTC; NaN for none and for letters, which name no one zone."""
    bare = text.upper().removeprefix("UTC").removeprefix("GMT")
    if text and bare in ("", "Z"):
        return 0.0
    if not bare or bare[0] not in "+-":
        return float("nan")
    digits = bare[1:].replace(":", "")
    hours, minutes = (digits, "0") if len(digits) <= 2 else (digits[:-2], digits[-2:])
    total = int(hours) * 60 + int(minutes)
    return float("nan") if total > 14 * 60 else float(-total if bare[0] == "-" else total)


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
        raise SettingError("time_zone", "errors.not_a_zone", name=name) from error


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


# How a column writes its dates: order, clock and formats, found from all its distinct cells.

MOST_FORMATS = 8
MOST_ROWS = 100_000
_ORDER_SHAPE = next(shape for shape in SHAPES if shape.name == NUMERIC_ORDER)
# A dot parts hours from minutes only after a space: 05.03.2018 is a day.
_TIMED = r"\d{1,2}[:h]\d{2}|[T ,]\d{1,2}\.\d{2}(\D|$)|^\d{9,13}|^\d{5}\.\d+$"
# Bare numbers are dates only where a column's name or a person says so.
NUMBER_FORMATS = (*(s.name for s in SHAPES if "(?P<n>" in s.pattern), "YYYYMMDD")


@dataclass(frozen=True)
class FoundStyle:
    """What a column's cells say about how it writes dates.

    Attributes
    ----------
    style
        The style, with day first assumed where the cells do not tell.
    certain
        Whether the order of day and month is known (or does not arise).
    evidence
        What speaks for it.
    """

    style: DateStyle
    certain: bool
    evidence: tuple[Message, ...]


def find_style(texts: pd.Series) -> FoundStyle:
    """Find the style of a date column; the order of day and month may stay uncertain.

    A first number above 12 proves day first, a second one month first; if both occur, the more
    frequent order holds. With neither, rows in order of time under one reading and not under the
    other make that reading the assumed one, yet the style stays uncertain.

    Examples
    --------
    >>> found = find_style(pd.Series(["03/14/2018 09:05 AM", "03/02/2018 04:10 PM"]))
    >>> found.style.day_first, found.style.clock, found.certain, found.style.formats
    (False, '12', True, ('MM/DD/YYYY hh:mm AM',))
    """
    # Rows spread evenly over a long log tell as much as all of them.
    step = max(len(texts) // MOST_ROWS, 1)
    text = texts.iloc[::step].astype("str").str.strip()
    kept = text[text.notna() & ~text.str.lower().isin(NO_DATE)]
    counts = kept.value_counts()
    cells = pa.array(counts.index, type=pa.large_string())
    first, second, either = _order_counts(cells, counts.to_numpy())
    day_first, certain, said = _order(kept, first, second, either)
    formats = _formats(cells, counts.to_numpy(), day_first)
    clock = _clock(cells)
    said += (message("shown.one_row_in", step=step),) if step > 1 and said else ()
    return FoundStyle(DateStyle(day_first, clock, formats), certain, said)


def _order_counts(cells: pa.Array, counts: np.ndarray) -> tuple[int, int, int]:
    """Return rows that can only be day first, only month first, and either."""
    matched, groups = extract(cells, _ORDER_SHAPE)
    if not groups:
        return 0, 0, 0
    weight = counts[matched]
    a, b = (whole(groups[key], len(weight), empty=0) for key in "ab")
    day_first = (a > 12) & (b <= 12)
    month_first = (b > 12) & (a <= 12)
    both = (a <= 12) & (b <= 12) & (a != b)
    return tuple(int(weight[which].sum()) for which in (day_first, month_first, both))  # type: ignore[return-value]


def _order(texts: pd.Series, first: int, second: int,
           either: int) -> tuple[bool, bool, tuple[Message, ...]]:
    if first or second:
        day_first = first >= second
        most, least = max(first, second), min(first, second)
        said = (message(f"shown.above_12_{'first' if day_first else 'second'}", n=most),
                *([message("shown.opposite", n=least)] if least else []))
        # A few contrary rows are slips; many mean that two systems wrote this column.
        return day_first, least <= 0.05 * most, said
    if not either:
        return True, True, ()
    shares = {order: _in_order(texts, order) for order in (True, False)}
    day_first = shares[True] >= shares[False]
    note = message("shown.order_open", n=either, day=shares[True], month=shares[False])
    return day_first, False, (note,)


def _in_order(texts: pd.Series, day_first: bool) -> float:
    """Share of neighbouring rows that go the more usual way in time."""
    times = parse_dates(texts, style=DateStyle(day_first)).times.dropna()
    steps = np.sign(np.diff(times.to_numpy(dtype="datetime64[us]").astype(np.int64)))
    moved = steps[steps != 0]
    return float(max((moved > 0).mean(), (moved < 0).mean())) if len(moved) else 0.0


def _clock(cells: pa.Array) -> str:
    timed = pc.match_substring_regex(cells, pattern=_TIMED)
    half = pc.match_substring_regex(cells, pattern=r"(?i)\d\s*[ap]\.?\s?m\.?")
    if pc.any(half).as_py():
        return "12"
    with_time = cells.filter(timed)
    if not len(with_time):
        return "none"
    midnight = pc.match_substring_regex(with_time, pattern=r"[T ]0{1,2}:00(:00(\.0*)?)?(Z|$)")
    return "none" if pc.all(midnight).as_py() else "24"


def _formats(cells: pa.Array, counts: np.ndarray, day_first: bool) -> tuple[str, ...]:
    pictures = pc.replace_substring_regex(cells, pattern=r"\d", replacement="9")
    pictures = pc.replace_substring_regex(pictures, pattern=r"\pL{3,}", replacement="Mon")
    found: Counter[str] = Counter()
    by_picture = pd.Series(counts).groupby(pictures.to_pandas().to_numpy()).sum()
    for picture, count in by_picture.items():
        found[picture_format(str(picture), day_first=day_first)] += int(count)
    found.pop("", None)
    return tuple(name for name, _ in found.most_common(MOST_FORMATS))


def picture_format(picture: str, *, day_first: bool) -> str:
    """Name the format of a cell whose digits were all turned to 9 and months to ``Mon``.

    Examples
    --------
    >>> picture_format("99/99/9999 99:99", day_first=True), picture_format("hello", day_first=True)
    ('DD/MM/YYYY hh:mm', '')
    """
    number = re.fullmatch(r"(9+)(\.9*)?", picture)
    if number:
        return _number_format(len(number[1]))
    found = _DATE_PICTURE.match(picture)
    if not found:
        return ""
    if found["iso"]:
        mark = found["iso_mark"]
        date = f"YYYY{mark}MM{mark}DD"
    elif found["plain"]:
        mark = found["mark"]
        parts = ("DD", "MM") if day_first else ("MM", "DD")
        date = mark.join((*parts, "YYYY" if len(found["year"]) == 4 else "YY"))
    else:
        date = "DD Mon YYYY" if picture.lstrip().startswith("9") else "Mon DD YYYY"
    return (date + _time_format(picture[found.end():])).strip()


_DATE_PICTURE = re.compile(
    r"(?P<iso>9{4}(?P<iso_mark>[-/.])9{1,2}(?P=iso_mark)9{1,2})"
    r"|(?P<plain>9{1,2}(?P<mark>[-/. ])9{1,2}(?P=mark)(?P<year>9{4}|99)(?!9))"
    r"|(?:Mon,? )?9{1,2}\w{0,2}[-/ .]+(?:\w\w )?Mon\.?,?[-/ ]*(?:\w\w )?9{2,4}"
    r"|(?:Mon,? )?Mon\.?[-/ ]+9{1,2}\w{0,2},?[-/ ]+9{4}|9{4}[-/ ]Mon[-/ ]9{1,2}")


def _number_format(digits: int) -> str:
    return {5: "spreadsheet day number", 8: "YYYYMMDD", 9: "Unix time in seconds",
            10: "Unix time in seconds", 12: "Unix time in milliseconds",
            13: "Unix time in milliseconds", 14: "YYYYMMDDhhmmss"}.get(digits, "")


def _time_format(rest: str) -> str:
    found = re.search(r"(?P<t>[T ]|, ?)?9{1,2}[:.h]99(?P<s>[:.]99)?", rest)
    if not found:
        return ""
    text = ("T" if found["t"] == "T" else " ") + "hh:mm" + (":ss" if found["s"] else "")
    tail = rest[found.end():]
    if re.search(r"[AaPp]\.?\s?[Mm]", tail):
        text += " AM"
    if re.search(r"[Zz]|[+-]9", tail):
        text += "+zone"
    return text
