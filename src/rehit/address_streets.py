"""Names of streets put in one spelling: the inner part of :mod:`rehit.addresses`."""

from __future__ import annotations

import re
from functools import lru_cache

from rehit.address_words import AddressWords

POSTCODE = re.compile(r"\d{4,6}(?:-\d{4})?|[a-z]{1,2}\d[a-z\d]?")
_BRACKETS = re.compile(r"\([^()]*\)|\[[^\[\]]*\]")
_DROP = re.compile(r"['’`\"´]|(?<=\b[a-z])\.(?=[a-z]\b)")
_BARE = re.compile(r"[a-z0-9 ]+")
_TELLING = re.compile(r"\b(?:to|no|nr|bis|\d+bis)\b")
_REWRITES = tuple((re.compile(pattern), becomes) for pattern, becomes in (
    (r"\bc/\s*", "calle "),
    (r"\bo/s\b", "outside"),
    (r"\bw/|\bn/a\b", " "),
    (r"^(\d+)[a-z]?\s*&\s*(?=\d+[a-z]?\b)", r"\1-"),  # 12 & 14 High St
    (r"(\d)[a-z]?\s*(?:-|to)\s*(?=\d)", r"\1-"),
    (r"(\d)\s*bis\b", r"\1b"),
    (r"\bn[º°o]\.?\s*(?=\d)|\bnr\.?\s*(?=\d)", " "),
    (r"[^\w&/@,#+-]|_", " "),
    (r"(?<!\d)-|-(?!\d)", " "),
    (r"\b\d{1,5}[a-z]?(?:-\d{1,5})?\s*/\s*(?=\d)|#\s*\w+", " "),  # 3/12 High St, #4
))


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
    return len(tokens) > 1 and (
        tokens[-1] in types or tokens[-1] in types.values() or tokens[0] in known["front"]
        or tokens[0] in known["first"] or ends_like_type(tokens[-1], known))


def locality_of(rest: list[str], known: AddressWords) -> str | None:
    """Words of the pieces after the street, without postcodes."""
    words = [w for piece in rest for w in piece.split()
             if not POSTCODE.fullmatch(w) and not re.fullmatch(r"\d[a-z]{2}", w)]
    return " ".join(known["any"].get(w, w) for w in words) or None


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


def _compound(token: str, known: AddressWords) -> str:
    if token.isascii() and token.isalpha():
        for ending, becomes in known["ending"].items():
            if token.endswith(ending) and len(token) > len(ending) + 2:
                return token[: -len(ending)] + becomes
    return token
