"""The cleaned log as files: incidents, rows set aside, ledger, counts, quality page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from rehit.chain import Chain
from rehit.files.rows import RawTable
from rehit.files.writing import write_csv, write_parquet
from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import Mapping
from rehit.incidents.quality import Finding, findings_table
from rehit.messages import Message, as_text, from_text, message
from rehit.outputs.costs import done_table, shares_table
from rehit.parameters import Parameters
from rehit.report.quality import quality_page
from rehit.report.say import Say

# What reading the log files decided, and what changed in them since the mapping, as findings.

#: Files up to this many are listed one by one on a terminal, more as one line.
MOST_FILES = 12
# The words of drift in the words of the quality page.
_SEVERITY = {"fault": "high", "warning": "medium", "note": "note"}


def log_findings(raw_logs: Sequence[RawTable], mapped: Sequence[pd.DataFrame],
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
    drifts = [found for raw, fields in zip(raw_logs, mapped, strict=True) for found in _drifts(
        raw, fields, mapping, _others(raw, raw_logs) if apart else set())]
    rows = max(sum(len(raw.table) for raw in raw_logs), 1)
    return findings_table((*_one_a_fault(drifts), *(
        Finding("reading_note", "note", rows, note, message("mend.see_right"))
        for note in all_reading_notes(raw_logs))))


def _one_a_fault(found: Sequence[Finding]) -> Iterator[Finding]:
    """Tell the same difference of several files once, with their number."""
    alike: dict[tuple[object, ...], list[Finding]] = {}
    for each in found:
        alike.setdefault((each.code, each.severity, each.effect.facts["subject"]), []).append(each)
    for first, *others in alike.values():
        yield first if not others else replace(
            first, count=first.count + sum(each.count for each in others),
            effect=message("finding.differs_many", n=len(others), **first.effect.facts))


def _others(raw: RawTable, raw_logs: Sequence[RawTable]) -> set[str]:
    """Return the columns of the files beside this one."""
    return {str(name) for other in raw_logs if other is not raw for name in other.table.columns}


def _drifts(raw: RawTable, fields: pd.DataFrame, mapping: Mapping,
            elsewhere: set[str]) -> Iterator[Finding]:
    for drift in find_drift(raw, mapping, fields=fields):
        known = drift.code == "column_missing" and drift.subject in elsewhere
        yield Finding(drift.code, "note" if known else _SEVERITY[drift.severity], drift.count,
                      message("finding.differs", file=raw.name, subject=drift.subject,
                              effect=drift.effect), drift.advice)


def all_reading_notes(raw_logs: Sequence[RawTable]) -> list[Message]:
    """Return the notes on the reading of files, each naming its file; the same of several once."""
    files: dict[str, list[str]] = {}
    notes: dict[str, Message] = {}
    for raw in raw_logs:
        for note in raw.notes:
            files.setdefault(as_text(note), []).append(raw.name)
            notes[as_text(note)] = note
    return [message("reading.note", file=first, note=notes[text]) if not others else
            message("reading.note_many", file=first, n=len(others), note=notes[text])
            for text, (first, *others) in files.items()]


def told(findings: pd.DataFrame, say: Say) -> list[str]:
    """Return the findings that change results as lines for a terminal."""
    grave = findings[findings["severity"].isin(("high", "medium"))]
    return [say("finding.with_advice", effect=from_text(effect), advice=from_text(advice))
            for effect, advice in zip(grave["effect"], grave["advice"], strict=True)]


# A log of which much is set aside: what it is likely to come from, and what to look at.

# Places that stand in for places nobody gave, found by how often they are used.
_STAND_INS = ("address_of_the_council", "one_address_many_points", "place_default")
# Rows that were never an incident, so that setting them aside loses nothing.
_HARMLESS = ("empty_row", "repeated_header", "clearance_only")
# Reasons with a message of their own; the others are all about dates.
_CAUSES = ("place_outside_study_area", "reported_date_missing", "reported_after_extract",
           "duplicate_without_parent", "void_status")


def aside_warnings(set_aside: pd.DataFrame, *, rows_in: int,
                   parameters: Parameters) -> list[Message]:
    """Say the main reason why a large share of the log is set aside, if it is.

    Parameters
    ----------
    set_aside
        The table ``set_aside``.
    rows_in
        Rows of the log.
    parameters
        Uses ``pipeline.aside_share``.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> aside_warnings(pd.DataFrame({"reason": ["void_status"]}), rows_in=100,
    ...                parameters=load_parameters())
    []
    """
    lost = set_aside.loc[~set_aside["reason"].isin(_HARMLESS), "reason"]
    usable = rows_in - (len(set_aside) - len(lost))
    if not len(lost) or len(lost) / usable < parameters["pipeline.aside_share"]:
        return []
    counts = lost.value_counts()
    reason = str(counts.index[0])
    return [message(f"aside.{reason if reason in _CAUSES else 'dates'}", lost=len(lost),
                    rows=usable, main=int(counts.iloc[0]))]


def write_cleaned(chain: Chain, stage: Path, *, methods: bool = False) -> dict[str, Any]:
    """Clean the project's log into `stage` and return the summary.

    Parameters
    ----------
    chain, stage
        The project's results, and the folder to write into.
    methods
        Also choose a method for each incident and show on the quality page whether their shares
        are plausible, and whether what was advised was done.

    Returns
    -------
    dict
        ``per_file`` holds ``source_file, rows_in, rows_kept, rows_joined, rows_set_aside,
        rows_other_service`` for each file; their totals stand beside it; ``set_aside_reasons``
        counts rows by code; ``set_aside_warnings`` says in a sentence why a large share is set
        aside, and what to do; ``mapping_drift`` says where a file differs from the mapping;
        ``stand_ins`` which addresses and points stand in for places nobody gave.
    """
    # Before cleaning, which lets go of the raw text.
    files = log_findings(chain.raw_logs, chain.mapped_logs, chain.mapping)
    cleaned, say = chain.cleaned, chain.say
    chain.step("step.writing")
    # The text of a large log takes as long as all its other files together.
    with ThreadPoolExecutor(max_workers=2) as pool:
        text = pool.submit(write_csv, cleaned.incidents, stage / "incidents.csv")
        write_parquet(cleaned.incidents, stage / "incidents.parquet")
        write_csv(with_reasons(cleaned.set_aside, say), stage / "set_aside.csv")
        write_parquet(cleaned.ledger, stage / "ledger.parquet")
        text.result()
    shares, done = (shares_table(chain), done_table(chain)) if methods else (None, None)
    page = quality_page(
        project_name=chain.project.name, counts=cleaned.counts,
        findings=pd.concat([files, cleaned.findings], ignore_index=True),
        set_aside=cleaned.set_aside, window=cleaned.window, time_zone=chain.project.time_zone,
        language=chain.project.language, method_shares=shares, advised_done=done)
    (stage / "quality.html").write_text(page, encoding="utf-8")
    rows_in = int(cleaned.counts["rows_in"].sum())
    warned = aside_warnings(cleaned.set_aside, rows_in=rows_in, parameters=chain.parameters) if (
        chain.dated) else [message("aside.undated", rows=rows_in)]
    return {**cleaning_summary(chain), "set_aside_warnings": say.all(warned),
            "mapping_drift": told(files, say), "stand_ins": _stand_ins(cleaned.findings, say)}


def _stand_ins(findings: pd.DataFrame, say: Say) -> list[str]:
    """Say which addresses and points were found to stand in for places nobody gave."""
    found = findings[findings["code"].isin(_STAND_INS)]
    return [say("finding.rows", n=count, effect=from_text(effect))
            for count, effect in zip(found["count"], found["effect"], strict=True)]


def with_reasons(set_aside: pd.DataFrame, say: Say) -> pd.DataFrame:
    """Return the rows set aside with their reason in words beside its code."""
    said = set_aside.assign(reason_words=say.cells(set_aside["reason"], "set_aside"))
    return said[["source_file", "source_row", "reason", "reason_words", "original"]]


def row_totals(chain: Chain) -> dict[str, int]:
    """Return how many rows of all files together came in, and what became of them."""
    totals = chain.cleaned.counts.drop(columns="source_file").sum()
    return {str(name): int(value) for name, value in totals.items()}


def cleaning_summary(chain: Chain) -> dict[str, Any]:
    """Return the row counts and reasons of the cleaned log, as plain values."""
    cleaned = chain.cleaned
    reasons = cleaned.set_aside["reason"].value_counts()
    return {
        "project": chain.project.name,
        **row_totals(chain),
        "per_file": cleaned.counts.to_dict("records"),
        "set_aside_reasons": {str(code): int(n) for code, n in reasons.items()},
        "observed_from": cleaned.window.start.isoformat(),
        "observed_to": cleaned.window.end.isoformat(),
    }
