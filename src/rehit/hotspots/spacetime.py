"""Is what happens close in space also close in time? The Knox test and the near-repeat ring table.

The ring table says how far from a marking, and for how long after it, further markings come more
often than the two patterns apart would give: how wide and how soon to look around.

The caller's arrays are never changed (a common library shuffles the time array in place, which
spoils every later test on it).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
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
        raise SettingError(message("where.space_time_test"), "errors.too_many_pairs", pairs=many,
                           distance=distance, most=PAIR_LIMIT)
    pairs = tree.query_pairs(distance, output_type="ndarray").astype("int32")
    i, j = pairs[:, 0], pairs[:, 1]
    return i, j, np.hypot(*(xy[i] - xy[j]).T)


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


RING_M = (0.0, 1.0, 50.0, 100.0, 200.0, 300.0, 400.0)
#: The first day stands alone: a round, a walk or an app's session files many reports at once.
WAIT_DAYS = (0.0, 1.0, 7.0, 14.0, 28.0, 56.0, 91.0)
BATCH_DAYS = 1.0
ORDERS_AT_ONCE = 32
DAY = 86_400
#: Most events and pairs of one slice of time that are held at once.
SLICE_EVENTS, SLICE_PAIRS = 20_000, 5_000_000


def knox_rings(placed_incidents: gpd.GeoDataFrame, *, ring_edges_m: Sequence[float] = RING_M,
               wait_edges_days: Sequence[float] = WAIT_DAYS,
               parameters: Parameters | None = None,
               rng: np.random.Generator) -> pd.DataFrame:
    """Tell how far from a marking and how long after it the risk is raised.

    Assumptions: if space and time were unrelated, any order of the report times would be equally
    likely; this keeps the busy places and the busy seasons as they are. Quarters have an ebb and
    flow of their own, though: what the outermost ring has more than that is common to all rings
    and no near repeat, so that nearer rings are judged against it. Pairs of one place stand in the
    first ring, also where the log's points for it scatter by metres.

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
        Uses ``hotspots.knox_permutations``, ``knox_listed_pairs``, ``knox_raised_ratio`` and
        ``false_discovery_rate``.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        Table ``rings``, one row per ring and band: ``from_m, to_m, from_days, to_days, pairs,
        expected, ratio, common`` (that ratio of the outermost ring at the band, at least 1),
        ``p_upper`` (P(at least as many), from the exact mean and variance under permuted times
        with the common ebb and flow), ``p_permuted`` (P(at least as many) by counting permuted
        tables, without it, where the log has at most ``hotspots.knox_listed_pairs``; it cannot
        fall below one over their number) and ``raised`` (ratio over the common one at least
        ``hotspots.knox_raised_ratio``, and `p_upper` passing the false-discovery control over the
        table). The outermost ring itself is never raised.

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
        return table.assign(pairs=0, expected=0.0, ratio=np.nan, common=1.0, p_upper=1.0,
                            p_permuted=1.0, raised=False)
    events = _events(rows)
    degrees = ring_degrees(events, rings)
    observed = count_by_slices(events, rings, waits)
    expected, variance = permuted_moments(degrees, wait_degrees(events.second, waits))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(expected > 0, observed / expected, np.nan)
    common, doubt = common_flow(observed, expected, variance)
    p = count_tail(observed, common * expected, common**2 * variance + doubt * expected**2)
    p[-1] = 1.0
    passing = false_discovery(p.ravel(), rate=numbers["hotspots.false_discovery_rate"])
    raised = passing.reshape(p.shape) & (
        ratio >= common * numbers["hotspots.knox_raised_ratio"])
    counted = np.full(p.shape, np.nan)
    if degrees.sum() / 2 <= numbers["hotspots.knox_listed_pairs"]:
        counted = _by_counting(events, rings, waits, observed,
                               draws=int(numbers["hotspots.knox_permutations"]), rng=rng)
    result = table.assign(pairs=observed.ravel().astype("int64"), expected=expected.ravel(),
                          ratio=ratio.ravel(), common=np.tile(common, len(p)),
                          p_upper=p.ravel(), p_permuted=counted.ravel(), raised=raised.ravel())
    check(result, "rings", where="knox_rings")
    return result


def common_flow(observed: np.ndarray, expected: np.ndarray,
                variance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how many times the expected pairs the outermost ring has in each band, and its doubt.

    Where a whole quarter waxes and wanes together, or a round files all its markings on one day,
    all rings have more pairs than permuted times give; only more than the outermost one is near.

    Parameters
    ----------
    observed, expected, variance
        Pairs by ring and band.

    Returns
    -------
    tuple of numpy.ndarray
        Ratio per band, not below 1, and the variance of that ratio.

    Examples
    --------
    >>> ratio, doubt = common_flow(np.array([[9], [60]]), np.array([[5.0], [40.0]]),
    ...                            np.array([[5.0], [40.0]]))
    >>> ratio.tolist(), doubt.tolist()
    ([1.5], [0.0375])
    """
    there = np.maximum(expected[-1], 1e-12)
    ratio = np.where(expected[-1] > 0, np.maximum(observed[-1] / there, 1.0), 1.0)
    return ratio, np.where(expected[-1] > 0, ratio * variance[-1] / there**2, 0.0)


@dataclass(frozen=True)
class Events:
    """Events in order of time: coordinates [m], whole seconds, place number (below 0: none)."""

    xy: np.ndarray
    second: np.ndarray
    place: np.ndarray


def _events(rows: gpd.GeoDataFrame) -> Events:
    xy = np.column_stack(coordinates(rows)) * metres_per_unit(rows)
    second = np.rint(days_since(rows["reported_at"], rows["reported_at"].min()) * DAY)
    place = (pd.factorize(rows["place_id"])[0] if "place_id" in rows
             else np.full(len(rows), -1))
    order = np.argsort(second, kind="stable")
    return Events(xy[order], second[order].astype("int64"), place[order])


def ring_degrees(events: Events, rings: np.ndarray) -> np.ndarray:
    """Return how many other events each one has in every ring, shape (rings, events).

    A phone's fix of the same wall lies metres off: still the same wall, and no near repeat, so that
    pairs of one place stand in the first ring.
    """
    tree = cKDTree(events.xy)
    within = np.stack([tree.query_ball_point(events.xy, edge, return_length=True, workers=2) - 1
                       for edge in rings[1:]])
    found = np.diff(within, axis=0, prepend=0)
    for i, j, ring in _scattered_pairs(events, rings):
        for end in (i, j):
            np.subtract.at(found, (ring, end), 1)
            np.add.at(found[0], end, 1)
    return found


def _scattered_pairs(events: Events, rings: np.ndarray) -> Iterator[
        tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Go through the pairs of one place that lie farther apart than the first ring."""
    order = np.argsort(events.place, kind="stable")
    order = order[events.place[order] >= 0]
    cuts = np.flatnonzero(np.diff(events.place[order])) + 1
    for own in np.split(order, cuts):
        if len(own) < 2 or np.ptp(events.xy[own], axis=0).max() == 0:
            continue
        i, j = (own[k] for k in np.triu_indices(len(own), 1))
        ring = _ring_of(np.hypot(*(events.xy[i] - events.xy[j]).T), rings)
        moved = (ring > 0) & (ring < len(rings) - 1)
        yield i[moved], j[moved], ring[moved]


def _ring_of(apart: np.ndarray, rings: np.ndarray) -> np.ndarray:
    return np.clip(np.searchsorted(rings, apart, side="left") - 1, 0, None)


def wait_degrees(second: np.ndarray, waits: np.ndarray) -> np.ndarray:
    """Return how many other events each one has in every time band, shape (bands, events).

    Parameters
    ----------
    second
        Times in whole seconds, ascending.
    waits
        Edges of the bands [days].
    """
    reach = np.rint(waits[1:] * DAY).astype("int64")
    within = np.stack([np.searchsorted(second, second + r, side="right")
                       - np.searchsorted(second, second - r, side="left") - 1 for r in reach])
    return np.diff(within, axis=0, prepend=0)


def permuted_moments(near: np.ndarray, soon: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and variance of the pairs in every ring and band under permuted times.

    A pair is an edge between two events. Two edges of the near graph are the same, share an event
    or share none, and a random order of the times keeps that; so the second moment needs no more
    than how many neighbours each event has.

    Parameters
    ----------
    near, soon
        Neighbours of each event by ring and by band, shapes (rings, n) and (bands, n).

    References
    ----------
    Mantel 1967, Cancer Research 27:209-220; Barbour and Eagleson 1986, Biometrika 73:241-245.

    Examples
    --------
    >>> mean, variance = permuted_moments(np.array([[1, 1, 0, 0]]), np.array([[1, 2, 1, 0]]))
    >>> mean.round(3).tolist(), variance.round(3).tolist()
    ([[0.333]], [[0.222]])
    """
    n = near.shape[1]
    edges = [d.sum(axis=1, dtype="float64") / 2 for d in (near, soon)]
    touching = [(d.astype("float64") * (d - 1)).sum(axis=1) for d in (near, soon)]
    apart = [e * (e - 1) - t for e, t in zip(edges, touching, strict=True)]
    pairs = n * (n - 1) / 2
    mean = np.outer(*edges) / pairs
    second = mean + np.outer(*touching) / max(n * (n - 1.0) * (n - 2), 1.0)
    second += np.outer(*apart) / max(pairs * (n - 2) * (n - 3) / 2, 1.0)
    return mean, np.maximum(second - mean**2, 0.0)


def count_by_slices(events: Events, rings: np.ndarray, waits: np.ndarray) -> np.ndarray:
    """Count the pairs of every ring and band, one slice of time after another.

    Only pairs of one slice stand in memory, however many the log has.
    """
    edges = np.rint(waits * DAY).astype("int64")
    last = np.searchsorted(events.second, events.second + edges[-1], side="right")
    found = np.zeros((len(rings) - 1, len(waits) - 1), dtype="int64")
    open_slices = [(0, len(events.second))]
    while open_slices:
        start, end = open_slices.pop()
        first = cKDTree(events.xy[start:end])
        later = cKDTree(events.xy[start:last[end - 1]])
        if end - start > 1 and (end - start > SLICE_EVENTS or first.count_neighbors(
                later, rings[-1]) > SLICE_PAIRS):
            middle = (start + end) // 2
            open_slices += [(start, middle), (middle, end)]
            continue
        near = first.sparse_distance_matrix(later, rings[-1], output_type="ndarray")
        i, j = near["i"] + start, near["j"] + start
        i, j = i[j > i], j[j > i]
        ring = _ring_of(np.hypot(*(events.xy[i] - events.xy[j]).T), rings)
        ring[(events.place[i] == events.place[j]) & (events.place[i] >= 0)] = 0
        found += bin_pairs(ring, events.second, i, j, edges, n_rings=len(rings) - 1)
    return found


def _by_counting(events: Events, rings: np.ndarray, waits: np.ndarray, observed: np.ndarray, *,
                 draws: int, rng: np.random.Generator) -> np.ndarray:
    """Return the chance of at least as many by counting permuted tables."""
    i, j, apart = close_pairs(events.xy, distance=rings[-1])
    ring = _ring_of(apart, rings)
    ring[(events.place[i] == events.place[j]) & (events.place[i] >= 0)] = 0
    edges = np.rint(waits * DAY).astype("int64")
    drawn = _permuted(lambda order: bin_pairs(ring, order, i, j, edges, n_rings=len(rings) - 1),
                      events.second, draws, rng)
    found: np.ndarray = (1 + (drawn >= observed).sum(axis=0)) / (draws + 1)
    return found


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
        raise SettingError(name, "errors.not_edges", values=str(list(edges)))
    return values


def _band_frame(rings: np.ndarray, waits: np.ndarray) -> pd.DataFrame:
    n_rings, n_waits = len(rings) - 1, len(waits) - 1
    return pd.DataFrame({
        "from_m": np.repeat(rings[:-1], n_waits), "to_m": np.repeat(rings[1:], n_waits),
        "from_days": np.tile(waits[:-1], n_rings), "to_days": np.tile(waits[1:], n_rings)})


def read_rings(rings: pd.DataFrame) -> tuple[Message, ...]:
    """Return how far from a marking, and for how long after it, others are more frequent.

    What is reported within a day of each other is told apart: a crew's round or one caller's walk
    files many markings at once, whenever they were made.

    Parameters
    ----------
    rings
        From :func:`knox_rings`.

    Examples
    --------
    >>> rings = pd.DataFrame({"from_m": [0.0, 1], "to_m": [1.0, 50], "from_days": [0.0, 0],
    ...                       "to_days": [7.0, 7], "ratio": [0.5, 1.3], "common": 1.0,
    ...                       "raised": [False, True]})
    >>> [said.code for said in read_rings(rings)]
    ['rings.raised']
    """
    if rings["ratio"].isna().all():
        return (message("rings.unplaced"),)
    elsewhere = rings[rings["from_m"] > 0]
    if elsewhere["ratio"].isna().all():
        return (message("rings.one_place", metres=rings["to_m"].max()),)
    one_day = elsewhere["to_days"] <= BATCH_DAYS
    later = elsewhere[~one_day]
    raised, possible = later[later["raised"]], later[later["ratio"].notna()]
    if not len(raised) and possible["from_days"].nunique() < 2:
        return (message("rings.one_time"),)
    batches = _batches(elsewhere[one_day & elsewhere["raised"]])
    if not len(raised):
        return (message("rings.none", metres=possible["to_m"].max(),
                        days=possible["to_days"].max()), *batches)
    beyond = raised["ratio"] / raised["common"]
    most = raised.iloc[int(beyond.argmax())]
    where = tuple(message("rings.where", near=near, far=far, bands=_bands(ring))
                  for (near, far), ring in raised.groupby(["from_m", "to_m"]))
    return (message("rings.raised", where=where, near=most["from_m"], far=most["to_m"],
                    from_days=most["from_days"], to_days=most["to_days"], ratio=beyond.max()),
            *batches)


def _batches(raised: pd.DataFrame) -> tuple[Message, ...]:
    if not len(raised):
        return ()
    beyond = raised["ratio"] / raised["common"]
    return (message("rings.batch", metres=raised["to_m"].max(), ratio=beyond.max(),
                    days=raised["to_days"].max()),)


def _bands(ring: pd.DataFrame) -> tuple[Message, ...]:
    """Return the times of one ring, bands that touch run together."""
    spans: list[list[float]] = []
    for low, high in ring.sort_values("from_days")[["from_days", "to_days"]].to_numpy():
        if spans and spans[-1][1] == low:
            spans[-1][1] = high
        else:
            spans.append([low, high])
    return tuple(message("rings.band", low=low, high=high) for low, high in spans)
