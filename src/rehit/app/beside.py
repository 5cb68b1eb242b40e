"""A process that works beside the page: it lets the page go first, and ends when the page does.

Run as a module it is the command line, for :mod:`rehit.app.jobs`.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
from collections.abc import Callable
from multiprocessing import parent_process
from runpy import run_module
from time import sleep
from typing import Any

#: By how much such a process gives way (POSIX, 0 to 19).
GIVES_WAY = 10
#: Seconds that a command has to take back what it began, once the page has gone.
GRACE_S = 20
#: How its process is started: its own group, so that a terminal's Ctrl+C reaches the page alone,
#: which then ends it once; held back by the system where that has no scale to give way on.
STARTED: dict[str, Any] = {
    "stdin": subprocess.PIPE, "process_group": 0,
    "creationflags": getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0)
    | getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)}


def give_way() -> None:
    """Let other processes go first from now on, where the system knows that."""
    if hasattr(os, "nice"):
        os.nice(GIVES_WAY)


def end_with_page() -> None:
    """End this process, which reads for the page and writes nothing, when that has gone."""
    page = parent_process()
    if page is not None:
        _when(page.join, lambda: os._exit(1))


def _when(comes: Callable[[], Any], act: Callable[[], None]) -> None:
    """Do something in a thread of its own once something has come."""
    def wait() -> None:
        comes()
        act()

    threading.Thread(target=wait, daemon=True).start()


def _stop_command() -> None:
    """Stop the command as its user would; whatever it does not hear in time ends all the same."""
    if os.name == "posix":
        os.kill(os.getpid(), signal.SIGTERM)
        sleep(GRACE_S)
    os._exit(130)


def _page_gone() -> None:
    """Wait until nobody holds the other end of the standard input, however the page ended."""
    while os.read(0, 1):
        pass


if __name__ == "__main__":
    give_way()
    _when(_page_gone, _stop_command)
    run_module("rehit.cli", run_name="__main__")
