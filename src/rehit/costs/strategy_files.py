"""Reading a user's strategies from CSV or TOML."""

from __future__ import annotations

import csv
import io
import tomllib
from pathlib import Path

from rehit.errors import InputFileError, TableError

Row = dict[str, object]


def read_strategy_rows(path: Path) -> dict[str, Row]:
    """Return strategy name to raw row, from a CSV table or from TOML sections.

    Raises
    ------
    InputFileError
        If the file cannot be read, or holds no strategies.
    TableError
        If a CSV file names a strategy twice.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
        rows = _from_toml(text) if path.suffix.lower() == ".toml" else _from_csv(text, path)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, csv.Error) as error:
        raise InputFileError(str(path), got=f"an unreadable file ({error})",
                             allowed="strategies as CSV or TOML in UTF-8",
                             remedy="mend or name another file") from error
    if not rows:
        raise InputFileError(str(path), got="no strategies",
                             allowed="[strategies.NAME] sections, or a CSV column 'strategy'",
                             remedy="add at least one")
    return rows


def _from_toml(text: str) -> dict[str, Row]:
    section = tomllib.loads(text).get("strategies", {})
    if not isinstance(section, dict):
        return {}
    return {str(name): row for name, row in section.items() if isinstance(row, dict)}


def _from_csv(text: str, path: Path) -> dict[str, Row]:
    rows: dict[str, Row] = {}
    for row in csv.DictReader(io.StringIO(text)):
        name = (row.get("strategy") or "").strip()
        if not name:
            continue
        if name in rows:
            raise TableError(f"{path}, strategy {name!r}", got="two rows of that name",
                             allowed="one row per strategy", remedy="rename or delete one")
        # A cell beyond the header has no column of its own (key None): name it for the message.
        rows[name] = {("(no column)" if key is None else key): cell for key, cell in row.items()}
    return rows
