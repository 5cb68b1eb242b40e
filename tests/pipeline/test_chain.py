"""Months and quarters by the clock of the place."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.errors import SettingError
from rehit.pipeline.chain import Chain, month_edges
from rehit.pipeline.reports import quarter_days


def test_months_begin_by_the_clock_of_the_place() -> None:
    edges = month_edges(pd.Timestamp("2024-05-31T23:00Z"), pd.Timestamp("2024-08-31T22:30Z"),
                        time_zone="Europe/Lisbon")
    assert [str(edge) for edge in edges] == [
        "2024-05-31 23:00:00+00:00", "2024-06-30 23:00:00+00:00", "2024-07-31 23:00:00+00:00",
        "2024-08-31 23:00:00+00:00"]


def test_the_last_whole_quarter_is_reported_by_default(demo_chain: Chain) -> None:
    first, last = quarter_days(demo_chain, None)
    assert (str(first), str(last)) == ("2025-10-01", "2025-12-31")


def test_a_quarter_can_be_asked_for(demo_chain: Chain) -> None:
    assert str(quarter_days(demo_chain, "2024q2")[0]) == "2024-04-01"


@pytest.mark.parametrize("asked", ["2024", "2024Q5", "spring", "2031Q1"])
def test_a_quarter_outside_the_log_is_refused(asked: str, demo_chain: Chain) -> None:
    with pytest.raises(SettingError, match="--quarter"):
        quarter_days(demo_chain, asked)
