"""How good a forecast was: what it captured, how sharp it was, whether its intervals hold.

All functions take numbers of one past period: what was expected and what came, place by place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import pandas as pd
from scipy.special import gammaln, xlogy

from rehit.errors import SettingError
from rehit.hotspots.forecast import (
    FOREVER,
    History,
    PlaceForecast,
    fading_counts,
    forecast_counts,
    total_interval,
)
from rehit.hotspots.grid import days_since, kernel_density, lay_grid
from rehit.observed import Window
from rehit.parameters import Parameters


def capture_curve(expected: np.ndarray, counts: np.ndarray, *, area: np.ndarray | None = None,
                  share_ties: bool = False) -> pd.DataFrame:
    """Rank places by what was expected and return what the first k of them captured.

    Ties are broken against the forecast: of equally expected places the one with fewer incidents
    comes first. Shared ties give the mean over all orders of equally expected places instead, which
    is fair to plain counts, where many places tie.

    Parameters
    ----------
    expected, counts
        What was forecast (any increasing score) and what came, shape (n,).
    area
        Size of each place, any unit; equal if left out.
    share_ties
        Share the incidents of equally expected places evenly among them (places of equal size).

    Returns
    -------
    pandas.DataFrame
        One row per rank: ``share_area``, ``hits``, ``hit_rate`` (share of all incidents), ``pai``
        (predictive accuracy index: hit rate over area share) and ``pei`` (PAI over the best that
        as much area could have reached); the last three NaN if nothing came.

    References
    ----------
    Chainey, Tompson and Uhlig 2008, Security Journal 21:4-28 (PAI). Hunt 2016 (PEI, the NIJ
    challenge). Tie rule and check values: R package ptools, function pai.

    Examples
    --------
    >>> curve = capture_curve(np.array([3.0, 2, 1]), np.array([6, 3, 0]))
    >>> curve["pai"].round(3).tolist(), curve["pei"].tolist()
    ([2.0, 1.5, 1.0], [1.0, 1.0, 1.0])
    """
    _same_length(expected, counts)
    size = np.ones(len(counts)) if area is None else np.asarray(area, "float64")
    total = float(counts.sum())
    order = np.lexsort((counts, -np.asarray(expected, "float64")))
    ordered = counts[order].astype("float64")
    if share_ties:
        group = np.cumsum(np.diff(np.asarray(expected)[order], prepend=np.inf) != 0) - 1
        ordered = (np.bincount(group, ordered) / np.bincount(group))[group]
    hits = np.cumsum(ordered)
    share = np.cumsum(size[order]) / size.sum()
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = hits / total
        best = _best_capture(counts, size, share) / total
        return pd.DataFrame({"share_area": share, "hits": hits, "hit_rate": rate,
                             "pai": rate / share, "pei": rate / best})


def capture_at(expected: np.ndarray, counts: np.ndarray, *, share: float,
               share_ties: bool = False) -> dict[str, float]:
    """Return hit rate, PAI and PEI of the top `share` of places (at least one place).

    Parameters
    ----------
    expected, counts
        As in :func:`capture_curve`, places of equal size.
    share
        Share of the places, for example 0.01.
    share_ties
        As in :func:`capture_curve`.

    Raises
    ------
    SettingError
        If the share is not above 0 and at most 1.

    Examples
    --------
    >>> got = capture_at(np.array([8.0, 4, 4, 2, 1, 0]), np.array([6, 7, 3, 2, 1, 0]), share=1 / 6)
    >>> {name: round(value, 3) for name, value in got.items()}
    {'hit_rate': 0.316, 'pai': 1.895, 'pei': 0.857}
    """
    if not 0 < share <= 1:
        raise SettingError("capture_at share", "errors.not_a_share", value=share)
    top = max(1, round(share * len(counts)))
    row = capture_curve(expected, counts, share_ties=share_ties).iloc[top - 1]
    return {name: float(row[name]) for name in ("hit_rate", "pai", "pei")}


def poisson_log_score(expected: np.ndarray, counts: np.ndarray) -> float:
    """Return the mean Poisson log likelihood per place (higher is better).

    A place that was declared impossible and was hit makes the score minus infinity.

    Examples
    --------
    >>> round(poisson_log_score(np.array([1.0, 2.0]), np.array([1, 2])), 4)
    -1.1534
    """
    _same_length(expected, counts)
    return float((xlogy(counts, expected) - expected - gammaln(np.asarray(counts) + 1)).mean())


def _best_capture(counts: np.ndarray, size: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Most incidents that places of at most this share of the area hold, densest first."""
    order = np.argsort(-counts / size, kind="stable")
    reached = np.cumsum(size[order]) / size.sum()
    held = np.concatenate([[0.0], np.cumsum(counts[order])])
    return np.asarray(held[np.searchsorted(reached, share * (1 + 1e-12), side="right")])


def _same_length(expected: np.ndarray, counts: np.ndarray) -> None:
    if len(expected) != len(counts) or not len(counts):
        raise SettingError("scoring", "errors.unpaired_scores", forecasts=len(expected),
                           counts=len(counts))


# Scoring forecasts on one past period after another, beside the counts anybody could make.

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


# How good the forecasts would have been: past months forecast from what was known before them.

CHECK_COLUMNS = ("period_start", "days", "expected", "low", "high", "observed")
SCORE_COLUMNS = ("method", "horizon_days", "hit_rate", "log_score", "pai")


def past_record(history: History, *, starts: Sequence[pd.Timestamp], ends: Sequence[pd.Timestamp],
                window: Window,
                numbers: Parameters) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Forecast past periods, each from the incidents before it alone, and hold them to what came.

    Parameters
    ----------
    history
        All incidents of the log, from :func:`rehit.hotspots.forecast.place_history`.
    starts, ends
        Beginning and end of each period [UTC], both inside the log's window.
    window
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
        origin, close = days_since(pd.Series([start, end]), window.start)
        known = history.known_from < origin
        if not known.any():
            continue
        made = forecast_counts(history, origin=float(origin), horizon=float(close - origin),
                               numbers=numbers)
        came = history.counts(float(origin), float(close))[known]
        checks.append((start, float(close - origin), *total_interval(
            made, known, level=numbers["hotspots.interval_level"]), float(came.sum())))
        scores += _scores(history, made, known, came, float(origin), float(close), numbers)
    scored = pd.DataFrame(scores, columns=list(SCORE_COLUMNS))
    means = scored.groupby("method", sort=False, as_index=False).mean()
    means["horizon_days"] = means["horizon_days"].round().astype("int64")
    table = pd.DataFrame(checks, columns=list(CHECK_COLUMNS))
    table["period_start"] = table["period_start"].astype("datetime64[us, UTC]")
    return table, means


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
