"""The words that logs, registers and works logs use, and the codes they stand for.

``words/terms/<kind>.csv`` has the columns ``word, code, language, reason``, one table per kind of
word whatever the file it is read from. A user's table has ``kind`` before them; its rows win.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pandas as pd
from rapidfuzz.distance import OSA

from rehit.errors import InputFileError, ManyErrors, RehitError
from rehit.files.reader import read_table
from rehit.messages import Message, message
from rehit.packaged import packaged_rows

KINDS = ("substrate", "finish", "medium", "status", "outcome", "priority", "size",
         "place_quality", "asset_type", "yes_no", "access", "method", "service")
USER_COLUMNS = ("kind", "word", "code", "language", "reason")
# What a user's row may say; size words carry names of rows of defaults/incidents.csv.
SIZE_CODES = ("tiny", "small", "medium", "large", "very_large", "door")
STATUS_CODES = ("open", "cleared", "closed", "duplicate", "void", "unknown")
# Codes that say nothing where another word of the text says something.
SILENT = ("unknown", "other")
LONGEST_TEXT = 200
# A slip of the pen in a word shorter than this is too easily another word; in a word no longer
# than the next only a swapped, lost or doubled letter counts ("store" is not "stone"); from the
# last on two slips do.
SHORTEST_MISSPELT, SHORT, LONG = 4, 5, 8


class Hit(NamedTuple):
    """One word found in a text: the code it stands for, and whether it was misspelt."""

    code: str
    word: str
    misspelt: bool


@dataclass(frozen=True)
class Terms:
    """The words of one kind, by their plain form."""

    kind: str
    codes: Mapping[str, str]
    longest: int

    def find(self, text: str, *, fuzzy: bool = True) -> tuple[Hit, ...]:
        """Return the words found in `text` from left to right, the longest phrase first.

        Examples
        --------
        >>> [hit.code for hit in default_words("substrate").find("Brik wall, painted")]
        ['brick']
        """
        tokens = plain_words(text)
        hits: list[Hit] = []
        place = 0
        while place < len(tokens):
            length, hit = self._longest_at(tokens, place)
            if hit is None and fuzzy:
                hit = self._misspelt(tokens[place])
            if hit is not None:
                hits.append(hit)
            place += length
        return tuple(hits)

    def _longest_at(self, tokens: list[str], place: int) -> tuple[int, Hit | None]:
        for length in range(min(self.longest, len(tokens) - place), 0, -1):
            phrase = " ".join(tokens[place:place + length])
            if phrase in self.codes:
                return length, Hit(self.codes[phrase], phrase, False)
        return 1, None

    def _misspelt(self, token: str) -> Hit | None:
        """Find the one word within a slip or two of `token`, or none if two codes are as near."""
        if len(token) < SHORTEST_MISSPELT or not token.isalpha():
            return None
        best: dict[str, str] = {}
        least = (1 if len(token) < LONG else 2) + 1
        for word, code in self.codes.items():
            if abs(len(word) - len(token)) > 2 or len(word) < SHORTEST_MISSPELT or (
                    word[0] != token[0]) or _another_short_word(token, word):
                continue
            distance = OSA.distance(token, word, score_cutoff=least)
            if distance < least:
                best, least = {code: word}, distance
            elif distance == least and best:
                best[code] = word
        if len(best) != 1:
            return None
        code, word = next(iter(best.items()))
        return Hit(code, word, True)


def _another_short_word(token: str, word: str) -> bool:
    return len(token) == len(word) <= SHORT and sorted(token) != sorted(word)


def telling_hit(hits: Sequence[Hit]) -> Hit | None:
    """Return the first word that says something, one spelt rightly before one that is not."""
    telling = [hit for hit in hits if hit.code not in SILENT]
    return next((hit for hit in (*(h for h in telling if not h.misspelt), *telling, *hits)), None)


def code_text(text: object, *, kind: str, words: Mapping[str, Terms] | None = None) -> str | None:
    """Return the code of the first word in `text` that says something; None if none is known.

    Examples
    --------
    >>> code_text("Metal - Painted", kind="substrate")
    'metal'
    >>> code_text("Conrete wall", kind="substrate")
    'concrete'
    >>> code_text("not painted", kind="finish")
    'bare'
    >>> code_text("gibberish", kind="substrate") is None
    True
    """
    if not isinstance(text, str):
        return None
    hit = telling_hit((words[kind] if words else default_words(kind)).find(text[:LONGEST_TEXT]))
    return hit.code if hit else None


def code_texts(values: pd.Series, *, kind: str, words: Mapping[str, Terms] | None = None,
               otherwise: str = "unknown") -> pd.Series:
    """Code a whole column, each different text once; what is not known becomes `otherwise`.

    Examples
    --------
    >>> code_texts(pd.Series(["Brick", None]), kind="substrate").tolist()
    ['brick', 'unknown']
    """
    known = {text: code_text(text, kind=kind, words=words) or otherwise
             for text in values.dropna().unique()}
    return values.map(known).astype("str").fillna(otherwise)


def plain_words(text: str) -> list[str]:
    """Split `text` into lower-case words and numbers without accents or punctuation.

    Examples
    --------
    >>> plain_words("  Métal - PAINTED/bare_face ")
    ['metal', 'painted', 'bare', 'face']
    """
    folded = text.casefold()
    if not folded.isascii():
        split = unicodedata.normalize("NFKD", folded)
        folded = "".join(c for c in split if not unicodedata.combining(c))
    return "".join(c if c.isalnum() else " " for c in folded).split()


@cache
def default_words(kind: str) -> Terms:
    """Return rehit's own words of one kind."""
    rows = packaged_rows("words/terms", f"{kind}.csv")
    return _terms(kind, ((row["word"], row["code"]) for row in rows))


def load_words(paths: Path | str | Sequence[Path | str] | None = None) -> dict[str, Terms]:
    """Return the words of every kind, with the user's rows put over rehit's own.

    Parameters
    ----------
    paths
        One path, several, or none: tables with the columns ``kind, word, code, language, reason``,
        the last two of which may be missing.

    Raises
    ------
    InputFileError
        If a file cannot be read as a table or lacks a column.
    ManyErrors
        Listing every row with an unknown kind or code, or without a word.

    Examples
    --------
    >>> sorted(load_words()) == sorted(KINDS)
    True
    """
    own = {kind: dict(default_words(kind).codes) for kind in KINDS}
    for path in _as_paths(paths):
        rows = _user_rows(path)
        faults = [fault for number, row in rows
                  if (fault := _row_fault(row, message("where.line", file=str(path), line=number)))]
        if faults:
            raise ManyErrors(str(path), faults)
        for _, row in rows:
            own[row["kind"]][" ".join(plain_words(row["word"]))] = row["code"]
    return {kind: _terms(kind, codes.items()) for kind, codes in own.items()}


def allowed_codes(kind: str) -> tuple[str, ...]:
    """Return the codes that a word of this kind may stand for; none for kinds of asset: any."""
    if kind == "size":
        return SIZE_CODES
    if kind == "status":
        return STATUS_CODES
    if kind == "asset_type":
        return ()
    return tuple(sorted(set(default_words(kind).codes.values())))


def _as_paths(paths: Path | str | Sequence[Path | str] | None) -> list[Path]:
    if paths is None:
        return []
    if isinstance(paths, str | Path):
        return [Path(paths)]
    return [Path(p) for p in paths]


def _user_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    raw = read_table(path, has_header=True)
    missing = [name for name in ("kind", "word", "code") if name not in raw.table]
    if missing:
        raise InputFileError(str(path), "errors.no_column", names=tuple(missing),
                             known=USER_COLUMNS)
    return raw.records()


def _row_fault(row: Mapping[str, str], where: Message) -> RehitError | None:
    if row["kind"] not in KINDS:
        return InputFileError(where, "errors.unknown_word_kind", kind=row["kind"],
                              known=tuple(KINDS))
    if not plain_words(row["word"]):
        return InputFileError(where, "errors.no_word")
    allowed = allowed_codes(row["kind"])
    if not row["code"] or (allowed and row["code"] not in allowed):
        code = "errors.unknown_code" if allowed else "errors.no_code"
        return InputFileError(where, code, name=row["code"], known=allowed)
    return None


def _terms(kind: str, pairs: Iterable[tuple[str, str]]) -> Terms:
    codes = {" ".join(plain_words(word)): code for word, code in pairs}
    return Terms(kind, codes, max((len(word.split()) for word in codes), default=1))
