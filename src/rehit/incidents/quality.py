"""What the owner of the log should mend at the source, by count and by effect on the results."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from rehit.incidents.joining import Joins
from rehit.incidents.places import Points
from rehit.incidents.rows import REASONS, CleanSettings
from rehit.incidents.times import Times

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
    effect: str
    advice: str


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
        ``code, severity, count, effect, advice``; one row per code, those with a count only.
    """
    found = [finding for source in _SOURCES for finding in source(evidence) if finding.count]
    rank = {severity: place for place, severity in enumerate(SEVERITIES)}
    found.sort(key=lambda f: (rank[f.severity], -f.count, f.code))
    table = pd.DataFrame(found, columns=list(COLUMNS))
    return table.astype({"code": "str", "severity": "str", "count": "int64", "effect": "str",
                         "advice": "str"})


def _set_aside(e: Evidence) -> Iterator[Finding]:
    counts = e.set_aside["reason"].value_counts()
    for reason, count in counts.items():
        words, _, advice = REASONS[str(reason)].partition("; ")
        severity = "low" if reason in ("empty_row", "repeated_header", "void_status",
                                       "clearance_only") else "high"
        yield Finding(f"set_aside_{reason}", severity, int(count),
                      f"{_times(int(count), 'row')} not counted as an incident: {words}",
                      (advice or words).capitalize())


def _places(e: Evidence) -> Iterator[Finding]:
    quality = e.incidents["place_quality"].value_counts()
    for code, what in (("none", "no place at all"), ("street", "a place known to the street only"),
                       ("default", "a stand-in point in place of their own")):
        count = int(quality.get(code, 0))
        yield Finding(f"place_{code}", "high", count,
                      f"{_share(count, len(e.incidents))} of the incidents have {what}: counted, "
                      "but they cannot show that an asset recurs",
                      "Record the asset's number, or a point taken on the spot")
    points = e.points
    if points.both_given:
        yield Finding(
            "places_differ", "note", points.both_given,
            f"rows with two places: they differ by {points.disagreement_median_m:.0f} m in the "
            f"median and {points.disagreement_max_m:.0f} m at most; {points.trusted} was used",
            "Keep one pair of coordinates, and say how it was made")
    if e.settings.study_area is None and points.x.size:
        west, south, east, north = points.area
        yield Finding("area_derived", "note", int((~pd.isna(points.x)).sum()),
                      f"no study area was given: points from {west:.3f} to {east:.3f} degrees east "
                      f"and {south:.3f} to {north:.3f} degrees north were believed",
                      "Give study_area in the project file")


# Ledger rules that are findings of their own: severity, effect, advice.
_RULES: dict[str, tuple[str, str, str]] = {
    "places_disagree": ("medium", "two places of one row lie too far apart; used as a street only",
                        "Find out which of the two is right"),
    "place_outside_area": ("medium", "points outside the area were not used",
                           "Check the coordinates when they are entered"),
    "place_zero": ("medium", "points at 0, 0 were not used", "Leave the cell empty instead"),
    "masked_place": ("medium", "masked coordinates were not used",
                     "Give the owner of the analysis the unmasked numbers"),
    "unreadable_place": ("medium", "coordinates that are no numbers were not used",
                         "Write plain numbers"),
    "grid_unknown": ("high", "coordinates on a grid that the mapping does not name were not used",
                     "Ask for the code of the grid and write it under [places] in the mapping"),
    "half_a_place": ("medium", "half a pair of coordinates was not used", "Record both numbers"),
    "swapped_axes": ("low", "latitude and longitude were exchanged, and put right",
                     "Check the order of the columns in the form"),
    "swapped_axes_lost_sign": ("low", "coordinates were exchanged and lacked a sign, and were put "
                               "right", "Check the form"),
    "lost_sign_longitude": ("low", "longitudes lacked their sign, and were put right",
                            "West is negative"),
    "lost_sign_latitude": ("low", "latitudes lacked their sign, and were put right",
                           "South is negative"),
    "lost_both_signs": ("low", "coordinates lacked their signs, and were put right",
                        "South and west are negative"),
    "cleared_before_reported": ("medium", "cleared before reported: the clearing was not used, and "
                                "the case counts as closed without a date",
                                "Check both dates when a case is closed"),
    "cleared_after_extract": ("medium", "cleared after the extract was made: not used",
                              "Do not enter a planned date as the clearing"),
    "cleared_date_unreadable": ("medium", "clearing dates that cannot be read were not used",
                                "Write dates as year-month-day"),
    "cleared_date_impossible": ("medium", "clearing dates that do not exist were not used",
                                "Check the entry"),
    "cleared_date_out_of_range": ("medium", "clearing dates with an unlikely year were not used",
                                  "Check the entry"),
    "cleared_within_clock_error": ("low", "cleared a little before reported: put at the report",
                                   "Set the clocks of both systems alike"),
    "cleared_from_duration": ("low", "clearance dates were worked out from the report and the time "
                              "to clearance", "Export the date of completion"),
    "duration_unreadable": ("medium", "times to clearance that cannot be read were not used",
                            "Write days as a number"),
    "duration_without_status": ("high", "times to clearance were not used where nothing tells "
                                "whether the case is closed", "Record a status"),
    "closed_not_cleaned": ("medium", "cases closed as referred or private count as not cleared, "
                           "though the log gives a closing date",
                           "Record whether and when the surface was cleaned"),
    "open_with_clearing_date": ("low", "open cases with a clearing date were taken as cleared",
                                "Close the case when the work is done"),
    "open_by_missing_clearing": ("medium", "cases without status and clearing were taken as open",
                                 "Record a status"),
    "clock_skipped": ("low", "times that daylight saving skipped were moved on",
                      "Record times in UTC or with their offset"),
    "clock_repeated": ("note", "times that daylight saving repeats were taken as the first",
                       "Record times in UTC or with their offset"),
    "date_order_switched": ("low", "dates with day and month exchanged were put right",
                            "Write dates as year-month-day"),
    "size_unreadable": ("low", "sizes that cannot be read were not used",
                        "Write width x height in metres"),
    "size_without_unit": ("medium", "sizes without a unit were not used", "Write the unit"),
    "comma_could_be_thousands": ("medium", "sizes such as 1,200 m2 were read as a little above "
                                 "one, for nothing tells whether the comma parts thousands",
                                 "Write thousands without a mark"),
    "size_beyond_belief": ("low", "sizes beyond belief were not used", "Check the entry"),
    "marking_text": ("note", "quoted texts of markings were not kept",
                     "Describe the marking, do not quote it"),
    "duplicate_by_status": ("note", "rows called duplicates were joined by place and time, as they "
                            "name no first report", "Record the number of the first report"),
}


def _by_rule(e: Evidence) -> Iterator[Finding]:
    counts = e.ledger["rule"].value_counts()
    for rule, (severity, effect, advice) in _RULES.items():
        yield Finding(rule, severity, int(counts.get(rule, 0)), effect, advice)
    personal = sum(int(n) for rule, n in counts.items() if "personal_" in str(rule))
    yield Finding("personal_data", "medium", personal,
                  "texts held names, telephones, mail addresses or plates; removed here",
                  "Keep personal data out of free text")
    misspelt = e.translations[e.translations["rule"] == "misspelling"]
    yield Finding("misspelt_words", "low", int(misspelt["count"].sum()),
                  f"misspelt words were understood: {_examples(misspelt)}",
                  "Offer a list to choose from")
    unknown = e.translations[e.translations["rule"] == "unknown_word"]
    yield Finding("unknown_words", "medium", int(unknown["count"].sum()),
                  f"words that are in no vocabulary count as unknown: {_examples(unknown)}",
                  "Add them to a vocabulary file of your own")


def _times_known(e: Evidence) -> Iterator[Finding]:
    window = e.settings.parameters["incidents.undated_window_days"]
    undated = int((e.incidents["status"] == "closed_undated").sum())
    unknown = int((e.incidents["status"] == "unknown").sum())
    if unknown and not e.times.has_clearings:
        yield Finding("no_clearances", "high", unknown,
                      "the log does not say when anything was cleared: waiting times cannot be "
                      "told, and reports of one place are joined only when they come within "
                      f"{window:g} days of the first", "Export the date of completion")
    else:
        yield Finding("status_unknown", "medium", unknown,
                      "incidents whose state is not known; later reports are joined within "
                      f"{window:g} days", "Record a status")
    yield Finding("closed_undated", "medium", undated,
                  "closed incidents without a usable date of clearing; later reports are joined "
                  f"within {window:g} days", "Record when the surface was clean")
    waiting = int((e.incidents["status"] == "open").sum())
    yield Finding("still_open", "note", waiting,
                  "incidents still waiting at the end of the extract; their waiting is cut off "
                  "there", "Nothing, if they are truly open")
    if not waiting and e.times.has_clearings and len(e.incidents):
        yield Finding("closed_only", "medium", len(e.incidents),
                      "every case of the log is closed: if open ones were left out, waiting times "
                      "look shorter than they are", "Export open cases too")
    if e.times.end_estimated and len(e.incidents):
        yield Finding("extract_end_estimated", "note", 1,
                      "the end of the extract was estimated from the last usable dates as "
                      f"{e.times.extract_end:%Y-%m-%d %H:%M} UTC",
                      "Give extract_end in the project file")


def _reports(e: Evidence) -> Iterator[Finding]:
    joins = e.joins
    kept = int(e.counts["rows_kept"].sum())
    joined = joins.undecidable if e.settings.exact_duplicates == "join" else 0
    alike, apart = kept + joined - joins.undecidable, kept + joined
    yield Finding("exact_duplicates", "high", joins.undecidable,
                  "rows equal to another in every cell, without a number "
                  f"({joins.undecidable_groups} groups): copies and repeats cannot be told apart. "
                  f"Counted apart there are {apart} incidents, counted as one {alike}; "
                  f"{'counted as one' if joined else 'counted apart'} here",
                  "Export the request number")
    yield Finding("request_number_reused", "medium", joins.reused_ids,
                  "request numbers that stand for two different reports", "Make them unique")
    yield Finding("request_numbers_ignored", "high", joins.notes.get("ids_ignored", 0),
                  "the column of request numbers does not tell rows apart, and was not used",
                  "Map the column that holds the request number")
    if e.joins.usable_ids.isna().all():
        yield Finding("no_request_numbers", "medium", e.rows_in,
                      "no row has a request number, so a row exported twice looks like a repeat",
                      "Export the request number")
    repeats = sum(int(n) for rule, n in e.ledger["rule"].value_counts().items()
                  if str(rule).endswith("_before_cleared"))
    yield Finding("repeat_reports", "note", repeats,
                  "reports joined to an incident that was waiting at the same place",
                  "Show the caller what is reported already")


def _times(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")


def _share(count: int, whole: int) -> str:
    return f"{count / whole:.1%}" if whole else "none"


def _examples(table: pd.DataFrame) -> str:
    top = table.sort_values(["count", "before"], ascending=[False, True]).head(5)
    return "; ".join(f"{row.field}: {row.before} ({row.count_})" for row in
                     top.rename(columns={"count": "count_"}).itertuples()) or "none"


_SOURCES: tuple[Callable[[Evidence], Iterator[Finding]], ...] = (
    _set_aside, _places, _by_rule, _times_known, _reports)
