"""Which places to cover in which year: the exact optimum by HiGHS, and the plain ranking.

One candidate is a place, a strategy and the year it starts. At most one candidate per place is
chosen; each year's first costs stay within its budget and its crew hours within what is there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array, hstack, vstack

from rehit.errors import SettingError

Numbers = NDArray[np.float64]
Whole = NDArray[np.int64]


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
        If no programme was found in the time allowed.
    """
    n = len(candidates.place)
    if n == 0:
        return Choice(np.zeros(0, dtype=bool), 0.0, 0.0)
    limits, most = _limits(candidates, budgets, hours)
    value = candidates.saving[:, 0]
    matrix, objective, integrality = limits, -value, np.ones(n)
    upper = np.ones(n)
    if robust:
        # One more unknown, the saving in the worst scenario: z - saving(s) <= 0 for each s.
        worst = csr_array(hstack([csr_array(-candidates.saving.T),
                                  csr_array(np.ones((candidates.saving.shape[1], 1)))]))
        padding = csr_array((limits.shape[0], 1))
        matrix = csr_array(vstack([hstack([limits, padding]), worst]))
        most = np.concatenate([most, np.zeros(worst.shape[0])])
        objective = np.append(np.zeros(n), -1.0)
        integrality = np.append(integrality, 0)
        upper = np.append(upper, np.inf)
    lower = np.zeros(n) if not robust else np.append(np.zeros(n), -np.inf)
    found = milp(objective, constraints=LinearConstraint(matrix, ub=most),
                 bounds=Bounds(lower, upper), integrality=integrality,
                 options={"mip_rel_gap": gap, "time_limit": time_limit_s})
    if found.x is None:
        raise SettingError("programme", got=str(found.message), allowed="a solved programme",
                           remedy="allow more time or a larger programme_gap")
    chosen = found.x[:n] > 0.5
    saving = candidates.saving[chosen].sum(axis=0)
    bound = -float(found.mip_dual_bound) if found.mip_dual_bound is not None else np.inf
    return Choice(chosen, float(saving.min() if robust else saving[0]), bound)


def greedy_choice(candidates: Candidates, *, budgets: Numbers, hours: Numbers) -> Choice:
    """Choose by the plain ranking: most saved per unit of money first, while money lasts.

    The same limits hold as for the optimum, so it can never save more.
    """
    chosen = np.zeros(len(candidates.place), dtype=bool)
    money, time = budgets.astype(float).copy(), hours.astype(float).copy()
    taken = np.zeros(int(candidates.place.max(initial=-1)) + 1, dtype=bool)
    saving = candidates.saving[:, 0]
    ratio = saving / np.maximum(candidates.cost, 1e-9)
    for item in np.lexsort([candidates.year, candidates.place, -ratio]):
        place, year = candidates.place[item], candidates.year[item]
        fits = candidates.cost[item] <= money[year] and candidates.hours[item] <= time[year]
        if fits and not taken[place] and saving[item] > 0:
            chosen[item] = taken[place] = True
            money[year] -= candidates.cost[item]
            time[year] -= candidates.hours[item]
    total = float(saving[chosen].sum())
    return Choice(chosen, total, np.inf)


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
