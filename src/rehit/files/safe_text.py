"""Free text from logs is hostile: make it harmless before a spreadsheet opens it."""

from __future__ import annotations

import re

import pandas as pd

# Starting signs of a formula, and what some programs take for them (full width, minus sign).
_STARTS = "=+\\-@\uff1d\uff0b\uff0d\uff20\u2212\ufe62\ufe63\ufe66\ufe6b|\uff5c"
# Blanks and signs nobody sees, which a program may drop before it looks at the first sign.
_UNSEEN = ("\\s\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u202a-\u202e"
           "\u2060-\u206f\u2800\u3164\ufe00-\ufe0f\ufeff\uffa0\ufff9-\ufffb")
_CONTROLS = "\x00-\x08\x0b\x0c\x0e-\x1f\x7f"
_FORMULA = re.compile(rf"[\t\r\n]|[{_UNSEEN}]*[{_STARTS}]")
# Where another sign than the comma parts cells, a formula may begin within one of ours.
_INNER = re.compile(rf"([;\t])([{_UNSEEN}]*)"
                    rf"(?=[=@\uff1d\uff20]|[+\-|\uff0b\uff0d][{_UNSEEN}]*(?:[^\W\d]|[(=]))")
_PLAIN_NUMBER = re.compile(r"[+\u2212-]?(\d+([.,]\d+)*|[.,]\d+)([eE][+-]?\d+)?%?")
_SUSPICIOUS = rf"^[{_UNSEEN}]*[{_STARTS}]|^[\t\r\n]|[{_CONTROLS}]|[;\t][{_UNSEEN}]*[{_STARTS}]"
# What holds for every suspicious cell and few others, in words that the fast matcher knows.
_PERHAPS = rf"^[^0-9A-Za-z]|[;\t{_CONTROLS}]"
_CONTROL = re.compile(f"[{_CONTROLS}]")


def neutralise_formula(text: str) -> str:
    """Make a cell's text safe to open in a spreadsheet: a leading apostrophe stops it running.

    Text that starts with ``= + - @ |``, their full-width forms, a tab or a line end could run as a
    formula when a CSV is opened, and so could what follows a semicolon where that parts cells.
    Signs that nobody sees are looked through. Plain signed numbers are left as they are; control
    characters are removed.

    Examples
    --------
    >>> neutralise_formula("=1+1")
    "'=1+1"
    >>> neutralise_formula("-3.5")
    '-3.5'

    References
    ----------
    OWASP, "CSV Injection" (the list of starting characters).
    """
    clean = _CONTROL.sub("", text)
    starts = _FORMULA.match(clean) and not _PLAIN_NUMBER.fullmatch(clean.strip())
    return ("'" if starts else "") + _INNER.sub(r"\1\2'", clean)


def without_guard(text: str) -> str:
    """Take off the apostrophe that :func:`neutralise_formula` puts before a formula.

    Examples
    --------
    >>> without_guard("'=1+1"), without_guard("'tis")
    ('=1+1', "'tis")
    """
    bare = text.removeprefix("'")
    return bare if bare != text and neutralise_formula(bare) == text else text


def neutralise_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return a copy of `table` with its column names and text cells safe for a spreadsheet."""
    safe = table.copy()
    for column in safe.columns:
        values = safe[column]
        if isinstance(values.dtype, pd.CategoricalDtype):
            values = values.astype("object")
        elif not pd.api.types.is_string_dtype(values) and values.dtype != object:
            continue
        # Only suspicious cells are rewritten: a log of a million rows has few of them.
        suspicious = _suspicious(values.astype("str"))
        if suspicious.any():
            safe[column] = values.where(~suspicious, values[suspicious].map(_neutralise_cell))
    return safe.rename(columns=_neutralise_cell)


def _suspicious(values: pd.Series) -> pd.Series:
    """Flag the cells in which a formula or a control character may stand."""
    flags = values.str.contains(_PERHAPS, regex=True).fillna(False).astype(bool)
    flags[flags] = values[flags].str.contains(_SUSPICIOUS, regex=True)
    return flags


def _neutralise_cell(value: object) -> object:
    return neutralise_formula(value) if isinstance(value, str) else value
