"""Scoring forecasts on one past period after another, beside the counts anybody could make."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import pandas as pd

from rehit.hotspots.forecast_features import FOREVER, History, fading_counts
from rehit.hotspots.forecast_fit import forecast_counts, past_starts
from rehit.hotspots.forecast_models import LEAST, fit_scaled, predictive_interval
from rehit.hotspots.grid import lay_grid
from rehit.hotspots.kernel import kernel_density
from rehit.hotspots.scoring import capture_at, interval_coverage, poisson_log_score
from rehit.parameters import Parameters

Score = Callable[[History, float], np.ndarray]
FORECAST = "forecast"


def baselines(numbers: Parameters) -> dict[str, Score]:
    """Return the scores a forecast must beat: each takes the history and a day, gives a score.

    All-history count, counts of the last 90 and 365 days, exponentially fading count
    (``hotspots.baseline_half_life_days``) and kernel density (``hotspots.kernel_bandwidth_m``).
    """
    return {
        "count, all history": lambda h, day: fading_counts(h, [day], FOREVER)[0],
        "count, 365 days": lambda h, day: h.counts(day - 365.0, day).astype("float64"),
        "count, 90 days": lambda h, day: h.counts(day - 90.0, day).astype("float64"),
        "exponentially weighted": lambda h, day: fading_counts(
            h, [day], numbers["hotspots.baseline_half_life_days"])[0],
        "kernel density": partial(_kernel_score, numbers=numbers),
    }


def score_rolling(history: History, origins: Sequence[float], *, horizon: float,
                  numbers: Parameters, shares: Sequence[float] = (0.01, 0.05)) -> pd.DataFrame:
    """Forecast one past period after another and score each beside the baselines.

    Every number at an origin is computed from incidents before it. So that the log score is fair,
    each baseline is given the level and slope that make it a Poisson expectation, fitted on the
    periods before the origin; its ranking is not changed by that. Ties are shared. Places not yet
    known at an origin are left out of it.

    Parameters
    ----------
    history
        All incidents of the log.
    origins
        Days at which to forecast.
    horizon
        Length of the periods [days].
    numbers
        Parameters of the room.
    shares
        Shares of the places at which captures are reported.

    Returns
    -------
    pandas.DataFrame
        One row per origin and method: ``incidents``, ``log_score`` (mean per place), per share
        ``hit_rate_1``, ``pai_1``, ``pei_1`` ... (percent in the name) and, for the forecast,
        ``coverage`` and ``coverage_hit`` (of the places expected to have half an incident or more)
        of its intervals, and ``model``.
    """
    rows = []
    for origin in origins:
        known = history.known_from < origin
        truth = history.counts(origin, origin + horizon)[known]
        made = forecast_counts(history, origin=origin, horizon=horizon, numbers=numbers)
        low, high, _ = predictive_interval(made.expected[known], made.size[known],
                                           level=numbers["hotspots.interval_level"])
        busy = made.expected[known] >= 0.5
        extra = {"coverage": interval_coverage(truth, low, high), "model": made.method,
                 "coverage_hit": interval_coverage(truth[busy], low[busy], high[busy])
                 if busy.any() else np.nan}
        rows.append(_scored(FORECAST, origin, made.expected[known], truth, shares) | extra)
        for name, score in baselines(numbers).items():
            level, slope = _scale(history, score, origin, horizon, numbers)
            expected = np.maximum(level + slope * score(history, origin)[known], LEAST)
            rows.append(_scored(name, origin, expected, truth, shares))
    return pd.DataFrame(rows)


def summarise(scores: pd.DataFrame) -> pd.DataFrame:
    """Average the scores of :func:`score_rolling` over its origins, one row per method."""
    numeric = scores.drop(columns=["origin", "model"]).groupby("method", sort=False)
    return numeric.mean().drop(columns="incidents")


def _scored(method: str, origin: float, expected: np.ndarray, truth: np.ndarray,
            shares: Sequence[float]) -> dict[str, object]:
    row: dict[str, object] = {"method": method, "origin": origin, "incidents": int(truth.sum()),
                              "log_score": poisson_log_score(expected, truth)}
    for share in shares:
        got = capture_at(expected, truth, share=share, share_ties=True)
        row |= {f"{name}_{share * 100:g}": value for name, value in got.items()}
    return row


def _scale(history: History, score: Score, origin: float, horizon: float,
           numbers: Parameters) -> tuple[float, float]:
    """Level and slope fitted on up to six past periods that end by the origin."""
    starts = past_starts(origin, horizon, numbers=numbers)[-6:]
    if not len(starts):
        starts = np.array([max(origin - horizon, 0.0)])
    known = [history.known_from < start for start in starts]
    scores = np.concatenate([score(history, s)[k] for s, k in zip(starts, known, strict=True)])
    truth = np.concatenate([history.counts(s, s + horizon)[k]
                            for s, k in zip(starts, known, strict=True)])
    return fit_scaled(scores, truth) if len(truth) else (LEAST, 1.0)


def _kernel_score(history: History, day: float, *, numbers: Parameters) -> np.ndarray:
    """Kernel density of all incidents so far at each place's cell."""
    located = np.isfinite(history.xy_m).all(axis=1)
    if not located.any():  # a log without coordinates: its places are known by address only
        return np.zeros(history.n)
    x, y = history.xy_m[located].T
    side = numbers["hotspots.cell_m"]
    grid = lay_grid(x, y, side=side, max_cells=numbers["hotspots.max_cells"])
    counts = history.counts(-np.inf, day)[located]
    density = kernel_density(grid.tally(x, y, counts), cell_m=side,
                             bandwidth_m=numbers["hotspots.kernel_bandwidth_m"])
    result = np.zeros(history.n)
    result[located] = density.ravel()[grid.index(x, y)]
    return result
