"""A log read and understood in a process of its own, so that the page answers meanwhile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from rehit.errors import InputFileError, RehitError
from rehit.files.reader import read_tables, stack_tables
from rehit.incidents.proposal import Proposal, propose_reading


@dataclass(frozen=True)
class Understood:
    """How a log is understood, without its rows, which stay with the reader.

    Attributes
    ----------
    proposal
        The proposal; its table has columns and no rows.
    n_rows
        Rows of the log.
    """

    proposal: Proposal
    n_rows: int


class LogReader:
    """Reads one log and keeps it in a process of its own, to understand it anew with each answer.

    Parameters
    ----------
    files
        The log's files.
    """

    def __init__(self, files: Sequence[Path]) -> None:
        processes = get_context("spawn")
        self._here, there = processes.Pipe()
        self._name = files[0].name
        self._process = processes.Process(target=_serve, args=(there, tuple(files)), daemon=True)
        self._process.start()
        there.close()

    def ask(self, answers: Mapping[str, str]) -> None:
        """Ask for the proposal that follows from further answers."""
        self._here.send(dict(answers))

    def ready(self) -> bool:
        """Whether there is something to take: the first proposal, or that of the answers asked."""
        return self._here.poll()

    def take(self) -> Understood:
        """Wait for the proposal and return it.

        Raises
        ------
        RehitError
            If a file cannot be read, an answer cannot be used, or the process was ended, such as
            by a system that is short of memory.
        """
        try:
            found = self._here.recv()
        except (EOFError, OSError) as error:
            raise InputFileError(self._name, "errors.reader_ended") from error
        if isinstance(found, RehitError):
            raise found
        assert isinstance(found, Understood)
        return found

    def close(self) -> None:
        """Let go of the log."""
        self._process.kill()
        self._here.close()


def _serve(there: Connection, files: Sequence[Path]) -> None:
    """Read the log, then answer until the page lets go."""
    try:
        found = propose_reading(stack_tables(read_tables(files)))
        there.send(_without_rows(found))
    except RehitError as error:
        there.send(error)
        return
    while True:
        try:
            found = found.with_answers(there.recv())
            there.send(_without_rows(found))
        except RehitError as error:
            there.send(error)
        except EOFError:
            return


def _without_rows(found: Proposal) -> Understood:
    bare = replace(found.raw, table=found.raw.table.head(0), shapes=None, ragged_rows=())
    return Understood(replace(found, raw=bare), len(found.raw.table))
