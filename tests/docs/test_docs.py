"""The documentation builds without a warning, and its pages ask nothing of any network."""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from readers_questions import QUESTIONS, Question

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


def test_each_of_the_three_readers_has_ten_questions() -> None:
    assert Counter(question.who for question in QUESTIONS) == {
        "asset officer": 10, "contractor": 10, "analyst": 10}
    assert max(len(question.clicks) for question in QUESTIONS) <= 2


@pytest.mark.parametrize("question", [q for q in QUESTIONS if q.file == "report.html"],
                         ids=lambda question: question.asked)
def test_each_question_of_the_report_is_answered_where_its_clicks_lead(
        question: Question, browser: Any, written: Path) -> None:
    """A reader opens the report on a desk, clicks what the list says and sees the heading."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    tab = browser.new_page(viewport={"width": 1440, "height": 900}, reduced_motion="reduce")
    tab.goto((written / question.file).as_uri())
    for words in question.clicks:
        tab.get_by_role("link").filter(has_text=re.compile(f"^\\s*{re.escape(words)}\\s*$")
                                       ).first.click()
    sync_api.expect(tab.get_by_text(question.under).first).to_be_in_viewport()
    tab.close()


@pytest.mark.parametrize("name", ["index", "tutorial", "where", "limits"])
def test_the_pages_can_be_read_by_all(
        name: str, faults_of: Callable[[Path], list[object]], built: Path) -> None:
    assert faults_of(built / f"{name}.html") == []
