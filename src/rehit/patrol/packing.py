"""The best set of whole routes out of all those a search has come by, exactly."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from rehit.patrol.problem import Problem, Routes

# Counted in nodes, not seconds: the same pool gives the same routes on any machine.
MOST_NODES = 200
MOST_ROUTES = 3000


def pack_routes(problem: Problem, pool: Sequence[tuple[int, tuple[int, ...]]],
                members: Sequence[Sequence[int]], fallback: Routes) -> Routes:
    """Return the best choice of one route per crew with no stop twice.

    A set-packing model solved by HiGHS (scipy.optimize.milp).

    Parameters
    ----------
    problem
        The day's stops and crews.
    pool
        Pairs of a kind of crew and a route that is legal for it.
    members
        The crews of each kind.
    fallback
        Returned where there is nothing to choose from.
    """
    routes = list(pool)[-MOST_ROUTES:]
    if len(routes) < 2:
        return fallback
    kinds = len(members)
    rows = [kind for kind, _ in routes] + [kinds + s for _, route in routes for s in route]
    columns = list(range(len(routes))) + [i for i, (_, route) in enumerate(routes) for _ in route]
    once = coo_array((np.ones(len(rows)), (rows, columns)),
                     shape=(kinds + problem.n_stops, len(routes))).tocsr()
    most = np.array([*(len(crews) for crews in members), *np.ones(problem.n_stops)])
    heavy = np.where(problem.must, problem.score * (1 + problem.score[~problem.must].sum()),
                     problem.score)
    value = np.array([heavy[list(route)].sum() for _, route in routes])
    answer = milp(-value, constraints=LinearConstraint(once, ub=most), bounds=Bounds(0, 1),
                  integrality=np.ones(len(routes)), options={"node_limit": MOST_NODES})
    if answer.x is None:
        return fallback
    packed: Routes = [[] for _ in problem.crews]
    free = [list(crews) for crews in members]
    for take, (kind, route) in zip(answer.x > 0.5, routes, strict=True):
        if take:
            packed[free[kind].pop(0)] = list(route)
    return packed
