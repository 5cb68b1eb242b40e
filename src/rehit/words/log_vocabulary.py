"""The words that logs use and the codes they stand for, each with its reason, in editable tables.

``vocabulary/<kind>.csv`` has the columns ``word, code, language, reason``. A user's table has the
same and ``kind`` before them; its rows win over rehit's own.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import NamedTuple

from rapidfuzz.distance import OSA

from rehit.errors import InputFileError, ManyErrors, RehitError
from rehit.files.reader import read_table
from rehit.packaged import packaged_rows

KINDS = ("substrate", "finish", "medium", "status", "outcome", "priority", "size",
         "place_quality", "asset_type")
USER_COLUMNS = ("kind", "word", "code", "language", "reason")
# What a user's row may say; size words carry names of rows of defaults/incidents.csv.
SIZE_CODES = ("tiny", "small", "medium", "large", "very_large", "door")
STATUS_CODES = ("open", "cleared", "closed", "duplicate", "void", "unknown")
# A slip of the pen in a word shorter than this is too easily another word.
SHORTEST_MISSPELT = 4


class Hit(NamedTuple):
    """One word found in a text: the code it stands for, and whether it was misspelt."""

    code: str
    word: str
    misspelt: bool


@dataclass(frozen=True)
class Say:
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
        least = (1 if len(token) < 8 else 2) + 1
        for word, code in self.codes.items():
            if abs(len(word) - len(token)) > 2 or len(word) < SHORTEST_MISSPELT or (
                    word[0] != token[0]):
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


def plain_words(text: str) -> list[str]:
    """Split `text` into lower-case words and numbers without accents or punctuation.

    Examples
    --------
    >>> plain_words("  Métal - PAINTED/bare ")
    ['metal', 'painted', 'bare']
    """
    folded = text.casefold()
    if not folded.isascii():
        split = unicodedata.normalize("NFKD", folded)
        folded = "".join(c for c in split if not unicodedata.combining(c))
    return "".join(c if c.isalnum() or c == "_" else " " for c in folded).split()


@cache
def default_words(kind: str) -> Say:
    """Return rehit's own words of one kind."""
    rows = packaged_rows("words/log", f"{kind}.csv")
    return _words(kind, ((row["word"], row["code"]) for row in rows))


def load_words(paths: Path | str | Sequence[Path | str] | None = None) -> dict[str, Say]:
    """Return the words of every kind, with the user's rows put over rehit's own.

    Parameters
    ----------
    paths
        One path, several, or none: CSV with the columns ``kind, word, code, language, reason``.

    Raises
    ------
    InputFileError
        If a file cannot be read as text in UTF-8.
    ManyErrors
        Listing every row with an unknown kind or code, or without a word.

    Examples
    --------
    >>> sorted(load_words()) == sorted(KINDS)
    True
    """
    own = {kind: dict(default_words(kind).codes) for kind in KINDS}
    for path in _as_paths(paths):
        faults: list[RehitError] = []
        for number, row in _user_rows(path):
            fault = _row_fault(row, f"{path}, line {number}", own)
            if fault:
                faults.append(fault)
                continue
            own[row["kind"]][" ".join(plain_words(row["word"]))] = row["code"]
        if faults:
            raise ManyErrors(str(path), faults)
    return {kind: _words(kind, codes.items()) for kind, codes in own.items()}


def allowed_codes(kind: str) -> tuple[str, ...]:
    """Return the codes that a word of this kind may stand for."""
    if kind == "size":
        return SIZE_CODES
    if kind == "status":
        return STATUS_CODES
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
        raise InputFileError(str(path), got=f"no column {', '.join(missing)}",
                             allowed=", ".join(USER_COLUMNS), remedy="add the column")
    return raw.records()


def _row_fault(row: Mapping[str, str], where: str,
               own: Mapping[str, object]) -> RehitError | None:
    if row["kind"] not in own:
        return InputFileError(where, got=f"the kind {row['kind']!r}", allowed=", ".join(KINDS),
                              remedy="correct the kind")
    if not plain_words(row["word"]):
        return InputFileError(where, got="no word", allowed="a word or phrase",
                              remedy="fill in the word or delete the line")
    if row["code"] not in allowed_codes(row["kind"]):
        return InputFileError(where, got=f"the code {row['code']!r}",
                              allowed=", ".join(allowed_codes(row["kind"])),
                              remedy="correct the code")
    return None


def _words(kind: str, pairs: Iterable[tuple[str, str]]) -> Say:
    codes = {" ".join(plain_words(word)): code for word, code in pairs}
    return Say(kind, codes, max((len(word.split()) for word in codes), default=1))
