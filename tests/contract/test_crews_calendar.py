"""Working time of a contract."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rehit.contract.crews import WorkCalendar, working_days
from rehit.errors import SettingError


def at(*texts: str) -> np.ndarray:
    return np.array(texts, dtype="datetime64[m]")


def test_portuguese_working_days_of_2026() -> None:
    """2026 has 261 weekdays; of the 13 national holidays, by the calendar, 9 fall on one."""
    days = working_days(pd.Timestamp("2026-01-01"), years=1, region="PT")
    assert len(working_days(pd.Timestamp("2026-01-01"), years=1, region=None)) == 261
    assert np.datetime64("2026-06-10") not in days  # Portugal Day, a Wednesday
    assert np.datetime64("2026-01-01") not in days
    assert len(days) == 261 - 9


def test_unknown_region_is_a_message() -> None:
    with pytest.raises(SettingError, match="holidays"):
        working_days(pd.Timestamp("2026-01-01"), years=1, region="QQ")


def test_clock_to_working_time_and_back() -> None:
    days = working_days(pd.Timestamp("2026-01-05"), years=1, region=None)  # a Monday
    calendar = WorkCalendar(days, 7 * 60, 480)
    clock = at("2026-01-05T06:00", "2026-01-05T08:30", "2026-01-05T20:00", "2026-01-10T12:00")
    assert calendar.working(clock).tolist() == [0, 90, 480, 2400]
    assert calendar.clock(np.array([90.0, 480.0, 481.0])).tolist() == at(
        "2026-01-05T08:30", "2026-01-05T15:00", "2026-01-06T07:01").tolist()
