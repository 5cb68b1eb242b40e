"""Driving times to the nearest few other places: all that a long list of places needs."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from rehit.parameters import Parameters
from rehit.patrol.travel import M_PER_KM, S_PER_H, Network, graph, place_xy, snap


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
    known = np.flatnonzero(nodes >= 0)
    matrix, rows = graph(snapped), int(parameters["patrol.matrix_rows"])
    for at in range(0, len(known), rows):
        piece = known[at:at + rows]
        seconds = dijkstra(matrix, indices=nodes[piece])[:, nodes[known]]
        seconds += walk_s[piece, None] + walk_s[None, known]
        seconds[np.arange(len(piece)), at + np.arange(len(piece))] = np.inf
        found = np.sort(seconds, axis=1)[:, :count]
        near[piece, :found.shape[1]] = found
    return near
