"""How often a cover or a repaint falls due when its life is counted in cleanings and years.

Markings arrive as a Poisson process whose yearly rate is uncertain (gamma). A cover is renewed at
its K-th cleaning, or at the end of the year in which it reaches its life in years, whichever comes
first. Conventions: the year in which a cover is laid counts as a whole year of its life, and a
cover that falls due at the end of the last year is not renewed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.linalg import eigvalsh_tridiagonal
from scipy.special import betainc, gammainc, gammaincinv, gammaln
from scipy.stats import nbinom, poisson

# Rates and weights that stand for a gamma distribution of the yearly rate.

Numbers = NDArray[np.float64]
NODES = 64  # error of ten years' renewals below 0.003 at the widest rates tried
HATS = 72  # grid of rates where the cheapest strategy changes from rate to rate
BEYOND = 1e-6  # chance of a rate past that grid
MANY_SHAPES = 2000  # above this many different shapes they are snapped to a fine grid
NEGLIGIBLE = 1e-14
SNAP = 0.002  # relative step of that grid: the variance of the rate moves by 0.1 % at most


def gamma_nodes(shape: Numbers, rate_years: Numbers, *,
                n_nodes: int = NODES) -> tuple[Numbers, Numbers]:
    """Return rates and weights that stand for each place's gamma distribution.

    References
    ----------
    Golub and Welsch 1969, Calculation of Gauss quadrature rules: the nodes are the eigenvalues of
    the Jacobi matrix of the generalised Laguerre polynomials.

    Examples
    --------
    >>> rates, weights = gamma_nodes(np.array([3.0]), np.array([2.0]))
    >>> round(float((rates * weights).sum()), 9)
    1.5
    """
    unique, back = _few_shapes(shape)
    rates, weights = _unit_rule(tuple(unique.tolist()), n_nodes)
    return rates[back] * (shape / rate_years)[:, None], weights[back]


@lru_cache(maxsize=8)
def _unit_rule(shapes: tuple[float, ...], n_nodes: int) -> tuple[Numbers, Numbers]:
    """Return rates of mean one and their weights for each shape: the same in every world drawn."""
    shape, k = np.array(shapes)[:, None], np.arange(n_nodes)
    diagonal = 2 * k + shape
    off = np.sqrt(k[1:] * (k[1:] + shape - 1))
    values = np.array([eigvalsh_tridiagonal(d, e) for d, e in zip(diagonal, off, strict=True)]
                      ).reshape(-1, n_nodes).clip(0)
    weights = _quadrature_weights(values, diagonal, off)
    rates = values / shape
    # Nodes that weigh nothing would only stretch the grid of rates.
    rates[weights < NEGLIGIBLE] = 0.0
    return rates, weights


def gamma_hats(shape: Numbers, rate_years: Numbers, *,
               n_nodes: int = HATS) -> tuple[Numbers, Numbers]:
    """Return rates and weights for curves with a kink, such as the cost of the cheapest strategy.

    The curve is taken as straight between neighbouring rates and met exactly by the distribution:
    Gauss' rule, which trusts in smooth curves, misses several per cent there.

    Examples
    --------
    >>> rates, weights = gamma_hats(np.array([3.0]), np.array([2.0]))
    >>> round(float(weights.sum()), 9), round(float((rates * weights).sum()), 4)
    (1.0, 1.5)
    """
    unique, back = _few_shapes(shape)
    top = np.sqrt(gammaincinv(unique, 1 - BEYOND))
    grid = (top[:, None] * np.linspace(0, 1, n_nodes)) ** 2
    below = np.diff(gammainc(unique[:, None], grid), axis=1)
    moment = np.diff(unique[:, None] * gammainc(unique[:, None] + 1, grid), axis=1)
    upper = (moment - grid[:, :-1] * below) / np.diff(grid, axis=1)
    weights = np.zeros_like(grid)
    weights[:, :-1] += below - upper
    weights[:, 1:] += upper
    weights[:, -1] += 1 - below.sum(axis=1)
    return grid[back] / unique[back, None] * (shape / rate_years)[:, None], weights[back]


def _few_shapes(shape: Numbers) -> tuple[Numbers, NDArray[np.int64]]:
    """Return the different shapes, snapped to a grid where they are many, and each place's own."""
    unique, back = np.unique(shape, return_inverse=True)
    if len(unique) > MANY_SHAPES:
        unique, back = np.unique(np.exp(np.round(np.log(shape) / SNAP) * SNAP),
                                 return_inverse=True)
    return unique, back


def _quadrature_weights(nodes: Numbers, diagonal: Numbers, off: Numbers) -> Numbers:
    """Return 1 over the sum of the squared orthonormal polynomials at each node."""
    before, here = np.zeros_like(nodes), np.ones_like(nodes)
    total = np.ones_like(nodes)
    for k in range(off.shape[1]):
        back = off[:, k - 1, None] * before if k else 0.0
        before, here = here, ((nodes - diagonal[:, k, None]) * here - back) / off[:, k, None]
        total += here**2
    return 1 / total


Complexes = NDArray[np.complex128]
SPLINE_PER_UNIT = 40  # grid points per unit of the square root of the rate
BATCH = 4000  # places mixed at once, to bound memory
NEVER = 1e-13  # a life in cleanings this unlikely to be used up is treated as endless
MOST_BY_ROOTS = 10_000  # cleanings of a life; the roots of longer ones would fill the memory
BLOCK = 100_000  # states followed at once, few enough to stay near the processor
TERMS = 64  # lives looked at together where a life is longer


@dataclass(frozen=True)
class Counts:
    """The distribution of the markings that come in t years at each place.

    Attributes
    ----------
    yearly
        Mean in one year, shape (places,).
    generating
        Of t and z, its generating function at each place and z.
    at_least
        Of t and n, the chance of n or more at each place and n.
    """

    yearly: Numbers
    generating: Callable[[float, Complexes], Complexes]
    at_least: Callable[[float, Numbers], Numbers]


@dataclass(frozen=True)
class Life:
    """When something has to be renewed.

    Attributes
    ----------
    cleanings
        Cleanings it stands at each place, shape (places,); infinite = no limit.
    years
        Whole years it lasts; infinite = no limit.
    reset_every
        Years after which it is renewed at each place whatever its state (planned repaints); 0 =
        never.
    """

    cleanings: Numbers
    years: float
    reset_every: NDArray[np.int64]


@dataclass(frozen=True)
class Renewals:
    """Expected renewals: at a cleaning within each year, at each year's end, and what is left.

    Attributes
    ----------
    by_cleaning, by_age
        Shape (places, years).
    unused
        Expected unused share of the last cover's life at the horizon, shape (places,).
    """

    by_cleaning: Numbers
    by_age: Numbers
    unused: Numbers


def expected_patch_repaints(shape: Numbers, rate_years: Numbers, life: Life, *,
                            years: int) -> Numbers:
    """Return the expected renewals in each year where only cleanings count, in closed form.

    The count C(t) over t years is negative binomial with generating function
    G(z) = (1 + (1 - z) t / rate_years) ** -shape. Its whole number of lives K is
    (E C - E[C mod K]) / K, and the remainder follows from G at the K-th roots of unity w:
    E[C mod K] = (K - 1) / 2 + sum over m = 1 .. K - 1 of G(w^m) / (w^-m - 1).

    Parameters
    ----------
    shape, rate_years
        Gamma distribution of the yearly rate at each place; an infinite shape is not allowed.
    life
        Its `years` is not looked at.
    years
        Horizon.

    Examples
    --------
    >>> life = Life(np.array([1.0]), np.inf, np.array([0]))
    >>> expected_patch_repaints(np.array([2.0]), np.array([1.0]), life, years=2).round(9).tolist()
    [[2.0, 2.0]]
    """
    result = np.zeros((len(shape), years))
    unlikely = nbinom.sf(np.where(np.isinf(life.cleanings), 0, life.cleanings) - 1, shape,
                         rate_years / (rate_years + years)) < NEVER
    needed = np.isfinite(life.cleanings) & ~unlikely
    for cycles, every in _groups(life, needed):
        rows = np.flatnonzero(needed & (life.cleanings == cycles) & (life.reset_every == every))
        result[rows] = _lives_by_year(_mixed_counts(shape[rows], rate_years[rows]), int(cycles),
                                      reset_every=every, years=years)
    return result


def _mixed_counts(shape: Numbers, rate_years: Numbers) -> Counts:
    def generating(t: float, z: Complexes) -> Complexes:
        return np.asarray((1 + (1 - z) * t / rate_years[:, None]) ** -shape[:, None])

    def at_least(t: float, n: Numbers) -> Numbers:
        return np.asarray(betainc(n, shape[:, None], t / (rate_years[:, None] + t)))

    return Counts(shape / rate_years, generating, at_least)


def patch_repaints_at_rate(rates: Numbers, *, cycles: float, reset_every: int,
                           years: int) -> Numbers:
    """Return the expected renewals in each year where only cleanings count and the rate is known.

    The generating function is then that of the Poisson distribution, exp(-rate t (1 - z)).
    """
    if np.isinf(cycles) or poisson.sf(cycles - 1, float(np.max(rates)) * years) < NEVER:
        return np.zeros((len(rates), years))

    def generating(t: float, z: Complexes) -> Complexes:
        return np.asarray(np.exp(-t * rates[:, None] * (1 - z)))

    def at_least(t: float, n: Numbers) -> Numbers:
        return np.asarray(gammainc(n, rates[:, None] * t))

    return _lives_by_year(Counts(rates, generating, at_least), int(cycles),
                          reset_every=reset_every, years=years)


def _lives_by_year(counts: Counts, cycles: int, *, reset_every: int, years: int) -> Numbers:
    """Return the expected whole lives used up in each year, counting afresh after each reset."""
    span = min(years, reset_every) if reset_every else years
    ended = np.column_stack([np.zeros(len(counts.yearly)), *(
        _whole_lives(counts, t, cycles) for t in range(1, span + 1))])
    return np.diff(ended, axis=1)[:, np.arange(years) % span].clip(0)


def _whole_lives(counts: Counts, t: float, cycles: int) -> Numbers:
    mean = counts.yearly * t
    if cycles == 1:
        return mean
    if cycles > MOST_BY_ROOTS:
        return _whole_lives_by_tail(counts, t, cycles)
    half = np.arange(1, cycles // 2 + 1)
    root = np.exp(2j * np.pi * half / cycles)
    # Roots come in conjugate pairs: twice the real part, but once where w = -1.
    weight = np.where(2 * half == cycles, 1.0, 2.0)
    remainder = (cycles - 1) / 2 + (counts.generating(t, root) / (1 / root - 1)).real @ weight
    return np.asarray((mean - remainder) / cycles)


def _whole_lives_by_tail(counts: Counts, t: float, cycles: int) -> Numbers:
    """Add up the chances of one life at least, of two at least, and so on."""
    lives, numbers = np.zeros(len(counts.yearly)), np.arange(1.0, TERMS + 1)
    while True:
        chances = counts.at_least(t, numbers * cycles)
        lives += chances.sum(axis=1)
        if (chances[:, -1] < NEVER).all():
            return lives
        numbers += TERMS


def expected_renewals(shape: Numbers, rate_years: Numbers, life: Life, *, years: int) -> Renewals:
    """Return expected renewals by cleanings and by age, mixed over the uncertain rate."""
    by_cleaning, by_age = np.zeros((2, len(shape), years))
    unused = np.zeros(len(shape))
    all_nodes, all_weights = gamma_nodes(shape, rate_years)
    for cycles, every in _groups(life, np.ones(len(shape), dtype=bool)):
        rows = np.flatnonzero((life.cleanings == cycles) & (life.reset_every == every))
        nodes, weights = all_nodes[rows], all_weights[rows]
        curves = renewal_curves(float(nodes.max()), cycles=cycles, life_years=life.years,
                                reset_every=int(every), years=years)
        for start in range(0, len(rows), BATCH):
            part = slice(start, start + BATCH)
            mixed = np.einsum("pn,pnk->pk", weights[part], curves(np.sqrt(nodes[part]))).clip(0)
            by_cleaning[rows[part]] = mixed[:, :years]
            by_age[rows[part]] = mixed[:, years:2 * years]
            unused[rows[part]] = mixed[:, -1]
    if life.years >= years:
        # Age never ends a life before the horizon: the closed form holds and is exact.
        by_cleaning = expected_patch_repaints(shape, rate_years, life, years=years)
    return Renewals(by_cleaning, by_age, unused)


def renewal_curves(highest_rate: float, *, cycles: float, life_years: float, reset_every: int,
                   years: int) -> CubicSpline:
    """Return a spline in the square root of the rate: renewals by cleaning and by age, unused."""
    return _renewal_curves(_rounded_up(highest_rate), cycles, life_years, reset_every, years)


@lru_cache(maxsize=256)
def _renewal_curves(highest_rate: float, cycles: float, life_years: float, reset_every: int,
                    years: int) -> CubicSpline:
    grid = _rate_grid(highest_rate)
    exact = renewals_at_rate(grid**2, cycles=cycles, life_years=life_years,
                             reset_every=reset_every, years=years)
    return CubicSpline(grid, np.column_stack([exact.by_cleaning, exact.by_age, exact.unused]))


def patch_repaint_curves(highest_rate: float, *, cycles: float, reset_every: int,
                         years: int) -> CubicSpline:
    """Return a spline in the square root of the rate: repaints in each year."""
    return _patch_repaint_curves(_rounded_up(highest_rate), cycles, reset_every, years)


@lru_cache(maxsize=1024)
def _patch_repaint_curves(highest_rate: float, cycles: float, reset_every: int,
                          years: int) -> CubicSpline:
    grid = _rate_grid(highest_rate)
    return CubicSpline(grid, patch_repaints_at_rate(grid**2, cycles=cycles,
                                                    reset_every=reset_every, years=years))


def _rounded_up(rate: float) -> float:
    # Few different limits, so that batches of places share the curves kept in memory.
    return float(4.0 ** np.ceil(np.log2(max(rate, 1e-3)) / 2))


def _rate_grid(highest_rate: float) -> Numbers:
    """Return square roots of rates, from zero up, close enough for a spline through them."""
    top = np.sqrt(highest_rate)
    return np.linspace(0, top, int(np.clip(np.ceil(SPLINE_PER_UNIT * top), 20, 1200)))


def renewals_at_rate(rates: Numbers, *, cycles: float, life_years: float, reset_every: int,
                     years: int) -> Renewals:
    """Return expected renewals where the rate is known.

    Where a whole life in cleanings is all but certain to be used up every year no cover grows old,
    and the closed form holds; elsewhere the cover's state is followed.
    """
    often = poisson.cdf(cycles - 1, rates) < NEVER
    states = (min(life_years, years) + 1) * (cycles if np.isfinite(cycles) else 1)
    blocks = np.array_split(np.flatnonzero(~often), max(1, int((~often).sum() * states // BLOCK)))
    by_cleaning, by_age = np.zeros((2, len(rates), years))
    unused = np.zeros(len(rates))
    for rows, at_rate in ((np.flatnonzero(often), _renewed_every_year),
                          *((block, _by_state) for block in blocks)):
        if len(rows):
            found = at_rate(rates[rows], cycles=cycles, life_years=life_years,
                            reset_every=reset_every, years=years)
            by_cleaning[rows], by_age[rows] = found.by_cleaning, found.by_age
            unused[rows] = found.unused
    return Renewals(by_cleaning, by_age, unused)


def _renewed_every_year(rates: Numbers, *, cycles: float, life_years: float, reset_every: int,
                        years: int) -> Renewals:
    every = 1 if life_years == 1 else reset_every
    number = np.arange(1, years + 1)
    ends = (number % every == 0) & (number < years) if every else np.zeros(years, dtype=bool)
    since = (years - 1) % every + 1 if every else years
    left = np.minimum(1 - 1 / life_years, 1 - np.arange(cycles) / cycles)
    return Renewals(
        patch_repaints_at_rate(rates, cycles=cycles, reset_every=every, years=years),
        np.tile(ends.astype(float), (len(rates), 1)),
        _remainders(rates * since, int(cycles)) @ left)


def _by_state(rates: Numbers, *, cycles: float, life_years: float, reset_every: int,
              years: int) -> Renewals:
    """Follow the cover's state exactly.

    The state at a year's end is (years of life used, cleanings used); the number of cleanings in
    a year is Poisson.
    """
    n_ages = int(min(life_years, years)) + 1
    n_used = int(cycles) if np.isfinite(cycles) else 1
    step = _year_step(rates, n_used) if np.isfinite(cycles) else None
    state = np.zeros((len(rates), n_ages, n_used))
    state[:, 0, 0] = 1.0
    by_cleaning, by_age = np.zeros((2, len(rates), years))
    for year in range(years):
        reached = min(year + 1, n_ages - 1)  # no cover is older than that yet
        aged = np.zeros_like(state)
        if step is None:
            aged[:, 1:reached + 1] = state[:, :reached]
        else:
            by_cleaning[:, year] = np.einsum("rau,ru->r", state, step.gain)
            aged[:, 1:reached + 1] = step.kept(state[:, :reached])
            # Renewed within the year: by its end that year counts as one of the new cover's life.
            aged[:, 1] += step.renewed(state.sum(axis=1))
        state = aged
        if year + 1 < years:
            due = np.zeros(n_ages, dtype=bool)
            due[-1] = np.isfinite(life_years) and n_ages - 1 == life_years
            if reset_every and (year + 1) % reset_every == 0:
                due[:] = True
            share = state[:, due].sum(axis=(1, 2))
            by_age[:, year] = share
            state[:, due] = 0.0
            state[:, 0, 0] += share
    left = np.minimum(1 - np.arange(n_ages)[:, None] / life_years,
                      1 - np.arange(n_used)[None, :] / cycles).clip(0)
    return Renewals(by_cleaning, by_age, np.einsum("rau,au->r", state, left))


@dataclass(frozen=True)
class _YearStep:
    """One year's cleanings at each rate, as the Fourier transforms of their distributions.

    Attributes
    ----------
    exactly
        Of the chance of n cleanings, padded so that a sum never wraps around.
    remainder
        Of the chance of n cleanings more than whole lives.
    gain
        Expected renewals in the year by the cleanings used before it.
    """

    exactly: Complexes
    remainder: Complexes
    gain: Numbers

    def kept(self, state: Numbers) -> Numbers:
        """Return where covers stand that were not renewed in the year."""
        size = state.shape[-1]
        moved = np.fft.rfft(state, 2 * size) * self.exactly[:, None, :]
        return np.asarray(np.fft.irfft(moved, 2 * size)[..., :size].clip(0))

    def renewed(self, total: Numbers) -> Numbers:
        """Return where covers stand that were renewed in the year, all ages together."""
        size = total.shape[-1]
        anyhow = np.fft.irfft(np.fft.rfft(total) * self.remainder, size)
        return np.asarray((anyhow - self.kept(total[:, None, :])[:, 0]).clip(0))


def _year_step(rates: Numbers, n_used: int) -> _YearStep:
    used = np.arange(n_used)
    remainder = _remainders(rates, n_used)
    with np.errstate(divide="ignore", invalid="ignore"):
        powers = np.where(used == 0, 0.0, used * np.log(rates[:, None]))
    exactly = np.exp(powers - rates[:, None] - gammaln(used + 1))
    spread = np.fft.rfft(remainder)
    left = np.fft.irfft(spread.conj() * np.fft.rfft(used.astype(float)), n_used)
    return _YearStep(np.fft.rfft(exactly, 2 * n_used), spread,
                     ((used + rates[:, None] - left) / n_used).clip(0))


def _remainders(mean: Numbers, cycles: int) -> Numbers:
    """Return the chance of each number of cleanings more than whole lives, (rates, cycles)."""
    turn = np.exp(-2j * np.pi * np.arange(cycles) / cycles) - 1
    return np.fft.ifft(np.exp(np.outer(mean, turn)), axis=1).real.clip(0)


def _groups(life: Life, needed: NDArray[np.bool_]) -> list[tuple[float, int]]:
    pairs = np.column_stack([life.cleanings, life.reset_every])[needed]
    return [(float(c), int(e)) for c, e in np.unique(pairs, axis=0)] if len(pairs) else []
