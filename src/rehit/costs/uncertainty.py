"""Simulated futures of every place under every strategy, with common random numbers.

Each future draws a rate from the place's gamma distribution and the markings of each year from a
Poisson distribution. All strategies of a place meet the same markings, so that differences between
them are not blurred. Places go through in small blocks, each with a random stream of its own: the
result does not depend on how many processors work on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

from rehit.costs.pieces import Pieces, Weights

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
             rate_years: Numbers, draws: int, level: float, rng: np.random.Generator,
             n_jobs: int = 1) -> Simulated:
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
                                 level, stream)
        for rows, stream in zip(blocks, streams, strict=True))
    stacked = np.concatenate(parts, axis=1) if parts else np.zeros((5, 0, len(pieces)))
    return Simulated(*stacked)


def simulated_costs(pieces: Sequence[Pieces], weights: Sequence[Weights], *,
                    rows: NDArray[np.int64], shape: Numbers, rate_years: Numbers, draws: int,
                    rng: np.random.Generator) -> Floats:
    """Return the present values of some places' futures, shape (strategies, places, draws)."""
    years = weights[0].cleaning.shape[1]
    rate = rng.standard_gamma(shape[:, None], (len(shape), draws)) / rate_years[:, None]
    counts = rng.poisson(rate[:, None, :], (len(shape), years, draws))
    met = {effect: _counts_met(counts, rate, effect, rng)
           for effect in dict.fromkeys(p.effect_on_rate for p in pieces)}
    result = np.empty((len(pieces), len(shape), draws), dtype=np.float32)
    for number, (piece, weight) in enumerate(zip(pieces, weights, strict=True)):
        seen = met[piece.effect_on_rate]
        slope = weight.cleaning[rows, None, :].astype(np.float32)
        cost = (slope @ seen)[:, 0, :] + weight.fixed[rows, None].astype(np.float32)
        _add_renewals(cost, seen, piece, weight, rows)
        result[number] = cost
    return result


def _counts_met(counts: NDArray[np.int64], rate: Numbers, effect: float,
                rng: np.random.Generator) -> Floats:
    """Return the markings that still come: thinned at random, or joined by more."""
    if effect == 0:
        return counts.astype(np.float32)
    if effect > 0:
        return rng.binomial(counts, 1 - effect).astype(np.float32)
    more = rng.poisson(-effect * rate[:, None, :], counts.shape)
    return (counts + more).astype(np.float32)


def _add_renewals(cost: Floats, counts: Floats, piece: Pieces, weight: Weights,
                  rows: NDArray[np.int64]) -> None:
    """Add to `cost`, in place, the renewals along each future, following the cover's state."""
    if piece.renewing is None:
        return
    life, years = piece.renewing.life, counts.shape[1]
    cycles = life.cleanings[rows, None].astype(np.float32)
    every = life.reset_every[rows]
    follows_age = piece.renewing.credited
    used = np.zeros_like(cost)
    age = np.zeros_like(cost)
    for year in range(years):
        used += counts[:, year]
        renewed = np.floor(used / cycles)
        cost += weight.by_cleaning[rows, year, None].astype(np.float32) * renewed
        np.subtract(used, renewed * np.where(np.isinf(cycles), 0, cycles), out=used)
        reset = (every > 0) & ((year + 1) % np.maximum(every, 1) == 0)
        if follows_age:
            age += 1
            np.copyto(age, 1, where=renewed > 0)
        if year + 1 == years:
            break
        if follows_age and (reset.any() or life.years < years):
            due = (age >= life.years) | reset[:, None]
            cost += weight.by_age[rows, year, None].astype(np.float32) * due
            np.copyto(used, 0, where=due)
            np.copyto(age, 0, where=due)
        elif reset.any():
            used[reset] = 0
    if follows_age:
        unused = np.minimum(1 - age / life.years, 1 - used / cycles).clip(0)
        cost -= weight.unused[rows, None].astype(np.float32) * unused


def _simulate_block(pieces: Sequence[Pieces], weights: Sequence[Weights],
                    rows: NDArray[np.int64], shape: Numbers, rate_years: Numbers, draws: int,
                    level: float, rng: np.random.Generator) -> Numbers:
    costs = simulated_costs(pieces, weights, rows=rows, shape=shape, rate_years=rate_years,
                            draws=draws, rng=rng)
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
