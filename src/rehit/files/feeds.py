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

ALLOWED = "GeoJSON, an Open311 list of requests, or a list of records"


def read_json(data: bytes, *, where: str) -> RawTable:
    """Read GeoJSON, a list of records (as Open311 gives), or one record per line.

    Nested records become columns joined by a dot, and so do lists of questions with their answers;
    other nested lists stay JSON text.

    Raises
    ------
    InputFileError
        If it is no JSON, or no list of records is found in it.
    """
    text, notes = decode(data, where=where)
    try:
        content = json.loads(text, parse_float=str, parse_int=str)
    except (json.JSONDecodeError, RecursionError, ValueError) as error:
        content = _by_line(text)
        if content is None:
            raise InputFileError(where, got=f"unreadable JSON ({error})", allowed=ALLOWED,
                                 remedy="export it again, whole") from error
    if isinstance(content, dict) and isinstance(content.get("features"), list):
        return _features(content, where).with_notes(notes)
    records = _records(content)
    if not records:
        raise InputFileError(where, got="JSON without a list of records", allowed=ALLOWED,
                             remedy="give the file that holds the requests themselves")
    return _table([_flat(record) for record in records]).with_notes(notes)


def _by_line(text: str) -> list[Any] | None:
    try:
        return [json.loads(line, parse_float=str, parse_int=str)
                for line in text.split("\n") if line.strip()]
    except (json.JSONDecodeError, RecursionError, ValueError):
        return None


def _records(content: object) -> list[dict[str, Any]]:
    """Return the longest list of records, at the top or one level below it."""
    if isinstance(content, list):
        return [item if isinstance(item, dict) else {"value": item} for item in content]
    if isinstance(content, dict):
        lists = [value for value in content.values()
                 if isinstance(value, list) and any(isinstance(item, dict) for item in value)]
        if lists:
            return _records(max(lists, key=len))
        return [content] if content and not any(
            isinstance(v, dict | list) for v in content.values()) else []
    return []


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
    features = [item for item in content["features"] if isinstance(item, dict)]
    rows = [_flat(_properties(feature)) for feature in features]
    shapes, bad = [], []
    for number, feature in enumerate(features, start=1):
        try:
            shapes.append(shape(_numbers(feature["geometry"])) if feature.get("geometry") else None)
        except (ShapelyError, ValueError, TypeError, KeyError, AttributeError, IndexError):
            shapes.append(None)
            bad.append(number)
    table = _table(rows)
    crs = _named_crs(content) or WGS84
    try:
        frame = gpd.GeoDataFrame(table.table.reset_index(drop=True),
                                 geometry=gpd.GeoSeries(shapes, crs=crs))
    except (ProjError, ValueError) as error:  # ValueError: a name that is no whole text
        raise InputFileError(where, got=f"GeoJSON in an unknown CRS ({crs!r})",
                             allowed="WGS 84 or an EPSG code",
                             remedy="export it in WGS 84") from error
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
    """Read XML whose root holds a list of like elements, as Open311 ``service_requests``.

    Entities and external references are refused (defusedxml): they can fill the memory or fetch
    other files.

    Raises
    ------
    InputFileError
        If it is no well-formed XML, holds entities, or no list of records is found in it.
    """
    try:
        root = fromstring(data)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        what = "it holds entities" if isinstance(error, DefusedXmlException) else str(error)
        raise InputFileError(where, got=f"unusable XML ({what})",
                             allowed="well-formed XML without entities",
                             remedy="export it again, or as CSV") from error
    items = _like_elements(root)
    if not items:
        raise InputFileError(where, got="XML without a list of records",
                             allowed="Open311 service_requests, or a list of like elements",
                             remedy="give the file that holds the requests themselves")
    return _table([_cells(item) for item in items])


def _like_elements(root: Element) -> list[Element]:
    for level in (list(root), [child for parent in root for child in parent]):
        items = [child for child in level if len(child)]
        if items:
            return items
    return []


def _cells(item: Element, before: str = "") -> dict[str, str]:
    cells: dict[str, str] = {}
    for child in item:
        name = f"{before}{child.tag.rpartition('}')[2]}"
        if len(child):
            cells |= _cells(child, f"{name}.")
        else:
            cells[name] = (child.text or "").strip()
    return cells
