"""The period of a report, the ones it is compared with, and how much of each was observed."""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from rehit.errors import SettingError


@dataclass(frozen=True)
class Period:
    """Days from `first` to `last`, both counted in.

    Examples
    --------
    >>> Period(date(2025, 1, 1), date(2025, 3, 31)).days
    90
    """

    first: date
    last: date

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise SettingError("period", got=f"{self.first} to {self.last}",
                               allowed="a last day on or after the first",
                               remedy="swap the two days")

    @property
    def days(self) -> int:
        """Number of days."""
        return (self.last - self.first).days + 1

    @property
    def whole_months(self) -> int:
        """Number of calendar months if the period is made of whole ones, otherwise 0."""
        after = self.last + timedelta(days=1)
        if self.first.day != 1 or after.day != 1:
            return 0
        return (after.year - self.first.year) * 12 + after.month - self.first.month


def shift_months(day: date, months: int) -> date:
    """Move a day by whole months; the 31st becomes the last day of a shorter month.

    Examples
    --------
    >>> shift_months(date(2024, 3, 31), -1)
    datetime.date(2024, 2, 29)
    """
    total = day.year * 12 + day.month - 1 + months
    year, month = divmod(total, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def period_before(period: Period) -> Period:
    """Return the period of the same kind that ends the day before.

    A period of whole months is followed back by the same number of months (a quarter by a
    quarter), any other by the same number of days.

    Examples
    --------
    >>> period_before(Period(date(2025, 4, 1), date(2025, 6, 30)))
    Period(first=datetime.date(2025, 1, 1), last=datetime.date(2025, 3, 31))
    """
    last = period.first - timedelta(days=1)
    months = period.whole_months
    if months:
        return Period(shift_months(period.first, -months), last)
    return Period(period.first - timedelta(days=period.days), last)


def year_before(period: Period) -> Period:
    """Return the same days of the calendar one year earlier.

    Examples
    --------
    >>> year_before(Period(date(2024, 1, 1), date(2024, 2, 29))).last
    datetime.date(2023, 2, 28)
    """
    months = period.whole_months
    first = shift_months(period.first, -12)
    if months:
        return Period(first, shift_months(first, months) - timedelta(days=1))
    return Period(first, shift_months(period.last, -12))


def window(period: Period, time_zone: str) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return start and end [UTC] of a period on the calendar of `time_zone`; the end is not in.

    Examples
    --------
    >>> window(Period(date(2025, 7, 1), date(2025, 7, 1)), "Europe/Lisbon")[0]
    Timestamp('2025-06-30 23:00:00+0000', tz='UTC')
    """
    zone = ZoneInfo(time_zone)
    start = pd.Timestamp(period.first).tz_localize(zone).tz_convert("UTC")
    end = pd.Timestamp(period.last + timedelta(days=1)).tz_localize(zone).tz_convert("UTC")
    return start, end


def observed_days(period: Period, *, observed_from: pd.Timestamp, observed_to: pd.Timestamp,
                  time_zone: str) -> float:
    """Return how many days [days] of the period the log covers; 0 where none."""
    start, end = window(period, time_zone)
    covered = min(end, observed_to) - max(start, observed_from)
    return max(covered.total_seconds(), 0.0) / 86_400
