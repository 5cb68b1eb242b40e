"""Which grid cells are hotter than chance: Gi* with its upper tail and false-discovery control."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.ndimage import convolve

from rehit.hotspots.grid import Grid, cell_side, coordinates, lay_grid, study_cells, well_placed
from rehit.hotspots.significance_local import standardised_rates
from rehit.hotspots.significance_pool import Pool, cell_pool, marked_units, unit_pool
from rehit.hotspots.significance_tails import false_discovery, sum_tails
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
    n, spread = len(dealt.members), float(np.std(dealt.members))
    z = np.full(len(sums), np.nan)
    if spread > 0 and n > 1:
        scale = spread * np.sqrt(np.maximum(n * number - number**2, 0.0) / (n - 1))
        np.divide(sums - dealt.members.mean() * number, scale, out=z, where=scale > 0)
    p = np.where(np.isfinite(z), sum_tails(dealt.members, sums, number.astype("int64")), np.nan)
    return pd.DataFrame({"z": z, "p_upper": p})


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
    sample = values[inside]
    deviations = np.where(inside, values - sample.mean(), 0.0)
    second_moment = float(np.square(deviations[inside]).mean())
    neighbours = np.round(convolve(inside.astype("float64"), kernel, mode="constant")[inside])
    lag_sum = convolve(deviations, kernel, mode="constant")[inside]
    moran = np.full(len(sample), np.nan)
    if second_moment > 0:
        np.divide(deviations[inside] * lag_sum, neighbours * second_moment, out=moran,
                  where=neighbours > 0)
    high = np.isfinite(moran) & (deviations[inside] > 0)
    p = np.full(len(sample), np.nan)
    if high.any():
        dealt = cell_pool(values, inside) if pool is None else pool
        sums, number = _gathered(dealt, kernel, inside)
        p[high] = sum_tails(dealt.members, sums[high], number[high].astype("int64"))
    return pd.DataFrame({"moran": moran, "p_high": p})


def _gathered(pool: Pool, kernel: np.ndarray, inside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the sum and the number of the pool's values around each studied cell."""
    return (convolve(pool.sums, kernel, mode="constant")[inside],
            np.round(convolve(pool.number, kernel, mode="constant")[inside]))


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
