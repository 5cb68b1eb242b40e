"""Many towns on a cluster of this machine whose worker, then whose scheduler, is killed.

Run by hand::

    python tests/studies/region_towns.py [--towns 1000] [--rows 5000] [--alone 40] [--whole]
        [--folder DIR]

Towns come from a few seeds of the demo town, each log a draw of rows of its own, so that making
them takes a fraction of the work. Some are worked out in this process, one after the other. Then
``rehit region`` runs in a process of its own: after a third of the towns one of its two workers is
ended by SIGKILL, after two thirds the process that is scheduler and client; a second run goes on.
What each town came to must be the same bytes as alone and, with ``--whole``, the comparison and all
towns the same as of a run that nobody disturbed. The way back is 0 only then.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import psutil

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "data_demo"))

from town.build import make_town  # noqa: E402
from town.write import write_town  # noqa: E402

from rehit.region.run import STATE, Store, project_key, run_one  # noqa: E402

SEEDS = 20  # towns that are built; the rest are draws of their rows
WORKERS = 2
LINKED = ("assets.geojson", "streets.gpkg", "works_log.csv", "depots.csv", "vehicles.csv",
          "measures.csv", "mapping.toml")
COMPARED = ("in_time.csv", "rehits.csv", "rates.csv")


@dataclass
class Run:
    """One run of the command: what it made and took."""

    wall_s: float
    processor_s: float
    worker_gb: float


def make_towns(folder: Path, *, towns: int, rows: int) -> None:
    built = [build(folder.with_name("built") / f"seed{seed}", seed)
             for seed in range(min(SEEDS, towns))]
    for number in range(towns):
        source, log = built[number % len(built)]
        town = folder / f"town{number:04d}"
        town.mkdir(parents=True)
        rng = np.random.default_rng(number)
        drawn = np.sort(rng.choice(len(log), min(rows, len(log)), replace=False))
        log.iloc[drawn].to_csv(town / "incidents.csv", index=False)
        for name in LINKED:
            os.link(source / name, town / name)
        text = (source / "rehit.toml").read_text(encoding="utf-8")
        (town / "rehit.toml").write_text(text.replace("Merrowby-on-Sea", f"Town {number}"),
                                         encoding="utf-8")


def build(folder: Path, seed: int) -> tuple[Path, pd.DataFrame]:
    write_town(make_town(seed=seed), folder)
    shutil.copy(ROOT / "data_demo" / "mapping.toml", folder)
    return folder, pd.read_csv(folder / "incidents.csv", dtype=str, keep_default_na=False)


def states(out: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (out / "state").glob(f"*.{STATE}")}


def alone(folder: Path, names: list[str], out: Path) -> Run:
    """Work out some towns in this process, kept as the command keeps them."""
    store = Store(out / "state")
    begin, used = time.perf_counter(), time.process_time()
    for name in names:
        store.keep(run_one(name, str(folder / name), project_key(folder / name)))
    return Run(time.perf_counter() - begin, time.process_time() - used,
               psutil.Process().memory_info().rss / 1e9)


class Command:
    """``rehit region`` in a process of its own."""

    def __init__(self, folder: Path, out: Path) -> None:
        self.out, self.begin, self.worker_gb = out, time.perf_counter(), 0.0
        self.told = out.with_suffix(".txt").open("wb")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rehit.cli", "region", str(folder), "--out", str(out),
             "--workers", str(WORKERS)], stdout=self.told, stderr=subprocess.STDOUT)

    def workers(self) -> list[psutil.Process]:
        workers = []
        for each in psutil.Process(self.process.pid).children(recursive=True):
            with suppress(psutil.Error):  # it has just ended
                if "spawn_main" in " ".join(each.cmdline()):
                    self.worker_gb = max(self.worker_gb, each.memory_info().rss / 1e9)
                    workers.append(each)
        return workers

    def wait_for(self, done: int) -> list[psutil.Process]:
        """Wait until so many towns are kept, and return the workers."""
        while len(states(self.out)) < done:
            if self.process.poll() is not None:
                raise SystemExit(f"ended too soon: {self.out.with_suffix('.txt').read_text()}")
            time.sleep(0.5)
        return self.workers()

    def end(self) -> Run:
        """Wait for the end of the run."""
        while not (ended := os.wait4(self.process.pid, os.WNOHANG))[0]:
            self.workers()
            time.sleep(0.5)
        _, status, used = ended
        wall = time.perf_counter() - self.begin
        print(self.out.with_suffix(".txt").read_text(encoding="utf-8").strip().splitlines()[0])
        if status:
            raise SystemExit(f"ended with {status}: see {self.out.with_suffix('.txt')}")
        return Run(wall, used.ru_utime + used.ru_stime, self.worker_gb)


def disturbed(folder: Path, out: Path, towns: int) -> tuple[int, Run]:
    """Run, kill a worker, kill the scheduler, run again; return what stood and the second run."""
    first = Command(folder, out)
    first.wait_for(towns // 3)[0].send_signal(signal.SIGKILL)
    workers = first.wait_for(2 * towns // 3)
    print(f"a worker was killed, {len(workers)} work; killing the scheduler after "
          f"{len(states(out))} towns in {time.perf_counter() - first.begin:.0f} s")
    first.process.send_signal(signal.SIGKILL)
    first.process.wait()
    _, alive = psutil.wait_procs(workers, timeout=60)
    print(f"of its workers {len(alive)} outlived it by a minute")
    for each in alive:
        each.kill()
    before = {path.name: path.stat().st_mtime_ns for path in (out / "state").glob(f"*.{STATE}")}
    second = Command(folder, out).end()
    after = {path.name: path.stat().st_mtime_ns for path in (out / "state").glob(f"*.{STATE}")}
    again = sum(after[name] != before[name] for name in before)
    print(f"the second run found {len(before)} towns done and made {again} of them again")
    return len(before), second


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--towns", type=int, default=30)
    parser.add_argument("--rows", type=int, default=5000)
    parser.add_argument("--alone", type=int, default=10, help="towns also worked out one by one")
    parser.add_argument("--whole", action="store_true", help="compare with an undisturbed run too")
    parser.add_argument("--folder", type=Path, help="an empty folder to work in (default: scratch)")
    given = parser.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    os.environ["PYTHONPATH"] = str(ROOT / "src")
    with tempfile.TemporaryDirectory(dir=given.folder) as scratch:
        return compare(Path(scratch), given)


def compare(scratch: Path, given: argparse.Namespace) -> int:
    folder = scratch / "towns"
    used = time.process_time()
    make_towns(folder, towns=given.towns, rows=given.rows)
    print(f"{given.towns} towns of {given.rows} rows; making one took "
          f"{(time.process_time() - used) / given.towns:.2f} s of processor")
    names = sorted(path.name for path in folder.iterdir())
    sample = names[:: max(1, given.towns // given.alone)]
    show("one by one", len(sample), alone(folder, sample, scratch / "alone"))
    stood, second = disturbed(folder, scratch / "disturbed", given.towns)
    show("resumed", given.towns - stood, second)
    found = states(scratch / "disturbed")
    held = [found[name] == text for name, text in states(scratch / "alone").items()]
    print(f"the same bytes as one by one: {sum(held)} of {len(held)} towns")
    same = all(held) and len(found) == given.towns
    if given.whole:
        show("undisturbed", given.towns, Command(folder, scratch / "whole").end())
        tables = [(scratch / "whole" / name).read_bytes()
                  == (scratch / "disturbed" / name).read_bytes() for name in COMPARED]
        same &= states(scratch / "whole") == found and all(tables)
        print(f"all towns and {sum(tables)} of {len(tables)} tables the same as undisturbed: "
              f"{states(scratch / 'whole') == found}")
    return 0 if same else 1


def show(name: str, towns: int, run: Run) -> None:
    print(f"{name}: {towns} towns in {run.wall_s:.0f} s, {60 * towns / run.wall_s:.1f} a minute, "
          f"{run.processor_s / towns:.2f} s of processor a town, {run.worker_gb:.2f} GB a worker")


if __name__ == "__main__":
    raise SystemExit(main())
