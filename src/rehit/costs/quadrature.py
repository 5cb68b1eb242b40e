"""Rates and weights that stand for a gamma distribution of the yearly rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigvalsh_tridiagonal
from scipy.special import gammainc, gammaincinv

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
    mean = shape / rate_years
    unique, back = _few_shapes(shape)
    k = np.arange(n_nodes)
    diagonal = 2 * k + unique[:, None]
    off = np.sqrt(k[1:] * (k[1:] + unique[:, None] - 1))
    values = np.array([eigvalsh_tridiagonal(d, e) for d, e in zip(diagonal, off, strict=True)]
                      ).reshape(-1, n_nodes).clip(0)
    weights = _quadrature_weights(values, diagonal, off)
    rates = values / unique[:, None]
    # Nodes that weigh nothing would only stretch the grid of rates.
    rates[weights < NEGLIGIBLE] = 0.0
    return rates[back] * mean[:, None], weights[back]


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
