"""How good the forecasts would have been: past months forecast from what was known before them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.stats import nbinom

from rehit.hotspots.forecast_features import History
from rehit.hotspots.forecast_fit import PlaceForecast, forecast_counts
from rehit.hotspots.grid import days_since
from rehit.hotspots.scoring import capture_at, poisson_log_score
from rehit.hotspots.scoring_rolling import FORECAST, baselines
from rehit.parameters import Parameters

CHECK_COLUMNS = ("period_start", "days", "expected", "low", "high", "observed")
SCORE_COLUMNS = ("method", "horizon_days", "hit_rate", "log_score", "pai")


def past_record(history: History, *, starts: Sequence[pd.Timestamp], ends: Sequence[pd.Timestamp],
                observed_from: pd.Timestamp,
                numbers: Parameters) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Forecast past periods, each from the incidents before it alone, and hold them to what came.

    Parameters
    ----------
    history
        All incidents of the log, from :func:`rehit.hotspots.forecast.place_history`.
    starts, ends
        Beginning and end of each period [UTC], both inside the log's window.
    observed_from
        First moment of the log's window [UTC].
    numbers
        Uses ``hotspots.interval_level`` and ``hotspots.score_share`` beside the forecast's own.

    Returns
    -------
    tuple of pandas.DataFrame
        One row per period: ``period_start, days, expected, low, high, observed`` (all places known
        at its start together); and one row per method: ``method, horizon_days, hit_rate,
        log_score, pai`` averaged over the periods, the plain counts beside the forecast.
        Both are empty where the log is too short.
    """
    checks, scores = [], []
    for start, end in zip(starts, ends, strict=True):
        origin, close = days_since(pd.Series([start, end]), observed_from)
        known = history.known_from < origin
        if not known.any():
            continue
        made = forecast_counts(history, origin=float(origin), horizon=float(close - origin),
                               numbers=numbers)
        came = history.counts(float(origin), float(close))[known]
        checks.append((start, float(close - origin), *_total(made, known, numbers),
                       float(came.sum())))
        scores += _scores(history, made, known, came, float(origin), float(close), numbers)
    table = pd.DataFrame(scores, columns=list(SCORE_COLUMNS))
    means = table.groupby("method", sort=False, as_index=False).mean()
    means["horizon_days"] = means["horizon_days"].round().astype("int64")
    return pd.DataFrame(checks, columns=list(CHECK_COLUMNS)), means


def _total(made: PlaceForecast, known: np.ndarray,
           numbers: Parameters) -> tuple[float, float, float]:
    """Return mean and interval of all places' incidents together.

    Places are taken as independent given the forecast, so their variances add; a negative binomial
    of that mean and variance gives the interval.
    """
    mean = made.expected[known]
    variance = float((mean + mean**2 / made.size[known]).sum())
    total = float(mean.sum())
    tail = (1 - numbers["hotspots.interval_level"]) / 2
    size = total**2 / max(variance - total, 1e-9 * total + 1e-12)
    low, high = nbinom.ppf([tail, 1 - tail], size, size / (size + total))
    return total, float(low), float(high)


def _scores(history: History, made: PlaceForecast, known: np.ndarray, came: np.ndarray,
            origin: float, close: float,
            numbers: Parameters) -> list[tuple[str, float, float, float, float]]:
    share = numbers["hotspots.score_share"]
    ranked = {FORECAST: made.expected[known]} | {
        name: score(history, origin)[known] for name, score in baselines(numbers).items()}
    rows = []
    for name, expected in ranked.items():
        got = capture_at(expected, came, share=share, share_ties=True)
        log_score = poisson_log_score(expected, came) if name == FORECAST else float("nan")
        rows.append((name, close - origin, got["hit_rate"], log_score, got["pai"]))
    return rows
