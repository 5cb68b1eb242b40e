"""The ledger keeps every change, in order, and is safe to open in a spreadsheet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from rehit.incidents.ledger import COLUMNS, Ledger, write_ledger
from rehit.tables import check

ROWS = pd.DataFrame({"source_file": ["b", "a", "a"], "source_row": [1, 10, 2]})


def test_entries_come_in_the_order_of_file_and_row() -> None:
    book = Ledger(ROWS)
    book.add(np.array([True, True, True]), column="x", before=pd.Series(["1", None, "3"]),
             after="9", rule="r")
    book.add(np.array([False, True, False]), column=None, before=None, after="set aside",
             rule=pd.Series(["p", "q", "s"]))
    table = book.table()
    assert table["source_file"].tolist() == ["a", "a", "a", "b"]
    assert table["source_row"].tolist() == [2, 10, 10, 1]
    assert table["rule"].tolist() == ["r", "r", "q", "r"]
    assert table["before"].isna().tolist() == [False, True, True, False]
    check(table, "ledger", where="test")


def test_empty_ledger_has_its_columns() -> None:
    book = Ledger(ROWS)
    book.add(np.zeros(3, dtype=bool), column="x", before=None, after=None, rule="r")
    assert tuple(book.table().columns) == COLUMNS
    assert book.table().empty


def test_written_ledger_runs_no_formula(tmp_path: Path) -> None:
    book = Ledger(ROWS)
    book.add(np.array([True, False, False]), column="size", before="=1+1", after=None, rule="r")
    write_ledger(book.table(), str(tmp_path / "ledger.csv"))
    read = pd.read_csv(tmp_path / "ledger.csv")
    assert read["before"].tolist() == ["'=1+1"]
    assert read["after"].isna().all()
