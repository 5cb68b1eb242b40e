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
        ``date_format_new``, ``date_order_changed``, ``clock_changed``, ``coordinates_changed``.
    severity
        ``fault`` (results would be wrong or empty), ``warning`` (results may change) or ``note``.
    count
        Rows concerned, or columns.
    effect, advice
        What it does to the results, and what to do, in words.
    subject
        The column or field it is about.
    """

    code: str
    severity: str
    count: int
    effect: str
    advice: str
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
        found += _coordinates(fields, mapping)
    order = {"fault": 0, "warning": 1, "note": 2}
    return sorted(found, key=lambda drift: order[drift.severity])


def _header_fits(raw: RawTable, mapping: Mapping) -> bool:
    return raw.has_header or not mapping.has_header or list(raw.table.columns) == list(
        mapping.columns)


def _columns(raw: RawTable, mapping: Mapping) -> list[Drift]:
    here = [str(name) for name in raw.table.columns]
    found: list[Drift] = []
    if raw.has_header != mapping.has_header and here != list(mapping.columns):
        now = "has" if raw.has_header else "lacks"
        return [Drift("header_lost", "fault", 1, f"the log now {now} a row of column names",
                      "export it as before, or propose a new mapping", raw.name)]
    for column in mapping.columns:
        if column not in here:
            users = [name for name, s in mapping.fields.items()
                     if column in s.columns and not _another_holds(name, s, here)]
            alike = [name for name in here if plain_words(name) == plain_words(column)]
            hint = f"; {alike[0]!r} may be the same one renamed" if alike else ""
            found.append(Drift(
                "column_missing", "fault" if users else "note", 1,
                f"nothing is read into {', '.join(users)}" if users else "none: it was not used",
                f"export the column again or change the mapping{hint}", column))
    for column in here:
        if column not in mapping.columns:
            found.append(Drift("column_new", "note", 1, "none: it is not read",
                               "add it to the mapping if it says something useful", column))
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
            found.append(Drift("column_empty", "warning", len(fields), f"{name} is always empty",
                               "ask the log's owner why it is no longer filled", name))
    return found


def _words(fields: pd.DataFrame, name: str, mapping: Mapping) -> list[Drift]:
    if name not in fields.columns:
        return []
    counts = fields[name].value_counts()
    known = {plain_words(word) for word in mapping.words[name]}
    new = {str(word): int(n) for word, n in counts.items() if plain_words(str(word)) not in known}
    if not new:
        return []
    listed = ", ".join(repr(word[:40]) for word in list(new)[:_SHOWN])
    more = f" and {len(new) - _SHOWN} more" if len(new) > _SHOWN else ""
    return [Drift("word_new", "warning", sum(new.values()),
                  f"words of {name} not seen before: {listed}{more}",
                  "see that the vocabulary reads them rightly, then add them under [words]", name)]


def _dates(fields: pd.DataFrame, name: str, mapping: Mapping) -> list[Drift]:
    texts = fields[name].dropna()
    source = mapping.fields.get(name)
    if source is None or not len(texts):
        return []
    then = source.dates or DateStyle()
    now = find_style(texts)
    found = []
    ordered = any("above 12" in line for line in now.evidence)
    if ordered and now.style.day_first != then.day_first:
        was, becomes = ("day", "month") if then.day_first else ("month", "day")
        found.append(Drift("date_order_changed", "fault", len(texts),
                           f"{name}: dates now have the {becomes} first, not the {was}",
                           f"set day_first under [fields.{name}] or have the export mended", name))
    marks = {_bare(form) for form in then.formats}
    new = [form for form in now.style.formats if _bare(form) not in marks]
    if new and marks:
        found.append(Drift("date_format_new", "warning", len(texts),
                           f"{name}: dates also written as {', '.join(new)}",
                           f"check a few of them, then add the format under [fields.{name}]", name))
    if now.style.clock != then.clock and "none" in (now.style.clock, then.clock):
        has = "no longer has" if now.style.clock == "none" else "now has"
        found.append(Drift("clock_changed", "note", len(texts), f"{name} {has} a time of day",
                           f"set clock under [fields.{name}]", name))
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
        what = "degrees" if degrees else "metres or feet"
        # A look at rows from the whole log first: only a changed log is worth counting out.
        if _strange(fields[name].iloc[::len(fields) // _LOOK + 1], degrees).mean() > _MAJORITY:
            found.append(Drift("coordinates_changed", "fault",
                               int(_strange(fields[name], degrees).sum()),
                               f"{name} no longer holds {what}",
                               "correct the columns and the CRS in the mapping", name))
    return found


def _strange(texts: pd.Series, degrees: bool) -> pd.Series:
    """Return for each cell with a number whether it is none of what the column held before."""
    values = numbers(texts.fillna(""))
    values = np.abs(values[np.isfinite(values) & (values != 0)])
    return pd.Series(values > 180 if degrees else values <= 180, dtype=bool)
