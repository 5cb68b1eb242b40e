"""Rows before anything is decided about them: tidied, in an order of their own, with stable names.

The order of rows in the log must not matter, so rows are put in the order of a hash of their
content first. The same hash names incidents that have no request number.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from rehit.tables import table

WHERE = ("source_file", "source_row")
_OWN_ID = re.compile(r"i[0-9a-f]{16}")
_BLANK = ("", "nan", "none", "null", "n/a", "na", "nil", "-", "--", "?", "#n/a", "nat", "<na>",
          "\\n")
# Texts that stand in a request-number column without being a number of a request.
_NO_ID = (*_BLANK, "0", "unknown", "not recorded", "tbc", "tba", "xxxx", "test", "no id", "none")


def prepare(fields: pd.DataFrame) -> pd.DataFrame:
    """Return `fields` with every contract column, white space tidied, and blanks empty.

    Parameters
    ----------
    fields
        Table ``fields``; missing columns are added empty, other columns are dropped.

    Returns
    -------
    pandas.DataFrame
        Text columns, ``source_file``, ``source_row`` and ``content`` (unsigned 64-bit hash of the
        row's cells); ordered by content, file and row, numbered from 0.
    """
    rows = pd.DataFrame(index=pd.RangeIndex(len(fields)))
    for name in table("fields").names:
        if name not in WHERE:
            rows[name] = _tidy(fields[name]) if name in fields else pd.array(
                [None] * len(fields), dtype="str")
    rows["source_file"] = (fields["source_file"].astype("str").fillna("log").to_numpy()
                           if "source_file" in fields else "log")
    rows["source_row"] = _row_numbers(fields)
    rows["content"] = _content(rows)
    files = pd.factorize(rows["source_file"], sort=True)[0]
    order = np.lexsort((rows["source_row"], files, rows["content"]))
    return rows.take(order).reset_index(drop=True)


def is_blank_id(ids: pd.Series) -> pd.Series:
    """Return where a request number is missing or a placeholder."""
    return ids.isna() | ids.str.casefold().isin(_NO_ID)


def name_incidents(own: pd.DataFrame, report_ids: pd.Series) -> pd.Series:
    """Return a name for each row that stays the same between runs and for any row order.

    The name comes from the request number; where that is missing or not its own, from the
    content. Equal contents are numbered in turn.

    Parameters
    ----------
    own
        Rows that are an incident's own, with ``content``.
    report_ids
        Their usable request numbers, empty where there is none.
    """
    unique = report_ids.notna() & ~report_ids.duplicated(keep=False)
    numbers = own["content"].to_numpy(dtype=np.uint64).copy()
    known = np.flatnonzero(unique)
    numbers[known] = _hash(report_ids.iloc[known])
    turn = pd.Series(numbers).groupby(numbers).cumcount().to_numpy(dtype=np.uint64)
    with np.errstate(over="ignore"):
        numbers = numbers + turn * np.uint64(0x9E3779B97F4A7C15)
    names = pd.Series([f"i{number:016x}" for number in numbers.tolist()], index=own.index,
                      dtype="str")
    # A table that was cleaned before brings its names along.
    kept = unique & report_ids.fillna("").str.fullmatch(_OWN_ID.pattern)
    return names.where(~kept, report_ids)


def _tidy(values: pd.Series) -> pd.api.extensions.ExtensionArray:
    """Return the column tidied; each different text is looked at once."""
    cells = pa.array(values.astype("str"), type=pa.large_string(), from_pandas=True)
    if isinstance(cells, pa.ChunkedArray):
        cells = cells.combine_chunks()
    different = cells.dictionary_encode()
    if len(different.dictionary) > len(cells) / 2:
        return pd.array(_tidied(cells), dtype="str")
    return pd.array(_tidied(different.dictionary).take(different.indices), dtype="str")


def _tidied(cells: pa.Array) -> pa.Array:
    # pyarrow's own notion of white space is Unicode's, as str.split() has it.
    trimmed = pc.utf8_trim_whitespace(cells)
    tidy = pc.replace_substring_regex(trimmed, pattern=r"[\s\x{00A0}\x{2000}-\x{200A}\x{202F}]+",
                                      replacement=" ")
    blank = pc.is_in(pc.utf8_lower(tidy), value_set=pa.array(_BLANK, type=pa.large_string()))
    nothing = pa.scalar(None, type=pa.large_string())
    return pc.if_else(blank, nothing, tidy)


def _row_numbers(fields: pd.DataFrame) -> np.ndarray:
    if "source_row" not in fields:
        return np.arange(1, len(fields) + 1)
    numbers = pd.to_numeric(fields["source_row"], errors="coerce").astype("float64")
    place = np.arange(1, len(fields) + 1)
    return np.where(numbers.notna() & np.isfinite(numbers), numbers, place).astype(np.int64)


def _content(rows: pd.DataFrame) -> np.ndarray:
    """Hash each row's cells; an empty column adds nothing, so added columns change no names."""
    total = np.zeros(len(rows), dtype=np.uint64)
    with np.errstate(over="ignore"):
        for name in rows.columns:
            if name in WHERE or not rows[name].notna().any():
                continue
            salt = _hash(pd.Series([name], dtype="str"))[0] | np.uint64(1)
            total += np.where(rows[name].isna(), np.uint64(0), _hash(rows[name]) * salt)
    return total


def _hash(values: pd.Series) -> np.ndarray:
    codes, unique = pd.factorize(values, use_na_sentinel=True)
    hashed = pd.util.hash_array(np.asarray(unique, dtype=object), categorize=False)
    return np.append(hashed, np.uint64(0)).astype(np.uint64)[codes]
