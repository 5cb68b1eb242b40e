"""Which column of a register or works log says what: by header words, or as the user says.

The words are in ``words/<name>.csv`` with the columns ``header, field, reason``, best first.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

from rehit.address_words import plain
from rehit.errors import RehitError, TableError


@cache
def header_words(name: str) -> dict[str, str]:
    """Return the header texts known for a kind of file and the field each stands for."""
    source = files("rehit") / "words" / f"{name}.csv"
    rows = csv.DictReader(source.read_text(encoding="utf-8").splitlines())
    return {row["header"]: row["field"] for row in rows}


def guess_columns(names: list[str], *, kind: str) -> tuple[dict[str, str], list[str]]:
    """Return field to column, and a note for each choice between several columns.

    Examples
    --------
    >>> guess_columns(["Asset_No", "Surface Material", "OBJECTID"], kind="register")[0]
    {'asset_id': 'Asset_No', 'substrate': 'Surface Material'}
    """
    words = header_words(kind)
    order = {text: place for place, text in enumerate(words)}
    ranked: dict[str, list[tuple[int, str]]] = {}
    for name in names:
        text = _header(name)
        if text in words:
            ranked.setdefault(words[text], []).append((order[text], name))
    chosen, notes = {}, []
    for field, options in ranked.items():
        options.sort()
        chosen[field] = options[0][1]
        if len(options) > 1:
            others = ", ".join(repr(name) for _, name in options[1:])
            notes.append(f"{field} is read from {options[0][1]!r}; {others} could be it too")
    return chosen, notes


def resolve_columns(names: list[str], columns: Mapping[str, str] | None, *, kind: str,
                    needed: tuple[str, ...], where: str) -> tuple[
        dict[str, str], list[str], list[RehitError]]:
    """Join the user's choice of columns with the guesses.

    Parameters
    ----------
    names
        Columns of the file.
    columns
        Field to column, as the user says.
    kind
        Which header words apply: ``register`` or ``works``.
    needed
        Fields without which nothing can be done.
    where
        Name of the file, for messages.

    Returns
    -------
    tuple
        Field to column; notes on how each was understood; faults.
    """
    guessed, notes = guess_columns(names, kind=kind)
    fields = sorted(set(header_words(kind).values()))
    faults: list[RehitError] = []
    for field, name in (columns or {}).items():
        if field not in fields:
            faults.append(TableError(f"{where}, columns", got=f"the field {field!r}",
                                     allowed=", ".join(fields), remedy="use one of these names"))
        elif name not in names:
            faults.append(TableError(f"{where}, columns", got=f"no column {name!r} for {field}",
                                     allowed=", ".join(map(repr, names)),
                                     remedy="name a column of the file"))
    chosen = {**guessed, **(columns or {})}
    faults += [
        TableError(where, got=f"no column that looks like {field}",
                   allowed=", ".join(map(repr, names)),
                   remedy=f'name it "{field.replace("_", " ")}" in the file '
                   f'(from Python: columns={{"{field}": "..."}})')
        for field in needed if field not in chosen]
    notes += [f"{field} is read from {name!r}" for field, name in chosen.items()]
    unused = [n for n in names if n not in chosen.values()]
    if unused:
        notes.append("columns not used: " + ", ".join(map(repr, unused)))
    return chosen, notes, faults


def _header(name: str) -> str:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    text = re.sub(r"[\W_]+", " ", plain(spaced)).strip()
    return text.replace("m²", "m2")
