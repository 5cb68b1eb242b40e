"""Processes that work beside the page."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import rehit
from rehit.app.beside import GIVES_WAY

LOWEST = 19  # POSIX: the priority that nothing gives way to
DEMO = Path(__file__).parents[2] / "data_demo"
PAGE = """
import sys, time
from rehit.app.jobs import start_job
job = start_job("report", [sys.argv[1]], language="en")
while job.done < 2:
    time.sleep(0.05)
print(job._process.pid, flush=True)
time.sleep(600)
"""

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(),
                                reason="processes are looked up in /proc")


@pytest.mark.parametrize("ended_by", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_command_ends_with_its_page_and_earlier_results_stay_whole(
        ended_by: signal.Signals, tmp_path: Path) -> None:
    """However the page ends; what the command had begun is taken back."""
    town = tmp_path / "town"
    shutil.copytree(DEMO, town, ignore=shutil.ignore_patterns("truth", "town", "__pycache__"))
    (town / "results").mkdir()
    (town / "results" / "report.html").write_text("made before", encoding="utf-8")
    before = sorted(path.name for path in town.iterdir())
    found = {**os.environ, "PYTHONPATH": str(Path(rehit.__file__).parents[1])}
    with subprocess.Popen([sys.executable, "-c", PAGE, str(town)], text=True, env=found,
                          stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as page:
        assert page.stdout is not None
        command = int(page.stdout.readline())
        own = os.getpriority(os.PRIO_PROCESS, 0)
        assert os.getpriority(os.PRIO_PROCESS, command) == min(own + GIVES_WAY, LOWEST)
        page.send_signal(ended_by)
    late = time.monotonic() + 60
    while _works(command):
        assert time.monotonic() < late
        time.sleep(0.1)
    assert sorted(path.name for path in town.iterdir()) == before
    assert [path.name for path in (town / "results").iterdir()] == ["report.html"]
    assert (town / "results" / "report.html").read_text(encoding="utf-8") == "made before"


def _works(process: int) -> bool:
    """Whether a process is there and not just waiting for somebody to ask how it ended."""
    try:
        told = Path(f"/proc/{process}/stat").read_text(encoding="utf-8")
    except OSError:
        return False
    return told.rpartition(")")[2].split()[0] != "Z"
