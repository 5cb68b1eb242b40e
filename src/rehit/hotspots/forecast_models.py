"""Two ways to turn what was known into expected incidents, and the spread around them.

*Level and recency*: expected = a mix of the town's mean, the place's gamma-Poisson long-run rate
and its fading counts, with weights that are not negative, found by Poisson likelihood. *Context
and recency*: the geometric mean of boosted trees, which see the same inputs and the surroundings
(the self-exciting part), and of one plain fading count, which steadies their ranking at the top.
Which of the two is used is decided on held-out periods.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.optimize import minimize
from scipy.special import gammaln, xlogy
from scipy.stats import nbinom
from threadpoolctl import threadpool_limits

from rehit.hotspots.forecast_features import OWN_COLUMNS, OWN_HALF_LIVES
from rehit.parameters import Parameters

if TYPE_CHECKING:
    from sklearn.ensemble import HistGradientBoostingRegressor

LEAST = 1e-9  # expected incidents below which no place is put, so that the log score is finite
STEADY_COLUMN = 1 + OWN_HALF_LIVES.index(60.0)  # the fading count that baselines rank by, too
SIZE_BOUNDS = (1e-3, 1e4)
TREE_STEPS = 255  # steps of a feature that the trees' library can tell apart


class Model(Protocol):
    """Something fitted that gives expected incidents per place from features."""

    def expected(self, table: np.ndarray) -> np.ndarray:
        """Return expected incidents, shape (rows,)."""
        ...


@dataclass(frozen=True)
class LevelAndRecency:
    """Mixture of a common level and fading counts; weights in days (rate times days)."""

    weights: np.ndarray
    level: float

    def expected(self, table: np.ndarray) -> np.ndarray:
        """Return expected incidents, shape (rows,)."""
        own = table[:, :OWN_COLUMNS].astype("float64")
        return np.maximum(self.level + own @ self.weights, LEAST)


@dataclass(frozen=True)
class ContextAndRecency:
    """Geometric mean of boosted trees (on steps of the features) and a plain fading count."""

    trees: HistGradientBoostingRegressor
    edges: tuple[np.ndarray, ...]
    level: float
    slope: float
    scale: float = 1.0

    def expected(self, table: np.ndarray) -> np.ndarray:
        """Return expected incidents, shape (rows,)."""
        with threadpool_limits(limits=1, user_api="openmp"):
            context = self.trees.predict(_in_steps(table, self.edges))
        recent = self.level + self.slope * table[:, STEADY_COLUMN].astype("float64")
        return np.maximum(self.scale * np.sqrt(context * recent), LEAST)


def fit_level_and_recency(table: np.ndarray, counts: np.ndarray,
                          season: np.ndarray) -> LevelAndRecency:
    """Fit the mixture by Poisson likelihood with weights not below zero.

    Parameters
    ----------
    table
        Features, shape (rows, features), the first of them the place's own fading rates.
    counts
        Incidents in the period after, shape (rows,).
    season
        Factor of the time of year by which each row's expectation is multiplied.
    """
    own = table[:, :OWN_COLUMNS].astype("float64")
    return LevelAndRecency(*_nonnegative_poisson(own, counts.astype("float64"), season))


def fit_scaled(score: np.ndarray, counts: np.ndarray) -> tuple[float, float]:
    """Return level and slope that turn a score into expected counts, by Poisson likelihood.

    Examples
    --------
    >>> level, slope = fit_scaled(np.array([0.0, 0.0, 1.0, 1.0]), np.array([1, 1, 3, 3]))
    >>> round(level, 3), round(slope, 3)
    (1.0, 2.0)
    """
    weights, level = _nonnegative_poisson(score[:, None].astype("float64"),
                                          counts.astype("float64"), np.ones(len(counts)))
    return level, float(weights[0])


def fit_context_and_recency(table: np.ndarray, counts: np.ndarray, season: np.ndarray, *,
                            numbers: Parameters) -> ContextAndRecency:
    """Fit boosted trees and a plain fading count, each with Poisson loss, and blend them.

    Parameters
    ----------
    table, counts, season
        As in :func:`fit_level_and_recency`.
    numbers
        Uses ``hotspots.tree_rounds``, ``tree_leaves``, ``tree_least_rows``, ``tree_step``. The
        seed is fixed, so that one log always gives one forecast.
    """
    # A slow import that only a forecast needs.
    from sklearn.ensemble import HistGradientBoostingRegressor

    trees = HistGradientBoostingRegressor(
        loss="poisson", learning_rate=numbers["hotspots.tree_step"],
        max_iter=int(numbers["hotspots.tree_rounds"]),
        max_leaf_nodes=int(numbers["hotspots.tree_leaves"]),
        min_samples_leaf=int(numbers["hotspots.tree_least_rows"]), early_stopping=False,
        random_state=0)
    edges = tuple(_step_edges(column) for column in table.T)
    # A Poisson count over its season factor, weighted by it, has the same likelihood. One thread:
    # on a busy machine several wait for each other a hundred times longer than they work.
    with threadpool_limits(limits=1, user_api="openmp"):
        trees.fit(_in_steps(table, edges), counts / season, sample_weight=season)
    slope, level = _nonnegative_poisson(table[:, [STEADY_COLUMN]].astype("float64"),
                                        counts.astype("float64"), season)
    blend = ContextAndRecency(trees, edges, level, float(slope[0]))
    # A geometric mean lies below the arithmetic one; the total is put right again.
    total = float((season * blend.expected(table)).sum())
    return replace(blend, scale=float(counts.sum()) / max(total, LEAST))


def _step_edges(column: np.ndarray) -> np.ndarray:
    """Return the edges that cut a feature into steps of equally many rows.

    The trees would cut it so themselves, but with weighted rows their library spends four fifths
    of a fit on that.
    """
    values = np.unique(column)
    if len(values) <= TREE_STEPS:
        return (values[1:] + values[:-1]) / 2
    shares = np.linspace(0, 1, TREE_STEPS + 1)[1:-1]
    return np.unique(np.quantile(column, shares, method="averaged_inverted_cdf"))


def _in_steps(table: np.ndarray, edges: tuple[np.ndarray, ...]) -> np.ndarray:
    return np.column_stack([np.searchsorted(edge, column) for edge, column in zip(
        edges, table.T, strict=True)]).astype("float32")


def fit_spread(expected: np.ndarray, counts: np.ndarray) -> tuple[float, float]:
    """Return (scale, power) of the negative-binomial size ``scale * expected**power``.

    Fitted by likelihood on periods the expectations were not fitted to; the power lets busy places
    be more, or less, regular than quiet ones.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> mean = np.full(20_000, 2.0)
    >>> scale, power = fit_spread(mean, rng.negative_binomial(3, 3 / 5, 20_000))
    >>> bool(2.5 < scale * 2.0**power < 3.5)
    True
    """
    hit = counts > 0

    def loss(theta: np.ndarray) -> float:
        return -float(_nb_log(counts, expected, size_of(expected, np.exp(theta[0]), theta[1]),
                              hit).mean())

    best = minimize(loss, np.array([0.0, 0.5]), method="L-BFGS-B",
                    bounds=[(-6.0, 6.0), (0.0, 1.0)])
    return float(np.exp(best.x[0])), float(best.x[1])


def size_of(expected: np.ndarray, scale: float, power: float) -> np.ndarray:
    """Return the negative-binomial size (variance = mean + mean**2 / size)."""
    return np.clip(scale * expected**power, *SIZE_BOUNDS)


def predictive_interval(expected: np.ndarray, size: np.ndarray, *,
                        level: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return lower and upper points of the central interval and the chance of any incident.

    Counts are whole, so an interval holds at least the chance asked for, often more.

    Examples
    --------
    >>> low, high, any_ = predictive_interval(np.array([3.0]), np.array([1e4]), level=0.9)
    >>> low.tolist(), high.tolist(), any_.round(3).tolist()
    ([1.0], [6.0], [0.95])
    """
    tail = (1.0 - level) / 2.0
    chance = size / (size + expected)
    none = chance**size
    # Most places have nearly no chance of an incident; only the others need the slow quantile.
    low, high = np.zeros(len(expected)), np.zeros(len(expected))
    some = none < 1.0 - tail
    high[some] = nbinom.ppf(1.0 - tail, size[some], chance[some])
    many = none < tail
    low[many] = nbinom.ppf(tail, size[many], chance[many])
    return low, high, 1.0 - none


def _nonnegative_poisson(inputs: np.ndarray, counts: np.ndarray,
                         season: np.ndarray) -> tuple[np.ndarray, float]:
    """Poisson regression with identity link and non-negative weights; returns (weights, level)."""
    scale = np.maximum(inputs.mean(axis=0), 1e-12)
    table = np.column_stack([np.ones(len(inputs)), inputs / scale]) * season[:, None]

    def loss(weights: np.ndarray) -> tuple[float, np.ndarray]:
        mean = table @ weights + LEAST
        value = (mean - xlogy(counts, mean)).mean()
        return float(value), table.T @ (1.0 - counts / mean) / len(counts)

    start = np.full(table.shape[1], max(counts.mean(), LEAST) / table.shape[1])
    best = minimize(loss, start, jac=True, method="L-BFGS-B",
                    bounds=[(0.0, None)] * table.shape[1])
    return best.x[1:] / scale, float(best.x[0])


def _nb_log(counts: np.ndarray, mean: np.ndarray, size: np.ndarray, hit: np.ndarray) -> np.ndarray:
    """Negative-binomial log likelihood; the gamma functions only where the count is not zero."""
    value = -size * np.log1p(mean / size)
    c, m, s = counts[hit], mean[hit], size[hit]
    value[hit] += gammaln(c + s) - gammaln(s) - gammaln(c + 1) + c * np.log(m / (m + s))
    return value
