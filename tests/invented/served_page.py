"""The local page served as a user serves it."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class Address(str):
    """Where a page is served, and by which process."""

    process: subprocess.Popen[str]


@contextmanager
def served_page(home: Path) -> Iterator[Address]:
    """Serve the projects of a folder and hand out the address; ended with the block."""
    process = subprocess.Popen(
        [sys.executable, "-m", "rehit.cli", "open", "--home", str(home), "--no-browser",
         "--lang", "en"], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        found = re.search(r"http://127\.0\.0\.1:\d+/\S+", process.stdout.readline())
        assert found is not None
        address = Address(found.group())
        address.process = process
        yield address
    finally:
        process.terminate()
        process.communicate(timeout=30)
