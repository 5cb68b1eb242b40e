"""Erlang's formula for crews that jobs wait for: the analytic check of the queue."""

from __future__ import annotations

import math


def erlang_c(*, servers: int, load: float) -> float:
    """Return the chance that a job has to wait, by Erlang's second formula.

    Parameters
    ----------
    servers
        Crews.
    load
        Arrivals per unit of time times the mean time one takes (erlang).

    Returns
    -------
    float
        1 where the load is not below the number of servers.

    References
    ----------
    Erlang 1917, by way of the recursion for Erlang's first formula.

    Examples
    --------
    >>> round(erlang_c(servers=2, load=1.0), 4)
    0.3333
    """
    if load >= servers:
        return 1.0
    blocked = 1.0
    for number in range(1, servers + 1):
        blocked = load * blocked / (number + load * blocked)
    return blocked / (1 - load / servers * (1 - blocked))


def erlang_within(*, servers: int, load: float, service: float, wait: float) -> float:
    """Return the chance that a job waits no longer than `wait` (in the unit of `service`)."""
    if load >= servers:
        return 0.0
    chance = erlang_c(servers=servers, load=load)
    return 1 - chance * math.exp(-(servers - load) * wait / service)
