"""What reading the log files decided, and what changed in them since the mapping, as findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import Mapping
from rehit.incidents.quality import COLUMNS, SEVERITIES
from rehit.incidents.read import RawLog

# The words of drift in the words of the quality page.
_SEVERITY = {"fault": "high", "warning": "medium", "note": "note"}


def log_findings(raw_logs: Sequence[RawLog], mapped: Sequence[pd.DataFrame],
                 mapping: Mapping) -> pd.DataFrame:
    """Return what a person should know of the files before any row is interpreted.

    Parameters
    ----------
    raw_logs
        The files as read, with their notes.
    mapped
        What the mapping makes of each, in the same order.
    mapping
        The reading of their columns.

    Returns
    -------
    pandas.DataFrame
        ``code, severity, count, effect, advice`` as :func:`rehit.incidents.quality.find_faults`
        gives, the worst first.
    """
    # Where one file holds the reports and another how they ended, each lacks the other's columns.
    apart = any(fields["reported"].isna().all() and fields["report_id"].notna().any()
                for fields in mapped) and len(mapped) > 1
    found = [row for raw, fields in zip(raw_logs, mapped, strict=True)
             for row in (*_drifts(raw, fields, mapping, _others(raw, raw_logs) if apart else set()),
                         *_notes(raw))]
    found.sort(key=lambda row: SEVERITIES.index(str(row[1])))
    table = pd.DataFrame(found, columns=list(COLUMNS))
    return table.astype({"code": "str", "severity": "str", "count": "int64", "effect": "str",
                         "advice": "str"})


def _others(raw: RawLog, raw_logs: Sequence[RawLog]) -> set[str]:
    """Return the columns of the files beside this one."""
    return {str(name) for other in raw_logs if other is not raw for name in other.table.columns}


def _drifts(raw: RawLog, fields: pd.DataFrame, mapping: Mapping,
            elsewhere: set[str]) -> Iterator[tuple[object, ...]]:
    for drift in find_drift(raw, mapping, fields=fields):
        known = drift.code == "column_missing" and drift.subject in elsewhere
        yield (drift.code, "note" if known else _SEVERITY[drift.severity], drift.count,
               f"{raw.name} differs from the mapping in {drift.subject}: {drift.effect}",
               _capital(drift.advice))


def _notes(raw: RawLog) -> Iterator[tuple[object, ...]]:
    for note in raw.notes:
        yield ("reading_note", "note", len(raw.table), reading_note(raw, note),
               "See that this is right")


def reading_note(raw: RawLog, note: str) -> str:
    """Return a note on the reading of one file as a sentence that names it."""
    return f"{raw.name} as read: {note}"


def told(findings: pd.DataFrame) -> list[str]:
    """Return the findings that change results as lines for a terminal."""
    grave = findings[findings["severity"].isin(("high", "medium"))]
    return [f"{effect}; {advice[:1].lower()}{advice[1:]}"
            for effect, advice in zip(grave["effect"], grave["advice"], strict=True)]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
