"""Addresses as keys: the same place written two ways gets one key; a placeholder gets none.

The words it knows are in ``words/addresses.csv`` (see :mod:`rehit.words.addresses`).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import pandas as pd

from rehit.packaged import packaged_rows
from rehit.words.geometry_text import is_three_words, pasted_point

# The words that address normalising rests on, each with its reason.
#
# The file ``words/addresses.csv`` has the columns ``word, becomes, place, language, reason``.
# ``place`` says where in an address the row applies:
#
# ===========  =====================================================================
# type         a street type after the name (``Main Ave`` -> ``main avenue``)
# lead         the same word when it opens the name (``St Johns`` -> ``saint johns``)
# first        a street type that opens the name (``C. Mayor`` -> ``calle mayor``)
# any          anywhere
# direction    compass point before or after the name
# ending       the end of a compound word (``Hauptstr.`` -> ``hauptstrasse``)
# front, tail  words after which the house number follows the street
# crossing     announces two streets; ``and`` joins them
# filler       dropped; ``unit`` is dropped with its number
# storey       storey or door behind a house number: dropped
# relation     a place by a building (``opposite``): kept in the key
# placeholder  a whole text that means "no address"
# office       names the seat of the council, which stands in for places nobody gave
# joint        joins two streets that are both plainly streets (``Elm St at Oak Ave``)
# ===========  =====================================================================

COLUMNS = ("word", "becomes", "place", "language", "reason")
PLACES = ("type", "lead", "first", "any", "direction", "ending", "front", "tail", "crossing",
          "and", "joint", "filler", "unit", "storey", "relation", "placeholder", "office")


@dataclass(frozen=True, eq=False)  # one set of words is itself only, so that results can be kept
class AddressWords:
    """What each word becomes, by the place in an address that it applies in."""

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
    return _collect(packaged_rows("words", "addresses.csv"))


def _collect(rows: Iterable[Mapping[str, str]]) -> AddressWords:
    found: dict[str, dict[str, str]] = {place: {} for place in PLACES}
    for row in rows:
        place = row["place"].strip()
        found[place].setdefault(plain(row["word"]), plain(row.get("becomes") or ""))
    return AddressWords(found)


# Names of streets put in one spelling: the inner part of :mod:`rehit.words.addresses`.

POSTCODE = re.compile(r"\d{4,6}(?:-\d{4})?|[a-z]{1,2}\d[a-z\d]?")
_BRACKETS = re.compile(r"\([^()]*\)|\[[^\[\]]*\]")
_DROP = re.compile(r"['’`\"´]|(?<=\b[a-z])\.(?=[a-z]\b)")
_BARE = re.compile(r"[a-z0-9 ]+")
_TELLING = re.compile(r"\b(?:to|no|nr|bis|\d+bis)\b")
_MASK = re.compile(r"^(\d*)([#*?x]{2,})(?=\s)")  # 11## Elm St, XX Elm St
_REWRITES = tuple((re.compile(pattern), becomes) for pattern, becomes in (
    (r"^0*(?P<h>\d+)0[01]\s*(?:-|\u2013|to)\s*0*(?P=h)9[89](?=\s+(?!bl))",
     r"\g<h>00 block of"),
    (r"^0*[01]\s*(?:-|\u2013|to)\s*9[89](?=\s+(?!bl))", "0 block of"),
    (r"\b(?:https?|geo):\S*", " "),
    (r"\br/c\b|\bs/n\b", " "),
    (r"\bc/\s*", "calle "),
    (r"(\d)\s+1/2\b", r"\1h"),  # 12 1/2 is a house of its own
    # Before the street the unit comes first (26/5 High St); after it, the house (Lipowa 26/5).
    (r"([^\W\d][\w.]*)[,.]?\s+(\d{1,5}[a-z]?)\s*(?:/\s*\d{1,5}[a-z]?)+(?=\s*(?:,|$))",
     r"\1, \2"),
    (r"^(\d.*?)\s*#\s*[\w-]+", r"\1"),  # a unit, where the house number leads
    (r"#\s*(?=\d)", ", "),
    (r"#\s*\w+", " "),
    (r"\bo/s\b", "outside"),
    (r"\bw/|\bn/a\b", " "),
    (r"^(\d+)[a-z]?\s*&\s*(?=\d+[a-z]?\b)", r"\1-"),  # 12 & 14 High St
    (r"(\d)[a-z]?\s*(?:-|to)\s*(?=\d)", r"\1-"),
    (r"(\d)\s*bis\b", r"\1b"),
    (r"\bn[º°o]\.?\s*(?=\d)|\bnr\.?\s*(?=\d)", " "),
    (r"[^\w&/@,#+-]|_", " "),
    (r"(?<!\d)-|-(?!\d)", " "),
    (r"\b\d{1,5}[a-z]?(?:-\d{1,5})?\s*/\s*(?=\d)", " "),  # 3/12 High St
))
# "1a", "3o": a storey or door behind a house number.
_ORDINAL = re.compile(r"\d{1,2}(?:o|a|er|ro|do|to|mo|no|e|eme|st|nd|rd|th)")
_NUMBERED_TYPES = ("street", "avenue")  # what a bare number names: 951 4 Avenue


def tidy(raw: str) -> str:
    """Drop brackets and punctuation from a plain text; keep what separates streets."""
    if _BARE.fullmatch(raw) and not _TELLING.search(raw):
        return raw  # nothing to tidy: most addresses
    outside = _BRACKETS.sub(" ", raw)
    line = outside if outside.strip(" ,.-") else re.sub(r"[()\[\]]", " ", raw)
    line = _DROP.sub("", line)
    for pattern, becomes in _REWRITES:
        line = pattern.sub(becomes, line)
    return " ".join(line.split()).strip(" ,&/@+-")


def ends_like_type(word: str, known: AddressWords) -> bool:
    """Whether a word is, or ends in, a type that its house number follows."""
    return word.endswith(tuple(known["tail"])) or (
        len(word) > 4 and word.endswith(tuple(known["ending"])))


def typed(side: str, known: AddressWords) -> bool:
    """Whether a text ends (or opens) with a street type, so that it must be a street."""
    tokens = side.split()
    while len(tokens) > 1 and (tokens[-1] in known["direction"]
                               or tokens[-1] in known["direction"].values()):
        tokens = tokens[:-1]
    types = known["type"]
    if len(tokens) == 2 and tokens[0] in types.values() and tokens[1].isdigit():
        return True  # Avenue 28
    return len(tokens) > 1 and (
        tokens[-1] in types or tokens[-1] in types.values() or tokens[0] in known["front"]
        or tokens[0] in known["first"] or ends_like_type(tokens[-1], known))


def area_of(rest: list[str], known: AddressWords) -> tuple[str | None, str | None]:
    """Return locality and postcode of the pieces after the street."""
    words = [w for piece in rest for w in piece.split()]
    codes = [w for w in words if POSTCODE.fullmatch(w)]
    kept = [known["any"].get(w, w) for w in words if w not in codes
            and not re.fullmatch(r"\d[a-z]{2}", w) and not w.isdigit()]
    return " ".join(kept) or None, codes[0][:5] if codes else None


def street_name(tokens: list[str], known: AddressWords) -> str | None:
    """Put each word of a street name in its full form, by where it stands."""
    return _street_name(tuple(tokens), known)


@lru_cache(maxsize=100_000)  # a log names each street many times
def _street_name(given: tuple[str, ...], known: AddressWords) -> str | None:
    tokens = [t.strip("&/@+#-") for t in given]
    tokens = [t for t in tokens if t]
    if len(tokens) > 1 and tokens[0] == "the":
        tokens = tokens[1:]
    if not tokens or not any(c.isalpha() for t in tokens for c in t):
        return None
    compass = known["direction"]
    tokens = [ordinal(t) if _numbered_street(tokens[i:i + 2], known) else t
              for i, t in enumerate(tokens)]
    last = len(tokens) - 1
    if last and (tokens[last] in compass or tokens[last] in compass.values()):
        last -= 1
    ends_typed = tokens[last] in known["type"] or tokens[last] in known["type"].values()
    out: list[str] = []
    opening = True
    for place, token in enumerate(tokens):
        word = token
        if len(tokens) > 1 and token in compass and (opening or place > last):
            word = compass[token]
        elif opening and len(tokens) > 1 and not ends_typed and token in known["first"]:
            word = known["first"][token]
        elif opening and place < last and token in known["lead"]:
            word = known["lead"][token]
        elif place and token in known["type"] and (not opening or place == last):
            word = known["type"][token]
        elif token in known["any"]:
            word = known["any"][token]
        else:
            word = _compound(token, known)
        if word not in compass.values():
            opening = False
        out.append(word)
    return " ".join(out)


def ordinal(number: str) -> str:
    """Write the number of a street as its name has it.

    Examples
    --------
    >>> [ordinal(number) for number in ("4", "11", "42", "103")]
    ['4th', '11th', '42nd', '103rd']
    """
    tens = number[-2:-1] == "1"
    return number.lstrip("0") + ("th" if tens else {"1": "st", "2": "nd", "3": "rd"}.get(
        number[-1], "th"))


def _compound(token: str, known: AddressWords) -> str:
    if token.isascii() and token.isalpha():
        for ending, becomes in known["ending"].items():
            if token.endswith(ending) and len(token) > len(ending) + 2:
                return token[: -len(ending)] + becomes
    return token


_NUMBER = re.compile(r"(\d{1,6})([a-z]?)(?:-(\d{1,6})[a-z]?)?")
_MASKED = re.compile(r"0*(\d*)(x+)")
_LOT = re.compile(r"\blots? (?:no )?(\d{1,6}[a-z]?)\b")
_HIDDEN = -1  # a house number of which nothing is told
MOST_STREETS = 4  # at one crossing
_BLOCK = re.compile(r"\b(?:(\d{1,6})(?:-\d{1,6})?\s+(?:block|blk|blok)(?:\s+of)?"
                    r"|(?:block|blk)\s+(\d{1,6}))\b")
_BETWEEN = re.compile(r"\b(?:between|betw|btwn|btw|entre|zwischen)\b")
_SYMBOL = re.compile(r"\s*[&@+]\s*|\s*/\s*(?=\D)")
# "12 high street": a house and a street of words that say nothing of blocks, lots or units.
_PLAIN_KEY = (r"^([1-9]\d{0,5})[a-z]? (?!.*\b(?:block|blk|blok|lots?|between|betw|btwn|btw|entre|"
              r"zwischen|to|no|nr|bis)\b)[a-z]{3,}(?: [a-z]{3,})+$")
_EMPTY = re.compile(r"[\W_]*|[x\W_]+|[0\W_]+")
_TAIL_NUMBER = re.compile(r"(.*\D)[\s,]+(\d{1,5}[a-z]?)")


@dataclass(frozen=True)
class Address:
    """One address taken apart.

    ``kind`` is ``number`` (a building), ``block`` (a stretch of street), ``street``,
    ``intersection`` or ``none``. ``number_low`` and ``number_high`` are the range of house
    numbers (12 to 12 for number 12; 1200 to 1299 for the 1200 block). ``postcode`` is not part of
    the key: whoever holds a whole log decides whether it tells places apart.
    """

    key: str | None = None
    street: str | None = None
    kind: str = "none"
    number: str | None = None
    number_low: int | None = None
    number_high: int | None = None
    locality: str | None = None
    postcode: str | None = None


NOWHERE = Address()


def normalise_address(text: object) -> str | None:
    """Return the key under which two spellings of one address meet, or None for no address.

    Case, accents, punctuation, double spaces, abbreviations, units within a building and the
    order of the two streets of a crossing make no difference. A locality after a comma stays in
    the key, since one street name may serve two suburbs; postcodes go.

    Examples
    --------
    >>> normalise_address("12  HIGH ST.") == normalise_address("Unit 4, 12 High Street")
    True
    >>> normalise_address("Intersection of Oak Ave and N. Main St")
    'north main street & oak avenue'
    >>> normalise_address("Not Recorded") is None
    True
    """
    return parse_address(text).key


def parse_address(text: object) -> Address:
    """Take one address apart; anything that is not text, or says "no address", gives `NOWHERE`.

    Parameters
    ----------
    text
        Address as written.

    Examples
    --------
    >>> parse_address("012XX S STATE ST").number_high
    1299
    >>> parse_address("Hauptstr. 12").key
    '12 hauptstrasse'
    """
    if not isinstance(text, str):
        return NOWHERE
    known = default_address_words()
    raw = _MASK.sub(lambda m: m[1] + "x" * len(m[2]), plain(text[:300]))
    if _EMPTY.fullmatch(raw) or raw.strip(" .,-?!*()[]<>") in known["placeholder"]:
        return NOWHERE
    if pasted_point(text) is not None or is_three_words(text):
        return NOWHERE
    line = tidy(raw)
    if not line or line in known["placeholder"]:
        return NOWHERE
    return _crossing(line, known) or _between(line, known) or _numbered(line, known)


def address_table(values: pd.Series) -> pd.DataFrame:
    """Take a whole column of addresses apart, each different text once.

    Parameters
    ----------
    values
        Addresses as written; empty cells allowed.

    Returns
    -------
    pandas.DataFrame
        Same index as `values`; columns ``address_key, street_key, address_kind, number_low,
        number_high, locality, postcode`` (text empty where not known, numbers ``Int64``).

    Examples
    --------
    >>> address_table(pd.Series(["5 Elm Rd", None]))["address_key"].tolist()
    ['5 elm road', nan]
    """
    codes, unique = pd.factorize(values, use_na_sentinel=True)
    parsed = [parse_address(text) for text in unique] + [NOWHERE]
    table = pd.DataFrame({
        "address_key": pd.array([a.key for a in parsed], dtype="str"),
        "street_key": pd.array([a.street for a in parsed], dtype="str"),
        "address_kind": pd.array([a.kind for a in parsed], dtype="str"),
        "number_low": pd.array([a.number_low for a in parsed], dtype="Int64"),
        "number_high": pd.array([a.number_high for a in parsed], dtype="Int64"),
        "locality": pd.array([a.locality for a in parsed], dtype="str"),
        "postcode": pd.array([a.postcode for a in parsed], dtype="str"),
    })
    return table.take(codes).set_axis(values.index)  # code -1 takes the last row, NOWHERE


def house_numbers(keys: pd.Series) -> pd.DataFrame:
    """Return the house numbers that address keys begin with: ``number_low, number_high``.

    The same as :func:`address_table` gives for them. A key that is one number and plain words
    needs no taking apart.

    Parameters
    ----------
    keys
        Keys of :func:`address_table`; empty cells allowed.

    Examples
    --------
    >>> house_numbers(pd.Series(["5 elm road", "1200 block elm road"])).to_numpy(int).tolist()
    [[5, 5], [1200, 1299]]
    """
    codes, unique = pd.factorize(keys.astype("str"), use_na_sentinel=True)
    different = pd.Series([*unique, None], dtype="str")
    number = different.str.extract(_PLAIN_KEY)[0]
    told = address_table(different[number.isna()])[["number_low", "number_high"]]
    single = pd.to_numeric(number).astype("Int64")
    table = pd.DataFrame({name: told[name].reindex(different.index).fillna(single)
                          for name in ("number_low", "number_high")})
    return table.take(codes).set_axis(keys.index)


def names_office(text: object) -> bool:
    """Whether an address names the seat of the council, which stands in for places nobody gave.

    Examples
    --------
    >>> names_office("Town Hall, 1 High St"), names_office("12 Hall St")
    (True, False)
    """
    spaced = f" {' '.join(re.findall(r'[a-z0-9]+', plain(str(text)[:300])))} "
    return any(f" {word} " in spaced for word in default_address_words()["office"])


def _crossing(line: str, known: AddressWords) -> Address | None:
    """Two streets that cross, or three, in any order."""
    if _BETWEEN.search(line) or (re.match(r"\d+x*\b", line) and not _numbered_street(
            line.split()[:2], known)):
        return None
    first, _, rest = line.partition(" ")
    announced = first.rstrip(",:") in known["crossing"]
    body = line
    if announced:
        body = re.sub(r"^(?:of|von|de|des|da)\s+(?!la\b|l\b)", "", rest)
    sides = [s for s in _SYMBOL.split(body) if s.strip()]
    if len(sides) < 2 or (len(sides) == 2 and not all(map(_wordy, sides))):
        sides = _worded_sides(body, known, announced=announced) or sides
    if any(re.match(r"\d+[a-z]?\s+\w", piece.strip()) and not _numbered_street(
            piece.split()[:2], known) for side in sides for piece in side.split(",")[1:]):
        return None  # a name with "&" before a numbered address
    # "A St, B St & C St": before the last of them a comma parts streets, not a locality.
    streets = [*(p for side in sides[:-1] for p in side.split(",")), sides[-1].split(",")[0]]
    named = (street_name(street.split(), known) for street in streets)
    names = sorted({name for name in named if name and not name.split()[0].isdigit()})
    if len(sides) < 2 or len(names) != len([s for s in streets if s.strip()]) or not (
            2 <= len(names) <= MOST_STREETS):
        return None
    key = " & ".join(names)
    locality, postcode = area_of(sides[-1].split(",")[1:], known)
    return Address(key=key + (f", {locality}" if locality else ""), street=key,
                   kind="intersection", locality=locality, postcode=postcode)


def _wordy(side: str) -> bool:
    return any(c.isalpha() for c in side)


def _worded_sides(body: str, known: AddressWords, *, announced: bool) -> list[str]:
    """Split at "and" where a crossing is announced, or where all sides are plainly streets."""
    for place in ("and", "joint"):
        joiner = "|".join(map(re.escape, known[place]))
        sides = re.split(rf"\s+(?:{joiner})\s+", body)
        if len(sides) > 1 and (announced or all(
                typed(side.split(",")[0], known) for side in sides)):
            return sides
    return []


def _numbered_street(tokens: list[str], known: AddressWords) -> bool:
    """Whether words such as "4 avenue" name a street by its number."""
    return len(tokens) == 2 and tokens[0].isdigit() and len(tokens[0]) <= 3 and (
        known["type"].get(tokens[1].strip(","), tokens[1].strip(",")) in _NUMBERED_TYPES)


def _between(line: str, known: AddressWords) -> Address | None:
    """A stretch of one street between two others: known to the street only."""
    parts = _BETWEEN.split(line, maxsplit=1)
    if len(parts) < 2 or not parts[0].strip(" ,"):
        return None
    main = _numbered(parts[0].strip(" ,"), known)
    ends = sorted(filter(None, (
        street_name(s.split(), known)
        for s in re.split(r"\s*[&/,]\s*|\s+(?:and|y|et|und|e)\s+", parts[1]) if s)))
    if main.street is None:
        return None
    if main.kind == "number" or not ends:
        return main
    return Address(key=f"{main.key} between {' & '.join(ends)}", street=main.street, kind="block",
                   number_low=main.number_low, number_high=main.number_high)


def _numbered(line: str, known: AddressWords) -> Address:
    """A house, a block, or a street alone; localities follow after commas."""
    block = _BLOCK.search(line)
    low: int | None = None
    if block:
        low = int(block.group(1) or block.group(2)) // 100 * 100
        line = (line[:block.start()] + " " + line[block.end():]).strip(" ,")
    pieces = [p.split() for p in line.replace("&", ",").split(",") if p.strip()]
    pieces = [p for p in (_without_units(p, known) for p in pieces) if p]
    pieces = _without_storeys(pieces, known)
    relation, pieces = _relation(pieces, known)
    if not pieces:
        return NOWHERE
    number, tokens, rest = _house_number(pieces, known)
    if number is None and len(tokens) > 1 and (masked := _MASKED.fullmatch(tokens[0])) and (
            masked.group(1) or len(masked.group(2)) > 1):
        low, tokens = _block_of(masked), tokens[1:]
    street = street_name(tokens, known)
    if street is None:
        return NOWHERE
    locality, postcode = area_of([" ".join(p) for p in rest], known)
    found = _assemble(street, number=number, block_low=low, relation=relation,
                      locality=locality, postcode=postcode)
    lot = _LOT.search(line) if found.kind == "street" and not relation else None
    # Where no house is numbered yet, the lot is the property; else a part of it.
    return found if lot is None else replace(found, key=f"lot {lot.group(1)} {found.key}",
                                             kind="number")


def _block_of(masked: re.Match[str]) -> int:
    """Return where the block of a masked number begins: 11xx at 1100, xx at 0."""
    digits, hidden = masked.group(1), len(masked.group(2))
    if hidden > 2:
        return int(digits) * 10**hidden if digits else _HIDDEN
    return int(digits or 0) * 100


def _assemble(street: str, *, number: str | None, block_low: int | None, relation: str,
              locality: str | None, postcode: str | None = None) -> Address:
    head, kind, low, high = "", "street", None, None
    if block_low == _HIDDEN:
        head, kind = "block ", "block"
    elif block_low is not None:
        head, kind, low, high = f"{block_low} block ", "block", block_low, block_low + 99
    elif number is not None:
        found = _NUMBER.fullmatch(number)
        assert found is not None  # _house_number gives only such texts
        low = int(found.group(1))
        high = max(low, int(found.group(3) or low))
        head, kind = f"{number} ", "number"
    key = f"{relation}{head}{street}" + (f", {locality}" if locality else "")
    if relation and kind == "number":
        kind = "block"  # near a building is a stretch of street, not that building
    return Address(key=key, street=street, kind=kind, number=number if not relation else None,
                   number_low=low, number_high=high, locality=locality, postcode=postcode)


def _house_number(pieces: list[list[str]], known: AddressWords) -> tuple[
        str | None, list[str], list[list[str]]]:
    """Split pieces into house number, street words and what follows."""
    for place, piece in enumerate(pieces):
        if not _NUMBER.fullmatch(piece[0]) or _names_street(piece, known):
            continue
        number = _clean_number(piece[0])
        if len(piece) > 1 and not (place and POSTCODE.fullmatch(piece[0])):
            return number, piece[1:], pieces[place + 1:]
        follows = pieces[place + 1:place + 2]
        if len(piece) == 1 and place == 0 and follows and not (
                len(follows[0]) > 1 and _NUMBER.fullmatch(follows[0][0])
                and not _numbered_street(follows[0][:2], known)):
            return number, follows[0], pieces[2:]
        if len(piece) == 1 and place == 1 and not re.fullmatch(r"\d{5,}", piece[0]):
            return number, pieces[0], pieces[2:]  # Calle Mayor, 12
    head = pieces[0]
    tail = _TAIL_NUMBER.fullmatch(" ".join(head))
    opens = len(head) > 2 and (head[0] in known["front"] or head[0] in known["first"])
    if tail and (opens or ends_like_type(tail.group(1).split()[-1], known)):
        return _clean_number(tail.group(2)), tail.group(1).split(), pieces[1:]
    return None, head, pieces[1:]


def _names_street(piece: list[str], known: AddressWords) -> bool:
    """Whether the number is the street's own name: "4 Avenue", "42 St W"."""
    return _numbered_street(piece[:2], known) and all(w in known["direction"] for w in piece[2:])


def _without_storeys(pieces: list[list[str]], known: AddressWords) -> list[list[str]]:
    """Drop the storey and the door that follow a house number behind its street."""
    kept: list[list[str]] = []
    numbered = False
    for piece in pieces:
        if numbered and _is_storey(piece, known):
            continue
        at = next((i for i, token in enumerate(piece) if i + 1 < len(piece) and (i or kept)
                   and _NUMBER.fullmatch(token) and _is_storey(piece[i + 1:], known)), None)
        if at is not None and (kept or piece[0] in known["front"] or piece[0] in known["first"]):
            piece = piece[:at + 1]
        numbered = numbered or any(_NUMBER.fullmatch(token) for token in piece)
        kept.append(piece)
    return kept


def _is_storey(tokens: list[str], known: AddressWords) -> bool:
    """Whether words say a storey or a door and nothing else: "3o b", "piso 2", "bajo"."""
    told = [token in known["storey"] or bool(_ORDINAL.fullmatch(token)) for token in tokens]
    return any(told) and all(
        said or re.fullmatch(r"[a-z]", token) or (re.fullmatch(r"\d{1,3}", token) and i)
        for i, (said, token) in enumerate(zip(told, tokens, strict=True)))


def _clean_number(text: str) -> str:
    return re.sub(r"^0+(?=\d)", "", text)


def _without_units(tokens: list[str], known: AddressWords) -> list[str]:
    """Drop fillers and ``unit 4``; a key names the building, not a part of it."""
    kept: list[str] = []
    skip = False
    for place, token in enumerate(tokens):
        following = tokens[place + 1] if place + 1 < len(tokens) else ""
        if skip:
            skip = False
        elif token in known["unit"] and re.fullmatch(r"[a-z]?\d+[a-z]?|[a-z]", following) and (
                place == 0 or not kept or token not in known["lead"]):
            skip = True
        elif not kept and token in known["filler"] and following:
            continue
        else:
            kept.append(token)
    return [] if kept == ["of"] else kept


def _relation(pieces: list[list[str]], known: AddressWords) -> tuple[str, list[list[str]]]:
    if not pieces or pieces[0][0] not in known["relation"]:
        return "", pieces
    head = pieces[0][1:]
    while head and head[0] in ("to", "of", "the", "no"):
        head = head[1:]
    return known["relation"][pieces[0][0]] + " ", [p for p in [head, *pieces[1:]] if p]
