"""Which column of a log means what: the mapping, and its use on a raw log."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field, replace

import pandas as pd

from rehit.errors import InputFileError, SettingError
from rehit.incidents.dates import DateStyle
from rehit.incidents.read import RawLog
from rehit.tables import table

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
        The setting it decides, as its dotted name in the file, such as ``fields.reported.day_first``.
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


def apply_mapping(raw: RawLog, mapping: Mapping) -> pd.DataFrame:
    """Return the ``fields`` table of a raw log: one row for every row, nothing interpreted yet.

    Parameters
    ----------
    raw
        A log as :func:`rehit.incidents.read.read_log` gives it.
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
        If the log has none of the columns that the mapping names.
    """
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


def _listed(names: object) -> str:
    words = [repr(str(name)) for name in names]  # type: ignore[attr-defined]
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
        minute = parts["minute"] if "minute" in parts else "00"
        clock = parts["hour"] + ":" + _two_digits(minute)
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


def with_setting(mapping: Mapping, key: str, value: str) -> Mapping:
    """Return a copy of `mapping` in which the setting `key` has the value that was answered.

    Parameters
    ----------
    key
        A dotted name: ``fields.<field>.day_first``, ``fields.<field>.columns``, ``places.crs``,
        ``places.location_order``, ``sizes.unit`` or ``log.has_header``.
    value
        The answer as text. For ``columns`` a column name, or "none" to leave the field out.

    Raises
    ------
    SettingError
        If there is no such setting.
    """
    parts = key.split(".")
    if key == "sizes.unit":
        return replace(mapping, size_unit="" if value == "none" else value)
    if key == "log.has_header":
        return replace(mapping, has_header=value == "yes")
    if parts[0] == "places" and len(parts) == 2 and parts[1] in ("crs", "location_order"):
        known = "" if value == "none" else value
        return replace(mapping, places=replace(mapping.places, **{parts[1]: known}))
    if parts[0] == "fields" and len(parts) == 3 and parts[1] in FIELDS:
        return replace(mapping, fields=_answered_field(mapping, parts[1], parts[2], value))
    raise SettingError(f"question {key!r}", got="a key that names no setting",
                       allowed="such as fields.reported.day_first, places.crs, sizes.unit",
                       remedy="take the question as proposed and change only its answer")


def _answered_field(mapping: Mapping, name: str, setting: str,
                    value: str) -> dict[str, FieldSource]:
    fields = dict(mapping.fields)
    source = fields.get(name, FieldSource(()))
    if setting == "columns" and value == "none":
        fields.pop(name, None)
    elif setting == "columns":
        dates = source.dates or (DateStyle() if name in DATE_FIELDS else None)
        fields[name] = FieldSource((value,), dates=dates,
                                   evidence=("answered by a person",))
    elif setting == "day_first":
        style = source.dates or DateStyle()
        fields[name] = replace(source, dates=replace(style, day_first=value == "day first"))
    return fields
