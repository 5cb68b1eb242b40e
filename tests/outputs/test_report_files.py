"""The whole report: same bytes, hostile text, missing tables, both languages."""

from __future__ import annotations

import re
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
from report_tables import HOSTILE, make_incidents, make_input

from rehit.messages import message
from rehit.outputs.report import write_report
from rehit.parameters import load_parameters
from rehit.report.document import Document, Sentence
from rehit.report.front import build_document
from rehit.report.inputs import ReportInput
from rehit.report.measures import gather_facts


class _Outline(HTMLParser):
    """Collects headings, ids, links, pictures' alternatives and scripts of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.levels: list[int] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.alts: list[str | None] = []
        self.scripts = 0
        self.language = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if "id" in values:
            self.ids.append(values["id"] or "")
        if tag == "a":
            self.links.append(values.get("href") or "")
        if tag == "img":
            self.alts.append(values.get("alt"))
        self.scripts += tag == "script"
        if tag == "html":
            self.language = values.get("lang") or ""


def _outline(path: Path) -> _Outline:
    outline = _Outline()
    outline.feed(path.read_text(encoding="utf-8"))
    return outline


def _sentences(document: Document) -> list[str]:
    return [block.text for section in (*document.front, *document.details)
            for block in section.blocks if isinstance(block, Sentence)]


def test_every_file_is_there(written: Path) -> None:
    names = {p.name for p in written.iterdir()}
    assert names == {"report.html", "details.html", "trace.html", "map.html", "report.pdf",
                     "workbook.xlsx", "trace.json", "rehit.gpkg", "data"}


def test_same_input_same_bytes(written: Path, full_input: ReportInput, tmp_path: Path) -> None:
    write_report(full_input, tmp_path)
    for name in ("report.html", "details.html", "trace.html", "map.html", "report.pdf",
                 "workbook.xlsx", "trace.json"):
        assert (tmp_path / name).read_bytes() == (written / name).read_bytes(), name


@pytest.mark.parametrize(("name", "pictures"), [("report.html", 6), ("details.html", 3)])
def test_page_is_well_built(written: Path, name: str, pictures: int) -> None:
    page = _outline(written / name)
    assert page.language == "en"
    assert page.levels[0] == 1
    assert page.levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(page.levels, page.levels[1:], strict=False))
    assert len(page.ids) == len(set(page.ids))
    assert page.links[0] == ("#summary" if name == "report.html" else "#volume")
    assert all(link[1:] in page.ids for link in page.links if link.startswith("#"))
    assert all(alt and len(alt) > 40 for alt in page.alts)
    assert len(page.alts) >= pictures


def test_hostile_text_shows_as_text(written: Path) -> None:
    for name in ("report.html", "details.html"):
        report = (written / name).read_text(encoding="utf-8")
        assert _outline(written / name).scripts == 0
        assert HOSTILE not in report
    assert "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;" in report
    page = (written / "map.html").read_text(encoding="utf-8")
    assert _outline(written / "map.html").scripts == 4
    assert HOSTILE not in page
    assert "\\u003cscript\\u003e" in page


def test_pdf_is_tagged_titled_and_dateless(written: Path) -> None:
    pdf = (written / "report.pdf").read_bytes()
    assert b"/StructTreeRoot" in pdf
    assert b"/Lang" in pdf
    assert pdf.startswith(b"%PDF-")


def test_missing_tables_leave_a_sentence_and_the_rest(bare_input: ReportInput,
                                                      tmp_path: Path) -> None:
    files = write_report(bare_input, tmp_path)
    page = "".join((tmp_path / name).read_text(encoding="utf-8")
                   for name in ("report.html", "details.html"))
    assert len(files) == 10
    for words in ("No repeat table was given", "No clusters were given", "No methods were worked",
                  "No programme was worked out", "No measure was evaluated"):
        assert words in page
    assert "no programme was worked out" in page


def test_limits_and_partial_periods_are_said_first() -> None:
    inputs = make_input(n=400, full=False, limits=(message("limits.street_only", share=1.0),),
                        period_start=date(2025, 10, 1), period_end=date(2025, 12, 31))
    document = build_document(gather_facts(inputs, load_parameters()))
    assert [section.id for section in document.front][:3] == ["summary", "do", "limits"]
    said = _sentences(Document("en", "", "", document.front[:3]))
    assert any("no single wall can be said to recur" in s for s in said)
    assert any("covers only 61 of the 92 days" in s for s in said)
    assert any("per observed day" in s for s in said)


def test_log_without_clearance_dates_says_so() -> None:
    incidents = make_incidents(300)
    incidents["cleared_at"] = pd.Series(pd.NaT, index=incidents.index).dt.tz_localize(
        "UTC").dt.as_unit("us")
    incidents["status"] = "unknown"
    document = build_document(gather_facts(make_input(incidents=incidents, full=False),
                                           load_parameters()))
    assert any("no clearance dates" in s for s in _sentences(document))


@pytest.mark.parametrize("n", [0, 1])
def test_nearly_no_incident_still_gives_a_report(n: int, tmp_path: Path) -> None:
    write_report(make_input(incidents=make_incidents(n), full=False), tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert '<span class="value">0' in page


def test_spanish_report_holds_no_english_sentence(tmp_path: Path) -> None:
    inputs = make_input(n=600, full=False, language="es")
    write_report(inputs, tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert _outline(tmp_path / "report.html").language == "es"
    assert "Casos en el periodo" in page
    for english in ("incidents", "Period before", "In short", "Where each"):
        assert english not in page.replace("incidents.parquet", "")


def test_inputs_are_not_changed(bare_input: ReportInput, tmp_path: Path) -> None:
    before = bare_input.incidents.copy(deep=True)
    write_report(bare_input, tmp_path)
    pd.testing.assert_frame_equal(pd.DataFrame(bare_input.incidents), pd.DataFrame(before))
