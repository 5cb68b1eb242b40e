"""What the name of a column says: the one list of header words, ``headers.csv``.

Its columns are ``kind`` (of file: log, register, works), ``field``, ``words``, ``weight`` (0 to 1),
``language`` and ``reason``, best first. A log's names may say more or less than the words; those
of a register or works log must be the words as a whole.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from rehit.errors import RehitError, TableError
from rehit.messages import Message, message
from rehit.packaged import packaged_rows

OTHER = "other"
NEUTRAL = "neutral"
LONGEST_NAME = 80
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_NUMBER = re.compile(r"\b[nN][°º]")
_NOT_WORD = re.compile(r"[^a-z0-9]+")
_SPELT = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "ł": "l", "Ł": "L", "²": "2", "°": " ",
                        "№": "no", "#": " no "})


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
    spaced = _CAMEL.sub(" ", _NUMBER.sub("no ", name).translate(_SPELT))
    bare = unicodedata.normalize("NFKD", spaced)
    bare = "".join(c for c in bare if not unicodedata.combining(c))
    return _NOT_WORD.sub(" ", bare.lower()).strip()


@cache
def header_words(kind: str = "log") -> tuple[HeaderWord, ...]:
    """Return the list for one kind of file: ``log``, ``register`` or ``works``."""
    return tuple(HeaderWord(row["field"], row["words"], float(row["weight"]), row["language"],
                            row["reason"])
                 for row in packaged_rows("files", "headers.csv") if row["kind"] == kind)


@cache
def header_scores(name: str) -> Mapping[str, tuple[float, str]]:
    """Return, per field of a log that the name speaks for, a score from 0 to 1 and the words.

    Words that make up the whole name count in full; words that are only part of it count by the
    share of the name they cover, so that "closed" says less in "days closed late". Words such as
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
            for entry in _entries("log").get(words, ()):
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
    return len(cell) < LONGEST_NAME and any(
        score >= 0.6 for score, _ in header_scores(cell).values())


def resolve_columns(names: list[str], columns: Mapping[str, str] | None, *, kind: str,
                    needed: tuple[str, ...], where: str) -> tuple[
        dict[str, str], list[Message], list[RehitError]]:
    """Say which column of a register or works log holds what: as the user says, else by its name.

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
    fields = sorted({entry.field for entry in header_words(kind)})
    faults: list[RehitError] = []
    for field, name in (columns or {}).items():
        if field not in fields:
            faults.append(TableError(f"{where}, columns", "errors.unknown_name", name=field,
                                     known=tuple(fields)))
        elif name not in names:
            faults.append(TableError(f"{where}, columns", "errors.column_not_there", name=name,
                                     field=field, known=tuple(names)))
    chosen = {**guessed, **(columns or {})}
    faults += [
        TableError(where, "errors.no_column_like", field=field, name=field.replace("_", " "),
                   known=tuple(names))
        for field in needed if field not in chosen]
    notes += [message("columns.read_from", field=field, column=name)
              for field, name in chosen.items()]
    unused = [n for n in names if n not in chosen.values()]
    if unused:
        notes.append(message("columns.unused", columns=_listed(unused)))
    return chosen, notes, faults


def guess_columns(names: Iterable[str], *, kind: str) -> tuple[dict[str, str], list[Message]]:
    """Return field to column, and a note for each choice between several columns.

    Examples
    --------
    >>> guess_columns(["Asset_No", "Surface Material", "OBJECTID"], kind="register")[0]
    {'asset_id': 'Asset_No', 'substrate': 'Surface Material'}
    """
    ranks = {entry.words: rank for rank, entry in enumerate(header_words(kind))}
    found: dict[str, list[tuple[int, str]]] = {}
    for name in names:
        for entry in _entries(kind).get(plain_words(name), ()):
            found.setdefault(entry.field, []).append((ranks[entry.words], name))
    notes = []
    for field, options in found.items():
        options.sort()
        if len(options) > 1:
            notes.append(message("columns.several", field=field, column=options[0][1],
                                 others=_listed(name for _, name in options[1:])))
    return {field: options[0][1] for field, options in found.items()}, notes


def _listed(names: Iterable[str]) -> str:
    return ", ".join(map(repr, names))


@cache
def _entries(kind: str) -> Mapping[str, tuple[HeaderWord, ...]]:
    found: dict[str, list[HeaderWord]] = {}
    for entry in header_words(kind):
        found.setdefault(entry.words, []).append(entry)
    return {words: tuple(entries) for words, entries in found.items()}


@cache
def _neutral() -> frozenset[str]:
    return frozenset(entry.words for entry in header_words("log") if entry.field == NEUTRAL)
