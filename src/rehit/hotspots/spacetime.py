"""Is what happens close in space also close in time? The Knox test and the near-repeat ring table.

The ring table says how far from a marking, and for how long after it, further markings come more
often than the two patterns apart would give: how wide and how soon to look around.

The caller's arrays are never changed (a common library shuffles the time array in place, which
spoils every later test on it).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree
from scipy.stats import nbinom, poisson

from rehit.errors import SettingError
from rehit.hotspots.grid import coordinates, days_since, metres_per_unit, well_placed
from rehit.hotspots.significance import false_discovery
from rehit.messages import Message, message
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

# Counting pairs of events without holding all of them: the work behind the space-time tests.

PAIR_LIMIT = 200_000_000  # pairs held at once, about 3 GB


def close_pairs(xy: np.ndarray, *, distance: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the pairs of points within `distance` (inclusive) and how far apart they are.

    Raises
    ------
    SettingError
        If there are more pairs than memory holds.
    """
    tree = cKDTree(xy)
    many = (int(tree.count_neighbors(tree, distance)) - len(xy)) // 2
    if many > PAIR_LIMIT:
        raise SettingError("space-time test", got=f"{many:,} pairs within {distance:g}",
                           allowed=f"at most {PAIR_LIMIT:,} pairs",
                           remedy="use a shorter distance or a shorter part of the log")
    pairs = tree.query_pairs(distance, output_type="ndarray").astype("int32")
    i, j = pairs[:, 0], pairs[:, 1]
    return i, j, np.hypot(*(xy[i] - xy[j]).T)


def close_time_pairs(times: np.ndarray, *, interval: float) -> int:
    """Count pairs of times at most `interval` apart.

    Examples
    --------
    >>> close_time_pairs(np.array([5.0, 1.0, 2.0]), interval=3.0)
    2
    """
    ordered = np.sort(times)
    last = np.searchsorted(ordered, ordered + interval, side="right")
    return int((last - np.arange(1, len(ordered) + 1)).sum())


def bin_pairs(ring: np.ndarray, times: np.ndarray, i: np.ndarray, j: np.ndarray,
              edges: np.ndarray, *, n_rings: int) -> np.ndarray:
    """Count pairs by distance ring and time band, shape (rings, bands).

    A pair exactly on an edge belongs to the lower band; the first band holds time 0 too.
    """
    # np.take, unlike brackets, lets other threads work meanwhile.
    apart = np.abs(np.take(times, i) - np.take(times, j))
    near = np.flatnonzero(apart <= edges[-1])
    band = np.clip(np.searchsorted(edges, apart[near], side="left") - 1, 0, None)
    n_bands = len(edges) - 1
    flat = np.bincount(np.take(ring, near) * n_bands + band, minlength=n_rings * n_bands)
    return flat.reshape(n_rings, n_bands)


def count_tail(observed: np.ndarray, mean: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return P(count >= observed) for counts of a given mean and variance.

    Negative binomial where the variance exceeds the mean, Poisson elsewhere (which errs on the
    careful side); 1 where nothing is expected and nothing came.

    Examples
    --------
    >>> count_tail(np.array([3, 9]), np.array([3.0, 3.0]), np.array([3.0, 6.0])).round(3).tolist()
    [0.577, 0.033]
    """
    mean = np.maximum(mean, 1e-12)
    extra = np.maximum(variance - mean, 1e-9 * mean**2)
    size = mean**2 / extra
    return np.asarray(np.where(variance > mean, nbinom.sf(observed - 1, size, size / (size + mean)),
                               poisson.sf(observed - 1, mean)))


def permuted_chance(statistic: Callable[[np.ndarray], float], times: np.ndarray, observed: float,
                    permutations: int, rng: np.random.Generator | None, *, where: str) -> float:
    """Return P(at least as much) over random orders of the times, the data's own counted in.

    Parameters
    ----------
    statistic
        What is measured of one order of the times.
    times, observed
        The data's own order and its statistic.
    permutations
        Random orders to compare with; none gives NaN.
    rng
        Source of randomness, needed with permutations.
    where
        Who is asking, for the message.

    Raises
    ------
    SettingError
        If permutations are asked for without `rng`.
    """
    if not permutations:
        return float("nan")
    if rng is None:
        raise SettingError(f"{where} rng", got="none", allowed="a numpy Generator",
                           remedy="pass numpy.random.default_rng(seed)")
    above = sum(statistic(rng.permutation(times)) >= observed for _ in range(permutations))
    return (1 + above) / (permutations + 1)


RING_M = (0.0, 1.0, 50.0, 100.0, 200.0, 300.0, 400.0)
WAIT_DAYS = (0.0, 7.0, 14.0, 28.0, 56.0, 91.0)
ORDERS_AT_ONCE = 32


@dataclass(frozen=True)
class KnoxResult:
    """A Knox test: pairs close in space and time, and how that compares with chance.

    Parameters
    ----------
    pairs, close_in_space, close_in_time, close_in_both
        Numbers of pairs.
    expected
        Pairs close in both if the two were unrelated.
    p_poisson
        P(at least as many) under a Poisson distribution with that mean.
    p_poisson_more
        P(more than observed): what several programs print as the p-value.
    p_permuted
        P(at least as many) by permuted times, the data counted among the permutations; NaN if no
        permutation was asked for.
    """

    pairs: int
    close_in_space: int
    close_in_time: int
    close_in_both: int
    expected: float
    p_poisson: float
    p_poisson_more: float
    p_permuted: float

    @property
    def table(self) -> np.ndarray:
        """2 x 2 table: rows close in space or not, columns close in time or not."""
        both = self.close_in_both
        return np.array([
            [both, self.close_in_space - both],
            [self.close_in_time - both,
             self.pairs - self.close_in_space - self.close_in_time + both]])


def knox(xy: np.ndarray, times: np.ndarray, *, distance: float, interval: float,
         permutations: int = 0, rng: np.random.Generator | None = None) -> KnoxResult:
    """Test whether pairs close in space are close in time more often than chance makes them.

    Parameters
    ----------
    xy
        Coordinates, shape (n, 2), planar.
    times
        Times, shape (n,), any unit.
    distance, interval
        Largest distance and largest time apart of a close pair, inclusive, in those units.
    permutations
        Random orders of the times to compare with.
    rng
        Source of randomness, needed with permutations.

    References
    ----------
    Knox 1964, Applied Statistics 13:25-30; permuted times: Besag and Newell 1991 after Mantel 1967.

    Examples
    --------
    >>> xy = np.array([[0.0, 0], [0, 1], [9, 9], [9, 8]])
    >>> result = knox(xy, np.array([1.0, 2, 50, 51]), distance=2, interval=2)
    >>> result.close_in_both, round(result.expected, 2), result.table.tolist()
    (2, 0.67, [[2, 0], [0, 4]])
    """
    n, times = len(times), np.array(times, dtype="float64")
    pairs = n * (n - 1) // 2
    i, j, _ = close_pairs(np.asarray(xy, "float64"), distance=distance)
    in_time = close_time_pairs(times, interval=interval)
    both = int((np.abs(times[i] - times[j]) <= interval).sum())
    expected = len(i) * in_time / max(pairs, 1)
    as_many = permuted_chance(
        lambda order: int((np.abs(order[i] - order[j]) <= interval).sum()), times, both,
        permutations, rng, where="knox")
    return KnoxResult(pairs, len(i), in_time, both, expected,
                      float(poisson.sf(both - 1, expected)), float(poisson.sf(both, expected)),
                      as_many)


def knox_rings(placed_incidents: gpd.GeoDataFrame, *, ring_edges_m: Sequence[float] = RING_M,
               wait_edges_days: Sequence[float] = WAIT_DAYS,
               parameters: Parameters | None = None,
               rng: np.random.Generator) -> pd.DataFrame:
    """Tell how far from a marking and how long after it the risk is raised.

    Assumptions: if space and time were unrelated, any order of the report times would be equally
    likely; this keeps the busy places and the busy seasons as they are. Pairs of one place stand
    in the first ring, also where the log's points for it scatter by metres.

    Parameters
    ----------
    placed_incidents
        Incidents with point geometry in a projected CRS and ``reported_at``; points that stand for
        a street are left out. ``place_id`` is used where present.
    ring_edges_m
        Edges of the distance rings [m], ascending from 0; a pair on an edge belongs to the inner
        ring, so the first ring holds distance 0 too.
    wait_edges_days
        Edges of the time bands [days], likewise.
    parameters
        Uses ``hotspots.knox_permutations``, ``knox_raised_ratio``, ``false_discovery_rate``.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        Table ``rings``, one row per ring and band: ``from_m, to_m, from_days, to_days, pairs,
        expected, ratio, p_upper`` (P(at least as many), from the mean and variance of the permuted
        tables), ``p_permuted`` (the same by counting permuted tables; it cannot fall below one
        over their number) and ``raised`` (ratio at least ``hotspots.knox_raised_ratio``, and
        `p_upper` passing the false-discovery control over the table).

    References
    ----------
    Knox 1964; near-repeat table: Johnson, Bernasco, Bowers et al. 2007, J. Quantitative
    Criminology 23:201-219.
    """
    numbers = load_parameters() if parameters is None else parameters
    rings, waits = _edges(ring_edges_m, "ring_edges_m"), _edges(wait_edges_days, "wait_edges_days")
    rows = well_placed(placed_incidents, where="knox_rings")
    table = _band_frame(rings, waits)
    if len(rows) < 2:
        return table.assign(pairs=0, expected=0.0, ratio=np.nan, p_upper=1.0, p_permuted=1.0,
                            raised=False)
    xy = np.column_stack(coordinates(rows)) * metres_per_unit(rows)
    times = days_since(rows["reported_at"], rows["reported_at"].min())
    draws = int(numbers["hotspots.knox_permutations"])
    i, j, apart = close_pairs(xy, distance=rings[-1])
    ring = np.clip(np.searchsorted(rings, apart, side="left") - 1, 0, None)
    if "place_id" in rows:
        place = pd.factorize(rows["place_id"])[0]
        # A phone's fix of the same wall lies metres off: still the same wall, and no near repeat.
        ring[(place[i] == place[j]) & (place[i] >= 0)] = 0

    def count(order: np.ndarray) -> np.ndarray:
        return bin_pairs(ring, order, i, j, waits, n_rings=len(rings) - 1)

    observed, drawn = count(times), _permuted(count, times, draws, rng)
    expected, p = drawn.mean(axis=0), count_tail(observed, drawn.mean(axis=0), drawn.var(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(expected > 0, observed / expected, np.nan)
    passing = false_discovery(p.ravel(), rate=numbers["hotspots.false_discovery_rate"])
    raised = passing.reshape(p.shape) & (ratio >= numbers["hotspots.knox_raised_ratio"])
    counted = (1 + (drawn >= observed).sum(axis=0)) / (draws + 1)
    result = table.assign(pairs=observed.ravel().astype("int64"), expected=expected.ravel(),
                          ratio=ratio.ravel(), p_upper=p.ravel(), p_permuted=counted.ravel(),
                          raised=raised.ravel())
    check(result, "rings", where="knox_rings")
    return result


def _permuted(count: Callable[[np.ndarray], np.ndarray], times: np.ndarray, draws: int,
              rng: np.random.Generator) -> np.ndarray:
    """Count random orders of the times, shape (draws, ...); few orders stand in memory at once."""
    tables: list[np.ndarray] = []
    with ThreadPoolExecutor(max_workers=2) as pool:
        for first in range(0, draws, ORDERS_AT_ONCE):
            orders = [rng.permutation(times) for _ in range(min(ORDERS_AT_ONCE, draws - first))]
            tables += pool.map(count, orders)
    return np.stack(tables)


def _edges(edges: Sequence[float], name: str) -> np.ndarray:
    values = np.asarray(edges, dtype="float64")
    if len(values) < 2 or values[0] != 0 or not (np.diff(values) > 0).all():
        raise SettingError(name, got=repr(list(edges)), allowed="ascending numbers from 0",
                           remedy="for example 0, 50, 100, 200")
    return values


def _band_frame(rings: np.ndarray, waits: np.ndarray) -> pd.DataFrame:
    n_rings, n_waits = len(rings) - 1, len(waits) - 1
    return pd.DataFrame({
        "from_m": np.repeat(rings[:-1], n_waits), "to_m": np.repeat(rings[1:], n_waits),
        "from_days": np.tile(waits[:-1], n_rings), "to_days": np.tile(waits[1:], n_rings)})


def read_rings(rings: pd.DataFrame) -> Message:
    """Return how far from a marking, and for how long after it, others are more frequent.

    Parameters
    ----------
    rings
        From :func:`knox_rings`.

    Examples
    --------
    >>> rings = pd.DataFrame({"from_m": [0.0, 1], "to_m": [1.0, 50], "from_days": [0.0, 0],
    ...                       "to_days": [7.0, 7], "ratio": [0.5, 1.3], "raised": [False, True]})
    >>> read_rings(rings).code
    'rings.raised'
    """
    if rings["ratio"].isna().all():
        return message("rings.unplaced")
    elsewhere = rings[rings["from_m"] > 0]
    if elsewhere["ratio"].isna().all():
        return message("rings.one_place", metres=rings["to_m"].max())
    raised = elsewhere[elsewhere["raised"]]
    possible = elsewhere[elsewhere["ratio"].notna()]
    if not len(raised) and possible["from_days"].nunique() < 2:
        return message("rings.one_time")
    if not len(raised):
        return message("rings.none", metres=possible["to_m"].max(), days=possible["to_days"].max())
    most = raised.iloc[int(raised["ratio"].argmax())]
    where = tuple(message("rings.where", near=near, far=far, bands=_bands(ring))
                  for (near, far), ring in raised.groupby(["from_m", "to_m"]))
    return message("rings.raised", where=where, near=most["from_m"], far=most["to_m"],
                   from_days=most["from_days"], to_days=most["to_days"], ratio=most["ratio"])


def _bands(ring: pd.DataFrame) -> tuple[Message, ...]:
    """Return the times of one ring, bands that touch run together."""
    spans: list[list[float]] = []
    for low, high in ring.sort_values("from_days")[["from_days", "to_days"]].to_numpy():
        if spans and spans[-1][1] == low:
            spans[-1][1] = high
        else:
            spans.append([low, high])
    return tuple(message("rings.band", low=low, high=high) for low, high in spans)
