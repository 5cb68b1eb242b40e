"""The benchmark instances by OR-Tools' guided local search, for comparison.

Optional visits are disjunctions whose penalty is the score in travel time; seconds are processor
seconds.
"""

from __future__ import annotations

import time

from ortools.constraint_solver import pywrapcp, routing_enums_pb2
from routing_files import Instance

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
        if not problem.must[stop]:
            routing.AddDisjunction([index], int(problem.score[stop] * point))
    if problem.loads.size:
        load = {int(place): int(problem.loads[stop, 0]) for place, stop in stop_of.items()}
        demand = routing.RegisterUnaryTransitCallback(
            lambda i: load.get(manager.IndexToNode(i), 0))
        routing.AddDimension(demand, 0, crew.capacity[0], True, "load")
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
