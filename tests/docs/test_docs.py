"""The documentation builds without a warning, and its pages ask nothing of any network."""

from __future__ import annotations

import html
import re
import subprocess
import sys
from pathlib import Path

import pytest

from rehit.report.catalogue import catalogue

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the pages as `DEVELOPERS.md` says."""
    folder = tmp_path_factory.mktemp("docs")
    done = subprocess.run([sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-b", "html",
                           str(ROOT / "docs"), str(folder)], capture_output=True, text=True,
                          check=False)
    assert done.returncode == 0, done.stderr
    return folder


def test_every_page_is_built_and_loads_nothing_from_elsewhere(built: Path) -> None:
    pages = {page.relative_to(built).as_posix(): page.read_text(encoding="utf-8")
             for page in built.rglob("*.html")}
    assert {f"{path.stem}.html" for path in (ROOT / "docs").glob("*.md")} <= set(pages)
    for name, text in pages.items():
        loaded = re.findall(r"<(?:script|img|iframe)[^>]*src=\"(https?:[^\"]+)", text)
        loaded += re.findall(r"<link[^>]*rel=\"stylesheet\"[^>]*href=\"(https?:[^\"]+)", text)
        assert not loaded, name


def test_every_default_number_and_column_has_its_line(built: Path) -> None:
    numbers = (built / "reference" / "numbers.html").read_text(encoding="utf-8")
    assert "labour_per_hour" in numbers
    assert "discount_rate" in numbers
    tables = (built / "reference" / "tables.html").read_text(encoding="utf-8")
    assert "incident_id" in tables


def test_every_command_that_writes_results_is_in_the_list_of_files() -> None:
    from rehit.cli import COMMANDS

    page = (ROOT / "docs" / "files.md").read_text(encoding="utf-8")
    missing = {command.name for command in COMMANDS} - set(re.findall(r"`rehit (\w+)`", page))
    assert missing <= {"demo", "new", "open"}


QUESTIONS = [tuple(cell.strip() for cell in line.strip("|\n").split("|"))
             for line in (ROOT / "docs" / "where.md").read_text(encoding="utf-8").splitlines()
             if line.startswith("| ") and not line.startswith("| asked by")]


def _page(name: str) -> str:
    return (ROOT / "reports" / name).read_text(encoding="utf-8")


def _follow(page: str, words: str) -> tuple[str, str]:
    """Return the page and the anchor that a link of these words leads to."""
    link = re.search(rf'<a [^>]*href="([^"]*)"[^>]*>\s*{re.escape(words)}\s*</a>', _page(page))
    assert link, f"{page} has no link {words}"
    to, _, anchor = link[1].partition("#")
    return to or page, anchor


def test_each_of_the_three_readers_has_ten_questions() -> None:
    assert {who: sum(row[0] == who for row in QUESTIONS) for who, *_ in QUESTIONS} == {
        "asset officer": 10, "contractor": 10, "analyst": 10}


@pytest.mark.parametrize(("asked", "page", "clicks", "under"), [
    row[1:] for row in QUESTIONS if row[2] == "report.html"])
def test_each_question_of_the_report_is_answered_where_its_clicks_lead(
        asked: str, page: str, clicks: str, under: str) -> None:
    """The demo's pages, as they stand in the repository, are followed link by link."""
    steps = [step for step in clicks.split(" › ") if step]
    assert len(steps) <= 2, asked
    anchor = ""
    for step in steps:
        page, anchor = _follow(page, step)
    if page == "map.html":  # made by the demo only
        assert catalogue("en")["map.search"] == under
        return
    text = html.unescape(_page(page))
    at = text.index(f'id="{anchor}"') if anchor else 0
    end = text.find("</section>", at if anchor else text.index('id="do"'))
    assert under in text[at:end], asked


@pytest.mark.parametrize(("asked", "file", "tab", "under"), [
    row[1:] for row in QUESTIONS if row[2] != "report.html"])
def test_each_question_of_the_bid_has_its_heading(
        asked: str, file: str, tab: str, under: str) -> None:
    said = set(catalogue("en").values())
    assert under in said, asked
    assert file == "bid.xlsx" or not tab
    assert not tab or tab in said
