"""The rival of every match: a surface that gets marked but is not in the register.

An incident comes either from one of the M registered assets or, with chance w, from anywhere in
the area A they stand in. The log itself says how large w is: it is estimated by expectation
maximisation of this two-part mixture (Dempster, Laird and Rubin 1977, J. R. Stat. Soc. B 39: 1-38),
started from and held by the default ``assets.unregistered_per_hectare``.
"""

from __future__ import annotations

import numpy as np
import shapely

from rehit.parameters import Parameters

ROUNDS = 200
CLOSE = 1e-6


def unregistered_density(totals: np.ndarray, *, n_incidents: int, geometry: np.ndarray,
                         hectare: float, parameters: Parameters) -> float:
    """Estimate the density of unregistered surfaces, per square CRS unit.

    Parameters
    ----------
    totals
        Summed scores of the incidents that have a candidate.
    n_incidents
        Incidents looked at, those without a candidate included.
    geometry
        The assets' geometries; their convex hull is the area.
    hectare
        Area of a hectare in CRS units.
    parameters
        ``assets.unregistered_per_hectare`` (start, and limits) and
        ``assets.unregistered_prior_incidents`` (how many incidents the start counts for).

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> unregistered_density(np.empty(0), n_incidents=0, geometry=np.array([shapely.Point(0, 0)]),
    ...                      hectare=1e4, parameters=load_parameters()) * 1e4
    1.0
    """
    row = parameters.row("assets.unregistered_per_hectare")
    start = row.value / hectare
    area = float(shapely.convex_hull(shapely.geometrycollections(geometry)).area)
    if area <= 0 or n_incidents == 0:
        return start
    registered = len(geometry) / area
    prior = start / (start + registered)
    weight = parameters["assets.unregistered_prior_incidents"]
    empty = n_incidents - len(totals)
    share = prior
    for _ in range(ROUNDS):
        rival = share / (1 - share) * registered
        outside = empty + float((rival / (totals + rival)).sum())
        new = (weight * prior + outside) / (weight + n_incidents)
        done, share = abs(new - share) < CLOSE, min(new, 1 - CLOSE)
        if done:
            break
    return float(np.clip(share / (1 - share) * registered, row.low / hectare, row.high / hectare))
