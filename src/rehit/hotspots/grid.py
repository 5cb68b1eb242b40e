"""A square grid laid over the incidents, and which incidents are placed well enough to go on it."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.ndimage import binary_dilation, gaussian_filter

from rehit.errors import DataWarning, SettingError, TableError
from rehit.messages import message
from rehit.observed import POOR, STRETCHES
from rehit.parameters import Parameters
from rehit.tables import require_projected

OF_A_POINT = ("incident_id", "asset_id", "place_id", "place_kind", "place_quality", "reported_at")


@dataclass(frozen=True)
class Grid:
    """A square grid: its south-west corner, cell side and shape (rows northward, columns eastward).

    Parameters
    ----------
    west, south
        Corner of the first cell [units of the CRS]. A multiple of `side`, so that the same place
        falls into the same cell in every run.
    side
        Cell side [units of the CRS].
    rows, columns
        Number of cells northward and eastward.

    Examples
    --------
    >>> grid = lay_grid(np.array([10.0, 250.0]), np.array([20.0, 20.0]), side=100.0)
    >>> grid.rows, grid.columns, grid.index(np.array([250.0]), np.array([20.0])).tolist()
    (1, 3, [2])
    """

    west: float
    south: float
    side: float
    rows: int
    columns: int

    @property
    def size(self) -> int:
        """Number of cells."""
        return self.rows * self.columns

    def index(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return each point's flat cell number (-1 outside the grid)."""
        column = np.floor((np.asarray(x) - self.west) / self.side).astype("int64")
        row = np.floor((np.asarray(y) - self.south) / self.side).astype("int64")
        inside = (column >= 0) & (column < self.columns) & (row >= 0) & (row < self.rows)
        return np.where(inside, row * self.columns + column, -1)

    def tally(self, x: np.ndarray, y: np.ndarray, weights: np.ndarray | None = None) -> np.ndarray:
        """Return the count (or summed weight) per cell, shape (rows, columns)."""
        cell = self.index(x, y)
        inside = cell >= 0
        chosen = None if weights is None else np.asarray(weights, "float64")[inside]
        flat = np.bincount(cell[inside], weights=chosen, minlength=self.size)
        return flat.reshape(self.rows, self.columns)

    def names(self, flat: np.ndarray) -> np.ndarray:
        """Return stable names of cells, their column and row counted from the CRS's origin."""
        column = np.round(self.west / self.side).astype("int64") + flat % self.columns
        row = np.round(self.south / self.side).astype("int64") + flat // self.columns
        return np.array([f"E{c}N{r}" for c, r in zip(column.tolist(), row.tolist(), strict=True)],
                        dtype=object)

    def centres(self, flat: np.ndarray) -> np.ndarray:
        """Return the middle of cells, shape (n, 2)."""
        return np.column_stack([self.west + (flat % self.columns + 0.5) * self.side,
                                self.south + (flat // self.columns + 0.5) * self.side])

    def squares(self, flat: np.ndarray) -> np.ndarray:
        """Return the cells as polygons."""
        west = self.west + (flat % self.columns) * self.side
        south = self.south + (flat // self.columns) * self.side
        found: np.ndarray = shapely.box(west, south, west + self.side, south + self.side)
        return found


def lay_grid(x: np.ndarray, y: np.ndarray, *, side: float, max_cells: float = 4e6) -> Grid:
    """Lay a grid over points, its lines on multiples of the cell side.

    Parameters
    ----------
    x, y
        Coordinates [units of the CRS], finite.
    side
        Cell side in the same unit.
    max_cells
        Refuse a grid with more cells than this (one stray point can stretch it over a country).

    Raises
    ------
    SettingError
        If `side` is not positive, there is no point, or the grid would have too many cells.
    """
    if not side > 0 or not len(x):
        raise SettingError(message("where.cell_side"), "errors.no_cells", side=side, points=len(x))
    west, south = np.floor(np.min(x) / side), np.floor(np.min(y) / side)
    columns = int(np.floor(np.max(x) / side) - west) + 1
    rows = int(np.floor(np.max(y) / side) - south) + 1
    if rows * columns > max_cells:
        raise SettingError(message("where.cell_side"), "errors.too_many_cells", rows=rows,
                           columns=columns, most=max_cells)
    return Grid(float(west * side), float(south * side), float(side), rows, columns)


def metres_per_unit(frame: gpd.GeoDataFrame) -> float:
    """Return the length of one unit of the table's projected CRS [m].

    Examples
    --------
    >>> feet = gpd.GeoDataFrame(geometry=gpd.points_from_xy([0], [0]), crs=2263)
    >>> round(metres_per_unit(feet), 4)
    0.3048
    """
    require_projected(frame, where="hotspots")
    return float(frame.crs.axis_info[0].unit_conversion_factor)


def well_placed(placed_incidents: gpd.GeoDataFrame, *, where: str) -> gpd.GeoDataFrame:
    """Return the incidents whose point is the place itself, not a stand-in for a street or a town.

    Only what tells their place and time is kept (:data:`OF_A_POINT`).

    Points that stand for a block or street (``place_quality`` or ``place_kind`` says so), default
    points and empty geometries would be read as very hot places that do not exist.

    Parameters
    ----------
    placed_incidents
        Incidents with point geometry in a projected CRS; ``place_quality`` and ``place_kind`` are
        used where present.
    where
        Who is asking, for the messages.

    Raises
    ------
    TableError
        If the table has no projected CRS or no time column ``reported_at``.

    Warns
    -----
    DataWarning
        If incidents exist but none of them is placed well enough.
    """
    require_projected(placed_incidents, where=where)
    if "reported_at" not in placed_incidents.columns:
        raise TableError(where, "errors.no_reported_at")
    geometry = placed_incidents.geometry
    good = geometry.notna() & ~geometry.is_empty
    if "place_quality" in placed_incidents.columns:
        good &= ~placed_incidents["place_quality"].isin(POOR)
    if "place_kind" in placed_incidents.columns:
        good &= ~placed_incidents["place_kind"].isin(STRETCHES)
    if len(placed_incidents) and not good.any():
        warnings.warn(DataWarning(message("warnings.only_streets", where=where)), stacklevel=3)
    return placed_incidents.loc[good, [
        name for name in placed_incidents.columns if name in OF_A_POINT or name == geometry.name]]


def coordinates(frame: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return x and y of each geometry (its middle where it is not a point)."""
    points = frame.geometry
    if not (points.geom_type == "Point").all():
        points = points.centroid
    return points.x.to_numpy(dtype="float64"), points.y.to_numpy(dtype="float64")


def asset_exposure(register: gpd.GeoDataFrame, *, basis: str) -> np.ndarray:
    """Return how much of each asset could be marked: 1 each, or its wall area where any is known.

    Parameters
    ----------
    register
        Asset register.
    basis
        ``assets`` counts them; ``wall_area`` takes ``wall_area_m2`` [m2], an empty value taken as
        the median of the others.

    Raises
    ------
    SettingError
        If `basis` is another word, or wall areas are asked for and none is known.
    """
    if basis == "assets":
        return np.ones(len(register))
    area = register.get("wall_area_m2")
    if basis != "wall_area" or area is None or not area.notna().any():
        raise SettingError(message("where.exposure_basis"), "errors.unknown_basis", basis=basis)
    found: np.ndarray = area.fillna(area.median()).to_numpy(dtype="float64")
    return found


def exposure_of(register: gpd.GeoDataFrame, grid: Grid, *, basis: str) -> np.ndarray:
    """Sum what could be marked in each cell of a grid in the register's projected CRS.

    Parameters
    ----------
    register, basis
        As in :func:`asset_exposure`.
    grid
        The grid.
    """
    return grid.tally(*coordinates(register), asset_exposure(register, basis=basis))


def study_cells(counts: np.ndarray, exposure: np.ndarray | None, *, reach: int) -> np.ndarray:
    """Tell which cells belong to the area studied.

    With a register: cells with something to be marked, or with an incident. Without: cells within
    `reach` cells of an incident; counting all the empty land of a rectangle would make every
    built-up cell look hot.
    """
    if exposure is not None:
        return np.asarray((exposure > 0) | (counts > 0))
    return np.asarray(binary_dilation(counts > 0, structure=np.ones((3, 3)), iterations=reach))


def cell_side(cell_m: float | None, frame: gpd.GeoDataFrame, parameters: Parameters) -> float:
    """Return the cell side in units of the CRS, from metres or the default ``hotspots.cell_m``."""
    chosen = parameters["hotspots.cell_m"] if cell_m is None else cell_m
    return chosen / metres_per_unit(frame)


def days_since(times: pd.Series, origin: pd.Timestamp) -> np.ndarray:
    """Return times as days after `origin` (NaN where missing)."""
    return ((times - origin) / pd.Timedelta(days=1)).to_numpy(dtype="float64", na_value=np.nan)


# Kernel density on a grid: a picture of where incidents lie thick, and a baseline to beat.
#
# The bandwidth is the standard deviation of the kernel in metres, whatever the spread of the data
# (some libraries scale it by that, others take coordinate units).

def kernel_density(counts: np.ndarray, *, cell_m: float, bandwidth_m: float,
                   truncate: float = 4.0) -> np.ndarray:
    """Smooth counts on a grid with a Gaussian kernel.

    Parameters
    ----------
    counts
        Incidents per cell, shape (rows, columns).
    cell_m
        Cell side [m].
    bandwidth_m
        Standard deviation of the kernel [m].
    truncate
        Standard deviations after which the kernel is cut off.

    Returns
    -------
    numpy.ndarray
        Incidents per km2, same shape. Mass that the kernel carries over the edge of the grid is
        lost, as it is for points that lie near the sea.

    Raises
    ------
    SettingError
        If a length is not positive.

    Examples
    --------
    >>> spot = np.zeros((41, 41)); spot[20, 20] = 1
    >>> density = kernel_density(spot, cell_m=50.0, bandwidth_m=100.0)
    >>> bool(abs(density.sum() * 0.05**2 - 1) < 1e-9)
    True
    """
    if not (cell_m > 0 and bandwidth_m > 0):
        raise SettingError("kernel_density", "errors.not_kernel_lengths", cell=cell_m,
                           bandwidth=bandwidth_m)
    smooth = gaussian_filter(np.asarray(counts, "float64"), bandwidth_m / cell_m, mode="constant",
                             truncate=truncate)
    return np.asarray(smooth / (cell_m / 1000.0) ** 2)
