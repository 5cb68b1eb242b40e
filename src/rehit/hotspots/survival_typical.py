"""How long a typical place stays clean, every place counting once however often it was hit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.errors import TableError
from rehit.parameters import Parameters, load_parameters


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
    time, event, weight, code = _weighted(
        spells["place_id"].to_numpy(), spells["days"].to_numpy(), spells["event"].to_numpy())
    n = int(code.max()) + 1
    at, first = np.unique(time, return_index=True)
    drawn = []
    for _ in range(int(numbers["hotspots.bootstrap_draws"])):
        times_drawn = np.bincount(rng.integers(0, n, n), minlength=n)
        again = weight * times_drawn[code]
        drawn.append(_median(at, _survival(np.where(event, again, 0.0), again, first)))
    tail = (1 - numbers["hotspots.interval_level"]) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], method="nearest")
    middle = _median(at, _survival(np.where(event, weight, 0.0), weight, first))
    return middle, float(low), float(high)


def read_typical_place(spells: pd.DataFrame, *, rng: np.random.Generator,
                       parameters: Parameters | None = None) -> str:
    """Say how long a typical place stays clean.

    The bootstrap draws whole places, and of a handful it can draw little but the same again, so
    that fewer than ``hotspots.typical_least_places`` give no reading.

    Examples
    --------
    >>> read_typical_place(pd.DataFrame({"place_id": [], "days": [], "event": []}),
    ...                    rng=np.random.default_rng(1))
    'The log gives no clearance dates to count from, so the time to re-hit cannot be told.'
    """
    numbers = load_parameters() if parameters is None else parameters
    if len(spells) == 0:
        return ("The log gives no clearance dates to count from, so the time to re-hit cannot be "
                "told.")
    n, least = spells["place_id"].nunique(), numbers["hotspots.typical_least_places"]
    if n < least:
        return (f"Only {n} {'place was' if n == 1 else 'places were'} cleared: too few to say how "
                f"long a typical place stays clean (at least {least:g} are needed).")
    middle, low, high = typical_median(spells, rng=rng, parameters=numbers)
    level = f"{100 * numbers['hotspots.interval_level']:g} % interval"
    if np.isinf(middle):
        return (f"At more than half of the {n} places that were cleared a typical spell outlasts "
                "the log, so the median time cannot be told.")
    end = "beyond the log" if np.isinf(high) else f"{high:.0f} days"
    return (f"With every place counting once, half of the {n} places that were cleared are hit "
            f"again within {middle:.0f} days ({level} {low:.0f} days to {end}).")


def _weighted(place: np.ndarray, days: np.ndarray, observed: np.ndarray) -> tuple[
        np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Spells that count, in order of time: days, finished, weight within the place, place code."""
    time, event = np.asarray(days, "float64"), np.asarray(observed, dtype=bool)
    code = pd.factorize(np.asarray(place))[0]
    if len({len(code), len(time), len(event)}) > 1 or not (time >= 0).all():
        raise TableError("typical_curve", got="times below 0 or missing, or columns of unlike "
                         "length", allowed="one place, time and mark per spell",
                         remedy="build the spells with recurrence.rehit_spells")
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
