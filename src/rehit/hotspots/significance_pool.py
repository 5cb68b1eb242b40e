"""What the grid cells are compared with: the pool of values that chance could have dealt them.

Without a register the pool holds the cells themselves. With one it holds the single assets: a cell
of one asset and a cell of thirteen are then each held against as many assets from the register, and
a wall that is hit all the time is one draw of many and makes no area hot by itself. Comparing rates
of whole cells instead would give the cell of one asset the weight of the cell of thirteen, and hide
truly hot streets behind the scatter of sparse cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from rehit.hotspots.grid import Grid, asset_exposure, coordinates
from rehit.hotspots.significance_local import standardised_rates


@dataclass(frozen=True)
class Pool:
    """Values that could have been dealt in any order, and what each cell got of them.

    Parameters
    ----------
    members
        The single values, shape (n,).
    sums, number
        Their sum and their number in each cell, shape (rows, columns).
    """

    members: np.ndarray
    sums: np.ndarray
    number: np.ndarray


@dataclass(frozen=True)
class Units:
    """The single things that can be marked: assets, and places of the log that are no asset.

    Parameters
    ----------
    x, y
        Where they stand [units of the CRS].
    counts
        Incidents on each.
    exposure
        1 each, or wall area [m2].
    """

    x: np.ndarray
    y: np.ndarray
    counts: np.ndarray
    exposure: np.ndarray


def cell_pool(values: np.ndarray, inside: np.ndarray) -> Pool:
    """Return the pool of the studied cells themselves."""
    return Pool(values[inside], np.where(inside, values, 0.0), inside.astype("float64"))


def unit_pool(units: Units, grid: Grid) -> Pool:
    """Return the pool of single assets: their counts, or standardised rates of unequal walls."""
    values = units.counts.astype("float64")
    if np.ptp(units.exposure) > 0:
        values = standardised_rates(values, units.exposure)
    return Pool(values, grid.tally(units.x, units.y, values), grid.tally(units.x, units.y))


def marked_units(incidents: gpd.GeoDataFrame, register: gpd.GeoDataFrame, *, basis: str,
                 reach: float) -> Units:
    """Count the incidents on each asset, and on each place of the log that is no asset.

    Parameters
    ----------
    incidents
        Incidents with point geometry. ``asset_id`` says which asset was marked; without that column
        it is the nearest asset within `reach`. The others are gathered by ``place_id``, or by
        their point.
    register
        Asset register in the same projected CRS.
    basis
        As in :func:`rehit.hotspots.grid.asset_exposure`; a place that is no asset counts as the
        median asset.
    reach
        Farthest asset taken for the one that was marked [units of the CRS].
    """
    exposure = asset_exposure(register, basis=basis)
    asset_x, asset_y = coordinates(register)
    x, y = coordinates(incidents)
    if "asset_id" in incidents.columns:
        row = pd.Index(register["asset_id"]).get_indexer(pd.Index(incidents["asset_id"]))
    else:
        gap, nearest = cKDTree(np.column_stack([asset_x, asset_y])).query(
            np.column_stack([x, y]), distance_upper_bound=reach)
        row = np.where(np.isfinite(gap), nearest, -1)
    on_assets = np.bincount(row[row >= 0], minlength=len(register))
    left = pd.DataFrame({"x": x, "y": y})[row < 0]
    known = "place_id" in incidents.columns
    key = [incidents["place_id"].to_numpy()[row < 0]] if known else ["x", "y"]
    places = left.groupby(key, dropna=False).agg(px=("x", "mean"), py=("y", "mean"),
                                                 n=("x", "size"))
    return Units(
        np.concatenate([asset_x, places["px"].to_numpy()]),
        np.concatenate([asset_y, places["py"].to_numpy()]),
        np.concatenate([on_assets, places["n"].to_numpy()]),
        np.concatenate([exposure, np.full(len(places), float(np.median(exposure)))]))
