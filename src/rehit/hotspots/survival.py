"""Time from clearance to the next marking, with places still clean at the end counted as such."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm

from rehit.errors import SettingError, TableError
from rehit.messages import Message, message
from rehit.parameters import Parameters, load_parameters

# Errors of survival curves and tests where one place gives many spells that resemble each other.
#
# A wall that is hit often gives many short spells. Counting each as news of its own makes intervals
# far too narrow and calls kinds of wall different that only hold different walls.

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
        raise SettingError("log_rank", "errors.one_group", n=len(names))
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


# How long a typical place stays clean, every place counting once however often it was hit.

def typical_curve(place: np.ndarray, days: np.ndarray, observed: np.ndarray) -> pd.DataFrame:
    """Estimate the share of places still clean after so many days since a clearance.

    Pooling all spells lets walls that are hit often speak for the rest, and each place's last,
    unfinished spell is longer than most. Here every place has weight 1, spread over its finished
    spells; a place with none counts with its unfinished one.

    Assumptions: the spells of one place are alike and come in random order; places are independent
    and leave observation for reasons unrelated to incidents.

    Parameters
    ----------
    place
        Place of each spell, shape (n,).
    days
        Time from clearance to the next marking or to the end [days], shape (n,).
    observed
        Whether the spell ended with a marking, shape (n,).

    Returns
    -------
    pandas.DataFrame
        One row per distinct finished time: ``days, survival``.

    References
    ----------
    Wang and Chang 1999, JASA 94:146-153.

    Examples
    --------
    >>> typical_curve(np.array(["a", "a", "a", "b"]), np.array([10, 20, 5, 40]),
    ...               np.array([True, True, False, False]))
       days  survival
    0  10.0      0.75
    1  20.0      0.50
    """
    time, event, weight, _ = _weighted(place, days, observed)
    at, first = np.unique(time, return_index=True)
    if len(at) == 0:
        return pd.DataFrame({"days": at, "survival": at})
    survival = _survival(np.where(event, weight, 0.0), weight, first)
    shown = np.add.reduceat(event.astype(int), first) > 0
    return pd.DataFrame({"days": at[shown], "survival": survival[shown]})


def typical_median(spells: pd.DataFrame, *, rng: np.random.Generator,
                   parameters: Parameters | None = None) -> tuple[float, float, float]:
    """Return the median days to re-hit at a typical place with its bootstrap interval.

    Parameters
    ----------
    spells
        From :func:`rehit.hotspots.recurrence.rehit_spells`: ``place_id, days, event``.
    rng
        Random generator of the bootstrap, which draws whole places.
    parameters
        Uses ``hotspots.interval_level`` and ``hotspots.bootstrap_draws``.

    Returns
    -------
    tuple of float
        Median, low, high; infinite where more than half of typical places stayed clean.

    Examples
    --------
    >>> spells = pd.DataFrame({"place_id": list("abcd"), "days": [5.0, 9, 12, 30],
    ...                        "event": [True, True, True, False]})
    >>> middle, low, high = typical_median(spells, rng=np.random.default_rng(1))
    >>> middle, low <= middle <= high
    (9.0, True)
    """
    numbers = load_parameters() if parameters is None else parameters
    if len(spells) == 0:
        return float("nan"), float("nan"), float("nan")
    columns = [spells[name].to_numpy() for name in ("place_id", "days", "event")]
    time, event, weight, code = _weighted(*columns)
    n = int(code.max()) + 1
    at, first = np.unique(time, return_index=True)
    drawn = []
    for _ in range(int(numbers["hotspots.bootstrap_draws"])):
        times_drawn = np.bincount(rng.integers(0, n, n), minlength=n)
        again = weight * times_drawn[code]
        drawn.append(_median(at, _survival(np.where(event, again, 0.0), again, first)))
    tail = (1 - numbers["hotspots.interval_level"]) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], method="nearest")
    curve = typical_curve(*columns)
    middle = _median(curve["days"].to_numpy(), curve["survival"].to_numpy())
    return middle, float(low), float(high)


def read_typical_place(spells: pd.DataFrame, *, rng: np.random.Generator,
                       parameters: Parameters | None = None) -> Message:
    """Return how long a typical place stays clean (``spells.typical`` or why that is not known).

    The bootstrap draws whole places, and of a handful it can draw little but the same again, so
    that fewer than ``hotspots.typical_least_places`` give no reading.

    Examples
    --------
    >>> read_typical_place(pd.DataFrame({"place_id": [], "days": [], "event": []}),
    ...                    rng=np.random.default_rng(1)).code
    'spells.no_dates'
    """
    numbers = load_parameters() if parameters is None else parameters
    if len(spells) == 0:
        return message("spells.no_dates")
    n, least = spells["place_id"].nunique(), numbers["hotspots.typical_least_places"]
    if n < least:
        return message("spells.few_places", n=n, least=least)
    middle, low, high = typical_median(spells, rng=rng, parameters=numbers)
    if np.isinf(middle):
        return message("spells.typical_beyond", places=n)
    facts = {"places": n, "days": middle, "level": numbers["hotspots.interval_level"], "low": low}
    return (message("spells.typical_open", **facts) if np.isinf(high) else
            message("spells.typical", **facts, high=high))


def _weighted(place: np.ndarray, days: np.ndarray, observed: np.ndarray) -> tuple[
        np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Spells that count, in order of time: days, finished, weight within the place, place code."""
    time, event = np.asarray(days, "float64"), np.asarray(observed, dtype=bool)
    code = pd.factorize(np.asarray(place))[0]
    if len({len(code), len(time), len(event)}) > 1 or not (time >= 0).all():
        raise TableError("typical_curve", "errors.bad_curve")
    finished = np.bincount(code, weights=event)
    total = np.bincount(code)
    used = event | (finished[code] == 0)
    share = 1.0 / np.where(finished > 0, finished, total)
    order = np.lexsort((~event, time))
    order = order[used[order]]
    return time[order], event[order], share[code[order]], code[order]


def _survival(event_weight: np.ndarray, weight: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Product limit at each distinct time, whose spells begin at the positions `first`."""
    ahead = np.cumsum(weight[::-1])[::-1][first]
    hits = np.add.reduceat(event_weight, first)
    left = np.maximum(ahead - hits, 0.0) / np.where(ahead > 0, ahead, 1.0)
    return np.cumprod(np.where(ahead > 0, left, 1.0))


def _median(at: np.ndarray, survival: np.ndarray) -> float:
    reached = np.flatnonzero(survival <= 0.5 + 1e-12)
    return float(at[reached[0]]) if len(reached) else float("inf")


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
    found: np.ndarray = total - np.repeat(total[starts] - values[starts], sizes)
    return found


def _checked(days: np.ndarray, observed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    time, event = np.asarray(days, "float64"), np.asarray(observed, "float64")
    if time.shape != event.shape or time.ndim != 1 or not (time >= 0).all():
        raise TableError(message("where.survival_times"), "errors.bad_survival_times")
    return time, event


# What the times to re-hit say.

#: Fewest surfaces still watched on which a median or share may rest.
FEW = 5
#: Usual times of which the longest watched by enough is told where the median is not [days].
HORIZONS_DAYS = (365, 182, 91, 28)


def read_time_to_rehit(spells: pd.DataFrame, *, by: str | None = None,
                       parameters: Parameters | None = None) -> tuple[Message, ...]:
    """Return how long cleared surfaces stay clean (``spells.*``), overall or by one column's words.

    Parameters
    ----------
    spells
        From :func:`rehit.hotspots.recurrence.rehit_spells`.
    by
        Column to compare, such as ``substrate``.
    parameters
        Uses ``hotspots.interval_level``, ``hotspots.verdict_level`` (for the test) and
        ``hotspots.min_level_events``.

    Raises
    ------
    TableError
        If there is no column `by`.

    Examples
    --------
    >>> spells = pd.DataFrame({"place_id": list("abcd"), "days": [5.0, 8, 8, 20],
    ...                        "event": [True, True, False, False]})
    >>> found = read_time_to_rehit(spells)[0]
    >>> found.code, found.facts["days"], found.facts["low"]
    ('spells.median_open', 8.0, 5.0)
    """
    numbers = load_parameters() if parameters is None else parameters
    level = numbers["hotspots.interval_level"]
    if len(spells) == 0:
        return (message("spells.no_dates"),)
    if by is None:
        return (_median_found(message("spells.all"), spells, level),)
    if by not in spells:
        raise TableError("read_time_to_rehit", "errors.no_column", names=(by,),
                         known=tuple(map(str, spells.columns)))
    word = spells[by].astype("object").where(spells[by].notna(), "unknown").astype("str")
    events = spells["event"].astype("int64").groupby(word).sum()
    enough = events.index[events >= numbers["hotspots.min_level_events"]]
    found = [_median_found(message("spells.of_word", column=by, word=w), spells[word == w], level)
             for w in enough]
    if len(enough) > 1:
        used = word.isin(enough)
        found += _difference_found(spells[used], word[used], by, numbers["hotspots.verdict_level"])
    return tuple(found) or (message("spells.few_to_compare", column=by),)


def clearance_speed(spells: pd.DataFrame, *, fast_days: float) -> pd.Series:
    """Return whether the marking before each spell was cleared within `fast_days` (fast or slow).

    Examples
    --------
    >>> clearance_speed(pd.DataFrame({"days_to_clearance": [0.5, 9.0]}), fast_days=2).tolist()
    ['fast', 'slow']
    """
    fast = spells["days_to_clearance"] <= fast_days
    return fast.map({True: "fast", False: "slow"}).astype("str").rename("clearance_speed")


def _median_found(what: Message, spells: pd.DataFrame, level: float) -> Message:
    days, event, place = (spells[c].to_numpy() for c in ("days", "event", "place_id"))
    middle, low, high = median_time(days, event, place=place, level=level)
    hits = int(event.sum())
    facts = {"what": what, "hits": hits, "clean": len(event) - hits}
    # A median that rests on the last few surfaces still watched would be an accident.
    if np.isnan(middle) or ((days >= middle).sum() < FEW and len(days) > FEW):
        return _share_found(spells, level, facts) or message("spells.untold", **facts)
    if np.isnan(low):
        return message("spells.median_plain", **facts, days=middle)
    facts |= {"days": middle, "level": level, "low": low}
    return (message("spells.median_open", **facts) if np.isnan(high) else
            message("spells.median", **facts, high=high))


def _share_found(spells: pd.DataFrame, level: float, facts: dict[str, Any]) -> Message | None:
    """Return how many were hit again within the longest usual time enough were watched for."""
    days, event, place = (spells[c].to_numpy() for c in ("days", "event", "place_id"))
    within = [h for h in HORIZONS_DAYS if (days >= h).sum() >= FEW and (event & (days <= h)).any()]
    if not within:
        return None
    curve = kaplan_meier(days, event, place=place, level=level)
    at = curve[curve["days"] <= within[0]].iloc[-1]
    return message("spells.share", **facts, level=level, within=within[0],
                   share=1 - at["survival"], low=1 - at["high"], high=1 - at["low"])


def _difference_found(used: pd.DataFrame, word: pd.Series, by: str, level: float) -> list[Message]:
    chi, freedom, p = log_rank(used["days"].to_numpy(), used["event"].to_numpy(), word.to_numpy(),
                               place=used["place_id"].to_numpy())
    facts = {"column": by, "chi": chi, "n": freedom, "p": p}
    if p < 1 - level:
        return [message("spells.differ", **facts), message("spells.association")]
    return [message("spells.alike", **facts)]
