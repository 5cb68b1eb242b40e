"""What was known at an origin: fading counts of each place and of the cells around it.

Every number is built from incidents before the origin only, so that a forecast scored on a past
period has not seen it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter

from rehit.hotspots.forecast_season import Season
from rehit.hotspots.grid import lay_grid
from rehit.hotspots.repeats_prior import fit_prior, posterior
from rehit.parameters import Parameters

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


def feature_names() -> list[str]:
    """Return the names of the columns made by :func:`features`, in order."""
    own = ["long_run", *(f"own_{h:g}d" for h in OWN_HALF_LIVES)]
    days = [f"own_days_{h:g}d" for h in OWN_DAY_HALF_LIVES]
    return own + days + [f"ring{b}_{h:g}d" for h in AROUND_HALF_LIVES for b in BOXES]


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
        Shape (origins, places, features), float32, columns as :func:`feature_names`: the
        gamma-Poisson rate of the whole past, and fading counts divided by the days that their
        weights sum to.
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
        return counts / back[:, None]
    span = half_life / np.log(2.0)
    return counts / (span * -np.expm1(-back / span))[:, None]


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
