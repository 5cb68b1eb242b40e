"""How concentrated the incidents are: share curve, generalised Gini, what chance gives."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import poisson

from rehit.errors import SettingError


def share_curve(counts: np.ndarray) -> pd.DataFrame:
    """Return the share (Lorenz) curve, worst places first.

    Parameters
    ----------
    counts
        Incidents per place, shape (n,), places without any included where they are known.

    Returns
    -------
    pandas.DataFrame
        ``places`` and ``incidents``: cumulative shares 0-1, from the worst place on, starting at
        (0, 0); ``equal``: the curve if the incidents were spread as evenly as whole incidents can
        be (with fewer incidents than places it reaches 1 early).

    Examples
    --------
    >>> share_curve(np.array([0, 6, 3, 1])).round(2)
       places  incidents  equal
    0    0.00        0.0   0.00
    1    0.25        0.6   0.25
    2    0.50        0.9   0.50
    3    0.75        1.0   0.75
    4    1.00        1.0   1.00
    """
    n = _checked(counts)
    worst_first = np.sort(n)[::-1]
    places = np.arange(len(n) + 1) / len(n)
    incidents = np.concatenate([[0.0], np.cumsum(worst_first)]) / n.sum()
    equal = np.minimum(1.0, places * max(1.0, len(n) / n.sum()))
    return pd.DataFrame({"places": places, "incidents": incidents, "equal": equal})


def gini(counts: np.ndarray) -> float:
    """Return the ordinary Gini coefficient of counts per place.

    Examples
    --------
    >>> gini(np.array([1, 1, 0, 0]))
    0.5
    """
    n = np.sort(_checked(counts))
    rank = np.arange(1, len(n) + 1)
    return float((2 * (rank * n).sum() / n.sum() - len(n) - 1) / len(n))


def generalised_gini(counts: np.ndarray) -> float:
    """Return the Gini coefficient generalised to fewer incidents than places.

    With fewer incidents than places most places must stay empty, which the ordinary coefficient
    takes for concentration. This one compares with the most even spread that whole incidents allow:
    0 when every incident has a place of its own, 1 when all share one place among very many.

    Parameters
    ----------
    counts
        Incidents per place, shape (n,).

    References
    ----------
    Bernasco and Steenbeek 2017, J. Quantitative Criminology 33:451-467.

    Examples
    --------
    >>> generalised_gini(np.array([1, 1, 0, 0]))
    0.0
    >>> round(generalised_gini(np.array([2, 0, 0, 0])), 3)
    0.5
    """
    n = _checked(counts)
    stretch = max(1.0, len(n) / n.sum())
    return float(stretch * (gini(n) - 1.0) + 1.0)


def gini_by_chance(counts: np.ndarray, *, draws: int, level: float, only_hit: bool = False,
                   rng: np.random.Generator) -> tuple[float, float]:
    """Return the interval of the generalised Gini if all places had the same rate.

    Sparse counts look concentrated by luck alone; only a coefficient above this interval says that
    some places truly are worse.

    Parameters
    ----------
    counts
        Incidents per place, places without any included.
    draws
        Simulated maps.
    level
        Share of the simulated values inside the interval.
    only_hit
        Whether places are known only by being hit (sites derived from the log): then chance gives
        every place one incident at least, by a Poisson distribution cut at zero.
    rng
        Random generator.

    Raises
    ------
    SettingError
        For a place without an incident together with `only_hit`.

    Examples
    --------
    >>> low, high = gini_by_chance(np.array([5, 0, 0, 0]), draws=200, level=0.9,
    ...                            rng=np.random.default_rng(1))
    >>> 0 < low < high < 0.75
    True
    """
    n = _checked(counts)
    if only_hit:
        if not (n > 0).all():
            raise SettingError("gini_by_chance", got="a place without incident and only_hit",
                               allowed="counts from 1", remedy="leave out only_hit")
        values = [generalised_gini(c) for c in _cut_at_zero(n.mean(), (draws, len(n)), rng)]
    else:
        even = np.full(len(n), 1.0 / len(n))
        values = [generalised_gini(rng.multinomial(int(n.sum()), even)) for _ in range(draws)]
    tail = (1.0 - level) / 2.0
    low, high = np.quantile(values, [tail, 1.0 - tail])
    return float(low), float(high)


def _cut_at_zero(mean: float, size: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Draw counts of at least 1 with this mean, Poisson but for the missing zeros."""
    if mean <= 1.0:
        return np.ones(size)
    rate = brentq(lambda r: r / -np.expm1(-r) - mean, 1e-9, mean + 1.0)
    none = np.exp(-rate)
    return poisson.ppf(none + (1.0 - none) * rng.random(size), rate)


def share_of_worst(counts: np.ndarray, *, part: float) -> float:
    """Return the share of incidents at the worst `part` (0-1) of the places.

    Raises
    ------
    SettingError
        If the part is not above 0 and at most 1.

    Examples
    --------
    >>> share_of_worst(np.array([8, 1, 1, 0]), part=0.25)
    0.8
    """
    if not 0.0 < part <= 1.0:
        raise SettingError("share_of_worst", got=f"part={part}", allowed="above 0, at most 1",
                           remedy="give a share such as 0.05")
    curve = share_curve(counts)
    return float(np.interp(part, curve["places"], curve["incidents"]))


def _checked(counts: np.ndarray) -> np.ndarray:
    n = np.asarray(counts, dtype="float64")
    if n.ndim != 1 or len(n) == 0 or not (n >= 0).all() or n.sum() <= 0:
        raise SettingError("counts per place", got=f"{len(n)} counts adding up to {n.sum():g}",
                           allowed="one count from 0 per place and at least one incident",
                           remedy="pass n_incidents of the repeats table")
    return n
