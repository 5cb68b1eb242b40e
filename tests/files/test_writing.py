"""Results are written whole or not at all."""

from __future__ import annotations

import errno
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from rehit.errors import InputFileError
from rehit.files import writing
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

    # A file that another program has open on Windows: neither it nor its folder can be moved.
    monkeypatch.setattr(writing, "_exchange", lambda _one, _other: False)
    move = Path.replace
    monkeypatch.setattr(Path, "replace", lambda self, to: refused(self) if (
        self in (target, target / "z.txt")) else move(self, to))
    with pytest.raises(InputFileError, match=r"z\.txt.*close the file"):
        write()
    assert contents(target) == {"a.txt": "old", "z.txt": "old"}
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(("one_by_one", "stop_at"), [
    (False, 1), (False, 2), *((True, stop_at) for stop_at in range(1, 7))])
def test_a_user_who_stops_rehit_while_files_are_moved_keeps_the_old_ones(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, one_by_one: bool, stop_at: int) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "a.txt").write_text("old", encoding="utf-8")
    (target / "c.txt").write_text("old", encoding="utf-8")
    move, count = Path.replace, iter(range(1, 100))
    monkeypatch.setattr(writing, "_exchange", lambda _one, _other: False)
    monkeypatch.setattr(writing, "_is_within", lambda _path, _folder: one_by_one)

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
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_what_cannot_be_put_back_waits_for_the_next_run(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A share that goes away in the middle of the move, and is there again later."""
    target, gone = tmp_path / "out", False
    target.mkdir()
    for name in ("a.txt", "b.txt"):
        (target / name).write_text("old", encoding="utf-8")
    move = Path.replace

    def moved(self: Path, to: Path) -> Path:
        nonlocal gone
        gone = gone or self.name == "b.txt"
        if gone:
            raise OSError(errno.ESTALE, os.strerror(errno.ESTALE))
        return move(self, to)

    def write(text: str) -> None:
        with staged_folder(target) as stage:
            for name in ("a.txt", "b.txt"):
                (stage / name).write_text(text, encoding="utf-8")

    with monkeypatch.context() as patch:
        patch.setattr(writing, "_is_within", lambda _path, _folder: True)
        patch.setattr(Path, "replace", moved)
        with pytest.raises(InputFileError, match="network share"):
            write("new")
        with pytest.raises(InputFileError, match="network share"):
            write("newer")
    with pytest.raises(ZeroDivisionError), staged_folder(target):
        raise ZeroDivisionError
    assert contents(target) == {"a.txt": "old", "b.txt": "old"}
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_one_file_is_replaced_in_one_step(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A project file is never missing, not even for a moment."""
    (tmp_path / "rehit.toml").write_text("old", encoding="utf-8")
    moves: list[Path] = []
    move = Path.replace
    monkeypatch.setattr(Path, "replace", lambda self, to: (moves.append(to), move(self, to))[1])
    with staged_folder(tmp_path) as stage:
        (stage / "rehit.toml").write_text("new", encoding="utf-8")
    assert moves == [tmp_path / "rehit.toml"]
    assert contents(tmp_path) == {"rehit.toml": "new"}


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


OLD = {"a.txt": "old", "c.txt": "old", "mine.txt": "kept"}
NEW = {"a.txt": "new", "b.txt": "new", "c.txt": "new", "mine.txt": "kept"}
CALLS = ("mkdir", "rename", "replace", "link", "unlink", "rmdir", "open", "scandir", "ftruncate")


def killed_at(call: int, target: Path, *, way: str) -> bool:
    """Write into a folder in a process of its own that dies at one call; say whether it died."""
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1] != 0
    count = iter(range(1, 10_000))

    def dying(real: Callable[..., object]) -> Callable[..., object]:
        def called(*args: object, **named: object) -> object:
            if next(count) == call:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*args, **named)
        return called

    if way != "exchange":
        writing._exchange = lambda _one, _other: False
    if way == "one by one":
        writing._is_within = lambda _path, _folder: True
    with staged_folder(target) as stage:
        for name in ("a.txt", "b.txt", "c.txt"):
            (stage / name).write_text("new", encoding="utf-8")
        for name in CALLS:
            setattr(os, name, dying(getattr(os, name)))
    os._exit(0)


@pytest.mark.skipif(sys.platform == "win32", reason="processes are forked")
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
@pytest.mark.parametrize("way", ["exchange", "put aside", "one by one"])
def test_killed_at_any_call_of_the_final_move_results_are_old_or_new(tmp_path: Path,
                                                                     way: str) -> None:
    """With an exchange of names at once; else as soon as the next run has begun."""
    target, seen, call = tmp_path / "out", [], 1
    while True:
        target.mkdir()
        for name, text in OLD.items():
            (target / name).write_text(text, encoding="utf-8")
        died = killed_at(call, target, way=way)
        if way == "exchange" or (way == "put aside" and target.exists()):
            assert contents(target) in (OLD, NEW)
        with pytest.raises(ZeroDivisionError), staged_folder(target):
            raise ZeroDivisionError
        assert contents(target) in (OLD, NEW)
        seen.append(contents(target) == NEW)
        assert [path.name for path in tmp_path.iterdir()] == ["out"], "nothing is left over"
        for path in target.iterdir():
            path.unlink()
        target.rmdir()
        if not died:
            break
        call += 1
    assert call > 10
    assert seen == sorted(seen), "once new, always new"
    assert set(seen) == {False, True}


def test_two_runs_at_once_are_refused_and_the_holder_named(tmp_path: Path) -> None:
    with staged_folder(tmp_path / "out") as stage:
        (stage / "a.txt").write_text("x", encoding="utf-8")
        with pytest.raises(InputFileError, match="another run is writing") as caught:
            staged_folder(tmp_path / "out").__enter__()
        assert f"process {os.getpid()} on " in str(caught.value)
    assert contents(tmp_path / "out") == {"a.txt": "x"}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(("number", "part"), [
    (errno.ENOSPC, "free some space"), (errno.EROFS, "on a disk that can be written"),
    (errno.EDQUOT, "free some of your quota"), (errno.ESTALE, "network share"),
    (errno.EIO, "network share"), (errno.EACCES, "close the file"),
    (errno.ENAMETOOLONG, "a shorter name"), (errno.EFBIG, "files of this size")])
def test_what_is_wrong_with_a_disk_is_said_with_what_to_do(tmp_path: Path, number: int,
                                                           part: str) -> None:
    with pytest.raises(InputFileError, match=part) as caught, staged_folder(tmp_path / "out"):
        raise OSError(number, os.strerror(number))
    assert caught.value.facts["said"] == os.strerror(number)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_without_the_right_to_write_is_told_from_a_file_held_open(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "out").mkdir()
    monkeypatch.setattr(os, "access", lambda _place, _how: False)
    with pytest.raises(InputFileError, match="ask for the right to write there"), (
        staged_folder(tmp_path / "out")):
        pass


class LibraryError(Exception):
    """As a library of its own kind raises it."""


@pytest.mark.parametrize("error", [
    LibraryError(OSError(errno.ENOSPC, "No space left on device")),
    LibraryError("INSERT INTO t failed: database or disk is full")])
def test_a_full_disk_is_found_in_the_error_of_a_library(tmp_path: Path, error: Exception) -> None:
    with pytest.raises(InputFileError, match="free some space"), staged_folder(tmp_path / "out"):
        raise error


def test_the_disk_is_asked_where_a_library_gives_no_reason(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_self: Path, _content: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(LibraryError), staged_folder(tmp_path / "out"):
        raise LibraryError("no such table")
    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(InputFileError, match="free some space"), staged_folder(tmp_path / "out"):
        raise LibraryError("no such table")


def test_a_scratch_folder_is_never_named(tmp_path: Path) -> None:
    """A writer may stage its own files within those of the command."""
    with pytest.raises(InputFileError) as caught, staged_folder(tmp_path / "out") as stage, (
            staged_folder(stage / "tables")):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert caught.value.where == str(tmp_path / "out" / "tables")


def test_a_full_disk_named_in_words_alone_is_understood(tmp_path: Path) -> None:
    """As libraries written in C++ pass it on."""
    with pytest.raises(InputFileError, match="free some space"), staged_folder(tmp_path / "out"):
        raise OSError("Error writing bytes to file. Detail: No space left on device")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    def fill() -> None:
        with staged_folder(tmp_path / "out"), Path("/dev/full").open("w") as full:
            full.write("x" * 100_000)

    with pytest.raises(InputFileError, match="No space left on device"):
        fill()


def test_a_folder_the_program_stands_in_keeps_its_identity(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "out"
    target.mkdir()
    monkeypatch.chdir(target)
    before = target.stat().st_ino
    with staged_folder(target) as stage:
        for name in ("a.txt", "b.txt"):
            (stage / name).write_text("new", encoding="utf-8")
    assert target.stat().st_ino == before
    assert contents(Path()) == {"a.txt": "new", "b.txt": "new"}
