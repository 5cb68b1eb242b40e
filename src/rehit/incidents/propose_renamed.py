"""Columns that changed their name from one file of a log to the next."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import replace

from rehit.incidents.mapping_model import FieldSource
from rehit.incidents.propose_words import NEUTRAL, OTHER, header_scores
from rehit.incidents.read import RawLog

# A name must speak plainly for a field before two names are taken for one column.
_PLAIN = 0.6


def find_renamed(raw: RawLog) -> dict[str, str]:
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
        field = _field_of(name)
        if field and any(name not in columns for columns in raw.columns_of):
            by_field.setdefault(field, []).append(name)
    renamed: dict[str, str] = {}
    for names in by_field.values():
        held = [sum(name in columns for name in names) for columns in raw.columns_of]
        if len(names) > 1 and max(held) == 1:
            renamed |= dict.fromkeys(names[1:], names[0])
    return renamed


def _field_of(name: str) -> str:
    """Return the one field that a name speaks for best, "" if none or several."""
    scores = {field: score for field, (score, _) in header_scores(name).items()
              if field != NEUTRAL}
    best = max(scores.values(), default=0.0)
    fields = [field for field, score in scores.items() if score == best]
    return fields[0] if best >= _PLAIN and len(fields) == 1 and fields[0] != OTHER else ""


def under_first_names(raw: RawLog, renamed: MappingOf[str, str]) -> RawLog:
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
        said = tuple(f"{later!r} is {first!r} in other files" for later, first in renamed.items()
                     if first in source.columns)
        made[name] = replace(source, columns=tuple(columns), parts=tuple(parts),
                             evidence=source.evidence + said)
    return made
