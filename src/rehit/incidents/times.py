"""When it was reported and when it was clean again; where the extract ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.incidents.dates import REMARK_CODES, DateStyle, parse_dates
from rehit.incidents.ledger import Ledger
from rehit.incidents.settings import CleanSettings
from rehit.parameters import Parameters

DAY = pd.Timedelta(days=1)
MINUTE = pd.Timedelta(minutes=1)


@dataclass(frozen=True)
class Times:
    """Times of all rows, and the end of the extract.

    ``reported_at`` and ``cleared_at`` are UTC, NaT where not usable; ``precision`` is that of the
    report, ``cleared_precision`` that of the clearing; ``reason`` is a set-aside code or empty.
    """

    reported_at: pd.Series
    precision: pd.Series
    cleared_at: pd.Series
    cleared_precision: pd.Series
    reason: pd.Series
    extract_end: pd.Timestamp
    end_estimated: bool
    has_clearings: bool


def read_times(rows: pd.DataFrame, *, styles: dict[str, DateStyle | None], settings: CleanSettings,
               ledger: Ledger) -> Times:
    """Read both dates of every row and judge them against each other and the extract's end.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    styles
        How ``reported`` and ``cleared`` are written.
    settings
        Time zone and, if known, the end of the extract.
    ledger
        Takes an entry for every date that was mended or dropped.
    """
    zone, parameters = settings.time_zone, settings.parameters
    reported = parse_dates(rows["reported"], style=styles.get("reported"), time_zone=zone,
                           parameters=parameters)
    cleared = parse_dates(rows["cleared"], style=styles.get("cleared"), time_zone=zone,
                          parameters=parameters)
    for name, parsed in (("reported", reported), ("cleared", cleared)):
        _enter_remarks(ledger, rows, name, parsed.codes, parsed.times)
    reason = pd.Series("reported_" + reported.codes.where(reported.times.isna()), dtype="str")
    end, estimated = _extract_end(reported.times, reported.precision, cleared.times,
                                  cleared.precision, settings)
    late = reported.times >= end
    reason = reason.mask(late, "reported_after_extract")
    lost = cleared.times.isna() & rows["cleared"].notna() & (cleared.codes != "date_missing")
    ledger.add(lost, column="cleared", before=rows["cleared"], after=None,
               rule="cleared_" + cleared.codes.fillna(""))
    mended = _mend_clearings(rows, reported.times, cleared.times, cleared.precision, end, settings,
                             ledger)
    return Times(reported.times, reported.precision.fillna("day"), mended, cleared.precision,
                 reason, end, estimated, bool(rows["cleared"].notna().any()))


def _enter_remarks(ledger: Ledger, rows: pd.DataFrame, name: str, codes: pd.Series,
                   times: pd.Series) -> None:
    remarked = codes.isin(REMARK_CODES)
    if remarked.any():
        ledger.add(remarked, column=name, before=rows[name], after=iso(times, remarked), rule=codes)


def iso(times: pd.Series, where: pd.Series | np.ndarray | None = None) -> pd.Series:
    """Return UTC times as ISO 8601 texts; empty where there is none, or `where` is false."""
    if where is None:
        return times.dt.strftime("%Y-%m-%dT%H:%M:%SZ").astype("str")
    some = times[np.asarray(where, dtype=bool)]
    return some.dt.strftime("%Y-%m-%dT%H:%M:%SZ").astype("str").reindex(times.index)


def _mend_clearings(rows: pd.DataFrame, reported: pd.Series, cleared: pd.Series,
                    precision: pd.Series, end: pd.Timestamp, settings: CleanSettings,
                    ledger: Ledger) -> pd.Series:
    """Drop clearings that cannot be; those within the clocks' error are put at the report."""
    early = cleared < reported
    same_day = early & (precision == "day") & (
        local_day(cleared, settings.time_zone) == local_day(reported, settings.time_zone))
    slack = settings.parameters["incidents.clock_tolerance_minutes"] * MINUTE
    near = early & ~same_day & (reported - cleared <= slack)
    ledger.add(near, column="cleared", before=rows["cleared"], after=iso(reported, near),
               rule="cleared_within_clock_error")
    cleared = cleared.mask(same_day | near, reported)
    wrong = early & ~same_day & ~near
    ledger.add(wrong, column="cleared", before=rows["cleared"], after=None,
               rule="cleared_before_reported")
    future = cleared > end
    ledger.add(future, column="cleared", before=rows["cleared"], after=None,
               rule="cleared_after_extract")
    return cleared.mask(wrong | future)


def local_day(times: pd.Series, zone: str) -> pd.Series:
    """Return the local calendar day of UTC times, as midnight without a zone."""
    return times.dt.tz_convert(zone).dt.tz_localize(None).dt.normalize()


def _extract_end(reported: pd.Series, precision: pd.Series, cleared: pd.Series,
                 cleared_precision: pd.Series, settings: CleanSettings
                 ) -> tuple[pd.Timestamp, bool]:
    if settings.extract_end is not None:
        return _given_end(settings), False
    times = pd.concat([reported, cleared], ignore_index=True)
    by_day = pd.concat([precision, cleared_precision], ignore_index=True) == "day"
    last = _last_of_the_bulk(times.dropna(), settings.parameters)
    if last is None:
        return pd.Timestamp("1970-01-01", tz="UTC"), True
    # A day without a clock lasts until its end; a minute until the next.
    day_only = bool((by_day & (times == last)).any())
    if day_only:
        local = last.tz_convert(settings.time_zone) + pd.DateOffset(days=1)
        return local.tz_convert("UTC"), True
    return last + MINUTE, True


def _given_end(settings: CleanSettings) -> pd.Timestamp:
    parsed = parse_dates(pd.Series([settings.extract_end], dtype="str"),
                         time_zone=settings.time_zone, parameters=settings.parameters)
    end = parsed.times.iloc[0]
    if pd.isna(end):
        raise SettingError("extract_end", got=repr(settings.extract_end),
                           allowed="a date such as 2025-06-30",
                           remedy="correct it, or leave it out to have it estimated")
    if parsed.precision.iloc[0] == "day":
        return (end.tz_convert(settings.time_zone) + pd.DateOffset(days=1)).tz_convert("UTC")
    return end + MINUTE


def _last_of_the_bulk(times: pd.Series, parameters: Parameters) -> pd.Timestamp | None:
    """Return the latest time that is not a stray: a few dates far after all others are typing
    errors or planned dates, and must not stretch the time observed."""
    if times.empty:
        return None
    ordered = np.sort(times.to_numpy(dtype="datetime64[us]"))
    gap = np.timedelta64(int(parameters["incidents.extract_gap_days"] * 86_400_000_000), "us")
    few = max(1, int(len(ordered) * parameters["incidents.extract_stray_share"]))
    tail = ordered[-(few + 1):]
    jumps = np.flatnonzero(np.diff(tail) > gap)
    # Two dates alone cannot say which of them is the stray.
    last = tail[jumps[0]] if len(jumps) and len(ordered) > 2 else tail[-1]
    return pd.Timestamp(last, tz="UTC")
