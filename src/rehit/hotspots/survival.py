"""Time from clearance to the next marking, with places still clean at the end counted as such."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from rehit.errors import TableError
from rehit.hotspots.survival_places import place_variance

# A log survival standing for zero: a finite number, so that running sums of other groups survive.
LOG_ZERO = -60.0
COLUMNS = ("days", "at_risk", "events", "survival", "standard_error", "low", "high")


def kaplan_meier(days: np.ndarray, observed: np.ndarray, *, place: np.ndarray | None = None,
                 level: float = 0.95) -> pd.DataFrame:
    """Estimate the share of cleared surfaces still clean after so many days.

    Assumptions: surfaces whose follow-up ends early (still clean at the end of the log) would have
    gone on like the others; the spells are independent, or (with `place`) the places are.

    Parameters
    ----------
    days
        Time from clearance to the next marking or to the end of follow-up [days], shape (n,).
    observed
        Whether the time ended with a marking (else censored), shape (n,).
    place
        Place of each spell, shape (n,). Spells of one place resemble each other; given, the error
        is the larger of Greenwood's and that from the scatter between places.
    level
        Coverage of the pointwise interval, log-log transformed.

    Returns
    -------
    pandas.DataFrame
        One row per distinct time with a marking: ``days, at_risk, events, survival,
        standard_error`` (Greenwood) ``, low, high``.

    References
    ----------
    Kaplan and Meier 1958, JASA 53:457-481. Kalbfleisch and Prentice 1980 (log-log interval).
    Spells of one place: Ying and Wei 1994, J. Multivariate Analysis 50:17-29.

    Examples
    --------
    >>> kaplan_meier(np.array([5, 8, 8, 20]), np.array([1, 1, 0, 0]))[["days", "survival"]]
       days  survival
    0   5.0      0.75
    1   8.0      0.50
    """
    time, event = _checked(days, observed)
    at, first = np.unique(np.sort(time), return_index=True)
    events = np.bincount(np.searchsorted(at, time), weights=event, minlength=len(at))
    at_risk = len(time) - first
    keep = events > 0
    d, r = events[keep], at_risk[keep].astype("float64")
    survival = np.cumprod(1.0 - d / r)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(np.where(r > d, d / (r * (r - d)), np.inf))
        if place is not None:
            greenwood = np.maximum(greenwood, place_variance(place, time, event)[keep])
        error = np.where(survival > 0, survival * np.sqrt(greenwood), np.nan)
    low, high = log_log_interval(survival, greenwood, level=level)
    values = (at[keep], at_risk[keep], d.astype("int64"), survival, error, low, high)
    return pd.DataFrame(dict(zip(COLUMNS, values, strict=True)))


def log_log_interval(survival: np.ndarray, greenwood: np.ndarray, *,
                     level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the pointwise log(-log) interval of a survival curve; NaN where it is 0 or 1."""
    z = norm.ppf((1.0 + level) / 2.0)
    inner = (survival > 0) & (survival < 1)
    s = np.where(inner, survival, 0.5)
    spread = z * np.sqrt(np.where(inner, greenwood, 0.0)) / np.log(s)
    low, high = s ** np.exp(-spread), s ** np.exp(spread)
    return np.where(inner, low, np.nan), np.where(inner, high, np.nan)


def median_time(days: np.ndarray, observed: np.ndarray, *, place: np.ndarray | None = None,
                level: float = 0.9) -> tuple[float, float, float]:
    """Return the median time to re-hit with its interval; NaN where the curve does not get there.

    Parameters
    ----------
    days, observed, place, level
        As in :func:`kaplan_meier`.

    References
    ----------
    Brookmeyer and Crowley 1982, Biometrics 38:29-41.

    Examples
    --------
    >>> median_time(np.array([5, 8, 8, 20]), np.array([1, 1, 0, 0]))
    (8.0, 5.0, nan)
    """
    curve = kaplan_meier(days, observed, place=place, level=level)
    return (_first(curve["days"], curve["survival"]), _first(curve["days"], curve["low"]),
            _first(curve["days"], curve["high"]))


def _first(days: pd.Series, curve: pd.Series) -> float:
    reached = days[curve <= 0.5 + 1e-12]
    return float(reached.iloc[0]) if len(reached) else float("nan")


def grouped_medians(place: np.ndarray, days: np.ndarray, observed: np.ndarray, *, n_places: int,
                    min_events: int, level: float) -> np.ndarray:
    """Return the median time to re-hit of every place at once.

    The same numbers as :func:`median_time` place by place, in one pass over sorted arrays.

    Parameters
    ----------
    place
        Place of each spell, 0..n_places-1.
    days, observed
        As in :func:`kaplan_meier`.
    n_places
        Number of places.
    min_events
        Places with fewer observed times get NaN.
    level
        Coverage of the interval.

    Returns
    -------
    numpy.ndarray
        Shape (n_places, 3): median, low, high.

    Examples
    --------
    >>> grouped_medians(np.array([0, 0, 0, 0]), np.array([5, 8, 8, 20]), np.array([1, 1, 0, 0]),
    ...                 n_places=1, min_events=1, level=0.9)
    array([[ 8.,  5., nan]])
    """
    out = np.full((n_places, 3), np.nan)
    if len(place) == 0:
        return out
    event = np.asarray(observed, dtype=bool)
    order = np.lexsort((~event, days, place))
    place, time, event = place[order], np.asarray(days, "float64")[order], event[order]
    starts = np.flatnonzero(np.diff(place, prepend=-1))
    sizes = np.diff(np.append(starts, len(place)))
    at_risk = np.repeat(starts + sizes, sizes) - np.arange(len(place))
    # One event at a time is the same product as tied events together: the factors telescope.
    with np.errstate(divide="ignore"):
        step = np.where(event, np.maximum(np.log1p(-1.0 / at_risk), LOG_ZERO), 0.0)
        var = np.where(event & (at_risk > 1), 1.0 / (at_risk * np.maximum(at_risk - 1.0, 1.0)), 0.0)
    survival = np.exp(_running(step, starts, sizes))
    survival = np.where(survival < np.exp(LOG_ZERO / 2), 0.0, survival)
    low, high = log_log_interval(survival, _running(var, starts, sizes), level=level)
    enough = np.bincount(place, weights=event, minlength=n_places) >= min_events
    tied = np.append((place[1:] == place[:-1]) & (time[1:] == time[:-1]) & event[1:], False)
    for column, curve in enumerate((survival, np.where(survival == 0, np.nan, low), high)):
        hit = np.flatnonzero(event & ~tied & (curve <= 0.5 + 1e-12))
        where, index = np.unique(place[hit], return_index=True)
        out[where, column] = time[hit[index]]
    out[~enough] = np.nan
    return out


def _running(values: np.ndarray, starts: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    total = np.cumsum(values)
    return total - np.repeat(total[starts] - values[starts], sizes)


def _checked(days: np.ndarray, observed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    time, event = np.asarray(days, "float64"), np.asarray(observed, "float64")
    if time.shape != event.shape or time.ndim != 1 or not (time >= 0).all():
        raise TableError("survival times", got="times below 0, missing, or not one per mark",
                         allowed="one time >= 0 [days] and one yes/no per spell",
                         remedy="build the spells with recurrence.rehit_spells")
    return time, event
