"""Which places are truly among the worst: ranks that carry the doubt about each rate."""

from __future__ import annotations

import numpy as np
from scipy.special import gammaincc, gammaincinv

from rehit.errors import SettingError

# Work limits of the simulation, not assumptions: values drawn at once, draws per place.
VALUES_AT_ONCE = 4_000_000
LEFT_OUT = 0.02
LEAST_DRAWS = 200  # standard error of a mean rank: a 14th of the rank's own spread


def gamma_interval(shape: np.ndarray, rate_years: np.ndarray, *,
                   level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the equal-tailed interval of each gamma distributed rate.

    Parameters
    ----------
    shape, rate_years
        Gamma posterior of each place, shape (n,).
    level
        Share of the probability inside, such as 0.9.

    Examples
    --------
    >>> low, high = gamma_interval(np.array([4.5]), np.array([2.0]), level=0.9)
    >>> low.round(3), high.round(3)
    (array([0.831]), array([4.23]))
    """
    tail = (1.0 - level) / 2.0
    return gammaincinv(shape, tail) / rate_years, gammaincinv(shape, 1.0 - tail) / rate_years


def chance_above(shape: np.ndarray, rate_years: np.ndarray,
                 threshold_per_year: float) -> np.ndarray:
    """Return each place's chance that its true rate exceeds `threshold_per_year`.

    Examples
    --------
    >>> chance_above(np.array([4.5]), np.array([2.0]), 2.0).round(3)
    array([0.534])
    """
    return gammaincc(shape, rate_years * threshold_per_year)


def posterior_ranks(shape: np.ndarray, rate_years: np.ndarray, *, top: int, draws: int,
                    rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Simulate the rates and return mean rank (1 = worst) and chance of being among the `top`.

    Assumption: rates are independent given the posterior of each.

    Parameters
    ----------
    shape, rate_years
        Gamma posterior of each place, shape (n,).
    top
        How many places count as the worst, at least 1.
    draws
        Simulated sets of rates for the chance of being in the top. The mean rank uses fewer where
        places are many, so that work stays in bounds.
    rng
        Random generator.

    Returns
    -------
    tuple of numpy.ndarray
        Mean rank and chance of being in the top, each of shape (n,). The chances add up to `top`
        (or to n where there are fewer places), short of 0.02 left out for speed.

    Raises
    ------
    SettingError
        If `top` or `draws` is below 1.

    References
    ----------
    Laird and Louis 1989, J. Educational Statistics 14:29-46 (posterior mean rank).

    Examples
    --------
    >>> rank, chance = posterior_ranks(np.array([900.0, 400.0, 100.0]), np.full(3, 10.0), top=1,
    ...                                draws=200, rng=np.random.default_rng(1))
    >>> rank, chance
    (array([1., 2., 3.]), array([1., 0., 0.]))
    """
    if top < 1 or draws < 1:
        raise SettingError("posterior_ranks", got=f"top={top}, draws={draws}",
                           allowed="whole numbers from 1", remedy="ask for at least one")
    n = len(shape)
    if n == 0:
        return np.empty(0), np.empty(0)
    mean_rank = _mean_ranks(shape, rate_years, draws, rng)
    if n <= top:
        return mean_rank, np.ones(n)
    able = _candidates(shape, rate_years, top)
    chance = np.zeros(n)
    chance[able] = _top_chance(shape[able], rate_years[able], top, draws, rng)
    return mean_rank, chance


def _mean_ranks(shape: np.ndarray, rate: np.ndarray, draws: int,
                rng: np.random.Generator) -> np.ndarray:
    n = len(shape)
    times = int(min(draws, max(VALUES_AT_ONCE // n, LEAST_DRAWS)))
    total = np.zeros(n)
    place = np.arange(1, n + 1, dtype="float64")
    for _ in range(times):
        order = np.argsort(-rng.standard_gamma(shape) / rate)
        total[order] += place
    return total / times


def _top_chance(shape: np.ndarray, rate: np.ndarray, top: int, draws: int,
                rng: np.random.Generator) -> np.ndarray:
    n = len(shape)
    hits = np.zeros(n)
    left = draws
    while left:
        size = min(left, max(1, VALUES_AT_ONCE // n))
        values = rng.standard_gamma(shape, size=(size, n)) / rate
        best = np.argpartition(-values, top - 1, axis=1)[:, :top]
        hits += np.bincount(best.ravel(), minlength=n)
        left -= size
    return hits / draws


def _candidates(shape: np.ndarray, rate: np.ndarray, top: int) -> np.ndarray:
    """Places that can be in the top at all: the rest together reach it less than 0.02 times."""
    low, high = 0.0, float((shape / rate).max() * 4 + 1)
    for _ in range(40):  # the level that `top` places are expected to exceed
        level = (low + high) / 2
        if gammaincc(shape, rate * level).sum() > top:
            low = level
        else:
            high = level
    # A level a third lower is left far behind by the top in all but freak draws.
    reach = gammaincc(shape, rate * low * 2 / 3)
    order = np.argsort(reach)
    out = np.cumsum(reach[order]) < LEFT_OUT
    out[-top:] = False
    return np.sort(order[~out])
