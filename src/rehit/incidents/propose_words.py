"""What the words of a column's name say, from the editable list ``header_words.csv``."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

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
def header_words() -> tuple[HeaderWord, ...]:
    """Return the whole list."""
    text = (files("rehit.incidents") / "header_words.csv").read_text(encoding="utf-8")
    return tuple(HeaderWord(row["field"], row["words"], float(row["weight"]), row["language"],
                            row["reason"]) for row in csv.DictReader(text.splitlines()))


@cache
def _entries() -> Mapping[str, tuple[HeaderWord, ...]]:
    found: dict[str, list[HeaderWord]] = {}
    for entry in header_words():
        found.setdefault(entry.words, []).append(entry)
    return {words: tuple(entries) for words, entries in found.items()}


@cache
def _neutral() -> frozenset[str]:
    return frozenset(entry.words for entry in header_words() if entry.field == NEUTRAL)


@cache
def header_scores(name: str) -> Mapping[str, tuple[float, str]]:
    """Return, per field that the name speaks for, a score from 0 to 1 and the matching words.

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
