"""Other tests of space-time interaction: Baker's modified Knox, Mantel, Jacquez.

Like the Knox test they ask whether what is close in space is also close in time; they differ in
what "close" means. The caller's arrays are never changed.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from rehit.errors import SettingError
from rehit.hotspots.spacetime_pairs import close_pairs, permuted_chance

TIES = 16  # neighbours looked at beyond the k-th, so that equal distances are ordered by row


def modified_knox(xy: np.ndarray, times: np.ndarray, *, distance: float,
                  interval: float) -> float:
    """Return Baker's modified Knox statistic: close pairs less those that each event's own counts
    of near and of soon neighbours would give.

    Parameters
    ----------
    xy, times, distance, interval
        As in :func:`knox`.

    References
    ----------
    Baker 1996, JRSS A 159:547-566; the form given by Williams et al. 1978 for fixed space.
    """
    n, times = len(times), np.array(times, dtype="float64")
    i, j, _ = close_pairs(np.asarray(xy, "float64"), distance=distance)
    near = np.bincount(np.concatenate([i, j]), minlength=n)
    ordered = np.sort(times)
    soon = (np.searchsorted(ordered, times + interval, side="right")
            - np.searchsorted(ordered, times - interval, side="left") - 1)
    both = int((np.abs(times[i] - times[j]) <= interval).sum())
    return float(both - 0.5 / (n - 1) * (near * soon).sum())


def mantel(xy: np.ndarray, times: np.ndarray, *, constant: float = 1.0, power: float = -1.0,
           permutations: int = 0, rng: np.random.Generator | None = None) -> tuple[float, float]:
    """Return Mantel's standardised statistic of space and time distances, and its upper-tail p.

    Both distances get `constant` added and are raised to `power`, so that near pairs count most.

    Parameters
    ----------
    xy, times
        Coordinates, shape (n, 2), and times, shape (n,); all pairs are held in memory, so keep
        n below some ten thousand.
    constant, power
        Transform of the distances.
    permutations, rng
        As in :func:`knox`; p is NaN without permutations.

    References
    ----------
    Mantel 1967, Cancer Research 27:209-220.

    Examples
    --------
    >>> xy = np.array([[0.0, 0], [0, 1], [9, 9], [9, 8]])
    >>> round(mantel(xy, np.array([1.0, 2, 50, 51]))[0], 3)
    1.0
    """
    times = np.array(times, dtype="float64")
    i, j = np.triu_indices(len(times), k=1)
    near = (np.hypot(*(np.asarray(xy)[i] - np.asarray(xy)[j]).T) + constant) ** power
    near = (near - near.mean()) / near.std()

    def statistic(order: np.ndarray) -> float:
        soon = (np.abs(order[i] - order[j]) + constant) ** power
        return float((near * (soon - soon.mean())).mean() / soon.std())

    observed = statistic(times)
    return observed, permuted_chance(statistic, times, observed, permutations, rng,
                                     where="mantel")


def jacquez(xy: np.ndarray, times: np.ndarray, *, k: int, permutations: int = 0,
            rng: np.random.Generator | None = None) -> tuple[int, float]:
    """Return how often a near neighbour in space is one in time too, and its p.

    The number of ordered pairs whose second is among the k nearest of the first both in space and
    in time. Of equally distant neighbours those earlier in the table count as nearer.

    Parameters
    ----------
    xy, times
        Coordinates, shape (n, 2), and times, shape (n,).
    k
        Nearest neighbours looked at.
    permutations, rng
        As in :func:`knox`; p is NaN without permutations.

    Raises
    ------
    SettingError
        If `k` is below 1, or not below the number of incidents.

    References
    ----------
    Jacquez 1996, Statistics in Medicine 15:1935-1949.

    Examples
    --------
    >>> xy = np.array([[0.0, 0], [0, 1], [9, 9], [9, 8]])
    >>> jacquez(xy, np.array([1.0, 2, 50, 51]), k=1)[0]
    4
    """
    times = np.array(times, dtype="float64")
    n = len(times)
    if not 0 < k < n:
        raise SettingError("jacquez k", got=f"{k}", allowed=f"1 to {n - 1}", remedy="lower k")
    near = _neighbour_codes(np.asarray(xy, "float64"), k)

    def statistic(order: np.ndarray) -> int:
        return int(np.isin(_neighbour_codes(order[:, None], k), near).sum())

    observed = statistic(times)
    return observed, permuted_chance(statistic, times, observed, permutations, rng,
                                     where="jacquez")


def _neighbour_codes(points: np.ndarray, k: int) -> np.ndarray:
    n = len(points)
    distance, index = cKDTree(points).query(points, k=min(n, k + 1 + TIES))
    distance = np.where(index == np.arange(n)[:, None], np.inf, distance)
    order = np.lexsort((index, distance))[:, :k]
    return (np.arange(n)[:, None] * n + np.take_along_axis(index, order, axis=1)).ravel()
