"""Density clusters of de-duplicated, weighted points, and how stable they are.

DBSCAN on one row per coordinate with the number of incidents as its weight: the result is that of
all incidents, without the memory that piles of equal points cost. The neighbour list is made once
and reused for every resample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

MERGE_M = 0.05  # coordinates closer than this are one point: finer than any survey of walls
PAIR_LIMIT = 30_000_000  # neighbour pairs held at once, about 0.7 GB
FOLD = 5.0  # where that is exceeded, points are folded onto a lattice of radius / FOLD


@dataclass(frozen=True)
class Neighbours:
    """Weighted points with the pairs of them that lie within a radius.

    Parameters
    ----------
    xy
        Coordinates, shape (n, 2).
    weights
        Incidents at each point, shape (n,).
    member_of
        For every incident the row of its point.
    near
        Binary neighbour matrix without the diagonal.
    distances
        Distance of each stored pair, in the order of ``near.data``.
    """

    xy: np.ndarray
    weights: np.ndarray
    member_of: np.ndarray
    near: csr_matrix
    distances: np.ndarray


def merge_points(xy: np.ndarray, *, step: float = MERGE_M) -> tuple[np.ndarray, np.ndarray]:
    """Return the distinct points (first coordinates met) and each incident's row among them.

    Examples
    --------
    >>> points, row = merge_points(np.array([[0.0, 0.0], [5.0, 0.0], [0.01, 0.0]]))
    >>> len(points), row.tolist()
    (2, [0, 1, 0])
    """
    lattice = np.round(xy / step).astype("int64")
    lattice -= lattice.min(axis=0)
    key = lattice[:, 0] * (lattice[:, 1].max() + 1) + lattice[:, 1]
    _, first, row = np.unique(key, return_index=True, return_inverse=True)
    return xy[first], row


def find_neighbours(xy: np.ndarray, *, radius: float) -> Neighbours:
    """Merge equal points and list the pairs within `radius` (inclusive).

    Where the points stand so dense that the pairs would not fit in memory, points are folded onto
    a lattice of a fifth of the radius first, which moves each by at most a seventh of the radius.
    """
    points, row = merge_points(xy)
    tree = cKDTree(points)
    if (tree.count_neighbors(tree, radius) - len(points)) / 2 > PAIR_LIMIT:
        points, folded = merge_points(points, step=radius / FOLD)
        row = folded[row]
        tree = cKDTree(points)
    pairs = tree.query_pairs(radius, output_type="ndarray")
    i, j = np.concatenate([pairs, pairs[:, ::-1]]).T
    n = len(points)
    near = csr_matrix((np.ones(len(i), dtype="float32"), (i, j)), shape=(n, n))
    near.sort_indices()
    origin = np.repeat(np.arange(n), np.diff(near.indptr))
    distances = np.hypot(*(points[origin] - points[near.indices]).T)
    return Neighbours(points, np.bincount(row, minlength=n).astype("float64"), row, near, distances)


def dense_groups(neighbours: Neighbours, *, weights: np.ndarray, least: float) -> np.ndarray:
    """Label each point with its density cluster, -1 for none.

    Parameters
    ----------
    neighbours
        From :func:`find_neighbours`.
    weights
        Weight per point; zero leaves the point out.
    least
        Weight within the radius, its own included, that makes a point a core of a cluster.

    Returns
    -------
    numpy.ndarray
        Labels from 0 in the order of each cluster's first point. A border point belongs to the
        cluster of its nearest core, so the labels do not depend on the order of the rows.

    References
    ----------
    Ester, Kriegel, Sander and Xu 1996, KDD-96, pp. 226-231.
    """
    near = neighbours.near
    mass = near @ weights + weights
    core = (mass >= least) & (weights > 0)
    labels = np.full(len(weights), -1, dtype="int64")
    if not core.any():
        return labels
    origin = np.repeat(np.arange(len(weights)), np.diff(near.indptr))
    both = core[origin] & core[near.indices]
    links = csr_matrix((np.ones(int(both.sum()), dtype="int8"),
                        (origin[both], near.indices[both])), shape=near.shape)
    component = connected_components(links, directed=False)[1]
    labels[core] = component[core]
    border = ~core[origin] & core[near.indices] & (weights[origin] > 0)
    order = np.lexsort((near.indices[border], neighbours.distances[border], origin[border]))
    point, host = origin[border][order], near.indices[border][order]
    first = np.ones(len(point), dtype=bool)
    first[1:] = point[1:] != point[:-1]
    labels[point[first]] = component[host[first]]
    return _renumber(labels)


def suggest_radius_from(neighbours_distance: np.ndarray, *, low: float, high: float) -> float:
    """Return the radius at the bend of the sorted k-distance curve, held between `low` and `high`.

    The bend is the point farthest below the straight line between the ends of the part of the
    curve that lies between the limits.

    Parameters
    ----------
    neighbours_distance
        Distance of each point to its k-th neighbour, any order.
    low, high
        Smallest and largest radius that makes sense, same unit.

    References
    ----------
    k-distance curve: Ester et al. 1996, section 4.2. Bend: Satopaa, Albrecht, Irwin and Raghavan
    2011, ICDCS Workshops, pp. 166-171.

    Examples
    --------
    >>> curve = np.concatenate([np.full(80, 20.0), np.linspace(20, 400, 20)])
    >>> round(suggest_radius_from(curve, low=5.0, high=500.0), 0)
    20.0
    """
    curve = np.sort(neighbours_distance[np.isfinite(neighbours_distance)])
    curve = curve[curve <= high]
    if len(curve) < 3 or curve[-1] <= curve[0]:
        middle = curve[-1] if len(curve) else high
        return float(np.clip(middle, low, high))
    across = np.linspace(0.0, 1.0, len(curve))
    up = (curve - curve[0]) / (curve[-1] - curve[0])
    return float(np.clip(curve[int(np.argmax(across - up))], low, high))


def weighted_k_distance(xy: np.ndarray, weights: np.ndarray, *, least: float) -> np.ndarray:
    """Return the distance within which each point finds `least` incidents, its own included.

    Examples
    --------
    >>> xy = np.array([[0.0, 0.0], [3.0, 0.0], [10.0, 0.0]])
    >>> weighted_k_distance(xy, np.array([2.0, 1.0, 1.0]), least=3).tolist()
    [3.0, 3.0, 10.0]
    """
    k = min(int(np.ceil(least)), len(xy))
    distance, index = cKDTree(xy).query(xy, k=k)
    distance, index = distance.reshape(len(xy), k), index.reshape(len(xy), k)
    enough = np.cumsum(weights[index], axis=1) >= least
    first = np.argmax(enough, axis=1)
    found = enough.any(axis=1)
    return np.where(found, distance[np.arange(len(xy)), first], np.inf)


def resampled_stability(neighbours: Neighbours, labels: np.ndarray, *, least: float, draws: int,
                        rng: np.random.Generator) -> np.ndarray:
    """Return each cluster's mean Jaccard overlap with its best match when incidents are redrawn.

    Parameters
    ----------
    neighbours, least
        As in :func:`dense_groups`.
    labels
        Labels of the clusters found in the data.
    draws
        Resamples (incidents drawn with replacement).
    rng
        Source of randomness.

    Returns
    -------
    numpy.ndarray
        One value per label: above 0.75 counts as stable, below 0.5 as dissolved.

    References
    ----------
    Hennig 2007, Computational Statistics & Data Analysis 52:258-271.
    """
    n_labels = int(labels.max()) + 1
    total = np.zeros(n_labels)
    n = int(neighbours.weights.sum())
    chances = neighbours.weights / n
    for _ in range(draws):
        weights = rng.multinomial(n, chances).astype("float64")
        again = dense_groups(neighbours, weights=weights, least=least)
        total += _best_jaccard(labels, again, weights > 0, n_labels)
    return total / max(draws, 1)


def _best_jaccard(labels: np.ndarray, again: np.ndarray, drawn: np.ndarray,
                  n_labels: int) -> np.ndarray:
    old, new = labels[drawn], again[drawn]
    size_old = np.bincount(old[old >= 0], minlength=n_labels)
    size_new = np.bincount(new[new >= 0], minlength=1)
    both = (old >= 0) & (new >= 0)
    best = np.zeros(n_labels)
    if both.any():
        table = csr_matrix((np.ones(int(both.sum())), (old[both], new[both])),
                           shape=(n_labels, len(size_new))).tocoo()
        jaccard = table.data / (size_old[table.row] + size_new[table.col] - table.data)
        np.maximum.at(best, table.row, jaccard)
    return best


def _renumber(labels: np.ndarray) -> np.ndarray:
    used, first = np.unique(labels[labels >= 0], return_index=True)
    rank = np.empty(len(used), dtype="int64")
    rank[np.argsort(first)] = np.arange(len(used))
    result = labels.copy()
    result[labels >= 0] = rank[np.searchsorted(used, labels[labels >= 0])]
    return result
