"""The ledger: every change to a value and every decision about a row, with the rule that made it.

A step of cleaning returns its result together with its entries (:class:`Step`). Entries are kept
as whole columns, so that a log of a million rows costs seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar

import numpy as np
import pandas as pd
import pyarrow as pa

COLUMNS = ("source_file", "source_row", "column", "before", "after", "rule")
T = TypeVar("T")


@dataclass(frozen=True)
class _Part:
    """Entries of one column: rows by position, texts before and after, rule of all or of each."""

    at: np.ndarray
    column: str | None
    before: pa.Array
    after: pa.Array
    rule: str | pd.Categorical


@dataclass(frozen=True)
class Entries:
    """Entries about the rows of one table, in the order they were made; added with ``+``.

    Examples
    --------
    >>> rows = pd.DataFrame({"source_file": ["log.csv"], "source_row": [7]})
    >>> made = enter(np.array([True]), column="size", before=pd.Series(["A4"]), after="0.062 m2",
    ...              rule="paper_size")
    >>> ledger_table(rows, made).astype("str").iloc[0].tolist()
    ['log.csv', '7', 'size', 'A4', '0.062 m2', 'paper_size']
    """

    parts: tuple[_Part, ...] = ()

    def __add__(self, other: Entries) -> Entries:
        return Entries(self.parts + other.parts)


class Step(NamedTuple, Generic[T]):
    """What a step of cleaning made, and the entries that account for it."""

    result: T
    entries: Entries


def enter(where: np.ndarray | pd.Series, *, column: str | None, before: object, after: object,
          rule: str | pd.Series) -> Entries:
    """Return one entry for each row where `where` is true.

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
        return Entries()
    named = pd.Categorical(rule.take(at)) if isinstance(rule, pd.Series) else rule
    return Entries((_Part(at, column, _texts(before, at), _texts(after, at), named),))


def ledger_table(rows: pd.DataFrame, entries: Entries) -> pd.DataFrame:
    """Return the ``ledger`` table: all entries by file, row and time of entry.

    ``column`` and ``rule`` are categories, the others texts. The columns are put together one
    after the other, for a ledger is the largest of all tables.

    Parameters
    ----------
    rows
        Table with ``source_file`` and ``source_row``; entries name its rows by position.
    entries
        Of all steps.
    """
    file, names = pd.factorize(rows["source_file"])
    number = rows["source_row"].to_numpy(dtype=np.int64)
    by_name = np.argsort(np.argsort(np.asarray(names, dtype=object)))
    place = np.argsort(np.lexsort((number, by_name[file])))
    parts = entries.parts
    at = np.concatenate([np.empty(0, dtype=np.int64), *(part.at for part in parts)])
    order = np.argsort(place[at], kind="stable")
    at = at[order]
    files = pa.array(list(names), type=pa.large_string())
    made = {"source_file": pd.array(files.take(pa.array(file[at])), dtype="str"),
            "source_row": number[at],
            "column": _category([(part.column, len(part.at)) for part in parts], order)}
    for name, texts in (("before", [p.before for p in parts]), ("after", [p.after for p in parts])):
        whole = pa.chunked_array([pa.array([], pa.large_string()), *texts]).combine_chunks()
        made[name] = pd.array(whole.take(pa.array(order)), dtype="str")
    made["rule"] = _category([(part.rule, len(part.at)) for part in parts], order)
    return pd.DataFrame(made)[list(COLUMNS)]


def _category(values: list[tuple[str | pd.Categorical | None, int]],
              order: np.ndarray) -> pd.Categorical:
    """Return names as one category: names of columns and rules are few, entries many."""
    known: dict[str, int] = {}
    codes = [np.empty(0, dtype=np.int16)]
    for value, size in values:
        if isinstance(value, pd.Categorical):
            numbers = [known.setdefault(str(text), len(known)) for text in value.categories]
            codes.append(np.array([*numbers, -1], dtype=np.int16)[value.codes])
        else:
            code = -1 if value is None else known.setdefault(value, len(known))
            codes.append(np.full(size, code, dtype=np.int16))
    return pd.Categorical.from_codes(np.concatenate(codes)[order],
                                     categories=pd.Index(list(known), dtype="str"))


def _texts(value: object, at: np.ndarray) -> pa.Array:
    if value is None:
        return pa.nulls(len(at), pa.large_string())
    if isinstance(value, pd.Series):
        return pa.array(value.take(at), type=pa.large_string(), from_pandas=True)
    return pa.repeat(pa.scalar(str(value), type=pa.large_string()), len(at))
