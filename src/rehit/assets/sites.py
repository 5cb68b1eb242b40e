"""Repeat places derived from the log where the register has none.

The first marking seen at a spot founds a site; later ones within the radius belong to the nearest
founder. So a site is never wider than two radii however many markings lie along a wall (linking
neighbour to neighbour would chain a whole street into one), and its name stays the same when next
quarter's rows are added.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

GRAINS = 6


def derive_sites(points: pd.DataFrame, *, radius: float) -> pd.Series:
    """Name the site of each row.

    Parameters
    ----------
    points
        Columns ``x, y`` (CRS units; NaN where only the address is known), ``seen`` (time of the
        report) and ``house`` (address key with a house number where the point was made from it or
        is missing, else empty).
    radius
        Radius of a site in CRS units.

    Returns
    -------
    pandas.Series
        Site id by the index of `points`; empty where a row has neither point nor house.

    Notes
    -----
    Points are first rounded to a sixth of the radius, so that ten thousand markings on one wall
    cost no more than the spots they fall on; a site is at most two radii and a third wide.
    Points made from two different house numbers never share a site. A row with a house number but
    no point joins the site where that house was first seen, or founds one named by the address.
    Founders are the greedy maximal independent set in order of first report, found by rounds of
    local minima (Luby 1986), so row order makes no difference.

    Examples
    --------
    >>> points = pd.DataFrame({"x": [0.0, 5.0, 100.0], "y": 0.0, "seen": [1, 2, 3], "house": ""})
    >>> derive_sites(points, radius=12).tolist()
    ['site-0-0', 'site-0-0', 'site-100-0']
    """
    spots = points.dropna(subset=["x", "y"])
    grain = radius / GRAINS
    spots = spots.assign(x=(spots["x"] / grain).round() * grain,
                         y=(spots["y"] / grain).round() * grain)
    named = pd.Series(None, index=points.index, dtype="str")
    if len(spots):
        key = ["x", "y", "house"]
        nodes = spots.groupby(key, sort=True)["seen"].min().reset_index()
        founder = _founders(nodes, radius)
        names = _names(nodes, founder)
        nodes["site"] = names[founder]
        named.loc[spots.index] = spots[key].merge(nodes, on=key, how="left", sort=False)[
            "site"].to_numpy()
        by_house = nodes[nodes["house"] != ""].sort_values(["seen", "x", "y"])
        homes = by_house.drop_duplicates("house").set_index("house")["site"]
    else:
        homes = pd.Series(dtype="str")
    lone = named.isna() & points["house"].ne("")
    houses = points.loc[lone, "house"].astype("str")
    named.loc[lone] = houses.map(homes).astype("str").fillna("site " + houses).to_numpy()
    return named


def _founders(nodes: pd.DataFrame, radius: float) -> np.ndarray:
    """Return for each node the node that founds its site."""
    n = len(nodes)
    tree = cKDTree(nodes[["x", "y"]].to_numpy(float))
    pairs = tree.query_pairs(radius, output_type="ndarray")
    house = pd.factorize(nodes["house"])[0]
    blank = (nodes["house"] == "").to_numpy()
    a, b = pairs[:, 0], pairs[:, 1]
    joined = blank[a] | blank[b] | (house[a] == house[b])
    a, b = np.r_[a[joined], b[joined]], np.r_[b[joined], a[joined]]
    rank = np.empty(n, int)
    rank[np.lexsort((nodes["house"], nodes["y"], nodes["x"], nodes["seen"]))] = np.arange(n)
    is_founder = _first_seen(rank, a, b)
    founder = np.where(is_founder, np.arange(n), -1)
    links = is_founder[b] & ~is_founder[a]
    a, b = a[links], b[links]
    xy = nodes[["x", "y"]].to_numpy(float)
    gap = np.hypot(*(xy[a] - xy[b]).T)
    order = np.lexsort((rank[b], gap, a))
    first = order[np.r_[True, a[order][1:] != a[order][:-1]]] if len(order) else order
    founder[a[first]] = b[first]
    return founder


def _first_seen(rank: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Greedy maximal independent set by rank, over the undirected edges a-b given both ways."""
    n = len(rank)
    founder = np.zeros(n, bool)
    undecided = np.ones(n, bool)
    while undecided.any():
        lowest = np.full(n, n)
        np.minimum.at(lowest, a, rank[b])
        new = undecided & (rank < lowest)
        founder |= new
        covered = a[new[b]]
        undecided[covered] = False
        undecided &= ~new
        keep = undecided[a] & undecided[b]
        a, b = a[keep], b[keep]
    return founder


def _names(nodes: pd.DataFrame, founder: np.ndarray) -> np.ndarray:
    """Name founders by their whole-unit coordinates, with a letter where two would share it."""
    own = np.flatnonzero(founder == np.arange(len(nodes)))
    stem = ("site-" + nodes["x"].round().astype("int64").astype("str") + "-"
            + nodes["y"].round().astype("int64").astype("str"))
    order = nodes.iloc[own].assign(stem=stem.iloc[own]).sort_values(["seen", "x", "y", "house"])
    place = order.groupby("stem").cumcount()
    names = pd.Series("", index=nodes.index, dtype="object")
    names.loc[order.index] = order["stem"].where(
        place == 0, order["stem"] + "-" + (place + 1).astype("str"))
    return names.to_numpy(object)
