"""A command of rehit as a process of its own: its steps, the time left, its end, how to stop it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic
from typing import Any, Literal

from rehit.app import beside

State = Literal["running", "done", "refused", "stopped", "fault"]
ENDS: Mapping[int, State] = {0: "done", 2: "refused", 130: "stopped"}
#: Asks a command to write each step as a line of JSON to standard error.
STEPS = "REHIT_STEPS"


@dataclass
class Job:
    """One run of a command.

    Attributes
    ----------
    command
        Its name, such as ``report``.
    state
        How it stands.
    step
        Code of the step under way.
    done, total
        Steps begun, and how many the command takes at most.
    answer
        What the command answered: its summary, or ``errors``.
    language
        Language of its answer.
    """

    command: str
    state: State = "running"
    step: str = ""
    done: int = 0
    total: int = 1
    began: float = field(default_factory=monotonic)
    answer: dict[str, Any] = field(default_factory=dict)
    language: str = "en"
    _process: subprocess.Popen[str] | None = None
    _stopped: bool = False

    @property
    def share(self) -> float:
        """Share of its steps that are behind it."""
        return 1.0 if self.state == "done" else max(self.done - 1, 0) / max(self.total, 1)

    def seconds_left(self, before: Mapping[str, float]) -> float | None:
        """Return the seconds left, if an earlier run says how long each step takes.

        Parameters
        ----------
        before
            Step to seconds of an earlier run of the same command, in their order.
        """
        if self.step not in before:
            return None
        codes = list(before)
        return float(sum(before[code] for code in codes[codes.index(self.step):]))

    def stop(self) -> None:
        """Ask the command to end; results of earlier runs stay as they are."""
        self._stopped = True
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()

    def wait(self, seconds: float | None = None) -> None:
        """Wait until it has ended."""
        if self._listener is not None:
            self._listener.join(seconds)

    _listener: threading.Thread | None = None


def start_job(command: str, arguments: Sequence[str | Path], *, language: str) -> Job:
    """Start a command and return at once.

    Parameters
    ----------
    command
        Name of the command.
    arguments
        What follows it on the command line.
    language
        Language of its answer.

    Examples
    --------
    >>> job = start_job("clean", ["no_such_folder"], language="en")
    >>> job.wait()
    >>> job.state, job.answer["errors"][0]["where"]
    ('refused', 'no_such_folder')
    """
    job = Job(command, language=language)
    words = [sys.executable, "-m", beside.__name__, command, *map(str, arguments),
             "--lang", language, "--json"]
    job._process = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8",
        errors="replace", env={**os.environ, STEPS: "1", "PYTHONIOENCODING": "utf-8"},
        **beside.STARTED)
    job._listener = threading.Thread(target=_listen, args=(job,), daemon=True)
    job._listener.start()
    return job


def _listen(job: Job) -> None:
    """Follow a process to its end."""
    process = job._process
    assert process is not None
    out, told, held = process.stdout, process.stderr, process.stdin
    assert out is not None
    assert told is not None
    assert held is not None
    answer: list[str] = []
    reader = threading.Thread(target=lambda: answer.append(out.read()), daemon=True)
    reader.start()
    for line in told:
        _hear(job, line)
    reader.join()
    status = process.wait()
    for end in (out, told, held):
        end.close()
    try:
        job.answer = json.loads("".join(answer))
    except ValueError:
        job.answer = {}
    job.state = "stopped" if job._stopped and status else ENDS.get(status, "fault")


def _hear(job: Job, line: str) -> None:
    try:
        heard = json.loads(line)
        job.step, job.total, job.done = str(heard["step"]), int(heard["of"]), job.done + 1
    except (ValueError, KeyError, TypeError):
        return  # a note for a person at a terminal; the summary carries it too
