"""Which column of a log means what: the mapping, its file, and its use on a raw log."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
import tomlkit
from pyproj import CRS
from pyproj.exceptions import CRSError
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Comment, Table

from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError
from rehit.files.rows import RawTable
from rehit.files.writing import staged_folder
from rehit.incidents.dates import CLOCKS, DateStyle
from rehit.tables import table

# What a mapping says: which column means what, how it is written, what is still to be asked.

DATE_FIELDS = ("reported", "cleared")
FIELDS = tuple(name for name in table("fields").names if name not in ("source_file", "source_row"))
DATE_PARTS = ("year", "month", "day", "hour", "minute", "second", "date", "time", "half")
LOCATION_ORDERS = ("lat_lon", "lon_lat", "wkt")
SIZE_UNITS = ("", "m2", "ft2", "m", "ft")


@dataclass(frozen=True)
class FieldSource:
    """Where one canonical field comes from.

    Attributes
    ----------
    columns
        Columns of the log whose texts are joined in order (with a space, or as date parts).
    parts
        For a date kept in several columns: the part each column holds (a word of ``DATE_PARTS``).
    dates
        For a date field: how it is written.
    confidence
        From 0 to 1, as proposed; 1 where a person wrote it.
    evidence
        What speaks for it, in words.
    """

    columns: tuple[str, ...]
    parts: tuple[str, ...] = ()
    dates: DateStyle | None = None
    confidence: float = 1.0
    evidence: tuple[str, ...] = ()


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
        What speaks for it, in words.
    """

    crs: str = ""
    location_crs: str = "EPSG:4326"
    location_order: str = "lat_lon"
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True)
class Question:
    """Something the log leaves open, with the answer assumed until a person gives one.

    Attributes
    ----------
    key
        The setting it decides, as its dotted name in the file (``fields.reported.day_first``).
    ask
        The question in plain words.
    choices
        The answers that are possible.
    assumed
        The answer used meanwhile.
    answer
        The person's answer, "" until given.
    evidence
        What is known about it.
    """

    key: str
    ask: str
    choices: tuple[str, ...]
    assumed: str
    answer: str = ""
    evidence: tuple[str, ...] = ()


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
    """

    log_name: str
    has_header: bool
    columns: tuple[str, ...]
    fields: MappingOf[str, FieldSource]
    places: Places = Places()
    size_unit: str = ""
    words: MappingOf[str, tuple[str, ...]] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()

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


def answer_allowed(question: Question) -> bool:
    """Whether the answer is one of the choices, or a code of one's own where that is offered."""
    own = OWN_CODE in question.choices and question.answer != OWN_CODE
    return not question.answer or own or question.answer in question.choices


def known_key(key: str) -> bool:
    """Whether a question's key names a setting that an answer can change."""
    parts = key.split(".")
    if parts[0] == "fields" and len(parts) == 3:
        return (parts[1] in FIELDS and parts[2] == "columns") or (
            parts[1] in DATE_FIELDS and parts[2] == "day_first")
    return key in ("sizes.unit", "log.has_header", *(f"places.{name}" for name in _PLACE_KEYS))


def with_setting(mapping: Mapping, key: str, value: str) -> Mapping:
    """Return a copy of `mapping` in which the setting `key` has the value that was answered.

    Parameters
    ----------
    mapping
        The mapping.
    key
        A dotted name: ``fields.<field>.day_first``, ``fields.<field>.columns``, ``places.crs``,
        ``places.location_crs``, ``places.location_order``, ``sizes.unit`` or ``log.has_header``.
    value
        The answer as text. For ``columns`` a column name, or "none" to leave the field out; a
        column that another field had is exchanged with it.

    Raises
    ------
    SettingError
        If there is no such setting.
    """
    if not known_key(key):
        raise SettingError(f"question {key!r}", got="a key that names no setting",
                           allowed="such as fields.reported.day_first, places.crs, sizes.unit",
                           remedy="take the question as proposed and change only its answer")
    known = "" if value == NONE else value
    group, _, name = key.partition(".")
    if group == "sizes":
        return replace(mapping, size_unit=known)
    if group == "log":
        return replace(mapping, has_header=value.startswith("no"))
    if group == "places":
        return replace(mapping, places=replace(mapping.places, **{name: known}))  # type: ignore[arg-type]
    field, _, setting = name.partition(".")
    if setting == "columns":
        return replace(mapping, fields=_with_column(mapping, field, value))
    return replace(mapping, fields=_with_order(mapping, field, value == "day first"))


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
                           confidence=1.0, evidence=("answered by a person",))
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
        raise InputFileError(
            raw.name, got=f"a log without any mapped column (it has: {_listed(raw.table.columns)})",
            allowed=f"columns such as {_listed(sorted(wanted))}",
            remedy="use the mapping made for this log, or propose a new one with: rehit new")
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
    raise InputFileError(
        raw.name, got="a first row that was read as column names",
        allowed="no column names (has_header = false in the mapping)",
        remedy="read the log again as one without a header: read_table(..., has_header=False)")


def _listed(names: Iterable[object]) -> str:
    words = [repr(str(name)) for name in names]
    return ", ".join(words[:8]) + (" ..." if len(words) > 8 else "")


def _field(frame: pd.DataFrame, source: FieldSource | None) -> pd.Series:
    nothing = pd.Series(float("nan"), index=frame.index, dtype="str")
    if source is None:
        return nothing
    present = [place for place, name in enumerate(source.columns) if name in frame.columns]
    if not present:
        return nothing
    texts = [frame[source.columns[place]].str.strip().fillna("") for place in present]
    parts = [source.parts[place] for place in present] if source.parts else []
    joined = _join_parts(dict(zip(parts, texts, strict=True))) if parts else _join(texts)
    return joined.mask(joined == "")


def _join(texts: list[pd.Series]) -> pd.Series:
    joined = texts[0]
    for text in texts[1:]:
        joined = (joined + " " + text).str.strip()
    return joined


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


# Every fault of an edited mapping file, with its key, all at once.

_SECTIONS = ("log", "fields", "places", "sizes", "words", "questions")
_Check = tuple[Callable[[Any], bool], str]


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _is_flag(value: Any) -> bool:
    return isinstance(value, bool)


def _is_share(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1


def _one_of(allowed: tuple[str, ...]) -> _Check:
    return (lambda value: isinstance(value, str) and value in allowed,
            "one of " + ", ".join(repr(word) for word in allowed))


def _is_crs(value: Any) -> bool:
    if not isinstance(value, str):
        return False
    try:
        return value == "" or bool(CRS.from_user_input(value))
    except CRSError:
        return False


def _is_projected(value: Any) -> bool:
    return _is_crs(value) and (value == "" or CRS.from_user_input(value).is_projected)


_TEXT: _Check = (_is_text, "a text")
_TEXTS: _Check = (_is_texts, 'a list of texts such as ["Date"]')
_FLAG: _Check = (_is_flag, "true or false")
_LOG: dict[str, _Check] = {"name": _TEXT, "has_header": _FLAG, "columns": _TEXTS}
_FIELD: dict[str, _Check] = {
    "columns": (lambda v: _is_texts(v) and len(v) > 0, 'column names such as ["Date"]'),
    "parts": (lambda v: _is_texts(v) and set(v) <= set(DATE_PARTS), f"of {', '.join(DATE_PARTS)}"),
    "day_first": _FLAG, "clock": _one_of(CLOCKS), "formats": _TEXTS,
    "confidence": (_is_share, "a number from 0 to 1"),
}
_DATE_KEYS = ("parts", "day_first", "clock", "formats")
_PLACES: dict[str, _Check] = {
    "crs": (_is_projected, 'a projected CRS such as "EPSG:27700", or ""'),
    "location_crs": (_is_crs, 'a CRS such as "EPSG:4326"'),
    "location_order": _one_of(LOCATION_ORDERS),
}
_SIZES: dict[str, _Check] = {"unit": _one_of(SIZE_UNITS)}
_QUESTION: dict[str, _Check] = {"key": _TEXT, "ask": _TEXT, "choices": _TEXTS, "assumed": _TEXT,
                                "answer": _TEXT}


def mapping_faults(plain: MappingOf[str, Any], *, where: str) -> list[RehitError]:
    """Return every fault of a mapping file: unknown keys, wrong types, columns the log never had.

    Parameters
    ----------
    plain
        The parsed TOML.
    where
        The file's name.
    """
    faults: list[RehitError] = [
        _fault(f"{where} [{name}]", "an unknown table", ", ".join(_SECTIONS), "delete or rename it")
        for name in plain if name not in _SECTIONS]
    log, log_faults = _table(plain, "log", where)
    faults += log_faults + _key_faults(log, _LOG, f"{where} [log]",
                                       required=("has_header", "columns"))
    columns = log.get("columns") if _is_texts(log.get("columns")) else None
    fields, field_faults = _table(plain, "fields", where, needed=False)
    faults += field_faults
    for name, values in fields.items():
        faults += _field_faults(name, values, columns, f"{where} [fields.{name}]")
    for name, checks in (("places", _PLACES), ("sizes", _SIZES)):
        values, own = _table(plain, name, where, needed=False)
        faults += own + _key_faults(values, checks, f"{where} [{name}]")
    words, word_faults = _table(plain, "words", where, needed=False)
    faults += word_faults + _key_faults(words, dict.fromkeys(FIELDS, _TEXTS), f"{where} [words]")
    return faults + _questions_faults(plain.get("questions", []), columns, where)


def _fault(where: str, got: str, allowed: str, remedy: str) -> SettingError:
    return SettingError(where, got=got, allowed=allowed, remedy=remedy)


def _table(plain: MappingOf[str, Any], name: str, where: str, *,
           needed: bool = True) -> tuple[MappingOf[str, Any], list[RehitError]]:
    values = plain.get(name)
    if isinstance(values, dict) or (values is None and not needed):
        return values or {}, []
    got = "nothing" if values is None else repr(values)[:60]
    return {}, [_fault(f"{where} [{name}]", got, f"a table [{name}]", "add it as proposed")]


def _key_faults(values: MappingOf[str, Any], checks: MappingOf[str, _Check], where: str, *,
                required: tuple[str, ...] = ()) -> list[RehitError]:
    faults: list[RehitError] = []
    for key, value in values.items():
        if key not in checks:
            faults.append(_fault(f"{where} {key}", "an unknown key", ", ".join(checks),
                                 "correct its spelling or delete it"))
        elif not checks[key][0](value):
            faults.append(_fault(f"{where} {key}", repr(value)[:80], checks[key][1], "change it"))
    faults += [_fault(f"{where} {key}", "no such key", checks[key][1], "add it")
               for key in required if key not in values]
    return faults


def _field_faults(name: str, values: Any, columns: list[str] | None,
                  where: str) -> list[RehitError]:
    if name not in FIELDS:
        return [_fault(where, "an unknown field", ", ".join(FIELDS), "correct or delete it")]
    if not isinstance(values, dict):
        return [_fault(where, repr(values)[:60], "a table with columns = [...]", "change it")]
    faults = _key_faults(values, _FIELD, where, required=("columns",))
    if name not in DATE_FIELDS:
        faults += [_fault(f"{where} {key}", "a date setting", " or ".join(DATE_FIELDS),
                          "delete it") for key in _DATE_KEYS if key in values]
    named = values.get("columns", ())
    if columns is not None and _is_texts(named):
        faults += [_fault(f"{where} columns", f"the column {column!r}", _named_faults(columns),
                          "correct its name") for column in named if column not in columns]
        parts = values.get("parts", ())
        if _is_texts(parts) and len(parts) != len(named):
            faults.append(_fault(f"{where} parts", f"{len(parts)} parts for {len(named)} columns",
                                 "one part for each column", "make the two lists equally long"))
    return faults


def _named_faults(names: list[str]) -> str:
    return ", ".join(map(repr, names[:12])) + (" ..." if len(names) > 12 else "")


def _questions_faults(questions: Any, columns: list[str] | None, where: str) -> list[RehitError]:
    if not isinstance(questions, list) or not all(isinstance(q, dict) for q in questions):
        return [_fault(f"{where} [[questions]]", repr(questions)[:60],
                       "tables that begin with [[questions]]", "write them as proposed")]
    faults: list[RehitError] = []
    for number, values in enumerate(questions, start=1):
        spot = f"{where} [[questions]] {number}"
        own = _key_faults(values, _QUESTION, spot, required=("key", "ask", "choices", "assumed"))
        faults += own or _answer_faults(values, columns, spot)
    return faults


def _answer_faults(values: dict[str, Any], columns: list[str] | None,
                   where: str) -> list[RehitError]:
    key, answer = values["key"], values.get("answer", "")
    question = Question(key, values["ask"], tuple(values["choices"]), values["assumed"], answer)
    if not known_key(key):
        return [_fault(f"{where} key", repr(key), "the key as proposed, such as places.crs",
                       "change only the answer")]
    if not answer_allowed(question):
        return [_fault(f"{where} answer", repr(answer), _named_faults(values["choices"]),
                       "write one of these, or leave it empty")]
    if answer and key in ("places.crs", "places.location_crs") and answer != "none" and (
            not _is_projected(answer)):
        return [_fault(f"{where} answer", repr(answer), 'a projected CRS such as "EPSG:27700"',
                       "write the code of the grid the log uses")]
    if answer and key.endswith(".columns") and columns and answer not in (*columns, "none"):
        return [_fault(f"{where} answer", repr(answer), _named_faults(columns), "name a column")]
    return []


# The mapping as a TOML file that a person can read and edit.

HEAD = (
    "How rehit reads this log. Check it, change what is wrong, and keep it for the next quarter.",
    "Under [fields.X], columns names the log's columns that hold X; delete a table to leave X out.",
    "Under [[questions]], write one of the choices into answer; an answer wins over the setting",
    "above that it decides. Until then the assumed answer is used.",
)
_EVIDENCE = "# evidence: "


def save_mapping(mapping: Mapping, path: Path | str) -> None:
    """Write a mapping as TOML, its evidence as comments; whole or not at all.

    Parameters
    ----------
    mapping
        The mapping. Saving, loading and saving again gives the same bytes.
    path
        The file; its folder is made if missing.

    Raises
    ------
    InputFileError
        If the file cannot be written.
    """
    file = Path(path)
    text = mapping_text(mapping)
    with staged_folder(file.parent) as stage:
        (stage / file.name).write_text(text, encoding="utf-8", newline="\n")


def mapping_text(mapping: Mapping) -> str:
    """Return a mapping as TOML text."""
    document = tomlkit.document()
    for line in HEAD:
        document.add(tomlkit.comment(line))
    document.add("log", _written_table({"name": mapping.log_name, "has_header": mapping.has_header,
                                "columns": mapping.columns}))
    fields = tomlkit.table(is_super_table=True)
    for name, source in mapping.fields.items():
        fields.add(name, _field_table(source))
    if mapping.fields:
        document.add("fields", fields)
    places = mapping.places
    document.add("places", _written_table({"crs": places.crs, "location_crs": places.location_crs,
                                   "location_order": places.location_order}, places.evidence))
    document.add("sizes", _written_table({"unit": mapping.size_unit}))
    document.add("words", _written_table(dict(mapping.words), (
        "the words seen when this mapping was made; a new one next quarter is reported",)))
    questions = tomlkit.aot()
    for question in mapping.questions:
        questions.append(_question_table(question))
    if mapping.questions:
        document.add("questions", questions)
    return tomlkit.dumps(document)


def _field_table(source: FieldSource) -> Table:
    values: dict[str, Any] = {"columns": source.columns}
    if source.parts:
        values["parts"] = source.parts
    if source.dates is not None:
        values |= {"day_first": source.dates.day_first, "clock": source.dates.clock,
                   "formats": source.dates.formats}
    values["confidence"] = source.confidence
    return _written_table(values, source.evidence)


def _question_table(question: Question) -> Table:
    return _written_table({"key": question.key, "ask": question.ask, "choices": question.choices,
                   "assumed": question.assumed, "answer": question.answer}, question.evidence)


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
    document = _parsed(file)
    faults = mapping_faults(document.unwrap(), where=str(file))
    if faults:
        raise ManyErrors(str(file), faults)
    return answered(_mapping(document))


def _parsed(file: Path) -> tomlkit.TOMLDocument:
    if not file.is_file():
        raise InputFileError(str(file), got="no such file" if not file.exists() else "a folder",
                             allowed="a mapping file in TOML",
                             remedy="propose one with: rehit new FOLDER --log YOUR_LOG")
    try:
        return tomlkit.parse(file.read_bytes().decode("utf-8-sig"))
    except (TOMLKitError, UnicodeDecodeError, OSError, ValueError) as error:
        raise InputFileError(str(file), got=f"unreadable TOML ({error})",
                             allowed="TOML text in UTF-8", remedy="mend that line") from error


def _mapping(document: tomlkit.TOMLDocument) -> Mapping:
    plain: dict[str, Any] = document.unwrap()
    log, places = plain["log"], plain.get("places", {})
    fields = {name: _read_field(values, _evidence(document["fields"][name]))
              for name, values in plain.get("fields", {}).items()}
    questions = tuple(
        Question(q["key"], q["ask"], tuple(q["choices"]), q["assumed"], q.get("answer", ""),
                 _evidence(document["questions"][number]))
        for number, q in enumerate(plain.get("questions", [])))
    return Mapping(
        log.get("name", ""), log["has_header"], tuple(log["columns"]), fields,
        Places(places.get("crs", ""), places.get("location_crs", "EPSG:4326"),
               places.get("location_order", "lat_lon"), _evidence(document.get("places"))),
        plain.get("sizes", {}).get("unit", ""),
        {name: tuple(words) for name, words in plain.get("words", {}).items()}, questions)


def _read_field(values: dict[str, Any], evidence: tuple[str, ...]) -> FieldSource:
    dates = None
    if "day_first" in values or "clock" in values or "formats" in values:
        dates = DateStyle(values.get("day_first", True), values.get("clock", "24"),
                          tuple(values.get("formats", ())))
    return FieldSource(tuple(values["columns"]), tuple(values.get("parts", ())), dates,
                       float(values.get("confidence", 1.0)), evidence)


def _evidence(table: object) -> tuple[str, ...]:
    """Read the evidence back from the comments of a table."""
    body = getattr(getattr(table, "value", None), "body", [])
    lines = [item.as_string().strip() for _, item in body if isinstance(item, Comment)]
    return tuple(line.removeprefix(_EVIDENCE) for line in lines if line.startswith(_EVIDENCE))
