"""The tables of words, rules and numbers that come with rehit."""

from __future__ import annotations

import csv
from importlib.resources import files


def packaged_rows(room: str, name: str) -> list[dict[str, str]]:
    """Return the rows of a table that stands in a room's folder.

    Parameters
    ----------
    room
        Folder below ``rehit``, such as ``words``.
    name
        The file, UTF-8 with a header row.

    Examples
    --------
    >>> packaged_rows("words", "months.csv")[0]["word"]
    'jan'
    """
    text = (files("rehit") / room / name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
