"""Which places to coat, in which year, so that a yearly budget saves most."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array, csr_array, hstack, vstack

from rehit.costs.doubt import Cause, Doubt, basis, causes, draw_doubt
from rehit.costs.lifecycle import Comparison, compare_by_formula, payback_years, simulated_costs
from rehit.costs.sensitivity import responses, value_of_information
from rehit.costs.strategies import Strategy, load_strategies
from rehit.errors import SettingError
from rehit.messages import message
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

# Which places to cover in which year: the exact optimum by HiGHS, and the plain ranking.
#
# One candidate is a place, a strategy and the year it starts. At most one candidate per place is
# chosen; each year's first costs stay within its budget and its crew hours within what is there.

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
    futures
        What each saves in every simulated future, shape (candidates, draws), drawn once: chances
        of a loss, intervals and what any choice saves together all come from it. What the worlds
        have in common moves all places at once; the luck of each place is its own. No draw yet
        where they are found.
    """

    place: Whole
    strategy: Whole
    year: Whole
    saving: Numbers
    cost: Numbers
    hours: Numbers
    futures: NDArray[np.float32]

    def keep(self, rows: NDArray[np.bool_] | Whole) -> Candidates:
        """Return some of the candidates."""
        return Candidates(self.place[rows], self.strategy[rows], self.year[rows],
                          self.saving[rows], self.cost[rows], self.hours[rows],
                          self.futures[rows])


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
                robust: bool = False, most_steps: int = 1_000_000) -> Choice:
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
    most_steps
        The exact search splits the problem at most this often; the bound then tells how good the
        programme is. Steps, not seconds, so that a busy machine finds the same programme.

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
        raise SettingError(message("where.programme"), "errors.unsolved", said=str(relaxed.message))
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
                  most_steps=most_steps)


def _exact(candidates: Candidates, problem: _Problem, relaxed: Numbers, free: NDArray[np.bool_],
           best: Choice, *, gap: float, robust: bool, most_steps: int) -> Choice:
    fixed = np.where(free, 0.0, np.round(relaxed))
    found = milp(
        problem.objective[free],
        constraints=LinearConstraint(problem.matrix[:, np.flatnonzero(free)],
                                     ub=problem.most - problem.matrix @ fixed),
        bounds=Bounds(problem.lower[free], problem.upper[free]),
        integrality=problem.whole[free],
        # Without presolve the solver keeps quiet on standard output; what is left is small.
        options={"mip_rel_gap": gap, "node_limit": most_steps, "presolve": False})
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


# What could be covered, where and when, with what it would save: the input of the programme.


@dataclass(frozen=True)
class Prospects:
    """Candidates, and the comparisons they come from.

    Attributes
    ----------
    candidates
        Places where an allowed strategy with a first cost saves money on average.
    comparisons
        One per starting year: the strategies from that year to the horizon.
    instead_of
        Position, per place, of the strategy that would otherwise be followed: the cheapest
        allowed one without a first cost.
    doubt
        The possible worlds; None where every number is taken as stated.
    """

    candidates: Candidates
    comparisons: tuple[Comparison, ...]
    instead_of: NDArray[np.int64]
    doubt: Doubt | None = None


def find_prospects(costing: pd.DataFrame, *,
                   strategies: Sequence[Strategy] | Path | str | None, years: int,
                   horizon_years: int, scenarios: bool, parameters: Parameters) -> Prospects:
    """Return every covering that would save money on average, for each starting year.

    A place covered in year t keeps its present strategy until then; the saving is the present
    value, to the same horizon, of what is no longer spent on that strategy less what the covering
    and its upkeep cost. Planned repaints are counted from the year of covering.

    Raises
    ------
    SettingError
        If the programme is longer than the horizon.
    """
    if not 1 <= years <= horizon_years:
        raise SettingError(message("where.programme_years"), "errors.too_many_years", years=years,
                           most=horizon_years)
    if strategies is None or isinstance(strategies, Path | str):
        strategies = load_strategies(strategies, parameters=parameters)
    comparisons = tuple(
        compare_by_formula(costing, strategies=strategies, horizon_years=horizon_years - start,
                           start_year=start, parameters=parameters) for start in range(years))
    instead_of = cheapest_without_first_cost(comparisons[0])
    savings = [_savings(c, instead_of) for c in comparisons]
    stacked = [[saving] for saving in savings]
    if scenarios:
        for name in ("rate_scenario_low", "rate_scenario_high"):
            shifted = costing.assign(
                gamma_rate_years=costing["gamma_rate_years"] / parameters[f"costs.{name}"])
            for start in range(years):
                stacked[start].append(_savings(compare_by_formula(
                    shifted, strategies=strategies, horizon_years=horizon_years - start,
                    start_year=start, parameters=parameters), instead_of))
    return Prospects(_candidates(comparisons, stacked), comparisons, instead_of)


def with_futures(prospects: Prospects, *, parameters: Parameters, doubt: Doubt | None,
                 rng: np.random.Generator, keep_all: bool = False) -> Prospects:
    """Return the prospects with simulated futures, those not worth the trouble left out.

    Expected savings are the mean of the futures, each in one of the possible worlds: a life cut to
    half costs more than a life half as long again saves, which no straight line between the ends of
    a range would tell. Left out are candidates that are expected to save less than
    ``costs.programme_least_saving`` or less than ``costs.programme_least_ratio`` of their first
    cost. Without `doubt` every number is taken as stated and all candidates stay.

    Futures take 4 bytes a candidate and draw.
    """
    picked, unsure = prospects.candidates, replace(prospects, doubt=doubt)
    expected = np.zeros(len(picked.place))
    least = np.full(len(picked.place), -np.inf)
    if doubt is not None and not keep_all:
        least = np.maximum(parameters["costs.programme_least_saving"],
                           parameters["costs.programme_least_ratio"] * picked.cost)
    kept = [np.zeros(0, dtype=np.int64)]
    parts = [np.zeros((0, int(parameters["costs.draws"])), dtype=np.float32)]
    for rows, futures in _futures(unsure, picked, parameters, rng):
        expected[rows] = futures.mean(axis=1)
        worth = expected[rows] >= least[rows]
        kept.append(rows[worth])
        parts.append(futures[worth].astype(np.float32))
    if doubt is not None:
        moved = (expected - picked.saving[:, 0])[:, None]
        picked = replace(picked, saving=picked.saving + moved)
    return replace(unsure, candidates=replace(picked.keep(np.concatenate(kept)),
                                              futures=np.concatenate(parts)))


def _saving_responses(prospects: Prospects, picked: Candidates, known: Sequence[Cause],
                      parameters: Parameters) -> Numbers:
    """Return how the saving of candidates that start now moves at the ends of the causes."""
    comparison = prospects.comparisons[0]
    moved = responses(comparison.costing.iloc[picked.place].reset_index(drop=True),
                      comparison.strategies, known=known,
                      horizon_years=comparison.timeline.years, parameters=parameters)
    number = np.arange(len(picked.place))
    return np.asarray((moved[:, number, prospects.instead_of[picked.place]]
                       - moved[:, number, picked.strategy]).T)


def what_to_measure(costing: pd.DataFrame, *,
                    strategies: Sequence[Strategy] | Path | str | None = None,
                    horizon_years: int | None = None, doubt: Doubt | None = None,
                    parameters: Parameters | None = None,
                    rng: np.random.Generator) -> pd.DataFrame:
    """Return what knowing each cause of doubt would be worth to the choice of what to cover.

    Parameters
    ----------
    costing, strategies, horizon_years, doubt, parameters
        As for :func:`choose_programme`; money and hours are not limited here.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        The `value_of_information` table; no row where nothing would be covered anyway.
    """
    parameters = parameters or load_parameters()
    horizon = int(horizon_years or parameters["costs.horizon_years"])
    worlds = doubt or draw_doubt(parameters, rng=rng)
    found = with_futures(find_prospects(costing, strategies=strategies, years=1, scenarios=False,
                                        horizon_years=horizon, parameters=parameters),
                         parameters=parameters, doubt=worlds, rng=rng, keep_all=True)
    options = found.candidates
    table = pd.DataFrame(columns=["cause", "low", "high", "worth", "flips_at"])
    if len(options.place):
        # One option a place: the covering that saves most.
        order = np.lexsort([-options.saving[:, 0], options.place])
        best = options.keep(order[np.unique(options.place[order], return_index=True)[1]])
        response = _saving_responses(found, best, worlds.known, parameters)
        usual = response @ basis(worlds.factors, worlds.known).mean(axis=1)
        table = value_of_information(best.saving[:, 0] - usual, response, known=causes(parameters),
                                     parameters=parameters, rng=rng)
        check(table, "value_of_information", where="costs.what_to_measure")
    return table


def cheapest_without_first_cost(comparison: Comparison) -> NDArray[np.int64]:
    """Return per place the position of the cheapest allowed strategy that needs no first cost."""
    values = np.column_stack([
        np.where(pieces.allowed & (pieces.first.sum(axis=1) == 0), expected.present_value, np.inf)
        for pieces, expected in zip(comparison.pieces, comparison.expected, strict=True)])
    found: NDArray[np.int64] = values.argmin(axis=1)
    return found


def _savings(comparison: Comparison, instead_of: NDArray[np.int64]) -> Numbers:
    values = np.column_stack([e.present_value for e in comparison.expected])
    return np.take_along_axis(values, instead_of[:, None], axis=1) - values


def _candidates(comparisons: Sequence[Comparison], stacked: Sequence[list[Numbers]]) -> Candidates:
    parts: list[Candidates] = []
    for start, (comparison, savings) in enumerate(zip(comparisons, stacked, strict=True)):
        for number, pieces in enumerate(comparison.pieces):
            cost = pieces.first @ comparison.timeline.growth_start
            saving = np.column_stack([scenario[:, number] for scenario in savings])
            rows = np.flatnonzero(pieces.allowed & (cost > 0) & (saving[:, 0] > 0))
            parts.append(Candidates(rows, np.full(len(rows), number), np.full(len(rows), start),
                                    saving[rows], cost[rows], pieces.hours[rows],
                                    np.zeros((len(rows), 0), dtype=np.float32)))
    return Candidates(*(np.concatenate([getattr(p, each.name) for p in parts])
                        for each in fields(Candidates)))


# The programme as a table, with the interval of what each place and all together save.

BLOCK_PLACES = 200  # places simulated at once, to bound memory


def programme_table(prospects: Prospects, chosen: NDArray[np.bool_],
                    parameters: Parameters) -> pd.DataFrame:
    """Return the chosen candidates as a table, most saved per unit of first cost on top."""
    picked = prospects.candidates.keep(chosen)
    first = prospects.comparisons[0]
    names = np.array([s.name for s in first.strategies])
    annuity = first.timeline.annuity
    low, high = np.quantile(picked.futures, _ends(parameters), axis=1)
    payback = np.full(len(picked.place), np.nan)
    for year in np.unique(picked.year):
        rows = np.flatnonzero(picked.year == year)
        payback[rows] = _payback(prospects, picked, rows)
    table = pd.DataFrame({
        "place_id": first.costing["place_id"].to_numpy(str)[picked.place],
        "strategy": names[picked.strategy], "year": picked.year + 1,
        **_whose(first.costing.iloc[picked.place]),
        "instead_of": names[prospects.instead_of[picked.place]],
        "first_cost": picked.cost, "crew_hours": picked.hours, "saving": picked.saving[:, 0],
        "saving_per_year": picked.saving[:, 0] / annuity,
        "chance_of_loss": (picked.futures < 0).mean(axis=1),
        "saving_low": low / annuity, "saving_high": high / annuity,
        "payback_year": payback, "saving_per_cost": picked.saving[:, 0] / picked.cost})
    return table.sort_values(["saving_per_cost", "place_id"], ascending=[False, True],
                             ignore_index=True)


def _whose(costing: pd.DataFrame) -> dict[str, pd.Series]:
    """Return whether the owner of each place has agreed to a coating, and who that is."""
    asked = costing["coating_allowed"].to_numpy(bool, na_value=False)
    owner = costing["owner"].to_numpy() if "owner" in costing else None
    return {"consent": pd.Series(np.where(asked, "given", "to_ask"), dtype="str"),
            "owner": pd.Series(owner, index=range(len(costing)), dtype="str")}


def _payback(prospects: Prospects, picked: Candidates, rows: NDArray[np.int64]) -> Numbers:
    comparison = prospects.comparisons[int(picked.year[rows[0]])]
    years = comparison.timeline.years
    found = np.full(len(rows), np.nan)
    for number in np.unique(picked.strategy[rows]):
        for other in np.unique(prospects.instead_of[picked.place[rows]]):
            both = (picked.strategy[rows] == number) & (
                prospects.instead_of[picked.place[rows]] == other)
            paid = payback_years(comparison.expected[number], comparison.expected[other])
            found[both] = paid[picked.place[rows][both]]
    return np.where(found <= years, found, np.nan)


def _interval(futures: Numbers, parameters: Parameters) -> tuple[float, float]:
    low, high = np.quantile(futures, _ends(parameters))
    return float(low), float(high)


def _futures(prospects: Prospects, picked: Candidates, parameters: Parameters,
             rng: np.random.Generator) -> Iterator[tuple[NDArray[np.int64], Numbers]]:
    """Yield positions among the picked, and their simulated savings, shape (places, draws)."""
    draws = int(parameters["costs.draws"])
    for year in np.unique(picked.year):
        comparison = prospects.comparisons[year]
        weights = [e.weights for e in comparison.expected]
        here = np.flatnonzero(picked.year == year)
        for start in range(0, len(here), BLOCK_PLACES):
            rows = here[start:start + BLOCK_PLACES]
            place = picked.place[rows]
            costs = simulated_costs(
                comparison.pieces, weights, rows=place, shape=comparison.shape[place],
                rate_years=comparison.rate_years[place], draws=draws, doubt=prospects.doubt,
                rng=rng)
            number = np.arange(len(rows))
            yield rows, np.asarray(costs[prospects.instead_of[place], number]
                                   - costs[picked.strategy[rows], number], dtype=np.float64)


def _ends(parameters: Parameters) -> list[float]:
    tail = (1 - parameters["costs.interval_level"]) / 2
    return [tail, 1 - tail]


SWEEP = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)  # shares of the budget looked at


@dataclass(frozen=True)
class Programme:
    """The programme chosen, with the plain ranking beside it.

    Attributes
    ----------
    table
        The `programme` table: one row per place chosen.
    greedy
        The same table for the plain ranking, most saved per unit of money first.
    saving, saving_low, saving_high
        Present value saved by the whole programme: mean and interval.
    saving_greedy
        Mean saved by the plain ranking; never more than `saving` (unless that is robust).
    chance_of_loss
        Chance that all of it together costs more than it saves.
    saving_worst, saving_worst_otherwise
        Mean saved in the worse rate scenario where the choice was robust, and what the choice
        that is best on average would save there; else NaN.
    gap
        Proven distance to the best possible, as a share.
    by_year
        Money and crew hours used of those available, year by year.
    prospects
        What could be chosen.
    """

    table: pd.DataFrame
    greedy: pd.DataFrame
    saving: float
    saving_low: float
    saving_high: float
    chance_of_loss: float
    saving_greedy: float
    saving_worst: float
    saving_worst_otherwise: float
    gap: float
    by_year: pd.DataFrame
    prospects: Prospects = field(repr=False)


def choose_programme(costing: pd.DataFrame, *,
                     strategies: Sequence[Strategy] | Path | str | None = None,
                     budget_per_year: float | Sequence[float] | None = None,
                     crew_hours_per_year: float | Sequence[float] | None = None, years: int = 5,
                     horizon_years: int | None = None, robust: bool = False,
                     under_doubt: bool = True, doubt: Doubt | None = None,
                     parameters: Parameters | None = None, rng: np.random.Generator) -> Programme:
    """Choose which places to cover, how and in which year, under yearly money and crew hours.

    Parameters
    ----------
    costing
        The `costing` table. A place whose owner does not allow a coating is never given one.
    strategies
        As for :func:`rehit.costs.lifecycle.compare_by_formula`; those with a first cost compete.
    budget_per_year
        Money for first costs at today's prices, one sum for each year or one per year; default
        ``costs.programme_budget``. What is left over in a year is not carried on.
    crew_hours_per_year
        The same for hours; default ``costs.programme_crew_hours``.
    years
        Length of the programme.
    horizon_years
        Savings are counted to this many years from now; default ``costs.horizon_years``.
    robust
        Save most in the worse of two cases, all rates lower or higher by the factors
        ``costs.rate_scenario_low`` and ``_high``, instead of on average.
    under_doubt
        Choose by expected savings under the doubts of ``doubt.csv``, within
        ``costs.programme_regret``, leaving out what is not worth the trouble; else as if every
        number were right.
    doubt
        The possible worlds looked at, default drawn anew.
    parameters
        Default: the shipped ones.
    rng
        Source of randomness for doubts and intervals.

    Returns
    -------
    Programme
        Savings are against the cheapest allowed strategy that needs no first cost, named in the
        column ``instead_of``.
    """
    parameters = parameters or load_parameters()
    horizon = int(horizon_years or parameters["costs.horizon_years"])
    prospects = find_prospects(costing, strategies=strategies, years=years, horizon_years=horizon,
                               scenarios=robust, parameters=parameters)
    worlds = (doubt or draw_doubt(parameters, rng=rng)) if under_doubt else None
    prospects = with_futures(prospects, parameters=parameters, doubt=worlds, rng=rng)
    money = per_year(budget_per_year, years, parameters["costs.programme_budget"])
    hours = per_year(crew_hours_per_year, years, parameters["costs.programme_crew_hours"])
    kept, best = _within_regret(prospects, money, hours, robust=robust, parameters=parameters,
                                gap=parameters["costs.programme_gap"])
    greedy = greedy_choice(kept.candidates, budgets=money, hours=hours)
    plain = best if not robust else best_choice(
        kept.candidates, budgets=money, hours=hours, gap=parameters["costs.programme_gap"],
        most_steps=int(parameters["costs.programme_steps"]))
    worst = [float(kept.candidates.saving[choice.chosen].sum(axis=0).min()) if robust
             else float("nan") for choice in (best, plain)]
    found = _programme(kept, best, greedy, money, hours, worst=worst, parameters=parameters)
    return replace(found, prospects=prospects)


def _within_regret(prospects: Prospects, money: Numbers, hours: Numbers, *, robust: bool,
                   gap: float, parameters: Parameters) -> tuple[Prospects, Choice]:
    """Return the best choice whose chance of a loss is accepted, and the prospects it is among.

    Where the best choice is too likely to lose, the candidates likeliest to lose by themselves are
    taken out, step by step. Where every number is taken as stated nothing is.
    """
    losses = (prospects.candidates.futures < 0).mean(axis=1)
    for most in (1.0, 0.4, 0.3, 0.2, 0.1, 0.05, 0.0):
        kept = replace(prospects, candidates=prospects.candidates.keep(losses <= most))
        best = best_choice(kept.candidates, budgets=money, hours=hours, gap=gap, robust=robust,
                           most_steps=int(parameters["costs.programme_steps"]))
        lost = (kept.candidates.keep(best.chosen).futures.sum(axis=0) < 0).mean()
        if prospects.doubt is None or lost <= parameters["costs.programme_regret"]:
            break
    return kept, best


def budget_sweep(programme: Programme, *, shares: Sequence[float] = SWEEP,
                 parameters: Parameters | None = None) -> pd.DataFrame:
    """Return what more or less budget would save: the `report_budget_sweep` table.

    Parameters
    ----------
    programme
        The programme chosen; its candidates, money and hours are looked at again, under the same
        limit on the chance of a loss.
    shares
        Multiples of the budget looked at; crew hours grow with them, so that money decides. Other
        budgets than the programme's own are searched to ``costs.programme_sweep_gap``.
    parameters
        As for :func:`choose_programme`.
    """
    parameters = parameters or load_parameters()
    prospects = programme.prospects
    given, hours = (programme.by_year[name].to_numpy(float) for name in ("money", "hours"))
    annuity = prospects.comparisons[0].timeline.annuity
    robust = prospects.candidates.saving.shape[1] > 1
    rows = []
    # All multiples of nothing are nothing: one row then, not eight of one key.
    for share in sorted({*shares, 1.0}) if given.any() else [1.0]:
        gap = "costs.programme_gap" if share == 1.0 else "costs.programme_sweep_gap"
        kept, best = _within_regret(prospects, given * share, hours * max(share, 1.0),
                                    robust=robust, gap=parameters[gap], parameters=parameters)
        used = kept.candidates.keep(best.chosen)
        low, high = _interval(used.futures.sum(axis=0), parameters)
        rows.append({"budget": float((given * share).sum()),
                     "saving_per_year": float(used.saving[:, 0].sum()) / annuity,
                     "saving_low": low / annuity, "saving_high": high / annuity,
                     "n_places": len(used.place), "chosen": share == 1.0})
    table = pd.DataFrame(rows)
    check(table, "report_budget_sweep", where="costs.budget_sweep")
    return table


def per_year(given: float | Sequence[float] | None, years: int, default: float) -> Numbers:
    """Return one amount per year from a single amount, a list, or the default.

    Raises
    ------
    SettingError
        For a negative amount, or a list of another length than the years.
    """
    amounts = np.atleast_1d(np.asarray(default if given is None else given, dtype=float))
    if len(amounts) not in (1, years) or not (amounts >= 0).all():
        raise SettingError(message("where.programme_budget"), "errors.amounts_per_year",
                           given=str(given), years=years)
    return np.resize(amounts, years)


def _programme(prospects: Prospects, best: Choice, greedy: Choice, money: Numbers, hours: Numbers,
               *, worst: Sequence[float], parameters: Parameters) -> Programme:
    candidates = prospects.candidates
    futures = candidates.keep(best.chosen).futures.sum(axis=0)
    low, high = _interval(futures, parameters)
    savings = candidates.saving[best.chosen].sum(axis=0)
    years = np.arange(len(money))
    used = candidates.keep(best.chosen)
    by_year = pd.DataFrame({
        "year": years + 1, "money": money, "hours": hours,
        "money_used": np.bincount(used.year, used.cost, minlength=len(years)),
        "hours_used": np.bincount(used.year, used.hours, minlength=len(years))})
    greedy_table = programme_table(prospects, greedy.chosen, parameters)
    table = programme_table(prospects, best.chosen, parameters)
    rank = {place: number + 1 for number, place in enumerate(greedy_table["place_id"])}
    table["rank_greedy"] = table["place_id"].map(rank).astype("Int64")
    check(table, "programme", where="costs.choose_programme")
    return Programme(
        table=table, greedy=greedy_table, saving=float(savings[0]), saving_low=low,
        saving_high=high, saving_greedy=greedy.saving,
        chance_of_loss=float((futures < 0).mean()),
        saving_worst=worst[0], saving_worst_otherwise=worst[1], gap=best.gap, by_year=by_year,
        prospects=prospects)
