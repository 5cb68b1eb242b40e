"""Numbers in sizes, and whether a comma before three digits parts thousands or decimals."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

NUMBER = (r"(\d{1,3}(?:,\d{3})+\.\d+|\d{1,3}(?:\.\d{3})+,\d+|\d{1,3}(?:,\d{3}){2,}|"
          r"\d{1,3}(?:\.\d{3}){2,}|\d+(?:[.,]\d+)?|[.,]\d+|\d+\s*/\s*\d+|[½¼¾])")
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
