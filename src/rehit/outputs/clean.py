"""The cleaned log as files: incidents, rows set aside, ledger, counts, quality page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd

from rehit.chain import Chain
from rehit.files.rows import RawTable
from rehit.incidents.drift import find_drift
from rehit.incidents.mapping import Mapping
from rehit.incidents.quality import COLUMNS, SEVERITIES
from rehit.messages import Message
from rehit.outputs.costs import done_table, shares_table
from rehit.outputs.tables import write_csv, write_parquet
from rehit.parameters import Parameters
from rehit.report.quality import quality_page
from rehit.report.say import Say

# What reading the log files decided, and what changed in them since the mapping, as findings.

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
    found = [row for raw, fields in zip(raw_logs, mapped, strict=True)
             for row in (*_drifts(raw, fields, mapping, _others(raw, raw_logs) if apart else set()),
                         *_notes(raw))]
    found.sort(key=lambda row: SEVERITIES.index(str(row[1])))
    table = pd.DataFrame(found, columns=list(COLUMNS))
    return table.astype({"code": "str", "severity": "str", "count": "int64", "effect": "str",
                         "advice": "str"})


def _others(raw: RawTable, raw_logs: Sequence[RawTable]) -> set[str]:
    """Return the columns of the files beside this one."""
    return {str(name) for other in raw_logs if other is not raw for name in other.table.columns}


def _drifts(raw: RawTable, fields: pd.DataFrame, mapping: Mapping,
            elsewhere: set[str]) -> Iterator[tuple[object, ...]]:
    for drift in find_drift(raw, mapping, fields=fields):
        known = drift.code == "column_missing" and drift.subject in elsewhere
        yield (drift.code, "note" if known else _SEVERITY[drift.severity], drift.count,
               f"{raw.name} differs from the mapping in {drift.subject}: {drift.effect}",
               _capital(drift.advice))


def _notes(raw: RawTable) -> Iterator[tuple[object, ...]]:
    for note in raw.notes:
        yield ("reading_note", "note", len(raw.table), reading_note(raw, note),
               "See that this is right")


def reading_note(raw: RawTable, note: Message) -> str:
    """Return a note on the reading of one file as a sentence that names it."""
    return Say("en")("reading.note", file=raw.name, note=note)


def told(findings: pd.DataFrame) -> list[str]:
    """Return the findings that change results as lines for a terminal."""
    grave = findings[findings["severity"].isin(("high", "medium"))]
    return [f"{effect}; {advice[:1].lower()}{advice[1:]}"
            for effect, advice in zip(grave["effect"], grave["advice"], strict=True)]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# A log of which much is set aside: what it is likely to come from, and what to look at.

# Rows that were never an incident, so that setting them aside loses nothing.
_HARMLESS = ("empty_row", "repeated_header", "clearance_only")
_MAPPING_DATES = ("see that [fields.reported] in mapping.toml names the right column and how it "
                  "writes dates")
_CAUSES = {
    "place_outside_study_area": (
        "lie outside the study area",
        "the study_area in rehit.toml is probably not where the log is, or the log's coordinates "
        "are read in the wrong projection or order",
        "compare study_area (west, south, east, north in degrees) with the log's places, and look "
        "at [places] in mapping.toml"),
    "reported_date_missing": (
        "have no report date", "the column taken for it is probably another one", _MAPPING_DATES),
    "reported_after_extract": (
        "were reported after the end of the extract",
        "the extract_end in rehit.toml is probably too early, or the years are wrong",
        "correct extract_end, or leave it out to have it estimated"),
    "duplicate_without_parent": (
        "are called duplicates of reports that are not in the log",
        "the log was probably exported in part, or a word of its status column is misunderstood",
        "export the whole log, or put the word into a vocabulary file of your own"),
    "void_status": (
        "have a status that says they were withdrawn or entered in error",
        "a word of the status column is probably misunderstood",
        "put the word into a vocabulary file of your own"),
}
_DATES = ("have a report date that cannot be used",
          "the column taken for it is probably another one, or its day and month are read in the "
          "wrong order", _MAPPING_DATES)


def aside_warnings(set_aside: pd.DataFrame, *, rows_in: int,
                   parameters: Parameters) -> list[str]:
    """Return a sentence on the main reason why a large share of the log is set aside, or none.

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
    what, cause, remedy = _CAUSES.get(str(counts.index[0]), _DATES)
    whole = "All" if len(lost) == usable else f"{len(lost):,} of"
    main = "all" if counts.iloc[0] == len(lost) else f"{counts.iloc[0]:,}"
    return [f"{whole} {usable:,} rows are set aside and take no part in any result: {main} of them "
            f"{what}. {cause[:1].upper()}{cause[1:]}: {remedy}, then run rehit clean again."]


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
        ``per_file`` holds ``source_file, rows_in, rows_kept, rows_joined, rows_set_aside`` for
        each file; their totals stand beside it; ``set_aside_reasons`` counts rows by reason;
        ``set_aside_warnings`` says in a sentence why a large share is set aside, and what to do;
        ``mapping_drift`` says in sentences where a file differs from the mapping.
    """
    # Before cleaning, which lets go of the raw text.
    files = log_findings(chain.raw_logs, chain.mapped_logs, chain.mapping)
    cleaned = chain.cleaned
    chain.step("step.writing")
    # The text of a large log takes as long as all its other files together.
    with ThreadPoolExecutor(max_workers=2) as pool:
        text = pool.submit(write_csv, cleaned.incidents, stage / "incidents.csv")
        write_parquet(cleaned.incidents, stage / "incidents.parquet")
        write_csv(cleaned.set_aside, stage / "set_aside.csv")
        write_parquet(cleaned.ledger, stage / "ledger.parquet")
        text.result()
    shares, done = (shares_table(chain), done_table(chain)) if methods else (None, None)
    page = quality_page(
        project_name=chain.project.name, counts=cleaned.counts,
        findings=pd.concat([files, cleaned.findings], ignore_index=True),
        set_aside=cleaned.set_aside, window=cleaned.window, time_zone=chain.project.time_zone,
        language=chain.project.language, method_shares=shares, advised_done=done)
    (stage / "quality.html").write_text(page, encoding="utf-8")
    warned = aside_warnings(cleaned.set_aside, rows_in=int(cleaned.counts["rows_in"].sum()),
                            parameters=chain.parameters)
    return {**cleaning_summary(chain), "set_aside_warnings": warned, "mapping_drift": told(files)}


def row_totals(chain: Chain) -> dict[str, int]:
    """Return ``rows_in, rows_kept, rows_joined, rows_set_aside`` of all files together."""
    totals = chain.cleaned.counts[["rows_in", "rows_kept", "rows_joined", "rows_set_aside"]].sum()
    return {str(name): int(value) for name, value in totals.items()}


def cleaning_summary(chain: Chain) -> dict[str, Any]:
    """Return the row counts and reasons of the cleaned log, as plain values."""
    cleaned = chain.cleaned
    reasons = cleaned.set_aside["reason_words"].value_counts()
    return {
        "project": chain.project.name,
        **row_totals(chain),
        "per_file": cleaned.counts.to_dict("records"),
        "set_aside_reasons": {str(words): int(n) for words, n in reasons.items()},
        "observed_from": cleaned.window.start.isoformat(),
        "observed_to": cleaned.window.end.isoformat(),
    }
