"""Personal data out of free text: people, telephones, mail addresses, accounts, plates, homes.

A list of forms, not a language model. The words that lead to a person or a number stand in
``words/personal.csv`` for the languages rehit reads; what is doubtful in a note goes, what is a
street stays. ``words/given_names.csv`` tells "O'Marlow, Siobhan" from a locality in an address; its
names are those of the lists of Faker (MIT licence, ``words/given_names.LICENSE``).

Every pattern has bounded lengths, so that a text takes time in proportion to its length.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd
import phonenumbers

from rehit.packaged import packaged_rows
from rehit.words.addresses import default_address_words, plain
from rehit.words.geometry_text import pasted_point

#: A tree of letters: each leads to those that may follow it.
Tree = dict[str, "Tree"]


def _words(*kinds: str) -> frozenset[str]:
    """Return the words of some kinds, as they are compared."""
    return frozenset(plain(row["word"]) for row in _rows() if row["kind"] in kinds)


@cache
def _rows() -> tuple[dict[str, str], ...]:
    return tuple(packaged_rows("words", "personal.csv"))


def _any_of(*kinds: str) -> str:
    """Return a pattern of the words of some kinds, with accents or without, the longest first."""
    words = {row["word"].replace("ß", sharp) for row in _rows() if row["kind"] in kinds
             for sharp in ("ß", "ss")}
    words |= {"".join(c for c in unicodedata.normalize("NFD", word) if not unicodedata.combining(c))
              for word in words}
    tree: Tree = {}
    for word in words:
        branch = tree
        for letter in (*word.replace(" … ", "…"), ""):
            branch = branch.setdefault(letter, {})
    return _branches(tree)


_LETTERS = {" ": r"\s{1,3}", "'": "['’]", "…": r"(?:\s{1,3}\S{1,30}){1,3}?\s{1,3}"}


def _branches(tree: Tree) -> str:
    """Return the pattern of a tree of letters, which looks at each letter of a text once."""
    ways = [_LETTERS.get(letter, re.escape(letter)) + _branches(rest)
            for letter, rest in sorted(tree.items()) if letter]
    end = "?" if "" in tree else ""
    return f"(?:{'|'.join(ways)}){end}" if len(ways) > 1 or (ways and end) else "".join(ways)


class Rule(NamedTuple):
    """One form of personal data: its name, its pattern, what stands in its place.

    What the group ``kept`` matched stays in front of the mark; `sure` looks at a match once more.
    """

    name: str
    pattern: re.Pattern[str]
    mark: str
    sure: Callable[[re.Match[str]], bool] = lambda _: True


def _rule(name: str, pattern: str, mark: str,
          sure: Callable[[re.Match[str]], bool] = lambda _: True) -> Rule:
    return Rule(name, re.compile(pattern, re.IGNORECASE), mark, sure)


# Mail and links: RFC 5321 bounds the parts at 64 and 63, the whole at 255.
_AT = (rf"(?:\s{{0,3}}(?:@|[(\[{{<]\s?(?:{_any_of('at')})\s?[)\]}}>])\s{{0,3}}|_at_|"
       rf"\s{{1,3}}(?:{_any_of('at')})\s{{1,3}}(?=[\w-]{{1,63}}(?:\s{{0,3}}\.|\s?[(\[]?\s?"
       rf"(?:{_any_of('dot')})\b)))")
_DOT = (rf"(?:\s?\.\s?(?=[a-z0-9])|\s?[(\[{{<]\s?(?:\.|{_any_of('dot')})\s?[)\]}}>]\s?|_dot_|"
        rf"\s{{1,3}}(?:{_any_of('dot')})\s{{1,3}})")
_LABEL = r"[^\W_](?:[\w-]{0,61}?[^\W_])?"
_MAIL = _rule("personal_mail",
              r"(?:(?<![\w.+'%-])|(?<=[\w.+'%-]{64}))[\w.+'%-]{1,64}?"
              rf"{_AT}{_LABEL}(?:{_DOT}{_LABEL}){{1,8}}(?![\w-])", "[e-mail]")
_LINK = _rule("personal_link", r"(?:https?://|www\.)\S+|(?<![\w@])@[a-z_][\w.]{2,}", "[link]")

# Numbers. O stands for a nought where the rest are digits.
_DATE = (r"(?:\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}(?![/.-]?\d)|"
         r"(?:19|20)\d{2}[/.-]\d{1,2}[/.-]\d{1,2}(?!\d)|"
         r"(?:19|20)\d{2}(?:0[1-9]|1[0-2])[0-3]\d(?!\d))")
_RUN = r"[\dO](?:(?:\s{1,3}|\s?[/.]\s?|-|\s?\(|\)\s?)?[\dO]){6,19}"
_ENDS = r"(?![^\W_]|[.,]\d)"
_THING = rf"(?:{_any_of('thing')})[\s.:#º°]{{0,4}}"
_DEGREES = re.compile(r"\(?\d{1,3}\.\d{4,}")
_BEFORE_RUN = re.compile(rf"(?:^|[^\w]){_THING}(?:-?\d{{5,7}}\s)?-?$", re.IGNORECASE)
_PHONE_CUE = (rf"\b(?:{_any_of('phone')})\b[\s.:#-]{{0,4}}"
              rf"(?:(?:{_any_of('phone_link')})\b[\s.:]{{1,3}}){{0,3}}")
_SPOKEN = rf"(?:{_any_of('digit')})"


def _is_phone(found: re.Match[str]) -> bool:
    """Whether digits are grouped as a telephone's are, and belong to no pole, case or grid."""
    written = found["number"]
    digits = re.sub(r"\D", "", written.upper().replace("O", "0"))
    if sum(c.isdigit() for c in written) < 4 or not 7 <= len(digits) <= 15:
        return False
    if _DEGREES.fullmatch(written):
        return False
    groups = [len(g) for g in re.findall(r"[\dO]+", written, re.IGNORECASE)]
    if _BEFORE_RUN.search(found.string[max(0, found.start() - 40):found.start()]):
        return False
    if written[0] in "+(" or digits.startswith("0"):
        return len(digits) >= 8
    if len(groups) == 1:
        return 9 <= len(digits) <= 12
    if len(groups) == 2:
        spaced = "-" not in written and "/" not in written  # 1304-1310 are houses
        return groups == [3, 4] or (spaced and groups in ([4, 4], [3, 6], [4, 5], [4, 6], [5, 6]))
    return len(digits) >= 9 and (max(groups) <= 4 or groups[0] <= 3)


_PHONE_CUED = _rule("personal_phone", rf"(?P<kept>{_PHONE_CUE})(?!{_DATE})[+(]{{0,2}}{_RUN}"
                    r"(?:\s?(?:x|ext\.?)\s?\d{1,5})?(?!\d)", "[phone]")
_PHONE = _rule("personal_phone", rf"(?<![\w.,/-])(?!{_DATE})(?P<number>[+(]{{0,2}}{_RUN}){_ENDS}",
               "[phone]", _is_phone)
_PHONE_SPOKEN = _rule(
    "personal_phone", rf"\b{_SPOKEN}(?:[\s,-]{{1,3}}{_SPOKEN}){{5,15}}\b", "[phone]")


#: Letters and digits of an account behind its country and check digits (ISO 13616 registry).
_ACCOUNTS = {"AT": 16, "BE": 12, "CH": 17, "CZ": 20, "DE": 18, "DK": 14, "ES": 20, "FI": 14,
             "FR": 23, "GB": 18, "GR": 23, "HR": 17, "HU": 24, "IE": 18, "IT": 23, "LU": 16,
             "NL": 14, "NO": 11, "PL": 24, "PT": 21, "RO": 20, "SE": 20, "SI": 15, "SK": 20}


def _is_account(found: re.Match[str]) -> bool:
    """Whether the check digits are right (ISO 13616, mod 97)."""
    written = re.sub(r"[\s-]", "", found.group().upper())
    return int("".join(str(int(c, 36)) for c in written[4:] + written[:4])) % 97 == 1


_IBAN = _rule("personal_account", r"\b(?:" + "|".join(
    rf"{country}\d{{2}}(?:[ -]?[A-Z0-9]){{{rest}}}" for country, rest in _ACCOUNTS.items())
    + r")\b", "[account]", _is_account)
_IBAN_CUED = _rule("personal_account", r"(?P<kept>\bIBAN\b[\s.:#-]{0,4})[A-Z]{2}\d{2}(?:[ -]?"
                   r"(?=[A-Z]{0,4}\d)[A-Z0-9]{1,4}){2,8}\b", "[account]")
_NATIONAL_CUED = _rule(
    "personal_number", rf"(?P<kept>\b(?:{_any_of('national')})\b[\s.:#-]{{0,4}}"
    rf"(?:(?:{_any_of('national_link')})[\s.:#-]{{1,3}}){{0,2}})"
    r"(?=[\w .-]{0,20}\d)[A-Z]{0,3}\d?(?:[ .-]?[A-Z0-9]){4,17}(?=\b)(?<=[\dA-Z])", "[number]",
    lambda found: sum(c.isdigit() for c in found.group()) >= 5)
_NATIONAL = _rule(
    "personal_number", r"(?<![\w-])(?:(?!BG|GB|NK|KN|TN|NT|ZZ)[A-CEGHJ-PR-TW-ZQ][A-CEGHJ-NPR-TW-ZQ]"
    r"(?: ?\d{2}){3} ?[A-D]|\d{8}[ -]?[A-HJ-NP-TV-Z]|\d{2}\.\d{3}\.\d{3}-?[A-Z]|"
    r"[XYZ]-?\d{7}-?[A-Z]|"
    r"[12] ?\d{2} ?(?:0[1-9]|1[0-2]) ?\d{2} ?\d{3} ?\d{3}(?: ?\d{2})?|\d{3}-\d{2}-\d{4})(?![\w-])",
    "[number]")

# Plates.
_MONTH = "|".join(sorted({row["word"][:3].upper() for row in packaged_rows("words", "months.csv")}))
_NO_PLATE = (r"(?!(?:HWY|RTE|RTS|AVE|BLK|BLD|BUS|APT|LOT|BOX|ROW|PIN|ZIP|LVL|FLR|SQM|REF|JOB|TAG|"
             r"CAM|SUB|NUM|THE|AND|FOR|WAY|RUE|VIA|COL|NOS|TEL|MOB|FAX|DIA|RAL|ISO|ASA|UTM|EUR|GBP|"
             rf"USD|{_MONTH})\b|[A-Z]{{2}} ?\d{{1,3}} ?KM\b|\d{{1,2}} ?DE\b|\d+ (?:{_MONTH})\b)")
_PLATE_CUED = _rule(
    "personal_plate", rf"(?P<kept>\b(?:{_any_of('plate')})\b"
    rf"(?:\s{{1,3}}(?:{_any_of('plate_link')})){{0,4}}"
    r"[\s.:#-]{0,5})((?=[a-z0-9 -]{0,10}\d)(?=[a-z0-9 -]{0,10}(?-i:[A-Z]))"
    r"(?-i:[A-Z0-9]{1,4}(?:[ -]?[A-Z0-9]{1,4}){1,3}))\b", "[plate]")
_STOP = _words("stop", "article") | {plain(row["word"]).split()[0] for row in _rows()
                                     if row["kind"] == "after"}
_PLATE = Rule("personal_plate", re.compile(
    rf"(?<![\w-]){_NO_PLATE}"
    r"(?:[A-Z]{2}\d{2}[ -]?[A-Z]{3}|[A-Z]{3}[ -]?\d{3}|[A-Z]{3}[ -]?\d{2}[ -]?[A-Z]|"
    r"[A-Z]{3}[ -]\d{4}|\d{3}[ -]?[A-Z]{3}|\d{4}[ -]?[A-Z]{3}|[A-Z]{1,3}-[A-Z]{1,2}[ -]?\d{1,4}|"
    r"[A-Z]{2}[ -]?\d{3}[ -]?[A-Z]{2}|\d[A-Z]{3}\d{3}|[A-Z]\d{1,3}[ -]?[A-Z]{3}|"
    r"\d{2}-[A-Z]{2}-\d{2}|[A-Z]{2}-\d{2}-[A-Z]{2}|\d{2}-\d{2}-[A-Z]{2}|"
    r"[A-Z]{3}[ -]?\d{1,3}[ -]?[A-Z])(?![\w-])"), "[plate]",
    lambda found: not any(plain(w) in _STOP for w in re.findall("[A-Z]{3}", found.group())))

# Where a caller lives says who the caller is. An abbreviated street may hold a full stop.
_HOME = _rule("personal_home", rf"(?P<kept>\b(?:{_any_of('home')})\s{{1,3}})"
              r"(?:\b[^\W\d]{1,5}\.|\b\d{1,2}\.|"
              r"[^.,;:!?()\n]){2,60}(?:,\s?(?:s/n|\d{1,5}[a-z]?)\b[^.,;:!?()\n]{0,40})?", "[home]")
# The house of someone who was named just before: "[name] at 12 Elm Road".
_NAMED_HOME = _rule(
    "personal_home", r"(?P<kept>\[name\],?\s{1,3}(?:of|at|from|living\s{1,3}at)\s{1,3})"
    r"\d{1,6}[a-z]?\s[^.,;:!?()\[\]\n]{2,60}?(?=[.,;:!?()\[\]\n]|"
    r"\s{1,3}(?:about|re|regarding|who|that|says?|saying|said|and|on|wants)\b|$)", "[home]")
_QUOTED = _rule("marking_text",
                r"(?:\b(?:says?|saying|said|reads?|reading|written|wrote|words?|letters?|spells?|"
                r"spelling|tag(?:ged)?|text|slogan|message|name)\b[\s:,-]{0,4})?"
                r"(?:\"[^\"]{1,80}\"|“[^”]{1,80}”|«[^»]{1,80}»|‘[^’]{1,80}’|"
                r"(?<!\w)'[^']{2,80}'(?!\w))", "[marking]")
_IN_NOTE = (_MAIL, _HOME, _LINK, _PHONE_SPOKEN, _IBAN_CUED, _IBAN, _NATIONAL_CUED, _PLATE_CUED,
            _PHONE_CUED, _NATIONAL, _PHONE, _PLATE)
_HIDDEN = re.compile("[\u00ad\u200b-\u200f\u2060\ufeff]")


def scrub(text: str, *, keep_marking_text: bool = False) -> tuple[str, tuple[str, ...]]:
    """Return `text` without personal data, and the names of the rules that found some.

    Parameters
    ----------
    text
        Free text.
    keep_marking_text
        Whether to keep what stands in quotation marks, which in a graffiti log is mostly what the
        marking says.

    Examples
    --------
    >>> scrub("Call Jane Doe on 555 0100 123 re van ABC-123")[0]
    'Call [name] on [phone] re van [plate]'
    """
    clean, numbers = _without_world_numbers(_readable(text))
    clean, found = _applied(_IN_NOTE if keep_marking_text else (_QUOTED, *_IN_NOTE), clean)
    named = _without_people(clean)
    found += numbers + ["personal_name"] * (named != clean)
    named, homes = _applied((_NAMED_HOME,), named)
    found += homes
    return (named, tuple(dict.fromkeys(found))) if found else (text, ())


def _readable(text: str) -> str:
    """Return a text as it is seen: wide digits as digits, what has no width left out."""
    return text if text.isascii() else _HIDDEN.sub("", "".join(
        unicodedata.normalize("NFKC", c) if "！" <= c <= "～" else c for c in text))


def _applied(rules: Iterable[Rule], text: str) -> tuple[str, list[str]]:
    """Replace what each rule finds, but the words that led to it; return the rules' names."""
    found = []
    for rule in rules:
        count = 0

        def replaced(match: re.Match[str], rule: Rule = rule) -> str:
            nonlocal count
            if not rule.sure(match):
                return match.group()
            count += 1
            return (match.groupdict().get("kept") or "") + rule.mark

        text = rule.pattern.sub(replaced, text)
        found += [rule.name] * bool(count)
    return text, found


def _without_world_numbers(text: str) -> tuple[str, list[str]]:
    """Take out telephone numbers with a country code, in whatever manner of any country."""
    found = list(phonenumbers.PhoneNumberMatcher(text, None)) if "+" in text else []
    for match in reversed(found):
        text = text[:match.start] + "[phone]" + text[match.end:]
    return text, ["personal_phone"] * bool(found)


# People. A name is walked word by word from where something leads to it.
_TITLES, _ARTICLES = _words("title"), _words("article")
_PARTICLES = _words("particle") | _ARTICLES
_LEADS = _words("lead") | frozenset(default_address_words()["first"])
_STREETS = (_words("street") | frozenset(default_address_words()["type"])
            | frozenset(default_address_words()["type"].values())) - {"saint"}
_STREET_ENDS = tuple(_words("street_end"))
_WORD = re.compile(r"[^\W\d_]{1,40}(?:['’-][^\W\d_]{1,40}){0,4}")
_GIVEN_AFTER = re.compile(r",\s?([^\W\d_]{2,40}(?:-[^\W\d_]{1,40})?)")
_GAP = re.compile(r"\.?\s{1,3}|\.(?=\w)")
_BY = rf"(?:{_any_of('cue_by')})\s{{1,3}}(?:{_any_of('by')})"
_CUE = re.compile(
    rf"(?<!\w)(?:{_BY}|(?:{_any_of('cue')})(?:\s?:)?"
    rf"(?:\s{{1,3}}(?:{_any_of('link', 'by')})\b){{0,2}})"
    r"(?:\s{0,3}[:,=]\s{0,3}|\s[–-]\s|\s{1,3})(?=[^\W\d_])", re.IGNORECASE)
_TITLED = re.compile(rf"(?<![\w'’-])(?:{_any_of('title')})\.?\s{{1,3}}(?=[^\W\d_])", re.IGNORECASE)
_AFTER = re.compile(rf"\s(?=(?:{_any_of('after')})\b)", re.IGNORECASE)
_ON_A_STREET = re.compile(
    rf"(?:^|[^\w])(?:{_any_of('lead')})\.?(?:\s{{1,3}}(?:{_any_of('particle', 'article')})){{0,3}}"
    r"(?:\s{1,3}|['’]|$)$", re.IGNORECASE)


@cache
def _given_names() -> frozenset[str]:
    return frozenset(row["name"] for row in packaged_rows("words", "given_names.csv"))


def _without_people(text: str) -> str:
    """Replace names that something leads to: a title, a cue before or a verb after."""
    one_case = text.isupper() or text.islower()
    spans: list[tuple[int | None, int | None]] = []
    for found in _TITLED.finditer(text):
        # A title in small letters is mostly another word: "me", "don", "father".
        if one_case or found.group()[0].isupper():
            spans.append((found.start(), _name_end(text, found.start(), one_case)))
    for found in _CUE.finditer(text):
        if not _ON_A_STREET.search(text[max(0, found.start() - 40):found.start()]):
            spans.append((found.end(), _name_end(text, found.end(), one_case)))
    for found in _AFTER.finditer(text):
        spans.append((_name_start(text, found.start(), one_case), found.start()))
    return _cut_out(text, [(start, end) for start, end in spans
                           if start is not None and end is not None
                           and not _ON_A_STREET.search(text[max(0, start - 40):start])])


def _cut_out(text: str, spans: list[tuple[int, int]]) -> str:
    """Put a mark in place of each span, those that touch as one."""
    kept, done = [], 0
    for start, end in sorted(spans):
        if start >= done:
            kept += [text[done:start], "[name]"]
        done = max(done, end)
    return "".join(kept) + text[done:]


def _name_end(text: str, start: int, one_case: bool) -> int | None:
    """Return where the name that begins at `start` ends; None if what stands there is no name."""
    end, at, parts, led = None, start, 0, False
    for _ in range(9):  # no name has more words
        found = _WORD.match(text, at)
        gap = _GAP.match(text, found.end()) if found else None
        if not found or parts == 5:
            break
        key = plain(found.group())
        if gap and _leads_on(key, parts, led, text, gap.end()):
            led = True
        elif _is_name(found.group(), key, one_case) or (len(key) == 1 and _stops(gap)):
            parts, end, led = parts + 1, found.end(), True
            if _stops(gap) and len(key) > 1:
                break
            given = _GIVEN_AFTER.match(text, end) if parts == 1 else None
            if given and plain(given[1]).split("-")[0] in _given_names():
                at = given.start(1)
                continue
        else:
            break
        if not gap:
            break
        at = gap.end()
    return None if end is None or _names_a_street(text, end) else end


def _stops(gap: re.Match[str] | None) -> bool:
    """Whether a full stop follows a word."""
    return gap is not None and gap.group()[0] == "."


def _leads_on(key: str, parts: int, led: bool, text: str, at: int) -> bool:
    """Whether a word is part of a name but no name by itself: a title, "de la".

    An article opens a noun more often than a name ("der Schule") unless a title follows it.
    """
    if key in _TITLES:
        return parts == 0 or len(key) <= 2
    return key in _PARTICLES and (led or key not in _ARTICLES or _is_titled(text, at))


def _is_titled(text: str, at: int) -> bool:
    """Whether a title stands here: "la señora"."""
    found = _WORD.match(text, at)
    return found is not None and plain(found.group()) in _TITLES


def _is_name(word: str, key: str, one_case: bool) -> bool:
    shaped = one_case or word[0].isupper() or re.match(r"[dol]['’][^\W\d_]", word) is not None
    return (shaped and key not in _STOP and key not in _STREETS and key not in _LEADS
            and not (len(key) > 6 and key.endswith(_STREET_ENDS)))


def _names_a_street(text: str, end: int) -> bool:
    """Whether a word for a street follows: Victoria Pemberton Road."""
    gap = re.compile(r"\s{1,3}").match(text, end)
    follows = _WORD.match(text, gap.end()) if gap else None
    return follows is not None and plain(follows.group()) in _STREETS - _PARTICLES


def _name_start(text: str, end: int, one_case: bool) -> int | None:
    """Return where a name of two words, or of a title and one, begins that ends at `end`."""
    for found in re.finditer(r"(?<![\w'’-])(?=[^\W\d_])", text[max(0, end - 60):end]):
        start = max(0, end - 60) + found.start()
        words = text[start:end].split()
        if len(words) > 1 and _name_end(text, start, one_case) == end:
            return start
    return None


_PIECES = re.compile(r"\s{0,3}(?:[,;()]|\s[-–/]\s)\s{0,3}")
_LINKED = re.compile(r"https?://|www\.", re.IGNORECASE)
# The place stays; that the caller lives there, or who reported it, goes.
_LIVES = _rule("personal_home", rf"\b(?:{_any_of('home')})\s{{1,3}}", "")
_REPORTER = re.compile(rf"(?<!\w){_BY}\s{{1,3}}(?=[^\W\d_])", re.IGNORECASE)
_CARE = re.compile(rf"(?<!\w)(?:{_any_of('care')})[\s.:]{{1,3}}(?=[^\W\d_])", re.IGNORECASE)
_TO_THE_PLACE = re.compile(
    r"\s{0,3},\s{0,3}|\s{1,3}(?:at|of|from|en|in|au|em)\b\s{0,3}|\s{0,3}$", re.IGNORECASE)
# "900-1000 Main" and "3810 W 51st St" are no telephones.
_PHONE_SURE = _PHONE._replace(sure=lambda found: _is_phone(found) and (
    found["number"][0] in "+(0" or len(re.findall(r"\d+", found["number"])) != 2))
_IN_ADDRESS = (_MAIL, _LIVES, _LINK, _PHONE_SPOKEN, _IBAN_CUED, _IBAN, _NATIONAL_CUED, _PHONE_CUED,
               _PHONE_SURE)

# Most addresses are a number and a street: one look spares them the rules.
_ADDRESS_HINT = re.compile(
    r"[^\x00-\x7f]|[@\[({,;:]|\s[-–/]\s|\d(?:[^\d\w]?\d){5}|"
    rf"\b(?:{_any_of('cue_by', 'home', 'care', 'title', 'phone')})\b|www", re.IGNORECASE)


def scrub_address(text: str) -> tuple[str, tuple[str, ...]]:
    """Return an address without mail addresses, telephones and people.

    A part of an address between commas or brackets is a person's if it begins with a title or with
    a given name and holds no word of a place. Of a link to a map the point alone is kept, as
    RFC 5870 writes one.

    Examples
    --------
    >>> scrub_address("12 Dr King Drive, tel 01632 960123")
    ('12 Dr King Drive, tel [phone]', ('personal_phone',))
    >>> scrub_address("O'Marlow, Siobhan, 9 Oak Rd")
    ('[name], 9 Oak Rd', ('personal_name',))
    """
    if not _ADDRESS_HINT.search(text) and any(c.isdigit() for c in text):
        return text, ()
    point = pasted_point(text) if _LINKED.search(text) else None
    if point is not None:
        return f"geo:{point[1]:.6f},{point[0]:.6f}", ()
    clean, numbers = _without_world_numbers(_readable(text))
    clean, found = _applied(_IN_ADDRESS, clean)
    one_case = clean.isupper() or clean.islower()
    named = _without_reporter(clean, one_case)
    named = _cut_out(named, _people_between_commas(named, one_case))
    found += numbers + ["personal_name"] * (named != clean)
    return (named, tuple(dict.fromkeys(found))) if found else (text, ())


def _without_reporter(text: str, one_case: bool) -> str:
    """Take out "reported by" with the name and what leads on to the place."""
    for found in reversed(list(_REPORTER.finditer(text))):
        end = _name_end(text, found.end(), one_case)
        leads_on = _TO_THE_PLACE.match(text, end) if end is not None else None
        if leads_on:
            text = text[:found.start()] + text[leads_on.end():]
    return text


def _people_between_commas(text: str, one_case: bool) -> list[tuple[int, int]]:
    """Return where parts of an address are people."""
    spans = [(found.end(), end) for found in _CARE.finditer(text)
             if (end := _name_end(text, found.end(), one_case)) is not None]
    at = 0
    for cut in (*_PIECES.finditer(text), None):
        end = cut.start() if cut else len(text)
        first = _WORD.match(text, at)
        if at < end and first and _begins_a_name(text, first, end) and not _goes_on(text, at, end):
            name_end = _name_end(text, at, one_case)
            if name_end is not None and name_end >= end and len(text[at:name_end].split()) > 1:
                spans.append((at, name_end))
        at = cut.end() if cut else end
    return spans


_GOES_ON = re.compile(r",\s?(?:jr|sr|ii)\b", re.IGNORECASE)
_BEFORE_DASH = re.compile(r"([^\W\d_]{2,40})\s[-–/]\s{1,3}$")


def _goes_on(text: str, at: int, end: int) -> bool:
    """Whether a part is only a piece of a street's name: King, Jr Blvd; Place Jean - Aubin."""
    before = _BEFORE_DASH.search(text[max(0, at - 50):at])
    return (_GOES_ON.match(text, end) is not None
            or (before is not None and plain(before[1]) in _given_names()))


def _begins_a_name(text: str, first: re.Match[str], end: int) -> bool:
    """Whether a part begins with a title or a given name, or a given name follows its comma."""
    key = plain(first.group())
    if first.end() == end:  # "O'Marlow, Siobhan": the walk itself looks at what follows
        return key not in _STREETS and key not in _LEADS and key not in _given_names()
    if first.end() + 1 < end and len(key) == 1:
        return text[first.end()] == "." and key not in _LEADS  # J. Hartwistle
    return (key in _TITLES - _LEADS or key.split("-")[0] in _given_names()
            or (key in _ARTICLES and _is_titled(text, first.end() + 1)))


def scrub_column(texts: pd.Series, *, keep_marking_text: bool = False, address: bool = False
                 ) -> tuple[pd.Series, pd.Series]:
    """Scrub a column, each different text once; an `address` with its own, stricter rules.

    Returns
    -------
    tuple
        The scrubbed texts, and per row the rules that found something, joined by ``+``.
    """
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    done = [scrub_address(text) if address else scrub(text, keep_marking_text=keep_marking_text)
            for text in unique]
    clean = pd.array([text for text, _ in done] + [None], dtype="str").take(codes)
    rules = np.array(["+".join(rules) for _, rules in done] + [""], dtype=object)[codes]
    return (pd.Series(clean, index=texts.index),
            pd.Series(pd.array(rules, dtype="str"), index=texts.index))
