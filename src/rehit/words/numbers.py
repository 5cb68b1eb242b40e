"""Numbers whose thousands are set apart, as spreadsheets write coordinates: "6,483,231.12"."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

# By comma or dot only twice or with decimals after it: written once and without decimals
# ("41,763") it could as well be a fraction.
_BY_COMMA = r"\d{1,3}(?:,\d{3}){2,3}(?:\.\d*)?|\d{1,3},\d{3}\.\d*"
_BY_DOT = r"\d{1,3}(?:\.\d{3}){2,3}(?:,\d*)?|\d{1,3}\.\d{3},\d*"
_BY_SPACE = r"\d{1,3}(?:['’\s]\d{3}){1,3}(?:[.,]\d*)?"
_GROUPED = re.compile(rf"\s*[+-]?(?:{_BY_COMMA}|{_BY_DOT}|{_BY_SPACE})\s*")
_DECIMALS = re.compile(r"[.,](\d*)\s*$")


def is_grouped(text: str) -> bool:
    """Whether a text is one number with its thousands set apart, beyond doubt."""
    return _GROUPED.fullmatch(text) is not None


def ungrouped(text: str) -> str:
    """Return such a number with a decimal point and nothing else between its digits.

    Examples
    --------
    >>> ungrouped("6,483,231.12"), ungrouped("5.933.912,45"), ungrouped("1'842'000")
    ('6483231.12', '5933912.45', '1842000')
    >>> ungrouped("41,763")
    '41,763'
    """
    if not is_grouped(text):
        return text
    marks = [c for c in text.strip() if not c.isdigit() and c not in "+-"]
    found = _DECIMALS.search(text) if marks.count(marks[-1]) == 1 and (
        len(marks) > 1) else None
    whole = text if found is None else text[:found.start()]
    digits = "".join(c for c in whole if c.isdigit() or c in "+-")
    return f"{digits}.{found.group(1)}" if found is not None else digits


def ungrouped_texts(texts: pd.Series) -> pd.Series:
    """Return a column of texts with the thousands of its numbers no longer set apart."""
    grouped = texts.str.fullmatch(_GROUPED.pattern).fillna(False).astype(bool)
    return texts.mask(grouped, texts[grouped].map(ungrouped)) if grouped.any() else texts


def coordinate_numbers(texts: pd.Series) -> np.ndarray:
    """Return coordinates as numbers, with decimal point or comma; NaN where a cell is none.

    Examples
    --------
    >>> coordinate_numbers(pd.Series(["-8,617855", "565.123,45", "n/a"])).tolist()
    [-8.617855, 565123.45, nan]
    """
    plain = ungrouped_texts(texts).str.strip()
    comma = plain.str.fullmatch(r"[+-]?\d+,\d+").fillna(False).astype(bool)
    plain = plain.mask(comma, plain.str.replace(",", ".", regex=False))
    return pd.to_numeric(plain, errors="coerce").to_numpy(dtype=float, na_value=np.nan)


def plain_numbers(texts: pd.Series) -> np.ndarray:
    """Return a column of numbers with decimal point or comma; NaN where a cell is none.

    "1,234" is none: nothing tells whether its comma parts thousands or decimals.

    Examples
    --------
    >>> plain_numbers(pd.Series(["12.5", "12,50", "1,234", "1,234.5", "2.5 h"])).tolist()
    [12.5, 12.5, nan, 1234.5, nan]
    """
    doubtful = texts.str.fullmatch(r"\s*[+-]?\d{1,3},\d{3}\s*").fillna(False).astype(bool)
    return coordinate_numbers(texts.mask(doubtful))
