"""Counting pairs of events without holding all of them: the work behind the space-time tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import nbinom, poisson

from rehit.errors import SettingError

PAIR_LIMIT = 200_000_000  # pairs held at once, about 3 GB


def close_pairs(xy: np.ndarray, *, distance: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the pairs of points within `distance` (inclusive) and how far apart they are.

    Raises
    ------
    SettingError
        If there are more pairs than memory holds.
    """
    tree = cKDTree(xy)
    many = (int(tree.count_neighbors(tree, distance)) - len(xy)) // 2
    if many > PAIR_LIMIT:
        raise SettingError("space-time test", got=f"{many:,} pairs within {distance:g}",
                           allowed=f"at most {PAIR_LIMIT:,} pairs",
                           remedy="use a shorter distance or a shorter part of the log")
    pairs = tree.query_pairs(distance, output_type="ndarray").astype("int32")
    i, j = pairs[:, 0], pairs[:, 1]
    return i, j, np.hypot(*(xy[i] - xy[j]).T)


def close_time_pairs(times: np.ndarray, *, interval: float) -> int:
    """Count pairs of times at most `interval` apart.

    Examples
    --------
    >>> close_time_pairs(np.array([5.0, 1.0, 2.0]), interval=3.0)
    2
    """
    ordered = np.sort(times)
    last = np.searchsorted(ordered, ordered + interval, side="right")
    return int((last - np.arange(1, len(ordered) + 1)).sum())


def bin_pairs(ring: np.ndarray, times: np.ndarray, i: np.ndarray, j: np.ndarray,
              edges: np.ndarray, *, n_rings: int) -> np.ndarray:
    """Count pairs by distance ring and time band, shape (rings, bands).

    A pair exactly on an edge belongs to the lower band; the first band holds time 0 too.
    """
    # np.take, unlike brackets, lets other threads work meanwhile.
    apart = np.abs(np.take(times, i) - np.take(times, j))
    near = np.flatnonzero(apart <= edges[-1])
    band = np.clip(np.searchsorted(edges, apart[near], side="left") - 1, 0, None)
    n_bands = len(edges) - 1
    flat = np.bincount(np.take(ring, near) * n_bands + band, minlength=n_rings * n_bands)
    return flat.reshape(n_rings, n_bands)


def count_tail(observed: np.ndarray, mean: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return P(count >= observed) for counts of a given mean and variance.

    Negative binomial where the variance exceeds the mean, Poisson elsewhere (which errs on the
    careful side); 1 where nothing is expected and nothing came.

    Examples
    --------
    >>> count_tail(np.array([3, 9]), np.array([3.0, 3.0]), np.array([3.0, 6.0])).round(3).tolist()
    [0.577, 0.033]
    """
    mean = np.maximum(mean, 1e-12)
    extra = np.maximum(variance - mean, 1e-9 * mean**2)
    size = mean**2 / extra
    return np.asarray(np.where(variance > mean, nbinom.sf(observed - 1, size, size / (size + mean)),
                               poisson.sf(observed - 1, mean)))


def permuted_chance(statistic: Callable[[np.ndarray], float], times: np.ndarray, observed: float,
                    permutations: int, rng: np.random.Generator | None, *, where: str) -> float:
    """Return P(at least as much) over random orders of the times, the data's own counted in.

    Parameters
    ----------
    statistic
        What is measured of one order of the times.
    times, observed
        The data's own order and its statistic.
    permutations
        Random orders to compare with; none gives NaN.
    rng
        Source of randomness, needed with permutations.
    where
        Who is asking, for the message.

    Raises
    ------
    SettingError
        If permutations are asked for without `rng`.
    """
    if not permutations:
        return float("nan")
    if rng is None:
        raise SettingError(f"{where} rng", got="none", allowed="a numpy Generator",
                           remedy="pass numpy.random.default_rng(seed)")
    above = sum(statistic(rng.permutation(times)) >= observed for _ in range(permutations))
    return (1 + above) / (permutations + 1)
