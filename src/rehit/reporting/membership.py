"""Which incidents belong to which cluster or cell."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd


def members(incidents: pd.DataFrame, areas: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return positions of areas and of the incidents in them, pair by pair.

    An incident lies in an area by its point, edges counted in. A cluster that is a whole street
    has no area and stands in the middle of it, far from the points of its incidents: these belong
    to it by the place they are known by.

    Parameters
    ----------
    incidents
        Placed incidents with point geometry.
    areas
        Cells or clusters; ``places`` of the latter lists place ids with semicolons.
    """
    street = is_street(areas)
    shapes = areas.geometry.buffer(1).to_numpy()
    points = gpd.GeoDataFrame(incidents).geometry.reset_index(drop=True)
    there = np.flatnonzero(points.notna())
    found = points.iloc[there].sindex.query(shapes[~street], predicate="intersects")
    pairs = [(np.flatnonzero(~street)[found[0]], there[found[1]])]
    place = incidents["place_id"].to_numpy()
    for at in np.flatnonzero(street):
        own = np.flatnonzero(pd.Series(place).isin(_places(areas["places"].iloc[at])))
        pairs.append((np.full(len(own), at), own))
    return tuple(np.concatenate(side) for side in zip(*pairs, strict=True))  # type: ignore[return-value]


def is_street(areas: gpd.GeoDataFrame) -> np.ndarray:
    """Say which clusters are whole streets: no area, and places known by name."""
    if "places" not in areas or areas.empty:
        return np.zeros(len(areas), bool)
    named = areas["places"].notna() & areas["places"].astype(str).ne("")
    return np.asarray((areas.geometry.area == 0) & named)


def counts_inside(areas: gpd.GeoDataFrame, incidents: pd.DataFrame) -> np.ndarray:
    """Return how many of the incidents each area holds."""
    return np.bincount(members(incidents, areas)[0], minlength=len(areas))


def within(incidents: pd.DataFrame, areas: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the incidents that lie in any of some areas."""
    if areas.empty:
        return incidents.iloc[:0]
    return incidents.iloc[np.unique(members(incidents, areas)[1])]


def overlap_matrix(now: gpd.GeoDataFrame, before: gpd.GeoDataFrame) -> np.ndarray:
    """Return the share of area (Jaccard) that clusters have in common; 1 for the same street."""
    a, b = now.geometry.buffer(1).to_numpy(), before.geometry.buffer(1).to_numpy()
    shared = np.array([[x.intersection(y).area / x.union(y).area for y in b] for x in a])
    points = np.outer(now.geometry.area == 0, before.geometry.area == 0)
    if points.any():
        # A street's middle moves with its incidents; its name does not.
        same = now["name"].to_numpy()[:, None] == before["name"].to_numpy()[None, :]
        shared = np.where(points, same.astype(float), shared)
    return shared


def _places(listed: object) -> list[str]:
    return [place.strip() for place in str(listed).split(";")]
