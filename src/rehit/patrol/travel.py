"""Driving times between places along the streets, or by straight line where there are none."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from rehit.errors import InputFileError
from rehit.parameters import Parameters
from rehit.patrol.streets import oneway_flags, road_classes
from rehit.tables import require_projected

M_PER_KM = 1000.0
S_PER_H = 3600.0
_CM = 100.0
_SHORTEST_S = 1e-6


@dataclass(frozen=True)
class Network:
    """Streets as a directed graph: one node per vertex, one arc per driving direction.

    Attributes
    ----------
    xy
        Node coordinates in metres.
    tail, head, seconds
        Arcs and the time to drive them.
    """

    xy: np.ndarray
    tail: np.ndarray
    head: np.ndarray
    seconds: np.ndarray


@dataclass(frozen=True)
class Travel:
    """Times between places, in the order they were given.

    Attributes
    ----------
    seconds
        Square matrix; infinite where there is no way.
    unreachable
        Positions of places that cannot be reached from, or left to, the first place.
    network, nodes
        The graph with the places added and the node of each place (-1: none), or None where the
        times are straight-line ones.
    xy
        The places' own coordinates.
    """

    seconds: np.ndarray
    unreachable: tuple[int, ...]
    xy: np.ndarray
    network: Network | None = None
    nodes: np.ndarray | None = None


def build_network(lines: gpd.GeoDataFrame, *, parameters: Parameters) -> Network:
    """Return the graph of the street lines.

    Lines are joined where they share a vertex (to the centimetre); lines that merely cross, as a
    bridge does, are not joined. The speed is ``speed_kmh`` where given, otherwise that of the road
    class; both are lowered by ``patrol.speed_share``.

    Parameters
    ----------
    lines
        LineStrings in a projected CRS. Used where present: ``class`` (see ``road_classes.csv``;
        other words count as a street), ``speed_kmh`` [km/h], ``oneway`` (only as drawn).
    parameters
        Reads ``patrol.speed_*``.

    Raises
    ------
    TableError
        If the CRS is not projected.
    InputFileError
        If there is no line.
    """
    require_projected(lines, where="patrol.build_network")
    if lines.empty:
        raise InputFileError("streets", got="no line", allowed="at least one street line",
                             remedy="export the streets again, or plan without them")
    coords, line = shapely.get_coordinates(lines.geometry.to_numpy(), return_index=True)
    whole = np.rint(coords * _CM).astype(np.int64)
    _, first, node = np.unique(whole, axis=0, return_index=True, return_inverse=True)
    node = node.reshape(-1)
    along = np.flatnonzero((line[1:] == line[:-1]) & (node[1:] != node[:-1]))
    metres = np.hypot(*(coords[along + 1] - coords[along]).T)
    metres_per_s = _speeds(lines, parameters)[line[along]] * M_PER_KM / S_PER_H
    seconds = np.maximum(metres / metres_per_s, _SHORTEST_S)
    both = ~oneway_flags(lines)[line[along]]
    tail, head = node[along], node[along + 1]
    return Network(coords[first], np.r_[tail, head[both]], np.r_[head, tail[both]],
                   np.r_[seconds, seconds[both]])


def _speeds(lines: gpd.GeoDataFrame, parameters: Parameters) -> np.ndarray:
    words = lines["class"].astype("str").str.lower() if "class" in lines else pd.Series(
        "street", index=lines.index)
    kinds = words.map(road_classes()).fillna("street")
    speed = kinds.map(lambda kind: parameters[f"patrol.speed_{kind}_kmh"]).to_numpy(float)
    if "speed_kmh" in lines:
        signed = pd.to_numeric(lines["speed_kmh"], errors="coerce").to_numpy(float)
        speed = np.where(np.isfinite(signed) & (signed > 0), signed, speed)
    return speed * parameters["patrol.speed_share"]


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
    known = np.flatnonzero(nodes >= 0)
    seconds = np.full((len(xy), len(xy)), np.inf)
    drive = _many_to_many(snapped, nodes[known], rows=int(parameters["patrol.matrix_rows"]))
    seconds[np.ix_(known, known)] = drive + walk_s[known, None] + walk_s[None, known]
    np.fill_diagonal(seconds, 0.0)
    return Travel(seconds, _cut_off(seconds), xy, snapped, nodes)


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
    return Travel(seconds, _cut_off(seconds), xy)


def _cut_off(seconds: np.ndarray) -> tuple[int, ...]:
    lost = ~np.isfinite(seconds[0]) | ~np.isfinite(seconds[:, 0])
    return tuple(int(i) for i in np.flatnonzero(lost))


def snap(network: Network, xy: np.ndarray, *,
         parameters: Parameters) -> tuple[Network, np.ndarray, np.ndarray]:
    """Return the network with a node for each place, those nodes, and the walk to each [s].

    A place farther than ``patrol.snap_m`` from any street gets node -1.
    """
    ends = network.xy[np.c_[network.tail, network.head]]
    segments = shapely.linestrings(ends)
    nodes = np.full(len(xy), -1, dtype=np.int64)
    walk_s = np.zeros(len(xy))
    known = np.flatnonzero(np.isfinite(xy).all(axis=1))
    if not len(known):
        return network, nodes, walk_s
    points = shapely.points(xy[known])
    pairs = shapely.STRtree(segments).query_nearest(
        points, max_distance=parameters["patrol.snap_m"], all_matches=True)
    # Both directions of a two-way street are equally near; each gets the place in its chain.
    place, arc = known[pairs[0]], pairs[1]
    # Of streets that meet at the nearest point, one is enough: all pass through that vertex.
    low = np.minimum(network.tail[arc], network.head[arc])
    high = np.maximum(network.tail[arc], network.head[arc])
    table = pd.DataFrame({"place": place, "arc": arc, "low": low, "high": high})
    chosen = table.groupby("place")[["low", "high"]].transform("first")
    table = table[(table["low"] == chosen["low"]) & (table["high"] == chosen["high"])]
    table = table.reset_index(drop=True)
    at, share = _projected(network, xy, table)
    table["share"] = share
    walk_speed = parameters["patrol.walk_speed_kmh"] * M_PER_KM / S_PER_H
    walk_s[table["place"]] = np.hypot(*(xy[table["place"]] - at).T) / walk_speed
    # A place at a corner takes the corner's own node: every street there leads to and from it.
    for end, far in ((network.tail, share), (network.head, 1 - share)):
        metres = far * np.hypot(*(ends[table["arc"], 1] - ends[table["arc"], 0]).T)
        corner = metres < 1 / _CM
        nodes[table["place"].to_numpy()[corner]] = end[table["arc"].to_numpy()[corner]]
    table = table[nodes[table["place"]] < 0]
    inside, first = np.unique(table["place"], return_index=True)
    nodes[inside] = len(network.xy) + np.arange(len(inside))
    new_xy = at[table.index.to_numpy()][first]
    return _with_chains(network, new_xy, nodes, table), nodes, walk_s


def _projected(network: Network, xy: np.ndarray,
               table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    a = network.xy[network.tail[table["arc"]]]
    step = network.xy[network.head[table["arc"]]] - a
    square = (step**2).sum(axis=1)
    share = np.clip(((xy[table["place"]] - a) * step).sum(axis=1) / np.maximum(square, 1e-12), 0, 1)
    return a + share[:, None] * step, share


def _with_chains(network: Network, new_xy: np.ndarray, nodes: np.ndarray,
                 table: pd.DataFrame) -> Network:
    """Add, beside each arc with places on it, the chain of its pieces."""
    tails, heads, seconds = [], [], []
    for arc, rows in table.sort_values(["arc", "share", "place"]).groupby("arc"):
        at = int(str(arc))
        chain = [network.tail[at], *nodes[rows["place"]], network.head[at]]
        shares = np.diff([0.0, *rows["share"], 1.0])
        tails += chain[:-1]
        heads += chain[1:]
        seconds += np.maximum(shares * network.seconds[at], _SHORTEST_S).tolist()
    return Network(np.vstack([network.xy, new_xy]), np.r_[network.tail, tails].astype(np.int64),
                   np.r_[network.head, heads].astype(np.int64),
                   np.r_[network.seconds, seconds])


def graph(network: Network) -> csr_array:
    """Return the arcs as a sparse matrix, of parallel arcs the fastest."""
    order = np.lexsort((network.seconds, network.head, network.tail))
    tail, head = network.tail[order], network.head[order]
    first = np.r_[True, (tail[1:] != tail[:-1]) | (head[1:] != head[:-1])]
    n = len(network.xy)
    return csr_array((network.seconds[order][first], (tail[first], head[first])), shape=(n, n))


def _many_to_many(network: Network, nodes: np.ndarray, *, rows: int) -> np.ndarray:
    matrix = graph(network)
    pieces = [dijkstra(matrix, indices=nodes[at:at + rows])[:, nodes]
              for at in range(0, len(nodes), rows)]
    return np.vstack(pieces) if pieces else np.zeros((0, 0))


def ways(travel: Travel, legs: list[tuple[int, int]]) -> list[shapely.LineString]:
    """Return the line driven for each leg between two places; straight without a network."""
    if travel.network is None or travel.nodes is None:
        return [shapely.LineString(travel.xy[[a, b]]) for a, b in legs]
    sources = sorted({a for a, _ in legs})
    if not sources:
        return []
    _, before = dijkstra(graph(travel.network), indices=travel.nodes[sources],
                         return_predecessors=True)
    lines = []
    for a, b in legs:
        path = [int(travel.nodes[b])]
        while path[-1] != travel.nodes[a] and path[-1] >= 0:
            path.append(int(before[sources.index(a), path[-1]]))
        line = travel.network.xy[[node for node in reversed(path) if node >= 0]]
        lines.append(shapely.LineString(np.vstack([travel.xy[a], line, travel.xy[b]])))
    return lines
