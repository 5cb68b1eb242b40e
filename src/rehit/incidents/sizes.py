"""Marked area from what people write: "2x3m", "approx 6 sq ft", "A4 size", "small"."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import NamedTuple

import pandas as pd

from rehit.parameters import Parameters, load_parameters
from rehit.words.vocabulary import Terms, default_words, plain_words

# Numbers in sizes, and whether a comma before three digits parts thousands or decimals.

NUMBER = (r"(\d{1,3}(?:,\d{3})+\.\d+|\d{1,3}(?:\.\d{3})+,\d+|\d{1,3}(?:,\d{3}){2,}|"
          r"\d{1,3}(?:\.\d{3}){2,}|\d+(?:[.,]\d+)?|[.,]\d+|\d+\s*/\s*\d+|[½¼¾])")
# No size has so many digits; the patterns below would go over them from each of their places.
_NO_NUMBER = re.compile(r"\d{13,}")
_FRACTIONS = {"½": 0.5, "¼": 0.25, "¾": 0.75}
# "0,250" is below one whatever the habit; "1,25" and "1,2500" are no thousands either.
_THREE = re.compile(r"[1-9]\d{0,2},\d{3}")
_DECIMAL = r"\d[{mark}]\d+\s*(?=$|[^\d\s.,])"
_COMMA, _POINT = (re.compile(_DECIMAL.format(mark=mark)) for mark in ",.")
# Units in which nobody writes three decimals: inches and feet by the habits of their countries,
# thousandths of a millimetre or of a centimetre because no marking is measured to them.
_NEVER_THOUSANDTHS = frozenset(("mm", "cm", "in", "ft", "yd", "in2", "ft2", "yd2", "mm2", "cm2"))


def comma_habit(texts: Iterable[str]) -> str:
    """Return what a comma means in these sizes: ``decimal``, ``thousands`` or "" (not told).

    Only numbers that can be read in one way speak: "2,5 m" for decimals after a comma, "2.5 m" for
    decimals after a point. The more frequent of the two is the habit; a tie goes to the comma.

    Examples
    --------
    >>> comma_habit(["2,5 m", "1,250 m2"]), comma_habit(["2.5 m"]), comma_habit(["1,250 m2"])
    ('decimal', 'thousands', '')
    """
    comma = point = 0
    for text in texts:
        comma += any(not _THREE.fullmatch(_whole(found, text))
                     for found in _COMMA.finditer(text))
        point += _POINT.search(text) is not None
    if comma == point == 0:
        return ""
    return "decimal" if comma >= point else "thousands"


def _whole(found: re.Match[str], text: str) -> str:
    """Return the whole number around a decimal mark."""
    start = found.start()
    while start and text[start - 1].isdigit():
        start -= 1
    return text[start:found.end()].strip()


def is_ambiguous(text: str, *, unit: str, comma: str) -> bool:
    """Return whether a number could be thousands as well as a decimal; it is read as a decimal.

    A side of a thousand metres is no marking, so with ``m`` nothing is open.
    """
    return (comma == "" and unit == "m2" and _THREE.fullmatch(text) is not None)


def read_number(text: str, *, unit: str, comma: str) -> float:
    """Return the value of a number as written in a size.

    Parameters
    ----------
    text
        As :data:`NUMBER` finds it.
    unit
        Unit it stands before: a length (``m, ft, ...``) or an area (``m2, ft2, ...``).
    comma
        From :func:`comma_habit`.

    Examples
    --------
    >>> read_number("1,200", unit="ft2", comma="")
    1200.0
    >>> read_number("1,250", unit="m", comma="thousands")
    1.25
    >>> read_number("1.200,5", unit="m2", comma="")
    1200.5
    """
    if text in _FRACTIONS:
        return _FRACTIONS[text]
    if "/" in text:
        over, under = text.split("/")
        return float(over) / float(under) if float(under) else math.nan
    if "," in text and "." in text:
        last = max(text, key=lambda mark: text.rfind(mark) if mark in ",." else -1)
        return float(text.replace("," if last == "." else ".", "").replace(",", "."))
    if text.count(",") > 1 or text.count(".") > 1:
        return float(text.replace(",", "").replace(".", ""))
    if _THREE.fullmatch(text) and _thousands(unit, comma):
        return float(text.replace(",", ""))
    return float(text.replace(",", "."))


def _thousands(unit: str, comma: str) -> bool:
    if unit == "m":
        return False
    return comma == "thousands" or (comma == "" and unit in _NEVER_THOUSANDTHS)


# Exact by the international yard and pound agreement of 1959: 1 ft = 0.3048 m.
METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254, "ft": 0.3048, "yd": 0.9144}
_UNIT_WORDS = {
    "mm": "mm", "millimetre": "mm", "millimeter": "mm", "cm": "cm", "centimetre": "cm",
    "centimeter": "cm", "m": "m", "mt": "m", "mtr": "m", "metre": "m", "meter": "m", "in": "in",
    "inch": "in", "inche": "in", '"': "in", "''": "in", "″": "in", "”": "in", "ft": "ft",
    "foot": "ft", "feet": "ft", "'": "ft", "′": "ft", "’": "ft", "yd": "yd", "yard": "yd",
}
_UNIT = (r"(millimet(?:re|er)s?|centimet(?:re|er)s?|met(?:re|er)s?|mtrs?|mts?|mm|cms?|m|inche?s?|"
         r"ins?|feet|foot|fts?|yards?|yds?|''|[\"″”'′’])")
_SQUARED = r"(?:\^?\s*2|²)"
_AREA = re.compile(rf"{NUMBER}\s*{_UNIT}\.?\s*{_SQUARED}(?!\d)")
_AREA_WORD = re.compile(rf"{NUMBER}\s*(?:sq(?:uare|\.)?|sq)\s*\.?\s*{_UNIT}(?![a-z])")
_SHORT_AREA = re.compile(rf"{NUMBER}\s*(sqm|sqft|sf|qm)(?![a-z])")
_SHORT_UNITS = {"sqm": "m", "sqft": "ft", "sf": "ft", "qm": "m"}
_SIDES = re.compile(rf"{NUMBER}\s*{_UNIT}?\s*(?:high|long|wide|tall)?\s*(?:x|×|\*|by|mal)\s*"
                    rf"{NUMBER}\s*{_UNIT}?(?![a-z])")
_PAPER = re.compile(r"(?<![a-z0-9])a([0-6])(?![a-z0-9])")
_RANGE = re.compile(rf"{NUMBER}\s*(?:-|–|to)\s*{NUMBER}(?=\s*(?:sq|m|ft|feet|foot|²))")
_ONE_SIDE = re.compile(rf"{NUMBER}\s*{_UNIT}(?![a-z])")
_BARE = re.compile(rf"(?:about|approx\.?|approximately|ca\.?|circa|~|<|>)?\s*{NUMBER}")
_CLASS = re.compile(rf"size class {NUMBER} m2")
_UNIT_AHEAD = re.compile(rf"\s*((?:sq)?)(?:uare)?\.?\s*{_UNIT}(?![a-z])\.?\s*({_SQUARED}?)")


class Size(NamedTuple):
    """One size read: area in square metres, how it was known, and by which rule."""

    area_m2: float
    basis: str
    rule: str


UNREAD = Size(math.nan, "unknown", "size_unreadable")
# "1,200 m2" where nothing in the log tells what its commas mean.
AMBIGUOUS = "comma_could_be_thousands"


def read_size(text: str, *, unit: str = "", words: Terms | None = None,
              parameters: Parameters | None = None, loose: bool = True,
              comma: str | None = None) -> Size:
    """Return the marked area that a text gives.

    A product of two lengths, an area with its unit and a paper size are measures; a word such as
    "small" gives the area of its class. A single length is taken as the side of a square. A bare
    number needs `unit`; without it nothing is guessed.

    Parameters
    ----------
    text
        As written.
    unit
        Unit of a bare number: ``m2``, ``ft2``, ``m``, ``ft`` or "" (not known).
    words
        Size words; rehit's own by default.
    parameters
        Areas of the classes and the limit of belief.
    loose
        Whether class words, single lengths and bare numbers count; not in a free description.
    comma
        What a comma before three digits means, from
        :func:`rehit.incidents.sizes.comma_habit`; by default what the text itself tells.

    Examples
    --------
    >>> read_size("2x3m").area_m2
    6.0
    >>> round(read_size("approx 6 sq ft").area_m2, 3)
    0.557
    >>> read_size("small").basis
    'size_class'
    >>> round(read_size("1,200 sq ft").area_m2, 1)
    111.5
    """
    parameters = parameters or load_parameters()
    line = _NO_NUMBER.sub(" ", " ".join(text.casefold().split()))
    habit = comma_habit([line]) if comma is None else comma
    size = _measured(line, unit, habit) or (
        _by_word(line, unit, words, parameters, habit) if loose else None)
    if size is None:
        return UNREAD
    if math.isnan(size.area_m2):
        return size
    if not 0 < size.area_m2 <= parameters["incidents.area_limit_m2"]:
        return Size(math.nan, "unknown", "size_beyond_belief")
    return size


def read_sizes(texts: pd.Series, *, unit: str = "", words: Terms | None = None,
               parameters: Parameters | None = None, loose: bool = True,
               comma: str | None = None) -> pd.DataFrame:
    """Read a column of sizes, each different text once.

    The column as a whole tells whether "1,200" is above a thousand or just above one, unless
    `comma` does. What stays open is read as a decimal, with the rule ``comma_could_be_thousands``.

    Returns
    -------
    pandas.DataFrame
        ``area_m2`` [m2], ``area_basis`` and ``rule`` (empty where the cell is), on the index of
        `texts`.
    """
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    habit = comma_habit(unique) if comma is None else comma
    read = [read_size(text, unit=unit, words=words, parameters=parameters, loose=loose, comma=habit)
            for text in unique]
    table = pd.DataFrame([*read, Size(math.nan, "unknown", "")],
                         columns=["area_m2", "area_basis", "rule"])
    return table.take(codes).set_axis(texts.index)


def _measured(line: str, unit: str, comma: str) -> Size | None:
    if found := _CLASS.search(line):
        return Size(read_number(found.group(1), unit="m2", comma=comma), "size_class", "")
    line = _RANGE.sub(lambda m: _middle(m, comma), line)
    if found := _SIDES.search(line):
        # "2x3m": the unit written once stands for both sides.
        second = _unit(found.group(4)) or _unit(found.group(2)) or unit.removesuffix("2")
        first = _unit(found.group(2)) or second
        if not first:
            return Size(math.nan, "unknown", "size_without_unit")
        area = _length(found.group(1), first, comma) * _length(found.group(3), second, comma)
        return Size(area, "measured", "two_sides")
    if found := _SHORT_AREA.search(line):
        return _area(found.group(1), _SHORT_UNITS[found.group(2)], comma)
    if found := _AREA.search(line) or _AREA_WORD.search(line):
        return _area(found.group(1), _unit(found.group(2)), comma)
    if found := _PAPER.search(line):
        # ISO 216: A0 is one square metre, each next size half of it.
        return Size(0.5 ** int(found.group(1)), "measured", "paper_size")
    return None


def _by_word(line: str, unit: str, words: Terms | None, parameters: Parameters,
             comma: str) -> Size | None:
    if found := _ONE_SIDE.search(line):
        side = _length(found.group(1), _unit(found.group(2)), comma)
        return Size(side**2, "measured", "one_side_as_square")
    if found := _BARE.fullmatch(line):
        if not unit:
            return Size(math.nan, "unknown", "size_without_unit")
        if unit.endswith("2"):
            return _area(found.group(1), unit.removesuffix("2"), comma)
        return Size(_length(found.group(1), unit, comma)**2, "measured", "one_side_as_square")
    hits = (words or default_words("size")).find(line)
    if hits and plain_words(line):
        return Size(parameters[f"incidents.size_{hits[0].code}_m2"], "size_class", "size_word")
    return None


def _length(text: str, unit: str, comma: str) -> float:
    return read_number(text, unit=unit, comma=comma) * METRES[unit]


def _area(text: str, side: str, comma: str) -> Size:
    unit = f"{side}2"
    rule = AMBIGUOUS if is_ambiguous(text, unit=unit, comma=comma) else "area_with_unit"
    return Size(read_number(text, unit=unit, comma=comma) * METRES[side]**2, "measured", rule)


def _middle(found: re.Match[str], comma: str) -> str:
    """Return the middle of a range such as "2-4 m2", as a number without marks of thousands."""
    ahead = _UNIT_AHEAD.match(found.string, found.end())
    unit = "" if ahead is None else _unit(ahead.group(2)) + ("2" if ahead[1] or ahead[3] else "")
    low, high = (read_number(text, unit=unit, comma=comma) for text in found.groups())
    return f"{round((low + high) / 2, 6)} "


def _unit(text: str | None) -> str:
    """Return the key of ``METRES`` that a unit word stands for, "" for none."""
    if not text:
        return ""
    return _UNIT_WORDS.get(text) or _UNIT_WORDS.get(text.rstrip("s"), "")
