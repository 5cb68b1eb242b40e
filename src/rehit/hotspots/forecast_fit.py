"""Fitting a forecast on past periods of one log, and choosing the model on held-out ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, xlogy

from rehit.hotspots.forecast_features import History, features
from rehit.hotspots.forecast_models import (
    LEAST,
    Model,
    fit_context_and_recency,
    fit_level_and_recency,
    fit_spread,
    size_of,
)
from rehit.hotspots.forecast_season import Season, find_season
from rehit.hotspots.repeats_prior import fit_prior, posterior
from rehit.parameters import Parameters

SHORT_LOG = "long-run rate"
LEVEL = "level and recency"
CONTEXT = "context and recency"


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
        Which model was used.
    held_out_scores
        Mean Poisson log score per place and period of each candidate on the held-out periods
        (higher is better); empty where the log is too short to hold any out.
    """

    expected: np.ndarray
    size: np.ndarray
    method: str
    held_out_scores: dict[str, float]


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
    [166.0, 180.0, 194.0, 208.0, 222.0]
    """
    step = numbers["hotspots.origin_step_days"]
    back = origin - horizon - step * np.arange(int(numbers["hotspots.max_origins"]))
    return np.asarray(np.sort(back[back >= numbers["hotspots.warm_up_days"]]))


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
                    only: str | None = None) -> PlaceForecast:
    """Forecast each place's incidents in the `horizon` days after `origin`.

    Models are fitted on periods that end before a few held-out ones, compared there by Poisson
    log score, and the winner is fitted again on all periods. The spread comes from the held-out
    periods. A yearly swing of the whole town is taken out first where the log shows one. Where
    the log is too short for that, the gamma-Poisson long-run rate is used.

    Parameters
    ----------
    history
        Incidents; those from the origin on are not looked at.
    origin, horizon
        Day of the forecast and length of the period [days].
    numbers
        Parameters of the room.
    only
        Use this model without comparing; its spread still comes from the held-out periods.
    """
    starts = past_starts(origin, horizon, numbers=numbers)
    held = int(numbers["hotspots.held_out_periods"])
    if len(starts) < 2 * held or not len(history.day):
        return long_run_forecast(history, origin=origin, horizon=horizon, numbers=numbers)
    season = find_season(history.day, origin, numbers=numbers)
    level = history.without_season(season)
    periods = gather_periods(level, starts, horizon, season, numbers=numbers)
    later = periods.starts >= periods.starts[-held]
    earlier = periods.starts + horizon <= periods.starts[-held]
    limit = numbers["hotspots.max_training_rows"]
    if not (periods.usable & earlier[:, None]).any() or not periods.counts[earlier].any():
        return long_run_forecast(history, origin=origin, horizon=horizon, numbers=numbers)
    test, truth, factor = periods.rows(later, limit=limit)
    scores, spreads = {}, {}
    for name, model in _fit_all(*periods.rows(earlier, limit=limit), numbers, only=only).items():
        guess = factor * model.expected(test)
        scores[name] = float((xlogy(truth, guess) - guess - gammaln(truth + 1)).mean())
        spreads[name] = fit_spread(guess, truth)
    best = max(scores, key=lambda name: scores[name])
    every = np.ones(len(periods.starts), dtype=bool)
    model = _fit_all(*periods.rows(every, limit=limit), numbers, only=best)[best]
    now = features(level, [origin], numbers=numbers)[0]
    expected = model.expected(now) * season.mean_factor(origin, horizon)
    return PlaceForecast(expected, size_of(expected, *spreads[best]), best, scores)


def long_run_forecast(history: History, *, origin: float, horizon: float,
                      numbers: Parameters) -> PlaceForecast:
    """Forecast from each place's gamma-Poisson long-run rate, for logs too short for more."""
    counts = history.counts(-np.inf, origin)
    years = np.full(history.n, max(origin, numbers["hotspots.min_exposure_days"]) / 365.25)
    derived = bool(np.isfinite(history.known_from).all())
    prior = fit_prior(counts, years, zero_truncated=derived and bool((counts > 0).all()))
    shape, rate = posterior(counts, years, prior)
    expected = np.maximum(shape / rate * horizon / 365.25, LEAST)
    return PlaceForecast(expected, shape, SHORT_LOG, {})


def _fit_all(table: np.ndarray, counts: np.ndarray, season: np.ndarray, numbers: Parameters, *,
             only: str | None = None) -> dict[str, Model]:
    models: dict[str, Model] = {}
    if only in (None, LEVEL):
        models[LEVEL] = fit_level_and_recency(table, counts, season)
    # Trees with less than a few leaves' worth of rows would only learn the mean.
    enough = len(table) >= 4 * numbers["hotspots.tree_least_rows"] and counts.any()
    if only == CONTEXT or (only is None and enough):
        models[CONTEXT] = fit_context_and_recency(table, counts, season, numbers=numbers)
    return models
