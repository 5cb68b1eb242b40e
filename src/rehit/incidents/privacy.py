"""Personal data out of free text: names after cue words, telephones, mail addresses, plates, homes.

A short list of rules, not a language model: it takes out what stands in the usual forms, and a
little more than needed where the form is doubtful.
"""

from __future__ import annotations

import re
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
import phonenumbers

from rehit.words.geometry_text import pasted_point

_LETTER = r"A-Za-zÀ-ÖØ-öø-ÿĀ-ž"
_CAPITAL = r"A-ZÀ-ÖØ-ÞĀ-Ž"
_PARTICLE = (r"(?:(?:van|von|vom|zu|de|del|della|der|den|des|di|da|do|dos|du|la|le|los|las|bin|ibn|"
             r"al|el|ter|ten|af|av|mac|mc|st|y|e)\s+){0,2}")
_ONE = rf"{_PARTICLE}[{_CAPITAL}][{_LETTER}'’-]*\.?"
# One to four parts, each with a capital letter, particles between them.
_NAMES = rf"{_ONE}(?:\s+{_ONE}){{0,3}}"
_TITLE = r"(?:Mr|Mrs|Ms|Miss|Mx|Dr|Prof|Sir|Madam|Cllr|Councillor|Rev|Father|Sister|Señora?|Sra?|" \
         r"Herr|Frau|Monsieur|Madame|Mme|M\.(?=\s[A-Z]))\.?"


class Rule(NamedTuple):
    """One form of personal data: its name, its pattern, what stands in its place."""

    name: str
    pattern: re.Pattern[str]
    mark: str


def _cue(words: str) -> str:
    return rf"(?:(?<=^)|(?<=[^{_LETTER}0-9]))(?:{words})"


_PERSON_CUES = (
    r"(?i:my\s+name\s+is|my\s+name's|name\s*[:=-]|name\s+is|named|i\s+am|i['’]m|this\s+is|"
    r"contact(?:\s+(?:name|person|is))?|call(?:er|ed)?(?:\s+(?:name|is|by|back|on|from))?|"
    r"phone(?:d)?(?:\s+by)?|ring|"
    r"report(?:ed|er|s|ing)?(?:\s+(?:by|from|is|name))?|complain(?:ant|t|ed)(?:\s+(?:by|from|is))?|"
    r"ask(?:ed)?\s+(?:for|by)|speak\s+(?:to|with)|spoke\s+(?:to|with)|talk(?:ed)?\s+(?:to|with)|"
    r"email(?:ed)?\s+(?:by|from)|sent\s+(?:in\s+)?by|"
    r"resident|neighbou?r|tenant|owner|manager|caretaker|witness|customer|requestor|requester|"
    r"requested\s+by|submitted\s+by|signed|regards|thanks|thank\s+you|attn|attention|c/o|per|"
    r"seen\s+by|witnessed\s+by|suspect(?:ed)?(?:\s+is)?|offender(?:\s+is)?|"
    r"see|via|meet|"
    r"nombre|contacto|ansprechpartner|gemeldet\s+von|appeler|signal[ée]\s+par)")
# Capitalised words that follow a cue in ordinary notes and are no names.
_NOT_NAMES = frozenset((
    "the", "a", "an", "on", "in", "at", "by", "to", "of", "is", "was", "has", "and", "or", "not",
    "no", "yes", "this", "that", "there", "it", "large", "small", "council", "police", "city",
    "graffiti", "street", "st", "road", "rd", "ave", "avenue", "lane", "wall", "building", "bus",
    "stop", "park", "bridge", "school", "church", "station", "site", "front", "rear", "side",
    "north", "south", "east", "west", "corner", "near", "opposite", "please", "again", "twice",
    "yesterday", "today", "tomorrow", "monday", "tuesday", "wednesday", "thursday", "friday",
    "saturday", "sunday", "january", "february", "march", "april", "may", "june", "july",
    "august", "september", "october", "november", "december", "offensive", "racist", "urgent",
    "centre", "center", "for", "from", "with", "about", "line", "crew", "team", "staff", "public",
    "member", "resident", "residents", "owner", "tenant", "reported", "notified", "requested",
    "advised", "says", "said", "complaint", "complaints", "duplicate", "photo", "attached",
    "box", "pole", "sign", "door", "fence", "shutter", "underpass", "phone", "email", "mobile",
    "brick", "metal", "concrete", "tag", "tags", "paint", "spray", "sprayed", "new", "old",
    "tagged", "marker", "he", "she", "they", "we", "i", "same", "visible", "highway", "library",
    "hall", "house", "shop", "council's", "multiple", "several", "two", "three", "one", "very",
    "asap", "id", "ref", "number", "office", "removal", "square", "mall", "tunnel", "platform",
    "back", "main", "high", "upper", "lower", "next", "behind", "above", "below", "under"))

_MAIL = Rule("personal_mail", re.compile(
    # Lengths are bounded (RFC 5321: 64 and 255), so that no text takes more than its length.
    r"(?:(?<![\w.+'%-])|(?<=[\w.+'%-]{64}))[\w.+'%-]{1,64}\s{0,3}(?:@|\(at\)|\[at\]|"
    r"\s{1,3}at\s{1,3}(?=[\w-]{1,63}\s{0,3}(?:\(dot\)|\[dot\]|\s{1,3}dot\s{1,3})))\s{0,3}"
    rf"[{_LETTER}0-9-]{{1,63}}(?:\s{{0,3}}(?:\.|\(dot\)|\[dot\]|\s{{1,3}}dot\s{{1,3}})\s{{0,3}}"
    rf"[{_LETTER}0-9-]{{1,63}}){{1,8}}", re.IGNORECASE),
    "[e-mail]")
_LINK = Rule("personal_link", re.compile(
    r"(?:https?://|www\.)\S+|(?<![\w@])@[A-Za-z_][\w.]{2,}", re.IGNORECASE), "[link]")
_NO_DATE = (r"(?!\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}(?!\d)|"
            r"(?:19|20)\d{2}[/.-]\d{1,2}[/.-]\d{1,2}(?!\d)|"
            r"(?:19|20)\d{2}(?:0[1-9]|1[0-2])[0-3]\d(?!\d))")
_SOLD = _NO_DATE + r"(?:\+|00)?\(?\d(?:[\s().\-/]{0,2}\d)"
_PHONE_CUED = Rule("personal_phone", re.compile(
    r"(?i:\b(?:tel(?:ephone|[eé]fono)?|phone|ph|mob(?:ile)?|cell|call|ring|text|whats\s*app|"
    r"contact|fax|sms|number|no|on)\b[\s.:#-]*(?:me\s+on\s+|on\s+|at\s+|is\s+)?)"
    rf"{_SOLD}{{5,14}}(?:\s*(?:x|ext\.?)\s*\d{{1,5}})?(?!\d)"), "[phone]")
_PHONE = Rule("personal_phone", re.compile(
    rf"(?<![\w.,/-]){_NO_DATE}"
    r"(?:\+\d[\d\s().\-/]{6,18}\d|\(?0\d{1,4}\)?[\s.\-/]?\d{2,4}[\s.\-/]?\d{2,4}"
    r"(?:[\s.\-/]?\d{1,4})?|\(\d{3}\)\s*\d{3}[\s.-]\d{4}|\d{3}[\s.-]\d{3}[\s.-]\d{4}|\d{9,12}|"
    r"\d{3,4}[\s-]\d{3,4}[\s-]\d{3,4}|\d{3}-\d{4}|\d{4}\s\d{4})(?![\w]|[.,]\d)"), "[phone]")
_PLATE_CUED = Rule("personal_plate", re.compile(
    r"(?i:\b(?:rego?|registration|number\s*plate|licen[cs]e\s*plate|plates?|vehicle|car|van|"
    r"truck|ute|kennzeichen|matr[ií]cula)\b(?:\s{1,3}(?:no|number|is|was|plate|reg|rego|with|"
    r"registration)){0,4}[\s.:#-]{0,5})"
    r"((?=[A-Za-z0-9 -]{0,20}\d)(?=[A-Za-z0-9 -]{0,20}[A-Za-z])"
    r"[A-Z0-9]{1,4}(?:[ -]?[A-Z0-9]{1,4}){1,3})\b"),
    "[plate]")
# Three letters before a number that are no plate: roads, lines and parts of addresses.
_NO_PLATE = (r"(?!(?:HWY|RTE|RTS|AVE|BLK|BLD|BUS|APT|LOT|BOX|ROW|PIN|ZIP|LVL|FLR|SQM|REF|JOB|TAG|"
             r"CAM|SUB|NUM|THE|AND|FOR|WAY|RUE|VIA|COL|NOS|TEL|MOB|FAX|DIA|RAL|ISO|ASA)\b)")
_PLATE = Rule("personal_plate", re.compile(
    rf"(?<![\w-]){_NO_PLATE}"
    r"(?:[A-Z]{2}\d{2}[ -]?[A-Z]{3}|[A-Z]{3}[ -]?\d{3}|[A-Z]{3}[ -]?\d{2}[ -]?[A-Z]|"
    r"[A-Z]{3}[ -]\d{4}|\d{3}[ -]?[A-Z]{3}|\d{4}[ -]?[A-Z]{3}|[A-Z]{1,3}-[A-Z]{1,2}[ -]?\d{1,4}|"
    r"[A-Z]{2}-\d{3}-[A-Z]{2}|\d[A-Z]{3}\d{3}|[A-Z]\d{1,3}[ -]?[A-Z]{3}|"
    r"[A-Z]{3}[ -]?\d{1,3}[ -]?[A-Z])(?![\w-])"), "[plate]")
_TITLED = Rule("personal_name", re.compile(rf"\b{_TITLE}\s+{_NAMES}"), "[name]")
_CUED = re.compile(rf"(?P<cue>{_cue(_PERSON_CUES)})(?P<gap>[\s:,=-]+)(?P<name>{_NAMES})")
_BEFORE = re.compile(
    rf"(?<![{_LETTER}-])(?P<name>{_ONE}\s+{_ONE})(?=\s+(?:rang|called|phoned|complained|e-?mailed|"
    r"reported\s+(?:it|this|that|again)|wants|wrote|rings|visited)\b)")
_QUOTED = Rule("marking_text", re.compile(
    r"(?i:\b(?:says?|saying|said|reads?|reading|written|wrote|words?|letters?|spells?|spelling|"
    r"tag(?:ged)?|text|slogan|message|name)\b[\s:,-]*)?"
    r"(?:\"[^\"]{1,80}\"|“[^”]{1,80}”|«[^»]{1,80}»|‘[^’]{1,80}’|(?<!\w)'[^']{2,80}'(?!\w))"),
    "[marking]")
_PHONE_SURE = Rule("personal_phone", re.compile(
    r"(?<![\w.,/-])(?:\+\d[\d\s().-]{6,18}\d|\(?0\d{2,4}\)?[\s.-]?\d{3}[\s.-]?\d{3,4}|"
    r"\(\d{3}\)\s*\d{3}[\s.-]\d{4}|\d{3}[.-]\d{3}[.-]\d{4}|\d{9,12})(?![\w]|[.,]\d)"), "[phone]")
_CALLER = Rule("personal_name", re.compile(
    rf"\b(?:Mr|Mrs|Ms|Miss|Mx)\.?\s+{_NAMES}"), "[name]")
# In an address, "Dr King Drive" and "900-1000 Main" are no persons and no telephones.
_REPORTER = Rule("personal_name", re.compile(
    rf"(?i:\b(?:reported|notified|phoned in|called in|requested) by\s+){_NAMES}"
    r"(?:\s*,|\s+(?i:at|of|from)\b)?\s*"), "")
# The place stays; that the caller lives there goes.
_LIVES = Rule("personal_home", re.compile(r"(?i:\b(?:i|we)\s+live\s+(?:at|in|on)\s+)"), "")
_IN_ADDRESS = (_MAIL, _LINK, _PHONE_CUED, _PHONE_SURE, _CALLER, _REPORTER, _LIVES)
# Most addresses hold nothing of the kind: one look spares them the rules.
_ADDRESS_HINT = re.compile(
    r"[@\[]|\bat\b|\bby\b|\blive\b|www\.|http|"
    r"\b(?:Mr|Mrs|Ms|Miss|Mx)\b|\d[\d\s().\-/]{3,}\d|\(at\)", re.IGNORECASE)
_DIGIT_RULES = ("personal_phone", "personal_plate")
# Where a caller lives says who the caller is.
_HOME = Rule("personal_home", re.compile(
    r"(?i:\b(?:i|we)\s+live\s+(?:at|in|on|opposite|next\s+to)\s+)([^.,;:!?()\n]{2,60})"), "[home]")
# The house of someone who was named just before: "[name] at 12 Elm Road".
_NAMED_HOME = re.compile(
    r"(\[name\],?\s+(?i:of|at|from|living\s+at)\s+)\d+[A-Za-z]?\s[^.,;:!?()\[\]\n]{2,60}?"
    r"(?=[.,;:!?()\[\]\n]|\s+(?i:about|re|regarding|who|that|says?|saying|said|and|on|wants)\b|$)")
_SIMPLE = (_HOME, _MAIL, _LINK, _PLATE_CUED, _PHONE_CUED, _PHONE, _PLATE, _TITLED)


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
    found: list[str] = []
    if not keep_marking_text:
        text, count = _QUOTED.pattern.subn(_QUOTED.mark, text)
        found += ["marking_text"] * bool(count)
    text, count = _without_world_numbers(text)
    found += ["personal_phone"] * bool(count)
    digits = any(c.isdigit() for c in text)
    for rule in _SIMPLE:
        if not digits and rule.name in _DIGIT_RULES:
            continue
        text, count = rule.pattern.subn(partial(_keep_cue, mark=rule.mark), text)
        found += [rule.name] * bool(count)
    named = _BEFORE.sub(_replace_caller, _CUED.sub(_replace_name, text))
    if named != text:
        found.append("personal_name")
    named, count = _NAMED_HOME.subn(r"\1[home]", named)
    found += ["personal_home"] * bool(count)
    return named, tuple(dict.fromkeys(found))


_LINKED = re.compile(r"(?i)https?://|www\.")


def scrub_address(text: str) -> tuple[str, tuple[str, ...]]:
    """Return an address without mail addresses, telephones and titled names.

    Of a link to a map the point alone is kept, as RFC 5870 writes one.

    Examples
    --------
    >>> scrub_address("12 Dr King Drive, tel 01632 960123")
    ('12 Dr King Drive, tel [phone]', ('personal_phone',))
    """
    if not _ADDRESS_HINT.search(text):
        return text, ()
    point = pasted_point(text) if _LINKED.search(text) else None
    if point is not None:
        return f"geo:{point[1]:.6f},{point[0]:.6f}", ()
    text, count = _without_world_numbers(text)
    found = ["personal_phone"] * bool(count)
    for rule in _IN_ADDRESS:
        text, count = rule.pattern.subn(partial(_keep_cue, mark=rule.mark), text)
        found += [rule.name] * bool(count)
    return text, tuple(dict.fromkeys(found))


def _without_world_numbers(text: str) -> tuple[str, int]:
    """Take out telephone numbers with a country code, in whatever manner of any country."""
    if "+" not in text and "＋" not in text:
        return text, 0
    found = list(phonenumbers.PhoneNumberMatcher(text, None))
    for match in reversed(found):
        text = text[:match.start] + "[phone]" + text[match.end:]
    return text, len(found)


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


def _keep_cue(found: re.Match[str], mark: str) -> str:
    """Replace the datum but keep the words that led to it."""
    whole = found.group(0)
    if found.re.groups and found.group(1):
        return whole[:found.start(1) - found.start(0)] + mark
    if found.re is _PHONE_CUED.pattern:
        start = re.search(r"[+(]?\d", whole)
        return (whole[:start.start()] if start else "") + mark
    return mark


def _replace_caller(found: re.Match[str]) -> str:
    """Replace two capitalised words before a verb of calling, unless they are ordinary words."""
    words = [word.strip(".'’-").casefold() for word in found.group("name").split()]
    return found.group(0) if any(word in _NOT_NAMES for word in words) else "[name]"


def _replace_name(found: re.Match[str]) -> str:
    kept: list[str] = []
    words = found.group("name").split()
    for word in words:
        if word.strip(".'’-").casefold() in _NOT_NAMES:
            break
        kept.append(word)
    if not kept:
        return found.group(0)
    rest = " ".join(words[len(kept):])
    return f"{found.group('cue')}{found.group('gap')}[name]" + (f" {rest}" if rest else "")
