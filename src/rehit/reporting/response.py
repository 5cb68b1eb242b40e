"""Response against the service standards, fair to markings that still wait."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from statsmodels.duration.survfunc import SurvfuncRight

from rehit.reporting.compare import share_interval

#: Outcomes that end without a clearance by the service; the standard does not apply to them.
NOT_OURS = ("not_found", "private_owner", "referred")


@dataclass(frozen=True)
class Response:
    """How one priority fared: those that can be judged, those within the standard, the median.

    `median_h` is NaN where fewer than half were cleared so far or none can be timed.
    """

    judged: pd.DataFrame
    within: pd.DataFrame
    share: float
    low: float
    high: float
    median_h: float
    undated: int
    waiting: int
    timed: int


def measure_response(incidents: pd.DataFrame, *, allowed_h: float, observed_to: pd.Timestamp,
                     time_zone: str, level: float) -> Response:
    """Measure one priority's incidents against the time allowed.

    An incident is judged once its time is up before the log ends. One reported yesterday counts
    neither way, not even if it is cleared already: of those reported so late only the fast ones
    could be seen, and the share would look better than it is. Left out: closed without a usable
    date, and ended with nothing to clear (not found, private owner, referred). Where the log gives
    days only, the standard is counted in whole days.

    Parameters
    ----------
    incidents
        Rows of ``incidents`` of one priority.
    allowed_h
        Time allowed [h].
    observed_to
        Where the log ends [UTC].
    time_zone
        The project's time zone.
    level
        Level of the interval around the share.

    References
    ----------
    Median by Kaplan and Meier (1958), JASA 53, 457–481, so that open ones count as not yet.
    """
    timed = incidents["status"].isin(["open", "cleared"]) & ~incidents["outcome"].isin(NOT_OURS)
    timed &= (incidents["status"] == "open") | incidents["cleared_at"].notna()
    rows = incidents[timed]
    due = due_times(rows, allowed_h=allowed_h, time_zone=time_zone)
    judged = rows[due <= observed_to]
    within = judged[judged["cleared_at"] <= due[due <= observed_to]]
    share = len(within) / len(judged) if len(judged) else math.nan
    low, high = share_interval(len(within), len(judged), level=level)
    return Response(judged, within, share, low, high, _median_h(rows, observed_to),
                    int((incidents["status"] == "closed_undated").sum()),
                    int((incidents["status"] == "open").sum()), len(rows))


def due_times(incidents: pd.DataFrame, *, allowed_h: float, time_zone: str) -> pd.Series:
    """Return when each marking has to be cleared [UTC]; whole days where the log knows only days.

    Parameters
    ----------
    incidents
        Needs ``reported_at`` and ``reported_precision``.
    allowed_h
        Time allowed [h].
    time_zone
        The calendar that days are counted on.
    """
    exact = incidents["reported_at"] + pd.Timedelta(allowed_h, "h")
    midnight = incidents["reported_at"].dt.tz_convert(time_zone).dt.tz_localize(None).dt.normalize()
    last = midnight + pd.Timedelta(days=math.ceil(allowed_h / 24) + 1) - pd.Timedelta(1, "s")
    by_day = last.dt.tz_localize(time_zone, ambiguous="NaT", nonexistent="shift_forward")
    by_day = by_day.dt.tz_convert("UTC").fillna(exact)
    return exact.where(incidents["reported_precision"] == "minute", by_day)


def _median_h(rows: pd.DataFrame, observed_to: pd.Timestamp) -> float:
    ends = rows["cleared_at"].where(rows["cleared_at"].notna(), observed_to)
    hours = ((ends - rows["reported_at"]).dt.total_seconds() / 3600).to_numpy(float)
    cleared = rows["cleared_at"].notna().to_numpy(int)
    use = np.isfinite(hours) & (hours >= 0)
    if not cleared[use].any():
        return math.nan
    return float(SurvfuncRight(hours[use], cleared[use]).quantile(0.5))
