"""The ledger keeps every change, in order of file, row and entry."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.incidents.ledger import COLUMNS, Entries, enter, ledger_table
from rehit.tables import check

ROWS = pd.DataFrame({"source_file": ["b", "a", "a"], "source_row": [1, 10, 2]})


def test_entries_come_in_the_order_of_file_and_row() -> None:
    made = enter(np.array([True, True, True]), column="x", before=pd.Series(["1", None, "3"]),
                 after="9", rule="r")
    made += enter(np.array([False, True, False]), column=None, before=None, after="set_aside",
                  rule=pd.Series(["p", "q", "s"]))
    table = ledger_table(ROWS, made)
    assert table["source_file"].tolist() == ["a", "a", "a", "b"]
    assert table["source_row"].tolist() == [2, 10, 10, 1]
    assert table["rule"].tolist() == ["r", "r", "q", "r"]
    assert table["column"].isna().tolist() == [False, False, True, False]
    assert table["before"].isna().tolist() == [False, True, True, False]
    check(table, "ledger", where="test")


def test_adding_entries_leaves_both_sides_as_they_were() -> None:
    one = enter(np.array([True, False, False]), column="x", before=None, after="9", rule="r")
    other = enter(np.array([False, False, True]), column="x", before=None, after="8", rule="s")
    assert ledger_table(ROWS, one + other)["rule"].tolist() == ["s", "r"]
    assert ledger_table(ROWS, one)["rule"].tolist() == ["r"]


def test_empty_ledger_has_its_columns() -> None:
    none = enter(np.zeros(3, dtype=bool), column="x", before=None, after=None, rule="r")
    assert none == Entries()
    table = ledger_table(ROWS, none)
    assert tuple(table.columns) == COLUMNS
    assert table.empty
