"""Clearance dates worked out where a log gives the time a case stood open in place of a date."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from rehit.incidents.dates import DateStyle, parse_dates
from rehit.incidents.ledger import Ledger
from rehit.incidents.settings import CleanSettings
from rehit.incidents.states import CLOSED_OUTCOMES

# Field and the seconds that a bare number in it counts.
DURATION_FIELDS = {"days_open": 86_400, "hours_open": 3_600}
_DAYS = r"(?:days?|d|dias?|jours?|j|tage?n?)"
_HOURS = r"(?:hours?|hrs?|h|horas?|heures?|stunden?|std)"
_PLAIN = re.compile(rf"(\d{{1,6}}(?:[.,]\d+)?)\s*(?:({_DAYS})|({_HOURS}))?\.?", re.IGNORECASE)
_CLOCK = re.compile(rf"(?:(\d{{1,6}})\s*{_DAYS},?\s*)?(\d{{1,6}}):(\d\d)(?::(\d\d)(?:\.\d+)?)?",
                    re.IGNORECASE)
RULE = "cleared_from_duration"
UNREAD = "duration_unreadable"
UNTOLD = "duration_without_status"


def read_duration(text: str, *, field: str) -> float:
    """Return the seconds that a length of time stands for; NaN where it is none.

    Parameters
    ----------
    text
        As written: a number in the unit of `field`, a number with a unit, or hours and minutes.
    field
        ``days_open`` or ``hours_open``.

    Examples
    --------
    >>> read_duration("3", field="days_open"), read_duration("36 h", field="days_open")
    (259200.0, 129600.0)
    >>> read_duration("1 day, 2:30:00", field="days_open"), read_duration("-1", field="days_open")
    (95400.0, nan)
    """
    line = text.strip()
    if found := _PLAIN.fullmatch(line):
        unit = "days_open" if found[2] else "hours_open" if found[3] else field
        return float(found[1].replace(",", ".")) * DURATION_FIELDS[unit]
    if found := _CLOCK.fullmatch(line):
        days, hours, minutes, seconds = (int(part or 0) for part in found.groups())
        return float(days * 86_400 + hours * 3_600 + minutes * 60 + seconds)
    return float("nan")


def date_clearances(rows: pd.DataFrame, meaning: dict[str, pd.DataFrame], *,
                    style: DateStyle | None, settings: CleanSettings,
                    ledger: Ledger) -> pd.DataFrame:
    """Fill the empty clearance dates of closed cases from the report and the time to clearance.

    Only a case that its status or outcome calls cleared or closed is filled: the days that an open
    case has stood so far are no clearance. Whole days give a day; hours and parts of days give a
    time where the report has one.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    meaning
        From :func:`rehit.incidents.meaning.read_meaning`.
    style
        How ``reported`` is written.
    settings
        Time zone and numbers.
    ledger
        Takes an entry for each date filled, and for each duration that cannot be read or of which
        nothing tells whether the case is closed.
    """
    closed = meaning["status"]["code"].isin(("cleared", "closed")) | meaning["outcome"][
        "code"].isin(CLOSED_OUTCOMES)
    wanted = rows["cleared"].isna() & closed.to_numpy()
    wanted &= meaning["status"]["code"].ne("open").to_numpy()
    untold = rows["cleared"].isna() & (meaning["status"]["code"] == "unknown").to_numpy() & (
        meaning["outcome"]["code"] == "unknown").to_numpy()
    filled = rows
    for field in DURATION_FIELDS:
        ledger.add(untold & rows[field].notna(), column="cleared", before=rows[field], after=None,
                   rule=UNTOLD)
        here = wanted & filled["cleared"].isna() & rows[field].notna()
        if not here.any():
            continue
        seconds = rows.loc[here, field].map(lambda text, name=field: read_duration(
            text, field=name)).astype(float)
        ledger.add(here & ~here.index.isin(seconds.index[seconds.notna()]), column="cleared",
                   before=rows[field], after=None, rule=UNREAD)
        dates = _dates(rows.loc[here, "reported"], seconds, style, settings).reindex(rows.index)
        filled = filled.assign(cleared=filled["cleared"].fillna(dates).astype("str"))
        ledger.add(dates.notna(), column="cleared", before=rows[field], after=dates, rule=RULE)
    return filled


def _dates(written: pd.Series, seconds: pd.Series, style: DateStyle | None,
           settings: CleanSettings) -> pd.Series:
    """Return reports plus durations as ISO texts: days by the local calendar, times in UTC."""
    parsed = parse_dates(written, style=style, time_zone=settings.time_zone,
                         parameters=settings.parameters)
    usable = parsed.times.notna() & seconds.notna()
    reported, seconds = parsed.times[usable], seconds[usable]
    whole = (seconds % 86_400 == 0) | (parsed.precision[usable] == "day")
    moved = reported.dt.tz_convert(settings.time_zone).dt.tz_localize(None).to_numpy(
        "datetime64[us]") + (seconds * 1e6).to_numpy("timedelta64[us]")
    exact = reported.to_numpy("datetime64[us]") + (seconds * 1e6).to_numpy("timedelta64[us]")
    # A local calendar day, so that a change of the clock does not move it.
    texts = np.where(whole, np.datetime_as_string(moved, unit="D"),
                     np.char.add(np.datetime_as_string(exact, unit="s"), "Z"))
    return pd.Series(texts, index=reported.index, dtype="str").reindex(written.index)
