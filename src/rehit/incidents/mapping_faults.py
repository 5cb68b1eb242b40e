"""Every fault of an edited mapping file, with its key, all at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError

from rehit.errors import RehitError, SettingError
from rehit.incidents.dates import CLOCKS
from rehit.incidents.mapping_answers import answer_allowed, known_key
from rehit.incidents.mapping_model import (
    DATE_FIELDS,
    DATE_PARTS,
    FIELDS,
    LOCATION_ORDERS,
    SIZE_UNITS,
    Question,
)

_SECTIONS = ("log", "fields", "places", "sizes", "words", "questions")
_Check = tuple[Callable[[Any], bool], str]


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _is_flag(value: Any) -> bool:
    return isinstance(value, bool)


def _is_share(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1


def _one_of(allowed: tuple[str, ...]) -> _Check:
    return (lambda value: isinstance(value, str) and value in allowed,
            "one of " + ", ".join(repr(word) for word in allowed))


def _is_crs(value: Any) -> bool:
    if not isinstance(value, str):
        return False
    try:
        return value == "" or bool(CRS.from_user_input(value))
    except CRSError:
        return False


def _is_projected(value: Any) -> bool:
    return _is_crs(value) and (value == "" or CRS.from_user_input(value).is_projected)


_TEXT: _Check = (_is_text, "a text")
_TEXTS: _Check = (_is_texts, 'a list of texts such as ["Date"]')
_FLAG: _Check = (_is_flag, "true or false")
_LOG: dict[str, _Check] = {"name": _TEXT, "has_header": _FLAG, "columns": _TEXTS}
_FIELD: dict[str, _Check] = {
    "columns": (lambda v: _is_texts(v) and len(v) > 0, 'column names such as ["Date"]'),
    "parts": (lambda v: _is_texts(v) and set(v) <= set(DATE_PARTS), f"of {', '.join(DATE_PARTS)}"),
    "day_first": _FLAG, "clock": _one_of(CLOCKS), "formats": _TEXTS,
    "confidence": (_is_share, "a number from 0 to 1"),
}
_DATE_KEYS = ("parts", "day_first", "clock", "formats")
_PLACES: dict[str, _Check] = {
    "crs": (_is_projected, 'a projected CRS such as "EPSG:27700", or ""'),
    "location_crs": (_is_crs, 'a CRS such as "EPSG:4326"'),
    "location_order": _one_of(LOCATION_ORDERS),
}
_SIZES: dict[str, _Check] = {"unit": _one_of(SIZE_UNITS)}
_QUESTION: dict[str, _Check] = {"key": _TEXT, "ask": _TEXT, "choices": _TEXTS, "assumed": _TEXT,
                                "answer": _TEXT}


def mapping_faults(plain: Mapping[str, Any], *, where: str) -> list[RehitError]:
    """Return every fault of a mapping file: unknown keys, wrong types, columns the log never had.

    Parameters
    ----------
    plain
        The parsed TOML.
    where
        The file's name.
    """
    faults: list[RehitError] = [
        _fault(f"{where} [{name}]", "an unknown table", ", ".join(_SECTIONS), "delete or rename it")
        for name in plain if name not in _SECTIONS]
    log, log_faults = _table(plain, "log", where)
    faults += log_faults + _key_faults(log, _LOG, f"{where} [log]",
                                       required=("has_header", "columns"))
    columns = log.get("columns") if _is_texts(log.get("columns")) else None
    fields, field_faults = _table(plain, "fields", where, needed=False)
    faults += field_faults
    for name, values in fields.items():
        faults += _field_faults(name, values, columns, f"{where} [fields.{name}]")
    for name, checks in (("places", _PLACES), ("sizes", _SIZES)):
        values, own = _table(plain, name, where, needed=False)
        faults += own + _key_faults(values, checks, f"{where} [{name}]")
    words, word_faults = _table(plain, "words", where, needed=False)
    faults += word_faults + _key_faults(words, dict.fromkeys(FIELDS, _TEXTS), f"{where} [words]")
    return faults + _questions_faults(plain.get("questions", []), columns, where)


def _fault(where: str, got: str, allowed: str, remedy: str) -> SettingError:
    return SettingError(where, got=got, allowed=allowed, remedy=remedy)


def _table(plain: Mapping[str, Any], name: str, where: str, *,
           needed: bool = True) -> tuple[Mapping[str, Any], list[RehitError]]:
    values = plain.get(name)
    if isinstance(values, dict) or (values is None and not needed):
        return values or {}, []
    got = "nothing" if values is None else repr(values)[:60]
    return {}, [_fault(f"{where} [{name}]", got, f"a table [{name}]", "add it as proposed")]


def _key_faults(values: Mapping[str, Any], checks: Mapping[str, _Check], where: str, *,
                required: tuple[str, ...] = ()) -> list[RehitError]:
    faults: list[RehitError] = []
    for key, value in values.items():
        if key not in checks:
            faults.append(_fault(f"{where} {key}", "an unknown key", ", ".join(checks),
                                 "correct its spelling or delete it"))
        elif not checks[key][0](value):
            faults.append(_fault(f"{where} {key}", repr(value)[:80], checks[key][1], "change it"))
    faults += [_fault(f"{where} {key}", "no such key", checks[key][1], "add it")
               for key in required if key not in values]
    return faults


def _field_faults(name: str, values: Any, columns: list[str] | None,
                  where: str) -> list[RehitError]:
    if name not in FIELDS:
        return [_fault(where, "an unknown field", ", ".join(FIELDS), "correct or delete it")]
    if not isinstance(values, dict):
        return [_fault(where, repr(values)[:60], "a table with columns = [...]", "change it")]
    faults = _key_faults(values, _FIELD, where, required=("columns",))
    if name not in DATE_FIELDS:
        faults += [_fault(f"{where} {key}", "a date setting", " or ".join(DATE_FIELDS),
                          "delete it") for key in _DATE_KEYS if key in values]
    named = values.get("columns", ())
    if columns is not None and _is_texts(named):
        faults += [_fault(f"{where} columns", f"the column {column!r}", _listed(columns),
                          "correct its name") for column in named if column not in columns]
        parts = values.get("parts", ())
        if _is_texts(parts) and len(parts) != len(named):
            faults.append(_fault(f"{where} parts", f"{len(parts)} parts for {len(named)} columns",
                                 "one part for each column", "make the two lists equally long"))
    return faults


def _listed(names: list[str]) -> str:
    return ", ".join(map(repr, names[:12])) + (" ..." if len(names) > 12 else "")


def _questions_faults(questions: Any, columns: list[str] | None, where: str) -> list[RehitError]:
    if not isinstance(questions, list) or not all(isinstance(q, dict) for q in questions):
        return [_fault(f"{where} [[questions]]", repr(questions)[:60],
                       "tables that begin with [[questions]]", "write them as proposed")]
    faults: list[RehitError] = []
    for number, values in enumerate(questions, start=1):
        spot = f"{where} [[questions]] {number}"
        own = _key_faults(values, _QUESTION, spot, required=("key", "ask", "choices", "assumed"))
        faults += own or _answer_faults(values, columns, spot)
    return faults


def _answer_faults(values: dict[str, Any], columns: list[str] | None,
                   where: str) -> list[RehitError]:
    key, answer = values["key"], values.get("answer", "")
    question = Question(key, values["ask"], tuple(values["choices"]), values["assumed"], answer)
    if not known_key(key):
        return [_fault(f"{where} key", repr(key), "the key as proposed, such as places.crs",
                       "change only the answer")]
    if not answer_allowed(question):
        return [_fault(f"{where} answer", repr(answer), _listed(values["choices"]),
                       "write one of these, or leave it empty")]
    if answer and key in ("places.crs", "places.location_crs") and answer != "none" and (
            not _is_projected(answer)):
        return [_fault(f"{where} answer", repr(answer), 'a projected CRS such as "EPSG:27700"',
                       "write the code of the grid the log uses")]
    if answer and key.endswith(".columns") and columns and answer not in (*columns, "none"):
        return [_fault(f"{where} answer", repr(answer), _listed(columns), "name a column")]
    return []
