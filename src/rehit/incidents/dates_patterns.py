"""The shapes in which logs write dates, as regular expressions over whole cells.

The patterns are RE2 (pyarrow), so that a million cells are read in about a second. Every pattern
has the same named groups where it has them at all: ``y m d`` or ``a b`` (order not known from the
shape), ``w`` (month as a word), ``H M S p z`` (clock, AM/PM mark, zone), ``n`` (a bare number).
"""

from __future__ import annotations

import csv
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

_CLOCK = (r"(?:(?:T|\s*,?\s*(?:T|at|um|às|a las)\s+|\s*,\s*|\s+|:)"
          r"(?P<H>\d{1,2})(?:\s*(?:[:.]|h|Uhr)\s*(?P<M>\d{2}))?(?:[:.](?P<S>\d{2})(?:[.,]\d+)?)?\s*"
          r"(?P<p>[AaPp]\.?\s?[Mm]\.?)?(?:h|\s*Uhr)?\s*"
          r"(?P<z>[Zz]|(?:UTC|GMT)?[+-]\d{2}:?\d{2}|(?:UTC|GMT)?[+-]\d{1,2}|[A-Z]{2,5})?"
          r"(?:\s*\([^)]*\))?)?")
_WORD = r"[^\d\s.,/()-]"
_DAY_NAME = rf"(?:{_WORD}+\.?,?\s+)?"
_MONTH = rf"(?P<w>{_WORD}{{3,12}})\.?"


@dataclass(frozen=True)
class Shape:
    """One way of writing a date: its name as a person would write it, and its pattern."""

    name: str
    pattern: str


SHAPES = (
    Shape("YYYY-MM-DD", r"(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})" + _CLOCK),
    Shape("two numbers and a year", _DAY_NAME + r"(?P<a>\d{1,2})[-/. ](?P<b>\d{1,2})[-/. ]"
          r"(?P<y>\d{4}|\d{2})" + _CLOCK),
    Shape("DD Month YYYY", _DAY_NAME + r"(?P<d>\d{1,2})(?:st|nd|rd|th|er|º|\.)?[-/ ]*(?:de |of )?"
          + _MONTH + r",?[-/ ]*(?:de |del )?(?P<y>\d{4}|\d{2})" + _CLOCK),
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
    """Return the beginnings of month names in several languages, from ``dates_months.csv``."""
    text = (files("rehit.incidents") / "dates_months.csv").read_text(encoding="utf-8")
    return {row["word"]: int(row["month"]) for row in csv.DictReader(text.splitlines())}


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
