"""The local page served as a user serves it."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def served_page(home: Path) -> Iterator[str]:
    """Serve the projects of a folder and hand out the address; ended with the block."""
    process = subprocess.Popen(
        [sys.executable, "-m", "rehit.cli", "open", "--home", str(home), "--no-browser",
         "--lang", "en"], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        found = re.search(r"http://127\.0\.0\.1:\d+/\S+", process.stdout.readline())
        assert found is not None
        yield found.group()
    finally:
        process.terminate()
        process.communicate(timeout=30)
