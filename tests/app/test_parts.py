"""The page's own small parts."""

from __future__ import annotations

import gc
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rehit.app import parts
from rehit.app.parts import drop


def _piece(name: str, content: bytes, chunk: int, total: int) -> Any:
    return SimpleNamespace(event_name="upload_event", data={
        "name": name, "data": content, "chunk": chunk, "total_chunks": total, "type": "text/csv"})


def test_a_dropped_file_goes_to_the_disk_piece_by_piece_and_goes_with_its_box() -> None:
    """Nothing is handed out before the last piece; a name never leads out of the folder."""
    box = drop(many=True)
    box._process_event(_piece("../../log.csv", b"a,b\n", 1, 2))
    assert box.value == {}
    box._process_event(_piece("../../log.csv", b"1,2\n", 2, 2))
    path = box.value["log.csv"]
    assert path.read_bytes() == b"a,b\n1,2\n"
    assert path.parent.name.startswith("rehit-")
    del box
    gc.collect()
    assert not path.exists()


def test_a_file_beyond_the_bound_is_not_taken_whatever_the_browser_says(
        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "LARGEST_FILE_MB", 1)
    box = drop(many=False)
    for chunk in (1, 2, 3):
        box._process_event(_piece("log.csv", b"x" * 400_000, chunk, 3))
    assert box.value == {}
    assert box._folder is not None
    assert Path(box._folder / "log.csv").stat().st_size == 1_000_000
