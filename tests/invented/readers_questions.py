"""The questions of three readers, as ``docs/where.md`` lists them."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

PAGE = Path(__file__).parents[2] / "docs" / "where.md"


class Question(NamedTuple):
    """Who asks what; the file to open, what to click, and what to look under."""

    who: str
    asked: str
    file: str
    click: str
    under: str

    @property
    def clicks(self) -> list[str]:
        """The words to click, one after the other."""
        return [words for words in self.click.split(" › ") if words]


QUESTIONS = [Question(*(cell.strip() for cell in line.strip("|").split("|")))
             for line in PAGE.read_text(encoding="utf-8").splitlines()
             if line.startswith("| ") and not line.startswith("| asked by")]
