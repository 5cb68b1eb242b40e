"""The decision table that turns a marking on a surface into a method, kept as data.

``methods.csv`` has one row per rule. **The first row whose every condition holds decides.** A
condition cell is empty (anything goes), one code, or several with ``|`` between them; a marked
area matches from ``area_min_m2`` (included) up to ``area_max_m2`` (left out); ``earlier_min`` is a
number of earlier incidents on the place, or ``recurring`` for ``treatment.recurring_from``.

``reason`` is the code of a message, or a user's own sentence with places for the facts in braces;
``kit``, ``waste`` and ``cautions`` hold codes separated by ``;`` (a user's own words in ``kit`` and
``waste`` are said as they are).

A user's file of the same columns goes before rehit's rows, in its own order, so its rows win; a
row with the name of one of rehit's takes that row's place in the order instead.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import pandas as pd

from rehit.errors import ManyErrors, RehitError, SettingError
from rehit.files.reader import read_table
from rehit.messages import Message, message
from rehit.packaged import packaged_rows
from rehit.tables import table

CODED = ("substrate", "finish", "medium", "asset_type", "heritage")
BOUNDS = ("area_min_m2", "area_max_m2", "earlier_min")
QUANTITIES = ("minutes_per_visit", "minutes_per_m2", "paint_l_per_m2", "remover_l_per_m2",
              "wash_water_l_per_m2")
TEXTS = ("kit", "waste", "cautions", "reason", "source")
COLUMNS = ("rule", "substrate", "finish", "medium", "area_min_m2", "area_max_m2", "asset_type",
           "heritage", "earlier_min", "method", "second_choice", *QUANTITIES, *TEXTS)
REASON_FIELDS = ("surface", "substrate", "medium", "area", "thing", "earlier")
RECURRING = "recurring"
_FIELD = re.compile(r"\{([A-Za-z]+)\}")
#: What the reason of a row that rehit ships looks like.
OWN_CODE = re.compile(r"advice\.[a-z_]+")


def load_methods(path: Path | str | None = None, *, replace: bool = False) -> pd.DataFrame:
    """Return the decision table, with the user's rows put in.

    Parameters
    ----------
    path
        A CSV with (at least) ``rule, method, minutes_per_visit, minutes_per_m2, reason, source``
        and any condition columns; columns left out are empty.
    replace
        Use only the user's rows. What none of them covers is then advised to be inspected.

    Returns
    -------
    pandas.DataFrame
        Columns as in ``methods.csv``, in order of priority; condition cells as text.

    Raises
    ------
    InputFileError
        If the file cannot be read as a CSV.
    ManyErrors
        Listing every fault of every row at once.

    Examples
    --------
    >>> load_methods().iloc[0]["rule"]
    'heritage'
    """
    base = _default_methods()
    if path is None:
        return base.copy()
    mine = _read(path)
    faults = method_faults(mine, where=str(path))
    if faults:
        raise ManyErrors(str(path), faults)
    mine = _typed(mine)
    if replace:
        return mine
    known = base["rule"].isin(mine["rule"])
    swapped = base.copy()
    for place in base.index[known]:
        swapped.loc[place] = mine.set_index("rule", drop=False).loc[base.loc[place, "rule"]]
    new = mine[~mine["rule"].isin(base["rule"])]
    return _typed(pd.concat([new, swapped], ignore_index=True)) if len(new) else _typed(swapped)


@cache
def _default_methods() -> pd.DataFrame:
    return _typed(pd.DataFrame(packaged_rows("treatment", "methods.csv"), dtype="str"))


@cache
def load_cautions() -> pd.DataFrame:
    """Return the cautions: ``code, when_column, when_values, source``.

    Their words are the messages ``caution.<code>`` (short) and ``caution_full.<code>``. A caution
    with a ``when_column`` is added to every incident whose value there is among ``when_values``;
    the others are named by the rows of the decision table.
    """
    return pd.DataFrame(packaged_rows("treatment", "cautions.csv"), dtype="str")


def caution_codes(advice: pd.DataFrame) -> list[str]:
    """Return the cautions that hold for any row of an `advice` table, in their usual order.

    A user's own, which are no codes, come last.

    Examples
    --------
    >>> caution_codes(pd.DataFrame({"cautions": ["lead; ppe", "mind the dog; ppe"]}))
    ['ppe', 'lead', 'mind the dog']
    """
    named = dict.fromkeys("; ".join(advice["cautions"].dropna().unique()).split("; "))
    named.pop("", None)
    usual = [code for code in load_cautions()["code"] if code in named]
    return [*usual, *(each for each in named if each not in usual)]


def method_faults(methods: pd.DataFrame, *, where: str) -> list[RehitError]:
    """Return every fault of a decision table given as text, its index the lines of the file."""
    needed = ("rule", "method", "minutes_per_visit", "minutes_per_m2", "reason", "source")
    faults: list[RehitError] = [
        SettingError(where, "errors.no_column", names=(name,),
                     known=COLUMNS) for name in needed if name not in methods]
    faults += [SettingError(where, "errors.unknown_column", name=name,
                            known=COLUMNS) for name in methods
               if name not in COLUMNS]
    if faults:
        return faults
    repeated = methods.loc[methods["rule"].duplicated() & methods["rule"].ne(""), "rule"].unique()
    faults += [SettingError(where, "errors.twice", name=name) for name in repeated]
    for line, row in methods.iterrows():
        faults += _row_faults(row, message("where.line_of_rule" if row["rule"] else "where.line",
                                           file=where, line=line, rule=row["rule"]))
    return faults


def _row_faults(row: pd.Series, where: Message) -> list[RehitError]:
    faults: list[RehitError] = []

    def fault(code: str, **facts: object) -> None:
        faults.append(SettingError(where, code, **facts))

    if not row["rule"]:
        fault("errors.no_rule_name")
    methods = table("advice").column("method").allowed
    if row["method"] not in methods:
        fault("errors.unknown_method", name=row["method"], known=methods)
    if row.get("second_choice", "") not in ("", *methods):
        fault("errors.unknown_second_choice", name=row["second_choice"], known=methods)
    for name in CODED:
        strange = set(_split(row.get(name, ""))) - set(_codes(name)) if _codes(name) else set()
        if strange:
            fault("errors.unknown_values", column=name, values=tuple(sorted(strange)),
                  known=_codes(name))
    for name in (*QUANTITIES, *BOUNDS):
        _check_number(row.get(name, ""), name, fault)
    low, high = row.get("area_min_m2", ""), row.get("area_max_m2", "")
    if _is_number(low) and _is_number(high) and float(low) >= float(high):
        fault("errors.crossed_areas", low=low, high=high)
    strange = set(_split(row.get("cautions", ""), ";")) - set(load_cautions()["code"])
    if strange:
        fault("errors.unknown_values", column="cautions", values=tuple(sorted(strange)),
              known=tuple(load_cautions()["code"]))
    try:
        own_reason(row["reason"], dict.fromkeys(REASON_FIELDS, "x"))
    except (KeyError, ValueError):
        fault("errors.bad_reason", reason=row["reason"],
              fields=tuple(f"{{{name}}}" for name in REASON_FIELDS))
    for name in ("reason", "source"):
        if not row[name]:
            fault("errors.no_sentence", column=name)
    return faults


def own_reason(template: str, facts: Mapping[str, object]) -> Message:
    """Return a user's reason as a message, its places filled; ``{Surface}`` starts a sentence.

    Raises
    ------
    KeyError
        For a placeholder that the case does not have.
    ValueError
        For braces around anything but a plain name.

    Examples
    --------
    >>> own_reason("Ask about the {thing}.", {"thing": "bin"}).facts["part"]
    'bin'
    """
    pieces = _FIELD.split(template)
    if any(set(piece) & set("{}") for piece in pieces[::2]):
        raise ValueError(template)  # nothing but plain names: no formatting, no attributes
    told = message("advice.own", text=pieces[-1])
    for at in range(len(pieces) - 2, 0, -2):
        name = pieces[at]
        code = "advice.own_field" if name.islower() else "advice.own_field_start"
        told = message(code, before=pieces[at - 1], part=facts[name.lower()], after=told)
    return told


def _check_number(text: str, name: str, fault: Callable[..., None]) -> None:
    if text == "" and name not in ("minutes_per_visit", "minutes_per_m2"):
        return
    if name == "earlier_min" and text == RECURRING:
        return
    if not _is_number(text) or float(text) < 0:
        fault("errors.not_a_quantity", column=name, text=text)


def _is_number(text: str) -> bool:
    try:
        return float(text) < float("inf")
    except ValueError:
        return False


def _codes(name: str) -> tuple[str, ...]:
    if name == "heritage":
        return ("yes", "no")
    if name == "asset_type":
        return ()  # any kind of thing that the register or log names
    return table("incidents").column(name).allowed


def _split(text: str, separator: str = "|") -> list[str]:
    return [part.strip() for part in text.split(separator) if part.strip()]


def _read(path: Path | str) -> pd.DataFrame:
    raw = read_table(path, has_header=True)
    table = raw.filled().table.fillna("")
    return table.set_axis(table.index.map(raw.file_row))


def _typed(methods: pd.DataFrame) -> pd.DataFrame:
    """Fill missing columns and turn quantities into numbers."""
    full = methods.reindex(columns=list(COLUMNS)).astype("object").fillna("")
    for name in QUANTITIES:
        full[name] = pd.to_numeric(full[name].replace("", 0.0)).astype(float)
    texts = [name for name in COLUMNS if name not in QUANTITIES]
    full[texts] = full[texts].astype("str")
    return full.reset_index(drop=True)
