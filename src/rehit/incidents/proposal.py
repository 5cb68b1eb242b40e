"""All that is proposed for a log, and what is asked: one frozen answer for every front end.

A terminal, a file of answers and a local page show the same :class:`Proposal`. Answers give
another proposal, worked out anew: where the grid is known, the country is; with the country, the
order of day and month.
"""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rehit.errors import SettingError
from rehit.files.headers import guess_columns, header_scores
from rehit.files.rows import RawTable
from rehit.files.spatial import WGS84
from rehit.incidents.columns import numbers
from rehit.incidents.dates import parse_dates
from rehit.incidents.mapping import (
    DATE_FIELDS,
    FIELDS,
    LOG_AND_WORKS,
    LOG_ONLY,
    NONE,
    OUTCOMES,
    ROW_KEY,
    ROW_UNITS,
    SERVICES,
    WORKS_KEY,
    WORKS_ONLY,
    Mapping,
    Question,
    apply_mapping,
    in_force,
    with_setting,
)
from rehit.incidents.meaning import flagged, translate
from rehit.incidents.places import from_text
from rehit.incidents.privacy import scrub, scrub_address
from rehit.incidents.projection import Area, ProjectPlace, suggest_place, zone_middle
from rehit.incidents.propose import LONGEST_WORD, log_points, propose_mapping
from rehit.incidents.services import UNSURE, class_of, new_services, service_codes
from rehit.incidents.sizes import read_sizes
from rehit.messages import Message, message
from rehit.parameters import Parameters, load_parameters
from rehit.project import is_projected_crs
from rehit.territory import Territory, territory, territory_of_zone, zone_at, zones_of
from rehit.words.addresses import address_table
from rehit.words.geometry_text import pasted_point
from rehit.words.vocabulary import code_texts, default_words

SAMPLES = 3
SURE, LIKELY = 0.85, 0.6
COUNTRY = "project.country"
_WORLD = "EPSG:6933"  # WGS 84 / NSIDC EASE-Grid 2.0 Global, equal areas, in metres
_MAP_POINTS = 200
_SHOWN_LETTERS = 60
_MOST_OUTCOMES = 6
_LEAST_OUTCOME = 0.01  # share of the rows from which a word of the outcome is worth a question
_ALIKE = 0.3  # how far a name must speak for a field to be named as another column for it
_CODED = ("status", "outcome", "substrate", "medium", "priority")
_FEW = (*_CODED, "asset_type", "service", "service_detail")


@dataclass(frozen=True)
class Sample:
    """A cell as written and as understood; `group` names the catalogue of an understood code."""

    raw: str
    understood: str
    group: str = ""


@dataclass(frozen=True)
class FieldReading:
    """Where a field comes from, three of its values, how sure that is, and what else it could be.

    Attributes
    ----------
    field
        A column of the ``fields`` contract.
    columns
        Columns of the log it is read from.
    samples
        Up to three values.
    confidence
        From 0 to 1.
    alternatives
        Unused columns whose names speak for it as well.
    evidence
        What speaks for it.
    """

    field: str
    columns: tuple[str, ...]
    samples: tuple[Sample, ...]
    confidence: float
    alternatives: tuple[str, ...]
    evidence: tuple[Message, ...]

    @property
    def sureness(self) -> str:
        """``sure``, ``likely`` or ``doubtful``."""
        return ("sure" if self.confidence >= SURE else
                "likely" if self.confidence >= LIKELY else "doubtful")


@dataclass(frozen=True)
class ValueCount:
    """A value of a field, the code it counts as, its rows, and whether its words are known."""

    field: str
    value: str
    code: str
    rows: int
    known: bool


@dataclass(frozen=True)
class Grid:
    """A system of coordinates the log may be in, and where its middle point then lies."""

    crs: str
    latitude: float
    longitude: float
    zone: str
    country: str
    chosen: bool


@dataclass(frozen=True)
class UnusedColumn:
    """A column no field is read from: the share of its cells that are filled, and some of them."""

    column: str
    filled: float
    samples: tuple[str, ...]


@dataclass(frozen=True)
class ProjectSettings:
    """What the project file will say, and whether a person said it.

    Attributes
    ----------
    crs
        The project's projection; "" where nothing tells it.
    study_area
        West, south, east, north in degrees, or None.
    country
        ISO code, "" where not known.
    time_zone, currency, holidays, units
        The clock, the sign of money, the code of the public holidays, and ``metric`` or
        ``imperial``.
    confirmed
        Whether a person confirmed the country.
    """

    crs: str
    study_area: Area | None
    country: str
    time_zone: str
    currency: str
    holidays: str | None
    units: str
    confirmed: bool


@dataclass(frozen=True)
class Proposal:
    """A log as understood, with what is asked before it is used.

    Attributes
    ----------
    raw
        The log it was made from.
    mapping
        The mapping, with the answers given so far.
    settings
        What the project file will say.
    fields, services, outcomes, grids, unused
        See their classes; services and outcomes by falling number of rows.
    points
        Some of the points in degrees (longitude, latitude), for a small map.
    questions
        All that is asked, in the order of what it changes; those without an answer come first.
    unknown
        What the log does not tell, and what that costs.
    notes
        What else should be looked at.
    options
        What :func:`propose_reading` was told.
    answers
        The answers given so far, by question.
    """

    raw: RawTable
    mapping: Mapping
    settings: ProjectSettings
    fields: tuple[FieldReading, ...]
    services: tuple[ValueCount, ...]
    outcomes: tuple[ValueCount, ...]
    grids: tuple[Grid, ...]
    unused: tuple[UnusedColumn, ...]
    points: tuple[tuple[float, float], ...]
    questions: tuple[Question, ...]
    unknown: tuple[Message, ...]
    notes: tuple[Message, ...]
    options: Options
    answers: MappingOf[str, str]

    @property
    def open_questions(self) -> tuple[Question, ...]:
        """The questions without a person's answer."""
        return tuple(asked for asked in self.questions if not asked.answer)

    @property
    def must_answer(self) -> tuple[Question, ...]:
        """The open questions without which no project is begun."""
        return tuple(asked for asked in self.open_questions if asked.needed)

    @property
    def next_questions(self) -> tuple[Question, ...]:
        """What to ask now: what must be answered first, for other questions may follow from it."""
        return self.must_answer or self.open_questions

    def with_answers(self, answers: MappingOf[str, str]) -> Proposal:
        """Return the proposal that follows from further answers, by the key of their question.

        Raises
        ------
        SettingError
            For an answer to something that is not asked, or that is none of its choices.
        """
        return propose_reading(self.raw, options=self.options, answers={**self.answers, **answers})


@dataclass(frozen=True)
class Options:
    """What is known of a project before its log is looked at; None or "" where nothing is.

    Attributes
    ----------
    crs, time_zone, currency, holidays
        As in the project file; the grid of the log may be in feet.
    register_area
        West, south, east, north of the owner's register in degrees.
    parameters
        Default numbers.
    """

    crs: str | None = None
    time_zone: str | None = None
    currency: str | None = None
    holidays: str | None = None
    register_area: Area | None = None
    parameters: Parameters | None = None


def propose_reading(raw: RawTable, *, options: Options | None = None,
                    answers: MappingOf[str, str] | None = None) -> Proposal:
    """Propose how a log is read and what its project says, with all that is to be asked.

    Parameters
    ----------
    raw
        The log, several files stacked.
    options
        What is known beforehand.
    answers
        Answers by question key; ``places.crs`` and the like change what follows from them.

    Raises
    ------
    SettingError
        For an answer to something that is not asked, or that is none of its choices.

    Examples
    --------
    >>> table = pd.DataFrame({"Opened": ["2018-03-05", "2018-03-16"], "Lat": ["51.501", "51.502"],
    ...                       "Long": ["-0.141", "-0.142"]}, index=[1, 2])
    >>> found = propose_reading(RawTable(table, name="log.csv"))
    >>> found.settings.time_zone, found.settings.currency, found.fields[0].samples[0].understood
    ('Europe/London', '£', '2018-03-05')
    """
    options, answers = options or Options(), dict(answers or {})
    country = _country_said(answers)
    mapping = propose_mapping(
        raw, study_area=options.register_area, crs=options.crs, time_zone=options.time_zone,
        country=country, parameters=options.parameters or load_parameters())
    mapping = _with_columns_by_hand(_with_works_asked(raw, mapping), raw, answers)
    early = {key: answer for key, answer in answers.items()
             if key.startswith(("places.", "log.")) or key.endswith(".columns")}
    mapping = _with_answers(mapping, early)
    points = log_points(raw, mapping)
    place = suggest_place(*points)
    zone = "" if place is None else zone_at(*_middle(points))
    home = territory(country or territory_of_zone(zone or options.time_zone or ""))
    fields = apply_mapping(raw, mapping)
    mapping = _with_customs(_with_rows_asked(_with_outcomes_asked(mapping, fields)), home)
    mapping = _with_answers(_with_values_by_hand(mapping, fields, answers), answers)
    fields = apply_mapping(raw, mapping)
    settings = _settings(options, mapping, place, home, zone, confirmed=bool(country))
    unused = _unused(raw, mapping)
    questions = _ordered(mapping, fields, raw, _country_question(settings, mapping, place, country))
    refuse_strange(answers, questions)
    return Proposal(
        raw, mapping, settings, _readings(fields, mapping, settings, unused),
        _services(fields, mapping), _outcomes(fields, mapping), _grids(mapping, points, zone),
        unused, _some_points(points), questions, _unknown(fields, mapping, place),
        _notes(options, zone), options, answers)


def fits(asked: Question, answer: str) -> bool:
    """Whether an answer is one that the question takes.

    Examples
    --------
    >>> fits(Question(COUNTRY, message("question.country"), (), ""), "PT")
    True
    """
    if asked.key == COUNTRY:
        return territory(answer.strip().upper()) is not None
    return asked.allows(answer)


def _country_said(answers: MappingOf[str, str]) -> str:
    code = answers.get(COUNTRY, "").strip().upper()
    if code and territory(code) is None:
        raise SettingError(message("where.question", key=COUNTRY), "errors.not_a_country",
                           value=answers[COUNTRY])
    return code


def refuse_strange(answers: MappingOf[str, str], questions: Sequence[Question]) -> None:
    """Refuse an answer to nothing that is asked, or one that its question does not take.

    Raises
    ------
    SettingError
        Naming the first of them.
    """
    by_key = {asked.key: asked for asked in questions}
    for key, answer in answers.items():
        if key not in by_key:
            raise SettingError(message("where.question", key=key), "errors.nothing_asked",
                               known=tuple(by_key))
        if not fits(by_key[key], answer):
            raise SettingError(message("where.question", key=key), "errors.not_an_answer",
                               value=answer, known=by_key[key].choices)


def _with_answers(mapping: Mapping, answers: MappingOf[str, str]) -> Mapping:
    """Put answers into the questions and the settings they decide."""
    for asked in mapping.questions:
        answer = answers.get(asked.key, "")
        if answer:
            refuse_strange({asked.key: answer}, [asked])
            mapping = with_setting(mapping, asked.key, answer)
    return replace(mapping, questions=tuple(
        replace(asked, answer=answers.get(asked.key, asked.answer)) for asked in mapping.questions))


# What a person corrects by hand though nothing was asked: a question of its own, so that the
# mapping file shows it and the next quarter keeps it.

def _with_columns_by_hand(mapping: Mapping, raw: RawTable,
                          answers: MappingOf[str, str]) -> Mapping:
    """Add a question for each column that was chosen by hand."""
    columns = (*(str(name) for name in raw.table.columns), NONE)
    fields = [key.split(".")[1] for key in answers
              if key.startswith("fields.") and key.endswith(".columns")]
    return _with_questions(mapping, [
        Question(f"fields.{field}.columns", message("question.column_by_hand", field=field),
                 columns, answers[f"fields.{field}.columns"])
        for field in fields if field in FIELDS])


def _with_values_by_hand(mapping: Mapping, fields: pd.DataFrame,
                         answers: MappingOf[str, str]) -> Mapping:
    """Add a question for each kind of request and each outcome that was told by hand."""
    held = {"services": (("service", "service_detail"), SERVICES),
            "outcomes": (("status", "outcome"), OUTCOMES)}
    added = []
    for key, answer in answers.items():
        group, _, value = key.partition(".")
        names, choices = held.get(group, ((), ()))
        n = max((int((fields[name] == value).sum()) for name in names), default=0)
        if n:
            added.append(Question(key, message("question.value_by_hand", value=value, n=n),
                                  choices, answer, rows=n))
    return _with_questions(mapping, added)


def _with_questions(mapping: Mapping, more: Sequence[Question]) -> Mapping:
    known = {each.key for each in mapping.questions}
    return replace(mapping, questions=(
        *mapping.questions, *(each for each in more if each.key not in known)))


# Where the points lie, and what is customary there.

def _middle(points: tuple[np.ndarray, np.ndarray]) -> tuple[float, float]:
    kept = np.isfinite(points[0]) & np.isfinite(points[1]) & ~((points[0] == 0) & (points[1] == 0))
    return float(np.median(points[0][kept])), float(np.median(points[1][kept]))


def _some_points(points: tuple[np.ndarray, np.ndarray]) -> tuple[tuple[float, float], ...]:
    kept = np.flatnonzero(np.isfinite(points[0]) & np.isfinite(points[1]))
    some = kept[::max(len(kept) // _MAP_POINTS, 1)][:_MAP_POINTS]
    return tuple((round(float(x), 5), round(float(y), 5)) for x, y in zip(
        points[0][some], points[1][some], strict=True))


def _grids(mapping: Mapping, points: tuple[np.ndarray, np.ndarray], zone: str) -> tuple[Grid, ...]:
    """Return the grid in use and those that were named beside it, each with its middle point."""
    told = [each for asked in mapping.questions if asked.key == "places.crs"
            for each in asked.evidence if each.code == "shown.crs_guessed"]
    found = [Grid(str(each.facts["crs"]), float(each.facts["latitude"]),
                  float(each.facts["longitude"]), str(each.facts["zone"]),
                  territory_of_zone(str(each.facts["zone"])),
                  str(each.facts["crs"]) == mapping.places.crs) for each in told]
    if not any(grid.chosen for grid in found) and zone:
        longitude, latitude = _middle(points)
        found.insert(0, Grid(mapping.places.crs or mapping.places.location_crs or WGS84,
                             latitude, longitude, zone, territory_of_zone(zone), True))
    return tuple(found)


def _settings(options: Options, mapping: Mapping, place: ProjectPlace | None,
              home: Territory | None, zone: str, *, confirmed: bool) -> ProjectSettings:
    zones = zones_of(home.code) if home is not None and not zone else ()
    clock = options.time_zone or zone or (zones[0] if len(zones) == 1 else "UTC")
    return ProjectSettings(
        _project_crs(options, mapping, place, clock), None if place is None else place.study_area,
        "" if home is None else home.code, clock,
        options.currency or ("€" if home is None else home.currency),
        options.holidays or (None if home is None else home.holidays),
        "metric" if home is None else home.units, confirmed)


def _project_crs(options: Options, mapping: Mapping, place: ProjectPlace | None,
                 clock: str) -> str:
    """Return the projection of the project: as told, the log's own grid, or the UTM zone.

    A grid in feet is one the log may be in, but distances are worked out in metres. A log without
    coordinates is drawn on no map; it gets the UTM zone in the middle of its time zone, or the
    equal-area grid of the whole earth.
    """
    for code in (options.crs, mapping.places.crs, mapping.places.location_crs):
        if code and is_projected_crs(code):
            return code
    if place is not None:
        return place.crs
    if mapping.places.crs or "easting" in mapping.fields or options.crs:
        return ""
    anywhere = zone_middle(clock)
    near = None if anywhere is None else suggest_place(*(np.array([v]) for v in anywhere))
    return _WORLD if near is None else near.crs


def _country_question(settings: ProjectSettings, mapping: Mapping, place: ProjectPlace | None,
                      answer: str) -> Question:
    """Ask once for the country, from which money, clock, holidays and measures follow."""
    home = settings.country
    facts = {"country": home, "zone": settings.time_zone, "currency": settings.currency}
    # Coordinates in a grid that nothing tells: the country is what an officer can name.
    lost = place is None and "easting" in mapping.fields and not mapping.places.crs
    ask = message("question.country_known", **facts) if home else message(
        "question.country_lost" if lost else "question.country")
    return Question(COUNTRY, ask, (home,) if home else (), home, answer,
                    needed=lost and not home)


def _with_customs(mapping: Mapping, home: Territory | None) -> Mapping:
    """Let the country's custom decide what the log leaves open: order of dates, unit of sizes."""
    questions = []
    for asked in mapping.questions:
        name = asked.key.removeprefix("fields.").removesuffix(".day_first")
        if name in DATE_FIELDS and asked.key.endswith(".day_first"):
            asked = _custom_order(asked, home)
            mapping = with_setting(mapping, asked.key, asked.assumed)
        elif asked.key == "sizes.unit" and home is not None:
            asked = replace(asked, assumed=home.area_unit, evidence=(
                *asked.evidence, message("shown.custom_unit", country=home.code,
                                         unit=message(f"area_unit.{home.area_unit}"))))
            mapping = with_setting(mapping, asked.key, asked.assumed)
        questions.append(asked)
    return replace(mapping, questions=tuple(questions))


def _custom_order(asked: Question, home: Territory | None) -> Question:
    """Settle the order by what the rows show and by custom; where they differ it must be answered.

    Rows that follow each other in time under one order only speak for it.
    """
    shares = next((each.facts for each in asked.evidence if each.code == "shown.order_open"), {})
    day, month = float(shares.get("day", 0)), float(shares.get("month", 0))
    shown = "" if abs(day - month) < 0.02 else "day first" if day > month else "month first"
    if any(each.code in ("shown.order_by_waits", "shown.other_column_tells")
           for each in asked.evidence):
        shown = asked.assumed
    if home is None:
        return replace(asked, needed=not shown)
    custom = "day first" if home.day_first else "month first"
    said = message("shown.custom_order", country=home.code, order=message(
        "order.day_first" if home.day_first else "order.month_first"))
    return replace(asked, assumed=shown or custom, evidence=(*asked.evidence, said),
                   needed=bool(shown) and shown != custom)


# What is asked about a file that lists works.

_OF_WORKS = ("cost", "hours", "minutes", "paint_l", "remover_l", "wash_water_l")


def _with_works_asked(raw: RawTable, mapping: Mapping) -> Mapping:
    """Ask whether a file that says what jobs took and cost is a log, a works log, or both."""
    used = {column for source in mapping.fields.values() for column in source.columns}
    names = list(map(str, raw.table.columns))
    works = guess_columns([name for name in names if name not in used], kind="works")[0]
    costs = tuple(column for field, column in works.items() if field in _OF_WORKS)
    if not costs:
        return mapping
    # A works log must say what was done; several files are not told apart by one answer.
    both = "method" in guess_columns(names, kind="works")[0] and len(raw.columns_of) <= 1
    choices = (LOG_ONLY, WORKS_ONLY, *((LOG_AND_WORKS,) if both else ()))
    assumed = LOG_AND_WORKS if both else LOG_ONLY
    asked = Question(WORKS_KEY, message("question.works", columns=costs), choices, assumed,
                     rows=len(raw.table))
    return with_setting(replace(mapping, questions=(*mapping.questions, asked)), WORKS_KEY, assumed)


# What is asked about the end of a case.

def _with_outcomes_asked(mapping: Mapping, fields: pd.DataFrame) -> Mapping:
    """Ask what words of the outcome mean that the vocabulary does not know."""
    strange = [each for each in _outcomes(fields, mapping) if not each.known]
    least = max(_LEAST_OUTCOME * len(fields), 2)
    asked = [Question(f"outcomes.{each.value}",
                      message("question.outcome", value=each.value, n=each.rows), OUTCOMES,
                      "unknown", rows=each.rows)
             for each in strange if each.rows >= least][:_MOST_OUTCOMES]
    return replace(mapping, questions=(*mapping.questions, *asked))


def _with_rows_asked(mapping: Mapping) -> Mapping:
    """Ask what one row counts, unless kinds of request or repeat reports tell that it is a call."""
    if {"service", "duplicate_of"} & set(mapping.fields):
        return mapping
    asked = Question(ROW_KEY, message("question.one_row"), ROW_UNITS, ROW_UNITS[0])
    return replace(mapping, questions=(*mapping.questions, asked))


def new_questions(fields: pd.DataFrame, mapping: Mapping) -> tuple[Question, ...]:
    """Ask about the kinds of request and ends of a case that came after the mapping was made.

    Parameters
    ----------
    fields
        What the mapping makes of the log.
    mapping
        The mapping in force.

    Returns
    -------
    tuple of Question
        By falling number of rows. A kind whose words say plainly what it is needs no question.
    """
    words = default_words("service")
    kinds = [Question(f"services.{kind}", message("question.service", value=str(kind), n=int(n)),
                      SERVICES, "another", rows=int(n))
             for kind, n in new_services(fields, values=mapping.services).items()
             if class_of(str(kind), words) in ("", UNSURE)]
    before = {word for name in ("status", "outcome") for word in mapping.words.get(name, ())}
    made = _with_outcomes_asked(replace(mapping, questions=()), fields).questions
    ends = [asked for asked in made if asked.key.partition(".")[2] not in before]
    return tuple(sorted((*kinds, *ends), key=lambda asked: -asked.rows))


def plain_kinds(fields: pd.DataFrame, mapping: Mapping) -> dict[str, str]:
    """Return new kinds of request whose words say plainly which class they count as."""
    words = default_words("service")
    classes = {str(kind): class_of(str(kind), words)
               for kind in new_services(fields, values=mapping.services).index}
    return {kind: code for kind, code in classes.items() if code not in ("", UNSURE)}


def _outcomes(fields: pd.DataFrame, mapping: Mapping) -> tuple[ValueCount, ...]:
    """Return the short words of status and outcome with what they mean."""
    said = {text: code for code, texts in mapping.outcomes.items() for text in texts}
    found: list[ValueCount] = []
    for name in ("outcome", "status"):
        if name not in mapping.fields:
            continue
        counts = fields[name].dropna().value_counts()
        texts = pd.Series(counts.index, dtype="str")
        read = _ends(texts, name)
        for text, code, rule, n in zip(texts, read["code"], read["rule"], counts, strict=True):
            known = rule != "unknown_word" or code != "unknown" or text in said
            if len(text) <= LONGEST_WORD:
                meant = said.get(text, code)
                found.append(ValueCount(name, _scrubbed(text), meant, int(n), known))
    return tuple(found)


def _ends(texts: pd.Series, name: str) -> pd.DataFrame:
    """Return what words of status or outcome say of the end of a case, as ``code, rule``."""
    read = translate(texts, default_words(name))
    end = translate(texts, default_words("outcome"), fuzzy=False)["code"]
    read["code"] = read["code"].mask(read["code"] == "unknown", end)
    again = flagged(texts, default_words("status"), "duplicate")
    read["code"] = read["code"].mask(again, "duplicate")
    return read


def _services(fields: pd.DataFrame, mapping: Mapping) -> tuple[ValueCount, ...]:
    """Return each kind of request with the class it counts as."""
    if "service" not in mapping.fields:
        return ()
    words = default_words("service")
    found: list[ValueCount] = []
    kept = service_codes(fields[["service"]], values=mapping.services, words=words) != "another"
    named = {value for values in mapping.services.values() for value in values}
    for name in ("service", "service_detail"):
        if name in mapping.fields:
            cells = fields[name] if name == "service" else fields.loc[kept, name]
            counts = cells.dropna().value_counts()
            kinds = pd.DataFrame({"service": pd.Series(counts.index, dtype="str")})
            codes = service_codes(kinds, values=mapping.services, words=words)
            found += [ValueCount(name, str(text), str(code), int(n), str(text) in named)
                      for text, code, n in zip(counts.index, codes, counts, strict=True)]
    return tuple(found)


# What each field holds, as understood.

def _readings(fields: pd.DataFrame, mapping: Mapping, settings: ProjectSettings,
              unused: Sequence[UnusedColumn]) -> tuple[FieldReading, ...]:
    return tuple(FieldReading(
        name, source.columns, _samples(fields[name], name, mapping, settings), source.confidence,
        tuple(each.column for each in unused
              if header_scores(each.column).get(name, (0.0, ""))[0] >= _ALIKE),
        source.evidence) for name, source in mapping.fields.items())


def _samples(cells: pd.Series, name: str, mapping: Mapping,
             settings: ProjectSettings) -> tuple[Sample, ...]:
    given = cells.dropna()
    shown = given.value_counts().index if name in _FEW else given.unique()
    texts = pd.Series([str(text) for text in shown[:SAMPLES]], dtype="str")
    understood, group = _understood(texts, name, mapping, settings)
    return tuple(Sample(_shown(raw, name), str(said), group)
                 for raw, said in zip(texts, understood, strict=True))


def _understood(texts: pd.Series, name: str, mapping: Mapping,
                settings: ProjectSettings) -> tuple[Sequence[str], str]:
    """Return how cells are read, and the catalogue of the codes they are read as."""
    if name in DATE_FIELDS:
        return _dates(texts, name, mapping, settings), ""
    if name in ("status", "outcome"):
        return _ends(texts, name)["code"].tolist(), "ending"
    if name in _CODED:
        return translate(texts, default_words(name))["code"].tolist(), name
    if name == "asset_type":
        return code_texts(texts, kind=name, otherwise="").tolist(), name
    if name == "service":
        return service_codes(pd.DataFrame({name: texts}), values=mapping.services,
                             words=default_words(name)).tolist(), name
    if name == "size":
        read = read_sizes(texts, unit=mapping.size_unit)["area_m2"]
        return ["" if np.isnan(area) else f"{area:.3g} m2" for area in read], ""
    if name == "address":
        plain = texts.map(lambda text: scrub_address(text)[0])
        keys = address_table(plain)["address_key"].fillna("")
        points = [pasted_point(text) for text in texts]
        return [key if at is None else f"{at[1]:.5f}, {at[0]:.5f}"
                for key, at in zip(keys, points, strict=True)], ""
    if name == "location" and mapping.places.location_crs:
        read_at = from_text(texts, order=mapping.places.location_order,
                            crs=mapping.places.location_crs)
        return [f"{y:.5f}, {x:.5f}" if np.isfinite(x) else "" for x, y in zip(
            read_at.longitude, read_at.latitude, strict=True)], ""
    if name in ("latitude", "longitude", "easting", "northing"):
        return [f"{value:.10g}" if np.isfinite(value) else "" for value in numbers(texts)], ""
    return [_shown(text, name) for text in texts], ""


def _dates(texts: pd.Series, name: str, mapping: Mapping,
           settings: ProjectSettings) -> list[str]:
    read = parse_dates(texts, style=mapping.date_style(name), time_zone=settings.time_zone)
    local = read.times.dt.tz_convert(settings.time_zone)
    return ["" if pd.isna(time) else time.strftime(
        "%Y-%m-%d" if precision == "day" else "%Y-%m-%d %H:%M")
        for time, precision in zip(local, read.precision, strict=True)]


_NUMBERS = ("report_id", "duplicate_of", "asset_id", "latitude", "longitude", "easting",
            "northing", "location", *DATE_FIELDS)


def _shown(text: str, name: str) -> str:
    """Return a cell as it can be shown; the owner's numbers may look like telephones."""
    return _short(text) if name in _NUMBERS else _scrubbed(text, address=name == "address")


def _scrubbed(text: str, *, address: bool = False) -> str:
    """Return a text without personal data, as long as can be shown."""
    clean = scrub_address(text)[0] if address else scrub(text, keep_marking_text=True)[0]
    return _short(clean)


def _short(text: str) -> str:
    short = " ".join(text.split())
    return short if len(short) <= _SHOWN_LETTERS else short[:_SHOWN_LETTERS - 1] + "…"


def _unused(raw: RawTable, mapping: Mapping) -> tuple[UnusedColumn, ...]:
    """Return the columns that no field is read from; those without any cell are left out."""
    used = {column for source in mapping.fields.values() for column in source.columns}
    names = list(map(str, raw.table.columns))
    if in_force(mapping.questions, WORKS_KEY) == LOG_AND_WORKS:
        used |= set(guess_columns(names, kind="works")[0].values())
    found = []
    for name in names:
        cells = raw.table[name].str.strip()
        filled = cells[cells != ""]
        if name not in used and len(filled):
            found.append(UnusedColumn(name, len(filled) / len(cells), tuple(
                _scrubbed(str(text)) for text in filled.unique()[:SAMPLES])))
    return tuple(found)


# What is asked, in the order of what it changes; what stays unknown.

def _ordered(mapping: Mapping, fields: pd.DataFrame, raw: RawTable,
             country: Question) -> tuple[Question, ...]:
    counted = [replace(asked, rows=asked.rows or _rows_changed(asked, fields, raw))
               for asked in mapping.questions]
    if country.needed and not country.answer:
        # With the country the grid is looked for first; an officer need not know its code.
        counted = [replace(asked, needed=asked.needed and asked.key != "places.crs")
                   for asked in counted]
    return tuple(sorted((*counted, country),
                        key=lambda asked: (bool(asked.answer), not asked.needed, -asked.rows)))


def _rows_changed(asked: Question, fields: pd.DataFrame, raw: RawTable) -> int:
    """Return how many rows another answer would read otherwise."""
    group, _, rest = asked.key.partition(".")
    if group == "fields" and asked.key.endswith(".day_first"):
        return int(fields[rest.partition(".")[0]].notna().sum())
    if group == "fields":
        columns = [name for name in asked.choices if name in raw.table.columns][:2]
        return int((raw.table[columns[0]] != raw.table[columns[-1]]).sum()) if columns else 0
    if group == "places":
        names = ["location"] if "location" in asked.key else ["easting", "latitude"]
        return int(fields[names].notna().any(axis=1).sum())
    # What a row counts changes its price, not how it is read.
    return int(fields["size"].notna().sum()) if group == "sizes" else int(asked.key != ROW_KEY)


_COSTS = {"cleared": "unknown.cleared", "report_id": "unknown.report_id",
          "address": "unknown.address", "size": "unknown.size", "substrate": "unknown.substrate",
          "asset_type": "unknown.asset_type"}


def _unknown(fields: pd.DataFrame, mapping: Mapping,
             place: ProjectPlace | None) -> tuple[Message, ...]:
    """Say what the log does not tell and what that costs, the dearest first."""
    told = [message("unknown.reported")] if fields["reported"].isna().all() else []
    told += [message("unknown.place")] if place is None else []
    has_end = {"days_open", "hours_open"} & set(mapping.fields)
    return (*told, *(message(code) for name, code in _COSTS.items()
                     if name not in mapping.fields and not (name == "cleared" and has_end)))


def _notes(options: Options, zone: str) -> tuple[Message, ...]:
    """Say where the clock is not that of the points."""
    given = options.time_zone
    elsewhere = given and zone and given != zone and territory_of_zone(given) != (
        territory_of_zone(zone))
    return (message("start.clock_elsewhere", given=given, zone=zone),) if elsewhere else ()
