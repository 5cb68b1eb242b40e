"""A log that says how long a case stood open, not when it ended."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from rehit.files.rows import RawTable
from rehit.incidents.clean import clean_incidents
from rehit.incidents.mapping import apply_mapping
from rehit.incidents.propose import propose_mapping
from rehit.incidents.rows import Cleaned, CleanSettings
from rehit.incidents.times import read_duration
from rehit.messages import message


def log(reported: list[str], header: str, spans: list[str], status: list[str]) -> RawTable:
    index = pd.RangeIndex(1, len(reported) + 1, name="source_row")
    table = pd.DataFrame({"Date reported": reported, header: spans, "Status": status,
                          "Address": [f"{n} Elm Street" for n in range(1, len(reported) + 1)]},
                         index=index, dtype="str")
    return RawTable(table, name="log.csv")


def cleaned(raw: RawTable) -> Cleaned:
    mapping = propose_mapping(raw)
    return clean_incidents(apply_mapping(raw, mapping), mapping=mapping, settings=CleanSettings(
        time_zone="Europe/Lisbon", crs="EPSG:32629", translations_in_ledger=True))


@pytest.mark.parametrize(("text", "hours"), [
    ("3", 72), ("2.5", 60), ("2,5", 60), ("3 days", 72), ("36 hrs", 36), ("4 Tage", 96),
    ("2 dias", 48), ("26:30", 26.5), ("1 day, 2:30:00", 26.5), ("0", 0)])
def test_lengths_of_time(text: str, hours: float) -> None:
    assert read_duration(text, field="days_open") == hours * 3600


@pytest.mark.parametrize("text", ["-1", "soon", "", "3 weeks", "1234567"])
def test_what_is_no_length_of_time(text: str) -> None:
    assert math.isnan(read_duration(text, field="days_open"))


@pytest.mark.parametrize(("header", "field"), [
    ("Days open", "days_open"), ("days_to_clear", "days_open"), ("Dias em aberto", "days_open"),
    ("Días hasta limpieza", "days_open"), ("Tage bis zur Reinigung", "days_open"),
    ("Jours avant nettoyage", "days_open"), ("Hours to close", "hours_open"),
    ("Stunden offen", "hours_open")])
def test_the_header_proposes_it_with_evidence(header: str, field: str) -> None:
    raw = log(["2025-03-01 09:00", "2025-03-04 10:00", "2025-03-09 10:00"], header,
              ["3", "12", ""], ["Closed", "Closed", "Open"])
    source = propose_mapping(raw).fields[field]
    assert source.columns == (header,)
    assert source.confidence == 0.9
    assert message("shown.durations", share=1.0) in source.evidence


def test_a_clearance_date_leaves_it_out() -> None:
    raw = log(["2025-03-01", "2025-03-04"], "Days open", ["3", "12"], ["Closed", "Closed"])
    dated = raw.table.assign(**{"Date cleared": ["2025-03-04", "2025-03-16"]})
    fields = propose_mapping(RawTable(dated, name="log.csv")).fields
    assert "cleared" in fields
    assert "days_open" not in fields


def test_only_closed_cases_are_dated_and_the_ledger_says_how() -> None:
    """The clocks change on 30 March 2025: two calendar days later is still the local day."""
    made = cleaned(log(
        ["2025-03-29 23:30", "2025-03-04 10:00", "2025-03-09 10:00", "2025-04-20 08:00"],
        "Days open", ["2", "1.5", "40", "soon"], ["Closed", "Closed", "Open", "Closed"]))
    found = made.incidents.sort_values("source_rows")
    assert found["status"].tolist() == ["cleared", "cleared", "open", "closed_undated"]
    local = found["cleared_at"].dt.tz_convert("Europe/Lisbon").dt.strftime("%Y-%m-%d %H:%M")
    assert local.tolist()[:2] == ["2025-03-31 00:00", "2025-03-05 22:00"]
    entries = made.ledger[made.ledger["rule"] == "cleared_from_duration"]
    assert entries[["before", "after"]].to_numpy().tolist() == [
        ["2", "2025-03-31"], ["1.5", "2025-03-05T22:00:00Z"]]
    counts = made.findings.set_index("code")["count"]
    assert (counts["cleared_from_duration"], counts["duration_unreadable"]) == (2, 1)


def test_hours_need_a_clock_to_give_a_time() -> None:
    made = cleaned(log(["2025-03-04 10:00", "2025-03-09 10:00"], "Hours to clear", ["5", "30"],
                       ["Cleared", "Cleared"]))
    assert made.incidents["cleared_at"].dt.strftime("%d %H:%M").tolist() == ["04 15:00", "10 16:00"]
    made = cleaned(log(["2025-03-04", "2025-03-09"], "Hours to clear", ["5", "30"],
                       ["Cleared", "Cleared"]))
    assert made.incidents["cleared_at"].dt.strftime("%d %H:%M").tolist() == ["04 00:00", "10 00:00"]


def test_without_a_status_nothing_is_dated_and_it_is_said() -> None:
    made = cleaned(log(["2025-03-04", "2025-03-09", "2025-03-11"], "Days to clear",
                       ["5", "30", "2"], ["", "", "Open"]))
    assert made.incidents["cleared_at"].isna().all()
    assert made.incidents["status"].tolist() == ["unknown", "unknown", "open"]
    assert made.findings.set_index("code").loc["duration_without_status", "count"] == 2
