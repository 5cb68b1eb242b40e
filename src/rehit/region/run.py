"""Many projects at once: each on a worker of a Dask cluster, each whole or not at all.

A project is a folder that holds ``rehit.toml``. What was made from the same files, settings and
version before is not made again, so a run that was stopped goes on where it was. A project that
cannot be done is recorded with its reason and stops nobody else's.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from rehit import __version__
from rehit.errors import InputFileError, ManyErrors, RehitError, SettingError, Where

if TYPE_CHECKING:
    from distributed import Client

    from rehit.chain import Chain

STATE = "region_state.json"
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
    Results are left out: they lie in folders that hold a ``summary.json``.
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
        if path.is_file() and not made.intersection(path.parents) and path.name != STATE:
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


def run_region(folder: Path, *, out: Path, scheduler: str | None = None, workers: int = 2,
               memory_per_worker: str = "auto", projects: Sequence[Path] | None = None,
               progress: Callable[[str], None] | None = None) -> tuple[Outcome, ...]:
    """Work out the figures of every project below a folder.

    Parameters
    ----------
    folder
        Folder of project folders.
    out
        Where each project's state is kept: a folder that outlives the run.
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
        Called with the name of each project as it ends.

    Returns
    -------
    tuple of Outcome
        One per project, by name.

    Raises
    ------
    InputFileError
        If no project is found.
    SettingError
        If the scheduler cannot be reached, or Dask is not installed.
    """
    projects, out = projects or find_projects(folder), Path(out)
    out.mkdir(parents=True, exist_ok=True)
    names = _area_names(projects, Path(folder))
    done: dict[str, Outcome] = {}
    open_: list[tuple[str, Path, str]] = []
    for name, project in zip(names, projects, strict=True):
        key = project_key(project)
        kept = _kept(out, name, key)
        if kept is None:
            open_.append((name, project, key))
        else:
            done[name] = kept
    if open_:
        with _client(scheduler, workers, memory_per_worker) as client:
            for outcome in _spread(client, open_, work=run_one):
                _keep(out, outcome)
                done[outcome.area] = outcome
                if progress is not None:
                    progress(outcome.area)
    return tuple(done[name] for name in names)


def _area_names(projects: Sequence[Path], folder: Path) -> list[str]:
    return [project.relative_to(folder).as_posix() if project != folder else project.name
            for project in projects]


def _file_of(out: Path, area: str) -> Path:
    return out / (hashlib.sha256(area.encode()).hexdigest()[:16] + "." + STATE)


def _kept(out: Path, area: str, key: str) -> Outcome | None:
    """Return what an earlier run made of a project from the same things, if it was done."""
    try:
        held = json.loads(_file_of(out, area).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if held.get("key") != key or held.get("state") != State.DONE:
        return None
    return replace(Outcome(**{**held, "state": State(held["state"])}), state=State.KEPT)


def _keep(out: Path, outcome: Outcome) -> None:
    """Write a project's outcome whole: beside its place first, then moved there."""
    path = _file_of(out, outcome.area)
    beside = path.with_suffix(".new")
    beside.write_text(json.dumps(asdict(outcome), ensure_ascii=False, sort_keys=True, indent=1,
                                 default=str) + "\n", encoding="utf-8")
    beside.replace(path)


@contextmanager
def _client(scheduler: str | None, workers: int, memory: str) -> Iterator[Client]:
    """Give a client of the scheduler named, or of a cluster of this machine that ends with it."""
    try:
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise SettingError("rehit region", "errors.no_dask") from error
    if scheduler is None:
        # Without a port of its own Dask asks for a fixed one, which another run may hold.
        with LocalCluster(n_workers=workers, threads_per_worker=1, memory_limit=memory,
                          host="127.0.0.1", dashboard_address="127.0.0.1:0",
                          scheduler_kwargs={"dashboard": False}) as cluster, (
                              Client(cluster)) as client:
            yield client
        return
    try:
        client = Client(scheduler, timeout=PATIENCE_S)
    except (OSError, ValueError) as error:
        raise SettingError("--scheduler", "errors.no_scheduler", address=scheduler) from error
    with client:
        yield client


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
            yield Outcome(name, State.FAILED, key, {}, got=f"{type(error).__name__}: {error}")


def run_one(area: str, folder: str, key: str) -> Outcome:
    """Work out one project's figures: what a worker does.

    Returns
    -------
    Outcome
        Done, or refused with where and why.
    """
    from rehit.chain import Chain
    from rehit.project import load_project

    try:
        return Outcome(area, State.DONE, key, area_figures(Chain(load_project(Path(folder)))))
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
        ``n_rows, n_incidents, years, n_assets, n_known, n_rehits, n_judged, n_in_time, n_works,
        works_cost``; None where the project cannot tell.
    """
    from rehit.report.measures import DAYS_PER_WORKING_DAY, measure_response

    cleaned, incidents, repeats = chain.cleaned, chain.incidents, chain.repeats
    window, numbers = cleaned.window, chain.parameters
    hours = {"offensive": numbers["service.offensive_hours"],
             "ordinary": numbers["service.ordinary_working_days"] * 24 * DAYS_PER_WORKING_DAY}
    told = [measure_response(incidents[incidents["priority"] == name], allowed_h=limit,
                             observed_to=window.end, time_zone=chain.project.time_zone, level=0.9)
            for name, limit in hours.items()]
    timed = incidents["cleared_at"].notna().any()
    works = chain.works
    return {
        "name": chain.project.name, "n_rows": int(cleaned.counts["rows_in"].sum()),
        "n_incidents": len(incidents), "years": round(window.years, 4),
        "n_assets": None if chain.register is None else len(chain.register),
        "n_known": int(repeats["n_incidents"].sum()), "n_rehits": int(repeats["n_rehits"].sum()),
        "n_judged": sum(len(r.judged) for r in told) if timed else None,
        "n_in_time": sum(len(r.within) for r in told) if timed else None,
        "n_works": None if works is None else len(works),
        "works_cost": None if works is None else float(works["cost"].sum()),
    }


def region_table(outcomes: Sequence[Outcome]) -> pd.DataFrame:
    """Return the figures of all projects as one table.

    Returns
    -------
    pandas.DataFrame
        ``area, state, where, got`` and the columns of :func:`area_figures`, with
        ``asset_years`` and ``cost_per_work``.
    """
    columns = ["name", "n_rows", "n_incidents", "years", "n_assets", "n_known", "n_rehits",
               "n_judged", "n_in_time", "n_works", "works_cost"]
    rows = [{"area": o.area, "state": o.state.value, "where": o.where, "got": o.got, **o.figures}
            for o in outcomes]
    table = pd.DataFrame(rows).reindex(columns=["area", "state", "where", "got", *columns])
    numbers = [c for c in columns if c != "name"]
    table[numbers] = table[numbers].astype("float64")
    return table.assign(asset_years=table["n_assets"] * table["years"],
                        cost_per_work=table["works_cost"] / table["n_works"])
