"""Which column of a register or works log says what: by header words, or as the user says.

The words are in ``words/<name>.csv`` with the columns ``header, field, reason``, best first.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from rehit.errors import RehitError, TableError
from rehit.words.addresses import plain


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


# What the words of a column's name say, from the editable list ``log_headers.csv``.

OTHER = "other"
NEUTRAL = "neutral"
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_NOT_WORD = re.compile(r"[^a-z0-9]+")
_SPELT = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "²": "2", "°": " ", "№": "no",
                        "#": " no "})


@dataclass(frozen=True)
class HeaderWord:
    """One entry of the list: words that speak for a field, how strongly, and why."""

    field: str
    words: str
    weight: float
    language: str
    reason: str


def plain_words(name: str) -> str:
    """Return a column's name as lower-case words without accents or signs.

    Examples
    --------
    >>> plain_words("closedDate"), plain_words("Größe_in_m²"), plain_words("GPS-Lat.")
    ('closed date', 'grosse in m2', 'gps lat')
    """
    spaced = _CAMEL.sub(" ", name.translate(_SPELT))
    bare = unicodedata.normalize("NFKD", spaced)
    bare = "".join(c for c in bare if not unicodedata.combining(c))
    return _NOT_WORD.sub(" ", bare.lower()).strip()


@cache
def log_header_words() -> tuple[HeaderWord, ...]:
    """Return the whole list."""
    text = (files("rehit.words") / "log_headers.csv").read_text(encoding="utf-8")
    return tuple(HeaderWord(row["field"], row["words"], float(row["weight"]), row["language"],
                            row["reason"]) for row in csv.DictReader(text.splitlines()))


@cache
def _entries() -> Mapping[str, tuple[HeaderWord, ...]]:
    found: dict[str, list[HeaderWord]] = {}
    for entry in log_header_words():
        found.setdefault(entry.words, []).append(entry)
    return {words: tuple(entries) for words, entries in found.items()}


@cache
def _neutral() -> frozenset[str]:
    return frozenset(entry.words for entry in log_header_words() if entry.field == NEUTRAL)


@cache
def header_scores(name: str) -> Mapping[str, tuple[float, str]]:
    """Return, per field that the name speaks for, a score from 0 to 1 and the matching words.

    Say that make up the whole name count in full; words that are only part of it count by the
    share of the name they cover, so that "closed" says less in "days closed late". Say such as
    "of" and "the" do not count.

    Examples
    --------
    >>> header_scores("Completion Date")["cleared"]
    (0.95, 'completion date')
    >>> header_scores("Logged on")["reported"], header_scores("days closed late")["cleared"]
    ((0.95, 'logged'), (0.5333, 'closed'))
    """
    tokens = plain_words(name).split()
    scores: dict[str, tuple[float, str]] = {}
    for start in range(len(tokens)):
        for end in range(start + 1, len(tokens) + 1):
            words = " ".join(tokens[start:end])
            for entry in _entries().get(words, ()):
                if entry.field == NEUTRAL:
                    continue
                outside = [t for t in tokens[:start] + tokens[end:] if t not in _neutral()]
                share = (end - start) / (end - start + len(outside))
                # Half for being there at all, half for how much of the name it is.
                score = round(entry.weight * (0.5 + 0.5 * share), 4) if share < 1 else entry.weight
                if score > scores.get(entry.field, (0.0, ""))[0]:
                    scores[entry.field] = (score, words)
    return scores


def is_header_word(cell: str) -> bool:
    """Whether a cell could be a column's name: the list knows the whole of it, or most."""
    return len(cell) < 80 and any(score >= 0.6 for score, _ in header_scores(cell).values())
