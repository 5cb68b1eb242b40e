"""Matching by the owner's number, as written in the log."""

from __future__ import annotations

import re

import pandas as pd

from rehit.address_words import plain

_NOT_ALNUM = re.compile(r"[\W_]+")
_NOUGHTS = re.compile(r"(?<!\d)0+(?=\d)")


def match_numbers(given: pd.Series, register_ids: pd.Series) -> pd.Series:
    """Return the register row of each number written in the log; -1 where there is none.

    Case and spaces make no difference. Where that finds nothing, punctuation and leading noughts
    are ignored too (spreadsheets eat them), as long as only one asset fits.

    Examples
    --------
    >>> match_numbers(pd.Series(["a-001", "A1 ", "B2", None]), pd.Series(["A-1", "B-3"])).tolist()
    [0, 0, -1, -1]
    """
    written = given.dropna().unique()
    found: dict[str, int] = {}
    for loosen in (_same, _bare):
        rows: dict[str, int] = {}
        for row, number in enumerate(register_ids):
            key = loosen(number)
            rows[key] = -1 if key in rows else row
        for text in written:
            if found.get(text, -1) < 0:
                key = loosen(text)
                found[text] = rows.get(key, -1) if key else -1
    return given.map(found).fillna(-1).astype(int)


def _same(text: str) -> str:
    return plain(str(text))


def _bare(text: str) -> str:
    return _NOUGHTS.sub("", _NOT_ALNUM.sub("", _same(text)))
