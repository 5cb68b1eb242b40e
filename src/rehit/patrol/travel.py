"""Driving times between places along the streets, or by straight line where there are none."""

from __future__ import annotations

import re
import warnings
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import osmium
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely.geometry import LineString

from rehit.errors import DataWarning, InputFileError
from rehit.messages import message
from rehit.packaged import packaged_rows
from rehit.parameters import Parameters
from rehit.tables import require_projected

# Street lines from the user's own files: GeoPackage, GeoJSON, or an OpenStreetMap extract.

KM_PER_MILE = 1.609344
_AT_VERTEX = re.compile(r"(.+)@(\d+)")
_HOUR = re.compile(r"speed_kmh_([01]?\d|2[0-3])")
_DRIVERS_ONLY = ["oneway", "no_turns"]
_YES = frozenset({"yes", "true", "1", "t", "y", "ja", "si", "oui"})
_SPEED = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(mph)?")


@cache
def road_classes() -> dict[str, str]:
    """Return which of the four speed classes each word for a road means.

    Words are the values of OpenStreetMap's ``highway`` tag for roads that vans may use (open
    tagging scheme) and a few plain English ones.
    """
    return {row["word"]: row["class"] for row in packaged_rows("patrol", "road_classes.csv")}


def read_streets(path: Path, *, crs: str) -> gpd.GeoDataFrame:
    """Read street lines from GeoPackage, GeoJSON or ``.osm.pbf`` and bring them to `crs`.

    Parameters
    ----------
    path
        The file. An OpenStreetMap extract must carry its nodes.
    crs
        Projected CRS of the project.

    Returns
    -------
    GeoDataFrame
        Lines in `crs`; an extract gives ``name, class, oneway, speed_kmh, street_id, no_turns``.

    Raises
    ------
    InputFileError
        If the file cannot be read, is empty, has no lines or no CRS.

    Warns
    -----
    DataWarning
        If rows have no shape, or one that is broken, and are left out.
    """
    try:
        lines = (_read_extract(path) if path.name.endswith(".pbf") else
                 gpd.read_file(path, on_invalid="ignore"))  # a broken shape is no line
    except (pyogrio.errors.DataSourceError, OSError, RuntimeError, ValueError) as error:
        raise InputFileError(str(path), "errors.streets_unreadable", said=str(error)) from error
    if lines.empty:
        raise InputFileError(str(path), "errors.header_only")
    # A table without places comes back as a plain table.
    if not isinstance(lines, gpd.GeoDataFrame):
        raise InputFileError(str(path), "errors.streets_without_lines")
    if lines.crs is None:
        raise InputFileError(str(path), "errors.streets_without_crs")
    missing = lines.geometry.isna() | lines.geometry.is_empty
    lines = lines[~missing & lines.geometry.geom_type.isin(["LineString", "MultiLineString"])]
    if lines.empty:
        raise InputFileError(str(path), "errors.streets_without_lines")
    if missing.any():
        warnings.warn(DataWarning(message("warnings.shapes_left_out", file=path.name,
                                          n=int(missing.sum()))), stacklevel=2)
    return lines.explode(ignore_index=True).to_crs(crs)


def _read_extract(path: Path) -> gpd.GeoDataFrame:
    rules = _turn_rules(path)
    # By corner with a rule, the ways that meet there, each with its vertex at the corner.
    at_corner: dict[int, dict[int, int]] = {rule.corner: {} for rule in rules}
    rows = []
    ways = osmium.FileProcessor(str(path), osmium.osm.NODE | osmium.osm.WAY).with_locations()
    for way in ways.with_filter(osmium.filter.KeyFilter("highway")):
        if not isinstance(way, osmium.osm.Way) or way.tags.get("highway") not in road_classes():
            continue
        if way.tags.get("access") in ("no", "private"):
            continue
        nodes = [node for node in way.nodes if node.location.valid()]
        if way.tags.get("oneway") == "-1":
            nodes.reverse()
        for vertex, node in enumerate(nodes):
            if node.ref in at_corner:
                at_corner[node.ref][way.id] = vertex
        if len(nodes) > 1:
            line = LineString([(node.lon, node.lat) for node in nodes])
            rows.append((*_way_row(dict(way.tags)), line, str(way.id)))
    table = pd.DataFrame(rows, columns=["name", "class", "oneway", "speed_kmh", "geometry",
                                        "street_id"])
    closed = _forbidden(rules, at_corner)
    table["no_turns"] = [closed.get(street, "") for street in table["street_id"]]
    return gpd.GeoDataFrame(table, geometry="geometry", crs=CRS.from_epsg(4326))


class _TurnRule(NamedTuple):
    """From a way, at a corner, no turning into others, or into no others than these."""

    origin: int
    corner: int
    into: frozenset[int]
    only: bool


def _turn_rules(path: Path) -> list[_TurnRule]:
    """Return an extract's turn restrictions for vans (open tagging scheme, via a node)."""
    rules = []
    for relation in osmium.FileProcessor(str(path), osmium.osm.RELATION):
        tags = dict(relation.tags)
        kind = tags.get("restriction", "")
        if not isinstance(relation, osmium.osm.Relation) or tags.get("type") != "restriction" or (
                not kind.startswith(("no_", "only_")) or "motorcar" in tags.get("except", "")):
            continue
        roles: dict[tuple[str, str], list[int]] = {}
        for member in relation.members:
            roles.setdefault((member.role, member.type), []).append(member.ref)
        into = frozenset(roles.get(("to", "w"), []))
        rules += [_TurnRule(origin, corner, into, kind.startswith("only_"))
                  for origin in roles.get(("from", "w"), [])
                  for corner in roles.get(("via", "n"), []) if into]
    return rules


def _forbidden(rules: list[_TurnRule], at_corner: dict[int, dict[int, int]]) -> dict[str, str]:
    """Return by street those that may not be entered from it and at which of its vertices.

    Turning back is left free.
    """
    found: dict[str, set[tuple[int, int]]] = {}
    for rule in rules:
        meeting = at_corner[rule.corner]
        closed = meeting.keys() - rule.into if rule.only else meeting.keys() & rule.into
        if rule.origin in meeting:
            found.setdefault(str(rule.origin), set()).update(
                (street, meeting[rule.origin]) for street in closed - {rule.origin})
    return {street: ";".join(f"{into}@{vertex}" for into, vertex in sorted(closed))
            for street, closed in found.items()}


def _way_row(tags: dict[str, str]) -> tuple[str, str, bool, float]:
    oneway = tags.get("oneway", "no")
    single = oneway in ("yes", "true", "1", "-1") or tags.get("junction") == "roundabout" or (
        tags["highway"] == "motorway" and oneway != "no")
    return tags.get("name", ""), tags["highway"], single, _speed_kmh(tags.get("maxspeed", ""))


def _speed_kmh(text: str) -> float:
    found = _SPEED.match(text)
    if not found:
        return np.nan
    return float(found[1]) * (KM_PER_MILE if found[2] else 1.0)


def oneway_flags(lines: pd.DataFrame) -> np.ndarray:
    """Return which lines may be driven only as drawn; without the column, none."""
    if "oneway" not in lines:
        return np.zeros(len(lines), dtype=bool)
    return lines["oneway"].astype("str").str.strip().str.lower().isin(_YES).to_numpy(bool)


M_PER_KM = 1000.0
S_PER_H = 3600.0
_CM = 100.0
_SHORTEST_S = 1e-9


@dataclass(frozen=True)
class Network:
    """Streets as a directed graph: one node per vertex, one arc per driving direction.

    Where turns are forbidden, whoever comes by the street concerned arrives at a node of its own,
    from which only the turns allowed lead on.

    Attributes
    ----------
    xy
        Node coordinates in metres.
    tail, head, seconds
        Arcs and the time to drive them.
    vertex
        The node that each node is a copy of: itself for all but those of forbidden turns.
    """

    xy: np.ndarray
    tail: np.ndarray
    head: np.ndarray
    seconds: np.ndarray
    vertex: np.ndarray


@dataclass(frozen=True)
class Travel:
    """Times between places, in the order they were given.

    Attributes
    ----------
    seconds
        Square matrix; infinite where there is no way.
    network, nodes
        The graph with the places added, and the nodes at which each place is left and reached
        (two columns, -1: none), or None where the times are straight-line ones.
    xy
        The places' own coordinates.
    """

    seconds: np.ndarray
    xy: np.ndarray
    network: Network | None = None
    nodes: np.ndarray | None = None


def build_network(lines: gpd.GeoDataFrame, *, parameters: Parameters, on_foot: bool = False,
                  hours: Collection[int] = ()) -> Network:
    """Return the graph of the street lines.

    Lines are joined where they share a vertex (to the centimetre); lines that merely cross, as a
    bridge does, are not joined. The speed is ``speed_kmh`` where given, otherwise that of the road
    class; both are lowered by ``patrol.speed_share``. Times are the same all day: where speeds by
    hour are given, the mean time over the `hours`. On foot every street but a fast road is walked
    both ways, at ``patrol.walk_speed_kmh``, and no turn is closed.

    Parameters
    ----------
    lines
        LineStrings in a projected CRS. Used where present: ``class`` (see ``road_classes.csv``;
        other words count as a street), ``speed_kmh`` [km/h], ``speed_kmh_0`` to ``speed_kmh_23``
        (speed driven in the hour from then on [km/h], not lowered), ``oneway`` (only as drawn),
        ``street_id`` and ``no_turns`` (ids of streets that may not be entered from this one where
        they meet, parted by semicolons; ``12@0`` closes street 12 at this one's first vertex only).
    parameters
        Reads ``patrol.speed_*`` or, on foot, ``patrol.walk_speed_kmh``.
    on_foot
        Whether the crews walk.
    hours
        Clock hours at which crews are out.

    Raises
    ------
    TableError
        If the CRS is not projected.
    InputFileError
        If there is no line.
    """
    require_projected(lines, where="patrol.build_network")
    if on_foot:
        lines = lines[_kinds(lines) != "fast_road"].drop(columns=_DRIVERS_ONLY, errors="ignore")
    if lines.empty:
        raise InputFileError(message("where.streets"), "errors.no_street")
    coords, line = shapely.get_coordinates(lines.geometry.to_numpy(), return_index=True)
    whole = np.rint(coords * _CM).astype(np.int64)
    _, first, node = np.unique(whole, axis=0, return_index=True, return_inverse=True)
    node = node.reshape(-1)
    along = np.flatnonzero((line[1:] == line[:-1]) & (node[1:] != node[:-1]))
    metres = np.hypot(*(coords[along + 1] - coords[along]).T)
    speeds = (np.full(len(lines), parameters["patrol.walk_speed_kmh"]) if on_foot
              else _speeds(lines, parameters, hours))
    metres_per_s = speeds[line[along]] * M_PER_KM / S_PER_H
    seconds = np.maximum(metres / metres_per_s, _SHORTEST_S)
    both = ~oneway_flags(lines)[line[along]]
    tail, head = node[along], node[along + 1]
    network = Network(coords[first], np.r_[tail, head[both]], np.r_[head, tail[both]],
                      np.r_[seconds, seconds[both]], np.arange(len(first)))
    ends = np.searchsorted(line, np.arange(len(lines) + 1))
    forbidden = _no_turns(lines, [node[a:b] for a, b in pairwise(ends)])
    return _without_turns(network, np.r_[line[along], line[along][both]], forbidden)


def _no_turns(lines: gpd.GeoDataFrame,
              vertices: list[np.ndarray]) -> dict[tuple[int, int], list[int]]:
    """Return by node and position of a line the positions of those not to be entered from it."""
    if not {"street_id", "no_turns"} <= set(lines):
        return {}
    named: dict[str, list[int]] = {}
    for at, street in enumerate(lines["street_id"].astype("str")):
        named.setdefault(street, []).append(at)
    closed: dict[tuple[int, int], list[int]] = {}
    for at, text in enumerate(lines["no_turns"].fillna("").astype("str")):
        for entry in filter(None, text.split(";")):
            into, corners = entry, vertices[at]
            if spot := _AT_VERTEX.fullmatch(entry):
                into, corners = spot[1], corners[int(spot[2]):int(spot[2]) + 1]
            for node in corners.tolist():
                closed.setdefault((node, at), []).extend(named.get(into, []))
    return closed


def _without_turns(network: Network, street: np.ndarray,
                   forbidden: dict[tuple[int, int], list[int]]) -> Network:
    """Return the network with a node of its own for each street's end at which turns are closed."""
    if not forbidden:
        return network
    tail, head, n = network.tail, network.head.copy(), len(network.xy)
    by_tail = np.argsort(tail, kind="stable")
    first = np.searchsorted(tail[by_tail], np.arange(n + 1))
    copies: list[tuple[int, np.ndarray]] = []
    concerned = np.flatnonzero(np.isin(street, [by for _, by in forbidden]))
    ends, which = np.unique(np.c_[head, street][concerned], axis=0, return_inverse=True)
    for number, (at, by) in enumerate(ends.tolist()):
        leaving = by_tail[first[at]:first[at + 1]]
        free = leaving[~np.isin(street[leaving], forbidden.get((at, by), []))]
        if len(free) < len(leaving):
            head[concerned[which.reshape(-1) == number]] = n + len(copies)
            copies.append((at, free))
    vertex = np.array([at for at, _ in copies], dtype=np.int64)
    onward = np.concatenate([np.zeros(0, dtype=np.int64), *(free for _, free in copies)])
    start = np.repeat(n + np.arange(len(copies)), [len(free) for _, free in copies])
    return Network(np.vstack([network.xy, network.xy[vertex]]), np.r_[tail, start],
                   np.r_[head, head[onward]], np.r_[network.seconds, network.seconds[onward]],
                   np.r_[network.vertex, vertex])


def _kinds(lines: gpd.GeoDataFrame) -> pd.Series:
    words = lines["class"].astype("str").str.lower() if "class" in lines else pd.Series(
        "street", index=lines.index)
    kinds: pd.Series = words.map(road_classes()).fillna("street")
    return kinds


def _speeds(lines: gpd.GeoDataFrame, parameters: Parameters, hours: Collection[int]) -> np.ndarray:
    usual = _kinds(lines).map(lambda kind: parameters[f"patrol.speed_{kind}_kmh"]).to_numpy(float)
    driven = _given(lines, "speed_kmh", usual) * parameters["patrol.speed_share"]
    given = hour_columns(lines)
    if not given.keys() & set(hours):
        return driven
    slowness = [1 / (_given(lines, given[hour], driven) if hour in given else driven)
                for hour in hours]
    mean: np.ndarray = 1 / np.mean(slowness, axis=0)
    return mean


def hour_columns(lines: gpd.GeoDataFrame) -> dict[int, str]:
    """Return the columns of street lines that give the speed driven in an hour of the day."""
    found = ((str(name), _HOUR.fullmatch(str(name))) for name in lines.columns)
    return {int(hour[1]): name for name, hour in found if hour}


def _given(lines: gpd.GeoDataFrame, column: str, otherwise: np.ndarray) -> np.ndarray:
    """Return the speeds of a column; where it gives none, others."""
    if column not in lines:
        return otherwise
    speed = pd.to_numeric(lines[column], errors="coerce").to_numpy(float)
    return np.where(np.isfinite(speed) & (speed > 0), speed, otherwise)


def travel_times(places: gpd.GeoSeries, *, network: Network | None,
                 parameters: Parameters) -> Travel:
    """Return driving times between all places.

    Each place is joined to the nearest point of the nearest street segment, whose two parts keep
    their shares of its time; the rest is walked. Without a network, straight line times
    ``patrol.detour_factor`` at ``patrol.straight_speed_kmh``.

    Parameters
    ----------
    places
        Points in a projected CRS, the first one a depot; empty points cannot be reached.
    network
        From :func:`build_network`, or None.
    parameters
        Reads ``patrol.snap_m``, ``patrol.walk_speed_kmh``, ``patrol.matrix_rows`` and, without a
        network, ``patrol.detour_factor`` and ``patrol.straight_speed_kmh``.

    Raises
    ------
    TableError
        If the CRS is not projected.
    """
    xy = place_xy(places)
    if network is None:
        return _straight(xy, parameters)
    snapped, nodes, walk_s = snap(network, xy, parameters=parameters)
    known = np.flatnonzero(nodes[:, 0] >= 0)
    seconds = np.full((len(xy), len(xy)), np.inf)
    drive = _many_to_many(snapped, nodes[known], rows=int(parameters["patrol.matrix_rows"]))
    seconds[np.ix_(known, known)] = drive + walk_s[known, None] + walk_s[None, known]
    np.fill_diagonal(seconds, 0.0)
    return Travel(seconds, xy, snapped, nodes)


def place_xy(places: gpd.GeoSeries) -> np.ndarray:
    """Return the coordinates of places in a projected CRS; empty ones are not numbers."""
    require_projected(places, where="patrol.travel_times")
    xy = np.full((len(places), 2), np.nan)
    there = ~(places.is_empty | places.isna()).to_numpy()
    xy[there] = shapely.get_coordinates(shapely.centroid(places.to_numpy()[there]))
    return xy


def _straight(xy: np.ndarray, parameters: Parameters) -> Travel:
    metres = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    speed = parameters["patrol.straight_speed_kmh"] * M_PER_KM / S_PER_H
    seconds = metres * parameters["patrol.detour_factor"] / speed
    seconds[~np.isfinite(seconds)] = np.inf
    np.fill_diagonal(seconds, 0.0)
    return Travel(seconds, xy)


def snap(network: Network, xy: np.ndarray, *,
         parameters: Parameters) -> tuple[Network, np.ndarray, np.ndarray]:
    """Return the network with nodes for each place, those nodes, and the walk to each [s].

    A place joins every direction in which its nearest stretch of street may be driven; it is left
    by one node and reached at another, so that nobody turns round at a place that is passed.
    Farther than ``patrol.snap_m`` from any street it gets nodes -1.
    """
    nodes = np.full((len(xy), 2), -1, dtype=np.int64)
    walk_s = np.zeros(len(xy))
    tail, head = network.vertex[network.tail], network.vertex[network.head]
    stretches, stretch_of = np.unique(np.sort(np.c_[tail, head], axis=1), axis=0,
                                      return_inverse=True)
    place, stretch = _nearest(network.xy[stretches], xy, parameters["patrol.snap_m"])
    if not len(place):
        return network, nodes, walk_s
    ends = network.xy[stretches[stretch]]
    at, share = _projected(ends, xy[place])
    walk_speed = parameters["patrol.walk_speed_kmh"] * M_PER_KM / S_PER_H
    walk_s[place] = np.hypot(*(xy[place] - at).T) / walk_speed
    # A place at a corner takes the corner's own node: every street there leads to and from it.
    # Where turns are forbidden it stays on its street, or it would be a way round them.
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    split = np.bincount(network.vertex, minlength=len(network.xy)) > 1
    for end, far in ((0, share), (1, 1 - share)):
        corner = (far * length < 1 / _CM) & ~split[stretches[stretch, end]]
        nodes[place[corner]] = stretches[stretch[corner], end][:, None]
    inside = nodes[place, 0] < 0
    count = int(inside.sum())
    nodes[place[inside]] = len(network.xy) + np.c_[np.arange(count), count + np.arange(count)]
    joined = pd.DataFrame({"place": place, "stretch": stretch, "share": share})[inside]
    arcs = pd.DataFrame({"arc": np.arange(len(network.tail)), "stretch": stretch_of.reshape(-1)})
    table = joined.merge(arcs, on="stretch")
    drawn = tail[table["arc"]] == stretches[table["stretch"], 0]
    table["share"] = table["share"].where(drawn, 1 - table["share"])
    return _with_chains(network, at[inside], nodes, table), nodes, walk_s


def _nearest(ends: np.ndarray, xy: np.ndarray,
             farthest_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return which places have a stretch of street near enough, and the nearest one of each."""
    known = np.flatnonzero(np.isfinite(xy).all(axis=1))
    pairs = shapely.STRtree(shapely.linestrings(ends)).query_nearest(
        shapely.points(xy[known]), max_distance=farthest_m, all_matches=True)
    # Of streets that meet at the nearest point, one is enough: all pass through that vertex.
    which, first = np.unique(pairs[0], return_index=True)
    return known[which], pairs[1][first]


def _projected(ends: np.ndarray, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the nearest point of each stretch, and its share of the way along it."""
    step = ends[:, 1] - ends[:, 0]
    square = (step**2).sum(axis=1)
    share = np.clip(((xy - ends[:, 0]) * step).sum(axis=1) / np.maximum(square, 1e-12), 0, 1)
    return ends[:, 0] + share[:, None] * step, share


def _with_chains(network: Network, new_xy: np.ndarray, nodes: np.ndarray,
                 table: pd.DataFrame) -> Network:
    """Add, beside each arc with places on it, the chain of its pieces, and hang the places on."""
    n, table = len(network.xy), table.sort_values(["arc", "share", "place"], ignore_index=True)
    leave, reach = nodes[table["place"]].T
    own = n + 2 * len(new_xy) + np.arange(len(table))
    tails, heads = [*leave, *own], [*own, *reach]
    seconds = [_SHORTEST_S] * len(tails)
    for arc, rows in table.groupby("arc"):
        at = int(str(arc))
        chain = [network.tail[at], *own[rows.index], network.head[at]]
        shares = np.diff([0.0, *rows["share"], 1.0])
        tails += chain[:-1]
        heads += chain[1:]
        seconds += np.maximum(shares * network.seconds[at], _SHORTEST_S).tolist()
    xy = np.vstack([network.xy, new_xy, new_xy, new_xy[leave - n]])
    return Network(xy, np.r_[network.tail, tails].astype(np.int64),
                   np.r_[network.head, heads].astype(np.int64), np.r_[network.seconds, seconds],
                   np.r_[network.vertex, np.arange(n, len(xy))])


def graph(network: Network) -> csr_array:
    """Return the arcs as a sparse matrix, of parallel arcs the fastest."""
    order = np.lexsort((network.seconds, network.head, network.tail))
    tail, head = network.tail[order], network.head[order]
    first = np.r_[True, (tail[1:] != tail[:-1]) | (head[1:] != head[:-1])]
    n = len(network.xy)
    return csr_array((network.seconds[order][first], (tail[first], head[first])), shape=(n, n))


def _many_to_many(network: Network, nodes: np.ndarray, *, rows: int) -> np.ndarray:
    matrix = graph(network)
    pieces = [dijkstra(matrix, indices=nodes[at:at + rows, 0])[:, nodes[:, 1]]
              for at in range(0, len(nodes), rows)]
    return np.vstack(pieces) if pieces else np.zeros((0, 0))


def ways(travel: Travel, legs: list[tuple[int, int]]) -> list[shapely.LineString]:
    """Return the line driven for each leg between two places; straight without a network."""
    if travel.network is None or travel.nodes is None:
        return [shapely.LineString(travel.xy[[a, b]]) for a, b in legs]
    sources = sorted({a for a, _ in legs})
    if not sources:
        return []
    _, before = dijkstra(graph(travel.network), indices=travel.nodes[sources, 0],
                         return_predecessors=True)
    lines = []
    for a, b in legs:
        path = [int(travel.nodes[b, 1])]
        while path[-1] != travel.nodes[a, 0] and path[-1] >= 0:
            path.append(int(before[sources.index(a), path[-1]]))
        line = travel.network.xy[[node for node in reversed(path) if node >= 0]]
        lines.append(shapely.LineString(np.vstack([travel.xy[a], line, travel.xy[b]])))
    return lines


# Driving times to the nearest few other places: all that a long list of places needs.

def nearest_seconds(places: gpd.GeoSeries, *, count: int, network: Network | None,
                    parameters: Parameters) -> np.ndarray:
    """Return each place's driving times to its `count` nearest other places, shortest first.

    As :func:`rehit.patrol.travel.travel_times`, but never holds the whole matrix: that of 13,000
    places takes more than a gigabyte.

    Parameters
    ----------
    places
        Points in a projected CRS; empty points have no neighbours.
    count
        Neighbours wanted; infinite where there are fewer.
    network, parameters
        As for :func:`rehit.patrol.travel.travel_times`.
    """
    xy = place_xy(places)
    near = np.full((len(xy), count), np.inf)
    if network is None:
        known = np.flatnonzero(np.isfinite(xy).all(axis=1))
        if len(known) > 1:
            metres, _ = cKDTree(xy[known]).query(xy[known], k=count + 1)
            speed = parameters["patrol.straight_speed_kmh"] * M_PER_KM / S_PER_H
            near[known] = metres[:, 1:] * parameters["patrol.detour_factor"] / speed
        return near
    snapped, nodes, walk_s = snap(network, xy, parameters=parameters)
    known = np.flatnonzero(nodes[:, 0] >= 0)
    matrix, rows = graph(snapped), int(parameters["patrol.matrix_rows"])
    for at in range(0, len(known), rows):
        piece = known[at:at + rows]
        seconds = dijkstra(matrix, indices=nodes[piece, 0])[:, nodes[known, 1]]
        seconds += walk_s[piece, None] + walk_s[None, known]
        seconds[np.arange(len(piece)), at + np.arange(len(piece))] = np.inf
        found = np.sort(seconds, axis=1)[:, :count]
        near[piece, :found.shape[1]] = found
    return near
