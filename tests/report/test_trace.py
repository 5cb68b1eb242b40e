"""Each figure leads back to its log rows."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from report_tables import make_incidents, make_input

from rehit.errors import InputFileError, SettingError, TableError
from rehit.parameters import load_parameters
from rehit.report.front import build_document
from rehit.report.measures import gather_facts
from rehit.report.pages import render_trace
from rehit.report.trace import TraceBook, Traced, explain, load_trace, rows_of, tell_rows


def _figure(figure_id: str, value: float, parts: tuple[str, ...] = ()) -> Traced:
    return Traced(figure_id, figure_id, value, str(value), "", "f", "all", parts=parts)


def test_sums_that_do_not_add_up_are_refused() -> None:
    book = TraceBook()
    for figure in (_figure("A", 3, ("B", "C")), _figure("B", 1), _figure("C", 2)):
        book.add(figure)
    book.check_sums()
    book.add(_figure("D", 4, ("B", "C")))
    with pytest.raises(TableError, match="D"):
        book.check_sums()


def test_an_id_is_given_once() -> None:
    book = TraceBook()
    book.add(_figure("A", 1))
    with pytest.raises(TableError, match="twice"):
        book.add(_figure("A", 2))


def test_rows_hold_every_source_row_of_joined_reports() -> None:
    log = pd.DataFrame({"source_rows": ["my log.csv#3;my log.csv#9", "b.csv#1"]})
    assert rows_of(log) == ("my%20log.csv#3", "my%20log.csv#9", "b.csv#1")


def test_where_rows_are_too_many_each_figure_keeps_as_many_of_its_first() -> None:
    book = TraceBook()
    long, short = tuple(f"a#{n}" for n in range(90)), tuple(f"b#{n}" for n in range(10))
    for name, rows in (("A", long), ("B", short), ("C", long[40:])):
        book.add(replace(_figure(name, 1), rows=rows))
    assert len(book.places_of_rows()) == 100
    told = book.places_of_rows(most=30)
    assert list(told.values()) == list(range(30))
    kept = [sum(row in told for row in book.figures[name].rows) for name in "ABC"]
    assert kept == [20, 10, 10]  # ten of each, and ten of the third are of the first too
    assert book.places_of_rows(most=100) == book.places_of_rows()


def test_the_page_says_of_each_figure_how_many_rows_it_leaves_to_the_file() -> None:
    facts = gather_facts(make_input(n=9000, full=False),
                         load_parameters().override({"reporting.trace_page_rows": 1000}))
    page = render_trace(facts, build_document(facts))
    data = json.loads(page.split('id="data">')[1].split("</script>")[0])
    assert len(data["rows"]) <= 1000
    for figure in facts.book.figures.values():
        told = sum(length for _, length in data["behind"][figure.id])
        left = len(set(figure.rows)) - told
        part = page.split(f'data-figure="{figure.id}"')[1].split("</details>")[0]
        assert ("trace.json" in part) == (left > 0)
    assert len(facts.book.places_of_rows()) > 1000
    assert any("of them are not told on this page" in part for part in page.split("</details>"))


def test_written_report_explains_its_figures(written: Path) -> None:
    figures = {f["id"]: f for f in load_trace(written)}
    incidents = make_incidents(2400)
    local = incidents["reported_at"].dt.tz_convert("Europe/Madrid").dt.tz_localize(None)
    inside = incidents[(local >= "2025-07-01") & (local < "2025-10-01")]
    assert sorted(figures["V1"]["rows"]) == sorted(inside["source_rows"])
    text = explain("v1", written)
    assert f"log rows: {len(inside)}" in text
    assert "formula:" in text
    row = int(inside["source_rows"].iloc[0].partition("#")[2])
    assert f"    log.csv {row + 1}  GR-{row:05d}" in text  # the line of the file, the case number
    assert {"V1", "R1", "A1", "H2", "M0", "C1", "P3", "E1", "Q1"} <= set(figures)


def test_unknown_id_and_missing_report_are_said_plainly(written: Path, tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="V1"):
        explain("Z99", written)
    with pytest.raises(InputFileError, match="write the report first"):
        explain("V1", tmp_path)


def test_every_figure_of_a_report_shows_rows_of_the_log_or_of_its_table(written: Path) -> None:
    bare = []
    for figure in load_trace(written):
        text = explain(figure["id"], written)
        rows = int(text.rpartition("log rows: ")[2].split()[0].replace(",", ""))
        assert text.count("\n    ") >= rows
        if not rows and "first rows of" not in text and figure["value"]:
            bare.append(figure["id"])
    assert bare == []


def test_money_spent_leads_to_the_jobs_of_the_works_log(written: Path) -> None:
    figures = {f["id"]: f for f in load_trace(written)}
    assert figures["C1"]["rows"] == ["works.csv#7", "works.csv#8", "works.csv#9"]
    assert "    works.csv 8  J6  2025-07-03" in explain("C1", written)
    assert {"works.csv#1", "works.csv#12"} <= set(figures["P2"]["rows"])


def test_every_figure_of_a_full_report_has_its_rows(written: Path) -> None:
    """All but those that count nothing, and a measure whose places are not told."""
    figures = load_trace(written)
    assert {f["id"] for f in figures if not f["rows"] and f["value"]} <= {"E2", "Q3"}


def test_rows_not_in_the_list_of_rows_keep_their_number() -> None:
    log = pd.DataFrame({"source_file": ["a"], "source_row": [1], "line": [2],
                        "case_number": ["C1"], "reported": ["May"], "log": ["incidents"]})
    told = tell_rows(["a#1", "a#9"], log)
    assert told["line"].tolist() == [2, 9]
    assert told["case_number"].tolist() == ["C1", ""]


def test_each_figure_is_worked_out_again_by_its_recipe(written: Path) -> None:
    """One line of pandas on the files written beside the report gives the figure."""
    tables = {path.stem: pd.read_parquet(path) for path in (written / "data").glob("*.parquet")}
    figures = load_trace(written)
    assert len(figures) > 35
    for figure in figures:
        assert figure["recipe"], figure["id"]
        value = eval(figure["recipe"], {"len": len}, tables)  # our own text, from the source
        assert float(value) == pytest.approx(figure["value"]), figure["id"]


def test_every_figure_of_a_full_report_is_quoted_where_its_way_back_leads(written: Path) -> None:
    """All but sums that bind their parts together, and what only a tile without threshold says."""
    pages = {name: (written / name).read_text(encoding="utf-8")
             for name in ("report.html", "details.html", "trace.html")}
    back = dict(re.findall(r'id="(\w+)" data-figure.*?href="([^"]+)">[^<]*\1', pages["trace.html"],
                           flags=re.DOTALL))
    assert set(back) == {f["id"] for f in load_trace(written)}
    lost = {figure for figure, to in back.items()
            if f'id="{to.partition("#")[2]}"' not in pages[to.partition("#")[0]]}
    assert lost <= {"A1", "M0", "V1a", "V1b"}
