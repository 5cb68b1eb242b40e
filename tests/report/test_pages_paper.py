"""How the report lies on paper."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from rehit.report.document import Document, Grid, Picture, Section, Sentence
from rehit.report.pages import render_paper, tables_first
from rehit.report.pdf import paper, render_pdf
from rehit.report.say import Say

PICTURE = Picture("p", "A picture", "", "", b"", b"")
needs_pdftotext = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext")


def _grid(n: int) -> Grid:
    return Grid("Places", ("Place", "Incidents"), tuple((f"row{i}end", str(i)) for i in range(n)),
                frozenset({1}), note="A note under the table.")


def _pages(path: Path, n_before: int, n_rows: int) -> list[str]:
    say = Say("en")
    lines = [Sentence(f"Line {i}.") for i in range(n_before)]
    doc = Document("en", "Town", "2025", (
        Section("a", "First"), Section("b", "Second", [*lines, _grid(n_rows)])))
    path.write_bytes(render_paper(doc, say))
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True,
                          check=True, text=True)
    return done.stdout.split("\f")[:-1]


@needs_pdftotext
def test_no_page_begins_or_ends_with_a_single_row(tmp_path: Path) -> None:
    """However far down the page a table starts, its first two and last three rows hold together."""
    broken = 0
    for n_before in (0, 20, 21, 22, 23, 24, 25, 26, 27):
        texts = _pages(tmp_path / "p.pdf", n_before, 28)
        pages = [[i for i in range(28) if f"row{i}end" in page] for page in texts]
        held = [rows for rows in pages if rows]
        assert "A note under" in texts[max(i for i, rows in enumerate(pages) if rows)]
        assert [i for rows in held for i in rows] == list(range(28))
        broken += len(held) > 1
        assert all(len(rows) >= 2 for rows in held)
        assert len(held[-1]) >= 3
    assert broken >= 4


def test_a_long_table_goes_before_the_picture_above_it() -> None:
    said, long, short = Sentence("Said."), _grid(20), _grid(3)
    assert tables_first([said, PICTURE, long, PICTURE, short]) == [
        said, long, PICTURE, PICTURE, short]


def test_drawings_shrink_where_that_saves_a_page_and_else_stay_large() -> None:
    """Four drawings of 9 cm fill two pages of 26.9 cm; only at 0.8 of their size three fit one."""
    source = "\n".join((paper("report"), '#show: paper.with(title: "Town", when: "2025")',
                        *['#block(breakable: false, image("p.svg", width: 100% * scale))'] * 6))
    svg = b'<svg xmlns="http://www.w3.org/2000/svg" width="174" height="100"/>'
    def pages(*scales: float) -> bytes:
        return render_pdf(source, attachments={"p.svg": svg}, scales=scales)
    assert pages(1.0, 0.7) == pages(0.7)
    assert pages(1.0, 0.98) == pages(1.0)
