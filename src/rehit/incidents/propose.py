"""Propose a mapping for a log that nobody has described: names and content, with evidence."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from pyproj import Transformer

from rehit.files.headers import NEUTRAL, OTHER, header_scores, plain_words
from rehit.files.rows import RawTable
from rehit.files.spatial import WGS84
from rehit.incidents.columns import Profile, Score, assign, numbers, profile_columns, score_columns
from rehit.incidents.dates import DateStyle, FoundStyle, find_style, parse_dates
from rehit.incidents.mapping import (
    DATE_FIELDS,
    FIELDS,
    FieldSource,
    Mapping,
    Question,
    apply_mapping,
    turned,
)
from rehit.incidents.places import from_text
from rehit.incidents.privacy import scrub
from rehit.incidents.projection import Area, find_places
from rehit.incidents.services import find_service
from rehit.messages import Message, message
from rehit.parameters import Parameters, load_parameters
from rehit.words.geometry_text import pasted_point
from rehit.words.vocabulary import default_words

_MOSTLY = 0.5
_RIVAL_NAME = 0.3  # how far a name must speak for a number of the request
_HELPERS = ("house_number", "block_number")
_FEET = ("sq ft", "sqft", "square feet", "feet", "ft")
_METRES = ("m2", "sqm", "sq m", "square metres", "square meters", "metros", "metres", "meters",
           "quadratmeter", "qm")


def propose_mapping(raw: RawTable, *, study_area: Area | None = None, crs: str | None = None,
                    time_zone: str | None = None, country: str = "",
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
    time_zone, country
        The project's time zone or its country's ISO code, if known: they tell the grid of
        coordinates that no CRS is named for.
    parameters
        Default numbers (``incidents.proposal_least``, ``incidents.crs_agreement_m``).

    Examples
    --------
    >>> table = pd.DataFrame({"Opened": ["2018-03-05", "2018-03-06"], "Lat": ["51.501", "51.502"],
    ...                       "Long": ["-0.141", "-0.142"]}, index=[1, 2])
    >>> mapping = propose_mapping(RawTable(table, name="log.csv"))
    >>> mapping.fields["reported"].columns, mapping.fields["latitude"].columns
    (('Opened',), ('Lat',))
    """
    parameters = parameters or load_parameters()
    longest = int(parameters["incidents.longest_value_characters"])
    raw = replace(raw, table=raw.table.apply(lambda cells: cells.str.slice(0, longest)))
    renamed = find_renamed(raw) if raw.has_header else {}
    if renamed:
        found = propose_mapping(under_first_names(raw, renamed), study_area=study_area, crs=crs,
                                time_zone=time_zone, country=country, parameters=parameters)
        found = replace(found, columns=tuple(map(str, raw.table.columns)),
                        fields=with_later_names(found.fields, renamed))
        return replace(found, words=field_words(raw, found))
    profiles = profile_columns(raw.table, has_header=raw.has_header, sizes=raw.sizes)
    places = find_places(raw.table, profiles, study_area=study_area, crs=crs, parameters=parameters,
                         time_zone=time_zone, country=country)
    taken = {column for column, _, _ in places.columns.values()}
    service = find_service(raw.table, profiles, words=default_words("service"), taken=taken)
    kinds = {} if service is None else service.fields
    taken |= {column for source in kinds.values() for column in source.columns}
    scores = score_columns(profiles, has_header=raw.has_header)
    chosen = assign(scores, taken=taken, least=parameters["incidents.proposal_least"])
    used = taken | {score.column for score in chosen.values()}
    dates = find_dates(raw.table, profiles, chosen, scores, taken=used)
    fields = _sources(places.columns, chosen, {**dates.fields, **kinds}, profiles)
    fields = _with_own_number(raw.table, fields, profiles)
    unit, asked = _size_unit(fields.get("size"), profiles, places.places.crs)
    questions = (*_header_question(raw), *(service.questions if service else ()), *dates.questions,
                 *places.questions, *asked)
    mapping = Mapping(raw.name, raw.has_header, tuple(map(str, raw.table.columns)), fields,
                      places.places, unit, {}, questions, service.kinds if service else {})
    return replace(mapping, fields=_joined_formats(raw, mapping), words=field_words(raw, mapping))


def _sources(places: dict[str, tuple[str, float, tuple[Message, ...]]], chosen: dict[str, Score],
             dates: dict[str, FieldSource], profiles: Sequence[Profile]) -> dict[str, FieldSource]:
    """Bring all proposals into the order of the contract."""
    found = {name: FieldSource((column,), confidence=confidence, evidence=evidence)
             for name, (column, confidence, evidence) in places.items()}
    found |= {name: FieldSource((score.column,), confidence=score.value, evidence=score.evidence)
              for name, score in chosen.items() if name not in (*dates, *_HELPERS)}
    found |= dates
    if "block_number" in chosen and "address" in found:
        address, block = found["address"], chosen["block_number"]
        found["address"] = FieldSource(
            (block.column, *address.columns), ("block", *("street" for _ in address.columns)),
            confidence=address.confidence,
            evidence=(*address.evidence, message("shown.block_number", column=block.column)))
    elif "address" in found and not _numbered(found["address"], profiles):
        number = chosen.get("house_number")
        used = {column for source in found.values() for column in source.columns}
        lots = [p for p in profiles if p.lots > _MOSTLY and p.name not in used]
        if number is not None:
            found["address"] = _with_number(found["address"], number.column, number.place, profiles)
        elif lots:
            found["address"] = _with_number(found["address"], lots[0].name, lots[0].place, profiles)
    return {name: found[name] for name in FIELDS if name in found}


def _numbered(address: FieldSource, profiles: Sequence[Profile]) -> bool:
    """Whether the column of addresses holds house numbers itself."""
    return next(p for p in profiles if p.name == address.columns[0]).numbered > 0.5


def _with_number(address: FieldSource, column: str, place: int,
                 profiles: Sequence[Profile]) -> FieldSource:
    """Put a house or lot number kept in its own column before or after the street, as the log."""
    street = next(p.place for p in profiles if p.name == address.columns[0])
    said = (*address.evidence, message("shown.house_number", column=column))
    if place < street:
        return FieldSource((column, *address.columns), confidence=address.confidence,
                           evidence=said)
    return FieldSource((*address.columns, column), (*("street" for _ in address.columns), "number"),
                       confidence=address.confidence, evidence=said)


def _with_own_number(table: pd.DataFrame, fields: dict[str, FieldSource],
                     profiles: Sequence[Profile]) -> dict[str, FieldSource]:
    """Take another column of numbers where the one named best is shared by unlike requests.

    A number that comes again at the same place tells stages of one case; one that comes again
    elsewhere counts something else, such as requests within a month.
    """
    source = fields.get("report_id")
    where = next((fields[name] for name in ("address", "location", "latitude", "easting")
                  if name in fields), None)
    if source is None or where is None:
        return fields
    pairs = pd.DataFrame({"number": table[source.columns[0]].str.strip(),
                          "spot": table[where.columns[0]].str.strip()})
    pairs = pairs[(pairs != "").all(axis=1) & pairs["number"].duplicated(keep=False)]
    if (pairs.drop_duplicates()["number"].value_counts() > 1).mean() < _MOSTLY or pairs.empty:
        return fields
    used = {column for each in fields.values() for column in each.columns}
    free = [p for p in profiles if p.name not in used and p.header("report_id") >= _RIVAL_NAME
            and (cells := table[p.name].str.strip())[cells != ""].is_unique and p.filled > _MOSTLY]
    if not free:
        return fields
    best = max(free, key=lambda p: (p.header("report_id"), -p.place))
    said = (message("shown.name", words=best.headers["report_id"][1]),
            message("shown.number_shared", column=source.columns[0]))
    return {**fields, "report_id": FieldSource((best.name,), confidence=0.9, evidence=said)}


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
        "sizes.unit", message("question.size_unit", column=profile.name), ("m2", "ft2", "none"),
        "m2", evidence=(message("shown.unitless", low=profile.low, high=profile.high),
                        *((message("shown.coordinates_in", crs=crs),) if crs else ()))),)


def _words(name: str) -> str:
    return " ".join("".join(c if c.isalnum() else " " for c in name.lower()
                            .replace("²", "2")).split())


def _header_question(raw: RawTable) -> tuple[Question, ...]:
    if raw.has_header:
        return ()
    cells = ", ".join(str(cell)[:40] for cell in raw.table.iloc[0].tolist()[:6])
    first = scrub(cells)[0]
    return (Question("log.has_header", message("question.has_header"),
                     ("yes, an incident", "no, column names"), "yes, an incident",
                     evidence=(message("shown.first_row", text=first[:120]),)),)


def _joined_formats(raw: RawTable, mapping: Mapping) -> dict[str, FieldSource]:
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


# Fields whose few distinct words are remembered, so that a new one next quarter is seen.
WORD_FIELDS = ("status", "outcome", "substrate", "medium", "priority", "asset_type")
MOST_WORDS = 200
LONGEST_WORD = 80


def field_words(raw: RawTable, mapping: Mapping) -> dict[str, tuple[str, ...]]:
    """Return the distinct words of the few-valued fields, sorted; none for a field with many."""
    words: dict[str, tuple[str, ...]] = {}
    wanted = replace(mapping, fields={
        name: source for name, source in mapping.fields.items() if name in WORD_FIELDS})
    if not wanted.fields or not _any_column(raw, wanted):
        return words
    table = apply_mapping(raw, wanted)
    for name in wanted.fields:
        distinct = sorted(set(table[name].dropna().unique()))
        # Longer ones are notes: they may name persons, and are not words that come again.
        if 0 < len(distinct) <= MOST_WORDS and max(map(len, distinct)) <= LONGEST_WORD:
            words[name] = tuple(map(str, distinct))
    return words


def _any_column(raw: RawTable, mapping: Mapping) -> bool:
    return any(column in raw.table.columns for s in mapping.fields.values() for column in s.columns)


# Columns that changed their name from one file of a log to the next.

# A name must speak plainly for a field before two names are taken for one column; one that is also
# used otherwise ("State") speaks for it with words that the field's vocabulary knows.
_PLAIN, _HALF_PLAIN = 0.6, 0.5


def find_renamed(raw: RawTable) -> dict[str, str]:
    """Return later name to first name of columns that say the same and never share a file.

    Parameters
    ----------
    raw
        Several files under each other, with ``columns_of`` saying which columns each has.

    Returns
    -------
    dict
        Only where the two names speak for one field alone and for the same; where a file holds
        two columns for that field nothing is taken for renamed.
    """
    by_field: dict[str, list[str]] = {}
    for name in map(str, raw.table.columns):
        field = _field_of(name, raw.table[name])
        if field and any(name not in columns for columns in raw.columns_of):
            by_field.setdefault(field, []).append(name)
    renamed: dict[str, str] = {}
    for names in by_field.values():
        held = [sum(name in columns for name in names) for columns in raw.columns_of]
        if len(names) > 1 and max(held) == 1:
            renamed |= dict.fromkeys(names[1:], names[0])
    return renamed


def _field_of(name: str, cells: pd.Series) -> str:
    """Return the one field that a name speaks for best, "" if none or several."""
    scores = {field: score for field, (score, _) in header_scores(name).items()
              if field != NEUTRAL}
    best = max(scores.values(), default=0.0)
    fields = [field for field, score in scores.items() if score == best]
    if len(fields) != 1 or fields[0] == OTHER:
        return ""
    plain = best >= _PLAIN or (best >= _HALF_PLAIN and fields[0] in WORD_FIELDS
                               and _words_known(cells, fields[0]) > _MOSTLY)
    return fields[0] if plain else ""


def _words_known(cells: pd.Series, field: str) -> float:
    """Return the share of a column's filled cells that the field's vocabulary knows."""
    counts = cells[cells.str.strip() != ""].value_counts(normalize=True)
    words = default_words(field)
    return float(sum(share for text, share in counts.items() if words.find(str(text), fuzzy=False)))


def under_first_names(raw: RawTable, renamed: MappingOf[str, str]) -> RawTable:
    """Return the log with each renamed column's cells under its first name."""
    table = raw.table.copy()
    for later, first in renamed.items():
        table[first] = table[first].where(table[first].str.strip() != "", table[later])
    return replace(raw, table=table.drop(columns=list(renamed)), columns_of=())


def with_later_names(fields: MappingOf[str, FieldSource],
                     renamed: MappingOf[str, str]) -> dict[str, FieldSource]:
    """Return the sources with the later names of their columns added beside the first."""
    made: dict[str, FieldSource] = {}
    for name, source in fields.items():
        columns: list[str] = []
        parts: list[str] = []
        for place, column in enumerate(source.columns):
            names = [column, *(later for later, first in renamed.items() if first == column)]
            columns += names
            parts += [source.parts[place]] * len(names) if source.parts else []
        said = tuple(message("shown.renamed", later=later, first=first)
                     for later, first in renamed.items() if first in source.columns)
        made[name] = replace(source, columns=tuple(columns), parts=tuple(parts),
                             evidence=source.evidence + said)
    return made


# Date columns: which is which, how they are written, dates kept in several columns.

# A second column nearly as good as the first is worth a question.
_RIVAL = 0.7
_PARTS = {"year": (1900, 2100), "month": (1, 12), "day": (1, 31), "hour": (0, 24),
          "minute": (0, 59), "second": (0, 60)}


@dataclass(frozen=True)
class FoundDates:
    """Sources of the date fields and the questions about them."""

    fields: dict[str, FieldSource]
    questions: tuple[Question, ...]


def find_dates(frame: pd.DataFrame, profiles: Sequence[Profile], chosen: dict[str, Score],
               scores: Sequence[Score], *, taken: set[str]) -> FoundDates:
    """Settle the date fields from the columns chosen by name and content.

    Parameters
    ----------
    frame
        The log as texts.
    profiles, chosen, scores
        As in :mod:`rehit.incidents.columns`.
    taken
        Columns already given to another field.
    """
    columns = {name: chosen[name] for name in DATE_FIELDS if name in chosen}
    columns, turned = _earlier_first(frame, columns)
    styles = {name: find_style(frame[score.column]) for name, score in columns.items()}
    styles = _agreed(styles, frame, columns)
    fields: dict[str, FieldSource] = {}
    questions: list[Question] = list(turned)
    for name, score in columns.items():
        found = styles[name]
        confidence, alone = _only(score, profiles)
        fields[name] = FieldSource((score.column,), dates=found.style, confidence=confidence,
                                   evidence=score.evidence + alone + found.evidence)
        if not found.certain:
            questions.append(_ask_order(name, score.column, found))
        questions += _rivals(name, score, scores, taken, frame)
    if "reported" in fields:
        fields["reported"] = _with_clock(fields["reported"], profiles)
    else:
        split = _split(profiles)
        if split is not None:
            fields["reported"] = split
    return FoundDates(fields, tuple(questions))


def _earlier_first(frame: pd.DataFrame, columns: dict[str, Score]
                   ) -> tuple[dict[str, Score], tuple[Question, ...]]:
    """Without telling names, the earlier of two dates is the report."""
    if len(columns) < 2 or any(s.named for s in columns.values()):
        return columns, ()
    first, second = (columns[name] for name in DATE_FIELDS)
    a, b = (parse_dates(frame[s.column], style=find_style(frame[s.column]).style).times
            for s in (first, second))
    both = a.notna() & b.notna()
    later = float((b[both] >= a[both]).mean()) if both.any() else 1.0
    said = message("shown.second_later", share=max(later, 1 - later))
    if later < 0.5:
        first, second = second, first
    ask = Question("fields.cleared.columns", message("question.clearance_day"),
                   (second.column, "none"), second.column, evidence=(said,))
    return {"reported": replace(first, field="reported"),
            "cleared": replace(second, field="cleared")}, (ask,)


def _agreed(styles: dict[str, FoundStyle], frame: pd.DataFrame,
            columns: dict[str, Score]) -> dict[str, FoundStyle]:
    """Let a column whose order is known tell the one whose order is not; else see which order
    puts clearances after reports."""
    known = [s for s in styles.values() if s.certain and any(
        e.name.startswith("above_12") for e in s.evidence)]
    unsure = [name for name, style in styles.items() if not style.certain]
    if known and unsure:
        day_first = known[0].style.day_first
        said = (message("shown.other_column_tells"),)
        return {name: s if s.certain else _ordered(s, day_first, said, _alike(s, known[0]))
                for name, s in styles.items()}
    if len(unsure) == 2:
        waits = {order: _later(frame, columns, order) for order in (True, False)}
        if abs(waits[True] - waits[False]) > 0.02:
            day_first = waits[True] > waits[False]
            said = (message("shown.order_by_waits", day=waits[True], month=waits[False]),)
            return {name: _ordered(s, day_first, said, False) for name, s in styles.items()}
    return styles


def _alike(one: FoundStyle, other: FoundStyle) -> bool:
    """Whether two columns share a format but for the order, so that one settles the other."""
    marks = [{"".join(c for c in f if not c.isalpha()) for f in s.style.formats}
             for s in (one, other)]
    return bool(marks[0] & marks[1])


def _ordered(found: FoundStyle, day_first: bool, said: tuple[Message, ...],
             certain: bool) -> FoundStyle:
    formats = found.style.formats
    if day_first != found.style.day_first:
        formats = turned(formats)
    return FoundStyle(replace(found.style, day_first=day_first, formats=formats), certain,
                      found.evidence + said)


def _later(frame: pd.DataFrame, columns: dict[str, Score], day_first: bool) -> float:
    a, b = (parse_dates(frame[columns[name].column], style=DateStyle(day_first)).times
            for name in DATE_FIELDS)
    both = a.notna() & b.notna()
    return float((b[both] >= a[both]).mean()) if both.any() else 0.0


def _only(score: Score, profiles: Sequence[Profile]) -> tuple[float, tuple[Message, ...]]:
    """A log's one column of dates is the day of the report, named or not."""
    dated = [p for p in profiles if p.dates > _RIVAL]
    if len(dated) == 1 and dated[0].name == score.column and score.field == "reported":
        return max(score.value, round(0.9 * dated[0].dates, 3)), (message("shown.only_dates"),)
    return score.value, ()


def _ask_order(name: str, column: str, found: FoundStyle) -> Question:
    assumed = "day first" if found.style.day_first else "month first"
    return Question(f"fields.{name}.day_first",
                    message("question.day_first", column=column),
                    ("day first", "month first"), assumed, evidence=found.evidence)


def _rivals(name: str, score: Score, scores: Sequence[Score], taken: set[str],
            frame: pd.DataFrame) -> list[Question]:
    """Ask where another column could be the same date as well."""
    others = [s.column for s in scores
              if s.field == name and s.column != score.column and s.column not in taken
              and s.value >= _RIVAL * score.value and s.named]
    if not others:
        return []
    differ = float(np.mean(frame[score.column].to_numpy() != frame[others[0]].to_numpy()))
    return [Question(f"fields.{name}.columns", message(f"question.which_{name}"),
                     (score.column, *dict.fromkeys(others)), score.column,
                     evidence=(message("shown.columns_differ", one=score.column, other=others[0],
                                       share=differ),))]


def _with_clock(source: FieldSource, profiles: Sequence[Profile]) -> FieldSource:
    """Add a column that holds the time of day to a date without one."""
    style = source.dates or DateStyle()
    if style.clock != "none":
        return source
    place = next(p.place for p in profiles if p.name == source.columns[0])
    clocks = [p for p in profiles if p.times > 0.8 and p.name not in source.columns
              and (p.header("part_time") or p.header("reported") or p.place == place + 1)
              and not p.header("cleared")]
    if clocks:
        best = min(clocks, key=lambda p: (-p.header("part_time"), abs(p.place - place)))
        said = message("shown.time_column", column=best.name)
        return replace(source, columns=(*source.columns, best.name), parts=("date", "time"),
                       dates=replace(style, clock="24"), evidence=(*source.evidence, said))
    hours = {part: _part(profiles, part) for part in ("hour", "minute", "half")}
    if hours["hour"] is None:
        return source
    named = {part: found for part, found in hours.items() if found is not None}
    return replace(source, columns=(*source.columns, *(p.name for p in named.values())),
                   parts=("date", *named), dates=replace(style, clock="24"),
                   evidence=(*source.evidence, message("shown.hour_column")))


def _split(profiles: Sequence[Profile]) -> FieldSource | None:
    """Put year, month, day and clock together where each has its own column."""
    found = {part: _part(profiles, part) for part in (*_PARTS, "half")}
    if any(found[part] is None for part in ("year", "month", "day")):
        return None
    if found["hour"] is None:
        found["minute"] = found["second"] = found["half"] = None
    named = {part: profile for part, profile in found.items() if profile is not None}
    clock = "12" if found["half"] else "24" if found["hour"] else "none"
    said = message("shown.parts", parts=tuple(named))
    return FieldSource(tuple(p.name for p in named.values()), tuple(named),
                       DateStyle(True, clock, ("YYYY-MM-DD",)), 0.9, (said,))


def _part(profiles: Sequence[Profile], part: str) -> Profile | None:
    found = [p for p in profiles if p.header(f"part_{part}") >= 0.5 and _fits(p, part)
             and "clos" not in plain_words(p.name) and p.header("cleared") < 0.5
             and p.header(OTHER) <= p.header(f"part_{part}")]
    return max(found, key=lambda p: (p.header(f"part_{part}"), -p.place), default=None)


def _fits(profile: Profile, part: str) -> bool:
    if part == "half":
        return profile.n_distinct <= 4 and profile.letters > 0.5
    if part == "month" and profile.letters > 0.5:
        return profile.n_distinct <= 12
    low, high = _PARTS[part]
    return profile.numbers > 0.5 and (np.isnan(profile.low) or (
        low <= profile.low and profile.high <= high))


# Where the rows lie, read as the mapping says.

def log_points(raw: RawTable, mapping: Mapping) -> tuple[np.ndarray, np.ndarray]:
    """Return longitude and latitude of each row in degrees, NaN where it has no point."""
    table = apply_mapping(raw, mapping)
    lon, lat = (numbers(table[name].fillna("")) for name in ("longitude", "latitude"))
    if not (np.isfinite(lon) & (lon != 0)).any():
        lon, lat = _other_degrees(table, mapping)
    return lon, lat


def _other_degrees(table: pd.DataFrame, mapping: Mapping) -> tuple[np.ndarray, np.ndarray]:
    """Take points from the location text, or else from the projected pair."""
    places = mapping.places
    if "location" in mapping.fields and places.location_crs:
        read = from_text(table["location"], order=places.location_order, crs=places.location_crs)
        if np.isfinite(read.longitude).any():
            return read.longitude, read.latitude
    x, y = (numbers(table[name].fillna("")) for name in ("easting", "northing"))
    if mapping.places.crs and np.isfinite(x).any():
        change = Transformer.from_crs(mapping.places.crs, WGS84, always_xy=True)
        lon, lat = change.transform(x, y)
        return np.where(np.isfinite(lon), lon, np.nan), np.where(np.isfinite(lat), lat, np.nan)
    return _pasted_points(table["address"])


def _pasted_points(addresses: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return the points of map links, plus codes and degrees where most addresses are such."""
    codes, unique = pd.factorize(addresses.fillna(""))
    nowhere = (np.nan, np.nan)
    read = np.array([pasted_point(str(text)) or nowhere for text in unique]).reshape(-1, 2)[codes]
    if np.isfinite(read[:, 0]).sum() <= _MOSTLY * (addresses.notna()).sum():
        read = read * np.nan
    return read[:, 0], read[:, 1]
