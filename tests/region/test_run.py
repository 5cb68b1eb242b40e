"""Many projects on a real local Dask cluster: each done once, one bad one stops no other."""

from __future__ import annotations

import json
import logging
import os
import sys
import warnings
from collections.abc import Iterator
from concurrent.futures import CancelledError
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cloudpickle
import dask
import fsspec
import numpy as np
import pandas as pd
import pytest
from distributed import Client, KilledWorker, LocalCluster
from small_town import make_town

import rehit.region.run as run
from rehit.chain import Chain
from rehit.cli import main
from rehit.errors import DataWarning, InputFileError, SettingError
from rehit.messages import message
from rehit.outputs.region import compare_outcomes, write_region
from rehit.project import load_project
from rehit.region.run import (
    Outcome,
    State,
    _spread,
    find_projects,
    project_key,
    region_table,
    run_one,
    run_region,
)
from rehit.report.say import Say

#: A port of its own: the one Dask asks for may be held by whatever else runs.
ONE_WORKER: dict[str, Any] = {
    "n_workers": 1, "threads_per_worker": 1, "host": "127.0.0.1",
    "dashboard_address": "127.0.0.1:0", "scheduler_kwargs": {"dashboard": False}}
cloudpickle.register_pickle_by_value(sys.modules[__name__])


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """The address of a cluster that stands while these tests run: a worker's start is dear."""
    with LocalCluster(**ONE_WORKER) as cluster:
        yield cluster.scheduler_address


@pytest.fixture(scope="module")
def towns(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three towns, one of them with a log that is no table."""
    folder = tmp_path_factory.mktemp("towns")
    for name in ("east", "north", "west"):
        make_town(folder / name)
    (folder / "west" / "log.csv").write_bytes(b"")
    return folder


@pytest.fixture(scope="module")
def first(towns: Path,
          tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[Outcome, ...]]:
    out = tmp_path_factory.mktemp("state")
    return out, run_region(towns, out=out, workers=2)


def test_each_project_ends_and_the_bad_one_says_why(
        first: tuple[Path, tuple[Outcome, ...]]) -> None:
    east, north, west = first[1]
    assert [o.state for o in (east, north, west)] == [State.DONE, State.DONE, State.REFUSED]
    assert west.where.endswith("log.csv")
    assert east.figures == north.figures  # the same invented town twice
    assert east.figures["n_incidents"] > 0
    assert 0 < east.figures["n_rehits"] <= east.figures["n_known"]


def test_workers_find_what_one_process_finds(towns: Path,
                                             first: tuple[Path, tuple[Outcome, ...]]) -> None:
    alone = run_one("east", str(towns / "east"), project_key(towns / "east"))
    assert alone == first[1][0]
    repeats = Chain(load_project(towns / "east")).repeats  # which count the same more dearly
    assert alone.figures["n_known"] == repeats["n_incidents"].sum()
    assert alone.figures["n_rehits"] == repeats["n_rehits"].sum()


def test_a_second_run_makes_only_what_changed(
        towns: Path, first: tuple[Path, tuple[Outcome, ...]], scheduler: str) -> None:
    out = first[0]
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    ended: list[tuple[str, int]] = []
    again = run_region(towns, out=out, scheduler=scheduler,
                       progress=lambda area, left: ended.append((area, left)))
    assert ended == [("east", 1), ("north", 1), ("west", 0)]
    assert [o.state for o in again] == [State.KEPT, State.KEPT, State.REFUSED]
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    settings = towns / "north" / "rehit.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text + "\n[hotspots]\nthreshold_per_year = 9\n", encoding="utf-8")
    try:
        changed = run_region(towns, out=out, scheduler=scheduler)
    finally:
        settings.write_text(text, encoding="utf-8")
    assert [o.state for o in changed] == [State.KEPT, State.DONE, State.REFUSED]


def test_results_are_no_part_of_the_key_but_every_file_is(tmp_path: Path) -> None:
    town = make_town(tmp_path / "town")
    key = project_key(town)
    (town / "results").mkdir()
    (town / "results" / "summary.json").write_text("{}", encoding="utf-8")
    (town / "results" / "repeats.csv").write_text("x", encoding="utf-8")
    (town / "a.region_state.json").write_text("{}", encoding="utf-8")
    (town / ".kept").mkdir()
    (town / ".kept" / "cleaned").write_text("x", encoding="utf-8")
    assert project_key(town) == key
    log = town / "log.csv"
    log.write_bytes(log.read_bytes() + b"\n")
    assert project_key(town) != key


def _complains_or_fails(area: str, _folder: str, key: str) -> Outcome:
    """Say what a worker says whose scheduler has gone; fail for the other area."""
    try:
        raise OSError("Comm closed") if area == "east" else RuntimeError("no such luck")
    except OSError:
        logging.getLogger("distributed.worker").exception("Failed to communicate")
    return Outcome(area, State.DONE, key, {"pause": dask.config.get(
        "distributed.worker.memory.pause")})


def test_what_dask_says_goes_beside_the_results_in_shared_storage_and_not_to_the_screen(
        towns: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(run, "run_one", _complains_or_fails)
    east, north = run_region(towns, out="memory://region", workers=1,
                             projects=[towns / "east", towns / "north"])
    assert capfd.readouterr() == ("", "")
    assert (east.state, north.state) == (State.DONE, State.FAILED)
    assert east.figures == {"pause": False}  # else a worker full of caches is asked no more
    assert north.got == message("region.own_fault", said="RuntimeError: no such luck")
    kept = fsspec.filesystem("memory")
    assert b"OSError: Comm closed" in kept.cat_file("/region/cluster.log")
    states = [json.loads(kept.cat_file(name)) for name in kept.ls("/region", detail=False)
              if name.endswith("state.json")]
    assert sorted((held["area"], held["state"]) for held in states) == [
        ("east", "done"), ("north", "failed")]


def test_the_largest_project_is_begun_first(
        tmp_path: Path, scheduler: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def noted(_area: str, _folder: str, key: str) -> Outcome:
        return Outcome(_area, State.DONE, key, {})

    for number in range(4):
        (tmp_path / f"t{number}").mkdir()
        (tmp_path / f"t{number}" / "rehit.toml").write_text("#" * (1 + number), encoding="utf-8")
    monkeypatch.setattr(run, "run_one", noted)
    ended: list[str] = []
    run_region(tmp_path, out=tmp_path / "out", scheduler=scheduler,
               progress=lambda area, _left: ended.append(area))
    assert ended == ["t3", "t2", "t1", "t0"]


def test_what_limits_an_area_is_kept_with_it_and_not_shown_by_the_worker(
        towns: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    def warns(_chain: Chain) -> dict[str, Any]:
        for kind in (DataWarning(message("limits.no_sizes")), FutureWarning("of a library")):
            warnings.warn(kind, stacklevel=1)
        return {"n_rows": 1}

    monkeypatch.setattr(run, "area_figures", warns)
    found = run_one("east", str(towns / "east"), "k")
    assert (found.state, found.warned) == (State.DONE, "limits.no_sizes")
    assert capfd.readouterr().err == ""


def test_a_lost_worker_and_a_lost_cluster_are_told_apart() -> None:
    lost = run._told_of(KilledWorker("run_one", None, 3))
    assert lost == message("region.worker_lost", tries=4)
    assert run._told_of(CancelledError()) == message("region.scheduler_lost")


@pytest.mark.parametrize(("given", "said"), [
    ({"workers": 0}, "at least one worker"), ({"memory_per_worker": "much"}, "4GiB"),
    ({"out": "nowhere://x"}, "fsspec")])
def test_a_cluster_of_no_size_and_unknown_storage_are_refused(
        towns: Path, tmp_path: Path, given: dict[str, Any], said: str) -> None:
    with pytest.raises(SettingError, match=said):
        run_region(towns / "east", **{"out": tmp_path / "c", **given})


def _dies_once(area: str, folder: str, key: str) -> Outcome:
    """Take its worker down the first time it is tried."""
    mark = Path(folder) / "tried"
    if not mark.exists():
        mark.write_text("once", encoding="utf-8")
        os._exit(1)
    return Outcome(area, State.DONE, key, {"n_rows": 1})


def test_a_worker_that_dies_costs_no_project(tmp_path: Path) -> None:
    with LocalCluster(**ONE_WORKER) as cluster, Client(cluster) as client:
        found = list(_spread(client, [("a", tmp_path, "k")], work=_dies_once))
    assert [(o.area, o.state) for o in found] == [("a", State.DONE)]


def test_a_silent_scheduler_is_refused(towns: Path, tmp_path: Path, unused_address: str,
                                       monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "PATIENCE_S", 1)
    with pytest.raises(SettingError, match="does not answer"):
        run_region(towns / "east", out=tmp_path / "b", scheduler=unused_address)


@pytest.fixture
def unused_address() -> Iterator[str]:
    import socket

    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        yield f"tcp://127.0.0.1:{held.getsockname()[1]}"


def test_a_folder_without_projects_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match=r"rehit\.toml"):
        find_projects(tmp_path)


def test_the_table_counts_asset_years_only_where_there_is_a_register() -> None:
    figures = {"n_incidents": 10, "years": 2.0, "n_assets": 50}
    table = region_table([Outcome("a", State.DONE, "k", figures),
                          Outcome("b", State.REFUSED, "k", {}, where="x", got="y")])
    assert table["asset_years"].tolist()[0] == 100
    assert table["asset_years"].isna().tolist() == [False, True]


def test_the_command_writes_the_comparison_in_either_language(
        towns: Path, tmp_path: Path, scheduler: str, capsys: pytest.CaptureFixture[str]) -> None:
    for lang, said in (("en", "3 areas were looked at"), ("es", "Se han examinado 3 zonas")):
        assert main(["region", str(towns), "--out", str(tmp_path / "r"), "--scheduler", scheduler,
                     "--lang", lang]) == 0
        text = capsys.readouterr().out
        assert said in text
        assert "west" in text
    summary = json.loads((tmp_path / "r" / "summary.json").read_text(encoding="utf-8"))
    assert (summary["n_areas"], summary["n_done"]) == (3, 2)
    names = {"areas.csv", "in_time.csv", "rehits.csv", "rehits.png", "summary.json"}
    assert names <= {Path(name).name for name in summary["files"]}
    assert main(["region", str(towns), "--out", "memory://shared/r", "--scheduler", scheduler]) == 0
    assert "memory://shared/r/areas.csv" in capsys.readouterr().out
    shared = fsspec.filesystem("memory").ls("/shared/r", detail=False)
    assert names <= {Path(name).name for name in shared}


def test_the_jobs_own_precision_is_found_behind_that_of_default_and_jobs_together() -> None:
    """Precisions add up: 1 / 4 of the jobs and 1 / 36 of the default give 1 / 3.6."""
    together = 3.6
    reach = 1.6448536269514722 * np.sqrt(together)
    estimates = pd.DataFrame({
        "method": "scrape", "quantity": ["minutes_per_visit", "remover_l_per_m2"], "observed": 12.0,
        "low": 11 - reach, "high": 11 + reach, "weight_of_default": together / 36})
    chain = SimpleNamespace(calibration=SimpleNamespace(estimates=estimates))
    (name, value, error), = run._unit_minutes(chain)  # type: ignore[arg-type]
    assert (name, value) == ("costs.minutes_per_visit_scrape", 12.0)
    assert error == pytest.approx(2.0)


def test_learnt_minutes_fit_the_project_file_of_a_town_without_jobs(tmp_path: Path) -> None:
    minutes = [[["costs.minutes_per_visit_scrape", value, 0.5],
                ["costs.minutes_per_m2_scrape", -3.0, 0.5]] for value in (11.0, 12.0, 13.0)]
    outcomes = tuple(Outcome(str(n), State.DONE, "k", {"minutes": each})
                     for n, each in enumerate(minutes))
    write_region(outcomes, tmp_path, say=Say("en"))
    town = make_town(tmp_path / "town")
    settings = town / "rehit.toml"
    settings.write_text(settings.read_text(encoding="utf-8")
                        + (tmp_path / "learnt.toml").read_text(encoding="utf-8"), encoding="utf-8")
    numbers = load_project(town).parameters
    assert numbers["costs.minutes_per_visit_scrape"] == 12
    allowed = numbers.row("costs.minutes_per_m2_scrape")
    assert numbers["costs.minutes_per_m2_scrape"] == allowed.low


def test_of_many_areas_that_could_not_be_done_five_are_named() -> None:
    bad = tuple(Outcome(f"a{n}", State.REFUSED, "k", {}, where="x", got="y") for n in range(8))
    said = [each.code for each in compare_outcomes(bad)[1]]
    assert said.count("region.not_done") == 5
    assert said.count("region.more_not_done") == 1
