"""How good a forecast was: what it captured, how sharp it was, whether its intervals hold.

All functions take numbers of one past period: what was expected and what came, place by place.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import gammaln, xlogy

from rehit.errors import SettingError


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
        raise SettingError("capture_at share", got=f"{share:g}", allowed="above 0, at most 1",
                           remedy="for example 0.01 for the top 1 % of places")
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


def calibration_table(expected: np.ndarray, counts: np.ndarray, *, bins: int = 10) -> pd.DataFrame:
    """Compare what was expected with what came, in groups of equal expected total.

    Returns
    -------
    pandas.DataFrame
        One row per group from quiet to busy places: ``places``, ``expected``, ``observed``,
        ``ratio`` (observed / expected) and ``se_ratio`` (its standard error from the spread of the
        counts within the group).

    Examples
    --------
    >>> table = calibration_table(np.array([0.5, 0.5, 1.0, 2.0]), np.array([1, 0, 1, 2]), bins=2)
    >>> table["ratio"].tolist()
    [1.0, 1.0]
    """
    _same_length(expected, counts)
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
    """Return the share of counts inside their intervals, ends included.

    Examples
    --------
    >>> interval_coverage(np.array([0, 9]), np.array([0, 1]), np.array([1, 3]))
    0.5
    """
    return float(((counts >= low) & (counts <= high)).mean())


def _best_capture(counts: np.ndarray, size: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Most incidents that places of at most this share of the area hold, densest first."""
    order = np.argsort(-counts / size, kind="stable")
    reached = np.cumsum(size[order]) / size.sum()
    held = np.concatenate([[0.0], np.cumsum(counts[order])])
    return np.asarray(held[np.searchsorted(reached, share * (1 + 1e-12), side="right")])


def _same_length(expected: np.ndarray, counts: np.ndarray) -> None:
    if len(expected) != len(counts) or not len(counts):
        raise SettingError("scoring", got=f"{len(expected)} forecasts and {len(counts)} counts",
                           allowed="one of each per place, and at least one place",
                           remedy="score the places that were forecast")
