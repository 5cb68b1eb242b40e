"""Which tests run which line: one traced run of the tests, kept until a file changes.

Lines that run while a test is set up count for every test of its file, since what a file's tests
share is made in the set-up of whichever comes first.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

Line = tuple[str, int]


class Reach:
    """A plugin that notes the lines of the watched files each test runs, and how long it takes."""

    def __init__(self, watched: list[Path]) -> None:
        self.watched = {str(path) for path in watched}
        self.seen: set[Line] = set()
        self.called: dict[str, set[Line]] = {}
        self.prepared: defaultdict[str, set[Line]] = defaultdict(set)
        self.seconds: dict[str, float] = {}

    def _enter(self, frame: FrameType, _event: str, _argument: object) -> Any:
        return self._step if frame.f_code.co_filename in self.watched else None

    def _step(self, frame: FrameType, _event: str, _argument: object) -> Any:
        self.seen.add((frame.f_code.co_filename, frame.f_lineno))
        return self._step

    def _traced(self) -> Iterator[None]:
        self.seen = set()
        threading.settrace(self._enter)
        sys.settrace(self._enter)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Iterator[None]:
        """Note the lines that a file's tests share."""
        done = yield from self._traced()
        self.prepared[item.location[0]] |= self.seen
        return done

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        """Note the lines of one test."""
        start = time.perf_counter()
        done = yield from self._traced()
        self.called[item.nodeid] = self.seen
        self.seconds[item.nodeid] = time.perf_counter() - start
        return done

    def by_line(self) -> dict[str, list[str]]:
        """Return the tests of each line, as ``file:line``, the quickest first."""
        found: defaultdict[str, list[str]] = defaultdict(list)
        for test in sorted(self.called, key=lambda name: self.seconds[name]):
            for file, line in self.called[test] | self.prepared[test.split("::", 1)[0]]:
                found[f"{file}:{line}"].append(test)
        return found


def tests_by_line(session: pytest.Session, sources: list[Path]) -> dict[str, list[str]]:
    """Return which tests run each line, from the last traced run if nothing has changed since."""
    files = sorted({*sources, *(item.path for item in session.items)})
    state = hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()
    kept = Path(tempfile.gettempdir()) / f"rehit_reach_{state[:16]}.json"
    if not kept.exists():
        child = os.fork()
        if not child:
            plugin = Reach(sources)
            session.config.pluginmanager.register(plugin)
            run(session.items)
            kept.write_text(json.dumps(plugin.by_line()), encoding="utf-8")
            os._exit(0)
        os.waitpid(child, 0)
    found: dict[str, list[str]] = json.loads(kept.read_text(encoding="utf-8"))
    return found


def run(items: list[pytest.Item], *, longest: int = 0, budget: float = float("inf")) -> None:
    """Run collected tests one after another, without their output.

    A test that takes more than `longest` seconds ends the process; none begins after `budget`.
    """
    start = time.perf_counter()
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, 1)
    os.dup2(sink, 2)
    for item, following in zip(items, [*items[1:], None], strict=True):
        if time.perf_counter() - start > budget:
            break
        signal.alarm(longest)
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
