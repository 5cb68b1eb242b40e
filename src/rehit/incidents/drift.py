"""What changed in a log since its mapping was made: columns, words, the way dates are written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.files.headers import plain_words
from rehit.files.rows import RawTable
from rehit.incidents.columns import numbers
from rehit.incidents.dates import DateStyle, find_style
from rehit.incidents.mapping import DATE_FIELDS, FieldSource, Mapping, apply_mapping
from rehit.incidents.services import new_services
from rehit.messages import Message, message

_SHOWN = 8
_MAJORITY = 0.5
_LOOK = 20_000  # rows that are enough to see that degrees became metres


@dataclass(frozen=True)
class Drift:
    """One change, in the columns of the findings table.

    Attributes
    ----------
    code
        ``column_missing``, ``column_new``, ``column_empty``, ``header_lost``, ``word_new``,
        ``date_format_new``, ``date_order_changed``, ``clock_changed``, ``coordinates_changed``,
        ``service_new``.
    severity
        ``fault`` (results would be wrong or empty), ``warning`` (results may change) or ``note``.
    count
        Rows concerned, or columns.
    effect, advice
        What it does to the results, and what to do.
    subject
        The column or field it is about.
    """

    code: str
    severity: str
    count: int
    effect: Message
    advice: Message
    subject: str


def find_drift(raw: RawTable, mapping: Mapping, *,
               fields: pd.DataFrame | None = None) -> list[Drift]:
    """Compare a log with the mapping made for an earlier one.

    Parameters
    ----------
    raw
        This quarter's log.
    mapping
        The mapping, with the columns, words and formats recorded when it was made.
    fields
        What the mapping makes of the log, where the caller has it already.

    Returns
    -------
    list of Drift
        Worst first; empty if nothing changed. A fault in reading the log itself is raised by
        :func:`rehit.incidents.mapping.apply_mapping`, not here.
    """
    found = _columns(raw, mapping)
    wanted = {column for source in mapping.fields.values() for column in source.columns}
    if wanted & set(raw.table.columns) and _header_fits(raw, mapping):
        fields = apply_mapping(raw, mapping) if fields is None else fields
        found += _empty(fields, mapping, raw)
        found += [drift for name in mapping.words for drift in _words(fields, name, mapping)]
        found += [drift for name in DATE_FIELDS for drift in _dates(fields, name, mapping)]
        found += _coordinates(fields, mapping) + _services(fields, mapping)
    order = {"fault": 0, "warning": 1, "note": 2}
    return sorted(found, key=lambda drift: order[drift.severity])


def _header_fits(raw: RawTable, mapping: Mapping) -> bool:
    return raw.has_header or not mapping.has_header or list(raw.table.columns) == list(
        mapping.columns)


def _columns(raw: RawTable, mapping: Mapping) -> list[Drift]:
    here = [str(name) for name in raw.table.columns]
    found: list[Drift] = []
    if raw.has_header != mapping.has_header and here != list(mapping.columns):
        return [Drift("header_lost", "fault", 1,
                      message("drift.header_new" if raw.has_header else "drift.header_gone"),
                      message("mend.as_before"), raw.name)]
    for column in mapping.columns:
        if column not in here:
            users = tuple(name for name, s in mapping.fields.items()
                          if column in s.columns and not _another_holds(name, s, here))
            alike = [name for name in here if plain_words(name) == plain_words(column)]
            found.append(Drift(
                "column_missing", "fault" if users else "note", 1,
                message("drift.column_missing", fields=users) if users
                else message("drift.column_unused"),
                message("mend.export_renamed", name=alike[0]) if alike
                else message("mend.export_column"), column))
    for column in here:
        if column not in mapping.columns:
            found.append(Drift("column_new", "note", 1, message("drift.column_new"),
                               message("mend.add_column"), column))
    return found


def _another_holds(name: str, source: FieldSource, here: list[str]) -> bool:
    """Whether the field stands in another column of the same source, renamed between files.

    The columns of an address or of a split date each hold a piece of their own.
    """
    return name != "address" and not source.parts and any(c in here for c in source.columns)


def _empty(fields: pd.DataFrame, mapping: Mapping, raw: RawTable) -> list[Drift]:
    found = []
    for name, source in mapping.fields.items():
        present = any(column in raw.table.columns for column in source.columns)
        if present and fields[name].isna().all():
            found.append(Drift("column_empty", "warning", len(fields),
                               message("drift.column_empty", field=name),
                               message("mend.ask_owner"), name))
    return found


def _words(fields: pd.DataFrame, name: str, mapping: Mapping) -> list[Drift]:
    if name not in fields.columns:
        return []
    counts = fields[name].value_counts()
    known = {plain_words(word) for word in mapping.words[name]}
    new = {str(word): int(n) for word, n in counts.items() if plain_words(str(word)) not in known}
    if not new:
        return []
    listed = tuple(f"'{word[:40]}'" for word in list(new)[:_SHOWN])
    more = len(new) - _SHOWN
    effect = message("drift.word_new", field=name, words=listed) if more <= 0 else message(
        "drift.word_new_many", field=name, words=listed, n=more)
    return [Drift("word_new", "warning", sum(new.values()), effect, message("mend.add_words"),
                  name)]


def _services(fields: pd.DataFrame, mapping: Mapping) -> list[Drift]:
    new = new_services(fields, values=mapping.services)
    if new.empty:
        return []
    listed = tuple(f"'{str(kind)[:40]}' ({n})" for kind, n in new.head(_SHOWN).items())
    return [Drift("service_new", "warning", int(new.sum()),
                  message("drift.service_new", words=listed), message("mend.add_services"),
                  "service")]


def _dates(fields: pd.DataFrame, name: str, mapping: Mapping) -> list[Drift]:
    texts = fields[name].dropna()
    source = mapping.fields.get(name)
    if source is None or not len(texts):
        return []
    then = source.dates or DateStyle()
    now = find_style(texts)
    found = []
    ordered = any(each.name.startswith("above_12") for each in now.evidence)
    if ordered and now.style.day_first != then.day_first:
        first = "drift.month_first" if then.day_first else "drift.day_first"
        found.append(Drift("date_order_changed", "fault", len(texts), message(first, field=name),
                           message("mend.set_day_first", field=name), name))
    marks = {_bare(form) for form in then.formats}
    new = tuple(form for form in now.style.formats if _bare(form) not in marks)
    if new and marks:
        found.append(Drift("date_format_new", "warning", len(texts),
                           message("drift.date_format_new", field=name, formats=new),
                           message("mend.add_format", field=name), name))
    if now.style.clock != then.clock and "none" in (now.style.clock, then.clock):
        has = "drift.clock_gone" if now.style.clock == "none" else "drift.clock_new"
        found.append(Drift("clock_changed", "note", len(texts), message(has, field=name),
                           message("mend.set_clock", field=name), name))
    return found


def _bare(form: str) -> str:
    """A format without its order of day and month, which is reported by itself."""
    return form.replace("DD", "##").replace("MM", "##")


def _coordinates(fields: pd.DataFrame, mapping: Mapping) -> list[Drift]:
    """See whether degrees became metres or the other way round."""
    found = []
    for name, degrees in (("latitude", True), ("longitude", True), ("easting", False),
                          ("northing", False)):
        if name not in mapping.fields:
            continue
        lost = "drift.no_degrees" if degrees else "drift.no_metres"
        # A look at rows from the whole log first: only a changed log is worth counting out.
        some = fields[name].iloc[::len(fields) // _LOOK + 1]
        if _strange(some, degrees).sum() > _MAJORITY * some.notna().sum():
            found.append(Drift("coordinates_changed", "fault",
                               int(_strange(fields[name], degrees).sum()),
                               message(lost, field=name), message("mend.correct_crs"), name))
    return found


def _strange(texts: pd.Series, degrees: bool) -> pd.Series:
    """Return for each cell with a number whether it is none of what the column held before."""
    values = numbers(texts.fillna(""))
    values = np.abs(values[np.isfinite(values) & (values != 0)])
    return pd.Series(values > 180 if degrees else values <= 180, dtype=bool)
