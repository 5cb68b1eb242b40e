"""JSON and XML to a table of texts: Open311 GeoReport v2 requests, GeoJSON, lists of records.

References
----------
Open311, "GeoReport v2", GET Service Requests (open standard): an array (JSON) or the element
``service_requests`` with ``request`` children (XML), with ``service_request_id``, ``status``,
``requested_datetime``, ``updated_datetime``, ``address``, ``lat``, ``long`` and others.
RFC 7946 (GeoJSON).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any
from xml.etree.ElementTree import Element, ParseError

import geopandas as gpd
import pandas as pd
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import fromstring
from pyproj.exceptions import ProjError
from shapely.errors import ShapelyError
from shapely.geometry import shape

from rehit.errors import InputFileError
from rehit.files.delimited import decode
from rehit.files.rows import RawTable, text_frame
from rehit.files.sheets import cell_text
from rehit.files.spatial import WGS84, spatial_table
from rehit.messages import Message, message

FORMATS = message("errors.feeds")
DEEPEST = 100
LIST_COLUMN = "list"
# Lists of one feed hold the same kind of record if they share so much of their fields.
_ALIKE = 0.5
Records = list[dict[str, str]]


def read_json(data: bytes, *, where: str) -> RawTable:
    """Read GeoJSON, lists of records (as Open311 gives), or one record per line.

    Every record of every list is a row; where there are several lists the column ``list`` names
    the one it came from, and a list of another kind is named in the notes. Nested records become
    columns joined by a dot, and so do lists of questions with their answers; other nested lists
    stay JSON text.

    Raises
    ------
    InputFileError
        If it is no JSON, is nested too deep, or no list of records is found in it.
    """
    text, notes = decode(data, where=where)
    try:
        content = json.loads(text, parse_float=str, parse_int=str)
    except (json.JSONDecodeError, RecursionError, ValueError) as error:
        content = _by_line(text)
        if content is None:
            raise InputFileError(where, "errors.unreadable_json", said=str(error),
                                 formats=FORMATS) from error
    _refuse_depth(content, where, lambda part: part.values() if isinstance(part, dict) else (
        part if isinstance(part, list) else ()))
    if isinstance(content, dict) and isinstance(content.get("features"), list):
        return _features(content, where).with_notes(notes)
    lists = {name: [_flat(item) if isinstance(item, dict) else _bare(item) for item in items]
             for name, items in _json_lists(content).items()}
    return _joined(lists, where, "JSON").with_notes(notes)


def _refuse_depth(content: Any, where: str, parts: Callable[[Any], Iterable[Any]]) -> None:
    """Refuse what no export nests so deep: reading it would take a step of the stack each."""
    level: list[Any] = [content]
    for _ in range(DEEPEST):
        level = [inner for part in level for inner in parts(part)]
        if not level:
            return
    raise InputFileError(where, "errors.nested_too_deep", most=DEEPEST, formats=FORMATS)


def _by_line(text: str) -> list[Any] | None:
    try:
        return [json.loads(line, parse_float=str, parse_int=str)
                for line in text.split("\n") if line.strip()]
    except (json.JSONDecodeError, RecursionError, ValueError):
        return None


def _json_lists(content: object, path: str = "") -> dict[str, list[Any]]:
    """Return every list that holds records, by the names that lead to it."""
    if isinstance(content, list):
        return {path: content}
    if not isinstance(content, dict):
        return {}
    lists: dict[str, list[Any]] = {}
    for key, value in content.items():
        name = f"{path}.{key}" if path else str(key)
        if isinstance(value, dict) or (
                isinstance(value, list) and any(isinstance(item, dict) for item in value)):
            lists |= _json_lists(value, name)
    single = content and not path and not any(isinstance(v, dict | list) for v in content.values())
    return {"": [content]} if single else lists


def _bare(item: object) -> dict[str, str]:
    """Return a record that is no object but a plain value."""
    return {"value": _whole_text(json.dumps(item, ensure_ascii=False) if isinstance(item, list)
                                 else cell_text(item))}


def _joined(lists: Mapping[str, Records], where: str, kind: str) -> RawTable:
    """Put the lists of like records under each other, and name those of another kind.

    Raises
    ------
    InputFileError
        If there is no record, or none with a field.
    """
    fields = {name: {field for record in records for field in record}
              for name, records in lists.items()}
    longest = max(lists, key=lambda name: (len(lists[name]), len(fields[name])), default="")
    if not any(fields.values()):
        raise InputFileError(where, "errors.no_records", kind=kind, formats=FORMATS)
    notes: tuple[Message, ...] = ()
    rows: Records = []
    alike = [name for name in lists if _are_alike(fields[name], fields[longest])]
    for name in lists:
        if name not in alike:
            notes += (message("reading.list_left", n=len(lists[name]), name=name),)
        elif len(alike) == 1:
            rows = lists[name]
        else:
            column = LIST_COLUMN
            while column in fields[longest]:
                column += "_of_feed"
            rows = [*rows, *({**record, column: name} for record in lists[name])]
    if len(alike) > 1:
        notes += (message("reading.lists_joined", names=", ".join(map(repr, alike))),)
    return _table(rows, notes)


def _are_alike(fields: set[str], others: set[str]) -> bool:
    return not fields or len(fields & others) >= _ALIKE * min(len(fields), len(others))


def _flat(record: dict[str, Any], before: str = "") -> dict[str, str]:
    cells: dict[str, str] = {}
    for key, value in record.items():
        name = _whole_text(f"{before}{key}")
        if isinstance(value, dict):
            cells |= _flat(value, f"{name}.")
        elif isinstance(value, list) and _is_answers(value):
            cells |= _answers(value, name)
        elif isinstance(value, list):
            cells[name] = _whole_text(json.dumps(value, ensure_ascii=False))
        else:
            cells[name] = _whole_text(cell_text(value))
    return cells


# A form's questions and answers come as a list of like records, each with its own name.
_ASKED = ("label", "name", "question", "title", "key", "field", "code")
_ANSWERED = ("value", "values", "answer", "response")


def _is_answers(items: list[Any]) -> bool:
    return bool(items) and all(
        isinstance(item, dict) and _key_of(item, _ASKED) and _key_of(item, _ANSWERED)
        for item in items)


def _key_of(item: dict[str, Any], names: tuple[str, ...]) -> str:
    """Return the first of `names` under which the record has something to tell apart."""
    return next((key for name in names for key in item if key.casefold() == name), "")


def _answers(items: list[dict[str, Any]], before: str) -> dict[str, str]:
    """Give each question a column; several answers to one stand in one cell."""
    cells: dict[str, str] = {}
    for item in items:
        asked = cell_text(item[_key_of(item, _ASKED)]).strip()
        name = _whole_text(f"{before}.{asked}")
        said = _answer_text(item[_key_of(item, _ANSWERED)])
        cells[name] = "; ".join(filter(None, (cells.get(name, ""), said)))
    return cells


def _answer_text(value: object) -> str:
    """Return an answer as text: a choice by its name, several one after the other."""
    if isinstance(value, list):
        return "; ".join(filter(None, map(_answer_text, value)))
    if isinstance(value, dict):
        key = _key_of(value, _ASKED) or _key_of(value, _ANSWERED)
        return _answer_text(value[key]) if key else _whole_text(
            json.dumps(value, ensure_ascii=False))
    return _whole_text(cell_text(value))


def _whole_text(text: str) -> str:
    """Replace halves of letters, which JSON can write as ``\\ud800`` and no file can store."""
    return text if text.isascii() else text.encode("utf-8", errors="replace").decode("utf-8")


def _table(rows: list[dict[str, str]], notes: tuple[Message, ...] = ()) -> RawTable:
    names = list(dict.fromkeys(name for row in rows for name in row))
    columns = {name: [row.get(name, "") for row in rows] for name in names}
    return RawTable(text_frame(columns, len(rows)), True, notes)


def _features(content: dict[str, Any], where: str) -> RawTable:
    features = content["features"]
    rows = [_flat(_properties(feature)) if isinstance(feature, dict) else _bare(feature)
            for feature in features]
    shapes, bad = [], []
    for number, feature in enumerate(features, start=1):
        try:
            given = feature.get("geometry") if isinstance(feature, dict) else None
            shapes.append(shape(_numbers(given)) if given else None)
        except (ShapelyError, ValueError, TypeError, KeyError, AttributeError, IndexError):
            shapes.append(None)
            bad.append(number)
    table = _table(rows)
    crs = _named_crs(content) or WGS84
    try:
        frame = gpd.GeoDataFrame(table.table.reset_index(drop=True),
                                 geometry=gpd.GeoSeries(shapes, crs=crs))
    except (ProjError, ValueError) as error:  # ValueError: a name that is no whole text
        raise InputFileError(where, "errors.unknown_geojson_crs", crs=crs) from error
    notes = (message("reading.bad_geometry", rows=", ".join(map(str, bad[:5]))),) if bad else ()
    if frame.empty:
        return RawTable(pd.DataFrame(table.table))
    return spatial_table(frame, notes=notes)


def _properties(feature: dict[str, Any]) -> dict[str, Any]:
    own = feature.get("properties")
    named = dict(own) if isinstance(own, dict) else {}
    if "id" in feature and "id" not in named:
        named = {"id": feature["id"], **named}
    named.pop("geometry", None)
    return named


def _numbers(value: Any) -> Any:
    """Coordinates were kept as text with all digits; a shape needs numbers."""
    if isinstance(value, dict):
        return {key: _numbers(item) if key in ("coordinates", "geometries") else item
                for key, item in value.items()}
    if isinstance(value, list):
        return [_numbers(item) for item in value]
    return float(value) if isinstance(value, str) else value


def _named_crs(content: dict[str, Any]) -> str | None:
    crs = content.get("crs")
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    return str(name) if name else None


def read_xml(data: bytes, *, where: str) -> RawTable:
    """Read XML that holds lists of like elements, as Open311 ``service_requests``.

    Elements in groups are rows of one table, as with several lists of JSON; empty ones are empty
    rows. Entities and external references are refused (defusedxml): they can fill the memory or
    fetch other files.

    Raises
    ------
    InputFileError
        If it is no well-formed XML, holds entities, is nested too deep, or no list of records is
        found in it.
    """
    try:
        root = fromstring(data)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        entities = isinstance(error, DefusedXmlException)
        what = message("errors.entities") if entities else str(error)
        raise InputFileError(where, "errors.unusable_xml", said=what) from error
    _refuse_depth(root, where, list)
    lists = {name: [_cells(item) for item in items] for name, items in _xml_lists(root).items()}
    return _joined(lists, where, "XML")


def _xml_lists(group: Element, path: str = "") -> dict[str, list[Element]]:
    """Return the record elements below a group, by the names of the groups that lead to them.

    A record has fields, that is children without children; a group has elements that have.
    """
    tags = Counter(child.tag for child in group)
    records = {child.tag for child in group if _has_fields(child) and (
        tags[child.tag] > 1 or not _has_records(child))}
    lists: dict[str, list[Element]] = {}
    for child in group:
        if child.tag in records:
            lists.setdefault(f"{path}{_tag(child)}", []).append(child)
        elif len(child):
            for name, items in _xml_lists(child, f"{path}{_tag(child)}.").items():
                lists.setdefault(name, []).extend(items)
    return lists


def _has_fields(item: Element) -> bool:
    return any(not len(child) for child in item)


def _has_records(item: Element) -> bool:
    """Whether several children of one name have children themselves."""
    tags = Counter(child.tag for child in item if len(child))
    return any(count > 1 for count in tags.values())


def _tag(item: Element) -> str:
    return str(item.tag).rpartition("}")[2]


def _cells(item: Element, before: str = "") -> dict[str, str]:
    """Return an element's fields; what is said more than once stands in one cell."""
    cells: dict[str, str] = {}
    if not len(item) and (item.text or "").strip():
        cells[f"{before}value"] = (item.text or "").strip()
    for child in item:
        name = f"{before}{_tag(child)}"
        found = _cells(child, f"{name}.") if len(child) else {name: (child.text or "").strip()}
        for field, text in found.items():
            cells[field] = "; ".join(filter(None, (cells.get(field, ""), text)))
    return cells
