"""Gap to the published best on public routing instances; run by hand, one process, one core.

    python tests/benchmarks/routing_instances.py --data ../shared/data/routing --seconds 30

Seconds are processor seconds of this process, so a busy machine does not blur the figures.
Every answer is walked again from the instance's own distances by `recheck`, which shares nothing
with the solver. Adds one line per instance to ``--out``.
"""

from __future__ import annotations

import argparse
import csv
import statistics
import time
from pathlib import Path

import numpy as np
from routing_files import Instance, sample

from rehit.patrol.search import search_routes


class CpuSeconds:
    """Stops a run once this process has used its share of processor time."""

    def __init__(self, seconds: float) -> None:
        self.seconds, self.until = seconds, 0.0

    def __call__(self, _best_cost: int) -> bool:
        self.until = self.until or time.process_time() + self.seconds
        return time.process_time() >= self.until


def recheck(case: Instance, routes: list[list[int]]) -> float:
    """Walk every route in the source's own units; return its score, or its length for CVRP."""
    seen: set[int] = set()
    score = length = 0.0
    problem = case.problem
    timed = case.family == "TOPTW"
    for crew, route in zip(problem.crews, routes, strict=True):
        here, clock, load = crew.start, 0.0, 0
        for stop in route:
            assert stop not in seen
            seen.add(stop)
            there = int(problem.location[stop])
            clock += case.length[here, there]
            length += case.length[here, there]
            if timed:
                clock = max(clock, problem.earliest[stop] / 100)
                assert clock <= problem.latest[stop] / 100 + 1e-6
                clock += problem.service[stop] / 100
            load += int(problem.loads[stop, 0]) if problem.loads.size else 0
            score += problem.score[stop]
            here = there
        back = case.length[here, crew.end] if route else 0.0
        clock, length = clock + back, length + back
        assert clock <= case.limit + 1e-6, (clock, case.limit)
        assert not crew.capacity or load <= crew.capacity[0]
    assert not case.minimise or len(seen) == problem.n_stops, "a customer was left out"
    return length if case.minimise else score


def gap(case: Instance, value: float) -> float:
    sign = -1 if case.minimise else 1
    return sign * (case.published - value) / case.published * 100


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--families", nargs="+", default=["TOP", "TOPTW", "OPLib", "CVRP"])
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    gaps: dict[str, list[float]] = {}
    for case in sample(args.data, args.families):
        if args.only and case.name not in args.only:
            continue
        began, runs = time.process_time(), 1 if case.minimise else args.runs
        stops = [CpuSeconds(args.seconds / runs) for _ in range(runs)]
        found = search_routes(case.problem, stops=stops, seed=args.seed)
        row = [case.family, case.name, case.published, recheck(case, found.routes),
               round(gap(case, recheck(case, found.routes)), 3),
               round(gap(case, recheck(case, found.greedy)), 2) if not case.minimise else "",
               round(time.process_time() - began, 1)]
        gaps.setdefault(case.family, []).append(float(row[4]))
        print(*row, sep="\t", flush=True)
        if args.out:
            with args.out.open("a", newline="") as file:
                csv.writer(file).writerow(row)
    for family, values in gaps.items():
        print(f"{family}: n={len(values)} mean {statistics.mean(values):.3f} % "
              f"worst {max(values):.3f} % median {np.median(values):.3f} %")


if __name__ == "__main__":
    main()
