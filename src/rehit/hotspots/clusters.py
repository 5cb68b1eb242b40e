"""Groups of places that are marked together: where they are, how stable, what to call them."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from rehit.addresses import address_table
from rehit.errors import SettingError
from rehit.hotspots.clusters_density import (
    dense_groups,
    find_neighbours,
    merge_points,
    resampled_stability,
    suggest_radius_from,
    weighted_k_distance,
)
from rehit.hotspots.exposure import known_places, timeline, window_days
from rehit.hotspots.grid import coordinates, metres_per_unit
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected

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
                  observed_from: pd.Timestamp, observed_to: pd.Timestamp,
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
    observed_from, observed_to
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
    years = window_days(observed_from, observed_to) / 365.25
    rows = _usable(placed_incidents, observed_from, observed_to, numbers)
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


def _usable(placed: gpd.GeoDataFrame, start: pd.Timestamp, end: pd.Timestamp,
            numbers: Parameters) -> gpd.GeoDataFrame:
    """Keep what lies in the window and has a place; mark re-hits and street-only rows."""
    require_projected(placed, where="find_clusters")
    known = known_places(placed)
    laid = timeline(known, observed_from=start, observed_to=end, parameters=numbers)
    inside = (placed["reported_at"] >= start) & (placed["reported_at"] <= end)
    geometry = placed.geometry
    place_kind = known["place_kind"].reindex(placed.index)
    street_only = place_kind.eq("street").fillna(False)
    quality = placed.get("place_quality")
    if quality is not None:
        inside &= ~quality.isin(STAND_INS)
        street_only |= quality.eq("street")
    inside &= geometry.notna() & ~geometry.is_empty
    rows = placed.loc[inside]
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
        said = address_table(rows["address"])["address_key"].notna()
        names = names.where(names.notna(), rows["address"].where(said).astype("object"))
    written = names.astype("str").str.strip().str.title()
    return written.where(names.notna() & written.ne(""), np.nan).astype("object")


def _radius_m(radius: float | None, points: gpd.GeoDataFrame, numbers: Parameters) -> float:
    if radius is None:
        return suggest_radius(points, parameters=numbers).radius_m
    if not (np.isfinite(radius) and radius > 0):
        raise SettingError("find_clusters radius", got=f"{radius:g}", allowed="metres above 0",
                           remedy="leave it out to have one suggested")
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
    parts = [s.split("; ") if s else [f"surroundings of {places.partition('; ')[0]}"]
             for s, places in zip(groups["streets"], groups["places"], strict=True)]
    main = pd.Series([p[0] for p in parts], dtype="object")
    shared = main.duplicated(keep=False)
    named = pd.Series([f"{p[0]} near {p[1]}" if twice and len(p) > 1 else p[0]
                       for p, twice in zip(parts, shared, strict=True)], dtype="object")
    number = named.groupby(named).cumcount() + 1
    return [f"{n} ({i})" if i > 1 else n for n, i in zip(named, number, strict=True)]


def _no_clusters(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    extra = {c: pd.Series([], dtype="str") for c in ("kind", "streets", "places")}
    return empty("clusters", crs=frame.crs).assign(
        radius_m=pd.Series([], dtype="float64"), **extra)
