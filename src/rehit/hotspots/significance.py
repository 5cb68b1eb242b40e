"""Which grid cells are hotter than chance: Gi* with its upper tail and false-discovery control."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.ndimage import convolve

from rehit.errors import SettingError
from rehit.hotspots.grid import (
    Grid,
    cell_side,
    coordinates,
    exposure_of,
    lay_grid,
    study_cells,
    well_placed,
)
from rehit.hotspots.significance_local import standardised_rates
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected

LATTICE_STEPS = 4096  # numerical resolution of values that are not whole numbers


def hot_cells(placed_incidents: gpd.GeoDataFrame, *, cell_m: float | None = None,
              register: gpd.GeoDataFrame | None = None, exposure_basis: str = "assets",
              parameters: Parameters | None = None) -> gpd.GeoDataFrame:
    """Test every grid cell and its eight neighbours against chance.

    Assumptions: under "nothing is going on" the cells' values could stand in any order. With a
    register the values are rates (incidents per asset, or per m2 of wall), standardised so that
    cells with little to mark do not look extreme. Only the upper tail is tested: a quiet cell in a
    sparse log proves nothing. One very hot wall alone does not make an area hot; it belongs to the
    repeat places.

    Parameters
    ----------
    placed_incidents
        Incidents with point geometry in a projected CRS and ``reported_at``. Points that stand for
        a street or a default place are left out.
    cell_m
        Cell side [m]; default ``hotspots.cell_m``.
    register
        Asset register in the same CRS: the exposure.
    exposure_basis
        ``assets`` or ``wall_area``, what the register counts in each cell.
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
    x, y = coordinates(incidents)
    grid, counts, exposure = _tallies(x, y, incidents, cell_m, register, exposure_basis, numbers)
    inside = study_cells(counts, exposure, reach=int(numbers["hotspots.study_reach_cells"]))
    values = counts.astype("float64")
    if exposure is not None:
        values = np.zeros(counts.shape)
        filled = np.where(exposure > 0, exposure, exposure[exposure > 0].min())
        values[inside] = standardised_rates(counts[inside], filled[inside])
        exposure = filled
    scores = window_scores(values, inside)
    second = local_moran_grid(values, inside)
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


def window_scores(values: np.ndarray, inside: np.ndarray) -> pd.DataFrame:
    """Return Gi* of each studied cell over its 3 x 3 window, and its upper-tail chance.

    The score equals Gi* with binary weights on the same neighbours. The chance is not read from the
    normal curve, which is far off for sparse counts, but from the exact distribution of the sum of
    as many cells drawn from the map (with replacement, which errs on the careful side).

    Parameters
    ----------
    values
        Value per cell, shape (rows, columns).
    inside
        Studied cells, same shape; the others count neither as cells nor as neighbours.

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
    kernel = np.ones((3, 3))
    kept = np.where(inside, values, 0.0)
    sums = convolve(kept, kernel, mode="constant")[inside]
    neighbours = np.round(convolve(inside.astype("float64"), kernel, mode="constant")[inside])
    sample = values[inside]
    n, spread = len(sample), float(np.std(sample))
    z = np.full(n, np.nan)
    if spread > 0 and n > 1:
        scale = spread * np.sqrt(np.maximum(n * neighbours - neighbours**2, 0.0) / (n - 1))
        np.divide(sums - sample.mean() * neighbours, scale, out=z, where=scale > 0)
    p = np.where(np.isfinite(z), sum_tails(sample, sums, neighbours.astype("int64")), np.nan)
    return pd.DataFrame({"z": z, "p_upper": p})


def local_moran_grid(values: np.ndarray, inside: np.ndarray) -> pd.DataFrame:
    """Return local Moran's I of each studied cell with its up to eight neighbours.

    Parameters
    ----------
    values, inside
        As in :func:`window_scores`.

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
        sums = convolve(np.where(inside, values, 0.0), kernel, mode="constant")[inside]
        p[high] = sum_tails(sample, sums[high], neighbours[high].astype("int64"))
    return pd.DataFrame({"moran": moran, "p_high": p})


def sum_tails(sample: np.ndarray, sums: np.ndarray, how_many: np.ndarray) -> np.ndarray:
    """Return P(sum of k values drawn from `sample` >= s) for each s and its k.

    Whole numbers are exact; other values are rounded to a fine lattice.

    Examples
    --------
    >>> sum_tails(np.array([0, 0, 0, 1]), np.array([2.0]), np.array([2])).round(4).tolist()
    [0.0625]
    """
    low = float(sample.min())
    whole = bool((sample == np.round(sample)).all())
    step = 1.0 if whole else max((float(sample.max()) - low) / LATTICE_STEPS, 1e-12)
    steps = np.round((sample - low) / step).astype("int64")
    chances = np.bincount(steps) / len(sample)
    tails = np.ones(len(sums))
    for k in np.unique(how_many[how_many > 0]):
        length = k * (len(chances) - 1) + 1
        spectrum = np.fft.rfft(chances, length)
        total = np.maximum(np.fft.irfft(spectrum**k, length), 0.0)
        upper = np.minimum(np.cumsum(total[::-1])[::-1], 1.0)
        chosen = how_many == k
        # Half a step of slack so that rounding on the lattice never makes a sum look rarer.
        slack = 1e-9 if whole else 0.5 * k
        place = np.ceil((sums[chosen] - k * low) / step - slack).astype("int64")
        tails[chosen] = upper[np.clip(place, 0, length - 1)]
    # The transform is exact to about 1e-16; smaller chances are not claimed.
    return np.maximum(tails, 1e-15)


def false_discovery(p: np.ndarray, *, rate: float) -> np.ndarray:
    """Tell which chances pass the Benjamini-Hochberg control; NaN never passes nor counts.

    Parameters
    ----------
    p
        Chances, shape (n,); NaN where there is no test.
    rate
        Share of false alarms among the cells called hot that is accepted.

    References
    ----------
    Benjamini and Hochberg 1995, JRSS B 57:289-300.

    Examples
    --------
    >>> false_discovery(np.array([0.001, 0.02, 0.04, 0.9, np.nan]), rate=0.05).tolist()
    [True, True, False, False, False]
    """
    if not 0 < rate < 1:
        raise SettingError("false discovery rate", got=f"{rate:g}", allowed="between 0 and 1",
                           remedy="set hotspots.false_discovery_rate")
    tested = np.isfinite(p)
    ordered = np.sort(p[tested])
    passing = np.flatnonzero(ordered <= rate * np.arange(1, len(ordered) + 1) / len(ordered))
    limit = ordered[passing[-1]] if len(passing) else -1.0
    return np.asarray(tested & (np.nan_to_num(p, nan=2.0) <= limit))


def _tallies(x: np.ndarray, y: np.ndarray, incidents: gpd.GeoDataFrame, cell_m: float | None,
             register: gpd.GeoDataFrame | None, basis: str,
             numbers: Parameters) -> tuple[Grid, np.ndarray, np.ndarray | None]:
    """Lay the grid over incidents and register together and count both on it."""
    every_x, every_y = x, y
    if register is not None and len(register):
        require_projected(register, where="hot_cells: register")
        asset_x, asset_y = coordinates(register)
        every_x, every_y = np.concatenate([x, asset_x]), np.concatenate([y, asset_y])
    grid = lay_grid(every_x, every_y, side=cell_side(cell_m, incidents, numbers),
                    max_cells=numbers["hotspots.max_cells"])
    counts = grid.tally(x, y)
    if register is None or not len(register):
        return grid, counts, None
    return grid, counts, exposure_of(register, grid, basis=basis)


def _no_cells(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    cells = empty("cells", crs=frame.crs)
    return cells.assign(neighbourhood=pd.Series([], dtype="int64"),
                        moran_local=pd.Series([], dtype="float64"),
                        p_moran=pd.Series([], dtype="float64"),
                        hot_moran=pd.Series([], dtype="bool"))
