"""Spatial autocorrelation statistics on any neighbour matrix, as their authors define them.

Written here because the usual library's default for Gi* is row-standardised, which shrinks the
score by about the square root of the number of neighbours (0.644 in place of the published 1.451).
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree
from scipy.special import ndtri

from rehit.errors import SettingError


def distance_weights(xy: np.ndarray, *, distance: float, include_self: bool) -> csr_matrix:
    """Return binary weights of all points within `distance` of each other.

    Parameters
    ----------
    xy
        Coordinates, shape (n, 2), planar.
    distance
        Largest distance of a neighbour, same unit, inclusive.
    include_self
        Whether a point is its own neighbour (the star of Gi*).
    """
    n = len(xy)
    pairs = cKDTree(xy).query_pairs(distance, output_type="ndarray")
    i, j = np.concatenate([pairs, pairs[:, ::-1]]).T
    if include_self:
        i, j = np.concatenate([i, np.arange(n)]), np.concatenate([j, np.arange(n)])
    return csr_matrix((np.ones(len(i)), (i, j)), shape=(n, n))


def gi_star(values: np.ndarray, weights: csr_matrix, *, book_variance: bool = False) -> np.ndarray:
    """Return Gi* standard scores (the place itself counts among its neighbours).

    Parameters
    ----------
    values
        One value per place, shape (n,).
    weights
        Neighbour weights including the diagonal; any non-negative weights, not row-standardised.
    book_variance
        Use the variance as printed by Getis and Ord 1996 p. 267 (divisor n - 1 for the variance of
        the values), which shrinks scores by sqrt((n - 1) / n).

    Returns
    -------
    numpy.ndarray
        Standard scores; NaN where a place has no or only neighbours, or all values are equal.

    References
    ----------
    Ord and Getis 1995, Geographical Analysis 27:286-306, equation 14.2 of Getis and Ord 1996.

    Examples
    --------
    >>> xy = np.array([[0.0, 0], [1, 0], [2, 0], [3, 0]])
    >>> w = distance_weights(xy, distance=1.0, include_self=True)
    >>> gi_star(np.array([5.0, 5, 0, 0]), w).round(3).tolist()
    [1.732, 1.0, -1.0, -1.732]
    """
    n = len(values)
    spread = np.std(values, ddof=1 if book_variance else 0)
    sums, squares = _row_sums(weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = spread * np.sqrt((n * squares - sums**2) / (n - 1))
        return (weights @ values - np.mean(values) * sums) / np.where(scale > 0, scale, np.nan)


def gi(values: np.ndarray, weights: csr_matrix) -> np.ndarray:
    """Return Gi standard scores (the place itself left out of mean, variance and neighbours).

    Raises
    ------
    SettingError
        If a place is its own neighbour.

    References
    ----------
    Ord and Getis 1995, Geographical Analysis 27:286-306.
    """
    n = len(values)
    if weights.diagonal().any():
        raise SettingError("gi", got="weights with a place as its own neighbour",
                           allowed="an empty diagonal", remedy="use gi_star for such weights")
    mean = (values.sum() - values) / (n - 1)
    variance = (np.square(values).sum() - values**2) / (n - 1) - mean**2
    sums, squares = _row_sums(weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.sqrt(variance * ((n - 1) * squares - sums**2) / (n - 2))
        return (weights @ values - sums * mean) / np.where(scale > 0, scale, np.nan)


def moran(values: np.ndarray, weights: csr_matrix) -> tuple[float, float]:
    """Return global Moran's I and its standard score under randomisation.

    Parameters
    ----------
    values
        One value per place, shape (n,).
    weights
        Neighbour weights with an empty diagonal; row-standardise them first if that is wanted.

    Returns
    -------
    tuple of float
        I and z.

    References
    ----------
    Cliff and Ord 1981, Spatial Processes, pp. 44-46.

    Examples
    --------
    >>> w = distance_weights(np.arange(8.0)[:, None] * [1, 0], distance=1.0, include_self=False)
    >>> round(moran(np.arange(8.0), w)[0], 4)
    0.7143
    """
    n = len(values)
    z = values - np.mean(values)
    total = weights.sum()
    statistic = n / total * float(z @ (weights @ z)) / float(z @ z)
    both = weights + weights.T
    s1 = 0.5 * both.multiply(both).sum()
    s2 = float(np.square(np.asarray(weights.sum(axis=1)).ravel()
                         + np.asarray(weights.sum(axis=0)).ravel()).sum())
    expected = -1.0 / (n - 1)
    kurtosis = float((z**4).mean() / (z**2).mean() ** 2)
    first = n * ((n**2 - 3 * n + 3) * s1 - n * s2 + 3 * total**2)
    second = kurtosis * ((n**2 - n) * s1 - 2 * n * s2 + 6 * total**2)
    variance = (first - second) / ((n - 1) * (n - 2) * (n - 3) * total**2) - expected**2
    return float(statistic), float((statistic - expected) / np.sqrt(variance))


def row_standardised(weights: csr_matrix) -> csr_matrix:
    """Return the weights with each row summing to one (rows without neighbours stay empty)."""
    sums = np.asarray(weights.sum(axis=1)).ravel()
    scale = np.divide(1.0, sums, out=np.zeros_like(sums), where=sums > 0)
    return csr_matrix(weights.multiply(scale[:, None]))


def standardised_rates(counts: np.ndarray, exposure: np.ndarray) -> np.ndarray:
    """Return rates with mean 0 and variance 1 whatever the exposure (empirical Bayes index).

    Parameters
    ----------
    counts, exposure
        Events and what could have had them, shape (n,); exposures positive.

    References
    ----------
    Assuncao and Reis 1999, Statistics in Medicine 18:2147-2162.

    Examples
    --------
    >>> standardised_rates(np.array([1, 4, 9]), np.array([10.0, 10.0, 30.0])).round(3).tolist()
    [-1.248, 0.832, 0.433]
    """
    overall = counts.sum() / exposure.sum()
    rates = counts / exposure
    between = (exposure * (rates - overall) ** 2).sum() / exposure.sum()
    between -= overall / (exposure.sum() / len(exposure))
    variance = between + overall / exposure
    # Assuncao and Reis: where the estimate of the between-place variance fails, leave it out.
    variance = np.where(variance > 0, variance, overall / exposure)
    return np.asarray((rates - overall) / np.sqrt(variance))


def critical_score(n: int, *, alpha: float) -> float:
    """Return the one-sided critical score for the largest of `n` independent local scores.

    References
    ----------
    Sidak 1967. The values printed by Ord and Getis 1995, Table 3 (alpha = 0.05: 1.645, 3.083,
    3.289, 3.886 for n = 1, 50, 100, 1000) lie between this and the Bonferroni limit.

    Examples
    --------
    >>> round(critical_score(100, alpha=0.05), 3)
    3.283
    """
    return float(ndtri((1.0 - alpha) ** (1.0 / n)))


def _row_sums(weights: csr_matrix) -> tuple[np.ndarray, np.ndarray]:
    sums = np.asarray(weights.sum(axis=1)).ravel()
    return sums, np.asarray(weights.multiply(weights).sum(axis=1)).ravel()
