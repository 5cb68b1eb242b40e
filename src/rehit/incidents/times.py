"""When it was reported and when it was clean again; where the extract ends."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.incidents.dates import REMARK_CODES, DateStyle, ParsedDates, parse_dates
from rehit.incidents.ledger import Entries, Step, enter
from rehit.incidents.rows import CleanSettings, is_blank_id
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


def read_times(rows: pd.DataFrame, *, styles: dict[str, DateStyle | None],
               settings: CleanSettings) -> Step[Times]:
    """Read both dates of every row and judge them against each other and the extract's end.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    styles
        How ``reported`` and ``cleared`` are written.
    settings
        Time zone and, if known, the end of the extract.

    Returns
    -------
    Step
        The times, with an entry for every date that was mended or dropped.
    """
    zone, parameters = settings.time_zone, settings.parameters
    reported = parse_dates(rows["reported"], style=styles.get("reported"), time_zone=zone,
                           parameters=parameters)
    cleared = parse_dates(rows["cleared"], style=styles.get("cleared"), time_zone=zone,
                          parameters=parameters)
    entries = _remarks(rows, "reported", reported) + _remarks(rows, "cleared", cleared)
    reason = pd.Series("reported_" + reported.codes.where(reported.times.isna()), dtype="str")
    end, estimated = _extract_end(reported.times, reported.precision, cleared.times,
                                  cleared.precision, settings)
    late = reported.times >= end
    reason = reason.mask(late, "reported_after_extract")
    lost = cleared.times.isna() & rows["cleared"].notna() & (cleared.codes != "date_missing")
    entries += enter(lost, column="cleared", before=rows["cleared"], after=None,
                     rule="cleared_" + cleared.codes.fillna(""))
    mended, told = _mend_clearings(rows, reported.times, cleared, end, settings)
    times = Times(reported.times, reported.precision.fillna("day"), mended, cleared.precision,
                  reason, end, estimated, bool(rows["cleared"].notna().any()))
    return Step(times, entries + told)


def _remarks(rows: pd.DataFrame, name: str, parsed: ParsedDates) -> Entries:
    remarked = parsed.codes.isin(REMARK_CODES)
    if not remarked.any():
        return Entries()
    return enter(remarked, column=name, before=rows[name], after=iso(parsed.times, remarked),
                 rule=parsed.codes)


def iso(times: pd.Series, where: pd.Series | np.ndarray | None = None) -> pd.Series:
    """Return UTC times as ISO 8601 texts; empty where there is none, or `where` is false."""
    if where is None:
        where = np.ones(len(times), dtype=bool)
    some = times[np.asarray(where, dtype=bool)]
    texts: pd.Series = some.dt.strftime("%Y-%m-%dT%H:%M:%SZ").astype("str")
    return texts.reindex(times.index)


def _mend_clearings(rows: pd.DataFrame, reported: pd.Series, parsed: ParsedDates,
                    end: pd.Timestamp, settings: CleanSettings) -> Step[pd.Series]:
    """Drop clearings that cannot be; those within the clocks' error are put at the report."""
    cleared = parsed.times
    early = cleared < reported
    same_day = early & (parsed.precision == "day") & (
        local_day(cleared, settings.time_zone) == local_day(reported, settings.time_zone))
    slack = settings.parameters["incidents.clock_tolerance_minutes"] * MINUTE
    near = early & ~same_day & (reported - cleared <= slack)
    entries = enter(near, column="cleared", before=rows["cleared"], after=iso(reported, near),
                    rule="cleared_within_clock_error")
    cleared = cleared.mask(same_day | near, reported)
    wrong = early & ~same_day & ~near
    future = cleared > end
    for where, rule in ((wrong, "cleared_before_reported"), (future, "cleared_after_extract")):
        entries += enter(where, column="cleared", before=rows["cleared"], after=None, rule=rule)
    return Step(cleared.mask(wrong | future), entries)


def local_day(times: pd.Series, zone: str) -> pd.Series:
    """Return the local calendar day of UTC times, as midnight without a zone."""
    days: pd.Series = times.dt.tz_convert(zone).dt.tz_localize(None).dt.normalize()
    return days


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
    end: pd.Timestamp = parsed.times.iloc[0]
    if pd.isna(end):
        raise SettingError("extract_end", "errors.not_an_end", value=repr(settings.extract_end))
    if parsed.precision.iloc[0] == "day":
        end = (end.tz_convert(settings.time_zone) + pd.DateOffset(days=1)).tz_convert("UTC")
        return end
    end = end + MINUTE
    return end


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


# Rows that only say how another report ended, such as those of a separate list of clearances.

REASON = "clearance_only"
# What the crew knows; where and when it was reported stands with the report.
_CARRIED = ("cleared", "status", "outcome", "asset_id", "asset_type", "substrate", "medium", "size",
            "priority")
_TELLING = ("cleared", "status", "outcome")


def carry_clearances(rows: pd.DataFrame) -> Step[tuple[pd.DataFrame, pd.Series]]:
    """Give each report what a row without a report date says under the same number.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.

    Returns
    -------
    Step
        The rows with their empty cells filled, and where a row only served to fill another; an
        entry for each cell filled. Cells that the report fills itself are kept.
    """
    late = rows["reported"].isna() & rows[list(_TELLING)].notna().any(axis=1)
    # Few rows lack a report date: only their numbers are looked at, not those of a whole log.
    ids = rows.loc[late, "report_id"]
    ids = ids[ids.notna() & ~is_blank_id(ids)]
    dated = rows["reported"].notna() & rows["report_id"].isin(ids)
    ids = ids[ids.isin(rows.loc[dated, "report_id"])]
    late = pd.Series(rows.index.isin(ids.index), index=rows.index)
    if not late.any():
        return Step((rows, late), Entries())
    entries = Entries()
    filled = rows.copy(deep=False)
    for name in _CARRIED:
        # The rows are in an order of their content, so the first is the same in any file order.
        known = rows.loc[ids.index, name].dropna()
        known = known.set_axis(ids[known.index])
        given = rows.loc[dated, "report_id"].map(known[~known.index.duplicated()])
        given = given[rows.loc[given.index, name].isna() & given.notna()].reindex(rows.index)
        gained = given.notna()
        if gained.any():
            filled[name] = rows[name].where(~gained, given).astype("str")
            entries += enter(gained, column=name, before=None, after=given,
                             rule="from_row_of_same_number")
    return Step((filled, late), entries)


# Where each report stands: open, cleared, closed without a usable date, or not known.

# Outcomes after which the case is closed though nobody cleaned the surface.
NOT_CLEANED = ("private_owner", "referred", "no_work")
CLOSED_OUTCOMES = ("cleared", "not_found", *NOT_CLEANED)


def settle_states(rows: pd.DataFrame, meaning: dict[str, pd.DataFrame],
                  times: Times) -> Step[pd.DataFrame]:
    """Weigh status word, outcome and clearing date against each other.

    A usable clearing date says more than a status word that may be stale. A closing date of a case
    that was referred, or left to a private owner, is not a clearing. "Not found" counts as clean
    when the crew came.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    meaning
        From :func:`rehit.incidents.meaning.read_meaning`.
    times
        From :func:`rehit.incidents.times.read_times`.

    Returns
    -------
    Step
        ``status``, ``outcome``, ``cleared_at`` and ``closed_at`` (end of the case, cleaned or
        not), with an entry for every contradiction settled.
    """
    word = meaning["status"]["code"].to_numpy(dtype=object)
    outcome = meaning["outcome"]["code"].to_numpy(dtype=object).copy()
    cleared = times.cleared_at
    # "Site to be cleaned" beside a closing date: the case was closed, the surface still waits.
    not_cleaned = np.isin(outcome, (*NOT_CLEANED, "pending"))
    entries = enter(not_cleaned & cleared.notna(), column="cleared", before=rows["cleared"],
                    after=None, rule="closed_not_cleaned")
    cleared = cleared.mask(not_cleaned)
    dated = cleared.notna().to_numpy()
    entries += enter(dated & (word == "open"), column="status", before=rows["status"],
                     after="cleared", rule="open_with_clearing_date")
    written = rows["cleared"].notna().to_numpy()
    closed = np.isin(word, ("cleared", "closed")) | np.isin(outcome, CLOSED_OUTCOMES)
    still_open = (word == "open") | (outcome == "pending")
    state = np.full(len(rows), "unknown", dtype=object)
    if times.has_clearings:
        # A log that writes clearing dates, and has none here, says that the case is open.
        silent = rows["status"].isna().to_numpy() & ~written
        # A time it stood open, that nothing calls closed, leaves it open whether it still does.
        silent &= rows[["days_open", "hours_open"]].isna().all(axis=1).to_numpy()
        state[silent] = "open"
        state[written & ~dated] = "closed_undated"
        entries += enter(silent & ~closed & ~still_open, column="status", before=None,
                         after="open", rule="open_by_missing_clearing")
    state[still_open] = "open"
    state[closed] = "closed_undated"
    state[dated] = "cleared"
    outcome = _outcome(outcome, word, state)
    states = pd.DataFrame({"status": pd.array(state, dtype="str"),
                           "outcome": pd.array(outcome, dtype="str"), "cleared_at": cleared,
                           "closed_at": times.cleared_at})
    return Step(states, entries)


def _outcome(outcome: np.ndarray, word: np.ndarray, state: np.ndarray) -> np.ndarray:
    """Fill an outcome that the log leaves open from the state, where that follows."""
    unsaid = outcome == "unknown"
    outcome[unsaid & (state == "open")] = "pending"
    outcome[unsaid & (word == "cleared")] = "cleared"
    # A date in the column of clearings, with no word against it, is a clearing.
    outcome[unsaid & (state == "cleared") & (word != "closed")] = "cleared"
    return outcome


# Clearance dates worked out where a log gives the time a case stood open in place of a date.

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
                    style: DateStyle | None, settings: CleanSettings) -> Step[pd.DataFrame]:
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

    Returns
    -------
    Step
        The rows, with an entry for each date filled, and for each duration that cannot be read or
        of which nothing tells whether the case is closed.
    """
    closed = meaning["status"]["code"].isin(("cleared", "closed")) | meaning["outcome"][
        "code"].isin(CLOSED_OUTCOMES)
    wanted = rows["cleared"].isna() & closed.to_numpy()
    wanted &= meaning["status"]["code"].ne("open").to_numpy()
    untold = rows["cleared"].isna() & (meaning["status"]["code"] == "unknown").to_numpy() & (
        meaning["outcome"]["code"] == "unknown").to_numpy()
    filled, entries = rows, Entries()
    for field in DURATION_FIELDS:
        entries += enter(untold & rows[field].notna(), column="cleared", before=rows[field],
                         after=None, rule=UNTOLD)
        here = wanted & filled["cleared"].isna() & rows[field].notna()
        if not here.any():
            continue
        seconds = rows.loc[here, field].map(lambda text, name=field: read_duration(
            text, field=name)).astype(float)
        entries += enter(here & ~here.index.isin(seconds.index[seconds.notna()]),
                         column="cleared", before=rows[field], after=None, rule=UNREAD)
        dates = _dates(rows.loc[here, "reported"], seconds, style, settings).reindex(rows.index)
        filled = filled.assign(cleared=filled["cleared"].fillna(dates).astype("str"))
        entries += enter(dates.notna(), column="cleared", before=rows[field], after=dates,
                         rule=RULE)
    return Step(filled, entries)


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
