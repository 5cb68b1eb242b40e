"""The comparison of strategies, place by place: the door of the cost room.

Markings come as a Poisson process whose yearly rate is uncertain with a gamma distribution; the
rate does not change over the horizon, and no strategy changes it unless the user says so. Means
are exact, by formula, at the numbers as stated; intervals and chances come from simulated futures,
each in a possible world of what unit costs, minutes, lives and effects may come to.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from rehit.costs.cashflow import (
    Expected,
    Pieces,
    Rows,
    Scales,
    Weights,
    coated_share,
    cost_at_rates,
    expected_costs,
    make_pieces,
    make_scales,
    make_weights,
    planned_years,
    renewals_of,
)
from rehit.costs.discounting import Timeline, adjusted_internal_rate_of_return, make_timeline
from rehit.costs.doubt import Doubt, draw_doubt
from rehit.costs.rates import LINES, checked_costing, require_rates
from rehit.costs.renewals import BATCH, gamma_hats
from rehit.costs.strategies import BASELINE, Strategy, load_strategies
from rehit.errors import SettingError
from rehit.messages import message
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

# Simulated futures of every place under every strategy, with common random numbers.
#
# Each future draws a rate from the place's gamma distribution and the markings of each year from
# a Poisson distribution. All strategies of a place meet the same markings, so that differences
# between them are not blurred. Places go through in small blocks, each with a random stream of
# its own: the result does not depend on how many processors work on it.

Numbers = NDArray[np.float64]
Floats = NDArray[np.float32]
BLOCK_BYTES = 8_000_000  # counts of one block of places, small enough to stay near the processor


@dataclass(frozen=True)
class Simulated:
    """What the futures say, each of shape (places, strategies).

    Attributes
    ----------
    mean, standard_error
        Of the present value.
    low, high
        Ends of its interval.
    chance_cheapest
        Share of the futures in which the strategy costs least among those allowed; the first
        named wins a tie.
    """

    mean: Numbers
    standard_error: Numbers
    low: Numbers
    high: Numbers
    chance_cheapest: Numbers


def simulate(pieces: Sequence[Pieces], weights: Sequence[Weights], *, shape: Numbers,
             rate_years: Numbers, draws: int, level: float, doubt: Doubt | None = None,
             rng: np.random.Generator, n_jobs: int = 1) -> Simulated:
    """Simulate every place under every strategy and sum up.

    Parameters
    ----------
    pieces, weights
        One of each per strategy, same order.
    shape, rate_years
        Gamma distribution of the yearly rate at each place.
    draws
        Futures per place, at least 2.
    level
        Probability inside the interval, such as 0.8.
    doubt
        Possible worlds of unit costs, minutes, lives and effects, one for each future and the
        same at every place; without it all of them are as stated.
    rng
        Source of randomness.
    n_jobs
        Threads (joblib; another joblib backend may take over).
    """
    years = weights[0].cleaning.shape[1]
    size = max(1, BLOCK_BYTES // (8 * draws * years))
    starts = range(0, len(shape), size)
    streams = rng.spawn(len(starts))
    blocks = (np.arange(start, min(start + size, len(shape))) for start in starts)
    parts = Parallel(n_jobs=n_jobs, prefer="threads")(
        delayed(_simulate_block)(pieces, weights, rows, shape[rows], rate_years[rows], draws,
                                 level, doubt, stream)
        for rows, stream in zip(blocks, streams, strict=True))
    stacked = np.concatenate(parts, axis=1) if parts else np.zeros((5, 0, len(pieces)))
    return Simulated(*stacked)


def simulated_costs(pieces: Sequence[Pieces], weights: Sequence[Weights], *,
                    rows: NDArray[np.int64], shape: Numbers, rate_years: Numbers, draws: int,
                    doubt: Doubt | None = None, rng: np.random.Generator) -> Floats:
    """Return the present values of some places' futures, shape (strategies, places, draws)."""
    years = weights[0].cleaning.shape[1]
    worlds = None if doubt is None else doubt.for_draws(draws)
    rate = rng.standard_gamma(shape[:, None], (len(shape), draws)) / rate_years[:, None]
    if worlds is not None:
        rate *= worlds.of("markings")
    counts = rng.poisson(rate[:, None, :], (len(shape), years, draws))
    met = {effect: _counts_met(counts, rate, effect, worlds, rng)
           for effect in dict.fromkeys(p.effect_on_rate for p in pieces)}
    result = np.empty((len(pieces), len(shape), draws), dtype=np.float32)
    for number, (piece, weight) in enumerate(zip(pieces, weights, strict=True)):
        seen = met[piece.effect_on_rate]
        slope = weight.cleaning[rows, None, :].astype(np.float32)
        cost = (slope @ seen)[:, 0, :]
        scales = None if worlds is None else make_scales(piece, weight, worlds, rows)
        if scales is not None:
            cost *= scales.cleaning
            cost += scales.fixed
        else:
            cost += weight.fixed[rows, None].astype(np.float32)
        _add_renewals(cost, seen, piece, weight, rows, worlds, scales)
        result[number] = cost
    return result


def _counts_met(counts: NDArray[np.int64], rate: Numbers, effect: float, worlds: Doubt | None,
                rng: np.random.Generator) -> Floats:
    """Return the markings that still come: thinned at random, or joined by more."""
    if effect == 0:
        return counts.astype(np.float32)
    share = effect * (1.0 if worlds is None else worlds.of("effect"))
    if effect > 0:
        return rng.binomial(counts, np.maximum(1 - share, 0.0)).astype(np.float32)
    more = rng.poisson((-share * rate)[:, None, :], counts.shape)
    return (counts + more).astype(np.float32)


def _add_renewals(cost: Floats, counts: Floats, piece: Pieces, weight: Weights,
                  rows: NDArray[np.int64], worlds: Doubt | None, scales: Scales | None) -> None:
    """Add to `cost`, in place, the renewals along each future, following the wear."""
    for part, ratio, at_cleaning, at_end in (
            (piece.repainting, None if scales is None else scales.repaint, weight.repaint, None),
            (piece.renewing, None if scales is None else scales.renewal, weight.by_cleaning,
             (weight.by_age[rows], weight.unused[rows]))):
        if part is None:
            continue
        here = part.at(rows)
        stands = here.life.cleanings[:, None], np.array([here.life.years])
        if worlds is not None:
            stands = here.lives(worlds)
        added = np.zeros_like(cost)
        _follow(added, counts, stands, here.life.reset_every, at_cleaning[rows], at_end)
        cost += added if ratio is None else added * ratio


def _follow(cost: Floats, counts: Floats, stands: tuple[Numbers, Numbers],
            every: NDArray[np.int64], by_cleaning: Numbers,
            at_end: tuple[Numbers, Numbers] | None) -> None:
    """Follow what wears out year by year.

    `at_end`: what a renewal by age and a wholly unused cover weigh; without it a reset costs
    nothing here.
    """
    by_age, unused_worth = at_end or (None, None)
    years, (cycles, lasts) = counts.shape[1], (part.astype(np.float32) for part in stands)
    per_life = np.where(np.isinf(cycles), np.float32(0), cycles)
    used, age = np.zeros_like(cost), np.zeros_like(cost)
    for year in range(years):
        used += counts[:, year]
        renewed = np.floor(used / cycles)
        cost += by_cleaning[:, year, None].astype(np.float32) * renewed
        used -= renewed * per_life
        reset = (every > 0) & ((year + 1) % np.maximum(every, 1) == 0)
        if by_age is not None:
            age += 1
            np.copyto(age, 1, where=renewed > 0)
        if year + 1 == years:
            break
        if by_age is not None and (reset.any() or (lasts < years).any()):
            due = (age >= lasts) | reset[:, None]
            cost += by_age[:, year, None].astype(np.float32) * due
            np.copyto(used, 0, where=due)
            np.copyto(age, 0, where=due)
        elif reset.any():
            used[reset] = 0
    if unused_worth is not None:
        unused = np.minimum(1 - age / lasts, 1 - used / cycles).clip(0)
        cost -= unused_worth[:, None].astype(np.float32) * unused


def _simulate_block(pieces: Sequence[Pieces], weights: Sequence[Weights],
                    rows: NDArray[np.int64], shape: Numbers, rate_years: Numbers, draws: int,
                    level: float, doubt: Doubt | None, rng: np.random.Generator) -> Numbers:
    costs = simulated_costs(pieces, weights, rows=rows, shape=shape, rate_years=rate_years,
                            draws=draws, doubt=doubt, rng=rng)
    allowed = np.array([p.allowed[rows] for p in pieces])
    usable = np.where(allowed[:, :, None], costs, np.float32(np.inf))
    winner = usable.argmin(axis=0)
    chance = np.array([(winner == number).mean(axis=1) for number in range(len(pieces))])
    mean = costs.mean(axis=2, dtype=np.float64)
    error = costs.std(axis=2, dtype=np.float64, ddof=1) / np.sqrt(draws)
    low = int(np.floor((1 - level) / 2 * (draws - 1)))
    high = draws - 1 - low
    costs.partition([low, high], axis=2)
    return np.stack([mean.T, error.T, costs[:, :, low].T, costs[:, :, high].T, chance.T])


# The re-hit rate at which two strategies cost the same.

GRID = 160  # rates looked at for a change of sign, evenly spaced in their square roots
HALVINGS = 14  # narrows a bracket so far that a straight line does the rest


def breakeven_rates(piece: Pieces, weights: Weights, other: Pieces, other_weights: Weights, *,
                    highest_rate: float) -> Numbers:
    """Return the lowest yearly rate at which two strategies cost the same, place by place.

    Returns
    -------
    numpy.ndarray
        Shape (places,). NaN where the first strategy is never the cheaper one up to
        `highest_rate`; 0 where it is at every rate.
    """
    def gap(rates: Numbers, rows: Rows = slice(None)) -> Numbers:
        return (cost_at_rates(piece.at(rows), weights.at(rows), rates)
                - cost_at_rates(other.at(rows), other_weights.at(rows), rates))

    grid = np.linspace(0, np.sqrt(highest_rate), GRID)[1:] ** 2
    size = len(weights.fixed)
    parts = [_bracket(gap, grid, np.arange(start, min(start + BATCH, size)))
             for start in range(0, size, BATCH)]
    if not parts:
        return np.zeros(0)
    low, high, starts_cheaper, answer = (np.concatenate(p) for p in zip(*parts, strict=True))
    open_rows = np.flatnonzero(np.isinf(answer))
    low, high, starts_cheaper = low[open_rows], high[open_rows], starts_cheaper[open_rows]
    for _ in range(HALVINGS if len(open_rows) else 0):
        middle = (low + high) / 2
        same_side = (gap(middle[:, None], open_rows)[:, 0] < 0) == starts_cheaper
        low, high = np.where(same_side, middle, low), np.where(same_side, high, middle)
    if len(open_rows):
        at_low, at_high = (gap(rate[:, None], open_rows)[:, 0] for rate in (low, high))
        rise = np.where(at_high == at_low, 1.0, at_high - at_low)
        answer[open_rows] = np.clip(low - at_low * (high - low) / rise, low, high)
    return answer


def _bracket(gap: Callable[[Numbers, Rows], Numbers], grid: Numbers,
             rows: NDArray[np.int64]) -> tuple[Numbers, Numbers, NDArray[np.bool_], Numbers]:
    """Return two rates around the lowest break-even, and the answer where there is none (else inf).
    """
    cheaper = gap(grid[None, :], rows) < 0
    changes = cheaper[:, 1:] != cheaper[:, :-1]
    at = changes.argmax(axis=1)
    low, high = grid[at].copy(), grid[at + 1].copy()
    starts_cheaper = cheaper[np.arange(len(at)), at]
    # The lowest stretch, from zero to the first grid point, may hide a change of its own.
    hidden = (gap(np.zeros((1, 1)), rows)[:, 0] > 0) & cheaper[:, 0]
    low[hidden], high[hidden], starts_cheaper[hidden] = 0.0, grid[0], False
    answer = np.where(cheaper.all(axis=1), 0.0, np.nan)
    answer[changes.any(axis=1) | hidden] = np.inf
    return low, high, starts_cheaper, answer


def breakeven_table(costing: pd.DataFrame, *,
                    strategies: Sequence[Strategy] | Path | str | None = None,
                    horizon_years: int | None = None,
                    parameters: Parameters | None = None) -> pd.DataFrame:
    """Return the break-even re-hit rate of every strategy against every other, place by place.

    Parameters
    ----------
    costing
        The `costing` table.
    strategies
        A file to load them from, or the strategies themselves; default the shipped ones.
    horizon_years
        Default: ``costs.horizon_years``.
    parameters
        Default: the shipped ones.

    Returns
    -------
    pandas.DataFrame
        The `breakevens` table: place_id, strategy, other_strategy, rate_per_year (NaN: never
        cheaper; 0: always).
    """
    parameters = parameters or load_parameters()
    require_rates(parameters)
    costing = checked_costing(costing, where="costs.breakeven_table")
    chosen = (load_strategies(strategies, parameters=parameters)
              if strategies is None or isinstance(strategies, Path | str) else strategies)
    years = int(horizon_years or parameters["costs.horizon_years"])
    timeline = make_timeline(years, parameters=parameters)
    pieces = make_pieces(costing, chosen, parameters=parameters)
    weights = [make_weights(p, timeline, parameters=parameters) for p in pieces]
    limit = parameters["costs.breakeven_rate_limit"]
    parts = [pd.DataFrame({
        "place_id": costing["place_id"], "strategy": chosen[i].name,
        "other_strategy": chosen[j].name,
        "rate_per_year": breakeven_rates(pieces[i], weights[i], pieces[j], weights[j],
                                         highest_rate=limit),
    }) for i, j in permutations(range(len(chosen)), 2)]
    return pd.concat(parts, ignore_index=True).sort_values(
        ["place_id", "strategy", "other_strategy"], ignore_index=True)


# What a decision needs to know of each strategy, from its expected costs.
#
# Everything is against the baseline, removing each time.

CENT = 0.005  # money differences below this are rounding


def payback_years(expected: Expected, baseline: Expected) -> Numbers:
    """Return the first year by whose end a strategy's cost so far is no more than the baseline's.

    Discounted expected costs, no credit for unused life; NaN where that never happens or nothing
    is paid at the start.
    """
    ahead = np.cumsum(baseline.by_year - expected.by_year, axis=1)
    pays = ahead[:, 1:] >= -CENT
    first = np.where(pays.any(axis=1), pays.argmax(axis=1) + 1.0, np.nan)
    return np.where(expected.by_year[:, 0] > baseline.by_year[:, 0] + CENT, first, np.nan)


def savings_ratio(expected: Expected, baseline: Expected) -> Numbers:
    """Return the savings-to-investment ratio: later savings per unit of extra first cost.

    References
    ----------
    NIST Handbook 135. Later savings are present values, credit for unused life included; NaN
    where no extra first cost is paid.
    """
    extra = expected.by_year[:, 0] - baseline.by_year[:, 0]
    later = ((baseline.by_year[:, 1:].sum(axis=1) - baseline.residual)
             - (expected.by_year[:, 1:].sum(axis=1) - expected.residual))
    found: Numbers = np.divide(later, extra, out=np.full(len(extra), np.nan), where=extra > CENT)
    return found


def expected_losses(pieces: Sequence[Pieces], expected: Sequence[Expected], *, shape: Numbers,
                    rate_years: Numbers) -> Numbers:
    """Return what each strategy is expected to cost beyond the best for the true rate.

    For the strategy cheapest on average this is the value of knowing the rate for certain: the
    most that finding out more about the place could be worth over the horizon. Only the rate's
    uncertainty counts, not the luck of later years, which nobody can find out.

    Returns
    -------
    numpy.ndarray
        Shape (places, strategies), present value; NaN where a strategy is not allowed.
    """
    losses = np.empty((len(shape), len(pieces)))
    # Places whose repaints fall due after as many patches share their curves: keep them together.
    order = np.lexsort([part.life.cleanings for p in pieces
                        for part in (p.repainting, p.renewing) if part is not None] or [shape])
    for start in range(0, len(shape), BATCH):
        part = order[start:start + BATCH]
        nodes, weights = gamma_hats(shape[part], rate_years[part])
        costs = np.stack([cost_at_rates(piece.at(part), known.weights.at(part), nodes)
                          for piece, known in zip(pieces, expected, strict=True)], axis=2)
        allowed = np.stack([piece.allowed[part] for piece in pieces], axis=1)
        best = np.where(allowed[:, None, :], costs, np.inf).min(axis=2)
        regret = np.einsum("pn,pns->ps", weights, costs - best[:, :, None])
        losses[part] = np.where(allowed, regret.clip(0), np.nan)
    return losses


@dataclass(frozen=True)
class Comparison:
    """Everything worked out on the way: strategies at places, by formula."""

    costing: pd.DataFrame
    strategies: tuple[Strategy, ...]
    timeline: Timeline
    pieces: list[Pieces]
    expected: list[Expected]
    shape: Numbers
    rate_years: Numbers

    @property
    def baseline(self) -> int:
        """Position of the baseline among the strategies."""
        return [s.name for s in self.strategies].index(BASELINE)


def compare_by_formula(costing: pd.DataFrame, *,
                       strategies: Sequence[Strategy] | Path | str | None = None,
                       horizon_years: int | None = None, schedule: str | None = None,
                       start_year: int = 0,
                       parameters: Parameters | None = None) -> Comparison:
    """Work out the expected costs of every strategy at every place.

    Parameters
    ----------
    costing
        The `costing` table: one row per place, with the gamma distribution of its yearly rate.
    strategies
        A file to load them from, or the strategies themselves; default the shipped ones.
    horizon_years
        Whole years looked ahead; default ``costs.horizon_years``.
    schedule
        A declining schedule of discount rates, such as ``green_book``.
    start_year
        Years from now after which the strategies start; present values are still today's.
    parameters
        Default: the shipped ones.

    Raises
    ------
    ManyErrors
        Listing every missing or contradictory rate, or fault of the costing table.
    """
    parameters = parameters or load_parameters()
    require_rates(parameters)
    if strategies is None or isinstance(strategies, Path | str):
        strategies = load_strategies(strategies, parameters=parameters)
    if BASELINE not in [s.name for s in strategies]:
        raise SettingError(message("where.strategies"), "errors.no_baseline",
                           names=tuple(s.name for s in strategies), baseline=BASELINE)
    costing = checked_costing(costing, where="costs.compare_strategies")
    years = horizon_years if horizon_years is not None else parameters["costs.horizon_years"]
    timeline = make_timeline(int(years), parameters=parameters, schedule=schedule,
                             start_year=start_year)
    pieces = make_pieces(costing, strategies, start_year=start_year, parameters=parameters)
    shape = costing["gamma_shape"].to_numpy(float)
    rate_years = costing["gamma_rate_years"].to_numpy(float)
    expected = [expected_costs(p, timeline, shape=shape, rate_years=rate_years,
                               parameters=parameters) for p in pieces]
    return Comparison(costing, tuple(strategies), timeline, pieces, expected, shape, rate_years)


def compare_strategies(costing: pd.DataFrame, *,
                       strategies: Sequence[Strategy] | Path | str | None = None,
                       horizon_years: int | None = None, schedule: str | None = None,
                       draws: int | None = None, n_jobs: int = -1,
                       doubt: Doubt | None = None, parameters: Parameters | None = None,
                       rng: np.random.Generator) -> pd.DataFrame:
    """Compare ways to look after each place over the years.

    Parameters
    ----------
    costing, strategies, horizon_years, schedule, parameters
        As for :func:`compare_by_formula`.
    draws
        Simulated futures per place; default ``costs.draws``.
    n_jobs
        Threads for the simulation; -1 = all processors. The result does not depend on it.
    doubt
        The possible worlds that intervals and chances look at; default: as many as futures,
        drawn from the ranges of ``doubt.csv``.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        The `strategy_costs` table, one row per place and strategy. Means are at the stated
        numbers; intervals and chances carry what is not known of unit costs, minutes, lives and
        effects as well as of rates. Strategies that may not be
        used at a place are priced too, with ``allowed`` False: they are never cheapest.

    Examples
    --------
    >>> place = pd.DataFrame({
    ...     "place_id": ["W1"], "gamma_shape": [8.0], "gamma_rate_years": [2.0],
    ...     "mark_area_m2": [1.5], "wall_area_m2": [12.0], "method": ["hot_wash"],
    ...     "coating_allowed": [True], "access": ["ground"], "traffic_control": [False]})
    >>> costs = compare_strategies(place, horizon_years=10, rng=np.random.default_rng(1))
    >>> costs.loc[costs["cheapest"], "strategy"].tolist()
    ['permanent_coating']
    """
    parameters = parameters or load_parameters()
    comparison = compare_by_formula(costing, strategies=strategies, horizon_years=horizon_years,
                                    schedule=schedule, parameters=parameters)
    size = int(draws or parameters["costs.draws"])
    simulated = simulate(
        comparison.pieces, [e.weights for e in comparison.expected], shape=comparison.shape,
        rate_years=comparison.rate_years, draws=size, level=parameters["costs.interval_level"],
        doubt=doubt or draw_doubt(parameters, draws=size, rng=rng), rng=rng, n_jobs=n_jobs)
    table = strategy_table(comparison, simulated, parameters=parameters)
    check(table, "strategy_costs", where="costs.compare_strategies")
    return table


def strategy_table(comparison: Comparison, simulated: Simulated, *,
                   parameters: Parameters) -> pd.DataFrame:
    """Put formula and simulation together as the `strategy_costs` table."""
    losses = expected_losses(comparison.pieces, comparison.expected, shape=comparison.shape,
                             rate_years=comparison.rate_years)
    frames = [_one_strategy(comparison, simulated, losses, number, parameters)
              for number in range(len(comparison.strategies))]
    order = np.arange(len(comparison.costing)).repeat(len(frames))
    stacked = pd.concat(frames, ignore_index=True)
    by_place = np.arange(len(stacked)).reshape(len(frames), -1).T.ravel()
    table = stacked.iloc[by_place].reset_index(drop=True)
    usable = table["pv_mean"].where(table["allowed"])
    table["cheapest"] = usable.groupby(order).rank(method="first") == 1
    return table


def _one_strategy(comparison: Comparison, simulated: Simulated, losses: Numbers, number: int,
                  parameters: Parameters) -> pd.DataFrame:
    pieces, expected = comparison.pieces[number], comparison.expected[number]
    base = comparison.expected[comparison.baseline]
    same = number == comparison.baseline
    ratio = savings_ratio(expected, base)
    missing = np.full(len(ratio), np.nan)
    rates = missing if same else breakeven_rates(
        pieces, expected.weights, comparison.pieces[comparison.baseline], base.weights,
        highest_rate=parameters["costs.breakeven_rate_limit"])
    return pd.DataFrame({
        "place_id": comparison.costing["place_id"],
        "strategy": comparison.strategies[number].name,
        "pv_mean": expected.present_value,
        "pv_low": simulated.low[:, number], "pv_high": simulated.high[:, number],
        "annual_cost": expected.present_value / comparison.timeline.annuity,
        "chance_cheapest": simulated.chance_cheapest[:, number],
        "breakeven_rate_per_year": rates,
        "first_cost": expected.by_year[:, 0],
        "payback_year": missing if same else payback_years(expected, base),
        "wash_water_l": expected.water_l,
        "allowed": pieces.allowed, "why_not": pd.Series(pieces.why_not, dtype="str"),
        "expected_regret": losses[:, number],
        "savings_ratio": ratio,
        "yearly_yield": adjusted_internal_rate_of_return(
            ratio, discount_rate=parameters["costs.discount_rate"],
            n_years=comparison.timeline.years),
        "saving": base.present_value - expected.present_value,
        "crew_hours_first": pieces.hours,
    })


# Cash flows year by year and line by line, for a reader who wants to add them up.

def cash_flow_table(costing: pd.DataFrame, *,
                    strategies: Sequence[Strategy] | Path | str | None = None,
                    horizon_years: int | None = None, schedule: str | None = None,
                    nominal: bool = False, parameters: Parameters | None = None) -> pd.DataFrame:
    """Return the expected cash flows of every strategy at every place.

    Parameters
    ----------
    costing
        The `costing` table.
    strategies, horizon_years, schedule, parameters
        As for :func:`rehit.costs.lifecycle.compare_by_formula`.
    nominal
        Show money of the day instead of today's prices. Present values are the same.

    Returns
    -------
    pandas.DataFrame
        The `cash_flows` table: place_id, strategy, year (0 = now), item, line, amount, discounted.
        The discounted amounts of a strategy add up to its ``pv_mean``. Empty lines are left out.
    """
    parameters = parameters or load_parameters()
    comparison = compare_by_formula(costing, strategies=strategies, horizon_years=horizon_years,
                                    schedule=schedule, parameters=parameters)
    timeline = make_timeline(comparison.timeline.years, parameters=parameters, schedule=schedule,
                             nominal=nominal)
    frames = [
        _long(item, amounts, discounted, comparison.costing["place_id"], strategy.name)
        for strategy, pieces in zip(comparison.strategies, comparison.pieces, strict=True)
        for item, amounts, discounted in _items(pieces, timeline, comparison.shape,
                                                comparison.rate_years, parameters)]
    table = pd.concat(frames, ignore_index=True)
    table = table[table["amount"] != 0].groupby(
        ["place_id", "strategy", "year", "item", "line"], as_index=False, sort=False).sum()
    order = {name: number for number, name in enumerate(s.name for s in comparison.strategies)}
    rank = table["strategy"].map(order)
    table = table.assign(_rank=rank).sort_values(["place_id", "_rank", "year"], kind="stable")
    table = table.drop(columns="_rank").reset_index(drop=True)
    check(table, "cash_flows", where="costs.cash_flow_table")
    return table


def _items(pieces: Pieces, timeline: Timeline, shape: Numbers, rate_years: Numbers,
           parameters: Parameters) -> list[tuple[str, Numbers, Numbers]]:
    """Return item, amounts and discounted amounts, each of shape (places, lines, years + 1)."""
    years = timeline.years
    thinned = rate_years / max(1 - pieces.effect_on_rate, 1e-12)
    repaints, renewals = renewals_of(pieces, shape=shape, rate_years=thinned, years=years)
    events = np.repeat((shape / thinned)[:, None], years, axis=1)
    always, kept = np.ones_like(events), coated_share(pieces, years)
    due = planned_years(pieces.planned_every, years).astype(float)
    running = (timeline.growth_running, timeline.running)
    ends = (timeline.growth_year_end, timeline.year_end)
    found = [("first_cost", *_at_start(pieces.first, timeline)),
             ("cleaning", *_spread(pieces.per_cleaning, events * (1 - kept), running)),
             ("cleaning", *_spread(pieces.coated, events * kept, running)),
             ("upkeep", *_spread(pieces.yearly, always, running)),
             ("planned_repaint", *_spread(pieces.planned, due, ends))]
    if pieces.repainting is not None:
        found.append(("repaint_for_patch", *_spread(
            pieces.repainting.lines, repaints * (1 - kept), running)))
    if pieces.renewing is None:
        return found
    lines, at_end = pieces.renewing.lines, np.zeros_like(events)
    at_end[:, -1] = -parameters["costs.residual_share"] * renewals.unused
    return [*found, ("renewal_at_cleaning", *_spread(lines, renewals.by_cleaning, running)),
            ("renewal_by_age", *_spread(lines, renewals.by_age, ends)),
            ("unused_life", *_spread(lines, at_end, ends))]


def _at_start(lines: Numbers, timeline: Timeline) -> tuple[Numbers, Numbers]:
    shape = (*lines.shape, timeline.years + 1)
    amounts, discounted = np.zeros(shape), np.zeros(shape)
    amounts[:, :, 0], discounted[:, :, 0] = lines * timeline.growth_start, lines * timeline.start
    return amounts, discounted


def _spread(lines: Numbers, times: Numbers,
            factors: tuple[Numbers, Numbers]) -> tuple[Numbers, Numbers]:
    growth, present = factors
    events = lines[:, :, None] * times[:, None, :]
    empty = np.zeros((*lines.shape, 1))
    return (np.concatenate([empty, events * growth], axis=2),
            np.concatenate([empty, events * present], axis=2))


def _long(item: str, amounts: Numbers, discounted: Numbers, places: pd.Series,
          strategy: str) -> pd.DataFrame:
    place, line, year = np.nonzero(amounts)
    return pd.DataFrame({
        "place_id": places.to_numpy()[place], "strategy": strategy, "year": year, "item": item,
        "line": np.array(LINES)[line], "amount": amounts[place, line, year],
        "discounted": discounted[place, line, year]})
