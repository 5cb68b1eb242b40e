"""Working days and hours of a contract: clock time to working time and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.workdays import public_holidays

MINUTES_PER_HOUR = 60
_DAY = np.timedelta64(1, "D")
_MINUTE = np.timedelta64(1, "m")


@dataclass(frozen=True)
class WorkCalendar:
    """Working days, each with the same opening and length.

    Attributes
    ----------
    days
        Working days in order (numpy datetime64[D], local).
    opens_minute
        Minute of the day at which work starts.
    length_minutes
        Minutes of work in a day.
    """

    days: np.ndarray
    opens_minute: float
    length_minutes: float

    def working(self, clock: np.ndarray) -> np.ndarray:
        """Return working minutes since the first opening; off hours count as the next opening."""
        day = clock.astype("datetime64[D]")
        place = np.searchsorted(self.days, day)
        open_today = self.days[np.minimum(place, len(self.days) - 1)] == day
        minute = (clock - day.astype(clock.dtype)) / _MINUTE - self.opens_minute
        inside = np.where(open_today, np.clip(minute, 0, self.length_minutes), 0.0)
        return place * self.length_minutes + inside

    def clock(self, working: np.ndarray) -> np.ndarray:
        """Return the clock time at which so many working minutes are done."""
        place = np.maximum(np.ceil(working / self.length_minutes) - 1, 0).astype(int)
        minute = working - place * self.length_minutes + self.opens_minute
        day = self.days[np.minimum(place, len(self.days) - 1)].astype("datetime64[m]")
        return day + np.ceil(minute).astype("timedelta64[m]")

    def day_number(self, clock: np.ndarray) -> np.ndarray:
        """Return the number of the working day on or after each clock time."""
        return np.searchsorted(self.days, clock.astype("datetime64[D]"))


def working_days(start: pd.Timestamp, *, years: int, region: str | None) -> np.ndarray:
    """Return the working days (Monday to Friday, no public holiday) from a local date on.

    Parameters
    ----------
    start
        First day.
    years
        Whole years wanted.
    region
        ISO 3166 code such as ``PT`` or ``GB-ENG`` for the public holidays; None: none known.

    Raises
    ------
    SettingError
        If no public holidays are known for the region.
    """
    first = np.datetime64(start.date(), "D")
    last = np.datetime64((start + pd.DateOffset(years=years)).date(), "D")
    every = np.arange(first, last)
    return every[np.is_busday(every, holidays=_public_holidays(start, years, region))]


def _public_holidays(start: pd.Timestamp, years: int, region: str | None) -> list[np.datetime64]:
    known = public_holidays(region, first_year=start.year, last_year=start.year + years)
    return [np.datetime64(day, "D") for day in known]


def local_clock(times: pd.Series, *, time_zone: str) -> np.ndarray:
    """Return UTC times as local clock times without zone (datetime64[m])."""
    return times.dt.tz_convert(time_zone).dt.tz_localize(None).to_numpy().astype("datetime64[m]")
