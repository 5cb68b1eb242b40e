"""Say for surfaces and street things, turned into codes; shared by the rooms that read files.

``words/surfaces.csv``, ``things.csv`` and ``methods.csv`` have the columns
``term, field, code, language, reason``; a user's file of the same shape goes before them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pandas as pd
from rapidfuzz.distance import OSA

from rehit.errors import InputFileError, ManyErrors, RehitError
from rehit.files.reader import read_table
from rehit.packaged import packaged_rows
from rehit.words.addresses import plain

COLUMNS = ("term", "field", "code", "language", "reason")
LONGEST_TERM_WORDS = 4
_NOT_WORD = re.compile(r"[\W_]+")


@dataclass(frozen=True)
class Vocabulary:
    """Terms and their codes for each field; :func:`load_vocabulary` makes it."""

    fields: Mapping[str, Mapping[str, str]]

    def codes(self, field: str) -> tuple[str, ...]:
        """Return the codes that a field may take, in file order."""
        return tuple(dict.fromkeys(self.fields[field].values()))


@cache
def default_vocabulary() -> Vocabulary:
    """Return rehit's words: substrate, finish, asset_type, yes_no, access and method (of work)."""
    rows: list[dict[str, str]] = []
    for name in ("surfaces.csv", "things.csv", "methods.csv"):
        rows += packaged_rows("words", name)
    return Vocabulary(_collect(rows))


def load_vocabulary(path: Path | str | None = None) -> Vocabulary:
    """Return rehit's words, with those of the user's CSV put before them.

    Parameters
    ----------
    path
        CSV with the columns ``term, field, code, language, reason``. A term of the same field
        replaces rehit's. Codes must be among those rehit knows for the field, since later rooms
        rest on them; an asset type may be new.

    Raises
    ------
    InputFileError
        If the file cannot be read.
    ManyErrors
        Listing every row with an empty term, an unknown field or an unknown code.
    """
    base = default_vocabulary()
    if path is None:
        return base
    rows = read_table(path, has_header=True).records()
    faults = [f for number, row in rows for f in _row_faults(row, base, f"{path}, line {number}")]
    if faults:
        raise ManyErrors(str(path), faults)
    mine = _collect(row for _, row in rows)
    return Vocabulary({f: {**base.fields[f], **mine.get(f, {})} for f in base.fields})


def code_text(text: object, *, field: str, vocabulary: Vocabulary | None = None) -> str | None:
    """Return the code of the longest, then earliest, known term in `text`; None if there is none.

    Misspellings are forgiven: one slip in a word of six letters or more, and in a word of five
    only a swapped, lost or doubled letter ("store" must not turn into "stone").

    Examples
    --------
    >>> code_text("Metal - Painted", field="substrate")
    'metal'
    >>> code_text("Conrete wall", field="substrate")
    'concrete'
    >>> code_text("not painted", field="finish")
    'bare'
    >>> code_text("gibberish", field="substrate") is None
    True
    """
    if not isinstance(text, str):
        return None
    terms = (vocabulary or default_vocabulary()).fields[field]
    words = _NOT_WORD.sub(" ", plain(text[:200])).split()
    for length in range(min(LONGEST_TERM_WORDS, len(words)), 0, -1):
        for start in range(len(words) - length + 1):
            code = terms.get(" ".join(words[start:start + length]))
            if code is not None and (code != "unknown" or length == len(words)):
                return code
    for word in words:
        near = _near(word, terms)
        if near is not None:
            return terms[near]
    return "unknown" if any(terms.get(w) == "unknown" for w in words) else None


def code_texts(values: pd.Series, *, field: str, vocabulary: Vocabulary | None = None,
               otherwise: str = "unknown") -> pd.Series:
    """Code a whole column, each different text once; what is not known becomes `otherwise`.

    Examples
    --------
    >>> code_texts(pd.Series(["Brick", None]), field="substrate").tolist()
    ['brick', 'unknown']
    """
    known = {text: code_text(text, field=field, vocabulary=vocabulary) or otherwise
             for text in values.dropna().unique()}
    return values.map(known).astype("str").fillna(otherwise)


def _near(word: str, terms: Mapping[str, str]) -> str | None:
    """One known single word that `word` may be a slip for, or None when two would do."""
    if len(word) < 5 or not word.isalpha():
        return None
    found: dict[str, str] = {}
    for term, code in terms.items():
        if code == "unknown" or len(term) < 5 or term[0] != word[0]:
            continue
        if abs(len(term) - len(word)) > 1:
            continue
        if OSA.distance(word, term, score_cutoff=1) > 1:
            continue
        swapped = sorted(word) == sorted(term)
        if max(len(word), len(term)) > 5 or len(word) != len(term) or swapped:
            found[code] = term
    return next(iter(found.values())) if len(found) == 1 else None


def _collect(rows: Iterable[Mapping[str, str]]) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    for row in rows:
        term = _NOT_WORD.sub(" ", plain(row["term"])).strip()
        found.setdefault(row["field"].strip(), {}).setdefault(term, row["code"].strip())
    return found


def _row_faults(row: Mapping[str, str | None], base: Vocabulary, where: str) -> list[RehitError]:
    term, field, code = ((row.get(k) or "").strip() for k in ("term", "field", "code"))
    if not term or field not in base.fields or not code:
        return [InputFileError(
            where, got=f"term {term!r}, field {field!r}, code {code!r}",
            allowed=f"a term, a field among {', '.join(base.fields)}, and a code",
            remedy="mend the row")]
    allowed = base.codes(field)
    if field != "asset_type" and code not in allowed:
        return [InputFileError(where, got=f"the code {code!r} for {field}",
                               allowed=", ".join(allowed), remedy="use one of these codes")]
    return []
