"""Where incidents are in excess over an area, and what is emerging now."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.exposure import window_days
from rehit.hotspots.grid import (
    Grid,
    coordinates,
    days_since,
    exposure_of,
    lay_grid,
    metres_per_unit,
    study_cells,
    well_placed,
)
from rehit.hotspots.scan_core import draw_circles, poisson_scan, scan_maps
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check, empty, require_projected


def scan_statistic(placed_incidents: gpd.GeoDataFrame, *, observed_from: pd.Timestamp,
                   observed_to: pd.Timestamp, emerging: bool = True,
                   register: gpd.GeoDataFrame | None = None,
                   parameters: Parameters | None = None,
                   rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Scan the town with circles for an excess of incidents, lately or over the whole window.

    Emerging: cylinders that end with the window and reach back one week or more. What is expected
    of a circle is its share of all incidents times the share of those weeks, so a place that has
    always been bad, and a season that is bad everywhere, are not called emerging; chance by
    permuted times. Otherwise: circles against the exposure (register assets, or the area where
    there is no register); chance by maps drawn from the exposure.

    Parameters
    ----------
    placed_incidents
        Incidents with point geometry in a projected CRS and ``reported_at``; points that stand for
        a street are left out.
    observed_from, observed_to
        Observation window, UTC.
    emerging
        Space-time scan for what is emerging now, or a scan in space over the whole window.
    register
        Asset register in the same CRS, the exposure of the scan in space.
    parameters
        Uses ``hotspots.scan_cell_m``, ``scan_max_cells``, ``scan_max_radius_m``,
        ``scan_max_share``, ``scan_max_weeks``, ``scan_permutations``, ``scan_most_zones``.
    rng
        Source of randomness.

    Returns
    -------
    geopandas.GeoDataFrame
        Table ``scan``, the likeliest zone first; zones share no cell. Empty where there is no
        excess at all.

    References
    ----------
    Kulldorff 1997, Comm. Statist. Theory Meth. 26:1481-1496; prospective: Kulldorff 2001, JRSS A
    164:61-72; permuted times: Kulldorff, Heffernan, Hartman et al. 2005, PLoS Medicine 2:e59.
    """
    numbers = load_parameters() if parameters is None else parameters
    window_days(observed_from, observed_to)
    rows = well_placed(placed_incidents, where="scan_statistic")
    rows = rows.loc[(rows["reported_at"] >= observed_from) & (rows["reported_at"] <= observed_to)]
    if not len(rows):
        return _no_zones(placed_incidents)
    x, y = coordinates(rows)
    metre = metres_per_unit(rows)
    grid, used, exposure = _locations(x, y, metre, None if emerging else register, numbers)
    cell = np.searchsorted(used, grid.index(x, y))
    xy_m = grid.centres(used) * metre
    if emerging:
        week = np.floor(days_since(observed_to - rows["reported_at"] + observed_from,
                                   observed_from) / 7.0).astype("int64")
        zones = _emerging(xy_m, cell, week, len(used), numbers, rng)
    else:
        zones = poisson_scan(
            xy_m, np.bincount(cell, minlength=len(used)), exposure,
            max_share=numbers["hotspots.scan_max_share"],
            max_radius=numbers["hotspots.scan_max_radius_m"],
            permutations=int(numbers["hotspots.scan_permutations"]), rng=rng,
            most_zones=int(numbers["hotspots.scan_most_zones"]))
    return _zone_table(zones, grid, used, observed_from, observed_to, emerging, rows)


def _locations(x: np.ndarray, y: np.ndarray, metre: float, register: gpd.GeoDataFrame | None,
               numbers: Parameters) -> tuple[Grid, np.ndarray, np.ndarray]:
    """Cells to scan, made larger until there are few enough of them; with their exposure."""
    every_x, every_y = x, y
    if register is not None and len(register):
        require_projected(register, where="scan_statistic: register")
        more = coordinates(register)
        every_x, every_y = np.concatenate([x, more[0]]), np.concatenate([y, more[1]])
    side = numbers["hotspots.scan_cell_m"] / metre
    while True:
        grid = lay_grid(every_x, every_y, side=side, max_cells=numbers["hotspots.max_cells"])
        counts = grid.tally(x, y)
        exposure = None
        if register is not None and len(register):
            # An incident shows that there was something to mark.
            exposure = np.maximum(exposure_of(register, grid, basis="assets"), counts > 0)
        inside = study_cells(counts, exposure, reach=1)
        if inside.sum() <= numbers["hotspots.scan_max_cells"]:
            break
        side *= 1.5
    used = np.flatnonzero(inside.ravel())
    flat = np.ones(len(used)) if exposure is None else exposure.ravel()[used].astype("float64")
    return grid, used, flat


def _emerging(xy_m: np.ndarray, cell: np.ndarray, week: np.ndarray, n: int, numbers: Parameters,
              rng: np.random.Generator) -> pd.DataFrame:
    """Space-time scan with permuted times over durations of 1, 2, ... weeks up to today."""
    longest = max(1, min(int(numbers["hotspots.scan_max_weeks"]), (int(week.max()) + 1) // 2))

    def latest(weeks: np.ndarray) -> np.ndarray:
        recent = weeks < longest
        table = np.bincount(cell[recent] * longest + weeks[recent], minlength=n * longest)
        return np.cumsum(table.reshape(n, longest), axis=1).astype("float64")

    counts = latest(week)
    per_cell = np.bincount(cell, minlength=n).astype("float64")
    expected = np.outer(per_cell, counts.sum(axis=0)) / len(cell)
    circles = draw_circles(xy_m, per_cell, max_share=numbers["hotspots.scan_max_share"],
                           max_radius=numbers["hotspots.scan_max_radius_m"])
    return scan_maps(circles, counts, expected, total=len(cell),
                     simulate=lambda: latest(rng.permutation(week)),
                     permutations=int(numbers["hotspots.scan_permutations"]),
                     most_zones=int(numbers["hotspots.scan_most_zones"]))


def _zone_table(zones: pd.DataFrame, grid: Grid, used: np.ndarray, start: pd.Timestamp,
                end: pd.Timestamp, emerging: bool,
                rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if not len(zones):
        return _no_zones(rows)
    centre = grid.centres(used[zones["centre"].to_numpy(dtype="int64")])
    metre = metres_per_unit(rows)
    half_cell = 0.5 * grid.side * metre
    radius_m = zones["radius"].to_numpy(dtype="float64") + half_cell
    circles = gpd.GeoSeries(gpd.points_from_xy(*centre.T), crs=rows.crs).buffer(radius_m / metre)
    back = pd.to_timedelta(zones["duration"].to_numpy(dtype="int64") * 7, unit="D")
    since = (end - back).as_unit("us") if emerging else pd.DatetimeIndex([start] * len(zones))
    result = gpd.GeoDataFrame({
        "zone_id": pd.Series([f"Z{i:02d}" for i in range(1, len(zones) + 1)], dtype="str"),
        "from_time": since, "to_time": pd.DatetimeIndex([end] * len(zones)),
        "radius_m": radius_m, "n_cells": [len(m) for m in zones["members"]],
        "n_incidents": zones["observed"].astype("int64"), "expected": zones["expected"],
        "relative_risk": zones["relative_risk"], "llr": zones["llr"],
        "p_value": zones["p_value"],
    }, geometry=circles.to_numpy(), crs=rows.crs)
    check(result, "scan", where="scan_statistic")
    return result


def _no_zones(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return empty("scan", crs=frame.crs)
