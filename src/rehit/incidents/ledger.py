"""The ledger: every change to a value and every decision about a row, with the rule that made it.

Entries are collected as whole columns, so that a log of a million rows costs seconds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv

from rehit.files.safe_text import neutralise_formula

COLUMNS = ("source_file", "source_row", "column", "before", "after", "rule")


class Ledger:
    """Collects entries about the rows of one table.

    Parameters
    ----------
    rows
        Table with ``source_file`` and ``source_row``; entries name its rows by position.

    Examples
    --------
    >>> book = Ledger(pd.DataFrame({"source_file": ["log.csv"], "source_row": [7]}))
    >>> book.add(np.array([True]), column="size", before=pd.Series(["A4"]), after="0.062 m2",
    ...          rule="paper_size")
    >>> book.table().astype("str").iloc[0].tolist()
    ['log.csv', '7', 'size', 'A4', '0.062 m2', 'paper_size']
    """

    def __init__(self, rows: pd.DataFrame) -> None:
        self._file, names = pd.factorize(rows["source_file"])
        self._names = pa.array(list(names), type=pa.large_string())
        self._row = rows["source_row"].to_numpy(dtype=np.int64)
        # Rows in the order of file and row, so that entries can be sorted by one number.
        by_name = np.argsort(np.argsort(np.asarray(names, dtype=object)))
        self._place = np.argsort(np.lexsort((self._row, by_name[self._file])))
        self._at: list[np.ndarray] = []
        self._texts: dict[str, list[pa.Array]] = {"before": [], "after": []}
        # Names of columns and rules are few: only their numbers are kept for each entry.
        self._codes: dict[str, list[np.ndarray]] = {"column": [], "rule": []}
        self._known: dict[str, dict[str, int]] = {"column": {}, "rule": {}}

    def add(self, where: np.ndarray | pd.Series, *, column: str | None, before: object,
            after: object, rule: str | pd.Series) -> None:
        """Enter one change for each row where `where` is true.

        Parameters
        ----------
        where
            One truth value per row of the table.
        column
            Column changed; None when the entry is about the whole row.
        before, after
            One text for all, or a Series as long as the table. Empty cells are allowed.
        rule
            Short name of the rule, for all or per row.
        """
        at = np.flatnonzero(np.asarray(where, dtype=bool))
        if not len(at):
            return
        self._at.append(at)
        self._texts["before"].append(_texts(before, at))
        self._texts["after"].append(_texts(after, at))
        self._codes["column"].append(self._number("column", column, at))
        self._codes["rule"].append(self._number("rule", rule, at))

    def _number(self, name: str, value: object, at: np.ndarray) -> np.ndarray:
        known = self._known[name]
        if not isinstance(value, pd.Series):
            code = -1 if value is None else known.setdefault(str(value), len(known))
            return np.full(len(at), code, dtype=np.int16)
        codes, unique = pd.factorize(value.take(at), use_na_sentinel=True)
        numbers = [known.setdefault(str(text), len(known)) for text in unique]
        return np.array([*numbers, -1], dtype=np.int16)[codes]

    def table(self) -> pd.DataFrame:
        """Return all entries by file, row and time of entry; the ledger is then empty.

        ``column`` and ``rule`` are categories, the others texts. The columns are put together one
        after the other, for a ledger is the largest of all tables.
        """
        at = np.concatenate([np.empty(0, dtype=np.int64), *self._at])
        order = np.argsort(self._place[at], kind="stable")
        at = at[order]
        self._at.clear()
        made = {"source_file": pd.array(self._names.take(pa.array(self._file[at])), dtype="str"),
                "source_row": self._row[at]}
        for name, parts in self._texts.items():
            whole = pa.chunked_array([pa.array([], pa.large_string()), *parts]).combine_chunks()
            parts.clear()
            made[name] = pd.array(whole.take(pa.array(order)), dtype="str")
        for name, numbers in self._codes.items():
            codes = np.concatenate([np.empty(0, dtype=np.int16), *numbers])[order]
            numbers.clear()
            words = pd.Index(list(self._known[name]), dtype="str")
            made[name] = pd.Categorical.from_codes(codes, categories=words)
        return pd.DataFrame(made)[list(COLUMNS)]


def _texts(value: object, at: np.ndarray) -> pa.Array:
    if value is None:
        return pa.nulls(len(at), pa.large_string())
    if isinstance(value, pd.Series):
        return pa.array(value.take(at), type=pa.large_string(), from_pandas=True)
    return pa.repeat(pa.scalar(str(value), type=pa.large_string()), len(at))


def write_ledger(ledger: pd.DataFrame, path: str) -> None:
    """Write the ledger as CSV, each different text made harmless to a spreadsheet once.

    Parameters
    ----------
    ledger
        From :meth:`Ledger.table`.
    path
        File to write.
    """
    columns = {}
    for name in ledger.columns:
        if name == "source_row":
            columns[name] = pa.array(ledger[name])
            continue
        encoded = pa.array(ledger[name].astype("str"), type=pa.large_string(), from_pandas=True)
        encoded = encoded.dictionary_encode()
        safe = pa.array([neutralise_formula(text) for text in encoded.dictionary.to_pylist()],
                        type=pa.large_string())
        columns[name] = pa.DictionaryArray.from_arrays(encoded.indices, safe).cast(
            pa.large_string())
    pa_csv.write_csv(pa.table(columns), path)
