"""Groups of places that are marked together: where they are, how stable, what to call them."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rehit.errors import SettingError
from rehit.hotspots.grid import coordinates, metres_per_unit
from rehit.observed import STRETCHES, Window, known_places, timeline
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected
from rehit.words.addresses import address_table

# Density clusters of de-duplicated, weighted points, and how stable they are.
#
# DBSCAN on one row per coordinate with the number of incidents as its weight: the result is that of
# all incidents, without the memory that piles of equal points cost. The neighbour list is made once
# and reused for every resample.

MERGE_M = 0.05  # coordinates closer than this are one point: finer than any survey of walls
PAIR_LIMIT = 30_000_000  # neighbour pairs held at once, about 0.7 GB
FOLD = 5.0  # where that is exceeded, points are folded onto a lattice of radius / FOLD


@dataclass(frozen=True)
class Neighbours:
    """Weighted points with the pairs of them that lie within a radius.

    Parameters
    ----------
    xy
        Coordinates, shape (n, 2).
    weights
        Incidents at each point, shape (n,).
    member_of
        For every incident the row of its point.
    near
        Binary neighbour matrix without the diagonal; each row's nearest neighbour comes first.
    origin
        Row of each stored pair, in the order of ``near.data``.
    """

    xy: np.ndarray
    weights: np.ndarray
    member_of: np.ndarray
    near: csr_matrix
    origin: np.ndarray


def merge_points(xy: np.ndarray, *, step: float = MERGE_M) -> tuple[np.ndarray, np.ndarray]:
    """Return the distinct points (first coordinates met) and each incident's row among them.

    Examples
    --------
    >>> points, row = merge_points(np.array([[0.0, 0.0], [5.0, 0.0], [0.01, 0.0]]))
    >>> len(points), row.tolist()
    (2, [0, 1, 0])
    """
    lattice = np.round(xy / step).astype("int64")
    lattice -= lattice.min(axis=0)
    key = lattice[:, 0] * (lattice[:, 1].max() + 1) + lattice[:, 1]
    _, first, row = np.unique(key, return_index=True, return_inverse=True)
    return xy[first], row


def find_neighbours(xy: np.ndarray, *, radius: float) -> Neighbours:
    """Merge equal points and list the pairs within `radius` (inclusive).

    Where the points stand so dense that the pairs would not fit in memory, points are folded onto
    a lattice of a fifth of the radius first, which moves each by at most a seventh of the radius.
    """
    points, row = merge_points(xy)
    tree = cKDTree(points)
    if (tree.count_neighbors(tree, radius) - len(points)) / 2 > PAIR_LIMIT:
        points, folded = merge_points(points, step=radius / FOLD)
        row = folded[row]
        tree = cKDTree(points)
    pairs = tree.query_pairs(radius, output_type="ndarray")
    distances = np.hypot(*(points[pairs[:, 0]] - points[pairs[:, 1]]).T)
    i, j = np.concatenate([pairs, pairs[:, ::-1]]).T
    order = np.lexsort((j, np.tile(distances, 2), i))
    i, j = i[order], j[order]
    n = len(points)
    near = csr_matrix((np.ones(len(i), dtype="float32"), j, _row_ends(i, n)), shape=(n, n))
    return Neighbours(points, np.bincount(row, minlength=n).astype("float64"), row, near, i)


def _row_ends(origin: np.ndarray, n: int) -> np.ndarray:
    """Return where the rows of a sparse matrix begin and end, from the sorted rows of its pairs."""
    return np.concatenate([[0], np.cumsum(np.bincount(origin, minlength=n))])


def dense_groups(neighbours: Neighbours, *, weights: np.ndarray, least: float) -> np.ndarray:
    """Label each point with its density cluster, -1 for none.

    Parameters
    ----------
    neighbours
        From :func:`find_neighbours`.
    weights
        Weight per point; zero leaves the point out.
    least
        Weight within the radius, its own included, that makes a point a core of a cluster.

    Returns
    -------
    numpy.ndarray
        Labels from 0 in the order of each cluster's first point. A border point belongs to the
        cluster of its nearest core, so the labels do not depend on the order of the rows.

    References
    ----------
    Ester, Kriegel, Sander and Xu 1996, KDD-96, pp. 226-231.
    """
    near = neighbours.near
    mass = near @ weights + weights
    core = (mass >= least) & (weights > 0)
    labels = np.full(len(weights), -1, dtype="int64")
    if not core.any():
        return labels
    origin, host = neighbours.origin, near.indices
    from_core, to_core = core[origin], core[host]
    both = from_core & to_core
    links = csr_matrix((np.ones(int(both.sum()), dtype="int8"), host[both],
                        _row_ends(origin[both], len(weights))), shape=near.shape)
    component = connected_components(links, directed=False)[1]
    labels[core] = component[core]
    border = np.flatnonzero(to_core & ~from_core & (weights[origin] > 0))
    point = origin[border]
    nearest = border[np.r_[True, point[1:] != point[:-1]]] if len(border) else border
    labels[origin[nearest]] = component[host[nearest]]
    return _renumber(labels)


def suggest_radius_from(neighbours_distance: np.ndarray, *, low: float, high: float) -> float:
    """Return the radius at the bend of the sorted k-distance curve, held between `low` and `high`.

    The bend is the point farthest below the straight line between the ends of the part of the
    curve that lies between the limits.

    Parameters
    ----------
    neighbours_distance
        Distance of each point to its k-th neighbour, any order.
    low, high
        Smallest and largest radius that makes sense, same unit.

    References
    ----------
    k-distance curve: Ester et al. 1996, section 4.2. Bend: Satopaa, Albrecht, Irwin and Raghavan
    2011, ICDCS Workshops, pp. 166-171.

    Examples
    --------
    >>> curve = np.concatenate([np.full(80, 20.0), np.linspace(20, 400, 20)])
    >>> round(suggest_radius_from(curve, low=5.0, high=500.0), 0)
    20.0
    """
    curve = np.sort(neighbours_distance[np.isfinite(neighbours_distance)])
    curve = curve[curve <= high]
    if len(curve) < 3 or curve[-1] <= curve[0]:
        middle = curve[-1] if len(curve) else high
        return float(np.clip(middle, low, high))
    across = np.linspace(0.0, 1.0, len(curve))
    up = (curve - curve[0]) / (curve[-1] - curve[0])
    return float(np.clip(curve[int(np.argmax(across - up))], low, high))


def weighted_k_distance(xy: np.ndarray, weights: np.ndarray, *, least: float) -> np.ndarray:
    """Return the distance within which each point finds `least` incidents, its own included.

    Examples
    --------
    >>> xy = np.array([[0.0, 0.0], [3.0, 0.0], [10.0, 0.0]])
    >>> weighted_k_distance(xy, np.array([2.0, 1.0, 1.0]), least=3).tolist()
    [3.0, 3.0, 10.0]
    """
    k = min(int(np.ceil(least)), len(xy))
    distance, index = cKDTree(xy).query(xy, k=k)
    distance, index = distance.reshape(len(xy), k), index.reshape(len(xy), k)
    enough = np.cumsum(weights[index], axis=1) >= least
    first = np.argmax(enough, axis=1)
    found = enough.any(axis=1)
    return np.where(found, distance[np.arange(len(xy)), first], np.inf)


def resampled_stability(neighbours: Neighbours, labels: np.ndarray, *, least: float, draws: int,
                        rng: np.random.Generator) -> np.ndarray:
    """Return each cluster's mean Jaccard overlap with its best match when incidents are redrawn.

    Parameters
    ----------
    neighbours, least
        As in :func:`dense_groups`.
    labels
        Labels of the clusters found in the data.
    draws
        Resamples (incidents drawn with replacement).
    rng
        Source of randomness.

    Returns
    -------
    numpy.ndarray
        One value per label: above 0.75 counts as stable, below 0.5 as dissolved.

    References
    ----------
    Hennig 2007, Computational Statistics & Data Analysis 52:258-271.
    """
    n_labels = int(labels.max()) + 1
    total = np.zeros(n_labels)
    n = int(neighbours.weights.sum())
    chances = neighbours.weights / n
    for _ in range(draws):
        weights = rng.multinomial(n, chances).astype("float64")
        again = dense_groups(neighbours, weights=weights, least=least)
        total += _best_jaccard(labels, again, weights > 0, n_labels)
    return total / max(draws, 1)


def _best_jaccard(labels: np.ndarray, again: np.ndarray, drawn: np.ndarray,
                  n_labels: int) -> np.ndarray:
    old, new = labels[drawn], again[drawn]
    size_old = np.bincount(old[old >= 0], minlength=n_labels)
    size_new = np.bincount(new[new >= 0], minlength=1)
    both = (old >= 0) & (new >= 0)
    best = np.zeros(n_labels)
    if both.any():
        table = csr_matrix((np.ones(int(both.sum())), (old[both], new[both])),
                           shape=(n_labels, len(size_new))).tocoo()
        jaccard = table.data / (size_old[table.row] + size_new[table.col] - table.data)
        np.maximum.at(best, table.row, jaccard)
    return best


def _renumber(labels: np.ndarray) -> np.ndarray:
    used, first = np.unique(labels[labels >= 0], return_index=True)
    rank = np.empty(len(used), dtype="int64")
    rank[np.argsort(first)] = np.arange(len(used))
    result = labels.copy()
    result[labels >= 0] = rank[np.searchsorted(used, labels[labels >= 0])]
    return result


STAND_INS = ("default", "none")


@dataclass(frozen=True)
class RadiusSuggestion:
    """The suggested clustering radius with the curve it was read from, for display.

    Parameters
    ----------
    radius_m
        Radius suggested [m]: the bend, or less where clusters would run together at it.
    bend_m
        Radius at the bend of the curve [m].
    k_distances_m
        Sorted distances within which each place finds `least` incidents [m].
    least
        Incidents that make a core.
    """

    radius_m: float
    bend_m: float
    k_distances_m: np.ndarray
    least: int


def find_clusters(placed_incidents: gpd.GeoDataFrame, *, radius: float | None = None,
                  window: Window,
                  parameters: Parameters | None = None,
                  rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Group incidents that lie close together, and name each group by its main street.

    Points that stand for a whole street are not clustered by distance, for they would make a very
    dense spot that does not exist: each such street with enough incidents is a group of its own.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in; point geometry in a projected CRS.
    radius
        Clustering radius [m]; default the suggestion of :func:`suggest_radius`.
    window
        Observation window, UTC; other incidents are left out.
    parameters
        Uses ``hotspots.cluster_min_incidents``, ``cluster_min_places``, ``radius_low_m``,
        ``radius_high_m``, ``stability_draws``.
    rng
        Source of randomness for the resampling.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``clusters``, most incidents first, plus ``kind`` (places or street), ``radius_m``,
        ``streets`` (all street names, most incidents first) and ``places`` (the place ids, most
        incidents first), both separated by semicolons. Hull: the convex hull widened by half the
        radius. A street group has no area (0), no stability, and no re-hits are claimed for it.

    Raises
    ------
    TableError
        If a column or the projected CRS is missing.
    SettingError
        If the window is empty or the radius not positive.

    References
    ----------
    Ester, Kriegel, Sander and Xu 1996, KDD-96; Hennig 2007, CSDA 52:258-271.
    """
    numbers = load_parameters() if parameters is None else parameters
    years = window.years
    rows = _usable(placed_incidents, window, numbers)
    on_street = rows["group_kind"].to_numpy() == "street"
    points, streets = rows.loc[~on_street], rows.loc[on_street]
    parts = []
    if len(points):
        step = _radius_m(radius, points, numbers)
        labels, stability = _labels(points, step, numbers, rng)
        found = _summaries(points, labels, kind="places", radius_m=step)
        if len(found):
            parts.append(found.assign(stability=stability[found["label"]]))
    if len(streets):
        labels = pd.factorize(streets["group_street"].fillna(streets["group_place"]))[0]
        found = _summaries(streets, labels, kind="street", radius_m=np.nan)
        if len(found):
            parts.append(found.assign(stability=np.nan))
    if not parts:
        return _no_clusters(placed_incidents)
    return _finish(pd.concat(parts, ignore_index=True), years, numbers, placed_incidents.crs)


def suggest_radius(placed_incidents: gpd.GeoDataFrame, *,
                   parameters: Parameters | None = None) -> RadiusSuggestion:
    """Suggest a clustering radius from the k-distance curve and return the curve with it.

    In a dense centre the groups found at the bend may run together over kilometres. The radius is
    then lowered step by step until no group spans more than a crew can walk.

    Parameters
    ----------
    placed_incidents
        Incidents with point geometry in a projected CRS.
    parameters
        Uses ``hotspots.cluster_min_incidents``, ``radius_low_m``, ``radius_high_m``,
        ``cluster_max_span_m``, ``radius_step``.

    Returns
    -------
    RadiusSuggestion
        With the upper limit as radius where there are too few places for a curve.
    """
    numbers = load_parameters() if parameters is None else parameters
    require_projected(placed_incidents, where="suggest_radius")
    least = int(numbers["hotspots.cluster_min_incidents"])
    low, high = numbers["hotspots.radius_low_m"], numbers["hotspots.radius_high_m"]
    geometry = placed_incidents.geometry
    kept = placed_incidents.loc[geometry.notna() & ~geometry.is_empty]
    if not len(kept):
        return RadiusSuggestion(high, high, np.array([]), least)
    metre = metres_per_unit(placed_incidents)
    xy, row = merge_points(np.column_stack(coordinates(kept)) * metre)
    curve = weighted_k_distance(xy, np.bincount(row).astype("float64"), least=least)
    bend = radius = suggest_radius_from(curve, low=low, high=high)
    points = xy[row]
    while radius > low and _widest(points, radius, least) > numbers["hotspots.cluster_max_span_m"]:
        radius = max(low, radius * numbers["hotspots.radius_step"])
    return RadiusSuggestion(radius, bend, np.sort(curve), least)


def _widest(points: np.ndarray, radius: float, least: float) -> float:
    """Diagonal of the bounding box of the widest group found at this radius."""
    neighbours = find_neighbours(points, radius=radius)
    labels = dense_groups(neighbours, weights=neighbours.weights, least=least)
    kept = pd.DataFrame(neighbours.xy[labels >= 0]).groupby(labels[labels >= 0])
    return float(np.hypot(*(kept.max() - kept.min()).to_numpy().T).max()) if len(kept) else 0.0


def _usable(placed: gpd.GeoDataFrame, window: Window,
            numbers: Parameters) -> gpd.GeoDataFrame:
    """Keep what lies in the window and has a place; mark re-hits and street-only rows."""
    require_projected(placed, where="find_clusters")
    known = known_places(placed)
    laid = timeline(known, window=window, parameters=numbers)
    inside = window.holds(placed["reported_at"])
    geometry = placed.geometry
    place_kind = known["place_kind"].reindex(placed.index)
    street_only = place_kind.isin(STRETCHES).fillna(False)
    quality = placed.get("place_quality")
    if quality is not None:
        inside &= ~quality.isin(STAND_INS)
        street_only |= quality.isin(STRETCHES)
    inside &= geometry.notna() & ~geometry.is_empty
    rows = placed.loc[inside, [name for name in (
        "street_key", "address", geometry.name) if name in placed.columns]]
    street = _street_names(rows)
    place = known["place_id"].reindex(rows.index).astype("object")
    return rows.assign(
        group_kind=np.where(street_only.loc[inside], "street", "places"), group_street=street,
        group_place=place, rehit=laid["rehit"].reindex(rows.index).eq(True))


def _street_names(rows: gpd.GeoDataFrame) -> pd.Series:
    """Street of each incident, written as a name; else its address; NaN where neither is known.

    An address that only says that there is none ("not recorded") is none.
    """
    names = pd.Series(np.nan, index=rows.index, dtype="object")
    if "street_key" in rows.columns:
        names = names.where(names.notna(), rows["street_key"].astype("object"))
    if "address" in rows.columns:
        written = rows.loc[names.isna(), "address"]
        said = address_table(written)["address_key"].notna()
        names[names.isna()] = written.where(said).astype("object")
    written = names.astype("str").str.strip().str.title()
    return written.where(names.notna() & written.ne(""), np.nan).astype("object")


def _radius_m(radius: float | None, points: gpd.GeoDataFrame, numbers: Parameters) -> float:
    if radius is None:
        return suggest_radius(points, parameters=numbers).radius_m
    if not (np.isfinite(radius) and radius > 0):
        raise SettingError("find_clusters radius", "errors.not_a_radius", value=radius)
    return float(radius)


def _labels(points: gpd.GeoDataFrame, radius_m: float, numbers: Parameters,
            rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    least = numbers["hotspots.cluster_min_incidents"]
    xy = np.column_stack(coordinates(points)) * metres_per_unit(points)
    neighbours = find_neighbours(xy, radius=radius_m)
    labels = dense_groups(neighbours, weights=neighbours.weights, least=least)
    stability = np.array([])
    if labels.max() >= 0:
        stability = resampled_stability(neighbours, labels, least=least, rng=rng,
                                        draws=int(numbers["hotspots.stability_draws"]))
    return labels[neighbours.member_of], stability


def _summaries(rows: gpd.GeoDataFrame, labels: np.ndarray, *, kind: str,
               radius_m: float) -> pd.DataFrame:
    """One row per label >= 0 with counts, names and hull."""
    kept = pd.DataFrame({
        "label": labels, "street": rows["group_street"].to_numpy(),
        "place": rows["group_place"].to_numpy(), "rehit": rows["rehit"].to_numpy(),
        "geometry": rows.geometry.to_numpy()}).loc[labels >= 0]
    if not len(kept):
        return pd.DataFrame()
    grouped = kept.groupby("label", sort=True)
    hulls = shapely.convex_hull(np.array(
        [shapely.multipoints(np.asarray(group)) for _, group in grouped["geometry"]], dtype=object))
    if kind == "places":
        hulls = shapely.buffer(hulls, 0.5 * radius_m / metres_per_unit(rows))
    else:
        hulls = shapely.centroid(hulls)
    table = pd.DataFrame({
        "n_incidents": grouped.size(), "n_places": grouped["place"].nunique(),
        "n_rehits": grouped["rehit"].sum() if kind == "places" else 0,
        "streets": _by_frequency(kept, "street"), "places": _by_frequency(kept, "place"),
    }).reset_index()
    unit = metres_per_unit(rows)
    return table.assign(kind=kind, radius_m=radius_m, geometry=hulls,
                        area_m2=shapely.area(hulls) * unit**2)


def _by_frequency(rows: pd.DataFrame, column: str) -> pd.Series:
    """Distinct values per label, the most frequent first, joined by semicolons."""
    named = rows.dropna(subset=[column])
    counts = named.groupby(["label", column]).size().rename("n").reset_index()
    counts = counts.sort_values(["label", "n", column], ascending=[True, False, True])
    joined = counts.groupby("label")[column].agg(lambda v: "; ".join(map(str, v)))
    return joined.reindex(np.unique(rows["label"])).fillna("")


def _finish(table: pd.DataFrame, years: float, numbers: Parameters,
            crs: object) -> gpd.GeoDataFrame:
    enough = table["n_incidents"] >= numbers["hotspots.cluster_min_incidents"]
    lone = (table["kind"] == "places") & (
        table["n_places"] < numbers["hotspots.cluster_min_places"])
    kept = table.loc[enough & ~lone].sort_values(
        ["n_incidents", "streets", "label"], ascending=[False, True, True])
    width = max(3, len(str(len(kept))))
    ids = [f"C{i:0{width}d}" for i in range(1, len(kept) + 1)]
    result = gpd.GeoDataFrame({
        "cluster_id": pd.Series(ids, dtype="str"),
        "name": pd.Series(_distinct_names(kept), dtype="str"),
        **{c: kept[c].to_numpy() for c in ("n_incidents", "n_places", "n_rehits")},
        "incidents_per_year": kept["n_incidents"].to_numpy() / years,
        **{c: kept[c].to_numpy()
           for c in ("area_m2", "stability", "kind", "radius_m", "streets", "places")},
    }, geometry=kept["geometry"].to_numpy(), crs=crs)
    check(result, "clusters", where="find_clusters")
    return result


def _distinct_names(groups: pd.DataFrame) -> list[str]:
    """Main street of each group; where several share it, with the next street or a number.

    A group without any street is named by the place that is hit most.
    """
    parts = [s.split("; ") if s else [places.partition("; ")[0]]
             for s, places in zip(groups["streets"], groups["places"], strict=True)]
    main = pd.Series([p[0] for p in parts], dtype="object")
    shared = main.duplicated(keep=False)
    named = pd.Series([f"{p[0]} / {p[1]}" if twice and len(p) > 1 else p[0]
                       for p, twice in zip(parts, shared, strict=True)], dtype="object")
    number = named.groupby(named).cumcount() + 1
    return [f"{n} ({i})" if i > 1 else n for n, i in zip(named, number, strict=True)]


def _no_clusters(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    extra = {c: pd.Series([], dtype="str") for c in ("kind", "streets", "places")}
    return empty("clusters", crs=frame.crs).assign(
        radius_m=pd.Series([], dtype="float64"), **extra)
