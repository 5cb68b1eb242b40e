"""The ledger: every change to a value and every decision about a row, with the rule that made it.

Entries are collected as whole columns, so that a log of a million rows costs seconds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from rehit.safe_text import neutralise_formula

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
    >>> book.table().iloc[0].tolist()
    ['log.csv', 7, 'size', 'A4', '0.062 m2', 'paper_size']
    """

    def __init__(self, rows: pd.DataFrame) -> None:
        self._file, names = pd.factorize(rows["source_file"])
        self._names = pa.array(list(names), type=pa.large_string())
        self._row = rows["source_row"].to_numpy(dtype=np.int64)
        # Rows in the order of file and row, so that entries can be sorted by one number.
        by_name = np.argsort(np.argsort(np.asarray(names, dtype=object)))
        self._place = np.argsort(np.lexsort((self._row, by_name[self._file])))
        self._parts: list[pa.Table] = []
        self._at: list[np.ndarray] = []

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
        self._parts.append(pa.table({
            "column": _texts(column, at), "before": _texts(before, at),
            "after": _texts(after, at), "rule": _texts(rule, at),
        }))

    def count(self, rule: str) -> int:
        """Return how many entries a rule has made so far."""
        return sum(int(pc.sum(pc.equal(part["rule"], rule)).as_py() or 0) for part in self._parts)

    def table(self) -> pd.DataFrame:
        """Return all entries in the order of file, row, column and rule."""
        texts = pa.schema([(name, pa.large_string()) for name in COLUMNS[2:]])
        at = np.concatenate([np.empty(0, dtype=np.int64), *self._at])
        order = np.argsort(self._place[at], kind="stable")
        at = at[order]
        made = {"source_file": pd.array(self._names.take(pa.array(self._file[at])), dtype="str"),
                "source_row": self._row[at]}
        if self._parts:
            whole = pa.concat_tables([part.cast(texts) for part in self._parts])
        else:
            whole = texts.empty_table()
        for name in COLUMNS[2:]:
            column = whole[name].combine_chunks() if len(at) else pa.array([], pa.large_string())
            made[name] = pd.array(column.take(pa.array(order)), dtype="str")
        return pd.DataFrame(made)


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
        encoded = pa.array(ledger[name], type=pa.large_string(), from_pandas=True)
        encoded = encoded.dictionary_encode()
        safe = pa.array([neutralise_formula(text) for text in encoded.dictionary.to_pylist()],
                        type=pa.large_string())
        columns[name] = pa.DictionaryArray.from_arrays(encoded.indices, safe).cast(
            pa.large_string())
    pa_csv.write_csv(pa.table(columns), path)
