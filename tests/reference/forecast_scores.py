"""Scores of forecasts in more detail than the report gives: by group, by period, beside counts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from rehit.hotspots import forecast
from rehit.hotspots.forecast import (
    LEAST,
    History,
    forecast_counts,
    past_starts,
    predictive_interval,
)
from rehit.hotspots.scoring import (
    FORECAST,
    Score,
    baselines,
    capture_at,
    poisson_log_score,
)
from rehit.parameters import Parameters


def calibration_table(expected: np.ndarray, counts: np.ndarray, *, bins: int = 10) -> pd.DataFrame:
    """Compare what was expected with what came, in groups of equal expected total.

    Returns
    -------
    pandas.DataFrame
        One row per group from quiet to busy places: ``places``, ``expected``, ``observed``,
        ``ratio`` (observed / expected) and ``se_ratio`` (its standard error from the spread of the
        counts within the group).
    """
    order = np.argsort(expected, kind="stable")
    running = np.cumsum(expected[order])
    group = np.minimum((running / running[-1] * bins - 1e-9).astype(int), bins - 1)
    frame = pd.DataFrame({"group": group, "expected": expected[order], "observed": counts[order]})
    frame["square"] = (frame["observed"] - frame["expected"]) ** 2
    table = frame.groupby("group").agg(places=("expected", "size"), expected=("expected", "sum"),
                                       observed=("observed", "sum"), square=("square", "sum"))
    return table.assign(ratio=table["observed"] / table["expected"],
                        se_ratio=np.sqrt(table["square"]) / table["expected"]
                        ).drop(columns="square")


def interval_coverage(counts: np.ndarray, low: np.ndarray, high: np.ndarray) -> float:
    """Return the share of counts inside their intervals, ends included."""
    return float(((counts >= low) & (counts <= high)).mean())


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
            expected = scaled_score(history, score, origin=origin, horizon=horizon, numbers=numbers)
            rows.append(_scored(name, origin, expected[known], truth, shares))
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


def scaled_score(history: History, score: Score, *, origin: float, horizon: float,
                 numbers: Parameters) -> np.ndarray:
    """Return a plain score as expected incidents, scaled on up to six periods before the origin."""
    starts = past_starts(origin, horizon, numbers=numbers)[-6:]
    if not len(starts):
        starts = np.array([max(origin - horizon, 0.0)])
    known = [history.known_from < start for start in starts]
    scores = np.concatenate([score(history, s)[k] for s, k in zip(starts, known, strict=True)])
    truth = np.concatenate([history.counts(s, s + horizon)[k]
                            for s, k in zip(starts, known, strict=True)])
    level, slope = LEAST, 1.0
    if len(truth):
        weights, level = forecast._nonnegative_poisson(
            scores[:, None].astype("float64"), truth.astype("float64"), np.ones(len(truth)))
        slope = float(weights[0])
    return np.maximum(level + slope * score(history, origin), LEAST)
