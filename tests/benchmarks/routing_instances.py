"""Gap to the published best on public routing instances; run by hand, one process, one core.

    python tests/benchmarks/routing_instances.py --data ../shared/data/routing --seconds 30

Seconds are processor seconds of this process, so a busy machine does not blur the figures.
Every answer is walked again from the instance's own distances by `recheck`, which shares nothing
with the solver. OR-Tools gets the same time on every third instance.
"""

from __future__ import annotations

import argparse
import csv
import math
import statistics
import time
from collections import Counter
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

from routing_files import Instance, sample

from rehit.parameters import load_parameters
from rehit.patrol.routes import search_stops
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


def ours(case: Instance, args: argparse.Namespace) -> tuple[float, float, float]:
    """Return the re-checked value of our routes and of the greedy start, and the seconds used."""
    began, runs = time.process_time(), 1 if case.minimise else args.runs
    stops = [CpuSeconds(args.seconds / runs) for _ in range(runs)]
    if args.shipped:
        stops = search_stops(case.problem.n_stops, load_parameters())
    found = search_routes(case.problem, stops=stops, seed=args.seed)
    used = time.process_time() - began
    greedy = math.nan if case.minimise else recheck(case, found.greedy)
    return recheck(case, found.routes), greedy, used


def measure(args: argparse.Namespace, save: Callable[[dict[str, object]], None]) -> None:
    """Run both solvers over the sample, print what comes and keep each row."""
    gaps: dict[tuple[str, str], list[float]] = {}
    turn: Counter[str] = Counter()
    for case in sample(args.data, args.families):
        turn["all"] += 1
        if (args.only and case.name not in args.only) or turn["all"] % args.every:
            continue
        value, greedy, used = ours(case, args)
        row: dict[str, object] = {
            "family": case.family, "instance": case.name, "published": case.published,
            "greedy_gap_percent": "" if math.isnan(greedy) else round(gap(case, greedy), 2),
            "ours": value, "gap_percent": round(gap(case, value), 3) + 0.0,
            "cpu_seconds": round(used, 1)}
        gaps.setdefault((case.family, "ours"), []).append(gap(case, value))
        if args.ortools_every and turn[case.family] % args.ortools_every == 0:
            from routing_ortools import solve  # not needed without OR-Tools

            rival = recheck(case, solve(case, args.seconds))
            row |= {"or_tools": rival, "or_tools_gap_percent": round(gap(case, rival), 3)}
            gaps.setdefault((case.family, "OR-Tools"), []).append(gap(case, rival))
            gaps.setdefault((case.family, "ours there"), []).append(gap(case, value))
        turn[case.family] += 1
        print(row, flush=True)
        save(row)
    for (family, who), values in sorted(gaps.items()):
        print(f"{family}, {who}: n={len(values)} mean {statistics.mean(values):.3f} % "
              f"worst {max(values):.3f} % median {statistics.median(values):.3f} %")


COLUMNS = ["family", "instance", "published", "greedy_gap_percent", "ours", "gap_percent",
           "cpu_seconds", "or_tools", "or_tools_gap_percent"]
HOW = ("# routing_instances.py: {seconds:g} processor seconds per instance and solver on one core, "
       "seed {seed}, {runs} runs (one where every stop is a must); every plan re-checked by "
       "recheck(); gaps in percent of the published best, negative = better; OR-Tools {ortools} "
       "(guided local search) on every {every}. instance of a family; PyVRP {pyvrp}\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--families", nargs="+", default=["TOP", "TOPTW", "OPLib", "CVRP"])
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--ortools-every", type=int, default=3, help="0: without it")
    parser.add_argument("--shipped", action="store_true",
                        help="the budget that `rehit patrol` ships with, instead of seconds")
    parser.add_argument("--every", type=int, default=1, help="only each so many-th instance")
    parser.add_argument("--out", type=Path, help="CSV to write anew")
    args = parser.parse_args()
    if not args.out:
        measure(args, lambda _row: None)
        return
    with args.out.open("w", newline="", encoding="utf-8") as file:
        file.write(HOW.format(seconds=args.seconds, seed=args.seed, runs=args.runs,
                              every=args.ortools_every, pyvrp=version("pyvrp"),
                              ortools=version("ortools") if args.ortools_every else "left out"))
        table = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        table.writeheader()

        def save(row: dict[str, object]) -> None:
            table.writerow(row)
            file.flush()

        measure(args, save)


if __name__ == "__main__":
    main()
