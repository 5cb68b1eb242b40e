"""Results are written whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.errors import InputFileError
from rehit.files import staged_folder


def test_files_appear_only_when_the_block_succeeds(tmp_path: Path) -> None:
    target = tmp_path / "out"
    with staged_folder(target) as stage:
        (stage / "sub").mkdir()
        (stage / "sub" / "a.txt").write_text("x", encoding="utf-8")
        assert not target.exists()
    assert (target / "sub" / "a.txt").read_text(encoding="utf-8") == "x"


def test_nothing_is_left_behind_when_the_block_fails(tmp_path: Path) -> None:
    def fail_half_way() -> None:
        with staged_folder(tmp_path / "out") as stage:
            (stage / "a.txt").write_text("x", encoding="utf-8")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert list(tmp_path.iterdir()) == []


def test_earlier_files_of_other_names_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("keep", encoding="utf-8")
    with staged_folder(tmp_path / "out") as stage:
        (stage / "a.txt").write_text("x", encoding="utf-8")
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"mine.txt", "a.txt"}


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("", encoding="utf-8")
    with pytest.raises(InputFileError, match="folder to write results into"), (
        staged_folder(tmp_path / "out")):
        pass
