"""Results are written whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from rehit.errors import InputFileError
from rehit.files.writing import staged_folder


def contents(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text(encoding="utf-8") for p in folder.iterdir()}


def refused(path: Path) -> Path:
    raise PermissionError(13, "Permission denied", str(path))


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


def test_what_was_there_stands_again_when_a_file_cannot_be_put_in_its_place(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "out"
    target.mkdir()
    for name in ("a.txt", "z.txt"):
        (target / name).write_text("old", encoding="utf-8")

    def write() -> None:
        with staged_folder(target) as stage:
            for name in ("a.txt", "b.txt", "z.txt"):
                (stage / name).write_text("new", encoding="utf-8")

    # A file that cannot be moved in, as one that another program has open on Windows.
    move = Path.replace
    monkeypatch.setattr(Path, "replace", lambda self, to: refused(self) if (
        self.parent == target and self.name == "z.txt") else move(self, to))
    with pytest.raises(InputFileError, match=r"z\.txt.*close the file"):
        write()
    assert contents(target) == {"a.txt": "old", "z.txt": "old"}
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("stop_at", range(1, 5))
def test_a_user_who_stops_rehit_while_files_are_moved_keeps_the_old_ones(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stop_at: int) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "a.txt").write_text("old", encoding="utf-8")
    (target / "c.txt").write_text("old", encoding="utf-8")
    move, count = Path.replace, iter(range(1, 100))

    def stopped(self: Path, to: Path) -> Path:
        if next(count) == stop_at:
            raise KeyboardInterrupt
        return move(self, to)

    def write() -> None:
        with staged_folder(target) as stage:
            for name in ("a.txt", "b.txt", "c.txt"):
                (stage / name).write_text("new", encoding="utf-8")
            monkeypatch.setattr(Path, "replace", stopped)

    with pytest.raises(KeyboardInterrupt):
        write()
    assert contents(target) == {"a.txt": "old", "c.txt": "old"}


def test_a_new_folder_is_gone_again_when_nothing_could_be_moved(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_self: Path, _to: Path) -> Path:
        raise OSError(28, "No space left on device")

    def write() -> None:
        with staged_folder(tmp_path / "out") as stage:
            (stage / "a.txt").write_text("x", encoding="utf-8")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(InputFileError, match="No space left on device"):
        write()
    assert list(tmp_path.iterdir()) == []
