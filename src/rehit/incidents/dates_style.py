"""How a column writes its dates: order, clock and formats, found from all its distinct cells."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from rehit.incidents.dates import DateStyle, parse_dates
from rehit.incidents.dates_patterns import NO_DATE, NUMERIC_ORDER, SHAPES, extract, whole

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
        What speaks for it, in words.
    """

    style: DateStyle
    certain: bool
    evidence: tuple[str, ...]


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
    said = tuple(f"in one row of {step}: {line}" for line in said) if step > 1 else said
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
           either: int) -> tuple[bool, bool, tuple[str, ...]]:
    if first or second:
        day_first = first >= second
        most, least = max(first, second), min(first, second)
        words = "first" if day_first else "second"
        said = f"{most} rows have a {words} number above 12, so it is the day"
        if least:
            said += f"; {least} rows say the opposite"
        # A few contrary rows are slips; many mean that two systems wrote this column.
        return day_first, least <= 0.05 * most, (said,)
    if not either:
        return True, True, ()
    shares = {order: _in_order(texts, order) for order in (True, False)}
    day_first = shares[True] >= shares[False]
    note = (f"no number above 12 in {either} rows; rows follow each other in time for "
            f"{shares[True]:.0%} if day first, {shares[False]:.0%} if month first")
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
