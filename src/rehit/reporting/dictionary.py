"""The data dictionary: every column of every table, in the open Table Schema of Frictionless.

The descriptions come from :mod:`rehit.tables`, the same files that check the tables, so the
dictionary cannot drift from them.
"""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from rehit.reporting.inputs import CONTRACTS
from rehit.reporting.phrases import Phrases
from rehit.reporting.words import Words
from rehit.tables import GEOMETRY_KINDS, Column, table

_TYPES = {"number": "number", "whole": "integer", "flag": "boolean", "time": "datetime",
          "text": "string", "code": "string"}


def contracts_of(attribute: str) -> tuple[str, ...]:
    """Return the contracts that describe the columns of an attribute of ``ReportInput``."""
    if attribute == "incidents":
        return ("incidents", "placed")
    return (CONTRACTS[attribute],) if attribute in CONTRACTS else ()


def described_columns(attribute: str) -> dict[str, Column]:
    """Return the described columns of a table by name; the first contract wins."""
    columns: dict[str, Column] = {}
    for name in contracts_of(attribute):
        for column in table(name).columns:
            columns.setdefault(column.name, column)
    return columns


def table_schema(attribute: str, frame: pd.DataFrame, *,
                 language: str = "en") -> dict[str, Any]:
    """Describe the columns of `frame` as a Table Schema.

    Parameters
    ----------
    attribute
        Attribute of ``ReportInput`` the table came as.
    frame
        The table; columns outside the contract are listed with the type found.
    language
        Language of the meanings.

    References
    ----------
    Frictionless Standards, Table Schema (version 1).
    """
    known = described_columns(attribute)
    phrases = Phrases(Words(language))
    fields = [_field(known[c], phrases) if c in known
              else {"name": str(c), "type": _found(frame[c])}
              for c in frame.columns]
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    key = [c for c in (table(contracts_of(attribute)[0]).key if contracts_of(attribute) else [])
           if c in frame.columns]
    if key:
        schema["primaryKey"] = key
    return schema


def _field(column: Column, phrases: Phrases) -> dict[str, Any]:
    kind = "any" if column.kind in GEOMETRY_KINDS else _TYPES[column.kind]
    field: dict[str, Any] = {"name": column.name, "type": kind,
                             "description": phrases(column.meaning)}
    if column.unit:
        field["unit"] = column.unit
    constraints: dict[str, Any] = {}
    if not column.nullable:
        constraints["required"] = True
    if column.allowed:
        constraints["enum"] = list(column.allowed)
    if column.kind in ("number",) and column.unit == "0-1":
        constraints |= {"minimum": 0, "maximum": 1}
    if constraints:
        field["constraints"] = constraints
    return field


def _found(values: pd.Series) -> str:
    if str(values.dtype) == "geometry":
        return "any"
    if pd.api.types.is_bool_dtype(values):
        return "boolean"
    if pd.api.types.is_integer_dtype(values):
        return "integer"
    if pd.api.types.is_numeric_dtype(values):
        return "number"
    return "datetime" if pd.api.types.is_datetime64_any_dtype(values) else "string"


def data_package(name: str, files: dict[str, tuple[str, pd.DataFrame]], *,
                 language: str = "en") -> str:
    """Write ``datapackage.json`` for the files that go out.

    Parameters
    ----------
    name
        Title of the project.
    files
        File name to the attribute it holds and the table.
    language
        Language of the columns' meanings.
    """
    resources = [{"name": attribute.replace("_", "-"), "path": path, "format": "parquet",
                  "mediatype": "application/vnd.apache.parquet",
                  "schema": table_schema(attribute, frame, language=language)}
                 for path, (attribute, frame) in files.items()]
    body = {"profile": "data-package", "name": "rehit-report", "title": name,
            "resources": resources}
    return json.dumps(body, ensure_ascii=False, indent=1)
