"""The workbook: a read-me sheet, one tidy sheet per table, no formula out of a log."""

from __future__ import annotations

import json
import math
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from rehit.files.safe_text import neutralise_formula
from rehit.report.figures import TEAL
from rehit.report.inputs import CONTRACTS
from rehit.report.measures import Facts
from rehit.report.say import Say
from rehit.tables import GEOMETRY_KINDS, Column, table

# The data dictionary: every column of every table, in the open Table Schema of Frictionless.
#
# The descriptions come from :mod:`rehit.tables`, the same files that check the tables, so the
# dictionary cannot drift from them.

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
    say = Say(language)
    fields = [_field(known[c], say) if c in known
              else {"name": str(c), "type": _found(frame[c])}
              for c in frame.columns]
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    key = [c for c in (table(contracts_of(attribute)[0]).key if contracts_of(attribute) else [])
           if c in frame.columns]
    if key:
        schema["primaryKey"] = key
    return schema


def _field(column: Column, say: Say) -> dict[str, Any]:
    kind = "any" if column.kind in GEOMETRY_KINDS else _TYPES[column.kind]
    field: dict[str, Any] = {"name": column.name, "type": kind,
                             "description": say.own(column.meaning)}
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


#: Text longer than this does not fit a cell (the file format's own limit).
CELL_LENGTH = 32_767
#: Rows as they came may hold personal data; they stay with the cleaned log.
PRIVATE = {"original"}
_README_WIDTHS = (24, 10, 80)
_LINE_POINTS = 15  # height of one line of text
_A4 = 9  # as the file format numbers it
_ROW_LIMIT = 1_048_575
_OPTIONS = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
            "constant_memory": True, "default_date_format": "yyyy-mm-dd hh:mm"}


def write_workbook(path: Path, facts: Facts) -> None:
    """Write every table of the report into one XLSX file, the same bytes each time.

    Parameters
    ----------
    path
        File to write.
    facts
        The report's facts and figures; incidents are those of the period.
    """
    sheets = _sheets(facts)
    with xlsxwriter.Workbook(str(path), _OPTIONS) as book:
        book.set_properties({"title": facts.inputs.name, "created": datetime(2000, 1, 1)})
        formats = {
            "title": book.add_format({"bold": True, "font_size": 14}),
            "head": book.add_format({"bold": True, "font_color": "white", "bg_color": TEAL,
                                     "text_wrap": True, "valign": "top"}),
            "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
            **{kind: book.add_format({"num_format": pattern}) for kind, pattern in (
                ("time", "yyyy-mm-dd hh:mm"), ("whole", "#,##0"), ("share", "0.0%"),
                ("number", "#,##0.00"), ("plain", "#,##0.####"))},
        }
        _readme(book, facts, sheets, formats)
        for name, (_, frame, attribute) in sheets.items():
            _write_sheet(book, name, frame, attribute, formats, say=facts.say)


def _sheets(facts: Facts) -> dict[str, tuple[str, pd.DataFrame, str]]:
    say = facts.say
    sheets = {say("workbook.figures"): (say("workbook.about_figures"), _figures(facts), "")}
    for attribute, frame in facts.written():
        if attribute in ("incidents", "streets"):
            continue
        shown = frame.drop(columns=list(PRIVATE & set(frame.columns)))
        if attribute == "advice":
            shown = shown[shown["incident_id"].isin(facts.now.incidents["incident_id"])]
        sheets[attribute] = (say.code("about", attribute), _flat(shown), attribute)
    sheets[say("workbook.period_incidents")] = (say("workbook.about_incidents"),
                                              _flat(facts.now.incidents), "incidents")
    columns = _columns(facts, [(n, s[2], s[1]) for n, s in sheets.items()])
    sheets[say("workbook.columns")] = (say("workbook.about_columns"), columns, "")
    return sheets


def _figures(facts: Facts) -> pd.DataFrame:
    say = facts.say
    names = ("id", "label", "value", "shown", "unit", "formula", "filter", "n_rows", "recipe")
    rows = [(f.id, f.label, f.value, f.shown.replace("\u00a0", " "), f.unit, f.formula, f.filter,
             len(f.rows), f.recipe) for f in facts.book.figures.values()]
    return pd.DataFrame(rows, columns=[say(f"workbook.{n}") for n in names])


def _columns(facts: Facts, sheets: list[tuple[str, str, pd.DataFrame]]) -> pd.DataFrame:
    say = facts.say
    rows = []
    for name, attribute, frame in sheets:
        known = described_columns(attribute)
        for column in frame.columns if attribute else ():
            d = known.get(column)
            rows.append((name, column, say.own(d.unit) if d else "", d.kind if d else "",
                         say.own(d.meaning) if d else say("workbook.extra")))
    return pd.DataFrame(rows, columns=[say(f"workbook.{c}") for c in (
        "sheet", "column", "unit", "kind", "meaning")])


def _flat(frame: pd.DataFrame) -> pd.DataFrame:
    """Turn geometries into x and y (or leave areas to the GeoPackage) and times into plain UTC."""
    flat = pd.DataFrame(frame.drop(columns=[c for c in frame if str(frame[c].dtype) == "geometry"]))
    geometry = getattr(frame, "geometry", None) if hasattr(frame, "crs") else None
    if geometry is not None and (geometry.dropna().geom_type == "Point").all():
        flat["x"], flat["y"] = geometry.x.round(2), geometry.y.round(2)
    for column in flat.columns:
        if isinstance(flat[column].dtype, pd.DatetimeTZDtype):
            flat[column] = flat[column].dt.tz_localize(None)
    return flat


def _readme(book: Any, facts: Facts, sheets: dict[str, tuple[str, pd.DataFrame, str]],
            formats: dict[str, Any]) -> None:
    say, inputs = facts.say, facts.inputs
    sheet = book.add_worksheet(say("workbook.readme"))
    for column, width in enumerate(_README_WIDTHS):
        sheet.set_column(column, column, width)
    _set_page(sheet)
    sheet.write_string(0, 0, _safe(say("workbook.title", name=inputs.name)), formats["title"])
    lines = [say("workbook.period", period=say.days(inputs.period_start, inputs.period_end)),
             say("workbook.made", observed_from=facts.day(inputs.window.start),
               observed_to=facts.day(inputs.window.end), zone=inputs.time_zone,
               currency=inputs.currency, price_year=inputs.price_year, crs=inputs.crs),
             say("workbook.units"), say("workbook.text_safe"), *say.all(inputs.limits)]
    for row, line in enumerate(lines, start=2):
        # Across all columns and broken into lines, or print would cut it off at the last column.
        sheet.set_row(row, _LINE_POINTS * math.ceil(len(line) / sum(_README_WIDTHS)))
        sheet.merge_range(row, 0, row, len(_README_WIDTHS) - 1, _safe(line), formats["wrap"])
    top = len(lines) + 3
    for column, head in enumerate(("sheets", "rows", "about")):
        sheet.write_string(top, column, say(f"workbook.{head}"), formats["head"])
    for row, (name, (about, frame, _)) in enumerate(sheets.items(), start=top + 1):
        sheet.write_url(row, 0, f"internal:'{name}'!A1", string=name)
        sheet.write_number(row, 1, len(frame))
        sheet.write_string(row, 2, _safe(about), formats["wrap"])


def _write_sheet(book: Any, name: str, frame: pd.DataFrame, attribute: str,
                 formats: dict[str, Any], *, say: Say) -> None:
    sheet = book.add_worksheet(name)
    known = described_columns(attribute)
    for number, column in enumerate(frame.columns):
        unit = known[column].unit if column in known else ""
        head = f"{column} [{say.own(unit)}]" if unit else str(column)
        sheet.set_column(number, number, _width(frame[column], head),
                         formats[_pattern(frame[column], unit)])
        sheet.write_string(0, number, _safe(head), formats["head"])
    sheet.freeze_panes(1, 1)
    _set_page(sheet)
    sheet.repeat_rows(0)
    rows = frame.head(_ROW_LIMIT)
    if len(rows):
        sheet.autofilter(0, 0, len(rows), max(len(frame.columns) - 1, 0))
    for number, row in enumerate(rows.itertuples(index=False, name=None), start=1):
        for place, value in enumerate(row):
            _write_cell(sheet, number, place, value, formats)


def _set_page(sheet: Any) -> None:
    """Print across the sheet, as wide as one page, with its name and the page below."""
    sheet.set_landscape()
    sheet.set_paper(_A4)
    sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&A&R&P / &N")


def _pattern(values: pd.Series, unit: str) -> str:
    if pd.api.types.is_datetime64_any_dtype(values):
        return "time"
    if pd.api.types.is_integer_dtype(values):
        return "whole"
    if pd.api.types.is_numeric_dtype(values):
        return "share" if unit == "0-1" else "number" if unit else "plain"
    return "plain"


def _write_cell(sheet: Any, row: int, column: int, value: Any, formats: dict[str, Any]) -> None:
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value)
    elif isinstance(value, str):
        sheet.write_string(row, column, _safe(value))
    elif isinstance(value, datetime):
        sheet.write_datetime(row, column, value.replace(microsecond=0), formats["time"])
    elif hasattr(value, "__float__"):
        number = float(value)
        if number in (float("inf"), float("-inf")):
            sheet.write_string(row, column, str(value))
        else:
            sheet.write_number(row, column, number)
    else:
        sheet.write_string(row, column, _safe(str(value)))


def _safe(text: str) -> str:
    return neutralise_formula(text)[:CELL_LENGTH]


def _width(values: pd.Series, head: str) -> float:
    longest = max((len(str(v)) for v in values.head(200)), default=0)
    return float(min(max(longest, len(head) * 0.75, 8) + 2, 48))
