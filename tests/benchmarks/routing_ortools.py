"""The same instances by OR-Tools' guided local search, for comparison; run by hand.

    python tests/benchmarks/routing_ortools.py --data ../shared/data/routing --seconds 10

Optional visits are disjunctions whose penalty is the score in travel time; seconds are processor
seconds.
"""

from __future__ import annotations

import argparse
import csv
import statistics
import time
from pathlib import Path

from ortools.constraint_solver import pywrapcp, routing_enums_pb2
from routing_files import Instance, sample
from routing_instances import gap, recheck

# A point is worth this many times the time budget over the published score, as in our search.
PENALTY_WEIGHT = 5.0


def solve(case: Instance, seconds: float) -> list[list[int]]:
    problem = case.problem
    crew, teams = problem.crews[0], len(problem.crews)
    manager = pywrapcp.RoutingIndexManager(len(problem.travel), teams, [crew.start] * teams,
                                           [crew.end] * teams)
    routing = pywrapcp.RoutingModel(manager)
    service = dict(zip(problem.location.tolist(), problem.service.tolist(), strict=True))
    stop_of = {int(place): stop for stop, place in enumerate(problem.location)}

    def drive(i: int, j: int) -> int:
        a, b = manager.IndexToNode(i), manager.IndexToNode(j)
        return int(problem.travel[a, b]) + service.get(a, 0)

    transit = routing.RegisterTransitCallback(drive)
    routing.SetArcCostEvaluatorOfAllVehicles(transit)
    routing.AddDimension(transit, crew.latest, crew.latest, False, "time")
    clock = routing.GetDimensionOrDie("time")
    point = PENALTY_WEIGHT * problem.budget / case.published
    for place, stop in stop_of.items():
        index = manager.NodeToIndex(place)
        clock.CumulVar(index).SetRange(int(problem.earliest[stop]),
                                       min(int(problem.latest[stop]), crew.latest))
        routing.AddDisjunction([index], int(problem.score[stop] * point))
    parameters = pywrapcp.DefaultRoutingSearchParameters()
    parameters.first_solution_strategy = (
        routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION)
    parameters.local_search_metaheuristic = (
        routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH)
    parameters.time_limit.seconds = int(seconds * 20)
    until = time.process_time() + seconds
    routing.AddSearchMonitor(routing.solver().CustomLimit(lambda: time.process_time() > until))
    answer = routing.SolveWithParameters(parameters)
    routes: list[list[int]] = [[] for _ in range(teams)]
    for team in range(teams):
        index = routing.Start(team)
        while not routing.IsEnd(index):
            node = manager.IndexToNode(index)
            if index != routing.Start(team) and node in stop_of:
                routes[team].append(stop_of[node])
            index = answer.Value(routing.NextVar(index))
    return routes


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--families", nargs="+", default=["TOP", "TOPTW", "OPLib"])
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    gaps: dict[str, list[float]] = {}
    for case in sample(args.data, args.families):
        value = recheck(case, solve(case, args.seconds))
        row = [case.family, case.name, case.published, value, round(gap(case, value), 3)]
        gaps.setdefault(case.family, []).append(float(row[4]))
        print(*row, sep="\t", flush=True)
        if args.out:
            with args.out.open("a", newline="") as file:
                csv.writer(file).writerow(row)
    for family, values in gaps.items():
        print(f"{family}: n={len(values)} mean {statistics.mean(values):.2f} % "
              f"worst {max(values):.2f} %")


if __name__ == "__main__":
    main()
