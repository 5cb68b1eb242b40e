"""Which rows of an export of all services are graffiti, and of which class.

Most councils publish every kind of request in one table. A row's class comes from the words of its
kind: ``graffiti``, ``graffiti_private`` (on private property), ``posters`` (posters and stickers
alone) or ``another`` service, which is counted and takes no further part. What was decided for
each value is kept in the mapping, where a person can change it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.incidents.columns import Profile
from rehit.incidents.mapping import (
    ALL_KINDS,
    GRAFFITI_KEY,
    KEPT_SERVICES,
    SERVICES,
    FieldSource,
    Question,
)
from rehit.messages import Message, message
from rehit.words.vocabulary import Terms, plain_words

ANOTHER, UNSURE = "another", "unsure"
MOST_VALUES = 400  # a column of kinds of request has no more
MOST_ASKED = 6
MOST_CHOICES = 40
_SHOWN = 8
_ALL = 0.99  # a column that says graffiti in nearly every row: the log holds nothing else
_FILLED = 0.9
_NAMED = 0.5
_OTHERS = 3  # values known as other services that prove an export of all services


@dataclass(frozen=True)
class Split:
    """The rows to clean, and how many rows of each file belong to another service."""

    fields: pd.DataFrame
    another: pd.Series


@dataclass(frozen=True)
class FoundService:
    """Columns that name the kind of request, the class of each value, and what to ask."""

    fields: dict[str, FieldSource]
    kinds: dict[str, tuple[str, ...]]
    questions: tuple[Question, ...]


def class_of(text: str, words: Terms) -> str:
    """Return the class of a kind of request: a service, ``unsure``, or "" for unknown words.

    Examples
    --------
    >>> from rehit.words.vocabulary import default_words
    >>> terms = default_words("service")
    >>> [class_of(text, terms) for text in ("Graffiti Removal", "Graffiti - Private Property",
    ...                                     "Affiches sur mur", "Pothole", "Feedback form X")]
    ['graffiti', 'graffiti_private', 'posters', 'another', 'another']
    """
    found = {hit.code for hit in words.find(text, fuzzy=False)}
    if "graffiti" in found:
        return "graffiti_private" if "private" in found else "graffiti"
    return next((code for code in ("posters", ANOTHER, UNSURE) if code in found), "")


def service_codes(fields: pd.DataFrame, *, values: Mapping[str, Sequence[str]],
                  words: Terms) -> pd.Series:
    """Return the class of each row.

    Parameters
    ----------
    fields
        Table ``fields`` with ``service`` and, where there is one, ``service_detail``: a finer kind
        that tells classes of graffiti apart.
    values
        Class to the values that a person has confirmed for it; other values go by their words.
    words
        Vocabulary of services.

    Returns
    -------
    pandas.Series
        A class for every row; all ``graffiti`` where the log names no kinds, or none of its kinds
        is graffiti and no person said which are.
    """
    if "service" not in fields or not fields["service"].notna().any():
        return pd.Series("graffiti", index=fields.index, dtype="str")
    decided = {_plain(value): code for code, texts in values.items() for value in texts}
    coarse = _mapped(fields["service"], decided, words, otherwise=ANOTHER)
    if not coarse.isin(KEPT_SERVICES).any() and not any(map(len, values.values())):
        return pd.Series("graffiti", index=fields.index, dtype="str")
    if "service_detail" not in fields:
        return coarse
    fine = _mapped(fields["service_detail"], decided, words, otherwise="")
    return coarse.where((coarse == ANOTHER) | ~fine.isin(SERVICES), fine)


def split_services(fields: pd.DataFrame, *, values: Mapping[str, Sequence[str]],
                   words: Terms) -> Split:
    """Keep the rows that are graffiti of some class; count those of another service per file."""
    codes = service_codes(fields, values=values, words=words)
    away = codes == ANOTHER
    files = fields["source_file"] if "source_file" in fields else pd.Series(
        "log", index=fields.index)
    counts = away.groupby(files.fillna("log")).sum().astype("int64")
    return Split(fields[~away] if away.any() else fields, counts)


def new_services(fields: pd.DataFrame, *, values: Mapping[str, Sequence[str]]) -> pd.Series:
    """Return kinds of request that the mapping does not name, with their number of rows."""
    if not any(map(len, values.values())) or "service" not in fields:
        return pd.Series(dtype="int64")
    decided = {_plain(value) for texts in values.values() for value in texts}
    counts = fields["service"].value_counts()
    return counts[[_plain(str(value)) not in decided for value in counts.index]]


def find_service(frame: pd.DataFrame, profiles: Sequence[Profile], *, words: Terms,
                 taken: set[str]) -> FoundService | None:
    """Find the column that tells graffiti from other services, if the log holds other services.

    A column that says graffiti in nearly every row shows that the log holds nothing else. A column
    is believed where its name says that it holds kinds of request, or its values are known kinds.

    Parameters
    ----------
    frame
        The log as texts.
    profiles
        Its columns' profiles.
    words
        Vocabulary of services.
    taken
        Columns that hold coordinates.
    """
    found: list[_Kinds] = []
    for profile in profiles:
        if profile.name in taken or not _could_be(profile):
            continue
        kinds = _kinds(frame[profile.name], profile, words)
        if kinds.share_graffiti >= _ALL:
            return None
        if kinds.n_graffiti and (profile.header("service") >= _NAMED or kinds.n_others >= _OTHERS):
            found.append(kinds)
    if not found:
        return _unnamed(frame, profiles, words, taken)
    best = max(found, key=lambda k: (round(k.share_graffiti, 3), k.profile.header("service"),
                                     -k.profile.n_distinct))
    detail = _detail(frame, best, profiles, words, taken)
    return _proposal(frame, best, detail, words)


def _unnamed(frame: pd.DataFrame, profiles: Sequence[Profile], words: Terms,
             taken: set[str]) -> FoundService | None:
    """Ask which kind is graffiti where a column holds kinds of request and none is known as it."""
    found = [kinds for profile in profiles if profile.name not in taken and _could_be(profile)
             and profile.header("service") >= _NAMED
             and (kinds := _kinds(frame[profile.name], profile, words)).n_others >= _OTHERS]
    if not found:
        return None
    best = max(found, key=lambda k: (k.profile.header("service"), k.n_others, -k.profile.place))
    values = tuple(map(str, best.counts.index))
    said = message("shown.service_none", values=_listed(values, best.counts))
    ask = Question(GRAFFITI_KEY, message("question.which_service", column=best.profile.name),
                   (*values[:MOST_CHOICES], ALL_KINDS), ALL_KINDS, evidence=(said,), rows=best.size,
                   needed=True)
    return FoundService({"service": FieldSource((best.profile.name,), confidence=0.4,
                                                evidence=(said,))}, {}, (ask,))


@dataclass(frozen=True)
class _Kinds:
    """A column's values with their rows and classes."""

    profile: Profile
    counts: pd.Series
    classes: dict[str, str]
    size: int

    def rows(self, codes: Iterable[str]) -> int:
        wanted = set(codes)
        return int(sum(n for value, n in self.counts.items()
                       if self.classes[str(value)] in wanted))

    @property
    def share_graffiti(self) -> float:
        return self.rows(KEPT_SERVICES) / self.size

    @property
    def n_graffiti(self) -> int:
        return sum(code in KEPT_SERVICES or code == UNSURE for code in self.classes.values())

    @property
    def n_others(self) -> int:
        return sum(code == ANOTHER for code in self.classes.values())


def _could_be(profile: Profile) -> bool:
    return (profile.filled >= _FILLED and profile.letters > 0.5 and profile.dates < 0.5
            and profile.n_distinct <= MOST_VALUES and profile.pairs < 0.5 and profile.wkt < 0.5)


def _kinds(cells: pd.Series, profile: Profile, words: Terms) -> _Kinds:
    texts = cells.fillna("").str.strip()
    counts = texts[texts != ""].value_counts()
    few = counts if len(counts) <= MOST_VALUES else counts.iloc[:0]
    return _Kinds(profile, few, {str(v): class_of(str(v), words) for v in few.index},
                  max(len(cells), 1))


def _detail(frame: pd.DataFrame, best: _Kinds, profiles: Sequence[Profile], words: Terms,
            taken: set[str]) -> _Kinds | None:
    """Return a finer column that tells classes apart within the rows of graffiti."""
    texts = frame[best.profile.name].fillna("").str.strip()
    inside = frame[texts.map(best.classes).isin(KEPT_SERVICES).to_numpy()]
    finer = []
    for profile in profiles:
        if profile.name in (*taken, best.profile.name) or profile.header("service") < _NAMED:
            continue
        kinds = _kinds(inside[profile.name], profile, words)
        classes = {code for code in kinds.classes.values() if code in KEPT_SERVICES}
        if len(classes) > 1 and kinds.share_graffiti > 0.5:
            finer.append(kinds)
    return max(finer, key=lambda k: k.share_graffiti, default=None)


def _proposal(frame: pd.DataFrame, best: _Kinds, detail: _Kinds | None,
              words: Terms) -> FoundService:
    plain = best.rows(KEPT_SERVICES) > 0
    classes = {value: _assumed(code, plain=plain) for value, code in best.classes.items()}
    fields = {"service": FieldSource((best.profile.name,), confidence=0.9 if plain else 0.5)}
    values = {code: tuple(v for v in map(str, best.counts.index) if classes[v] == code)
              for code in SERVICES}
    if detail is not None:
        fields["service_detail"] = FieldSource((detail.profile.name,), confidence=0.8)
        for code in SERVICES:
            values[code] += tuple(v for v, found in detail.classes.items()
                                  if found == code and found != ANOTHER and v not in classes)
    made = pd.DataFrame({name: frame[s.columns[0]] for name, s in fields.items()})
    rows = service_codes(made.mask(made == ""), values=values, words=words).value_counts()
    kept = int(sum(rows.get(code, 0) for code in KEPT_SERVICES))
    said = (message("shown.service_rows", kept=kept, rows=len(frame)),
            *(_told(code, values[code], best.counts, detail) for code in SERVICES if values[code]))
    fields["service"] = FieldSource((best.profile.name,), confidence=fields["service"].confidence,
                                    evidence=said)
    return FoundService(fields, values, _questions(best, classes))


def _assumed(code: str, *, plain: bool) -> str:
    """What a value counts as until a person says: a doubtful one is graffiti if nothing else is."""
    if code == UNSURE:
        return ANOTHER if plain else "graffiti"
    return code or ANOTHER


def _told(code: str, values: tuple[str, ...], counts: pd.Series,
          detail: _Kinds | None) -> Message:
    known = counts if detail is None else pd.concat([counts, detail.counts])
    return message(f"shown.service_{code}", values=_listed(values, known))


def _listed(values: tuple[str, ...], counts: pd.Series) -> tuple[str, ...]:
    """Return the first of some values with their rows."""
    return (*(f"{value[:60]} ({int(counts.get(value, 0))})" for value in values[:_SHOWN]),
            *(("…",) if len(values) > _SHOWN else ()))


def _questions(best: _Kinds, classes: Mapping[str, str]) -> tuple[Question, ...]:
    unsure = [str(v) for v in best.counts.index if best.classes[str(v)] == UNSURE]
    return tuple(Question(f"services.{value}",
                          message("question.service", value=value, n=int(best.counts[value])),
                          SERVICES, classes[value], rows=int(best.counts[value]))
                 for value in unsure[:MOST_ASKED])


def _mapped(texts: pd.Series, decided: Mapping[str, str], words: Terms, *,
            otherwise: str) -> pd.Series:
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    made = []
    for text in unique:
        code = decided.get(_plain(str(text))) or class_of(str(text), words)
        made.append(code if code in SERVICES else otherwise)
    return pd.Series(np.array([*made, otherwise], dtype=object)[codes], index=texts.index,
                     dtype="str")


def _plain(text: str) -> str:
    return " ".join(plain_words(text)) or text.strip()
