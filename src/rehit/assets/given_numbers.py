"""Matching by the owner's number, as written in the log."""

from __future__ import annotations

import re

import pandas as pd

from rehit.address_words import plain

_NOT_ALNUM = re.compile(r"[\W_]+")
_LETTERED = re.compile(r"([^\W\d_]*)[\W_]*?0*(\d+)")
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


def match_without_letters(given: pd.Series, register_ids: pd.Series) -> pd.Series:
    """Return the register row of each number that fits but for letters one side leaves out.

    "MUR-0001" in the log is "1" in the register, or the reverse, where that number stands for one
    asset only and the side that writes letters puts no others before it: two kinds of letters
    before one number are two things, and which of them the bare number means is not known.

    Examples
    --------
    >>> match_without_letters(pd.Series(["MUR-0001", "W-2", None]), pd.Series(["1", "2"])).tolist()
    [0, 1, -1]
    >>> match_without_letters(pd.Series(["BAN-1", "MUR-1"]), pd.Series(["1", "2"])).tolist()
    [-1, -1]
    """
    parts = {text: _parts(text) for text in given.dropna().unique()}
    letters: dict[str, set[str]] = {}
    for prefix, number in parts.values():
        letters.setdefault(number, set()).add(prefix)
    rows: dict[str, list[tuple[str, int]]] = {}
    for row, text in enumerate(register_ids):
        prefix, number = _parts(text)
        rows.setdefault(number, []).append((prefix, row))
    found: dict[str, int] = {}
    for text, (prefix, number) in parts.items():
        fits = rows.get(number, []) if number else []
        one_sided = len(fits) == 1 and bool(prefix) != bool(fits[0][0])
        if one_sided and len((letters[number] | {fits[0][0]}) - {""}) == 1:
            found[text] = fits[0][1]
    return given.map(found).fillna(-1).astype(int)


def _parts(text: object) -> tuple[str, str]:
    """Return the letters before a number, and the number without leading noughts; else nothing."""
    split = _LETTERED.fullmatch(_same(str(text)))
    return (split[1], split[2]) if split else ("", "")


def _same(text: str) -> str:
    return plain(str(text))


def _bare(text: str) -> str:
    return _NOUGHTS.sub("", _NOT_ALNUM.sub("", _same(text)))
