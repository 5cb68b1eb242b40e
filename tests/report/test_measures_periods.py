"""Periods, and how much of them was observed."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from rehit.errors import SettingError
from rehit.observed import Window
from rehit.report.measures import Period, bounds, observed_days, period_before, year_before

Q3 = Period(date(2025, 7, 1), date(2025, 9, 30))


def test_quarter_before_is_the_calendar_quarter() -> None:
    assert period_before(Q3) == Period(date(2025, 4, 1), date(2025, 6, 30))
    first = Period(date(2025, 1, 1), date(2025, 3, 31))
    assert period_before(first) == Period(date(2024, 10, 1), date(2024, 12, 31))


def test_period_of_odd_days_is_followed_back_by_its_length() -> None:
    odd = Period(date(2025, 3, 10), date(2025, 3, 23))
    assert period_before(odd) == Period(date(2025, 2, 24), date(2025, 3, 9))


def test_year_before_keeps_whole_months_whole_over_leap_years() -> None:
    assert year_before(Period(date(2025, 2, 1), date(2025, 2, 28))).last == date(2024, 2, 29)
    assert year_before(Q3) == Period(date(2024, 7, 1), date(2024, 9, 30))


def test_window_follows_the_local_calendar_over_daylight_saving() -> None:
    start, end = bounds(Period(date(2025, 10, 26), date(2025, 10, 26)), "Europe/Madrid")
    assert (end - start) == pd.Timedelta(hours=25)


def test_observed_days_count_only_what_the_log_covers() -> None:
    seen = {"window": Window(pd.Timestamp("2025-08-01", tz="UTC"),
                             pd.Timestamp("2025-08-11 12:00", tz="UTC")), "time_zone": "UTC"}
    assert observed_days(Q3, **seen) == 10.5
    assert observed_days(period_before(Q3), **seen) == 0


def test_period_that_ends_before_it_starts_is_refused() -> None:
    with pytest.raises(SettingError, match="swap the two days"):
        Period(date(2025, 2, 1), date(2025, 1, 1))
