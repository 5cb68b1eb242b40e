"""The workbook: figures with live formulas, every log row, one tidy sheet per table."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name, xl_rowcol_to_cell

from rehit.files.safe_text import neutralise_formula
from rehit.report.catalogue import catalogue
from rehit.report.inputs import CONTRACTS, WORDS
from rehit.report.live_workbook import STYLES, set_height, set_page
from rehit.report.measures import Facts
from rehit.report.say import Say
from rehit.report.trace import Traced, row_names, tell_rows
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
#: Columns that only join one table to another; the Parquet files hold them.
TECHNICAL = {"address_key", "street_key", "source_rows", "rule"}
_SHEET_OMITS = {"clusters": {"kind", "streets"}, "clusters_before": {"kind", "streets"},
                "findings": {"code"}, "spend": set()}
#: Groups of words where a column's name means two things, by table.
_WORDS_OF = {"set_aside": {"reason": "set_aside"}, "method_shares": {"code": "method_share"},
             "evaluations": {"verdict": "effect", "reading": ""}, "forecast": {"method": ""},
             "forecast_scores": {"method": ""}, "advised_done": {"second_choice": ""}}
#: Columns whose sum means something; it stands below the table and follows the filter.
TOTALS = {"incidents": ("n_reports", "area_m2"), "repeats": ("n_incidents", "n_rehits",
          "n_offensive", "exposure_years"), "advice": ("minutes", "paint_l", "remover_l",
          "wash_water_l"), "programme": ("first_cost", "crew_hours", "saving", "saving_per_year"),
          "spend": ("spent", "expected"), "works": ("minutes", "cost"), "advised_done": ("n",),
          "counts": ("rows_in", "rows_kept", "rows_joined", "rows_set_aside",
                     "rows_other_service")}
#: Shares that are worked out in the sheet: the share of a column in the column's sum.
SHARES = {("repeats", "share"): "n_incidents", ("advised_done", "share"): "n"}
_README_WIDTHS = (26, 10, 90)
_FIGURE_COLUMNS = {"id": 8, "label": 34, "shown": 14, "live": 14, "value": 14, "agree": 11,
                   "unit": 10, "formula": 44, "filter": 38, "n_rows": 10, "recipe": 56}
_WIDEST, _WRAPPED_FROM = 48, 24
_YEARS = range(1900, 10_000)  # that a spreadsheet has dates for; others stay texts
_OPTIONS = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
            "constant_memory": True, "default_date_format": "yyyy-mm-dd hh:mm"}
_COLUMN = re.compile(r"\[(\w+)\.(\w+)\]")
_WORD = re.compile(r"<(\w+)\.(\w+)>")


@dataclass(frozen=True)
class Sheet:
    """A table as it goes into the workbook: columns by code, what it holds, how many rows in all.

    `n_rows` is more than the rows of `frame` where the table is too long to be written whole.
    """

    name: str
    about: str
    frame: pd.DataFrame
    attribute: str
    n_rows: int

    def cells(self, column: str) -> str:
        """Return the cells of a column as a formula names them."""
        letter = xl_col_to_name(list(self.frame.columns).index(column))
        last = max(len(self.frame), 1) + 1
        return f"'{self.name}'!${letter}$2:${letter}${last}"


def write_workbook(path: Path, facts: Facts) -> None:
    """Write every table of the report into one XLSX file, the same bytes each time.

    The first sheets hold the figures, each worked out anew by a formula from the sheets behind, and
    every row of the logs with a mark for each figure that rests on it.

    Parameters
    ----------
    path
        File to write.
    facts
        The report's facts and figures.
    """
    sheets = {sheet.attribute: sheet for sheet in _tables(facts)}
    rows = _log_rows(facts)
    columns = _columns(facts, sheets)
    with xlsxwriter.Workbook(str(path), _OPTIONS) as book:
        book.set_properties({"title": facts.inputs.name, "created": datetime(2000, 1, 1)})
        formats = {name: book.add_format(how) for name, how in STYLES.items()}
        writer = _Writer(book, facts, formats)
        writer.readme([_figure_sheet(facts), rows, *sheets.values(), columns])
        writer.figures(sheets, rows)
        writer.table(rows)
        for sheet in (*sheets.values(), columns):
            writer.table(sheet)


def _tables(facts: Facts) -> Iterator[Sheet]:
    """Go through the tables: those of the period's figures first, all columns in words."""
    say, limit = facts.say, int(facts.number("workbook_rows"))
    for attribute, frame in facts.written():
        if attribute in ("streets", "log_rows"):
            continue
        if attribute == "advice":
            frame = frame[frame["incident_id"].isin(facts.now.incidents["incident_id"])]
        shown = in_words(_flat(frame, facts.inputs.time_zone), attribute, facts)
        yield Sheet(say(f"sheet.{attribute}"), say.code("about", attribute), shown.head(limit),
                    attribute, len(shown))


def in_words(frame: pd.DataFrame, attribute: str, facts: Facts) -> pd.DataFrame:
    """Return a table as people read it: codes in words, each place by address as well.

    Parameters
    ----------
    frame
        The table, its columns by code.
    attribute
        Attribute of ``ReportInput`` it is.
    facts
        The report's facts, for the language and the addresses.
    """
    say, changed = facts.say, {}
    omitted = TECHNICAL | PRIVATE | _SHEET_OMITS.get(attribute, set())
    frame = frame.drop(columns=list(omitted & set(frame.columns)))
    groups = WORDS | _WORDS_OF.get(attribute, {})
    for column in frame.columns:
        if groups.get(column):
            changed[column] = _worded(frame[column], groups[column], say)
    for column in {"asset_type"} & set(frame.columns):
        changed[column] = _mapped(frame[column], say.thing)
    for column in {"prior_group"} & set(frame.columns):
        changed[column] = _mapped(frame[column], lambda group: _compared_with(group, say))
    if attribute == "evaluations":
        changed |= {name: say.cells(frame[name]) for name in ("reasons", "reading")}
    if attribute == "survival":
        changed["group"] = pd.Series([
            say.code(grouping, code) for grouping, code in
            zip(frame["grouping"], frame["group"], strict=True)], index=frame.index, dtype="str")
    frame = frame.assign(**changed)
    if "place_id" in frame and attribute != "incidents":
        place = frame["place_id"].astype("str").map(facts.called)
        frame.insert(0, "place", place.astype("str").where(place.notna()))
    return frame


def _compared_with(group: str, say: Say) -> str:
    """Return the kind of places that a place is compared with; ``asset: any`` is all assets."""
    kind, _, thing = group.partition(": ")
    told = say.code("place_kind", kind)
    return told if thing == "any" else f"{told}: {say.thing(thing)}"


def _worded(codes: pd.Series, group: str, say: Say) -> pd.Series:
    return _mapped(codes, lambda code: say.code(group, code))


def _mapped(codes: pd.Series, word: Any) -> pd.Series:
    known = {code: word(code) for code in codes.dropna().unique()}
    return codes.map(known).astype("str").where(codes.notna())


def _figure_sheet(facts: Facts) -> Sheet:
    say = facts.say
    empty = pd.DataFrame(index=range(len(facts.book.figures)))
    return Sheet(say("workbook.figures"), say("workbook.about_figures"), empty, "", len(empty))


def _log_rows(facts: Facts) -> Sheet:
    """Return every row of the logs that a figure rests on, with a mark for each such figure."""
    say, book = facts.say, facts.book
    behind = list(book.places_of_rows())
    told = tell_rows(behind, facts.inputs.given("log_rows"))
    told["log"] = _worded(told["log"], "which_log", say)
    incidents = facts.inputs.incidents
    ids = {row: place for rows, *place in zip(
        incidents["source_rows"].astype(str), incidents["incident_id"], incidents["report_id"],
        incidents["address"], incidents["place_id"], strict=True) for row in row_names(rows)}
    nothing = [None] * 4
    more = pd.DataFrame([ids.get(row, nothing) for row in behind], dtype="str",
                        columns=["incident_id", "report_id", "address", "place_id"])
    told["case_number"] = told["case_number"].where(told["case_number"] != "", more["report_id"])
    frame = pd.concat([told, more.drop(columns="report_id")], axis=1)
    limit = int(facts.number("workbook_rows"))
    return Sheet(say("sheet.log_rows"), say("workbook.about_rows"), frame.head(limit), "log_rows",
                 len(frame))


def _columns(facts: Facts, sheets: dict[str, Sheet]) -> Sheet:
    say = facts.say
    rows = []
    for sheet in sheets.values():
        known = described_columns(sheet.attribute)
        for column in sheet.frame.columns:
            d = known.get(column)
            meaning = say.own(d.meaning) if d else (
                "" if f"head.{column}" in catalogue("en") else say("workbook.extra"))
            unit = d.unit if d else ""
            rows.append((sheet.name, say.head(str(column)), f"{sheet.attribute}.{column}",
                         facts.inputs.time_zone if unit == "UTC" else say.unit(unit), meaning))
    frame = pd.DataFrame(rows, columns=[f"workbook.{c}" for c in (
        "sheet", "column", "code_of", "unit", "meaning")])
    return Sheet(say("workbook.columns"), say("workbook.about_columns"), frame, "", len(frame))


def _flat(frame: pd.DataFrame, time_zone: str) -> pd.DataFrame:
    """Turn geometries into x and y (or leave areas to the GeoPackage), times into local ones."""
    flat = pd.DataFrame(frame.drop(columns=[c for c in frame if str(frame[c].dtype) == "geometry"]))
    geometry = getattr(frame, "geometry", None) if hasattr(frame, "crs") else None
    if geometry is not None and (geometry.dropna().geom_type == "Point").all():
        flat["x"], flat["y"] = geometry.x.round(2), geometry.y.round(2)
    for column in flat.columns:
        if isinstance(flat[column].dtype, pd.DatetimeTZDtype):
            # A month is a name, not a moment: its first day must not become the day before.
            zone = "UTC" if column == "month" else time_zone
            flat[column] = flat[column].dt.tz_convert(zone).dt.tz_localize(None)
    return flat


class _Writer:
    """Writes the sheets of one workbook."""

    def __init__(self, book: Any, facts: Facts, formats: dict[str, Any]) -> None:
        self.book, self.facts, self.formats, self.say = book, facts, formats, facts.say

    def readme(self, sheets: list[Sheet]) -> None:
        """Write what the workbook is, what it cannot tell, and a list of its sheets."""
        say, formats, inputs = self.say, self.formats, self.facts.inputs
        sheet = self.book.add_worksheet(say("workbook.readme"))
        for column, width in enumerate(_README_WIDTHS):
            sheet.set_column(column, column, width)
        set_page(sheet)
        sheet.write_string(0, 0, _safe(say("workbook.title", name=inputs.name)), formats["title"])
        lines = [say("workbook.period", period=say.days(inputs.period_start, inputs.period_end)),
                 say("workbook.made", observed_from=self.facts.day(inputs.window.start),
                     observed_to=self.facts.day(inputs.window.end), zone=inputs.time_zone,
                     currency=inputs.currency, price_year=inputs.price_year, crs=inputs.crs),
                 say("workbook.units", zone=inputs.time_zone), say("workbook.how_live"),
                 say("workbook.text_safe"), *say.all(inputs.limits)]
        for row, line in enumerate(lines, start=2):
            # Across all columns and in lines, or print would cut it off at the last column.
            set_height(sheet, row, [(line, sum(_README_WIDTHS))])
            sheet.merge_range(row, 0, row, len(_README_WIDTHS) - 1, _safe(line), formats["wrap"])
        top = len(lines) + 3
        for column, head in enumerate(("sheets", "rows", "about")):
            sheet.write_string(top, column, say(f"workbook.{head}"), formats["head"])
        for row, listed in enumerate(sheets, start=top + 1):
            about = listed.about
            if listed.n_rows > len(listed.frame):
                about = say("workbook.cut", about=about, n=len(listed.frame),
                            file=f"data/{listed.attribute}.parquet")
            set_height(sheet, row, [(about, _README_WIDTHS[2])])
            sheet.write_url(row, 0, f"internal:'{listed.name}'!A1", formats["link"], listed.name)
            sheet.write_number(row, 1, listed.n_rows, formats["whole"])
            sheet.write_string(row, 2, _safe(about), formats["wrap"])

    def figures(self, sheets: dict[str, Sheet], rows: Sheet) -> None:
        """Write each figure of the report: as shown, as worked out from the sheets, and its way."""
        sheet = self.book.add_worksheet(self.say("workbook.figures"))
        set_height(sheet, 0, [(self.say(f"workbook.{name}"), width)
                              for name, width in _FIGURE_COLUMNS.items()])
        for column, (name, width) in enumerate(_FIGURE_COLUMNS.items()):
            sheet.set_column(column, column, width, self.formats["wrap"])
            sheet.write_string(0, column, self.say(f"workbook.{name}"), self.formats["head"])
        sheet.freeze_panes(1, 2)
        set_page(sheet, repeat_head=True, width=sum(_FIGURE_COLUMNS.values()))
        sheet.autofilter(0, 0, len(self.facts.book.figures), len(_FIGURE_COLUMNS) - 1)
        first = len(rows.frame.columns)
        for number, figure in enumerate(self.facts.book.figures.values()):
            self._figure(sheet, number + 1, figure, formula_of(figure, sheets, self.say),
                         marks=(rows, xl_col_to_name(first + number)))

    def _figure(self, sheet: Any, row: int, figure: Traced, live: str, *,
                marks: tuple[Sheet, str]) -> None:
        say, formats, (rows, mark) = self.say, self.formats, marks
        texts = {"label": figure.label, "shown": figure.shown.replace("\u00a0", " "),
                 "unit": figure.unit, "formula": figure.formula, "filter": figure.filter,
                 "recipe": figure.recipe}
        set_height(sheet, row, [(text, _FIGURE_COLUMNS[name]) for name, text in texts.items()])
        at = {name: place for place, name in enumerate(_FIGURE_COLUMNS)}
        sheet.write_url(row, 0, f"internal:'{rows.name}'!{mark}1", formats["link"], figure.id)
        for name, text in texts.items():
            sheet.write_string(row, at[name], _safe(text), formats["wrap"])
        sheet.write_number(row, at["value"], figure.value, formats["plain"])
        if live:
            mine, ours = (xl_rowcol_to_cell(row, at[name]) for name in ("live", "value"))
            sheet.write_formula(row, at["live"], f"={live}", formats["plain"], figure.value)
            sheet.write_formula(
                row, at["agree"], f"=IF(ABS({mine}-{ours})<=0.000001*MAX(1,ABS({ours})),"
                f'"{say("workbook.same")}","{say("workbook.differs")}")', formats["wrap"],
                say("workbook.same"))
        sheet.write_formula(row, at["n_rows"], f"=COUNT('{rows.name}'!${mark}$2:${mark}"
                            f"${max(len(rows.frame), 1) + 1})", formats["whole"],
                            len(set(figure.rows)))

    def table(self, shown: Sheet) -> None:
        """Write one table with its head, filter, totals and print set-up."""
        frame = shown.frame
        sheet = self.book.add_worksheet(shown.name)
        heads = [self._head(column, shown.attribute) for column in frame.columns]
        kinds = [_pattern(frame[column], unit) for column, (_, unit) in
                 zip(frame.columns, heads, strict=True)]
        widths = [_width(frame[column], head, kind) for column, (head, _), kind in
                  zip(frame.columns, heads, kinds, strict=True)]
        set_height(sheet, 0, [(head, width) for (head, _), width in
                              zip(heads, widths, strict=True)])
        for number, ((head, _), kind, width) in enumerate(zip(heads, kinds, widths, strict=True)):
            sheet.set_column(number, number, width, self.formats[kind])
            sheet.write_string(0, number, _safe(head), self.formats["head"])
        marks = self._mark_heads(sheet, shown) if shown.attribute == "log_rows" else []
        sheet.freeze_panes(1, 1)
        set_page(sheet, repeat_head=True, width=sum(widths))
        if len(frame):
            wide = len(frame.columns) + (len(self.facts.book.figures) if marks else 0)
            sheet.autofilter(0, 0, len(frame), max(wide - 1, 0))
        if marks:  # the marks would make the print too small to read
            sheet.print_area(0, 0, len(frame), len(frame.columns) - 1)
        self._rows(sheet, shown, kinds, widths, marks)
        self._totals(sheet, shown)

    def _head(self, column: object, attribute: str) -> tuple[str, str]:
        """Return the head of a column, with its unit, and the unit as the contract has it."""
        if str(column).startswith("workbook."):
            return self.say(str(column)), ""
        known = described_columns(attribute)
        unit = known[str(column)].unit if column in known else ""
        zoned = self.facts.inputs.time_zone if unit == "UTC" else unit
        return self.say.head(str(column), zoned), unit

    def _rows(self, sheet: Any, shown: Sheet, kinds: list[str], widths: list[float],
              marks: list[list[int]]) -> None:
        """Write the rows in order, each whole, since a written row is gone from memory."""
        frame = shown.frame
        wrapped = [place for place, kind in enumerate(kinds) if kind == "wrap"]
        shares = {list(frame.columns).index(share): shown.cells(of) for (attribute, share), of
                  in SHARES.items() if attribute == shown.attribute and share in frame}
        for number, row in enumerate(frame.itertuples(index=False, name=None), start=1):
            set_height(sheet, number, [(row[place], widths[place]) for place in wrapped])
            for place, value in enumerate(row):
                if place in shares:
                    cells = shares[place]
                    own = re.sub(r".*!\$([A-Z]+)\$.*", r"\1", cells) + str(number + 1)
                    sheet.write_formula(number, place, f"={own}/SUM({cells})",
                                        self.formats["share"], value)
                else:
                    write_cell(sheet, number, place, value, self.formats[kinds[place]])
            for place in marks[number - 1] if marks else ():
                sheet.write_number(number, len(frame.columns) + place, 1)

    def _mark_heads(self, sheet: Any, rows: Sheet) -> list[list[int]]:
        """Head a column for each figure, and return which figures rest on each row."""
        place = self.facts.book.places_of_rows()
        marks: list[list[int]] = [[] for _ in place]
        first = len(rows.frame.columns)
        for number, figure in enumerate(self.facts.book.figures.values()):
            sheet.set_column(first + number, first + number, 6)
            sheet.write_url(0, first + number,
                            f"internal:'{self.say('workbook.figures')}'!A{number + 2}",
                            self.formats["head"], figure.id)
            for row in dict.fromkeys(figure.rows):
                marks[place[row]].append(number)
        return marks

    def _totals(self, sheet: Any, shown: Sheet) -> None:
        """Add up what can be added, of the rows that a filter leaves, below the table."""
        columns = [c for c in TOTALS.get(shown.attribute, ()) if c in shown.frame]
        if not columns or shown.frame.empty:
            return
        row = len(shown.frame) + 2
        sheet.write_string(row, 0, self.say("workbook.total"), self.formats["strong"])
        for column in columns:
            values = pd.to_numeric(shown.frame[column], errors="coerce")
            at = list(shown.frame.columns).index(column)
            kind = "total_whole" if _pattern(shown.frame[column], "") == "whole" else "total"
            sheet.write_formula(row, at, f"=SUBTOTAL(109,{shown.cells(column)})",
                                self.formats[kind], float(values.sum()))


def formula_of(figure: Traced, sheets: dict[str, Sheet], say: Say) -> str:
    """Return the formula that works a figure out from the sheets; "" where a sheet cannot.

    Parameters
    ----------
    figure
        With ``[table.column]`` and ``<group.code>`` in its `live`.
    sheets
        The workbook's tables by attribute; a table that was cut short gives no formula.
    say
        Language of the words.
    """
    for attribute, column in _COLUMN.findall(figure.live):
        sheet = sheets.get(attribute)
        if sheet is None or column not in sheet.frame or sheet.n_rows > len(sheet.frame):
            return ""
    live = _WORD.sub(lambda m: '"' + say.code(m[1], m[2]).replace('"', '""') + '"', figure.live)
    return _COLUMN.sub(lambda m: sheets[m[1]].cells(m[2]), live)


def _pattern(values: pd.Series, unit: str) -> str:
    if pd.api.types.is_bool_dtype(values):
        return "plain"
    if pd.api.types.is_datetime64_any_dtype(values):
        return "time"
    if pd.api.types.is_integer_dtype(values):
        return "whole"
    if pd.api.types.is_numeric_dtype(values):
        return "share" if unit == "0-1" else "number" if unit else "plain"
    longest = max((len(str(v)) for v in values.head(500) if pd.notna(v)), default=0)
    return "wrap" if longest > _WRAPPED_FROM else "text"


def write_cell(sheet: Any, row: int, column: int, value: Any, how: Any) -> None:
    """Write a value as the kind of cell it is; nothing for one that is missing."""
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value, how)
    elif isinstance(value, str):
        sheet.write_string(row, column, _safe(value), how)
    elif isinstance(value, datetime) and value.year in _YEARS:
        sheet.write_datetime(row, column, value.replace(microsecond=0), how)
    elif hasattr(value, "__float__"):
        number = float(value)
        if number in (float("inf"), float("-inf")):
            sheet.write_string(row, column, str(value), how)
        else:
            sheet.write_number(row, column, number, how)
    else:
        sheet.write_string(row, column, _safe(str(value)), how)


def _safe(text: str) -> str:
    return neutralise_formula(text)[:CELL_LENGTH]


def _width(values: pd.Series, head: str, kind: str) -> float:
    longest_word = max(len(word) for word in head.split(" ") or [""])
    if kind == "time":
        return float(max(17, longest_word + 2))
    shown = [f"{v:,.2f}" if isinstance(v, float) else str(v) for v in values.head(500)
             if pd.notna(v)]
    longest = max(map(len, shown), default=0)
    return float(min(max(longest + 2, longest_word + 4, 9), _WIDEST))
