"""Which column of a log means what: the mapping, its file, and its use on a raw log."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import pandas as pd
import tomlkit
from pydantic import AfterValidator, Field, ValidationInfo, create_model, field_validator
from pyproj import CRS
from pyproj.exceptions import CRSError
from tomlkit.items import AoT, Comment, Table

from rehit.errors import InputFileError, ManyErrors, SettingError
from rehit.files.rows import RawTable
from rehit.files.spatial import WGS84
from rehit.files.writing import staged_folder
from rehit.incidents.dates import CLOCKS, DateStyle
from rehit.messages import Message, as_text, message
from rehit.settings_file import (
    Section,
    checked,
    listed,
    one_of,
    parse_toml,
    table_named,
    wrong,
)
from rehit.tables import table

# What a mapping says: which column means what, how it is written, what is still to be asked.

DATE_FIELDS = ("reported", "cleared")
FIELDS = tuple(name for name in table("fields").names if name not in ("source_file", "source_row"))
DATE_PARTS = ("year", "month", "day", "hour", "minute", "second", "date", "time", "half")
ADDRESS_PARTS = ("block", "street", "number")
LOCATION_ORDERS = ("lat_lon", "lon_lat", "wkt")
SIZE_UNITS = ("", "m2", "ft2", "m", "ft")
#: What one row of a log may count; several tags are dealt with at one stop.
ROW_UNITS = ("place", "call", "job", "tag")
# Classes of a row of an export of all services; all but the last are incidents.
SERVICES = ("graffiti", "graffiti_private", "posters", "another")
KEPT_SERVICES = SERVICES[:-1]
# What the end of a case may mean; only after the first two is the surface clean.
OUTCOMES = ("cleared", "not_found", "no_work", "private_owner", "referred", "pending", "unknown")


@dataclass(frozen=True)
class FieldSource:
    """Where one canonical field comes from.

    Attributes
    ----------
    columns
        Columns of the log whose texts are joined in order (with a space, or as date parts).
    parts
        For a date kept in several columns: the part each column holds (a word of ``DATE_PARTS``).
        For an address: which column holds the hundred-block, or the house number behind the
        street (a word of ``ADDRESS_PARTS``).
    dates
        For a date field: how it is written.
    confidence
        From 0 to 1, as proposed; 1 where a person wrote it.
    evidence
        What speaks for it.
    """

    columns: tuple[str, ...]
    parts: tuple[str, ...] = ()
    dates: DateStyle | None = None
    confidence: float = 1.0
    evidence: tuple[Message, ...] = ()


@dataclass(frozen=True)
class Places:
    """How the log writes coordinates.

    Attributes
    ----------
    crs
        Name of the CRS of easting and northing (such as ``EPSG:27700``), or "" if none or unknown.
    location_crs
        CRS of the ``location`` text.
    location_order
        Order of the two numbers in the ``location`` text.
    evidence
        What speaks for it.
    """

    crs: str = ""
    location_crs: str = WGS84
    location_order: str = "lat_lon"
    evidence: tuple[Message, ...] = ()


@dataclass(frozen=True)
class Question:
    """Something the log leaves open, with the answer assumed until a person gives one.

    Attributes
    ----------
    key
        The setting it decides, as its dotted name in the file (``fields.reported.day_first``).
    ask
        The question.
    choices
        The answers that are possible.
    assumed
        The answer used meanwhile.
    answer
        The person's answer, "" until given.
    evidence
        What is known about it.
    rows
        How many rows another answer would change.
    needed
        Whether a wrong guess would change counts in silence, so that no project is begun without
        an answer.
    """

    key: str
    ask: Message
    choices: tuple[str, ...]
    assumed: str
    answer: str = ""
    evidence: tuple[Message, ...] = ()
    rows: int = 0
    needed: bool = False

    def allows(self, answer: str) -> bool:
        """Whether an answer is a choice, or the code of a grid where that is offered."""
        if answer != OWN_CODE and answer in self.choices:
            return True
        try:
            return OWN_CODE in self.choices and bool(_projected(answer))
        except ValueError:
            return False


@dataclass(frozen=True)
class Mapping:
    """What a person confirms before a log is cleaned, and what stays the same next quarter.

    Attributes
    ----------
    log_name
        Name of the file the mapping was made from.
    has_header
        Whether the log has a row of column names.
    columns
        All columns of the log when the mapping was made, in order.
    fields
        Canonical field (a column of the ``fields`` contract) to its source.
    places
        How coordinates are written.
    size_unit
        Unit of a size written as a bare number: one of ``SIZE_UNITS``, "" where not known.
    words
        Field to the distinct words it held when the mapping was made (few-valued fields only).
    questions
        What is still to be answered.
    services
        Class of ``SERVICES`` to the kinds of request that count as it.
    outcomes
        Code of ``OUTCOMES`` to the words of status and outcome that a person gave it.
    one_row
        What one row counts: one of ``ROW_UNITS``, "" where not known.
    """

    log_name: str
    has_header: bool
    columns: tuple[str, ...]
    fields: MappingOf[str, FieldSource]
    places: Places = Places()
    size_unit: str = ""
    words: MappingOf[str, tuple[str, ...]] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()
    services: MappingOf[str, tuple[str, ...]] = field(default_factory=dict)
    outcomes: MappingOf[str, tuple[str, ...]] = field(default_factory=dict)
    one_row: str = ""

    def date_style(self, name: str) -> DateStyle:
        """Return how the date field `name` is written; the usual style if the log has none."""
        source = self.fields.get(name)
        return source.dates if source is not None and source.dates is not None else DateStyle()

    @property
    def open_questions(self) -> tuple[Question, ...]:
        """The questions without a person's answer."""
        return tuple(question for question in self.questions if not question.answer)


# Answers to a mapping's questions, put into its settings.

NONE = "none"
OWN_CODE = "EPSG:..."
# Decides which of a log's kinds of request is graffiti, where none is known as it.
GRAFFITI_KEY, ALL_KINDS = "log.graffiti", "all"
ROW_KEY = "log.one_row"
# Whether a file that says what was done and what it cost lists reports, works, or both in a row.
WORKS_KEY, LOG_ONLY, WORKS_ONLY, LOG_AND_WORKS = "log.works", "log", "works", "both"
_PLACE_KEYS = ("crs", "location_crs", "location_order")


def answered(mapping: Mapping) -> Mapping:
    """Return `mapping` with every given answer in its settings.

    Raises
    ------
    SettingError
        If a question's key names no setting.
    """
    for question in mapping.questions:
        if question.answer:
            mapping = with_setting(mapping, question.key, question.answer)
    return mapping


def in_force(questions: Sequence[Question], key: str) -> str:
    """Return the answer given to a question, or assumed; "" where it is not asked."""
    return next((asked.answer or asked.assumed for asked in questions if asked.key == key), "")


def known_key(key: str) -> bool:
    """Whether a question's key names a setting that an answer can change."""
    parts = key.split(".")
    if parts[0] in ("services", "outcomes", "project"):
        return len(parts) > 1
    if parts[0] == "fields" and len(parts) == 3:
        return (parts[1] in FIELDS and parts[2] == "columns") or (
            parts[1] in DATE_FIELDS and parts[2] == "day_first")
    return key in ("sizes.unit", "log.has_header", GRAFFITI_KEY, ROW_KEY, WORKS_KEY,
                   *(f"places.{name}" for name in _PLACE_KEYS))


def with_setting(mapping: Mapping, key: str, value: str) -> Mapping:
    """Return a copy of `mapping` in which the setting `key` has the value that was answered.

    Parameters
    ----------
    mapping
        The mapping.
    key
        A dotted name: ``fields.<field>.day_first``, ``fields.<field>.columns``, ``places.crs``,
        ``places.location_crs``, ``places.location_order``, ``sizes.unit``, ``log.has_header``,
        ``log.graffiti``, ``log.one_row``, ``log.works``,
        ``services.<kind of request>`` or ``outcomes.<word of status or outcome>``.
    value
        The answer as text. For ``columns`` a column name, or "none" to leave the field out; a
        column that another field had is exchanged with it.

    Raises
    ------
    SettingError
        If there is no such setting.
    """
    if not known_key(key):
        raise SettingError(message("where.question", key=key), "errors.unknown_question")
    known = "" if value == NONE else value
    group, _, name = key.partition(".")
    if group == "services":
        return replace(mapping, services=_moved(mapping.services, name, value, among=SERVICES))
    if group == "outcomes":
        return replace(mapping, outcomes=_moved(mapping.outcomes, name, value, among=OUTCOMES))
    if group == "sizes":
        return replace(mapping, size_unit=known)
    if group == "project":  # answered for the project file, not for the mapping
        return mapping
    if key == GRAFFITI_KEY:
        return _with_graffiti(mapping, value)
    if key == ROW_KEY:
        return replace(mapping, one_row=value)
    if key == WORKS_KEY:
        return replace(mapping, fields=_with_works(mapping.fields, done=value == LOG_AND_WORKS))
    if group == "log":
        return replace(mapping, has_header=value.startswith("no"))
    if group == "places":
        return replace(mapping, places=replace(mapping.places, **{name: known}))  # type: ignore[arg-type]
    field, _, setting = name.partition(".")
    if setting == "columns":
        return replace(mapping, fields=_with_column(mapping, field, value))
    return replace(mapping, fields=_with_order(mapping, field, value == "day first"))


def _with_graffiti(mapping: Mapping, kind: str) -> Mapping:
    """Return the mapping with one kind of request as graffiti, or with no kinds told apart."""
    if kind == ALL_KINDS:
        fields = {name: source for name, source in mapping.fields.items()
                  if name not in ("service", "service_detail")}
        return replace(mapping, fields=fields, services={})
    return replace(mapping, services={"graffiti": (kind,)})


def _with_works(fields: MappingOf[str, FieldSource], *, done: bool) -> dict[str, FieldSource]:
    """Where a row is a report and its job in one, the day of the work is that of clearance too."""
    reported, cleared = fields.get("reported"), fields.get("cleared")
    if reported is None or (cleared is not None and cleared.columns != reported.columns):
        return dict(fields)
    rest = {**fields, "cleared": reported}
    return {name: rest[name] for name in FIELDS if name in rest and (done or name != "cleared")}


def _moved(lists: MappingOf[str, tuple[str, ...]], text: str, code: str, *,
           among: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """Return the lists of texts by code with one text moved to another code's."""
    return {each: (*(v for v in lists.get(each, ()) if v != text),
                   *((text,) if each == code else ())) for each in among}


def _with_column(mapping: Mapping, name: str, column: str) -> dict[str, FieldSource]:
    fields = dict(mapping.fields)
    source = fields.get(name)
    if column == NONE:
        fields.pop(name, None)
        return fields
    if source is not None and source.columns == (column,):
        return fields
    holder = next((key for key, other in fields.items() if other.columns == (column,)), None)
    if holder is not None and source is not None:
        fields[holder] = replace(fields[holder], columns=source.columns)
    elif holder is not None:
        del fields[holder]
    dates = DateStyle() if name in DATE_FIELDS else None
    fields[name] = replace(source or FieldSource((), dates=dates), columns=(column,), parts=(),
                           confidence=1.0, evidence=(message("shown.answered"),))
    return {key: fields[key] for key in FIELDS if key in fields}


def _with_order(mapping: Mapping, name: str, day_first: bool) -> dict[str, FieldSource]:
    fields = dict(mapping.fields)
    source = fields.get(name)
    if source is not None:
        style = source.dates or DateStyle()
        formats = style.formats if style.day_first == day_first else turned(style.formats)
        fields[name] = replace(source, dates=DateStyle(day_first, style.clock, formats))
    return fields


def turned(formats: tuple[str, ...]) -> tuple[str, ...]:
    """Write day and month the other way round in the formats made of two numbers and a year.

    Examples
    --------
    >>> turned(("DD/MM/YYYY hh:mm", "YYYY-MM-DD"))
    ('MM/DD/YYYY hh:mm', 'YYYY-MM-DD')
    """
    swap = str.maketrans({"D": "M", "M": "D"})
    return tuple(f[:5].translate(swap) + f[5:] if f[:2] in ("DD", "MM") and "Mon" not in f else f
                 for f in formats)


# A mapping used on a raw log: the ``fields`` table, nothing interpreted yet.

def apply_mapping(raw: RawTable, mapping: Mapping) -> pd.DataFrame:
    """Return the ``fields`` table of a raw log: one row for every row, nothing interpreted yet.

    Parameters
    ----------
    raw
        A log as :func:`rehit.files.reader.read_table` gives it.
    mapping
        Which column means what. Columns it names that the log lacks give empty fields as long as
        another mapped column is there.

    Returns
    -------
    pandas.DataFrame
        The ``fields`` contract, key ``source_file, source_row``; blank cells are NaN.

    Raises
    ------
    InputFileError
        If the log has none of the columns that the mapping names, or the mapping says that its
        first row, read as column names, is an incident.
    """
    raw = _header_as_answered(raw, mapping)
    wanted = {column for source in mapping.fields.values() for column in source.columns}
    if wanted and not wanted & set(raw.table.columns):
        raise InputFileError(raw.name, "errors.unmapped_log", columns=listed(raw.table.columns),
                             wanted=listed(sorted(wanted)))
    made: dict[str, object] = {
        "source_file": pd.Series(raw.name, index=raw.table.index, dtype="str"),
        "source_row": raw.table.index.to_series().astype("int64"),
    }
    for name in FIELDS:
        made[name] = _field(raw.table, mapping.fields.get(name))
    return pd.DataFrame(made).reset_index(drop=True)


def _header_as_answered(raw: RawTable, mapping: Mapping) -> RawTable:
    """Drop the first row of a log if a person said that it holds column names after all."""
    if mapping.has_header == raw.has_header:
        return raw
    if mapping.has_header:
        return replace(raw, table=raw.table.iloc[1:])
    raise InputFileError(raw.name, "errors.header_read")



def _field(frame: pd.DataFrame, source: FieldSource | None) -> pd.Series:
    nothing = pd.Series(float("nan"), index=frame.index, dtype="str")
    if source is None:
        return nothing
    present = [place for place, name in enumerate(source.columns) if name in frame.columns]
    if not present:
        return nothing
    texts = [frame[source.columns[place]].str.strip().fillna("") for place in present]
    parts = [source.parts[place] for place in present] if source.parts else []
    if set(parts) & set(ADDRESS_PARTS):
        joined = _join([_address_part(part, text)
                        for part, text in zip(parts, texts, strict=True)])
    else:
        joined = _join_parts(dict(zip(parts, texts, strict=True))) if parts else _join(texts)
    return joined.mask(joined == "")


def _join(texts: list[pd.Series]) -> pd.Series:
    joined = texts[0]
    for text in texts[1:]:
        joined = (joined + " " + text).str.strip().str.replace(" ,", ",", regex=False)
    return joined


def _address_part(part: str, texts: pd.Series) -> pd.Series:
    """Write a block so that it cannot be taken for a house, a number so that it is one."""
    if part == "number":  # "Mill Lane, 9": without the comma it might be the street's own name
        close = texts.str.replace(r"(?<=\d)\s+(?=[A-Za-z]$)", "", regex=True)
        return close.mask(close != "", ", " + close)
    if part != "block":
        return texts
    bare = texts.str.replace(r"\.0+$", "", regex=True)
    return bare.mask(bare.str.fullmatch(r"\d+"), bare + " block of")


def _join_parts(parts: MappingOf[str, pd.Series]) -> pd.Series:
    """Put split dates together as ISO text; where no part is given the result is blank."""
    date = parts.get("date")
    if date is None:
        pieces = [parts[key].str.replace(r"\.0+$", "", regex=True)
                  for key in ("year", "month", "day") if key in parts]
        date = pieces[0]
        for piece in pieces[1:]:
            date = date + "-" + piece
        date = date.mask(date.str.fullmatch(r"-*"), "")
    clock = parts.get("time")
    if clock is None and "hour" in parts:
        clock = parts["hour"] + ":" + _two_digits(parts.get("minute", "00"))
        clock = clock.mask(parts["hour"] == "", "")
        if "second" in parts:
            clock = (clock + ":" + _two_digits(parts["second"])).mask(clock == "", "")
    if clock is None:
        return date
    if "half" in parts:
        clock = (clock + " " + parts["half"]).str.strip()
    return (date + " " + clock).mask(date == "", "").str.strip()


def _two_digits(text: pd.Series | str) -> pd.Series | str:
    if isinstance(text, str):
        return text
    return text.str.replace(r"\.0+$", "", regex=True).str.zfill(2)


# What an edited mapping file may hold: each table a model, so that every fault is said at once.

_TEXTS = "allowed.texts"


def _crs_named(value: str) -> str:
    try:
        CRS.from_user_input(value or WGS84)
    except CRSError as error:
        raise ValueError from error
    return value


def _projected(value: str) -> str:
    if _crs_named(value) and not CRS.from_user_input(value).is_projected:
        raise ValueError
    return value


class _Log(Section):
    name: str = Field(default="", description="allowed.text")
    has_header: bool = Field(description="allowed.flag")
    columns: list[str] = Field(description=_TEXTS)
    one_row: Literal[("", *ROW_UNITS)] = Field(  # type: ignore[valid-type]
        "", description=one_of(ROW_UNITS))


class _Field(Section):
    columns: list[str] = Field(min_length=1, description="allowed.columns")
    confidence: float = Field(default=1.0, ge=0, le=1, description="allowed.share")

    @field_validator("columns")
    @classmethod
    def _of_the_log(cls, columns: list[str], info: ValidationInfo) -> list[str]:
        known: list[str] | None = (info.context or {}).get("columns")
        strange = [] if known is None else [name for name in columns if name not in known]
        if known is not None and strange:
            raise wrong("errors.unknown_columns", names=listed(strange), known=listed(known))
        return columns


def _as_many(parts: list[str], info: ValidationInfo) -> list[str]:
    """Refuse parts that are not one for each column."""
    columns = info.data.get("columns", parts)
    if parts and len(parts) != len(columns):
        raise wrong("errors.parts_for_columns", parts=len(parts), columns=len(columns))
    return parts


class _AddressField(_Field):
    parts: list[Literal[ADDRESS_PARTS]] = Field(  # type: ignore[valid-type]
        default=[], description=one_of(ADDRESS_PARTS))

    @field_validator("parts")
    @classmethod
    def _one_for_each(cls, parts: list[str], info: ValidationInfo) -> list[str]:
        return _as_many(parts, info)


class _DateField(_Field):
    parts: list[Literal[DATE_PARTS]] = Field(  # type: ignore[valid-type]
        default=[], description=one_of(DATE_PARTS))
    day_first: bool = Field(default=True, description="allowed.flag")
    clock: Literal[CLOCKS] = Field(  # type: ignore[valid-type]
        "24", description=one_of(CLOCKS))
    formats: list[str] = Field(default=[], description=_TEXTS)

    @field_validator("parts")
    @classmethod
    def _one_for_each(cls, parts: list[str], info: ValidationInfo) -> list[str]:
        return _as_many(parts, info)


class _Places(Section):
    crs: Annotated[str, AfterValidator(_projected)] = Field(
        default="", description="allowed.projected_or_none")
    location_crs: Annotated[str, AfterValidator(_crs_named)] = Field(
        default=WGS84, description="allowed.crs")
    location_order: Literal[LOCATION_ORDERS] = Field(  # type: ignore[valid-type]
        "lat_lon", description=one_of(LOCATION_ORDERS))


class _Sizes(Section):
    unit: Literal[SIZE_UNITS] = Field(  # type: ignore[valid-type]
        "", description=one_of(SIZE_UNITS))


class _Services(Section):
    graffiti: list[str] = Field(default=[], description=_TEXTS)
    graffiti_private: list[str] = Field(default=[], description=_TEXTS)
    posters: list[str] = Field(default=[], description=_TEXTS)
    another: list[str] = Field(default=[], description=_TEXTS)


_Outcomes = create_model("_Outcomes", __base__=Section, **{  # type: ignore[call-overload]
    code: (list[str], Field(default=[], description=_TEXTS)) for code in OUTCOMES})


class _Question(Section):
    key: str = Field(description="allowed.proposed_key")
    ask: str = Field(description="allowed.text")
    choices: list[str] = Field(description=_TEXTS)
    assumed: str = Field(description="allowed.text")
    rows: int = Field(default=0, ge=0, description="allowed.whole")
    needed: bool = Field(default=False, description="allowed.flag")
    answer: str = Field(default="", description="allowed.choice")

    @field_validator("key")
    @classmethod
    def _known(cls, key: str) -> str:
        if not known_key(key):
            raise ValueError
        return key

    @field_validator("answer")
    @classmethod
    def _possible(cls, answer: str, info: ValidationInfo) -> str:
        key, choices = info.data.get("key", ""), info.data.get("choices")
        if not answer or not choices:
            return answer
        free = OWN_CODE in choices or key.startswith("project.")
        if answer not in choices and (not free or answer == OWN_CODE):
            raise wrong("errors.not_an_answer", value=answer, known=listed(choices))
        if key in ("places.crs", "places.location_crs") and answer != NONE:
            try:
                _projected(answer)
            except ValueError as error:
                raise wrong("errors.not_a_grid", crs=answer) from error
        columns = (info.context or {}).get("columns")
        if key.endswith(".columns") and columns and answer not in (*columns, NONE):
            raise wrong("errors.unknown_columns", names=(answer,), known=listed(columns))
        return answer


_FieldTables = create_model("_FieldTables", __base__=Section, **{  # type: ignore[call-overload]
    name: ({**dict.fromkeys(DATE_FIELDS, _DateField), "address": _AddressField}.get(name, _Field)
           | None,
           Field(default=None, description="allowed.field_table")) for name in FIELDS})
_WordLists = create_model("_WordLists", __base__=Section, **{  # type: ignore[call-overload]
    name: (list[str] | None, Field(default=None, description=_TEXTS)) for name in FIELDS})


_NO_PLACES, _NO_SIZES = _Places.model_validate({}), _Sizes.model_validate({})


class _MappingFile(Section):
    log: _Log = Field(description=table_named("log"))
    fields: _FieldTables = Field(  # type: ignore[valid-type]
        default_factory=_FieldTables, description=table_named("fields.X"))
    places: _Places = Field(default=_NO_PLACES, description=table_named("places"))
    sizes: _Sizes = Field(default=_NO_SIZES, description=table_named("sizes"))
    words: _WordLists = Field(  # type: ignore[valid-type]
        default_factory=_WordLists, description=table_named("words"))
    services: _Services | None = Field(default=None, description=table_named("services"))
    outcomes: _Outcomes | None = Field(  # type: ignore[valid-type]
        default=None, description=table_named("outcomes"))
    questions: list[_Question] = Field(
        default=[], description=table_named("[questions]"))


# The mapping as a TOML file that a person can read and edit.

_EVIDENCE = "# evidence: "
_TOLD = "shown.told"  # evidence as read back from a file, in the words that stood there
Tell = Callable[[Message], str]


def save_mapping(mapping: Mapping, path: Path | str, *, tell: Tell = as_text) -> None:
    """Write a mapping as TOML, its evidence as comments; whole or not at all.

    Parameters
    ----------
    mapping
        The mapping. Saving, loading and saving again gives the same bytes.
    path
        The file; its folder is made if missing.
    tell
        Puts evidence and questions into words.

    Raises
    ------
    InputFileError
        If the file cannot be written.
    """
    file = Path(path)
    text = mapping_text(mapping, tell=tell)
    with staged_folder(file.parent) as stage:
        (stage / file.name).write_text(text, encoding="utf-8", newline="\n")


def mapping_text(mapping: Mapping, *, tell: Tell = as_text) -> str:
    """Return a mapping as TOML text."""
    def said(evidence: Iterable[Message]) -> tuple[str, ...]:
        return tuple(_words(each, tell) for each in evidence)

    document = tomlkit.document()
    for line in tell(message("shown.head")).splitlines():
        document.add(tomlkit.comment(line))
    counted = {"one_row": mapping.one_row} if mapping.one_row else {}
    document.add("log", _written_table({"name": mapping.log_name, "has_header": mapping.has_header,
                                        **counted, "columns": mapping.columns}))
    fields = tomlkit.table(is_super_table=True)
    for name, source in mapping.fields.items():
        fields.add(name, _written_table(_field_values(source), said(source.evidence)))
    if mapping.fields:
        document.add("fields", fields)
    places = mapping.places
    document.add("places", _written_table(
        {"crs": places.crs, "location_crs": places.location_crs,
         "location_order": places.location_order}, said(places.evidence)))
    document.add("sizes", _written_table({"unit": mapping.size_unit}))
    document.add("words", _written_table(dict(mapping.words), (tell(message("shown.words_seen")),)))
    for name, lists, codes in (("services", mapping.services, SERVICES),
                               ("outcomes", mapping.outcomes, OUTCOMES)):
        if lists:
            document.add(name, _written_table({code: tuple(lists.get(code, ())) for code in codes},
                                              (tell(message(f"shown.{name}_head")),)))
    questions = question_tables(mapping.questions, tell=tell)
    if mapping.questions:
        document.add("questions", questions)
    return tomlkit.dumps(document)


def grown_text(text: str, questions: Sequence[Question], *,
               words: MappingOf[str, tuple[str, ...]], kinds: MappingOf[str, str],
               tell: Tell = as_text) -> str:
    """Return a mapping file's text with further questions, words and kinds; its comments stay.

    Parameters
    ----------
    text
        The file as it is.
    questions
        What is asked of values that are new, with answers where given; until then a kind of
        request counts as what is assumed.
    words
        Words of few-valued fields seen by now, so that they are new no longer.
    kinds
        New kinds of request whose words say plainly which class they count as.
    tell
        Puts questions into words.
    """
    document: Any = tomlkit.parse(text)
    grown = [("words", name, seen) for name, seen in words.items()]
    grown += [("services", code, (kind,)) for kind, code in kinds.items()]
    for asked in questions:
        group, _, value = asked.key.partition(".")
        if asked.answer or group == "services":
            grown.append((group, asked.answer or asked.assumed, (value,)))
    for group, name, seen in grown:
        if group not in document:
            document.add(group, tomlkit.table())
        known = tuple(document[group].get(name, ()))
        more = tuple(each for each in seen if each not in known)
        if more:
            document[group][name] = _array((*known, *more))
    if questions:
        tables = document.pop("questions", tomlkit.aot())
        for each in question_tables(questions, tell=tell):
            tables.append(each)
        document.add("questions", tables)  # tables of tables stand last
    return tomlkit.dumps(document)


def question_tables(questions: Iterable[Question], *, tell: Tell = as_text) -> AoT:
    """Return questions as tables that a person can answer, their evidence as comments."""
    tables = tomlkit.aot()
    for asked in questions:
        values: dict[str, Any] = {"key": asked.key, "ask": _words(asked.ask, tell),
                                  "choices": asked.choices, "assumed": asked.assumed}
        values |= {"rows": asked.rows} if asked.rows else {}
        values |= {"needed": True} if asked.needed else {}
        tables.append(_written_table({**values, "answer": asked.answer},
                                     tuple(_words(each, tell) for each in asked.evidence)))
    return tables


def _words(told: Message, tell: Tell) -> str:
    return str(told.facts["text"]) if told.code == _TOLD else tell(told)


def _field_values(source: FieldSource) -> dict[str, Any]:
    values: dict[str, Any] = {"columns": source.columns}
    if source.parts:
        values["parts"] = source.parts
    if source.dates is not None:
        values |= {"day_first": source.dates.day_first, "clock": source.dates.clock,
                   "formats": source.dates.formats}
    return {**values, "confidence": source.confidence}


def _written_table(values: dict[str, Any], evidence: tuple[str, ...] = ()) -> Table:
    table = tomlkit.table()
    for line in evidence:
        table.add(tomlkit.comment(f"evidence: {_one_line(line)}"))
    for key, value in values.items():
        table.add(key, _array(value) if isinstance(value, tuple) else value)
    return table


def _array(values: tuple[str, ...]) -> Any:
    array = tomlkit.array()
    array.extend(values)
    # Long lists read better one to a line.
    return array.multiline(sum(len(value) + 4 for value in values) > 80)


def _one_line(text: str) -> str:
    """Make a text fit a TOML comment, which must not hold control characters."""
    return "".join(c if c.isprintable() else " " for c in text).strip()


class _Given(_Question):
    """A question as a person may write it: its key and the answer."""

    ask: str = Field(default="", description="allowed.text")
    choices: list[str] = Field(default=[], description=_TEXTS)
    assumed: str = Field(default="", description="allowed.text")


class _Answers(Section):
    questions: list[_Given] = Field(description=table_named("[questions]"))


def load_answers(path: Path | str) -> dict[str, str]:
    """Read the answers given in a file of questions, by key; those left empty are left out.

    Parameters
    ----------
    path
        A TOML file of ``[[questions]]``, as ``rehit new`` wrote it and a person filled it in.

    Raises
    ------
    InputFileError
        If there is no such file or it is not TOML.
    ManyErrors
        Listing every fault with its place.
    """
    file = Path(path)
    document = parse_toml(file, missing="errors.no_answers")
    read, faults = checked(_Answers, document.unwrap(), where=str(file))
    if read is None:
        raise ManyErrors(str(file), faults)
    return {q.key: q.answer for q in read.questions if q.answer}


def load_mapping(path: Path | str) -> Mapping:
    """Read a mapping file, with the answers given in it put into its settings.

    Parameters
    ----------
    path
        The TOML file, as :func:`save_mapping` wrote it and a person may have edited it.

    Raises
    ------
    InputFileError
        If there is no such file or it is not TOML.
    ManyErrors
        Listing every fault with file and key.
    """
    file = Path(path)
    document = parse_toml(file, missing="errors.no_mapping")
    plain: dict[str, Any] = document.unwrap()
    log = plain.get("log")
    columns = log.get("columns") if isinstance(log, dict) else None
    known = columns if isinstance(columns, list) else None
    read, faults = checked(_MappingFile, plain, where=str(file), context={"columns": known})
    if read is None:
        raise ManyErrors(str(file), faults)
    return answered(_mapping(read, document))


def _mapping(read: _MappingFile, document: tomlkit.TOMLDocument) -> Mapping:
    tables: Any = document
    fields = {name: _source(getattr(read.fields, name), _evidence(tables["fields"][name]))
              for name in document.unwrap().get("fields", {})}
    questions = tuple(
        Question(q.key, _told(q.ask), tuple(q.choices), q.assumed, q.answer,
                 _evidence(tables["questions"][number]), q.rows, q.needed)
        for number, q in enumerate(read.questions))
    words = {name: tuple(getattr(read.words, name)) for name in document.unwrap().get("words", {})}
    places = Places(read.places.crs, read.places.location_crs, read.places.location_order,
                    _evidence(tables.get("places")))
    return Mapping(read.log.name, read.log.has_header, tuple(read.log.columns), fields, places,
                   read.sizes.unit, words, questions, _lists(read.services, SERVICES),
                   _lists(read.outcomes, OUTCOMES), read.log.one_row)


def _lists(read: Section | None, codes: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    return {} if read is None else {code: tuple(getattr(read, code)) for code in codes}


def _source(field: _Field, evidence: tuple[Message, ...]) -> FieldSource:
    columns = tuple(field.columns)
    if isinstance(field, _AddressField):
        return FieldSource(columns, tuple(field.parts), None, field.confidence, evidence)
    if not isinstance(field, _DateField):
        return FieldSource(columns, confidence=field.confidence, evidence=evidence)
    told = {"day_first", "clock", "formats"} & field.model_fields_set
    dates = DateStyle(field.day_first, field.clock, tuple(field.formats)) if told else None
    return FieldSource(columns, tuple(field.parts), dates, field.confidence, evidence)


def _evidence(table: object) -> tuple[Message, ...]:
    """Read the evidence back from the comments of a table."""
    body = getattr(getattr(table, "value", None), "body", [])
    lines = [item.as_string().strip() for _, item in body if isinstance(item, Comment)]
    return tuple(_told(line.removeprefix(_EVIDENCE)) for line in lines
                 if line.startswith(_EVIDENCE))


def _told(text: str) -> Message:
    return message(_TOLD, text=text)
