"""Report and clearing against each other, the clock and the end of the extract."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.incidents.clean import clean_incidents
from rehit.incidents.rows import Cleaned, CleanSettings
from rehit.parameters import load_parameters


def clean(rows: list[tuple[str | None, str | None]], **options: object) -> Cleaned:
    fields = pd.DataFrame(rows, columns=["reported", "cleared"])
    fields["source_file"], fields["source_row"] = "log", range(1, len(rows) + 1)
    fields["address"] = [f"{k} Elm Street" for k in range(1, len(rows) + 1)]
    settings = CleanSettings(**{"time_zone": "Europe/London", "crs": "EPSG:27700",
                                **options})  # type: ignore[arg-type]
    return clean_incidents(fields, mapping=None, settings=settings)


def test_end_of_extract_is_the_end_of_its_last_day() -> None:
    # 30 June in London ends at 23:00 UTC (summer time).
    cleaned = clean([("2025-06-01", "2025-06-30"), ("2025-06-02", None)])
    assert str(cleaned.window.end) == "2025-06-30 23:00:00+00:00"
    assert str(cleaned.window.start) == "2025-05-31 23:00:00+00:00"


def test_end_of_extract_is_the_minute_after_its_last_time() -> None:
    cleaned = clean([("2025-01-01 10:00", "2025-01-03 11:30"), ("2025-01-02 10:00", None)])
    assert str(cleaned.window.end) == "2025-01-03 11:31:00+00:00"


def test_stray_dates_do_not_stretch_the_time_observed() -> None:
    rows: list[tuple[str | None, str | None]] = [
        (f"2025-01-{d:02d} 09:00", f"2025-01-{d + 1:02d} 09:00") for d in range(1, 28)]
    cleaned = clean([*rows, ("2025-01-20 10:00", "2052-01-21 09:00")])
    assert cleaned.window.end.year == 2025
    assert cleaned.ledger["rule"].tolist().count("cleared_after_extract") == 1


def test_given_end_of_extract_is_kept_and_sets_later_reports_aside() -> None:
    cleaned = clean([("2025-01-01", None), ("2025-02-01", None)], extract_end="2025-01-31")
    assert str(cleaned.window.end) == "2025-02-01 00:00:00+00:00"
    assert cleaned.set_aside["reason"].tolist() == ["reported_after_extract"]
    assert "extract_end_estimated" not in set(cleaned.findings["code"])


@pytest.mark.parametrize(("cleared", "status", "rule"), [
    ("2025-03-03 08:30", "cleared", "cleared_within_clock_error"),
    ("2025-03-03 07:30", "closed_undated", "cleared_before_reported"),
    ("2025-03-03", "cleared", None), ("2025-03-02", "closed_undated", "cleared_before_reported")])
def test_clearing_before_the_report(cleared: str, status: str, rule: str | None) -> None:
    cleaned = clean([("2025-03-03 09:00", cleared)])
    assert cleaned.incidents["status"].tolist() == [status]
    assert cleaned.ledger["rule"].tolist() == ([rule] if rule else [])


def test_tolerance_of_the_clocks_is_a_parameter() -> None:
    strict = load_parameters().override({"incidents.clock_tolerance_minutes": 0})
    cleaned = clean([("2025-03-03 09:00", "2025-03-03 08:59")], parameters=strict)
    assert cleaned.incidents["status"].tolist() == ["closed_undated"]


def test_day_precision_is_told() -> None:
    cleaned = clean([("2025-03-03", None), ("2025-03-03 09:00", None)])
    assert sorted(cleaned.incidents["reported_precision"]) == ["day", "minute"]


def test_log_without_clearings_leaves_states_unknown_and_says_so() -> None:
    cleaned = clean([("2025-03-03", None), ("2025-03-04", None)])
    assert set(cleaned.incidents["status"]) == {"unknown"}
    assert cleaned.findings.set_index("code").loc["no_clearances", "count"] == 2
