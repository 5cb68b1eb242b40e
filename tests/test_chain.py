"""Months and quarters by the clock of the place."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from rehit.chain import Chain
from rehit.errors import SettingError
from rehit.observed import Window
from rehit.outputs.costs import cost_messages
from rehit.outputs.hotspots import ranking_found
from rehit.outputs.report import period_days, quarter_days
from rehit.report.say import Say


def test_months_begin_by_the_clock_of_the_place() -> None:
    edges = Window(pd.Timestamp("2024-05-31T23:00Z"),
                   pd.Timestamp("2024-08-31T22:30Z")).month_edges("Europe/Lisbon")
    assert [str(edge) for edge in edges] == [
        "2024-05-31 23:00:00+00:00", "2024-06-30 23:00:00+00:00", "2024-07-31 23:00:00+00:00",
        "2024-08-31 23:00:00+00:00"]


def test_the_last_whole_quarter_is_reported_by_default(demo_chain: Chain) -> None:
    first, last = quarter_days(demo_chain, None)
    assert (str(first), str(last)) == ("2025-10-01", "2025-12-31")


def test_a_quarter_can_be_asked_for(demo_chain: Chain) -> None:
    assert str(quarter_days(demo_chain, "2024q2")[0]) == "2024-04-01"


@pytest.mark.parametrize("asked", ["2031", "2024Q5", "spring", "2031Q1"])
def test_a_quarter_outside_the_log_is_refused(asked: str, demo_chain: Chain) -> None:
    with pytest.raises(SettingError, match="--period"):
        quarter_days(demo_chain, asked)


@pytest.mark.parametrize(("text", "first", "last"), [
    ("2025q1", "2025-01-01", "2025-03-31"), ("2024-02", "2024-02-01", "2024-02-29"),
    ("2024", "2024-01-01", "2024-12-31"), ("2025-01-15:2025-03-02", "2025-01-15", "2025-03-02")])
def test_a_period_is_a_quarter_month_year_or_two_days(text: str, first: str, last: str) -> None:
    assert [day.isoformat() for day in period_days(text)] == [first, last]


@pytest.mark.parametrize("text", ["2025Q5", "2025-13", "2025-03-02:2025-01-15", "2025-01-15", "x"])
def test_other_periods_are_refused_with_the_ways_to_write_one(text: str) -> None:
    with pytest.raises(SettingError, match="a quarter such as 2025Q1"):
        period_days(text)


def test_sentences_on_the_screen_are_in_the_language_of_the_report(demo_chain: Chain) -> None:
    said = Say("es").all([*ranking_found(demo_chain), *cost_messages(demo_chain),
                          *demo_chain.limits])
    assert not [text for text in said if re.search(r"\b(the|of|and|is|are|on|near|than)\b", text)]
