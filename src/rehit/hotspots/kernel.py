"""Kernel density on a grid: a picture of where incidents lie thick, and a baseline to beat.

The bandwidth is the standard deviation of the kernel in metres, whatever the spread of the data
(some libraries scale it by that, others take coordinate units).
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from rehit.errors import SettingError


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
        raise SettingError("kernel_density", got=f"cell {cell_m:g} m, bandwidth {bandwidth_m:g} m",
                           allowed="lengths above 0", remedy="give both in metres")
    smooth = gaussian_filter(np.asarray(counts, "float64"), bandwidth_m / cell_m, mode="constant",
                             truncate=truncate)
    return np.asarray(smooth / (cell_m / 1000.0) ** 2)
