"""Expected incidents per place and per cell in the next weeks."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Protocol

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.ndimage import uniform_filter
from scipy.optimize import minimize
from scipy.special import gammaln, softmax, xlogy
from scipy.stats import f as f_distribution
from scipy.stats import nbinom
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM
from threadpoolctl import threadpool_limits

from rehit.errors import SettingError, TableError
from rehit.hotspots.grid import (
    coordinates,
    days_since,
    lay_grid,
    metres_per_unit,
)
from rehit.hotspots.rates import fit_prior, posterior
from rehit.observed import Window, known_places
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected

if TYPE_CHECKING:
    from sklearn.ensemble import HistGradientBoostingRegressor


# The yearly swing of the whole town's incidents, used only where the log shows it.

YEAR = 365.25
WEEK = 7.0


@dataclass(frozen=True)
class Season:
    """A yearly swing: rate times ``exp(cosine cos(2 pi t / year) + sine sin(2 pi t / year))``.

    Parameters
    ----------
    cosine, sine
        Amplitudes on the log scale, t counted in days since the window opened; both zero where no
        season is shown.
    """

    cosine: float
    sine: float

    def factor(self, day: np.ndarray) -> np.ndarray:
        """Return the rate on each day relative to the year's middle."""
        angle = 2.0 * np.pi * np.asarray(day, "float64") / YEAR
        return np.exp(self.cosine * np.cos(angle) + self.sine * np.sin(angle))

    def mean_factor(self, start: float, length: float) -> float:
        """Return the mean factor over the days from `start` on."""
        return float(self.factor(start + np.arange(0.5, max(length, 1.0))).mean())


NO_SEASON = Season(0.0, 0.0)


def find_season(day: np.ndarray, end: float, *, numbers: Parameters) -> Season:
    """Fit one yearly wave to weekly totals, and keep it only if the log bears it out.

    Assumptions: the swing has the same shape every year. It is kept if the log covers
    ``hotspots.season_min_years``, the wave passes an F test at ``hotspots.season_level`` (the
    spread of the weeks taken from the data), and each half of the log swings the same way by at
    least ``hotspots.season_agreement`` of the whole, so that a single busy summer is not taken for
    a season.

    Parameters
    ----------
    day
        Day of each incident since the window opened.
    end
        Day up to which incidents are looked at.
    numbers
        Parameters of the room.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> rng = np.random.default_rng(1)
    >>> t = rng.uniform(0, 3 * 365.25, 9000)
    >>> kept = t[rng.uniform(0, 2, len(t)) < 1 + 0.5 * np.cos(2 * np.pi * t / 365.25)]
    >>> season = find_season(kept, 3 * 365.25, numbers=load_parameters())
    >>> bool(0.4 < season.cosine < 0.6), bool(abs(season.sine) < 0.1)
    (True, True)
    """
    if end < numbers["hotspots.season_min_years"] * YEAR:
        return NO_SEASON
    weeks = int(end // WEEK)
    past = day[(day >= 0) & (day < weeks * WEEK)]
    if len(past) < weeks:
        return NO_SEASON
    totals = np.bincount((past // WEEK).astype("int64"), minlength=weeks).astype("float64")
    middle = (np.arange(weeks) + 0.5) * WEEK
    wave, chance = _fit_wave(totals, middle)
    half = weeks // 2
    first, _ = _fit_wave(totals[:half], middle[:half])
    second, _ = _fit_wave(totals[half:], middle[half:])
    agreed = min(first @ wave, second @ wave) >= numbers["hotspots.season_agreement"] * wave @ wave
    if chance > numbers["hotspots.season_level"] or not agreed:
        return NO_SEASON
    return Season(float(wave[0]), float(wave[1]))


def _fit_wave(totals: np.ndarray, middle: np.ndarray) -> tuple[np.ndarray, float]:
    """Log-linear trend with and without the wave; returns its amplitudes and the F test's p."""
    angle = 2.0 * np.pi * middle / YEAR
    plain = np.column_stack([np.ones(len(middle)), middle / YEAR])
    full = np.column_stack([plain, np.cos(angle), np.sin(angle)])
    if not totals.any():
        return np.zeros(2), 1.0
    with_wave = GLM(totals, full, family=families.Poisson()).fit()
    without = GLM(totals, plain, family=families.Poisson()).fit()
    spread = max(with_wave.pearson_chi2 / with_wave.df_resid, 1.0)
    ratio = (without.deviance - with_wave.deviance) / 2.0 / spread
    return with_wave.params[2:], float(f_distribution.sf(max(ratio, 0.0), 2, with_wave.df_resid))


# What was known at an origin: fading counts of each place and of the cells around it.
#
# Every number is built from incidents before the origin only, so that a forecast scored on a past
# period has not seen it.

FOREVER = np.inf  # half-life of a count that never fades
OWN_HALF_LIVES = (14.0, 60.0, 180.0)  # days: a fortnight, two months, half a year
OWN_COLUMNS = 1 + len(OWN_HALF_LIVES)  # long-run rate and fading counts come first
OWN_DAY_HALF_LIVES = (14.0, 60.0)
AROUND_HALF_LIVES = (28.0, 180.0)
BOXES = (3, 7, 15)  # cells across the squares around a place, its own cell in the middle


@dataclass(frozen=True)
class History:
    """Incidents as (place number, day), sorted by day, and where the places stand.

    Parameters
    ----------
    place
        Place number of each incident, 0..n-1.
    day
        Day of each incident since the window opened, ascending.
    xy_m
        Place coordinates [m], shape (n, 2); NaN where unknown.
    weight
        Weight of each incident in fading counts (1 unless the season is taken out).
    known_from
        Day from which each place was known to exist: minus infinity for register assets and given
        cells, the first incident for sites derived from the log (before it nobody could have
        forecast for them).
    """

    place: np.ndarray
    day: np.ndarray
    xy_m: np.ndarray
    known_from: np.ndarray
    weight: np.ndarray

    @property
    def n(self) -> int:
        """Number of places."""
        return len(self.known_from)

    def without_season(self, season: Season) -> History:
        """Return the history with incidents of the busy season weighing less."""
        return replace(self, weight=1.0 / season.factor(self.day))

    def counts(self, start: float, end: float) -> np.ndarray:
        """Return incidents per place in ``[start, end)``."""
        first, last = np.searchsorted(self.day, [start, end], side="left")
        return np.bincount(self.place[first:last], minlength=self.n)


def make_history(place: np.ndarray, day: np.ndarray, xy_m: np.ndarray, *,
                 always_known: np.ndarray | bool) -> History:
    """Sort incidents by day and note from when each place was known.

    Parameters
    ----------
    place, day
        Place number and day of each incident, any order.
    xy_m
        Place coordinates [m], shape (n, 2).
    always_known
        Whether each place was known before its first incident (register assets, given cells).

    Examples
    --------
    >>> h = make_history(np.array([1, 0]), np.array([5.0, 2.0]), np.zeros((2, 2)),
    ...                  always_known=False)
    >>> h.day.tolist(), h.known_from.tolist()
    ([2.0, 5.0], [2.0, 5.0])
    """
    order = np.argsort(day, kind="stable")
    place, day = np.asarray(place)[order], np.asarray(day, "float64")[order]
    first = np.full(len(xy_m), np.inf)
    np.minimum.at(first, place, day)
    known = np.where(np.broadcast_to(always_known, first.shape), -np.inf, first)
    return History(place, day, np.asarray(xy_m, "float64"), known, np.ones(len(day)))


def fading_counts(history: History, origins: Sequence[float], half_life: float, *,
                  once_a_day: bool = False) -> np.ndarray:
    """Return counts in which each incident halves its weight every `half_life` days.

    Parameters
    ----------
    history
        The incidents.
    origins
        Days at which to look back, ascending.
    half_life
        Days; infinite for a plain count.
    once_a_day
        Count several incidents of one place on one day once: one spree, not several.

    Returns
    -------
    numpy.ndarray
        Shape (origins, places).

    Examples
    --------
    >>> h = make_history(np.array([0, 0]), np.array([0.0, 10.0]), np.zeros((1, 2)),
    ...                  always_known=True)
    >>> fading_counts(h, [10.0, 20.0], 10.0).ravel().tolist()
    [0.5, 0.75]
    """
    place, day, worth = history.place, history.day, history.weight
    if once_a_day:
        whole = np.floor(day).astype("int64")
        _, kept = np.unique(whole * history.n + place, return_index=True)
        kept.sort()
        place, day, worth = place[kept], day[kept], worth[kept]
    state, then = np.zeros(history.n), float(origins[0])
    result = np.empty((len(origins), history.n))
    cuts = np.searchsorted(day, np.asarray(origins), side="left")
    start = 0
    for row, (origin, cut) in enumerate(zip(origins, cuts.tolist(), strict=True)):
        weight = worth[start:cut] * 0.5 ** ((origin - day[start:cut]) / half_life)
        state = state * 0.5 ** ((origin - then) / half_life)
        state += np.bincount(place[start:cut], weights=weight, minlength=history.n)
        result[row], then, start = state, origin, cut
    return result


def features(history: History, origins: Sequence[float], *, numbers: Parameters) -> np.ndarray:
    """Return what each place and its surroundings had shown by each origin, as daily rates.

    Parameters
    ----------
    history
        The incidents.
    origins
        Days, ascending.
    numbers
        Uses ``hotspots.cell_m`` (side of the cells that make up the surroundings) and
        ``hotspots.max_cells``.

    Returns
    -------
    numpy.ndarray
        Shape (origins, places, features), float32: the gamma-Poisson rate of the whole past; then
        fading counts divided by the days that their weights sum to: the place's own of each
        half-life of ``OWN_HALF_LIVES``, the same of days with an incident (``OWN_DAY_HALF_LIVES``),
        and for each half-life of ``AROUND_HALF_LIVES`` those of the rings between ``BOXES``.
    """
    columns = [np.stack([long_run_rate(history, origin) for origin in origins])]
    columns += [_per_day(fading_counts(history, origins, h), origins, h) for h in OWN_HALF_LIVES]
    columns += [_per_day(fading_counts(history, origins, h, once_a_day=True), origins, h)
                for h in OWN_DAY_HALF_LIVES]
    for half_life in AROUND_HALF_LIVES:
        own = _per_day(fading_counts(history, origins, half_life), origins, half_life)
        columns += _rings(history, own, numbers)
    return np.stack(columns, axis=-1).astype("float32")


def long_run_rate(history: History, origin: float) -> np.ndarray:
    """Return each place's gamma-Poisson posterior mean rate [incidents/day] at an origin.

    The distribution of rates is fitted to the places known at the origin; the others get its mean.
    """
    counts = history.counts(-np.inf, origin).astype("float64")
    known = history.known_from < origin
    days = np.full(history.n, max(float(origin), 1.0))
    if not known.any():
        return np.zeros(history.n)
    derived = bool((counts[known] > 0).all())
    prior = fit_prior(counts[known], days[known], zero_truncated=derived)
    shape, rate = posterior(counts, days, prior)
    return np.where(known, shape / rate, prior.mean)


def _per_day(counts: np.ndarray, origins: Sequence[float], half_life: float) -> np.ndarray:
    """Divide by the effective days of looking back since the window opened."""
    back = np.maximum(np.asarray(origins, "float64"), 1.0)
    if np.isinf(half_life):
        found: np.ndarray = counts / back[:, None]
        return found
    span = half_life / np.log(2.0)
    found = counts / (span * -np.expm1(-back / span))[:, None]
    return found


def _rings(history: History, own: np.ndarray, numbers: Parameters) -> list[np.ndarray]:
    """Sum over square rings of cells around each place: nearest, farther, farthest."""
    located = np.isfinite(history.xy_m).all(axis=1)
    rings = [np.zeros_like(own) for _ in BOXES]
    if not located.any():
        return rings
    x, y = history.xy_m[located].T
    grid = lay_grid(x, y, side=numbers["hotspots.cell_m"], max_cells=numbers["hotspots.max_cells"])
    cell = grid.index(x, y)
    for row in range(len(own)):
        flat = np.bincount(cell, weights=own[row, located], minlength=grid.size)
        inner = own[row, located]
        for ring, box in zip(rings, BOXES, strict=True):
            summed = uniform_filter(flat.reshape(grid.rows, grid.columns), box, mode="constant")
            outer = summed.ravel()[cell] * box**2
            ring[row, located] = np.maximum(outer - inner, 0.0)
            inner = outer
    return rings


# Four ways to turn what was known into expected incidents, and the spread around them.
#
# *Long-run rate*: the place's gamma-Poisson rate times one factor. *Level and recency*: a mix of
# the town's mean, that rate and fading counts, with weights that are not negative, found by Poisson
# likelihood. *Counts and background*: likewise, with the surroundings. *Context and recency*: the
# geometric mean of boosted trees, which see the same inputs (the self-exciting part), and of one
# plain fading count, which steadies their ranking at the top. The forecast is their mean, weighed
# by how they did on held-out periods.

LEAST = 1e-9  # expected incidents below which no place is put, so that the log score is finite
STEADY_COLUMN = 1 + OWN_HALF_LIVES.index(60.0)  # the fading count that baselines rank by, too
SIZE_BOUNDS = (1e-3, 1e4)
#: Columns of the plain blend: long run, two and six months, and the cells around by half a year.
BLENDED = (0, 2, 3, *range(OWN_COLUMNS + len(OWN_DAY_HALF_LIVES) + len(BOXES),
                           OWN_COLUMNS + len(OWN_DAY_HALF_LIVES) + 2 * len(BOXES)))
#: Fewest earlier periods a total is forecast from; further ones after which it is fitted again.
EARLIER, REFIT = 3, 4
#: Days at the end of a short log, or its last third, on which its long run is tried.
TRIED_DAYS = 56.0
#: Incidents by which a short log's correction is drawn towards none.
SHRINK = 20.0
TREE_STEPS = 255  # steps of a feature that the trees' library can tell apart


class Model(Protocol):
    """Something fitted that gives expected incidents per place from features."""

    def expected(self, table: np.ndarray) -> np.ndarray:
        """Return expected incidents, shape (rows,)."""
        ...


@dataclass(frozen=True)
class LongRun:
    """Long-run rate times a number of days, fewer than the period's where places are left alone.

    A place enters a derived list by being hit, and many are never hit again.
    """

    days: float

    def expected(self, table: np.ndarray) -> np.ndarray:
        """Return expected incidents, shape (rows,)."""
        found: np.ndarray = np.maximum(self.days * table[:, 0].astype("float64"), LEAST)
        return found


def fit_long_run(table: np.ndarray, counts: np.ndarray, season: np.ndarray) -> LongRun:
    """Fit the days by Poisson likelihood.

    Parameters
    ----------
    table, counts, season
        As in :func:`fit_level_and_recency`.
    """
    return LongRun(float(counts.sum() / max(float(season @ table[:, 0]), LEAST)))


@dataclass(frozen=True)
class LevelAndRecency:
    """Mixture of a common level and fading counts; weights in days (rate times days)."""

    weights: np.ndarray
    level: float

    def expected(self, table: np.ndarray) -> np.ndarray:
        """Return expected incidents, shape (rows,)."""
        own = table[:, :OWN_COLUMNS].astype("float64")
        found: np.ndarray = np.maximum(self.level + own @ self.weights, LEAST)
        return found


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
        found: np.ndarray = np.maximum(self.scale * np.sqrt(context * recent), LEAST)
        return found


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


@dataclass(frozen=True)
class Blend:
    """Mixture of a common level, the long run, two fading counts and the surroundings."""

    weights: np.ndarray
    level: float

    def expected(self, table: np.ndarray) -> np.ndarray:
        """Return expected incidents, shape (rows,)."""
        found: np.ndarray = np.maximum(
            self.level + table[:, BLENDED].astype("float64") @ self.weights, LEAST)
        return found


def fit_blend(table: np.ndarray, counts: np.ndarray, season: np.ndarray) -> Blend:
    """Fit the plain blend: a place never hit gets its share from the cells around it.

    Parameters
    ----------
    table, counts, season
        As in :func:`fit_level_and_recency`.
    """
    return Blend(*_nonnegative_poisson(table[:, BLENDED].astype("float64"),
                                       counts.astype("float64"), season))


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
        found: np.ndarray = (values[1:] + values[:-1]) / 2
        return found
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
    found: np.ndarray = value
    return found


# Fitting a forecast on past periods of one log, and weighing the models on held-out ones.

SHORT_LOG = "long-run rate"
STACK = "weighted mean"
LEVEL = "level and recency"
CONTEXT = "context and recency"
BLEND = "counts and background"


@dataclass(frozen=True)
class PlaceForecast:
    """Expected incidents per place in the period after the origin, with their spread.

    Parameters
    ----------
    expected
        Expected incidents, shape (places,).
    size
        Negative-binomial size of each prediction: variance = mean + mean**2 / size.
    method
        ``STACK`` for a mean of several models, or the one that was used.
    weights
        Weight of each model in the mean.
    common
        Squared coefficient of variation of what all places share: an app comes, a crew reports on
        its round, a summer is busy. Adds ``common * total**2`` to the variance of any sum over
        places (:func:`total_interval`).
    """

    expected: np.ndarray
    size: np.ndarray
    method: str
    weights: dict[str, float]
    common: float = 0.0


def total_interval(made: PlaceForecast, known: np.ndarray, *,
                   level: float) -> tuple[float, float, float]:
    """Return mean and interval of the incidents of some places together.

    Given the forecast and the common factor the places are independent, so their variances add; a
    negative binomial of that mean and variance gives the interval.

    Parameters
    ----------
    made
        The forecast.
    known
        Which places are summed.
    level
        Coverage of the interval.

    Examples
    --------
    >>> apart = PlaceForecast(np.full(100, 4.0), np.full(100, 1e4), LEVEL, {LEVEL: 1.0})
    >>> total_interval(apart, np.full(100, True), level=0.9)
    (400.0, 367.0, 433.0)
    >>> total_interval(replace(apart, common=0.04), np.full(100, True), level=0.9)
    (400.0, 274.0, 544.0)
    """
    mean = made.expected[known]
    total = float(mean.sum())
    variance = float((mean + mean**2 / made.size[known]).sum()) + made.common * total**2
    tail = (1 - level) / 2
    size = total**2 / max(variance - total, 1e-9 * total + 1e-12)
    low, high = nbinom.ppf([tail, 1 - tail], size, size / (size + total))
    return total, float(low), float(high)


@dataclass(frozen=True)
class Periods:
    """Past periods of one length: their starts, features, counts and which rows may be used."""

    starts: np.ndarray
    table: np.ndarray
    counts: np.ndarray
    usable: np.ndarray
    season: np.ndarray

    def rows(self, chosen: np.ndarray, *,
             limit: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Stack the usable rows of the chosen periods, thinned evenly to at most `limit`."""
        pick = np.argwhere(self.usable & chosen[:, None])
        step = max(1, int(np.ceil(len(pick) / limit)))
        period, place = pick[::step].T
        return self.table[period, place], self.counts[period, place], self.season[period]


def past_starts(origin: float, horizon: float, *, numbers: Parameters) -> np.ndarray:
    """Return the starts of past periods that end by the origin and leave a warm-up before them.

    In a young log the warm-up is its first third.

    Parameters
    ----------
    origin
        Day of the forecast since the window opened.
    horizon
        Length of the period [days].
    numbers
        Uses ``hotspots.origin_step_days``, ``warm_up_days``, ``max_origins``.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> past_starts(250.0, 28.0, numbers=load_parameters()).tolist()
    [96.0, 110.0, 124.0, 138.0, 152.0, 166.0, 180.0, 194.0, 208.0, 222.0]
    """
    step = numbers["hotspots.origin_step_days"]
    back = origin - horizon - step * np.arange(int(numbers["hotspots.max_origins"]))
    first = min(numbers["hotspots.warm_up_days"], origin / 3)
    return np.asarray(np.sort(back[back >= first]))


def gather_periods(history: History, starts: np.ndarray, horizon: float, season: Season, *,
                   numbers: Parameters) -> Periods:
    """Compute features and outcomes of past periods, fewer of them where there are many places."""
    most = max(6, int(3 * numbers["hotspots.max_training_rows"] / max(history.n, 1)))
    if len(starts) > most:
        starts = starts[np.unique(np.linspace(0, len(starts) - 1, most).round().astype(int))]
    counts = np.stack([history.counts(s, s + horizon) for s in starts])
    usable = history.known_from[None, :] < starts[:, None]
    return Periods(starts, features(history, starts.tolist(), numbers=numbers), counts, usable,
                   np.array([season.mean_factor(s, horizon) for s in starts]))


def forecast_counts(history: History, *, origin: float, horizon: float, numbers: Parameters,
                    weights: Mapping[str, float] | None = None) -> PlaceForecast:
    """Forecast each place's incidents in the `horizon` days after `origin`.

    What several models expect is averaged. Fitted on periods that end before a few held-out ones,
    they are weighed by how they did there (:func:`stack_weights`), then fitted again on all
    periods; where too few incidents lie before the held-out periods, all count alike. The spread
    comes from the held-out periods. A yearly swing of the whole town is taken out first where the
    log shows one. Where the log is too short for that, the gamma-Poisson long-run rate is used.

    Parameters
    ----------
    history
        Incidents; those from the origin on are not looked at.
    origin, horizon
        Day of the forecast and length of the period [days].
    numbers
        Parameters of the room.
    weights
        Models to use and their weights, without a comparison.
    """
    starts = past_starts(origin, horizon, numbers=numbers)
    if not len(starts) or not len(history.day):
        return long_run_forecast(history, origin=origin, horizon=horizon, numbers=numbers)
    season = find_season(history.day, origin, numbers=numbers)
    level = history.without_season(season)
    periods = gather_periods(level, starts, horizon, season, numbers=numbers)
    limit, least = numbers["hotspots.max_training_rows"], numbers["hotspots.least_fitted"]
    every = periods.rows(periods.starts >= 0, limit=limit)
    if every[1].sum() < least:
        return long_run_forecast(history, origin=origin, horizon=horizon, numbers=numbers)
    first_held = periods.starts[-int(numbers["hotspots.held_out_periods"]):][0]
    earlier = periods.rows(periods.starts + horizon <= first_held, limit=limit)
    tried = _fit_all(*earlier, numbers, only=weights) if earlier[1].sum() >= least else {}
    models = _fit_all(*every, numbers, only=weights or tried or None)
    test, truth, factor = periods.rows(periods.starts >= first_held, limit=limit)
    guesses = {name: factor * model.expected(test) for name, model in (tried or models).items()}
    if weights is None:
        weights = stack_weights(guesses, truth, alike=numbers["hotspots.stack_alike"] if tried
                                else np.inf)
    spread = fit_spread(_mean_of(guesses, weights), truth)
    now = features(level, [origin], numbers=numbers)[0]
    ahead = season.mean_factor(origin, horizon)
    expected = _mean_of({name: ahead * model.expected(now) for name, model in models.items()},
                        weights)
    return PlaceForecast(expected, size_of(expected, *spread),
                         STACK if len(weights) > 1 else next(iter(weights)), dict(weights),
                         common_spread(periods, horizon, spread, numbers=numbers))


def stack_weights(guesses: Mapping[str, np.ndarray], counts: np.ndarray, *,
                  alike: float) -> dict[str, float]:
    """Return the weights, one in all, with which the mean of several guesses is the likeliest.

    A choice of one model by the same few periods changes with every one of them; a mean errs less
    than most of its parts.

    Parameters
    ----------
    guesses
        Expected incidents of each model, made without the counts, each of shape (rows,).
    counts
        What came, shape (rows,).
    alike
        Incidents' worth of evidence, for each model, that all are as good; infinite for a plain
        mean.

    References
    ----------
    Breiman 1996, Stacked Regressions, Machine Learning 24:49-64 (from memory); here with Poisson
    likelihood and a Dirichlet prior.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> good, bad = rng.gamma(1.0, 1.0, (2, 5000))
    >>> found = stack_weights({"good": good, "bad": bad}, rng.poisson(good), alike=10.0)
    >>> bool(found["good"] > 0.95)
    True
    """
    table = np.stack(list(guesses.values()))
    weights = np.full(len(table), 1.0 / len(table))
    if np.isfinite(alike) and len(table) > 1:
        def loss(free: np.ndarray) -> tuple[float, np.ndarray]:
            share = softmax(free)
            mean = share @ table
            slope = table @ (1.0 - counts / mean) - alike / share
            value = (mean - xlogy(counts, mean)).sum() - alike * np.log(share).sum()
            return float(value), share * (slope - share @ slope)

        weights = softmax(minimize(loss, np.zeros(len(table)), jac=True, method="L-BFGS-B").x)
    return dict(zip(guesses, weights.tolist(), strict=True))


def _mean_of(guesses: Mapping[str, np.ndarray], weights: Mapping[str, float]) -> np.ndarray:
    found: np.ndarray = np.sum([weights[name] * guess for name, guess in guesses.items()], axis=0)
    return found


def common_spread(periods: Periods, horizon: float, spread: tuple[float, float], *,
                  numbers: Parameters) -> float:
    """Learn how far the town's total strays from a forecast beyond what single places explain.

    Each past period is forecast by the mixture of level and recency fitted on the periods that
    ended before it began, and its total held against what came. The mean squared miss, less the
    variance of independent places, over the squared total is the common part. A few periods say
    little, so that ``hotspots.common_cv`` counts as ``common_weight`` further periods; overlapping
    periods count by the time they cover.

    Parameters
    ----------
    periods
        Past periods, of which none is later than the forecast's origin.
    horizon
        Length of a period [days].
    spread
        Scale and power of single places' spread, from :func:`fit_spread`.
    numbers
        Uses ``hotspots.common_cv``, ``common_weight`` and ``common_rows``.
    """
    prior, weight = numbers["hotspots.common_cv"] ** 2, numbers["hotspots.common_weight"]
    misses, mixture, fitted = [], None, 0
    for row, start in enumerate(periods.starts):
        earlier = periods.starts + horizon <= start
        if earlier.sum() < EARLIER or not periods.counts[earlier].any():
            continue
        if mixture is None or earlier.sum() >= fitted + REFIT:
            mixture = fit_level_and_recency(*periods.rows(earlier,
                                                          limit=numbers["hotspots.common_rows"]))
            fitted = int(earlier.sum())
        use = periods.usable[row]
        guess = periods.season[row] * mixture.expected(periods.table[row, use])
        total, own = guess.sum(), (guess + guess**2 / size_of(guess, *spread)).sum()
        misses.append(((periods.counts[row, use].sum() - total) ** 2 - own) / total**2)
    if not misses:
        return prior
    apart = np.diff(periods.starts).mean() if len(periods.starts) > 1 else horizon
    seen = max(len(misses) * min(apart / horizon, 1.0), 1.0)
    return float(max((seen * np.mean(misses) + weight * prior) / (seen + weight), 0.0))


def long_run_forecast(history: History, *, origin: float, horizon: float,
                      numbers: Parameters) -> PlaceForecast:
    """Forecast from each place's gamma-Poisson long-run rate, for logs too short for more."""
    shape, rate = _long_run(history, origin, numbers)
    expected = np.maximum(shape / rate * horizon / YEAR, LEAST)
    expected = expected * _came_of_it(history, origin, numbers)
    return PlaceForecast(expected, shape, SHORT_LOG, {SHORT_LOG: 1.0},
                         numbers["hotspots.common_cv"] ** 2)


def _came_of_it(history: History, origin: float, numbers: Parameters) -> float:
    """Return what came over what the same long-run forecast would have said some weeks earlier.

    A place enters a derived list by being hit, and many are never hit again: a young log's mean
    rate is too high for its old places by an amount that its own last period shows.
    """
    length = min(TRIED_DAYS, origin / 3)
    before = origin - length
    known = history.known_from < before
    if not known.any() or length <= 0:
        return 1.0
    shape, rate = _long_run(history, before, numbers)
    said = (shape / rate)[known].sum() * length / YEAR
    came = history.counts(before, origin)[known].sum()
    return float((came + SHRINK) / (said + SHRINK))


def _long_run(history: History, origin: float,
              numbers: Parameters) -> tuple[np.ndarray, np.ndarray]:
    """Return shape and rate [years] of each place's gamma-Poisson posterior at an origin."""
    counts = history.counts(-np.inf, origin)
    years = np.full(history.n, max(origin, numbers["hotspots.min_exposure_days"]) / YEAR)
    known = history.known_from < origin
    derived = bool(np.isfinite(history.known_from).all()) and bool((counts[known] > 0).all())
    prior = fit_prior(counts[known], years[known], zero_truncated=derived)
    return posterior(counts, years, prior)


def _fit_all(table: np.ndarray, counts: np.ndarray, season: np.ndarray, numbers: Parameters, *,
             only: Collection[str] | None) -> dict[str, Model]:
    ways: dict[str, Callable[[np.ndarray, np.ndarray, np.ndarray], Model]] = {
        SHORT_LOG: fit_long_run, LEVEL: fit_level_and_recency, BLEND: fit_blend}
    # Trees with less than a few leaves' worth of rows would only learn the mean.
    if only is not None or len(table) >= 4 * numbers["hotspots.tree_least_rows"]:
        ways[CONTEXT] = partial(fit_context_and_recency, numbers=numbers)
    return {name: fit(table, counts, season) for name, fit in ways.items()
            if only is None or name in only}


HORIZONS_DAYS = (7, 28, 91)


def forecast_places(placed_incidents: gpd.GeoDataFrame, *, places: gpd.GeoDataFrame,
                    window: Window,
                    horizons_days: Sequence[int] = HORIZONS_DAYS,
                    parameters: Parameters | None = None) -> pd.DataFrame:
    """Forecast the incidents of each place in the days after the observation window.

    Assumptions: the coming weeks resemble past periods of the same length with the same recent
    history; nothing new is done to the places. Days awaiting clearance are not taken out: what is
    forecast is the number of incidents that will be reported.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in; projected CRS.
    places
        One row per place: ``place_id``, ``place_kind`` and point geometry (the table ``repeats``).
        Register assets without an incident get a forecast too.
    window
        Observation window, UTC; the forecast starts at its end.
    horizons_days
        Lengths of the periods forecast [days].
    parameters
        Parameters of the room.

    Returns
    -------
    pandas.DataFrame
        Table ``forecast``, one row per place and horizon, plus ``method`` (the model that won on
        held-out periods of this log, compared on the middle horizon). The interval is that of the
        predictive negative binomial.

    Raises
    ------
    TableError
        If a needed column or the projected CRS is missing.
    SettingError
        If the window is empty or a horizon is not a positive whole number.
    """
    numbers = load_parameters() if parameters is None else parameters
    history = place_history(placed_incidents, places=places, window=window)
    bad = [h for h in horizons_days if not (float(h).is_integer() and h > 0)]
    if bad or not len(horizons_days):
        raise SettingError("horizons_days", "errors.not_horizons", values=str(list(horizons_days)))
    if not history.n:
        return empty("forecast").assign(method=pd.Series([], dtype="str"))
    # The models are weighed on the middle horizon, the others keep the weights: less computing.
    middle = sorted(horizons_days)[len(horizons_days) // 2]
    made = {middle: forecast_counts(history, origin=window.days, horizon=float(middle),
                                    numbers=numbers)}
    weights = None if made[middle].method == SHORT_LOG else made[middle].weights
    for horizon in set(horizons_days) - {middle}:
        made[horizon] = forecast_counts(history, origin=window.days, horizon=float(horizon),
                                        numbers=numbers, weights=weights)
    level = numbers["hotspots.interval_level"]
    table = pd.concat([_rows(made[h], places["place_id"], int(h), level) for h in horizons_days],
                      ignore_index=True)
    check(table, "forecast", where="forecast_places")
    return table


def place_history(placed_incidents: gpd.GeoDataFrame, *, places: gpd.GeoDataFrame,
                  window: Window) -> History:
    """Return the incidents of the places in the form that forecasts are fitted on.

    Parameters
    ----------
    placed_incidents, places, window
        As in :func:`forecast_places`.

    Raises
    ------
    TableError
        If a needed column or the projected CRS is missing.
    """
    window.checked()
    missing = [c for c in ("place_id", "place_kind") if c not in places.columns]
    if missing:
        raise TableError("forecast_places: places", "errors.no_column_of_repeats",
                         names=tuple(missing))
    require_projected(places, where="forecast_places: places")
    rows = known_places(placed_incidents)
    code = pd.Index(places["place_id"]).get_indexer(rows["place_id"])
    day = days_since(rows["reported_at"], window.start)
    return make_history(*_inside(code, day, window.days), _points_m(places),
                        always_known=(places["place_kind"] == "asset").to_numpy())


def _rows(made: PlaceForecast, ids: pd.Series, horizon: int, level: float) -> pd.DataFrame:
    low, high, any_ = predictive_interval(made.expected, made.size, level=level)
    return pd.DataFrame({
        "place_id": ids.astype("str").to_numpy(), "horizon_days": horizon,
        "expected": made.expected, "low": low, "high": high, "chance_any": any_,
        "method": made.method})


def _inside(code: np.ndarray, day: np.ndarray,
            length: float) -> tuple[np.ndarray, np.ndarray]:
    """Keep incidents of listed places inside the window."""
    kept = (code >= 0) & (day >= 0) & (day <= length)
    return code[kept], day[kept]


def _points_m(places: gpd.GeoDataFrame) -> np.ndarray:
    """Coordinates of the places in metres, NaN where a place has no geometry."""
    xy = np.full((len(places), 2), np.nan)
    there = (places.geometry.notna() & ~places.geometry.is_empty).to_numpy()
    if there.any():
        xy[there] = np.column_stack(coordinates(places.loc[there])) * metres_per_unit(places)
    return xy
