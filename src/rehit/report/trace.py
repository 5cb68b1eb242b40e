"""Where each figure comes from: its formula, its filter, and the log rows behind it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from rehit.errors import InputFileError, SettingError, TableError
from rehit.messages import message
from rehit.report.say import Say

FILE = "trace.json"
_TABLE_ROWS = 12


@dataclass(frozen=True)
class Traced:
    """One figure of the report.

    `parts` are ids of figures that must add up to this one. `rows` are log rows as
    ``file#row``; figures that rest on a whole table instead name it in `table`. `recipe` is one
    line of pandas that works the value out again from the Parquet files beside the report, each
    read into a name of its own. `live` is the same as a formula of the workbook, in which
    ``[table.column]`` stands for the cells of a column and ``<group.code>`` for the word of a code.
    """

    id: str
    label: str
    value: float
    shown: str
    unit: str
    formula: str
    filter: str
    rows: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    table: str = ""
    recipe: str = ""
    live: str = ""


@dataclass
class TraceBook:
    """The figures of one report, in order, each id once."""

    figures: dict[str, Traced] = field(default_factory=dict)

    def add(self, figure: Traced) -> str:
        """Enter a figure and return its id.

        Raises
        ------
        TableError
            If the id is taken.
        """
        if figure.id in self.figures:
            raise TableError(message("where.report_figures"), "errors.figure_twice", name=figure.id)
        self.figures[figure.id] = figure
        return figure.id

    def check_sums(self) -> None:
        """Refuse figures whose parts do not add up to them.

        Raises
        ------
        TableError
            Naming the first figure that does not.
        """
        for figure in self.figures.values():
            total = sum(self.figures[part].value for part in figure.parts)
            if figure.parts and total != figure.value:
                raise TableError(message("where.report_figure", figure=figure.id),
                                 "errors.parts_differ", total=total, whole=figure.value)

    def places_of_rows(self, *, most: int | None = None) -> dict[str, int]:
        """Number every log row that some figure rests on, each once; or at most so many.

        Where there are more, each figure keeps as many of its first rows as every other.
        """
        nearest: dict[str, int] = {}  # the least place that a row has in a figure
        for figure in self.figures.values():
            for at, row in enumerate(figure.rows):
                if at < nearest.setdefault(row, at):
                    nearest[row] = at
        rows: Iterable[str] = nearest
        if most is not None and len(nearest) > most:
            limit = sorted(nearest.values())[most]
            rows = [row for row, at in nearest.items() if at < limit]
        return {row: number for number, row in enumerate(rows)}

    def to_json(self) -> str:
        """Write all figures with all their rows; equal row lists are written once."""
        lists: dict[tuple[str, ...], int] = {}
        figures = []
        for figure in self.figures.values():
            number = lists.setdefault(figure.rows, len(lists))
            figures.append({
                "id": figure.id, "label": figure.label, "value": figure.value,
                "shown": figure.shown, "unit": figure.unit, "formula": figure.formula,
                "filter": figure.filter, "table": figure.table, "recipe": figure.recipe,
                "parts": list(figure.parts), "rows": number,
            })
        body = {"figures": figures, "rows": [" ".join(rows) for rows in lists]}
        return json.dumps(body, ensure_ascii=False, indent=1, allow_nan=False)


def rows_of(incidents: pd.DataFrame) -> tuple[str, ...]:
    """Return every log row behind these incidents as ``file#row``, spaces in names made safe."""
    texts: Iterable[str] = incidents["source_rows"].astype(str)
    return tuple(part for text in texts for part in row_names(text))


def row_names(text: str) -> list[str]:
    """Return the log rows that a cell of ``source_rows`` lists, spaces made safe."""
    return [_safe(part.strip()) for part in text.split(";") if part.strip()]


def works_rows(works: pd.DataFrame | None) -> tuple[str, ...]:
    """Return the rows of the works log that some jobs stand in, spaces made safe."""
    return () if works is None else tuple(_safe(str(row)) for row in works["source_rows"])


def tell_rows(rows: Iterable[str], log: pd.DataFrame | None) -> pd.DataFrame:
    """Return where each row stands and the log's own number of it, in the order given.

    Parameters
    ----------
    rows
        Rows as ``file#row``, spaces made safe.
    log
        The contract ``report_log_rows``; None where nothing is known but the rows themselves.

    Returns
    -------
    pandas.DataFrame
        ``source_file, line, case_number, reported, log``; texts empty where not known.

    Examples
    --------
    >>> log = pd.DataFrame({"source_file": ["my log"], "source_row": [3], "line": [5],
    ...                     "case_number": ["A7"], "reported": ["1 May"], "log": ["incidents"]})
    >>> tell_rows(["my%20log#3"], log).astype("object").iloc[0].tolist()
    ['my log', 5, 'A7', '1 May', 'incidents']
    """
    named = [row.replace("%20", " ").rpartition("#") for row in rows]
    told = pd.DataFrame({"source_file": pd.Series([file for file, _, _ in named], dtype="str"),
                         "source_row": pd.Series([int(n) for _, _, n in named], dtype="int64")})
    if log is None:
        return told.rename(columns={"source_row": "line"}).assign(
            case_number="", reported="", log="incidents")
    known = log.drop_duplicates(["source_file", "source_row"])
    found = told.merge(known, on=["source_file", "source_row"], how="left", validate="m:1")
    found["line"] = found["line"].fillna(found["source_row"]).astype("int64")
    return found[["source_file", "line", "case_number", "reported", "log"]].fillna(
        {"case_number": "", "reported": "", "log": "incidents"})


def _safe(row: str) -> str:
    return row.replace(" ", "%20")


def log_rows(incidents: pd.DataFrame,
             set_aside: pd.DataFrame | None) -> dict[str, tuple[str, ...]]:
    """Return the log rows that were kept, joined and set aside, and all of them as ``in``.

    The first row of an incident is its own; the others were joined to it.

    Examples
    --------
    >>> found = log_rows(pd.DataFrame({"source_rows": ["a#1;a#3", "a#2"]}),
    ...                  pd.DataFrame({"source_file": ["a"], "source_row": [4]}))
    >>> found["kept"], found["joined"], found["set_aside"]
    (('a#1', 'a#2'), ('a#3',), ('a#4',))
    """
    own, joined = [], []
    for text in incidents["source_rows"].astype(str):
        first, *rest = row_names(text)
        own.append(first)
        joined += rest
    aside = [] if set_aside is None else [
        _safe(f"{file}#{row}") for file, row in zip(set_aside["source_file"],
                                                     set_aside["source_row"], strict=True)]
    lists = {"kept": tuple(own), "joined": tuple(joined), "set_aside": tuple(aside)}
    return {"in": lists["kept"] + lists["joined"] + lists["set_aside"], **lists}


def load_trace(folder: Path) -> list[dict[str, Any]]:
    """Read the figures of a report that was written into `folder`, rows included.

    Raises
    ------
    InputFileError
        If no report was written there, or its figures cannot be read.
    """
    path = Path(folder) / FILE
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        figures = [dict(f, rows=body["rows"][f["rows"]].split()) for f in body["figures"]]
    except (OSError, ValueError, KeyError, TypeError, IndexError) as error:
        raise InputFileError(str(path), "errors.no_figures", said=type(error).__name__,
                             file=FILE) from error
    return figures


def _table_lines(folder: Path, table: str, say: Say) -> list[str]:
    """Return the first rows of a table written beside the report."""
    path = folder / "data" / f"{table}.parquet"
    if not path.is_file():
        return []
    frame = pd.read_parquet(path)
    frame = frame.drop(columns=[c for c in ("geometry", "words") if c in frame])
    text = frame.head(_TABLE_ROWS).to_string(index=False, max_colwidth=40)
    lines = ["  " + say("explain.first_rows", name=path.name, n=len(frame))]
    return lines + [f"    {line}" for line in text.splitlines()]


def explain(figure_id: str, folder: Path, *, say: Say | None = None) -> str:
    """Explain one figure of a written report in words: formula, filter, rows.

    Parameters
    ----------
    figure_id
        The id shown beside the figure, such as ``V1``.
    folder
        The folder the report was written into.
    say
        Language of the headings; what the report says stays in the report's own.

    Raises
    ------
    InputFileError
        If there is no report in the folder.
    SettingError
        If the report has no such figure.
    """
    figures = {f["id"].lower(): f for f in load_trace(folder)}
    found = figures.get(figure_id.strip().lower())
    if found is None:
        raise SettingError("--explain", "errors.unknown_figure", name=figure_id,
                           known=tuple(f["id"] for f in figures.values()))
    say = say or Say("en")
    lines = [f"{found['id']}  {found['label']}: {found['shown']} {found['unit']}".rstrip(),
             "  " + say("explain.formula", text=found["formula"]),
             "  " + say("explain.filter", text=found["filter"]), f"  pandas: {found['recipe']}"]
    if found["parts"]:
        lines.append("  " + say("explain.parts", text=" + ".join(found["parts"])))
    if found["table"]:
        lines += ["  " + say("explain.table", text=found["table"]),
                  *_table_lines(Path(folder), found["table"], say)]
    lines.append("  " + say("explain.rows", n=len(found["rows"])))
    path = Path(folder) / "data" / "log_rows.parquet"
    told = tell_rows(found["rows"], pd.read_parquet(path) if path.is_file() else None)
    lines += [f"    {row.source_file} {row.line}  {row.case_number}  {row.reported}".rstrip()
              for row in told.itertuples()]
    return "\n".join(lines)
