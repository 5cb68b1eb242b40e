"""Rows are tidied, ordered by content, and named for good."""

from __future__ import annotations

import pandas as pd

from rehit.incidents.rows import is_blank_id, name_incidents, prepare


def test_white_space_and_blank_words_go() -> None:
    rows = prepare(pd.DataFrame({"reported": ["  2025-03-03 \t 09:00\u00a0"], "address": ["N/A"],
                                 "status": ["None"], "size": ["-"], "description": ["a\n b"]}))
    assert rows.loc[0, "reported"] == "2025-03-03 09:00"
    assert rows.loc[0, ["address", "status", "size"]].isna().all()
    assert rows.loc[0, "description"] == "a b"


def test_content_does_not_depend_on_empty_columns_or_on_the_file() -> None:
    one = prepare(pd.DataFrame({"source_file": ["a"], "source_row": [1], "reported": ["2025"]}))
    two = prepare(pd.DataFrame({"source_file": ["b"], "source_row": [9], "reported": ["2025"],
                                "status": [None]}))
    assert one["content"].tolist() == two["content"].tolist()
    three = prepare(pd.DataFrame({"cleared": ["2025"]}))
    assert one["content"].tolist() != three["content"].tolist()


def test_names_are_the_same_in_every_version() -> None:
    """Regression snapshot: names given today must be given next year too."""
    rows = prepare(pd.DataFrame({"reported": ["2025-03-03"] * 2, "report_id": [None, "17-1"],
                                 "source_row": [1, 2]}))
    names = name_incidents(rows, rows["report_id"])
    by_id = dict(zip(rows["report_id"].fillna("none"), names, strict=True))
    assert by_id == {"none": NAMES[0], "17-1": NAMES[1]}


def test_equal_rows_get_names_of_their_own() -> None:
    rows = prepare(pd.DataFrame({"reported": ["2025-03-03"] * 3}))
    assert name_incidents(rows, rows["report_id"]).nunique() == 3


def test_row_numbers_that_are_no_numbers_are_counted() -> None:
    rows = prepare(pd.DataFrame({"source_row": ["x", "inf", "7"], "reported": list("abc")}))
    assert sorted(rows["source_row"]) == [1, 2, 7]


def test_placeholders_are_no_request_numbers() -> None:
    ids = pd.Series(["17-1", "N/A", "0", None, "unknown"], dtype="str")
    assert is_blank_id(ids).tolist() == [False, True, True, True, True]


NAMES = ("i501748650438f42f", "ifde1c53236d4daac")
