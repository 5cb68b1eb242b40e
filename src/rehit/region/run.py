"""Many projects at once: each on a worker of a Dask cluster, each whole or not at all.

A project is a folder that holds ``rehit.toml``. What was made from the same files, settings and
version before is not made again, so a run that was stopped goes on where it was. A project that
cannot be done is recorded with its reason and stops nobody else's. What Dask has to say about its
own machinery goes into a log beside the results, not to the user.
"""

from __future__ import annotations

import hashlib
import json
import logging
import tempfile
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from rehit import __version__
from rehit.errors import DataWarning, InputFileError, ManyErrors, RehitError, SettingError, Where
from rehit.messages import Message, as_lines, message

if TYPE_CHECKING:
    from distributed import Client
    from fsspec import AbstractFileSystem

    from rehit.chain import Chain

STATE = "region_state.json"
CLUSTER_LOG = "cluster.log"
#: Whose words are about the machinery: each of Dask's loggers with a way to the screen of its own.
MACHINERY = ("distributed", "distributed.client", "distributed.gc", "tornado",
             "tornado.application", "asyncio")
#: What a worker lost for no fault of the project is tried again so often.
RETRIES = 3
#: How long a scheduler may take to answer [s].
PATIENCE_S = 15


class State(StrEnum):
    """How one project of a region ended."""

    DONE = "done"
    KEPT = "kept"  # made before from the same things
    REFUSED = "refused"  # its files or settings cannot be used
    FAILED = "failed"  # a fault of rehit or of the cluster


@dataclass(frozen=True)
class Outcome:
    """What became of one project: its state, its figures, or why there are none."""

    area: str
    state: State
    key: str
    figures: dict[str, Any]
    where: Where = ""
    got: Where = ""
    warned: str = ""  # what limits the conclusions, as :func:`rehit.messages.as_lines` writes it


def find_projects(folder: Path) -> tuple[Path, ...]:
    """Return the project folders below a folder, by name.

    Raises
    ------
    InputFileError
        If there is none.
    """
    found = tuple(sorted(path.parent for path in Path(folder).glob("**/rehit.toml")))
    if not found:
        raise InputFileError(str(folder), "errors.no_projects")
    return found


def project_key(folder: Path) -> str:
    """Return what a project's results are made from, as one short text.

    It changes with every byte of the project's files and settings and with rehit's version.
    Results are left out: they lie in folders that hold a ``summary.json``; so is what is hidden.
    """
    mark = hashlib.sha256(__version__.encode())
    for path in _sources(Path(folder)):
        mark.update(path.relative_to(folder).as_posix().encode() + b"\0")
        with path.open("rb") as file:
            mark.update(hashlib.file_digest(file, "sha256").digest())
    for path in _named_elsewhere(Path(folder)):
        with path.open("rb") as file:
            mark.update(hashlib.file_digest(file, "sha256").digest())
    return mark.hexdigest()[:24]


def _sources(folder: Path) -> Iterator[Path]:
    made = {path.parent for path in folder.glob("**/summary.json")}
    for path in sorted(folder.rglob("*")):
        hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
        ours = path.name.endswith(STATE) or path.name == CLUSTER_LOG
        if path.is_file() and not (hidden or ours or made.intersection(path.parents)):
            yield path


def _named_elsewhere(folder: Path) -> list[Path]:
    """Return the files a project names that lie outside its folder."""
    from rehit.project import load_project

    try:
        files = load_project(folder).files
    except RehitError:
        return []  # told when the project is run
    return sorted({path for named in files.values() for path in named
                   if path.is_file() and not path.is_relative_to(folder)})


def run_region(folder: Path, *, out: str | Path, scheduler: str | None = None, workers: int = 2,
               memory_per_worker: str = "auto", projects: Sequence[Path] | None = None,
               progress: Callable[[str, int], None] | None = None) -> tuple[Outcome, ...]:
    """Work out the figures of every project below a folder.

    Parameters
    ----------
    folder
        Folder of project folders.
    out
        Where each project's state is kept and outlives the run: a folder, or the address of one
        that fsspec knows, such as ``s3://bucket/region``.
    scheduler
        Address of a Dask scheduler such as ``tcp://10.0.0.5:8786``, whose workers see the same
        folders; without it a cluster of this machine is started.
    workers
        Workers of this machine.
    memory_per_worker
        What a worker of this machine may take, such as ``"4GiB"``.
    projects
        The project folders where they are found already, from :func:`find_projects`.
    progress
        Called with the name of each project as it ends, and how many are still to do.

    Returns
    -------
    tuple of Outcome
        One per project, by name.

    Raises
    ------
    InputFileError
        If no project is found.
    SettingError
        If the scheduler cannot be reached, a worker's size means nothing, no such storage is
        known, or Dask is not installed.
    """
    projects, store = projects or find_projects(folder), Store(out)
    names = _area_names(projects, Path(folder))
    done: dict[str, Outcome] = {}
    open_: list[tuple[str, Path, str]] = []
    for name, project in zip(names, projects, strict=True):
        key = project_key(project)
        kept = store.kept(name, key)
        if kept is None:
            open_.append((name, project, key))
        else:
            done[name] = kept
    tell = progress or (lambda _area, _left: None)
    for name in done:
        tell(name, len(open_))
    open_.sort(key=lambda each: -sum(path.stat().st_size for path in _sources(each[1])))
    if open_:  # the largest first, so that none of them is begun last
        with _logged(store) as log, _client(scheduler, workers, memory_per_worker, log) as client:
            for left, outcome in zip(reversed(range(len(open_))),
                                     _spread(client, open_, work=run_one), strict=True):
                store.keep(outcome)
                done[outcome.area] = outcome
                tell(outcome.area, left)
    return tuple(done[name] for name in names)


def _area_names(projects: Sequence[Path], folder: Path) -> list[str]:
    return [project.relative_to(folder).as_posix() if project != folder else project.name
            for project in projects]


class Store:
    """Where the states of projects are kept: a folder of this machine or shared storage.

    Parameters
    ----------
    place
        A folder, or an address that fsspec knows. Made if missing.

    Raises
    ------
    SettingError
        If no such storage is known or it cannot be written.
    """

    def __init__(self, place: str | Path) -> None:
        self._files, self._root = storage(place)

    def kept(self, area: str, key: str) -> Outcome | None:
        """Return what an earlier run made of a project from the same things, if it was done."""
        try:
            held = json.loads(self._files.cat_file(self._file_of(area)))
        except (OSError, ValueError):
            return None
        if held.get("key") != key or held.get("state") != State.DONE:
            return None
        return replace(Outcome(**{**held, "state": State(held["state"])}), state=State.KEPT)

    def keep(self, outcome: Outcome) -> None:
        """Write a project's outcome whole: beside its place first, then moved there."""
        text = json.dumps(asdict(outcome), ensure_ascii=False, sort_keys=True, indent=1,
                          default=str) + "\n"
        place = self._file_of(outcome.area)
        self._files.pipe_file(place + ".new", text.encode())
        self._files.mv(place + ".new", place)

    def keep_log(self, text: bytes) -> None:
        """Write what the machinery had to say."""
        self._files.pipe_file(f"{self._root}/{CLUSTER_LOG}", text)

    def _file_of(self, area: str) -> str:
        return f"{self._root}/{hashlib.sha256(area.encode()).hexdigest()[:16]}.{STATE}"


def storage(place: str | Path) -> tuple[AbstractFileSystem, str]:
    """Return the file system of a folder or address, and the folder's path in it, made if missing.

    Raises
    ------
    SettingError
        If fsspec knows no such storage, what it needs is not installed, or it cannot be written.
    """
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise SettingError("rehit region", "errors.no_dask") from error
    try:
        files, root = url_to_fs(str(place))
        files.makedirs(root, exist_ok=True)
    except (ImportError, OSError, ValueError) as error:
        raise SettingError("--out", "errors.no_storage", address=str(place),
                           said=str(error)) from error
    return files, root


@contextmanager
def _logged(store: Store) -> Iterator[str]:
    """Let Dask speak into a file, left with the states if it said anything, not to the user."""
    with suppress(ImportError):  # told where a client is made
        import distributed  # noqa: F401  it sets handlers of its own as it loads
    before = [(logger, logger.handlers, logger.propagate)
              for logger in map(logging.getLogger, MACHINERY)]
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / CLUSTER_LOG
        file = _log_into(str(log))
        try:
            yield str(log)
        finally:
            file.close()
            for logger, handlers, propagate in before:
                logger.handlers, logger.propagate = handlers, propagate
            if log.exists():
                store.keep_log(log.read_bytes())


def _log_into(path: str) -> logging.Handler:
    """Send what this process says of the machinery into a file; several may write it at once."""
    file = logging.FileHandler(path, encoding="utf-8", delay=True)
    file.setLevel(logging.WARNING)
    file.setFormatter(logging.Formatter("%(asctime)s %(process)d %(name)s %(message)s"))
    for logger in map(logging.getLogger, MACHINERY):
        logger.handlers, logger.propagate = [file], False
    return file


@contextmanager
def _client(scheduler: str | None, workers: int, memory: str, log: str) -> Iterator[Client]:
    """Give a client of the scheduler named, or of a cluster of this machine that ends with it."""
    if scheduler is None:
        try:
            from dask import config
            from distributed import Client, LocalCluster
        except ImportError as error:
            raise SettingError("rehit region", "errors.no_dask") from error
        _check_size(workers, memory)
        # Paused near the limit of its memory a worker waits for ever: what it holds is not Dask's.
        with (config.set({"distributed.worker.memory.pause": False}),
              # Without a port of its own Dask asks for a fixed one, which another run may hold.
              LocalCluster(n_workers=workers, threads_per_worker=1, memory_limit=memory,
                           host="127.0.0.1", dashboard_address="127.0.0.1:0",
                           scheduler_kwargs={"dashboard": False}) as cluster,
              Client(cluster) as client):
            client.register_worker_callbacks(setup=partial(_log_into, log))
            yield client
        return
    with reached(scheduler) as client:
        yield client


@contextmanager
def reached(scheduler: str) -> Iterator[Client]:
    """Give a client of a running scheduler.

    Raises
    ------
    SettingError
        If Dask is not installed, or the scheduler does not answer.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise SettingError("--scheduler", "errors.no_dask") from error
    try:
        client = Client(scheduler, timeout=PATIENCE_S)
    except (OSError, ValueError) as error:
        raise SettingError("--scheduler", "errors.no_scheduler", address=scheduler) from error
    with client:
        yield client


def _check_size(workers: int, memory: str) -> None:
    """Refuse a cluster of no workers, or of workers of no size."""
    from dask.utils import parse_bytes

    if workers < 1:
        raise SettingError("--workers", "errors.no_workers", given=workers)
    try:
        sized = memory == "auto" or parse_bytes(memory) > 0
    except ValueError:
        sized = False
    if not sized:
        raise SettingError("--memory", "errors.no_size", text=memory)


def _spread(client: Client, open_: Sequence[tuple[str, Path, str]], *,
            work: Callable[[str, str, str], Outcome]) -> Iterator[Outcome]:
    """Send every project to a worker and give the outcomes as they come."""
    from distributed import as_completed

    asked = {client.submit(work, name, str(project), key, retries=RETRIES, pure=False):
             (name, key) for name, project, key in open_}
    for future in as_completed(asked):
        name, key = asked[future]
        try:
            yield future.result()
        except (Exception, CancelledError) as error:
            yield Outcome(name, State.FAILED, key, {}, where="Dask", got=_told_of(error))


def _told_of(error: BaseException) -> Message:
    """Return why a project did not come back from the cluster."""
    from distributed import KilledWorker

    if isinstance(error, KilledWorker):
        return message("region.worker_lost", tries=RETRIES + 1)
    if isinstance(error, CancelledError):
        return message("region.scheduler_lost")
    return message("region.own_fault", said=f"{type(error).__name__}: {error}")


def run_one(area: str, folder: str, key: str) -> Outcome:
    """Work out one project's figures: what a worker does.

    Returns
    -------
    Outcome
        Done, with what the data warn of, or refused with where and why.
    """
    from rehit.chain import Chain
    from rehit.project import load_project

    try:
        with warnings.catch_warnings(record=True) as heard:
            warnings.simplefilter("ignore")
            warnings.simplefilter("always", DataWarning)
            figures = area_figures(Chain(load_project(Path(folder))))
        told = dict.fromkeys(each.message.told for each in heard
                             if isinstance(each.message, DataWarning))
        return Outcome(area, State.DONE, key, figures, warned=as_lines(told))
    except ManyErrors as error:
        first = error.errors[0]
        return Outcome(area, State.REFUSED, key, {}, where=first.where, got=first.got)
    except RehitError as error:
        return Outcome(area, State.REFUSED, key, {}, where=error.where, got=error.got)


def area_figures(chain: Chain) -> dict[str, Any]:
    """Return what a comparison of areas needs of one project.

    Returns
    -------
    dict
        ``name, currency, n_rows, n_incidents, years, n_assets, n_known, n_rehits, n_judged,
        n_in_time, n_works, works_cost, works_sd``, of works those with a cost; None where the
        project cannot tell. For areas with little data: ``minutes``, the unit minutes of its works
        log, and ``rings``, the logarithm of observed over usual pairs by distance and time, each as
        name, value and standard error; ``media``, markings by known medium.
    """
    from rehit.observed import known_timeline
    from rehit.report.measures import DAYS_PER_WORKING_DAY, measure_response

    cleaned, incidents = chain.cleaned, chain.incidents
    window, numbers = cleaned.window, chain.parameters
    # Ranks, intervals and trends of places, which `chain.repeats` adds, are not needed here.
    known, laid = known_timeline(incidents, window=window, parameters=numbers)
    hours = {"offensive": numbers["service.offensive_hours"],
             "ordinary": numbers["service.ordinary_working_days"] * 24 * DAYS_PER_WORKING_DAY}
    told = [measure_response(incidents[incidents["priority"] == name], allowed_h=limit,
                             observed_to=window.end, time_zone=chain.project.time_zone, level=0.9)
            for name, limit in hours.items()]
    timed = incidents["cleared_at"].notna().any()
    works = chain.works
    return {
        "name": chain.project.name, "currency": chain.project.currency,
        "n_rows": int(cleaned.counts["rows_in"].sum()),
        "n_incidents": len(incidents), "years": round(window.years, 4),
        "n_assets": None if chain.register is None else len(chain.register),
        "n_known": len(known), "n_rehits": int(laid["rehit"].sum()),
        "n_judged": sum(len(r.judged) for r in told) if timed else None,
        "n_in_time": sum(len(r.within) for r in told) if timed else None,
        "n_works": None if works is None else int(works["cost"].count()),
        "works_cost": None if works is None else float(works["cost"].sum()),
        "works_sd": None if works is None or len(works) < 2 else float(works["cost"].std()),
        "media": {name: int(n) for name, n in sorted(incidents["medium"].value_counts().items())
                  if name != "unknown"},
        "minutes": _unit_minutes(chain), "rings": _raised_rings(chain),
    }


def _unit_minutes(chain: Chain) -> list[list[Any]]:
    """Return the unit minutes that the crew's own jobs tell, without rehit's defaults in them."""
    from rehit.treatment.calibrate import REACH_SDS

    if chain.calibration is None:
        return []
    found = chain.calibration.estimates
    found = found[found["quantity"].isin(["minutes_per_visit", "minutes_per_m2"])
                  & (found["observed"] > 0) & (found["weight_of_default"] < 1)]
    # The interval is of default and jobs together: the jobs' own precision is their share of it.
    error = (found["high"] - found["low"]) / (2 * REACH_SDS) / np.sqrt(
        1 - found["weight_of_default"])
    return [[f"costs.{quantity}_{method}", float(value), float(doubt)]
            for quantity, method, value, doubt in zip(
                found["quantity"], found["method"], found["observed"], error, strict=True)
            if doubt > 0]


def _raised_rings(chain: Chain) -> list[list[Any]]:
    """Return how much likelier than usual another marking is, by how near and how soon."""
    # The exact mean is all that is used: without counting permuted tables it costs a third.
    rings = chain.with_parameters({"hotspots.knox_listed_pairs": 1000}).rings
    rings = rings[(rings["pairs"] > 0) & (rings["to_m"] < rings["to_m"].max())]
    usual = rings["expected"] * rings["common"]
    return [[f"{low:g}-{high:g} m / {soon:g}-{late:g} d", float(value), float(doubt)]
            for low, high, soon, late, value, doubt in zip(
                rings["from_m"], rings["to_m"], rings["from_days"], rings["to_days"],
                np.log(rings["pairs"] / usual), 1 / np.sqrt(rings["pairs"]), strict=True)]


def region_table(outcomes: Sequence[Outcome]) -> pd.DataFrame:
    """Return the figures of all projects as one table.

    Returns
    -------
    pandas.DataFrame
        ``area, state, where, got, warned`` and the single figures of :func:`area_figures`, with
        ``asset_years`` and ``cost_per_work``.
    """
    columns = ["name", "currency", "n_rows", "n_incidents", "years", "n_assets", "n_known",
               "n_rehits", "n_judged", "n_in_time", "n_works", "works_cost", "works_sd"]
    rows = [{"area": o.area, "state": o.state.value, "where": o.where, "got": o.got,
             "warned": o.warned, **o.figures} for o in outcomes]
    table = pd.DataFrame(rows).reindex(columns=["area", "state", "where", "got", "warned",
                                                *columns])
    numbers = [c for c in columns if c not in ("name", "currency")]
    table[numbers] = table[numbers].astype("float64")
    return table.assign(asset_years=table["n_assets"] * table["years"],
                        cost_per_work=table["works_cost"] / table["n_works"])
