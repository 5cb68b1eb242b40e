"""Response against the standards, on cases worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from rehit.report.measures import due_times, measure_response

TO = pd.Timestamp("2025-01-31", tz="UTC")


def _log(rows: list[tuple[str, str | None, str, str, str]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["reported_at", "cleared_at", "status", "outcome",
                                        "reported_precision"])
    for column in ("reported_at", "cleared_at"):
        frame[column] = pd.to_datetime(frame[column], utc=True, format="mixed")
    return frame


def _measure(log: pd.DataFrame) -> object:
    return measure_response(log, allowed_h=24, observed_to=TO, time_zone="UTC", level=0.95)


def test_open_ones_count_only_once_their_time_is_up() -> None:
    found = _measure(_log([
        ("2025-01-10 10:00", "2025-01-10 20:00", "cleared", "cleared", "minute"),  # in time
        ("2025-01-10 10:00", "2025-01-11 11:00", "cleared", "cleared", "minute"),  # late
        ("2025-01-20 10:00", None, "open", "pending", "minute"),                   # overdue
        ("2025-01-30 20:00", None, "open", "pending", "minute"),                   # still in time
        ("2025-01-30 20:00", "2025-01-30 21:00", "cleared", "cleared", "minute"),  # time not up
        ("2025-01-15 10:00", None, "closed_undated", "cleared", "minute"),         # no date
        ("2025-01-15 10:00", "2025-01-15 11:00", "cleared", "private_owner", "minute"),
    ]))
    assert (len(found.within), len(found.judged)) == (1, 3)
    assert found.share == pytest.approx(1 / 3)
    assert (found.waiting, found.undated) == (2, 1)


def test_the_share_does_not_depend_on_where_the_log_was_cut() -> None:
    """Half of all are cleared within a day, whatever part of the days was still running."""
    rng = np.random.default_rng(3)
    reported = TO - pd.to_timedelta(rng.uniform(0, 4, 40_000), unit="D")
    cleared = reported + pd.to_timedelta(rng.exponential(1 / np.log(2), 40_000), unit="D")
    log = pd.DataFrame({"reported_at": reported, "cleared_at": cleared.where(cleared <= TO),
                        "outcome": "cleared", "reported_precision": "minute"})
    log["status"] = np.where(log["cleared_at"].notna(), "cleared", "open")
    # Three standard errors of a share of 30,000.
    assert _measure(log).share == pytest.approx(0.5, abs=3 * 0.5 / np.sqrt(30_000))


def test_median_counts_open_ones_as_not_yet() -> None:
    """Cleared after 10 h and 25 h; with one open one half is reached at 25 h, with three never."""
    rows = [("2025-01-10 10:00", "2025-01-10 20:00", "cleared", "cleared", "minute"),
            ("2025-01-10 10:00", "2025-01-11 11:00", "cleared", "cleared", "minute"),
            ("2025-01-12 10:00", None, "open", "pending", "minute"),
            ("2025-01-12 10:00", None, "open", "pending", "minute")]
    assert _measure(_log(rows[:3])).median_h == 25
    assert math.isnan(_measure(_log([*rows, rows[2]])).median_h)


def test_the_median_leaves_out_hours_below_none_and_keeps_none() -> None:
    """Cleared at once, after 10 h and 25 h: half at 10 h, whatever ended before its report."""
    ends = ("2025-01-10 10:00", "2025-01-10 20:00", "2025-01-11 11:00")
    rows = [("2025-01-10 10:00", end, "cleared", "cleared", "minute") for end in ends]
    before = ("2025-01-10 10:00", "2025-01-09 10:00", "cleared", "cleared", "minute")
    assert _measure(_log([*rows, before, before])).median_h == 10


def test_days_only_are_judged_by_whole_days() -> None:
    log = _log([("2025-01-10", "2025-01-11 17:00", "cleared", "cleared", "day"),
                ("2025-01-10", "2025-01-12 09:00", "cleared", "cleared", "day")])
    due = due_times(log, allowed_h=24, time_zone="UTC")
    assert due.iloc[0] == pd.Timestamp("2025-01-11 23:59:59", tz="UTC")
    assert len(_measure(log).within) == 1


def test_no_incident_gives_no_share() -> None:
    found = _measure(_log([]).astype({"status": "str", "outcome": "str"}))
    assert math.isnan(found.share)
    assert math.isnan(found.median_h)
