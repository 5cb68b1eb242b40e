"""The editable words that address normalising rests on, each with its reason.

The file ``words/addresses.csv`` has the columns ``word, becomes, place, language, reason``.
``place`` says where in an address the row applies:

===========  =====================================================================
type         a street type after the name (``Main Ave`` -> ``main avenue``)
lead         the same word when it opens the name (``St Johns`` -> ``saint johns``)
first        a street type that opens the name (``C. Mayor`` -> ``calle mayor``)
any          anywhere
direction    compass point before or after the name
ending       the end of a compound word (``Hauptstr.`` -> ``hauptstrasse``)
front, tail  words after which the house number follows the street
crossing     announces two streets; ``and`` joins them
filler       dropped; ``unit`` is dropped with its number
relation     a place by a building (``opposite``): kept in the key
placeholder  a whole text that means "no address"
===========  =====================================================================
"""

from __future__ import annotations

import csv
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from rehit.errors import InputFileError, ManyErrors, RehitError
from rehit.files import read_csv_rows

COLUMNS = ("word", "becomes", "place", "language", "reason")
PLACES = ("type", "lead", "first", "any", "direction", "ending", "front", "tail", "crossing",
          "and", "filler", "unit", "relation", "placeholder")


@dataclass(frozen=True, eq=False)  # one set of words is itself only, so that results can be kept
class AddressWords:
    """Words by the place they apply in; :func:`load_address_words` makes it."""

    by_place: Mapping[str, Mapping[str, str]]

    def __getitem__(self, place: str) -> Mapping[str, str]:
        return self.by_place[place]


def plain(text: str) -> str:
    """Lower-case `text` without accents; each run of white space becomes one space.

    Examples
    --------
    >>> plain("  Große  Straße, São ")
    'grosse strasse, sao'
    """
    folded = text.casefold()
    if not folded.isascii():
        split = unicodedata.normalize("NFKD", folded)
        folded = "".join(c for c in split if not unicodedata.combining(c))
    return " ".join(folded.split())


@cache
def default_address_words() -> AddressWords:
    """Return the words that come with rehit."""
    source = files("rehit") / "words" / "addresses.csv"
    return _collect(csv.DictReader(source.read_text(encoding="utf-8").splitlines()))


def load_address_words(path: Path | str) -> AddressWords:
    """Return rehit's words with those of the user's CSV put before them.

    Parameters
    ----------
    path
        CSV with the columns ``word, becomes, place, language, reason``. A row with the same word
        and place as one of rehit's replaces it.

    Raises
    ------
    InputFileError
        If the file cannot be read.
    ManyErrors
        Listing every missing column, empty word and unknown place.
    """
    rows = read_csv_rows(path)
    faults: list[RehitError] = []
    for number, row in enumerate(rows, start=2):
        word, place = (row.get("word") or "").strip(), (row.get("place") or "").strip()
        if not word or place not in PLACES:
            faults.append(InputFileError(
                f"{path}, line {number}", got=f"word {word!r}, place {place!r}",
                allowed=f"a word, and a place among {', '.join(PLACES)}", remedy="mend the row"))
    if not rows:
        faults.append(InputFileError(str(path), got="no rows", allowed=", ".join(COLUMNS),
                                     remedy="add rows or do not give the file"))
    if faults:
        raise ManyErrors(str(path), faults)
    mine, base = _collect(rows), default_address_words()
    return AddressWords({p: {**base[p], **mine[p]} for p in PLACES})


def _collect(rows: Iterable[Mapping[str, str]]) -> AddressWords:
    found: dict[str, dict[str, str]] = {place: {} for place in PLACES}
    for row in rows:
        place = row["place"].strip()
        found[place].setdefault(plain(row["word"]), plain(row.get("becomes") or ""))
    return AddressWords(found)
