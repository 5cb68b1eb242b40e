"""Free text from logs is hostile: make it harmless before it leaves rehit."""

from __future__ import annotations

import re

import pandas as pd

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r", "\n")
_PLAIN_NUMBER = re.compile(r"[+-]?(\d+([.,]\d+)*|[.,]\d+)([eE][+-]?\d+)?%?")
_SUSPICIOUS = r"^ *[=+\-@\t\r\n]|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]"
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def neutralise_formula(text: str) -> str:
    """Make a cell's text safe to open in a spreadsheet: a leading apostrophe stops it running.

    Text that starts with ``= + - @``, a tab or a line end could run as a formula when a CSV is
    opened. Plain signed numbers are left as they are; control characters are removed.

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
    if clean.lstrip(" ").startswith(_FORMULA_START) and not _PLAIN_NUMBER.fullmatch(clean.strip()):
        return "'" + clean
    return clean


def neutralise_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return a copy of `table` with every text cell made safe for a spreadsheet."""
    safe = table.copy()
    for column in safe.columns:
        values = safe[column]
        if isinstance(values.dtype, pd.CategoricalDtype):
            values = values.astype("object")
        elif not pd.api.types.is_string_dtype(values) and values.dtype != object:
            continue
        # Only suspicious cells are rewritten: a log of a million rows has few of them.
        suspicious = values.astype("str").str.contains(_SUSPICIOUS, regex=True).fillna(False)
        if suspicious.any():
            safe[column] = values.where(~suspicious, values[suspicious].map(_neutralise_cell))
    return safe


def _neutralise_cell(value: object) -> object:
    return neutralise_formula(value) if isinstance(value, str) else value
