"""Advice against works, and shares against the band of ordinary towns."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.errors import ManyErrors
from rehit.treatment.choose import compare_done, method_shares

ADVICE = pd.DataFrame({"incident_id": ["a", "b", "c"],
                       "method": ["paint_out", "paint_out", "hot_wash"],
                       "second_choice": ["solvent_wipe", "solvent_wipe", None]})


def test_counts_by_hand() -> None:
    works = pd.DataFrame({"report_id": ["1", "2", "3", "9", None],
                          "method": ["paint_out", "solvent_wipe", "hot_wash", "scrape", None]})
    incidents = pd.DataFrame({"incident_id": ["a", "b", "c"], "report_id": ["1", "2", "3"]})
    table = compare_done(ADVICE, works, incidents=incidents)
    assert table["n"].tolist() == [1, 1, 1]
    assert table["share"].sum() == pytest.approx(1.0)
    assert table[["advised", "done", "second_choice"]].to_numpy().tolist() == [
        ["hot_wash", "hot_wash", False], ["paint_out", "paint_out", False],
        ["paint_out", "solvent_wipe", True]]
    assert table.attrs["left_out"] == 2


def test_incident_ids_may_come_with_the_works() -> None:
    works = pd.DataFrame({"incident_id": ["a", "a"], "method": ["paint_out", "scrape"]})
    assert compare_done(ADVICE, works)["n"].tolist() == [1, 1]


def test_no_way_from_jobs_to_incidents() -> None:
    with pytest.raises(ManyErrors):
        compare_done(ADVICE, pd.DataFrame({"method": ["scrape"]}))
    with pytest.raises(ManyErrors):
        compare_done(ADVICE, pd.DataFrame({"report_id": ["1"], "method": ["scrape"]}))


def test_bands_are_those_of_common_practice() -> None:
    """Paint-out 30-95 %: Chicago's brick, and Phoenix. Fault: neither town lay in the band."""
    seen = pd.Series(["paint_out"] * 75 + ["solvent_wipe"] * 10 + ["hot_wash"] * 15
                     + ["inspect"] * 50 + [None])
    table = method_shares(seen).set_index("code")
    assert table.loc["share_paint_out", ["low", "high"]].tolist() == [0.3, 0.95]
    assert table.loc["share_solvent_wipe", ["low", "high"]].tolist() == [0.2, 0.3]
    assert table["share"].round(2).tolist() == [0.75, 0.1, 0.15, 0.85]
    assert table["inside"].tolist() == [True, False, True, True]


def test_nothing_to_judge_by() -> None:
    table = method_shares(pd.Series(["inspect"]))
    assert table["share"].isna().all()
    assert not table["inside"].any()
