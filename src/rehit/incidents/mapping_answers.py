"""Answers to a mapping's questions, put into its settings."""

from __future__ import annotations

from dataclasses import replace

from rehit.errors import SettingError
from rehit.incidents.dates import DateStyle
from rehit.incidents.mapping_model import DATE_FIELDS, FIELDS, FieldSource, Mapping, Question

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
