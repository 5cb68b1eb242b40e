"""Propose a mapping for a log that nobody has described: names and content, with evidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from pyproj import Transformer

from rehit.incidents.coordinates import from_text
from rehit.incidents.dates_style import find_style
from rehit.incidents.mapping import FIELDS, FieldSource, Mapping, Question, apply_mapping
from rehit.incidents.mapping_answers import turned
from rehit.incidents.propose_content import Profile, numbers, profile_columns
from rehit.incidents.propose_crs import Area, ProjectPlace, suggest_place
from rehit.incidents.propose_dates import find_dates
from rehit.incidents.propose_fields import Score, assign, score_columns
from rehit.incidents.propose_places import find_places
from rehit.incidents.propose_renamed import find_renamed, under_first_names, with_later_names
from rehit.incidents.read import RawLog
from rehit.parameters import Parameters, load_parameters

# Fields whose few distinct words are remembered, so that a new one next quarter is seen.
WORD_FIELDS = ("status", "outcome", "substrate", "medium", "priority", "asset_type")
MOST_WORDS = 200
_HELPERS = ("house_number",)
_FEET = ("sq ft", "sqft", "square feet", "feet", "ft")
_METRES = ("m2", "sqm", "sq m", "square metres", "square meters", "metros", "metres", "meters",
           "quadratmeter", "qm")


def propose_mapping(raw: RawLog, *, study_area: Area | None = None, crs: str | None = None,
                    parameters: Parameters | None = None) -> Mapping:
    """Propose which column means what, how dates and places are written, and what to ask.

    Every proposal carries its evidence and a confidence. What the log leaves open (day or month
    first, feet or metres, two dates that could be the clearance, no header) becomes a question
    whose assumed answer is used until a person gives another.

    Parameters
    ----------
    raw
        The log.
    study_area
        West, south, east, north in degrees (WGS 84), if known.
    crs
        The project's CRS, if known.
    parameters
        Default numbers (``incidents.proposal_least``, ``incidents.crs_agreement_m``).

    Examples
    --------
    >>> table = pd.DataFrame({"Opened": ["2018-03-05", "2018-03-06"], "Lat": ["51.501", "51.502"],
    ...                       "Long": ["-0.141", "-0.142"]}, index=[1, 2])
    >>> mapping = propose_mapping(RawLog("log.csv", table))
    >>> mapping.fields["reported"].columns, mapping.fields["latitude"].columns
    (('Opened',), ('Lat',))
    """
    rules = parameters or load_parameters()
    renamed = find_renamed(raw) if raw.has_header else {}
    if renamed:
        found = propose_mapping(under_first_names(raw, renamed), study_area=study_area, crs=crs,
                                parameters=rules)
        found = replace(found, columns=tuple(map(str, raw.table.columns)),
                        fields=with_later_names(found.fields, renamed))
        return replace(found, words=field_words(raw, found))
    profiles = profile_columns(raw.table, has_header=raw.has_header, sizes=raw.sizes)
    places = find_places(raw.table, profiles, study_area=study_area, crs=crs, parameters=rules)
    taken = {column for column, _, _ in places.columns.values()}
    scores = score_columns(profiles, has_header=raw.has_header)
    chosen = assign(scores, taken=taken, least=rules["incidents.proposal_least"])
    used = taken | {score.column for score in chosen.values()}
    dates = find_dates(raw.table, profiles, chosen, scores, taken=used)
    fields = _sources(places.columns, chosen, dates.fields, profiles)
    unit, asked = _size_unit(fields.get("size"), profiles, places.places.crs)
    questions = (*_header_question(raw), *dates.questions, *places.questions, *asked)
    mapping = Mapping(raw.name, raw.has_header, tuple(map(str, raw.table.columns)), fields,
                      places.places, unit, {}, questions)
    return replace(mapping, fields=_joined_formats(raw, mapping), words=field_words(raw, mapping))


def _joined_formats(raw: RawLog, mapping: Mapping) -> dict[str, FieldSource]:
    """Record the formats of dates put together from several columns as they are after joining."""
    fields = dict(mapping.fields)
    split = {name: s for name, s in fields.items() if s.parts and s.dates is not None}
    if split:
        table = apply_mapping(raw, replace(mapping, fields=split))
        for name, source in split.items():
            found = find_style(table[name]).style
            style = replace(found, day_first=source.dates.day_first)  # type: ignore[union-attr]
            if found.day_first != style.day_first:
                style = replace(style, formats=turned(style.formats))
            fields[name] = replace(source, dates=style)
    return fields


def _sources(places: dict[str, tuple[str, float, tuple[str, ...]]], chosen: dict[str, Score],
             dates: dict[str, FieldSource], profiles: Sequence[Profile]) -> dict[str, FieldSource]:
    """Bring all proposals into the order of the contract."""
    found = {name: FieldSource((column,), confidence=confidence, evidence=evidence)
             for name, (column, confidence, evidence) in places.items()}
    found |= {name: FieldSource((score.column,), confidence=score.value, evidence=score.evidence)
              for name, score in chosen.items() if name not in (*dates, *_HELPERS)}
    found |= dates
    if "house_number" in chosen and "address" in found:
        found["address"] = _with_number(found["address"], chosen["house_number"], profiles)
    return {name: found[name] for name in FIELDS if name in found}


def _with_number(address: FieldSource, number: Score, profiles: Sequence[Profile]) -> FieldSource:
    """Put a house number kept in its own column before or after the street, as the log does."""
    place = next(p.place for p in profiles if p.name == address.columns[0])
    pair = (number.column, *address.columns) if number.place < place else (
        *address.columns, number.column)
    return FieldSource(pair, confidence=address.confidence,
                       evidence=(*address.evidence, f"{number.column!r} holds the house number"))


def _size_unit(source: FieldSource | None, profiles: Sequence[Profile],
               crs: str) -> tuple[str, tuple[Question, ...]]:
    """Return the unit of bare numbers, told by the column's name, or else asked."""
    if source is None:
        return "", ()
    profile = next(p for p in profiles if p.name == source.columns[0])
    # Spelt with spaces around, so that "ft" is not found inside "after".
    name = f" {_words(profile.name)} "
    for unit, words in (("ft2", _FEET), ("m2", _METRES)):
        if any(f" {word} " in name for word in words):
            return unit, ()
    if profile.numbers < 0.05:
        return "", ()
    return "m2", (Question(
        "sizes.unit", f"Are bare numbers in column {profile.name!r} square metres or square feet?",
        ("m2", "ft2", "none"), "m2",
        evidence=(f"values from {profile.low:g} to {profile.high:g}, without a unit",
                  *((f"the coordinates are in {crs}",) if crs else ()))),)


def _words(name: str) -> str:
    return " ".join("".join(c if c.isalnum() else " " for c in name.lower()
                            .replace("²", "2")).split())


def _header_question(raw: RawLog) -> tuple[Question, ...]:
    if raw.has_header:
        return ()
    first = ", ".join(str(cell) for cell in raw.table.iloc[0].tolist()[:6])
    return (Question("log.has_header", "Is the first row already an incident, not column names?",
                     ("yes, an incident", "no, column names"), "yes, an incident",
                     evidence=(f"the first row is: {first[:120]}",)),)


def field_words(raw: RawLog, mapping: Mapping) -> dict[str, tuple[str, ...]]:
    """Return the distinct words of the few-valued fields, sorted; none for a field with many."""
    words: dict[str, tuple[str, ...]] = {}
    wanted = replace(mapping, fields={
        name: source for name, source in mapping.fields.items() if name in WORD_FIELDS})
    if not wanted.fields or not _any_column(raw, wanted):
        return words
    table = apply_mapping(raw, wanted)
    for name in wanted.fields:
        distinct = sorted(set(table[name].dropna().unique()))
        if 0 < len(distinct) <= MOST_WORDS:
            words[name] = tuple(map(str, distinct))
    return words


def _any_column(raw: RawLog, mapping: Mapping) -> bool:
    return any(column in raw.table.columns for s in mapping.fields.values() for column in s.columns)


def suggest_project(raw: RawLog, mapping: Mapping) -> ProjectPlace | None:
    """Suggest the project's CRS (a UTM zone) and study area from a log and its mapping.

    Returns
    -------
    ProjectPlace or None
        None if the log has no coordinates that can be read.
    """
    table = apply_mapping(raw, mapping)
    lon, lat = (numbers(table[name].fillna("")) for name in ("longitude", "latitude"))
    if not np.isfinite(lon).any():
        lon, lat = _other_degrees(table, mapping)
    return suggest_place(lon, lat)


def _other_degrees(table: pd.DataFrame, mapping: Mapping) -> tuple[np.ndarray, np.ndarray]:
    """Take points from the location text, or else from the projected pair."""
    places = mapping.places
    if "location" in mapping.fields and places.location_crs:
        read = from_text(table["location"], order=places.location_order, crs=places.location_crs)
        if np.isfinite(read.longitude).any():
            return read.longitude, read.latitude
    x, y = (numbers(table[name].fillna("")) for name in ("easting", "northing"))
    if mapping.places.crs and np.isfinite(x).any():
        change = Transformer.from_crs(mapping.places.crs, "EPSG:4326", always_xy=True)
        lon, lat = change.transform(x, y)
        return np.where(np.isfinite(lon), lon, np.nan), np.where(np.isfinite(lat), lat, np.nan)
    return x * np.nan, y * np.nan
