"""The door of cleaning: a table of texts goes in, incidents with a full account come out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.incidents.dates import DateStyle
from rehit.incidents.joining import NEVER, Joins, in_seconds, join_reports, read_reports
from rehit.incidents.ledger import Entries, Step, enter, ledger_table
from rehit.incidents.mapping import Mapping, Places
from rehit.incidents.meaning import flagged, list_translations, read_meaning, read_objects
from rehit.incidents.places import EXACT_KINDS, Points, judge_places, read_points
from rehit.incidents.privacy import scrub_column
from rehit.incidents.quality import Evidence, find_faults
from rehit.incidents.rows import (
    WHERE,
    Cleaned,
    CleanSettings,
    build_incidents,
    build_set_aside,
    count_rows,
    gather_members,
    name_incidents,
    prepare,
)
from rehit.incidents.services import service_codes, split_services
from rehit.incidents.sizes import AMBIGUOUS, comma_habit, read_sizes
from rehit.incidents.times import (
    NOT_CLEANED,
    REASON,
    Times,
    carry_clearances,
    date_clearances,
    iso,
    read_times,
    settle_states,
)
from rehit.observed import Window
from rehit.tables import check, table
from rehit.words.vocabulary import Terms, load_words, plain_words


@dataclass
class _Work:
    """All that is known of the rows on the way through."""

    rows: pd.DataFrame
    entries: Entries
    words: dict[str, Terms]
    reason: pd.Series
    times: Times
    meaning: dict[str, pd.DataFrame]
    translations: pd.DataFrame
    states: pd.DataFrame
    points: Points
    judged: pd.DataFrame
    sizes: pd.DataFrame
    services: pd.Series
    objects: pd.Series


def clean_incidents(fields: pd.DataFrame, *, mapping: Mapping | None,
                    settings: CleanSettings) -> Cleaned:
    """Turn the rows of a log into incidents and account for every row.

    Each row ends as an incident's own, joined into another, set aside with a reason, or counted as
    another service; for each file the four add up to the rows that came in. A row without a usable
    place is still an incident. Cleaning the same rows in any order gives the same incidents with
    the same names.

    Parameters
    ----------
    fields
        Table ``fields`` (texts as written), from one file or several.
    mapping
        Date styles, CRS of the coordinates and unit of bare sizes; None for the usual ones.
    settings
        Place, time zone, vocabulary and numbers.

    Returns
    -------
    Cleaned
        The tables ``incidents``, ``set_aside`` and ``ledger``, counts per file, findings for the
        log's owner, and the time observed.

    Raises
    ------
    SettingError
        For a time zone, CRS or extract end that cannot be used.
    ManyErrors
        For faults in the user's word tables.

    Examples
    --------
    >>> fields = pd.DataFrame({"source_file": "log.csv", "source_row": [1, 2],
    ...                        "reported": ["2025-03-01 09:00", "2025-03-02 10:00"],
    ...                        "cleared": ["2025-03-04 12:00", None],
    ...                        "address": ["12 Elm St", "12 Elm Street"]})
    >>> settings = CleanSettings(time_zone="UTC", crs="EPSG:32630")
    >>> cleaned = clean_incidents(fields, mapping=None, settings=settings)
    >>> cleaned.incidents["source_rows"].tolist()
    ['log.csv#1;log.csv#2']
    """
    words = _with_outcomes(load_words(settings.vocabulary), mapping)
    split = split_services(fields, values=mapping.services if mapping else {},
                           words=words["service"])
    del fields  # a large log should not stand in memory twice
    work = _understand(split.fields, mapping, settings, words)
    active = work.reason.isna().to_numpy()
    reports = read_reports(work.rows, times=work.times, states=work.states, points=work.points,
                           judged=work.judged, substrate=work.meaning["substrate"]["code"],
                           objects=work.objects, services=work.services, crs=settings.crs)
    is_dup = flagged(work.rows["status"], work.words["status"], "duplicate").to_numpy()
    is_dup = is_dup | flagged(work.rows["outcome"], work.words["status"],
                              "duplicate").to_numpy()
    joins = join_reports(work.rows, reports, active, is_dup, settings=settings)
    work.reason = work.reason.mask(joins.orphan & active, "duplicate_without_parent")
    work.reason = work.reason.astype("str")
    return _finish(work, joins, split.another, settings)


def _with_outcomes(words: dict[str, Terms], mapping: Mapping | None) -> dict[str, Terms]:
    """Put what a person said of the words of status and outcome over the vocabulary."""
    said = {" ".join(plain_words(text)): code for code, texts in (
        mapping.outcomes if mapping else {}).items() for text in texts if plain_words(text)}
    if not said:
        return words
    known = words["outcome"]
    longest = max(known.longest, *(len(text.split()) for text in said))
    return {**words, "outcome": Terms(known.kind, {**known.codes, **said}, longest)}


def _understand(fields: pd.DataFrame, mapping: Mapping | None, settings: CleanSettings,
                words: dict[str, Terms]) -> _Work:
    """Read times, words, sizes and places of every row, each on its own."""
    whole, cut = _cut_long(prepare(fields), settings)
    rows, entries = _without_persons(whole, settings)
    entries = cut + entries
    (rows, carried), told = carry_clearances(rows)
    entries += told
    styles: dict[str, DateStyle | None] = {
        name: mapping.date_style(name) if mapping else None for name in ("reported", "cleared")}
    meaning = read_meaning(rows, words)
    rows, told = date_clearances(rows, meaning, style=styles["reported"], settings=settings)
    times, dated = read_times(rows, styles=styles, settings=settings)
    translations, translated = list_translations(rows, meaning,
                                                 everywhere=settings.translations_in_ledger)
    # The rules are in the ledger now; only the codes are needed further.
    meaning = {name: table[["code"]] for name, table in meaning.items()}
    states, settled = settle_states(rows, meaning, times)
    entries += told + dated + translated + settled
    points, judged, placed = _places(rows, mapping, words["place_quality"], settings)
    services = service_codes(rows, values=mapping.services if mapping else {},
                             words=words["service"])
    sizes, sized = _sizes(rows, mapping.size_unit if mapping else "", words["size"], settings)
    exact = judged["address_kind"].isin(EXACT_KINDS) | rows["asset_id"].notna()
    reason = _reasons(rows, times, meaning, points.outside & ~exact.to_numpy(), mapping, settings)
    reason = reason.mask(carried, REASON).astype("str")
    return _Work(rows, entries + placed + sized, words, reason, times, meaning, translations,
                 states, points, judged, sizes, services, read_objects(rows, words))


def _places(rows: pd.DataFrame, mapping: Mapping | None, words: Terms,
            settings: CleanSettings) -> tuple[Points, pd.DataFrame, Entries]:
    places = mapping.places if mapping else Places()
    # Without a mapping the grid is the project's; a mapping that names none knows none.
    points, read = read_points(
        rows, plane_crs=places.crs if mapping else settings.crs, location_crs=places.location_crs,
        location_order=places.location_order, settings=settings)
    judged, told = judge_places(rows, points, words=words, parameters=settings.parameters)
    return points, judged, read + told


def _cut_long(rows: pd.DataFrame, settings: CleanSettings) -> Step[pd.DataFrame]:
    """Cut what no person would write for one cell; the log itself keeps it for the trace."""
    rows, entries = rows.copy(deep=False), Entries()
    for name in (name for name in table("fields").names if name not in WHERE):
        kind = "note" if name == "description" else "value"
        longest = int(settings.parameters[f"incidents.longest_{kind}_characters"])
        long = rows[name].str.len().fillna(0).to_numpy() > longest
        if long.any():
            rows[name] = rows[name].str.slice(0, longest)
            entries += enter(long, column=name, before="long_text", after=None, rule="long_text")
    return Step(rows, entries)


def _without_persons(rows: pd.DataFrame, settings: CleanSettings) -> Step[pd.DataFrame]:
    """Take personal data out of the texts before anything is made of them."""
    clean, entries = rows.copy(deep=False), Entries()
    for name in ("description", "address"):
        clean[name], rules = scrub_column(rows[name], address=name == "address",
                                          keep_marking_text=settings.keep_marking_text)
        # The ledger must not keep what was taken out.
        entries += enter(rules != "", column=name, before="personal_data", after=clean[name],
                         rule=rules)
    return Step(clean, entries)


def _sizes(rows: pd.DataFrame, unit: str, words: Terms, settings: CleanSettings) -> Step[
        pd.DataFrame]:
    comma = comma_habit(rows["size"].dropna().unique())
    sizes = read_sizes(rows["size"], unit=unit, words=words, parameters=settings.parameters,
                       comma=comma)
    written = pd.Series([f"{area:.3g} m2" if area == area else None
                         for area in sizes["area_m2"].tolist()], dtype="str")
    told = sizes["rule"] != ""
    if not settings.translations_in_ledger:
        told &= sizes["area_m2"].isna() | (sizes["rule"] == AMBIGUOUS)
    entries = enter(told, column="size", before=rows["size"], after=written, rule=sizes["rule"])
    silent = rows["size"].isna() & rows["description"].notna()
    if silent.any():
        found = read_sizes(rows["description"].where(silent), words=words,
                           parameters=settings.parameters, loose=False, comma=comma)
        gained = found["area_m2"].notna()
        area = found["area_m2"].round(3).astype("str") + " m2"
        entries += enter(gained, column="size", before=None, after=area,
                         rule="size_from_description")
        sizes = sizes.mask(gained, found)
    return Step(sizes, entries)


def _reasons(rows: pd.DataFrame, times: Times, meaning: dict[str, pd.DataFrame],
             outside: np.ndarray, mapping: Mapping | None, settings: CleanSettings) -> pd.Series:
    """Return the first reason to set each row aside; empty for a usable row."""
    reason = times.reason.copy()
    undated = times.reported_at.isna()
    cells = rows.drop(columns=["source_file", "source_row", "content"])
    reason = reason.mask(undated & cells.isna().all(axis=1), "empty_row")
    reason = reason.mask(_is_header(rows["reported"].where(undated), mapping), "repeated_header")
    void = (meaning["status"]["code"] == "void") & reason.isna()
    reason = reason.mask(void, "void_status")
    if settings.study_area is not None:
        reason = reason.mask(reason.isna() & outside, "place_outside_study_area")
    return reason.astype("str")


def _is_header(reported: pd.Series, mapping: Mapping | None) -> pd.Series:
    """Return where the report date is the very name of its column."""
    source = mapping.fields.get("reported") if mapping else None
    names = {" ".join(plain_words(" ".join(source.columns)))} if source else set()
    names |= {"reported", "date", "date reported", "reported date", "creation date"}
    codes, unique = pd.factorize(reported, use_na_sentinel=True)
    hits = [" ".join(plain_words(text)) in names for text in unique]
    return pd.Series(np.append(np.array(hits, dtype=bool), False)[codes], index=reported.index)


def _finish(work: _Work, joins: Joins, another: pd.Series, settings: CleanSettings) -> Cleaned:
    rows = work.rows
    active = work.reason.isna().to_numpy()
    own = np.flatnonzero(active & (joins.root == np.arange(len(rows))))
    members = gather_members(rows, joins.root, active, work.times.reported_at,
                             work.times.precision)
    columns = _columns(work, joins)
    names = name_incidents(rows.iloc[own], joins.usable_ids.iloc[own])
    incidents = build_incidents(rows, own, members.loc[own], columns, names=names,
                                x=work.points.x, y=work.points.y, crs=settings.crs)
    set_aside = build_set_aside(rows, work.reason)
    counts = count_rows(rows, joins.root, work.reason, another)
    check(incidents, "incidents", where="clean_incidents")
    check(set_aside, "set_aside", where="clean_incidents")
    ledger = ledger_table(rows, work.entries + _row_entries(rows, joins, work.reason, active)
                          + _gained_entries(rows, work, joins, columns, own))
    first = incidents["reported_at"].min() if len(incidents) else work.times.extract_end
    findings = find_faults(Evidence(len(rows), incidents, set_aside, ledger, counts, work.points,
                                    joins, work.times, work.translations, settings))
    return Cleaned(incidents, set_aside, ledger, counts, findings,
                   Window(first, work.times.extract_end),
                   work.translations)


def _columns(work: _Work, joins: Joins) -> dict[str, pd.Series]:
    """Return the columns of the incidents on all rows; joined clearings are already in place."""
    columns: dict[str, pd.Series] = {
        name: work.meaning[name]["code"] for name in ("priority", "substrate", "finish", "medium")}
    known = joins.cleared_at != NEVER
    cleared = pd.Series(pd.to_datetime(np.where(known, joins.cleared_at, 0), unit="s", utc=True))
    cleared = cleared.astype("datetime64[us, UTC]").where(known)
    exact = work.states["cleared_at"].notna() & (in_seconds(work.states["cleared_at"], NEVER)
                                                 == joins.cleared_at)
    columns["cleared_at"] = cleared.mask(exact, work.states["cleared_at"])
    columns["status"] = work.states["status"].mask(known, "cleared")
    columns["outcome"] = work.states["outcome"].mask(
        known & work.states["outcome"].isin(("pending", *NOT_CLEANED)), "cleared")
    columns["area_m2"] = work.sizes["area_m2"].astype("float64")
    columns["area_basis"] = work.sizes["area_basis"].astype("str")
    columns["service"] = work.services
    columns["object"] = work.objects.take(joins.named_by).set_axis(work.objects.index)
    columns["asset_type_given"] = work.rows["asset_type"].take(joins.named_by).set_axis(
        work.rows.index)
    columns["report_id"] = joins.usable_ids.astype("str")
    for name in ("place_quality", "address_key", "street_key", "locality"):
        columns[name] = work.judged[name]
    for name in ("description", "address"):
        columns[name] = work.rows[name]
    return columns


def _row_entries(rows: pd.DataFrame, joins: Joins, reason: pd.Series,
                 active: np.ndarray) -> Entries:
    """Enter each row joined and each row set aside."""
    joined = active & (joins.root != np.arange(len(rows)))
    label = rows["source_file"] + "#" + rows["source_row"].astype("str")
    return enter(joined, column=None, before=None,
                 after=label.take(joins.root).set_axis(rows.index),
                 rule=pd.Series(joins.rule)) + enter(
        ~active, column=None, before=None, after="set_aside", rule=reason)


def _gained_entries(rows: pd.DataFrame, work: _Work, joins: Joins,
                    columns: dict[str, pd.Series], own: np.ndarray) -> Entries:
    """Enter the clearing and the thing that an incident took from a report joined into it."""
    before = in_seconds(work.states["cleared_at"], NEVER)
    cleared, named = np.zeros((2, len(rows)), dtype=bool)
    cleared[own] = before[own] != joins.cleared_at[own]
    named[own] = joins.named_by[own] != own
    cleared_later = enter(cleared, column="cleared", before=rows["cleared"],
                          after=iso(columns["cleared_at"], cleared),
                          rule="cleared_by_joined_report")
    return cleared_later + enter(named, column="asset_type", before=rows["asset_type"],
                                 after=columns["object"], rule="named_by_joined_report")
