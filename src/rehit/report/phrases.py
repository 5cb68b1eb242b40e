"""Sentences that other rooms wrote in English, said in the report's language.

A file ``phrases_<language>.csv`` gives for each English sentence its translation. Where a sentence
carries figures or names, both hold the same placeholders in braces; what stands there is looked up
in turn, and a number is written in the language's manner. What is not in the file, such as words
of the user's own log, is left as it is.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

import pandas as pd

from rehit.report.inputs import ReportInput
from rehit.report.say import MINUS, Say

#: Columns of the report's tables that hold sentences or names put together by a room.
SAID = {
    "forecast": ("method",), "forecast_scores": ("method",),
}
#: Columns that hold codes of a group, or messages where the group is empty.
CODED = {
    "advice": {"reason": "", "materials": "kit", "waste": "waste", "cautions": "caution"},
    "strategy_costs": {"why_not": "why_not"}, "incidents": {"match_evidence": ""},
    "findings": {"effect": "", "advice": ""},
}
_FIELD = re.compile(r"\{(\w+)\}")
_NUMBER = re.compile(r"[-+]?\d[\d,]*(\.\d+)?( ?%)?")
#: An amount with the currency's sign before it, as rooms write it in English.
_MONEY = re.compile(r"([^\w\s.,;:()#+/%-])(\d[\d,]*(?:\.\d+)?)")
#: The same with the currency's code.
_MONEY_CODE = re.compile(r"([A-Z]{2,5}) (\d[\d,]*(?:\.\d+)?)")
_WITHIN = r"(?:(?![.!?]\s[A-Z0-9]).)+?"
_NEXT = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9])")


@dataclass(frozen=True)
class _Pattern:
    literal: str
    regex: re.Pattern[str]
    target: str


class Phrases:
    """The translations of one language; English needs none.

    Examples
    --------
    >>> Phrases(Say("es"))("3 years")
    '3 años'
    """

    def __init__(self, words: Say) -> None:
        self.words = words
        self._exact, self._patterns = _phrases(words.language)
        self._known: dict[str, str] = {}

    def __call__(self, text: str) -> str:
        """Return `text` in the language, or unchanged where the file does not know it."""
        if self.words.language == "en":
            return text
        if text not in self._known:
            self._known[text] = self._whole(text)
        return self._known[text]

    def _whole(self, text: str) -> str:
        said = self._one(text)
        if said is not None:
            return said
        parts = _NEXT.split(text)
        if len(parts) > 1:
            return " ".join(self(part) for part in parts)
        for sign in ("; ", ". "):
            if sign in text:
                return sign.join(self(part) for part in text.split(sign))
        return text

    def _one(self, text: str) -> str | None:
        if _NUMBER.fullmatch(text):
            return self._number(text)
        money = _MONEY.fullmatch(text)
        if money:
            return self.words("format.money_sign", minus="", currency=money[1],
                              value=self._number(money[2]))
        coded = _MONEY_CODE.fullmatch(text)
        if coded:
            return self.words("format.money_code", minus="", currency=coded[1],
                              value=self._number(coded[2]))
        lower = text[:1].lower() + text[1:]
        found = self._exact.get(text)
        if found is None and lower in self._exact:
            found = _capital(self._exact[lower])
        if found is not None:
            return found
        for pattern in self._patterns:
            if pattern.literal in text or pattern.literal in lower:
                match = pattern.regex.fullmatch(text) or pattern.regex.fullmatch(lower)
                if match:
                    said = pattern.target.format(**{
                        name: self(value) for name, value in match.groupdict().items()})
                    return _capital(said) if text[:1].isupper() else said
        return None

    def _number(self, text: str) -> str:
        digits = text.rstrip("% ").replace(",", "\0").replace(".", ",")
        digits = digits.replace("\0", ".").replace("-", MINUS)
        return self.words("format.percent", value=digits) if text.endswith("%") else digits


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


@cache
def _phrases(language: str) -> tuple[dict[str, str], tuple[_Pattern, ...]]:
    """Read one language's file: whole sentences, and those with placeholders, longest first."""
    source = files("rehit.report") / f"phrases_{language}.csv"
    if not source.is_file():
        return {}, ()
    exact, patterns = {}, []
    rows = csv.reader(source.read_text(encoding="utf-8").splitlines())
    next(rows)
    for english, said in rows:
        if _FIELD.search(english):
            pieces = _FIELD.split(english)
            regex = "".join(re.escape(piece) if at % 2 == 0 else _group(piece)
                            for at, piece in enumerate(pieces))
            patterns.append(_Pattern(max(pieces[::2], key=len), re.compile(regex), said))
        else:
            exact[english] = said
    patterns.sort(key=lambda pattern: -len(pattern.literal))
    return exact, tuple(patterns)


def _group(name: str) -> str:
    """Return what a placeholder takes: ``n`` a number, any other text within one sentence."""
    return f"(?P<{name}>{_NUMBER.pattern if name == 'n' else _WITHIN})"


def translated(frame: pd.DataFrame, attribute: str, words: Say) -> pd.DataFrame:
    """Return one of the report's tables with its sentences in the language of `words`.

    Parameters
    ----------
    frame
        The table; columns of codes and figures stay as they are.
    attribute
        Attribute of ``ReportInput`` it is.
    words
        The language.
    """
    if attribute in CODED:
        return words.columns(frame, CODED[attribute])
    if words.language == "en":
        return frame
    phrases = Phrases(words)
    return frame.assign(**{column: _said(frame[column], phrases)
                           for column in SAID.get(attribute, ()) if column in frame})


def in_language(inputs: ReportInput, words: Say) -> ReportInput:
    """Return the report's tables and limits with every sentence in the language of `words`."""
    changed: dict[str, Any] = {
        name: translated(frame, name, words) for name, frame in inputs.tables()}
    return replace(inputs, **changed)


def _said(values: pd.Series, phrases: Phrases) -> pd.Series:
    said = values.map({value: phrases(value) for value in values.dropna().unique()})
    return said.astype("str").where(values.notna())
