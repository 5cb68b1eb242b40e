"""Which places to cover in which year: the exact optimum by HiGHS, and the plain ranking.

One candidate is a place, a strategy and the year it starts. At most one candidate per place is
chosen; each year's first costs stay within its budget and its crew hours within what is there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array, csr_array, hstack, vstack

from rehit.errors import SettingError

Numbers = NDArray[np.float64]
Whole = NDArray[np.int64]
ROUNDING = 1e-7  # values this close to a whole number are taken for it


@dataclass(frozen=True)
class Candidates:
    """What may be chosen, one entry per place, strategy and starting year.

    Attributes
    ----------
    place, strategy, year
        Positions; `year` counts from 0.
    saving
        Present value saved against the baseline, shape (candidates, scenarios); the first
        scenario is the mean.
    cost, hours
        First cost and crew hours in the starting year.
    """

    place: Whole
    strategy: Whole
    year: Whole
    saving: Numbers
    cost: Numbers
    hours: Numbers

    def keep(self, rows: NDArray[np.bool_]) -> Candidates:
        """Return some of the candidates."""
        return Candidates(self.place[rows], self.strategy[rows], self.year[rows],
                          self.saving[rows], self.cost[rows], self.hours[rows])


@dataclass(frozen=True)
class Choice:
    """The candidates chosen, and how close to the best possible they are proven to be.

    Attributes
    ----------
    chosen
        Flag per candidate.
    saving
        Their total saving in the objective used.
    bound
        No programme can save more than this.
    """

    chosen: NDArray[np.bool_]
    saving: float
    bound: float

    @property
    def gap(self) -> float:
        """Return the distance to the bound as a share of it."""
        return 0.0 if self.bound <= 0 else max(0.0, 1 - self.saving / self.bound)


def best_choice(candidates: Candidates, *, budgets: Numbers, hours: Numbers, gap: float,
                robust: bool = False, time_limit_s: float = 600.0) -> Choice:
    """Choose the candidates that save most.

    The linear relaxation bounds what any programme can save; rounded down and filled up it gives
    a programme that is often within the accepted gap already. Where it is not, candidates whose
    reduced cost shows that they cannot be part of a better programme are fixed, and the rest goes
    to the exact search. With a gap of 0 the result is the optimum.

    Parameters
    ----------
    candidates
        What may be chosen.
    budgets, hours
        Money and crew hours of each year.
    gap
        Accepted distance to the best possible, as a share.
    robust
        Save most in the worst scenario instead of on average.
    time_limit_s
        Search no longer than this; the bound then tells how good the programme is.

    Raises
    ------
    SettingError
        If the relaxation cannot be solved.
    """
    if len(candidates.place) == 0:
        return Choice(np.zeros(0, dtype=bool), 0.0, 0.0)
    problem = _problem(candidates, budgets, hours, robust=robust)
    relaxed = linprog(problem.objective, A_ub=problem.matrix, b_ub=problem.most,
                      bounds=np.column_stack([problem.lower, problem.upper]), method="highs")
    if relaxed.x is None:
        raise SettingError("programme", got=str(relaxed.message), allowed="a solved programme",
                           remedy="check the budgets and rates")
    n, bound = len(candidates.place), -float(relaxed.fun)
    start = relaxed.x[:n] > 1 - ROUNDING
    # The plain ranking is a start too, so that it can never be the better one.
    starts = [start, _greedy(candidates, budgets, hours, start=start),
              _greedy(candidates, budgets, hours, start=np.zeros(n, dtype=bool))]
    best = max((_choice(candidates, chosen, bound, robust=robust) for chosen in starts),
               key=lambda choice: choice.saving)
    if best.gap <= gap:
        return best
    reduced = np.abs(relaxed.lower.marginals + relaxed.upper.marginals)
    free = (reduced <= (bound - best.saving) * (1 + ROUNDING) + ROUNDING)
    free[n:] = True
    return _exact(candidates, problem, relaxed.x, free, best, gap=gap, robust=robust,
                  time_limit_s=time_limit_s)


def _exact(candidates: Candidates, problem: _Problem, relaxed: Numbers, free: NDArray[np.bool_],
           best: Choice, *, gap: float, robust: bool, time_limit_s: float) -> Choice:
    fixed = np.where(free, 0.0, np.round(relaxed))
    found = milp(
        problem.objective[free],
        constraints=LinearConstraint(problem.matrix[:, np.flatnonzero(free)],
                                     ub=problem.most - problem.matrix @ fixed),
        bounds=Bounds(problem.lower[free], problem.upper[free]),
        integrality=problem.whole[free],
        # Without presolve the solver keeps quiet on standard output; what is left is small.
        options={"mip_rel_gap": gap, "time_limit": time_limit_s, "presolve": False})
    if found.x is None:
        return best
    values = fixed.copy()
    values[free] = found.x
    searched = -float(found.mip_dual_bound) - float(problem.objective @ fixed)
    chosen = values[:len(candidates.place)] > 0.5
    bound = min(best.bound, max(searched, best.saving))
    better = _choice(candidates, chosen, bound, robust=robust)
    return better if better.saving >= best.saving else replace(best, bound=bound)


def _choice(candidates: Candidates, chosen: NDArray[np.bool_], bound: float, *,
            robust: bool) -> Choice:
    saving = candidates.saving[chosen].sum(axis=0)
    return Choice(chosen, float(saving.min() if robust else saving[0]), bound)


@dataclass(frozen=True)
class _Problem:
    """Minimise objective @ x with matrix @ x <= most, lower <= x <= upper, some x whole."""

    objective: Numbers
    matrix: csr_array
    most: Numbers
    lower: Numbers
    upper: Numbers
    whole: Numbers


def _problem(candidates: Candidates, budgets: Numbers, hours: Numbers, *,
             robust: bool) -> _Problem:
    n = len(candidates.place)
    limits, most = _limits(candidates, budgets, hours)
    nothing, everything = np.zeros(n), np.ones(n)
    if not robust:
        return _Problem(-candidates.saving[:, 0], limits, most, nothing, everything, everything)
    # One more unknown, the saving in the worst scenario: z - saving(s) <= 0 for each s.
    scenarios = candidates.saving.shape[1]
    worst = hstack([csr_array(-candidates.saving.T), csr_array(np.ones((scenarios, 1)))])
    padded = hstack([limits, csr_array((limits.shape[0], 1))])
    return _Problem(
        np.append(nothing, -1.0), csr_array(vstack([padded, worst])),
        np.append(most, np.zeros(scenarios)), np.append(nothing, -np.inf),
        np.append(everything, np.inf), np.append(everything, 0.0))


def greedy_choice(candidates: Candidates, *, budgets: Numbers, hours: Numbers) -> Choice:
    """Choose by the plain ranking: most saved per unit of money first, while money lasts.

    The same limits hold as for the optimum, so it can never save more.
    """
    none = np.zeros(len(candidates.place), dtype=bool)
    chosen = _greedy(candidates, budgets, hours, start=none)
    return _choice(candidates, chosen, np.inf, robust=False)


def _greedy(candidates: Candidates, budgets: Numbers, hours: Numbers, *,
            start: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return `start` filled up, most saved per unit of money first."""
    chosen = start.copy()
    size = len(budgets)
    money = budgets - np.bincount(candidates.year[start], candidates.cost[start], minlength=size)
    time = hours - np.bincount(candidates.year[start], candidates.hours[start], minlength=size)
    taken = np.zeros(int(candidates.place.max(initial=-1)) + 1, dtype=bool)
    taken[candidates.place[start]] = True
    saving = candidates.saving[:, 0]
    ratio = saving / np.maximum(candidates.cost, 1e-9)
    for item in np.lexsort([candidates.year, candidates.place, -ratio]):
        place, year = candidates.place[item], candidates.year[item]
        fits = candidates.cost[item] <= money[year] and candidates.hours[item] <= time[year]
        if fits and not taken[place] and saving[item] > 0:
            chosen[item] = taken[place] = True
            money[year] -= candidates.cost[item]
            time[year] -= candidates.hours[item]
    return chosen


def _limits(candidates: Candidates, budgets: Numbers, hours: Numbers) -> tuple[csr_array, Numbers]:
    """Return the constraint matrix and its right sides: once per place, money, crew hours."""
    n, n_years = len(candidates.place), len(budgets)
    _, place = np.unique(candidates.place, return_inverse=True)
    column = np.arange(n)
    parts = [(np.ones(n), place, int(place.max()) + 1, np.ones(int(place.max()) + 1))]
    for amounts, available in ((candidates.cost, budgets), (candidates.hours, hours)):
        if np.isfinite(available).all():
            parts.append((amounts, candidates.year, n_years, available))
    rows = [coo_array((data, (row, column)), shape=(size, n)) for data, row, size, _ in parts]
    return csr_array(vstack(rows)), np.concatenate([right for *_, right in parts])
