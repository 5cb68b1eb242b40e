"""The documentation builds without a warning, and its pages ask nothing of any network."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

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
