"""Which grid cells are hotter than chance: Gi* with its upper tail and false-discovery control."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import convolve
from scipy.spatial import cKDTree
from scipy.special import comb
from scipy.stats import hypergeom

from rehit.errors import SettingError
from rehit.hotspots.grid import (
    Grid,
    asset_exposure,
    cell_side,
    coordinates,
    lay_grid,
    study_cells,
    well_placed,
)
from rehit.messages import Message, message
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected


def hot_cells(placed_incidents: gpd.GeoDataFrame, *, cell_m: float | None = None,
              register: gpd.GeoDataFrame | None = None, exposure_basis: str = "assets",
              parameters: Parameters | None = None) -> gpd.GeoDataFrame:
    """Test every grid cell and its eight neighbours against chance.

    Assumptions: under "nothing is going on" the cells' counts could stand in any order. With a
    register it is the assets that could: the assets in the window are held against as many drawn
    from the whole register. Only the upper tail is tested: a quiet cell in a sparse log proves
    nothing. One very hot wall alone does not make an area hot; it belongs to the repeat places.

    Parameters
    ----------
    placed_incidents
        Incidents with point geometry in a projected CRS and ``reported_at``. Points that stand for
        a street or a default place are left out. With a register ``asset_id`` and ``place_id`` say
        what was marked; without them it is the nearest asset within a cell's side.
    cell_m
        Cell side [m]; default ``hotspots.cell_m``.
    register
        Asset register in the same CRS: the exposure.
    exposure_basis
        ``assets`` or ``wall_area``, what the register counts in each cell. With ``wall_area`` the
        values are rates per m2 of wall, standardised so that small walls do not look extreme.
    parameters
        Uses ``hotspots.cell_m``, ``study_reach_cells``, ``max_cells``, ``false_discovery_rate``.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``cells``, one row per cell of the studied area, plus ``neighbourhood`` (incidents in
        the 3 x 3 window), ``moran_local`` (local Moran's I) and ``p_moran`` (upper tail for a high
        cell among high cells, empty for other cells), ``hot_moran``.

    Raises
    ------
    SettingError
        If the grid would be too large or a setting is out of range.
    TableError
        If the geometry is not projected.

    References
    ----------
    Ord and Getis 1995, Geographical Analysis 27:286-306; Anselin 1995, Geographical Analysis
    27:93-115; Benjamini and Hochberg 1995, JRSS B 57:289-300; Assuncao and Reis 1999, Statistics in
    Medicine 18:2147-2162.
    """
    numbers = load_parameters() if parameters is None else parameters
    incidents = well_placed(placed_incidents, where="hot_cells")
    if not len(incidents):
        return _no_cells(placed_incidents)
    grid, counts, exposure, pool = _tallies(incidents, register, cell_m, exposure_basis, numbers)
    inside = study_cells(counts, exposure, reach=int(numbers["hotspots.study_reach_cells"]))
    values = counts.astype("float64")
    if exposure is not None:
        values = np.zeros(counts.shape)
        values[inside] = standardised_rates(counts[inside], exposure[inside])
    scores = window_scores(values, inside, pool=pool)
    second = local_moran_grid(values, inside, pool=pool)
    flat = np.flatnonzero(inside.ravel())
    rate = numbers["hotspots.false_discovery_rate"]
    window = convolve(counts.astype("float64"), np.ones((3, 3)), mode="constant").ravel()[flat]
    cells = gpd.GeoDataFrame({
        "cell_id": pd.Series(grid.names(flat), dtype="str"),
        "n_incidents": counts.ravel()[flat].astype("int64"),
        "exposure": 1.0 if exposure is None else exposure.ravel()[flat],
        "z": scores["z"], "p_upper": scores["p_upper"],
        "hot": false_discovery(scores["p_upper"].to_numpy(), rate=rate),
        "neighbourhood": np.round(window).astype("int64"),
        "moran_local": second["moran"], "p_moran": second["p_high"],
        "hot_moran": false_discovery(second["p_high"].to_numpy(), rate=rate),
    }, geometry=grid.squares(flat), crs=placed_incidents.crs)
    check(cells, "cells", where="hot_cells")
    return cells


def hot_record(placed_incidents: gpd.GeoDataFrame, *, register: gpd.GeoDataFrame | None,
               window: Window, parameters: Parameters) -> tuple[int, int]:
    """Return how many cells the log's first half shows as hot, and how many its second bears out.

    A cell is borne out where it and its neighbours then had more than their share of the exposure.

    Parameters
    ----------
    placed_incidents, register, parameters
        As in :func:`hot_cells`.
    window
        Period the log covers, UTC.
    """
    rows = well_placed(placed_incidents, where="hot_record")
    early = (rows["reported_at"] <= window.start + (window.end - window.start) / 2).to_numpy()
    cells = hot_cells(rows[early], register=register, parameters=parameters)
    hot = cells[cells["hot"]]
    if not len(hot):
        return 0, 0
    around = gpd.GeoDataFrame(geometry=hot.geometry.buffer(hot.length / 4, join_style="mitre"))

    def inside(points: gpd.GeoDataFrame) -> pd.Series:
        pairs = points.sjoin(around, predicate="within")
        found: pd.Series = pairs.groupby("index_right")["weight"].sum()
        return found.reindex(hot.index).fillna(0.0)

    later = rows.loc[~early, ["geometry"]].assign(weight=1.0)
    could = cells[["geometry"]].assign(weight=cells["exposure"], geometry=cells.centroid)
    usual = inside(could) * len(later) / could["weight"].sum()
    return len(hot), int((inside(later) > usual).sum())


def _tallies(incidents: gpd.GeoDataFrame, register: gpd.GeoDataFrame | None, cell_m: float | None,
             basis: str, numbers: Parameters,
             ) -> tuple[Grid, np.ndarray, np.ndarray | None, Pool | None]:
    """Lay the grid over incidents, or over all that could be marked, and count on it."""
    side = cell_side(cell_m, incidents, numbers)
    x, y = coordinates(incidents)
    if register is None or not len(register):
        grid = lay_grid(x, y, side=side, max_cells=numbers["hotspots.max_cells"])
        return grid, grid.tally(x, y), None, None
    require_projected(register, where="hot_cells: register")
    units = marked_units(incidents, register, basis=basis, reach=side)
    grid = lay_grid(units.x, units.y, side=side, max_cells=numbers["hotspots.max_cells"])
    counts = np.round(grid.tally(units.x, units.y, units.counts)).astype("int64")
    return grid, counts, grid.tally(units.x, units.y, units.exposure), unit_pool(units, grid)


def _no_cells(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    cells = empty("cells", crs=frame.crs)
    return cells.assign(neighbourhood=pd.Series([], dtype="int64"),
                        moran_local=pd.Series([], dtype="float64"),
                        p_moran=pd.Series([], dtype="float64"),
                        hot_moran=pd.Series([], dtype="bool"))


def window_scores(values: np.ndarray, inside: np.ndarray, *,
                  pool: Pool | None = None) -> pd.DataFrame:
    """Return Gi* of each studied cell over its 3 x 3 window, and its upper-tail chance.

    The score equals Gi* with binary weights on the same neighbours. The chance is not read from the
    normal curve, which is far off for sparse counts, but from the exact distribution of the sum of
    as many cells (or, with a pool of assets, as many assets) drawn from the map, with replacement,
    which errs on the careful side.

    Parameters
    ----------
    values
        Value per cell, shape (rows, columns).
    inside
        Studied cells, same shape; the others count neither as cells nor as neighbours.
    pool
        What the windows are made of, if not of whole cells; the weights are then those of each
        single value in the window.

    Returns
    -------
    pandas.DataFrame
        One row per studied cell in flat order: ``z`` and ``p_upper``.

    Examples
    --------
    >>> values = np.zeros((9, 9)); values[3:6, 3:6] = 4
    >>> scores = window_scores(values, np.ones((9, 9), dtype=bool))
    >>> round(float(scores["z"].max()), 2), bool(scores["p_upper"].min() < 1e-6)
    (8.94, True)
    """
    dealt = cell_pool(values, inside) if pool is None else pool
    sums, number = _gathered(dealt, np.ones((3, 3)), inside)
    z = gi_star(dealt.members, sums, number)
    p = np.where(np.isfinite(z), sum_tails(dealt.members, sums, number.astype("int64")), np.nan)
    return pd.DataFrame({"z": z, "p_upper": p})


def gi_star(members: np.ndarray, sums: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Return Gi*: how many standard deviations a neighbourhood's sum lies above a dealt one.

    Parameters
    ----------
    members
        All values of the map, shape (n,).
    sums, number
        Sum and number of the values in each neighbourhood, the place itself among them (weight 1
        each), shape (m,).

    Returns
    -------
    numpy.ndarray
        Shape (m,); NaN where a neighbourhood holds nothing or everything, or all values are equal.

    References
    ----------
    Ord and Getis 1995, Geographical Analysis 27:286-306; equation 14.2 of Getis and Ord 1996. The
    usual library's default is row-standardised, which shrinks the score by about the square root of
    the number of neighbours.

    Examples
    --------
    >>> gi_star(np.array([5.0, 5, 0, 0]), np.array([10.0, 5.0]), np.array([2, 3])).round(3).tolist()
    [1.732, -1.0]
    """
    n, spread = len(members), float(np.std(members))
    z = np.full(len(sums), np.nan)
    if spread > 0 and n > 1:
        scale = spread * np.sqrt(np.maximum(n * number - number**2, 0.0) / (n - 1))
        np.divide(sums - members.mean() * number, scale, out=z, where=scale > 0)
    return z


def local_moran_grid(values: np.ndarray, inside: np.ndarray, *,
                     pool: Pool | None = None) -> pd.DataFrame:
    """Return local Moran's I of each studied cell with its up to eight neighbours.

    Parameters
    ----------
    values, inside, pool
        As in :func:`window_scores`; the pool is used for the chance only.

    Returns
    -------
    pandas.DataFrame
        ``moran`` (row-standardised weights; NaN for a cell without neighbours or a flat map) and
        ``p_high``: for cells above the mean, the chance of neighbours this high in sum; else NaN.

    References
    ----------
    Anselin 1995, Geographical Analysis 27:93-115, equation 7 with the second moment of the map.
    """
    kernel = np.ones((3, 3))
    kernel[1, 1] = 0.0
    cells = cell_pool(values, inside)
    moran = local_moran(cells.members, *_gathered(cells, kernel, inside))
    high = np.isfinite(moran) & (cells.members > cells.members.mean())
    p = np.full(len(moran), np.nan)
    if high.any():
        dealt = cells if pool is None else pool
        sums, number = _gathered(dealt, kernel, inside)
        p[high] = sum_tails(dealt.members, sums[high], number[high].astype("int64"))
    return pd.DataFrame({"moran": moran, "p_high": p})


def local_moran(values: np.ndarray, sums: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Return local Moran's I with row-standardised weights; their mean is the global Moran's I.

    Parameters
    ----------
    values
        Value of each place, shape (n,).
    sums, number
        Sum of the values of each place's neighbours and how many those are, shape (n,).

    Returns
    -------
    numpy.ndarray
        Shape (n,); NaN for a place without neighbours or where all values are equal.

    References
    ----------
    Anselin 1995, Geographical Analysis 27:93-115, equation 7 with the second moment of the map.

    Examples
    --------
    >>> local_moran(np.arange(4.0), np.array([1.0, 2, 4, 2]), np.array([1, 2, 2, 1])).round(9)
    array([0.6, 0.2, 0.2, 0.6])
    """
    deviations = values - values.mean()
    second_moment = float(np.square(deviations).mean())
    found = np.full(len(values), np.nan)
    if second_moment > 0:
        np.divide(deviations * (sums - values.mean() * number), number * second_moment, out=found,
                  where=number > 0)
    return found


def _gathered(pool: Pool, kernel: np.ndarray, inside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the sum and the number of the pool's values around each studied cell."""
    return (convolve(pool.sums, kernel, mode="constant")[inside],
            np.round(convolve(pool.number, kernel, mode="constant")[inside]))


def read_cells(cells: pd.DataFrame, *, side_m: float, by_assets: bool) -> Message:
    """Return how many grid cells are hotter than chance, and what none of them would mean.

    Parameters
    ----------
    cells
        From :func:`hot_cells`.
    side_m
        Side of a cell [m].
    by_assets
        Whether a register was given, so that cells are held against their assets.

    Examples
    --------
    >>> found = read_cells(pd.DataFrame({"hot": [True, False]}), side_m=100, by_assets=False)
    >>> found.code, found.facts["n"], found.facts["of"]
    ('cells.hot_area', 1, 2)
    """
    if not len(cells):
        return message("cells.unknown")
    if "p_upper" in cells and cells["p_upper"].isna().all():
        return message("cells.too_few", side=side_m)
    hot, held = int(cells["hot"].sum()), "assets" if by_assets else "area"
    if hot:
        return message(f"cells.hot_{held}", n=hot, of=len(cells), side=side_m)
    return message(f"cells.none_{held}", of=len(cells), side=side_m)


# What the grid cells are compared with: the pool of values that chance could have dealt them.
#
# Without a register the pool holds the cells themselves. With one it holds the single assets: a
# cell of one asset and a cell of thirteen are then each held against as many assets from the
# register, and a wall that is hit all the time is one draw of many and makes no area hot by
# itself. Comparing rates of whole cells instead would give the cell of one asset the weight of
# the cell of thirteen, and hide truly hot streets behind the scatter of sparse cells.


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


def standardised_rates(counts: np.ndarray, exposure: np.ndarray) -> np.ndarray:
    """Return rates with mean 0 and variance 1 whatever the exposure (empirical Bayes index).

    Parameters
    ----------
    counts, exposure
        Events and what could have had them, shape (n,); exposures positive.

    References
    ----------
    Assuncao and Reis 1999, Statistics in Medicine 18:2147-2162.

    Examples
    --------
    >>> standardised_rates(np.array([1, 4, 9]), np.array([10.0, 10.0, 30.0])).round(3).tolist()
    [-1.248, 0.832, 0.433]
    """
    overall = counts.sum() / exposure.sum()
    rates = counts / exposure
    between = (exposure * (rates - overall) ** 2).sum() / exposure.sum()
    between -= overall / (exposure.sum() / len(exposure))
    variance = between + overall / exposure
    # Assuncao and Reis: where the estimate of the between-place variance fails, leave it out.
    variance = np.where(variance > 0, variance, overall / exposure)
    return np.asarray((rates - overall) / np.sqrt(variance))


# Exact chances of sums of values drawn from a map, and false-discovery control over many tests.

LATTICE_STEPS = 4096  # numerical resolution of values that are not whole numbers
LARGE_FROM, MOST_LARGE = 0.99, 12  # values above this quantile, and at most so many, are large
LONGEST_EXACT = 2**23  # sums that can be larger than this are worked out on the lattice as well


def sum_tails(sample: np.ndarray, sums: np.ndarray, how_many: np.ndarray) -> np.ndarray:
    """Return P(sum of k values drawn from `sample` >= s) for each s and its k.

    Values are drawn with replacement, which errs on the careful side, but for the few largest: each
    of those is drawn once at most, or the chance of drawing the one very hot wall twice would hide
    truly hot areas. Whole numbers are exact; other values are rounded to a fine lattice.

    Parameters
    ----------
    sample
        The values that could be drawn, shape (n,).
    sums, how_many
        The sums asked about and of how many values each is made, shape (m,).

    Examples
    --------
    >>> sum_tails(np.array([0, 0, 1, 1]), np.array([2.0]), np.array([2])).round(4).tolist()
    [0.25]
    """
    low, most = float(sample.min()), int(how_many.max(initial=1))
    whole = bool((sample == np.round(sample)).all()) and (
        float(sample.max()) - low) * most < LONGEST_EXACT
    step = 1.0 if whole else max((float(sample.max()) - low) / LATTICE_STEPS, 1e-12)
    steps = np.sort(np.round((sample - low) / step).astype("int64"))
    large = steps[steps > np.quantile(steps, LARGE_FROM)][-MOST_LARGE:]
    usual = np.bincount(steps[: len(steps) - len(large)]) / (len(steps) - len(large))
    tails = np.ones(len(sums))
    for k in np.unique(how_many[how_many > 0]):
        upper = _upper_tail(usual, large, int(k), len(steps))
        chosen = how_many == k
        # Half a step of slack so that rounding on the lattice never makes a sum look rarer.
        slack = 1e-9 if whole else 0.5 * k
        place = np.ceil((sums[chosen] - k * low) / step - slack).astype("int64")
        tails[chosen] = upper[np.clip(place, 0, len(upper) - 1)]
    # The transform is exact to about 1e-16; smaller chances are not claimed.
    return np.maximum(tails, 1e-15)


def _upper_tail(usual: np.ndarray, large: np.ndarray, k: int, n: int) -> np.ndarray:
    """Return P(sum of k draws >= s) on the lattice s = 0, 1, ..., by characteristic functions.

    How many of the draws are large values is hypergeometric, and every set of so many is as likely.
    """
    most = min(k, len(large))
    shares = hypergeom.pmf(np.arange(most + 1), n, len(large), k)
    longest = k * (len(usual) - 1) + int(large.sum()) + 1
    length = next_fast_len(longest, real=True)
    spectrum = rfft(usual, length)
    wave = -2j * np.pi * np.arange(len(spectrum)) / length
    sets = [np.ones(len(spectrum), dtype=complex)]  # sums over all sets of 0, 1, ... large values
    for value in large:
        turn = np.exp(wave * value)
        longer = [a + b * turn for a, b in zip(sets[1:], sets[:-1], strict=True)]
        sets = [sets[0], *longer, *([sets[-1] * turn] if len(sets) <= most else [])]
    mixed = sum(share / comb(len(large), j) * chosen * spectrum ** (k - j)
                for j, (share, chosen) in enumerate(zip(shares, sets, strict=True)))
    total = np.maximum(irfft(mixed, length), 0.0)[:longest]
    return np.append(np.minimum(np.cumsum(total[::-1])[::-1], 1.0), 0.0)


def false_discovery(p: np.ndarray, *, rate: float) -> np.ndarray:
    """Tell which chances pass the Benjamini-Hochberg control; NaN never passes nor counts.

    Parameters
    ----------
    p
        Chances, shape (n,); NaN where there is no test.
    rate
        Share of false alarms among the cells called hot that is accepted.

    Raises
    ------
    SettingError
        If the rate does not lie between 0 and 1.

    References
    ----------
    Benjamini and Hochberg 1995, JRSS B 57:289-300.

    Examples
    --------
    >>> false_discovery(np.array([0.001, 0.02, 0.04, 0.9, np.nan]), rate=0.05).tolist()
    [True, True, False, False, False]
    """
    if not 0 < rate < 1:
        raise SettingError("hotspots.false_discovery_rate", "errors.not_a_share", value=rate)
    tested = np.isfinite(p)
    ordered = np.sort(p[tested])
    passing = np.flatnonzero(ordered <= rate * np.arange(1, len(ordered) + 1) / len(ordered))
    limit = ordered[passing[-1]] if len(passing) else -1.0
    return np.asarray(tested & (np.nan_to_num(p, nan=2.0) <= limit))
