"""What a mapping says: which column means what, how it is written, what is still to be asked."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field

from rehit.incidents.dates import DateStyle
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
