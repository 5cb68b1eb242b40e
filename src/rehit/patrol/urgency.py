"""What lateness costs: service standards stay in force when missed, and weigh more each day."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from itertools import combinations, permutations, product

import numpy as np
import pandas as pd

from rehit.parameters import Parameters
from rehit.patrol.search import Crew, Problem, Routes, carries, route_travel

S_PER_MIN = 60.0
S_PER_H = 3600.0
H_PER_DAY = 24.0
#: Rounds of moving late jobs forward; each ends sooner where no move helps.
ROUNDS = 4
#: Best places tried with the break in its place, looks that may give way, least worth a move.
EXACT_TRIES, MOST_DROPPED, LEAST_GAIN_S = 6, 2, 1.0
#: Stops of which every order is tried, and of a longer route so many in a row; best orders timed
#: with the break at a place.
ORDERED, IN_A_ROW, ORDER_TRIES = 7, 5, 50
#: Routes put in order for exchanges, so that a day with hopeless standards ends in seconds.
MOST_ORDERED = 500

Starts = Callable[[Crew, list[int]], np.ndarray]
"""When work at each stop of a route begins [s], a row for each place of the break worth trying.

No row for a route that breaks a rule.
"""


def due_minutes(jobs: pd.DataFrame, *, day: date, time_zone: str, holidays: Sequence[date],
                parameters: Parameters) -> pd.Series:
    """Return by when each open job is due, in minutes of the day; below 0 it is overdue.

    Offensive jobs are due ``service.offensive_hours`` after the report (of a log that gives only
    days, after the end of that day), others at the end of the last of
    ``service.ordinary_working_days`` after it.

    Parameters
    ----------
    jobs
        ``reported_at`` [UTC], ``reported_precision``, ``priority``.
    day
        The day whose midnight counts as 0.
    time_zone
        Time zone of the project.
    holidays
        Days that are no working days; Saturdays and Sundays never are.
    parameters
        Reads the two numbers named.
    """
    at = jobs["reported_at"].dt.tz_convert(time_zone).dt.tz_localize(None)
    closed = at.where(jobs["reported_precision"] == "minute",
                      at.dt.normalize() + pd.Timedelta(days=1))
    offensive = closed + pd.Timedelta(hours=parameters["service.offensive_hours"])
    last = np.busday_offset(
        at.to_numpy("datetime64[D]"), int(parameters["service.ordinary_working_days"]),
        roll="backward", holidays=np.array(holidays, dtype="datetime64[D]"))
    ordinary = pd.Series(pd.to_datetime(last), index=jobs.index) + pd.Timedelta(days=1)
    due = offensive.where(jobs["priority"] == "offensive", ordinary)
    minutes: pd.Series = (due - pd.Timestamp(day)).dt.total_seconds() / S_PER_MIN
    return minutes


def late_cost(start_s: np.ndarray, due_s: np.ndarray, offensive: np.ndarray, *,
              parameters: Parameters) -> np.ndarray:
    """Return what beginning jobs after they were due is worth in crew seconds.

    An hour late costs ``patrol.late_offensive_minutes`` or ``patrol.late_ordinary_minutes``, and
    each further day of lateness adds ``patrol.late_growth_per_day`` of that to every hour. Not due
    (not a number) costs nothing.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> numbers = load_parameters().override({"patrol.late_offensive_minutes": 30,
    ...     "patrol.late_growth_per_day": 0.5})
    >>> hours = np.array([0.0, 1.0, 25.0]) * 3600
    >>> cost = late_cost(hours, np.full(3, 3600.0), np.full(3, True), parameters=numbers)
    >>> (cost / 60).round(1).tolist()
    [0.0, 0.0, 1080.0]
    """
    hours = np.fmax(start_s - due_s, 0.0) / S_PER_H  # not a number gives way to 0
    rate = np.where(offensive, parameters["patrol.late_offensive_minutes"],
                    parameters["patrol.late_ordinary_minutes"]) * S_PER_MIN
    cost: np.ndarray = rate * hours * (
        1 + parameters["patrol.late_growth_per_day"] * hours / H_PER_DAY)
    return cost


def job_weights(due_s: np.ndarray, offensive: np.ndarray, *, end_s: float,
                parameters: Parameters) -> np.ndarray:
    """Return what each reported job counts where not all can be done: older ones more.

    The weight grows by ``patrol.late_growth_per_day`` for each day late at `end_s`, and a little
    with age before that, so that of jobs not yet due the oldest comes first.
    """
    days = (end_s - due_s) / S_PER_H / H_PER_DAY
    grown = np.where(np.isfinite(days), np.logaddexp(0.0, np.nan_to_num(days)), 0.0)
    weight: np.ndarray = np.where(offensive, parameters["patrol.offensive_score"], 1.0) * (
        1 + parameters["patrol.late_growth_per_day"] * grown)
    return weight


@dataclass(frozen=True)
class Late:
    """What it takes to price a route's lateness.

    Attributes
    ----------
    problem
        The day's stops, crews and travel times.
    starts
        When work begins along a route.
    due_s
        When each stop is due [s], not a number for none.
    offensive
        Which stops are offensive jobs.
    parameters
        As for :func:`late_cost`, and ``patrol.missed_hours``.
    """

    problem: Problem
    starts: Starts
    due_s: np.ndarray
    offensive: np.ndarray
    parameters: Parameters

    def paid(self, stops: np.ndarray, begun: np.ndarray) -> np.ndarray:
        """Return what each stop costs by lateness [s]."""
        missed_s = self.parameters["patrol.missed_hours"] * S_PER_H
        cost: np.ndarray = np.where(begun > self.due_s[stops], missed_s, 0.0) + late_cost(
            begun, self.due_s[stops], self.offensive[stops], parameters=self.parameters)
        return cost

    def begun(self, crew: Crew, route: list[int]) -> np.ndarray | None:
        """Return when work begins along a route, its break where lateness costs least [s]."""
        ways = self.starts(crew, route)
        if not len(ways):
            return None
        best: np.ndarray = ways[self.paid(_whole(route), ways).sum(axis=1).argmin()]
        return best

    def exact(self, crew: Crew, route: list[int]) -> float:
        """Return driving and lateness of a route [s], infinite for one that breaks a rule."""
        begun = self.begun(crew, route)
        if begun is None:
            return np.inf
        return float(self.paid(_whole(route), begun).sum()) + route_travel(
            self.problem, crew, route)

    def quick(self, crew: Crew, ways: np.ndarray) -> np.ndarray:
        """Return no more than :meth:`exact` of each row, the break taken after the last stop."""
        cost, back = self._walked(crew, ways)
        if crew.rest and ways.shape[1]:
            back = back + np.where(back > crew.rest.free_until, crew.rest.length, 0)
        return np.where(back > crew.latest, np.inf, cost)

    def close(self, crew: Crew, ways: np.ndarray) -> np.ndarray:
        """Return no more than :meth:`exact` of each row, the break taken where the crew stands."""
        cost, back = self._walked(crew, ways)
        if crew.rest and ways.shape[1]:
            rested = [self._walked(crew, ways, rest_at=at) for at in range(ways.shape[1] + 1)]
            least = np.min([np.where(home > crew.latest, np.inf, paid) for paid, home in rested],
                           axis=0)
            cost = np.where(back > crew.rest.free_until, least, cost)
        return np.where(back > crew.latest, np.inf, cost)

    def _walked(self, crew: Crew, ways: np.ndarray, *,
                rest_at: int | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Return what each row costs, infinite where it misses a window, and when it is back."""
        p = self.problem
        now, here = np.full(len(ways), crew.earliest), np.full(len(ways), crew.start)
        cost = np.zeros(len(ways))
        for at in range(ways.shape[1] + 1):
            if crew.rest and at == rest_at:
                cost[now > crew.rest.latest] = np.inf
                now = np.maximum(now, crew.rest.earliest) + crew.rest.length
            if at == ways.shape[1]:
                break
            stops = ways[:, at]
            drive = p.travel[here, p.location[stops]]
            now = np.maximum(now + drive, p.earliest[stops])
            cost += np.where(now > p.latest[stops], np.inf, drive + self.paid(stops, now))
            now, here = now + p.service[stops], p.location[stops]
        drive = p.travel[here, crew.end]
        return cost + drive, now + drive

    def missed(self, crew: Crew, route: list[int]) -> list[int]:
        """Return the jobs of a route that are begun after they were due."""
        begun = self.begun(crew, route)
        return [] if begun is None else _whole(route)[begun > self.due_s[_whole(route)]].tolist()

    def promised(self, routes: Routes) -> Problem:
        """Return the problem with each standard that the routes keep as the end of a window."""
        latest = self.problem.latest.copy()
        for crew, route in zip(self.problem.crews, routes, strict=True):
            kept = sorted(set(route) - set(self.missed(crew, route)))
            latest[kept] = np.fmin(latest[kept], self.due_s[kept])
        return replace(self.problem, latest=latest)


def _whole(route: Sequence[int]) -> np.ndarray:
    return np.array(route, dtype=np.int64)


def keep_standards(late: Late, routes: Routes) -> Routes:
    """Return the routes of jobs with as few standards missed as orders and exchanges allow.

    Each crew's jobs are put in their best order: of all orders, up to seven jobs. While a crew
    misses a standard that its job alone could keep, it exchanges jobs with another crew where that
    costs less in all: any jobs where both have up to seven, else one each or one for none. Both
    crews' jobs are again put in their best order.

    Parameters
    ----------
    late
        The day and what its lateness costs.
    routes
        A plan of reported jobs that keeps every rule.
    """
    orders, made = _Orders(late), [list(route) for route in routes]
    for index, crew in enumerate(late.problem.crews):
        made[index] = orders.best(crew, tuple(made[index]))[1]
    while exchange := _exchange(orders, made):
        for index, route in exchange.items():
            made[index] = route
    return made


class _Orders:
    """The best orders of crews' jobs, each worked out once."""

    def __init__(self, late: Late) -> None:
        self.late = late
        self.ranked, self.best = cache(self._ranked), cache(self._best)

    def _ranked(self, crew: Crew, stops: tuple[int, ...], *,
                close: bool) -> tuple[np.ndarray, np.ndarray]:
        """Return the orders that seem best, cheapest first, and their close or quick prices.

        Of a long route, every order of a few stops in a row, from the last ones forward.
        """
        ways, price = _whole(stops)[None], np.array([np.inf])
        if not carries(self.late.problem, crew, list(stops)):
            return ways, price
        n = len(stops) if len(stops) <= ORDERED else IN_A_ROW
        orders = np.array(list(permutations(range(n))), dtype=np.int64)
        for first in reversed(range(len(stops) - n + 1)):
            ways = np.repeat(ways[:1], len(orders), axis=0)
            ways[:, first:first + n] = ways[0, first:first + n][orders]
            price = self.late.close(crew, ways) if close else self.late.quick(crew, ways)
            rank = np.argsort(price, kind="stable")[:ORDER_TRIES]
            ways, price = ways[rank], price[rank]
        return ways, price

    def least(self, crew: Crew, stops: tuple[int, ...], *, close: bool) -> float:
        """Return what an order costs at least [s]."""
        return float(self.ranked(crew, stops, close=close)[1][0])

    def _best(self, crew: Crew, stops: tuple[int, ...]) -> tuple[float, list[int]]:
        """Return the cost of the best order [s], and that order."""
        best, chosen = self.late.exact(crew, list(stops)), list(stops)
        for way, price in zip(*self.ranked(crew, stops, close=True), strict=True):
            if price >= best - LEAST_GAIN_S:
                break
            best, chosen = min((best, chosen), (self.late.exact(crew, way.tolist()), way.tolist()))
        return best, chosen

    @property
    def spent(self) -> bool:
        """Whether as many routes were put in order as a day may ask for."""
        return self.ranked.cache_info().misses >= MOST_ORDERED


def _exchange(orders: _Orders, routes: Routes) -> dict[int, list[int]] | None:
    """Return the first two routes found that together cost less than those of their crews now."""
    late, crews = orders.late, orders.late.problem.crews
    costs = [late.exact(crew, route) for crew, route in zip(crews, routes, strict=True)]
    for home, route in enumerate(routes):
        if not any(_within_reach(late, stop) for stop in late.missed(crews[home], route)):
            continue
        for other in (index for index in range(len(crews)) if index != home):
            enough = costs[home] + costs[other] - LEAST_GAIN_S
            for ways in _exchanges(route, routes[other]):
                both = list(zip((crews[home], crews[other]), ways, strict=True))
                if orders.spent:
                    return None
                if any(sum(orders.least(*each, close=close) for each in both) >= enough
                       for close in (False, True)):
                    continue
                found = [orders.best(*each) for each in both]
                if sum(cost for cost, _ in found) < enough:
                    return {home: found[0][1], other: found[1][1]}
    return None


def _exchanges(one: list[int], other: list[int]) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Yield two routes after an exchange: of any stops where these are few, else of one each."""
    few = len(one) + len(other) <= ORDERED
    for given, taken in product(_some_of(one, few=few), _some_of(other, few=few)):
        if given or taken:
            yield ((*(s for s in one if s not in given), *taken),
                   (*(s for s in other if s not in taken), *given))


def _some_of(stops: list[int], *, few: bool) -> list[tuple[int, ...]]:
    most = len(stops) if few else 1
    return [some for n in range(most + 1) for some in combinations(stops, n)]


def _within_reach(late: Late, stop: int) -> bool:
    """Return whether a crew that did nothing else would keep the standard."""
    return any(carries(late.problem, crew, [stop]) and late.begun(crew, [stop]) is not None
               and not late.missed(crew, [stop]) for crew in late.problem.crews)


def hasten(late: Late, routes: Routes) -> Routes:
    """Return the routes with late jobs moved to where driving and lateness together cost least.

    A job may move within its route or to another crew. Where it only fits in place of looks, the
    least likely ones give way, as long as the lateness saved is worth more than their markings.

    Parameters
    ----------
    late
        The day and what its lateness costs.
    routes
        A plan that keeps every rule.
    """
    best = [list(route) for route in routes]
    costs = [late.exact(c, route) for c, route in zip(late.problem.crews, best, strict=True)]
    worth = _seconds_per_marking(late.problem, best)
    for _ in range(ROUNDS):
        moved = [_move(late, best, costs, stop, worth) for stop in _late_first(late, best)]
        if not any(moved):
            break
    return best


def _seconds_per_marking(problem: Problem, routes: Routes) -> float:
    looks = [stop for route in routes for stop in route if not problem.must[stop]]
    found = float(problem.score[looks].sum()) if looks else 0.0
    return problem.budget / found if found > 0 else np.inf


def _late_first(late: Late, routes: Routes) -> list[int]:
    """Return the jobs begun late, the costliest first."""
    found: list[tuple[float, int]] = []
    for crew, route in zip(late.problem.crews, routes, strict=True):
        begun = late.begun(crew, route)
        if begun is not None:
            paid = late.paid(_whole(route), begun)
            found += [(-float(cost), s) for cost, s in zip(paid, route, strict=True) if cost > 0]
    return [stop for _, stop in sorted(found)]


def _move(late: Late, routes: Routes, costs: list[float], stop: int, worth: float) -> bool:
    """Move one stop to its best place in the routes given, if that helps; say whether it did."""
    crews = late.problem.crews
    home = next(i for i, route in enumerate(routes) if stop in route)
    rest = [s for s in routes[home] if s != stop]
    rest_cost = late.exact(crews[home], rest)
    tries: list[tuple[float, int, list[int], float]] = []
    for index, crew in enumerate(crews):
        base, outside = (rest, 0.0) if index == home else (routes[index], rest_cost - costs[home])
        for ways, prices, lost in _ways_in(late, crew, base, stop):
            extra = outside + (lost * worth if lost else 0.0)
            tries += [(float(price) + extra - costs[index], index, way.tolist(), extra)
                      for way, price in zip(ways, prices, strict=True) if np.isfinite(price)]
    for gain, index, route, extra in sorted(tries)[:EXACT_TRIES]:
        if gain >= -LEAST_GAIN_S:
            break
        cost = late.exact(crews[index], route)
        if cost + extra - costs[index] < -LEAST_GAIN_S:
            routes[home], costs[home] = rest, rest_cost
            routes[index], costs[index] = route, cost
            return True
    return False


def _ways_in(late: Late, crew: Crew, route: list[int],
             stop: int) -> Iterator[tuple[np.ndarray, np.ndarray, float]]:
    """Yield a stop's places in a route and in it less its least looks, with their prices.

    With them goes the chance of markings that the looks left out have.
    """
    problem, kept, lost = late.problem, list(route), 0.0
    for _ in range(MOST_DROPPED + 1):
        if carries(problem, crew, [*kept, stop]):
            ways = np.array([[*kept[:at], stop, *kept[at:]] for at in range(len(kept) + 1)])
            yield ways, late.quick(crew, ways), lost
        looks = [s for s in kept if not problem.must[s]]
        if not looks:
            return
        least = min(looks, key=lambda s: (problem.score[s] / max(int(problem.service[s]), 1), s))
        kept.remove(least)
        lost += float(problem.score[least])
