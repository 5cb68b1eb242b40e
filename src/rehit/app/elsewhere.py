"""Files read in a process of their own, so that the page answers meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from rehit.app.beside import end_with_page, give_way
from rehit.assets.register import inspect_register
from rehit.chain import Chain
from rehit.errors import InputFileError, ManyErrors, RehitError
from rehit.files.reader import read_table, read_tables, stack_tables
from rehit.incidents.proposal import Proposal, propose_reading
from rehit.parameters import load_parameters
from rehit.patrol.fleet import read_crews
from rehit.patrol.travel import read_streets
from rehit.project import FILE_NAME, load_project
from rehit.treatment.calibrate import read_works

#: What of a project's chain rests on each file beside the log.
RESTS_ON = {"register": "register", "streets": "streets", "works": "works",
            "measures": "measures", "depots": "crews", "vehicles": "crews"}
NOTHING: Mapping[str, Path] = {}


@dataclass(frozen=True)
class Understood:
    """How a log is understood, without its rows, which stay in the other process.

    Attributes
    ----------
    proposal
        The proposal; its table has columns and no rows.
    n_rows
        Rows of the log.
    """

    proposal: Proposal
    n_rows: int


class Elsewhere:
    """Something that is read in a process of its own.

    Parameters
    ----------
    name
        What it is, for the message if the process is ended.
    serve
        What the process does; it sends what it has to tell, and errors.
    given
        What `serve` is given besides its end of the line.
    """

    def __init__(self, name: str, serve: Callable[..., None], *given: object) -> None:
        processes = get_context("spawn")
        self._name = name
        self._here, there = processes.Pipe()
        self._process = processes.Process(target=_beside, args=(serve, there, *given), daemon=True)
        self._process.start()
        there.close()

    def ask(self, question: object) -> None:
        """Ask for something more."""
        self._here.send(question)

    def ready(self) -> bool:
        """Whether there is something to take."""
        return self._here.poll()

    def take(self) -> Any:
        """Wait for what there is to take, and return it.

        Raises
        ------
        RehitError
            If a file cannot be read, a question cannot be answered, or the process was ended,
            such as by a system that is short of memory.
        """
        try:
            found = self._here.recv()
        except (EOFError, OSError) as error:
            raise InputFileError(self._name, "errors.reader_ended") from error
        if isinstance(found, RehitError):
            raise found
        return found

    def close(self) -> None:
        """Let go of what was read."""
        self._process.kill()
        self._here.close()


def _beside(serve: Callable[..., None], *given: object) -> None:
    give_way()
    end_with_page()
    serve(*given)


def read_log(files: Sequence[Path], *, beside: Mapping[str, Path] = NOTHING) -> Elsewhere:
    """Begin to read a log, which hands out how it is :class:`Understood`.

    Answers are asked as a mapping of question to answer, and it is understood anew with each.

    Parameters
    ----------
    files
        The log.
    beside
        Role to file that is to stand beside the log: each is tried, and told if it cannot be used.
    """
    return Elsewhere(files[0].name, _serve_log, tuple(files), dict(beside))


def try_file(folder: Path, role: str, file: Path) -> Elsewhere:
    """Begin to read a file as the open project would if it were put beside its log in a role."""
    return Elsewhere(file.name, _serve_file, folder, role, file)


def _serve_log(there: Connection, files: Sequence[Path],
               beside: Mapping[str, Path] = NOTHING) -> None:
    try:
        found = propose_reading(stack_tables(read_tables(files)))
        try_beside(beside, crs=found.settings.crs)
        there.send(_without_rows(found))
    except RehitError as error:
        there.send(error)
        return
    while True:
        try:
            answers: Mapping[str, str] = there.recv()
            found = found.with_answers(answers)
            there.send(_without_rows(found))
        except RehitError as error:
            there.send(error)
        except EOFError:
            return


def try_beside(files: Mapping[str, Path], *, crs: str) -> None:
    """Read files that are to stand beside a log, each as the project will.

    Parameters
    ----------
    files
        Role to file.
    crs
        Projection of the log; without one, what lies somewhere is read as a table alone.

    Raises
    ------
    ManyErrors
        With what is wrong in each that cannot be used.
    """
    def crews(_file: Path) -> object:
        return read_crews(files["depots"], files["vehicles"], crs=crs, where="",
                          refill_minutes=load_parameters()["patrol.refill_minutes"])

    readers: dict[str, Callable[[Path], object]] = {"works": read_works}
    if crs:
        readers |= {"register": partial(inspect_register, crs=crs),
                    "streets": partial(read_streets, crs=crs)}
    if crs and "depots" in files:
        readers["vehicles"] = crews
    faults: list[RehitError] = []
    for role, file in files.items():
        try:
            readers.get(role, read_table)(file)
        except ManyErrors as error:
            faults += error.errors
        except RehitError as error:
            faults.append(error)
    if faults:
        raise ManyErrors(FILE_NAME, faults)


def _without_rows(found: Proposal) -> Understood:
    bare = replace(found.raw, table=found.raw.table.head(0), shapes=None, ragged_rows=())
    return Understood(replace(found, raw=bare), len(found.raw.table))


def _serve_file(there: Connection, folder: Path, role: str, file: Path) -> None:
    try:
        project = load_project(folder)
        files = {**project.files, role: (file,)}
        if RESTS_ON[role] == "crews" and not {"depots", "vehicles"} <= files.keys():
            read_table(file)  # the other of the two is still to come
        else:
            getattr(Chain(replace(project, files=files)), RESTS_ON[role])
        there.send(None)
    except RehitError as error:
        there.send(error)
