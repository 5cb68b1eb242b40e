"""What the owner of the log should mend at the source, by count and by effect on the results."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from rehit.incidents.joining import Joins
from rehit.incidents.places import Points
from rehit.incidents.rows import CleanSettings
from rehit.incidents.times import Times
from rehit.messages import Message, as_text, message

COLUMNS = ("code", "severity", "count", "effect", "advice")
SEVERITIES = ("high", "medium", "low", "note")


@dataclass(frozen=True)
class Evidence:
    """Everything the findings are drawn from."""

    rows_in: int
    incidents: gpd.GeoDataFrame
    set_aside: pd.DataFrame
    ledger: pd.DataFrame
    counts: pd.DataFrame
    points: Points
    joins: Joins
    times: Times
    translations: pd.DataFrame
    settings: CleanSettings


@dataclass(frozen=True)
class Finding:
    """One thing to mend: how bad, how often, what it does to the results, what to do about it."""

    code: str
    severity: str
    count: int
    effect: Message
    advice: Message


def findings_table(found: Iterable[Finding]) -> pd.DataFrame:
    """Return findings with a count as a table, the worst first.

    Returns
    -------
    pandas.DataFrame
        ``code, severity, count, effect, advice``; the last two as :func:`rehit.messages.as_text`
        writes messages.
    """
    rank = {severity: place for place, severity in enumerate(SEVERITIES)}
    kept = sorted((f for f in found if f.count),
                  key=lambda f: (rank[f.severity], -f.count, f.code))
    table = pd.DataFrame([(f.code, f.severity, f.count, as_text(f.effect), as_text(f.advice))
                          for f in kept], columns=list(COLUMNS))
    return table.astype({"code": "str", "severity": "str", "count": "int64", "effect": "str",
                         "advice": "str"})


def find_faults(evidence: Evidence) -> pd.DataFrame:
    """Return what the owner of the log should mend, the worst first.

    Severity ``high``: rows or places lost to the results; ``medium``: results rest on an
    assumption; ``low``: mended here, but worth mending at the source; ``note``: to know.

    Parameters
    ----------
    evidence
        What cleaning saw and did.

    Returns
    -------
    pandas.DataFrame
        As :func:`findings_table` gives it; one row per code.
    """
    return findings_table(finding for source in _SOURCES for finding in source(evidence))


def _finding(code: str, severity: str, count: int, advice: str, **facts: object) -> Finding:
    return Finding(code, severity, count, message(f"finding.{code}", **facts),
                   message(f"mend.{advice}"))


# What to do about rows set aside for each reason.
_ASIDE = {
    "empty_row": "delete_rows", "repeated_header": "one_piece",
    "reported_date_missing": "compulsory", "clearance_only": "nothing",
    "reported_date_unreadable": "iso_dates", "reported_date_impossible": "check_entry",
    "reported_date_out_of_range": "check_entry", "reported_after_extract": "check_year",
    "duplicate_without_parent": "first_number", "void_status": "nothing",
    "place_outside_study_area": "check_area",
}
_HARMLESS = ("empty_row", "repeated_header", "void_status", "clearance_only")


def _set_aside(e: Evidence) -> Iterator[Finding]:
    for reason, count in e.set_aside["reason"].value_counts().items():
        yield Finding(f"set_aside_{reason}", "low" if reason in _HARMLESS else "high", int(count),
                      message("finding.set_aside", n=int(count), reason=str(reason)),
                      message(f"mend.{_ASIDE[str(reason)]}"))


def _places(e: Evidence) -> Iterator[Finding]:
    quality = e.incidents["place_quality"].value_counts()
    for code in ("none", "street", "block", "default"):
        count = int(quality.get(code, 0))
        yield _finding(f"place_{code}", "high", count, "asset_or_point",
                       share=count / max(len(e.incidents), 1))
    points = e.points
    if points.both_given:
        yield _finding("places_differ", "note", points.both_given, "one_pair",
                       middle=points.disagreement_median_m, most=points.disagreement_max_m,
                       trusted=message(f"trusted.{points.trusted}"))
    if e.settings.study_area is None and points.x.size:
        west, south, east, north = points.area
        yield _finding("area_derived", "note", int((~pd.isna(points.x)).sum()), "give_area",
                       west=west, south=south, east=east, north=north)


# Ledger rules that are findings of their own: severity and advice.
_RULES: dict[str, tuple[str, str]] = {
    "places_disagree": ("medium", "which_place"),
    "place_outside_area": ("medium", "check_coordinates"),
    "place_zero": ("medium", "leave_empty"),
    "masked_place": ("medium", "unmask"),
    "unreadable_place": ("medium", "plain_numbers"),
    "place_in_three_words": ("medium", "point_or_address"),
    "round_hundred_is_a_block": ("medium", "true_number"),
    "address_of_the_council": ("medium", "true_number"),
    "one_address_many_points": ("medium", "true_number"),
    "grid_unknown": ("high", "grid_code"),
    "half_a_place": ("medium", "both_numbers"),
    "swapped_axes": ("low", "column_order"),
    "swapped_axes_lost_sign": ("low", "check_form"),
    "lost_sign_longitude": ("low", "west"),
    "lost_sign_latitude": ("low", "south"),
    "lost_both_signs": ("low", "south_west"),
    "cleared_before_reported": ("medium", "both_dates"),
    "cleared_after_extract": ("medium", "no_planned_date"),
    "cleared_date_unreadable": ("medium", "iso_dates"),
    "cleared_date_impossible": ("medium", "check_entry"),
    "cleared_date_out_of_range": ("medium", "check_entry"),
    "cleared_within_clock_error": ("low", "clocks"),
    "cleared_from_duration": ("low", "completion"),
    "duration_unreadable": ("medium", "days_as_number"),
    "duration_without_status": ("high", "status"),
    "closed_not_cleaned": ("medium", "whether_cleaned"),
    "open_with_clearing_date": ("low", "close_case"),
    "open_by_missing_clearing": ("medium", "status"),
    "clock_skipped": ("low", "utc"),
    "clock_repeated": ("note", "utc"),
    "date_order_switched": ("low", "iso_dates"),
    "size_unreadable": ("low", "metres"),
    "size_without_unit": ("medium", "unit"),
    "comma_could_be_thousands": ("medium", "thousands"),
    "size_beyond_belief": ("low", "check_entry"),
    "marking_text": ("note", "describe"),
    "long_text": ("low", "check_entry"),
    "duplicate_by_status": ("note", "first_number"),
}


def _by_rule(e: Evidence) -> Iterator[Finding]:
    counts = e.ledger["rule"].value_counts()
    for rule, (severity, advice) in _RULES.items():
        yield _finding(rule, severity, int(counts.get(rule, 0)), advice)
    personal = sum(int(n) for rule, n in counts.items() if "personal_" in str(rule))
    yield _finding("personal_data", "medium", personal, "no_persons")
    for code, rule, severity, advice in (("misspelt_words", "misspelling", "low", "list"),
                                         ("unknown_words", "unknown_word", "medium", "vocabulary")):
        words = e.translations[e.translations["rule"] == rule]
        yield _finding(code, severity, int(words["count"].sum()), advice, examples=_examples(words))


def _times_known(e: Evidence) -> Iterator[Finding]:
    window = e.settings.parameters["incidents.undated_window_days"]
    status = e.incidents["status"].value_counts()
    unknown, waiting = int(status.get("unknown", 0)), int(status.get("open", 0))
    if unknown and not e.times.has_clearings:
        yield _finding("no_clearances", "high", unknown, "completion", days=window)
    else:
        yield _finding("status_unknown", "medium", unknown, "status", days=window)
    yield _finding("closed_undated", "medium", int(status.get("closed_undated", 0)), "when_clean",
                   days=window)
    yield _finding("still_open", "note", waiting, "if_open")
    if not waiting and e.times.has_clearings and len(e.incidents):
        yield _finding("closed_only", "medium", len(e.incidents), "open_cases")
    if e.times.end_estimated and len(e.incidents):
        yield _finding("extract_end_estimated", "note", 1, "extract_end", time=e.times.extract_end)


def _reports(e: Evidence) -> Iterator[Finding]:
    joins = e.joins
    kept = int(e.counts["rows_kept"].sum())
    joined = joins.undecidable if e.settings.exact_duplicates == "join" else 0
    yield Finding("exact_duplicates", "high", joins.undecidable, message(
        "finding.exact_duplicates_joined" if joined else "finding.exact_duplicates",
        groups=joins.undecidable_groups, apart=kept + joined,
        alike=kept + joined - joins.undecidable), message("mend.request_number"))
    yield _finding("request_number_reused", "medium", joins.reused_ids, "unique")
    yield _finding("request_numbers_ignored", "high", joins.notes.get("ids_ignored", 0),
                   "map_number")
    if joins.usable_ids.isna().all():
        yield _finding("no_request_numbers", "medium", e.rows_in, "request_number")
    repeats = sum(int(n) for rule, n in e.ledger["rule"].value_counts().items()
                  if str(rule).endswith("_before_cleared"))
    yield _finding("repeat_reports", "note", repeats, "show_caller")


def _examples(table: pd.DataFrame) -> tuple[str, ...]:
    top = table.sort_values(["count", "before"], ascending=[False, True]).head(5)
    return tuple(f"{field}: {before} ({count})" for field, before, count in zip(
        top["field"], top["before"], top["count"], strict=True))


_SOURCES: tuple[Callable[[Evidence], Iterator[Finding]], ...] = (
    _set_aside, _places, _by_rule, _times_known, _reports)
