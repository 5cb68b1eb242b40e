"""Errors of survival curves and tests where one place gives many spells that resemble each other.

A wall that is hit often gives many short spells. Counting each as news of its own makes intervals
far too narrow and calls kinds of wall different that only hold different walls.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import chi2

from rehit.errors import SettingError


def place_variance(place: np.ndarray, days: np.ndarray, event: np.ndarray) -> np.ndarray:
    """Return the variance of the log survival curve from the scatter between places.

    Each place adds its finished spells less what its spells at risk let expect. With one spell a
    place this is Greenwood's variance but for n / (n - 1), n the places.

    Parameters
    ----------
    place
        Place of each spell, shape (n,).
    days
        Length of each spell [days], shape (n,).
    event
        Whether it ended with a marking, shape (n,).

    Returns
    -------
    numpy.ndarray
        One value per distinct time of `days`, ascending; NaN from the time on at which no spell
        is left, 0 where there is one place only.

    Examples
    --------
    >>> place_variance(np.array(["a", "b"]), np.array([5.0, 9.0]), np.array([1, 0])).tolist()
    [1.0, 1.0]
    """
    code, names = pd.factorize(np.asarray(place))
    if len(names) < 2:
        return np.zeros(len(np.unique(days)))
    at, step = np.unique(days, return_inverse=True)
    d = np.bincount(step, weights=event, minlength=len(at))
    r = len(days) - np.searchsorted(np.sort(days), at, side="left").astype("float64")
    with np.errstate(divide="ignore", invalid="ignore"):
        each = np.where(r > d, 1.0 / (r - d), np.nan)
        hazard = np.cumsum(np.where(d > 0, d * each / r, 0.0))
    # A place's sum is b - m G: b from spells that are over, m spells still at risk, G the hazard.
    order = np.lexsort((step, code))
    own, when = code[order], step[order]
    gain = np.where(event[order] > 0, each[when], 0.0) - hazard[when]
    first = np.flatnonzero(np.diff(own, prepend=-1))
    size = np.diff(np.append(first, len(own)))
    gain = np.nan_to_num(gain)
    run = np.cumsum(gain)
    b = run - np.repeat(run[first] - gain[first], size)
    m = np.repeat(first + size, size) - np.arange(1, len(own) + 1.0)
    b_before, m_before = b - gain, m + 1.0
    change = [np.bincount(when, weights=w, minlength=len(at)) for w in (
        b**2 - b_before**2, b * m - b_before * m_before, m**2 - m_before**2)]
    bb, bm, mm = (np.cumsum(c) for c in change)
    every = float(np.square(size).sum())
    total = np.maximum(bb - 2 * hazard * bm + hazard**2 * (mm + every), 0.0)
    return np.asarray(total * len(names) / (len(names) - 1.0))


def log_rank(days: np.ndarray, observed: np.ndarray, group: np.ndarray, *,
             place: np.ndarray | None = None) -> tuple[float, int, float]:
    """Test whether groups differ in time to re-hit: chi-squared, degrees of freedom, p.

    Parameters
    ----------
    days, observed
        As in :func:`rehit.hotspots.survival.kaplan_meier`.
    group
        Group of each spell (substrate, fast or slow clearance ...), at least two.
    place
        Place of each spell. Given, the error of the test comes from the scatter between places, so
        that a group of few often-hit walls is not called different; else spells are independent.

    Raises
    ------
    SettingError
        If there is only one group.

    References
    ----------
    Mantel 1966, Cancer Chemotherapy Reports 50:163-170; Peto and Peto 1972. Errors by place: Lin
    and Wei 1989, JASA 84:1074-1078 (robust score test).

    Examples
    --------
    >>> chi, freedom, p = log_rank(np.array([1, 2, 3, 9, 10, 11]), np.ones(6),
    ...                            np.array(list("aaabbb")))
    >>> round(chi, 3), freedom, round(p, 3)
    (5.052, 1, 0.025)
    """
    time, event = np.asarray(days, "float64"), np.asarray(observed, "float64")
    names, code = np.unique(np.asarray(group), return_inverse=True)
    if len(names) < 2:
        raise SettingError("log_rank", got=f"{len(names)} group", allowed="two or more groups",
                           remedy="compare at least two kinds of spell")
    at = np.unique(time[event > 0])
    k = len(names)
    if len(at) == 0:
        return 0.0, k - 1, 1.0
    # at_risk[j, g]: spells of group g with time >= at[j]
    at_risk = np.stack([(code == g).sum() - np.searchsorted(np.sort(time[code == g]), at)
                        for g in range(k)], axis=1).astype("float64")
    deaths = np.stack([np.bincount(np.searchsorted(at, time[(event > 0) & (code == g)]),
                                   minlength=len(at)) for g in range(k)], axis=1)
    n, d = at_risk.sum(axis=1), deaths.sum(axis=1)
    part = at_risk / n[:, None]
    difference = (deaths - d[:, None] * part).sum(axis=0)
    if place is None:
        weight = d * np.where(n > 1, (n - d) / np.maximum(n - 1, 1), 0.0)
        variance = np.diag((weight[:, None] * part).sum(axis=0)) - np.einsum(
            "j,jg,jh->gh", weight, part, part)
    else:
        variance = _scatter(place, _score_parts(time, event, code, at, part, d / n))
    inverse = np.linalg.pinv(variance[:-1, :-1], hermitian=True)
    chi = float(difference[:-1] @ inverse @ difference[:-1])
    return chi, k - 1, float(chi2.sf(chi, k - 1))


def _score_parts(time: np.ndarray, event: np.ndarray, code: np.ndarray, at: np.ndarray,
                 part: np.ndarray, hazard: np.ndarray) -> np.ndarray:
    """What each spell adds to every group's events less those expected, shape (n, groups)."""
    k = part.shape[1]
    member = (code[:, None] == np.arange(k)).astype("float64")
    lived = np.concatenate([[0.0], np.cumsum(hazard)])
    shared = np.concatenate([np.zeros((1, k)), np.cumsum(hazard[:, None] * part, axis=0)])
    passed = np.searchsorted(at, time, side="right")
    ended = np.minimum(np.searchsorted(at, time), len(at) - 1)
    return np.asarray(event[:, None] * (member - part[ended])
                      - member * lived[passed][:, None] + shared[passed])


def _scatter(place: np.ndarray, parts: np.ndarray) -> np.ndarray:
    """Covariance of the summed parts if places are independent."""
    code, names = pd.factorize(np.asarray(place))
    sums = np.zeros((len(names), parts.shape[1]))
    np.add.at(sums, code, parts)
    return np.asarray(sums.T @ sums * len(names) / max(len(names) - 1.0, 1.0))
