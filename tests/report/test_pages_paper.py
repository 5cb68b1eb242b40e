"""How the report lies on paper."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest

from rehit.report.document import Document, Grid, Picture, Section, Sentence
from rehit.report.pages import pairs, render_paper
from rehit.report.say import Say

PICTURE = Picture("p", "A picture", "", "", b"", b"")
needs_pdftotext = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext")
needs_pdftoppm = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm")


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


def test_a_drawing_and_a_table_beside_it_may_change_places() -> None:
    said, table, other = Sentence("Said."), _grid(20), Picture("q", "B", "", "", b"", b"")
    assert pairs([said, PICTURE, table, other, said]) == [
        said, (PICTURE, table), other, said]
    assert pairs([table, PICTURE, said]) == [(table, PICTURE), said]


def _foot(path: Path) -> list[float]:
    """Return how far down each page goes, as shares of its height, without its running foot."""
    subprocess.run(["pdftoppm", "-r", "20", "-gray", str(path), str(path.with_suffix(""))],
                   check=True)
    found = []
    for page in sorted(path.parent.glob(f"{path.stem}-*.pgm")):
        grey = plt.imread(page)
        found.append(float(np.flatnonzero((grey < 200)[:int(0.945 * len(grey))].any(axis=1)).max()
                           / len(grey)))
    return found


def _svg(width: int, height: int) -> bytes:
    return (f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}">'
            '<rect width="100%" height="100%" fill="black"/></svg>').encode()


@needs_pdftoppm
def test_drawings_take_the_size_that_fills_the_pages(tmp_path: Path) -> None:
    """As drawn, the second of two tall drawings would leave the first page half white."""
    tall = [Picture(name, name, "", "", _svg(700, 560), b"") for name in "ab"]
    doc = Document("en", "Town", "2025", (Section("a", "First", tall),))
    path = tmp_path / "sized.pdf"
    path.write_bytes(render_paper(doc, Say("en")))
    assert len(_foot(path)) == 1


@needs_pdftoppm
def test_no_page_of_a_report_but_the_last_is_part_empty(written: Path, tmp_path: Path) -> None:
    path = tmp_path / "report.pdf"
    path.write_bytes((written / "report.pdf").read_bytes())
    assert min(_foot(path)[:-1]) > 0.85
