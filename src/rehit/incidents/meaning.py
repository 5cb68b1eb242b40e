"""What the words of a log mean: status, outcome, priority, surface, finish and medium as codes."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from rehit.incidents.ledger import Entries, Step, enter
from rehit.words.vocabulary import Hit, Terms, plain_words, telling_hit

NOTHING = "unknown"
TRANSLATION_COLUMNS = ("field", "before", "after", "rule", "count")


def translate(texts: pd.Series, words: Terms, *, nothing: str = NOTHING, fuzzy: bool = True,
              choose: Callable[[tuple[Hit, ...]], Hit | None] | None = None) -> pd.DataFrame:
    """Put a column of words into codes, each different text once.

    Parameters
    ----------
    texts
        As written; empty cells allowed.
    words
        Vocabulary of the field.
    nothing
        Code for an empty cell and for words that are not known.
    fuzzy
        Whether misspellings count.
    choose
        Which of several words decides; the first that says something by default.

    Returns
    -------
    pandas.DataFrame
        ``code`` and ``rule`` (``word``, ``misspelling``, ``first_of_several``, ``unknown_word``;
        empty for an empty cell or when the text is the code already).

    Examples
    --------
    >>> from rehit.words.vocabulary import default_words
    >>> translate(pd.Series(["Metal - Painted", None]), default_words("substrate"))["code"].tolist()
    ['metal', 'unknown']
    """
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    pick = choose or telling_hit
    read = [_translate_one(text, words, nothing, fuzzy, pick) for text in unique]
    table = pd.DataFrame([*read, (nothing, "")], columns=["code", "rule"], dtype="str")
    return table.take(codes).set_axis(texts.index)


def flagged(texts: pd.Series, words: Terms, code: str) -> pd.Series:
    """Return where a text holds a word of the given code, among whatever else it says."""
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    found = [any(hit.code == code for hit in words.find(text)) for text in unique]
    return pd.Series(np.append(np.array(found, dtype=bool), False)[codes], index=texts.index)


def read_meaning(rows: pd.DataFrame, words: Mapping[str, Terms]) -> dict[str, pd.DataFrame]:
    """Translate every coded field of the rows.

    Parameters
    ----------
    rows
        From :func:`rehit.incidents.rows.prepare`.
    words
        From :func:`rehit.words.vocabulary.load_words`.

    Returns
    -------
    dict
        ``substrate, finish, medium, status, outcome, priority`` to tables of code and rule.
    """
    made = {
        "substrate": translate(rows["substrate"], words["substrate"]),
        "finish": _quiet(translate(rows["substrate"], words["finish"], fuzzy=True)),
        "medium": translate(rows["medium"], words["medium"]),
        "status": translate(rows["status"], words["status"], choose=_state),
        "outcome": translate(rows["outcome"], words["outcome"]),
        "priority": translate(rows["priority"], words["priority"], nothing="ordinary"),
    }
    made["medium"] = _from_elsewhere(made["medium"], rows["description"], words["medium"],
                                     NOTHING, "medium_from_description")
    # A status such as "Closed - not found" says the outcome too.
    made["outcome"] = _from_elsewhere(made["outcome"], rows["status"], words["outcome"], NOTHING,
                                      "outcome_from_status")
    made["priority"] = _from_elsewhere(made["priority"], rows["description"], words["priority"],
                                       "ordinary", "priority_from_description",
                                       empty=rows["priority"].isna())
    # "Pole - Offensive" names the thing and the priority.
    for name in ("asset_type", "service_detail"):
        made["priority"] = _from_elsewhere(
            made["priority"], rows[name], words["priority"], "ordinary", f"priority_from_{name}",
            empty=rows["priority"].isna())
    return made


def read_objects(rows: pd.DataFrame, words: Mapping[str, Terms]) -> pd.Series:
    """Return the thing that was marked in each row, under one name; empty where none is named.

    The field for it comes first; a word that is not known there stands for itself, without what it
    says of priority ("Billboard - Offensive"). Where it is silent the finer kind of request tells,
    if it names one thing only.
    """
    own, finer = rows["asset_type"], rows["service_detail"]
    made = _each(own, lambda text: _thing(text, words, alone=False))
    return made.fillna(_each(finer, lambda text: _thing(text, words, alone=True))).astype("str")


def _each(texts: pd.Series, name: Callable[[str], str | None]) -> pd.Series:
    codes, unique = pd.factorize(texts, use_na_sentinel=True)
    return pd.Series(pd.array([*map(name, unique), None], dtype="str").take(codes),
                     index=texts.index)


def _thing(text: str, words: Mapping[str, Terms], *, alone: bool) -> str | None:
    """Return the code of the thing a text names; with `alone` only one known word."""
    found = [hit.code for hit in words["asset_type"].find(text, fuzzy=not alone)]
    known = [code for code in found if code != NOTHING]
    if alone:
        return known[0] if len(set(known)) == 1 else None
    if found:
        return known[0] if known else None
    judged = {word for hit in words["priority"].find(text, fuzzy=False)
              for word in hit.word.split()}
    return " ".join(word for word in plain_words(text) if word not in judged) or None


def list_translations(rows: pd.DataFrame, made: Mapping[str, pd.DataFrame], *,
                      everywhere: bool = True) -> Step[pd.DataFrame]:
    """Return the table of different translations, with an entry for each translated word.

    With `everywhere` false only words that are misspelt, unknown or ambiguous are entered.
    """
    tables, entries = [], Entries()
    for name, table in made.items():
        source = rows[_source_of(name)]
        told = table["rule"].notna() & (table["rule"] != "") & source.notna()
        elsewhere = table["rule"].isin(_ELSEWHERE)
        if not (told.any() or elsewhere.any()):
            continue
        wanted = told & ~elsewhere & (everywhere | (table["rule"] != "word"))
        entries += enter(wanted, column=name, before=source, after=table["code"],
                         rule=table["rule"])
        for rule, column in _ELSEWHERE.items():
            # A description may hold personal data, so it is not copied here.
            before = f"words_in_{column}" if column == "description" else rows[column]
            entries += enter(table["rule"] == rule, column=name, before=before,
                             after=table["code"], rule=rule)
        tables.append(_counted(name, source[told & ~elsewhere], table[told & ~elsewhere]))
    empty = pd.DataFrame({name: pd.Series([], dtype="str") for name in TRANSLATION_COLUMNS})
    listed = pd.concat(tables, ignore_index=True) if tables else empty.astype({"count": "int64"})
    return Step(listed, entries)


_ELSEWHERE = {"outcome_from_status": "status", "priority_from_description": "description",
              "medium_from_description": "description",
              "priority_from_asset_type": "asset_type",
              "priority_from_service_detail": "service_detail"}


def _source_of(name: str) -> str:
    return "substrate" if name == "finish" else name


def _counted(name: str, source: pd.Series, table: pd.DataFrame) -> pd.DataFrame:
    counted = pd.DataFrame({"before": source, "after": table["code"], "rule": table["rule"]})
    counted = counted.groupby(["before", "after", "rule"], sort=True).size().reset_index(
        name="count")
    counted.insert(0, "field", name)
    return counted


def _translate_one(text: str, words: Terms, nothing: str, fuzzy: bool,
                   choose: Callable[[tuple[Hit, ...]], Hit | None]) -> tuple[str, str]:
    whole = " ".join(plain_words(text))
    hits = tuple(hit for hit in words.find(text, fuzzy=fuzzy)
                 if hit.word not in _FLAGS or hit.word == whole)
    chosen = choose(hits)
    if chosen is None:
        return nothing, "unknown_word"
    if text.casefold() == chosen.code:
        return chosen.code, ""
    if chosen.misspelt:
        return chosen.code, "misspelling"
    several = len({hit.code for hit in hits if hit.code not in (NOTHING, "other", "duplicate")}) > 1
    return chosen.code, "first_of_several" if several else "word"


def _state(hits: tuple[Hit, ...]) -> Hit | None:
    """Of "Completed - Dup" the state is "completed"; the duplicate word is read on its own."""
    state = [hit for hit in hits if hit.code != "duplicate"]
    return telling_hit(tuple(state)) or (
        Hit(NOTHING, hits[0].word, False) if hits else None)


def _quiet(table: pd.DataFrame) -> pd.DataFrame:
    """A surface word that says nothing of the finish is not an unknown word."""
    return table.assign(rule=table["rule"].mask(table["rule"] == "unknown_word", ""))


def _from_elsewhere(table: pd.DataFrame, texts: pd.Series, words: Terms, nothing: str, rule: str,
                    *, empty: pd.Series | None = None) -> pd.DataFrame:
    """Fill what the field itself leaves open from another text, without guessing at spelling."""
    open_rows = (table["code"] == nothing) & texts.notna() & (
        (table["rule"] != "unknown_word") if empty is None else empty)
    if not open_rows.any():
        return table
    longer = Terms(words.kind, {w: c for w, c in words.codes.items() if _speaks_alone(w, rule)},
                   words.longest)
    found = translate(texts.where(open_rows), longer, nothing=nothing, fuzzy=False)
    gained = open_rows & (found["code"] != nothing)
    return pd.DataFrame({"code": table["code"].mask(gained, found["code"]),
                         "rule": table["rule"].mask(gained, rule)})


# Words that answer a question only as the whole cell: "No procede" is no "no".
_FLAGS = frozenset(("yes", "no", "true", "false", "y", "n", "t", "f", "x", "0", "1",
                    "si", "sim", "oui", "ja", "nao", "non", "nein", "tak", "nie", "nee"))
# Words that answer a field of their own but mean something else within a sentence.
_ONLY_IN_FIELD = frozenset((
    "yes", "y", "true", "t", "1", "x", "no", "n", "false", "f", "0", "p1", "p2", "p3", "high",
    "low", "medium", "normal", "standard", "urgent", "emergency", "other", "none", "unknown",
    "na", "n a", "null", "nan", "pen", "acid", "brush", "scratch", "owner", "done", "open",
    "explicit", "priority 1", "priority 2", "priority 3", "routine", "x",
    "si", "sim", "oui", "ja", "nao", "non", "nein", "alta", "hoch", "haute", "media", "mittel",
    "moyenne", "baja", "baixa", "niedrig", "basse", "urgente", "dringend", "eilig", "odio"))


def _speaks_alone(word: str, rule: str) -> bool:
    return word not in _ONLY_IN_FIELD or (rule == "outcome_from_status" and word != "open")
