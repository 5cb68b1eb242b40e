"""What costs at random moments are worth today, in closed form."""

from __future__ import annotations

import numpy as np


def random_events_present_value(*, rate_per_year: float, cost: float, discount_rate: float,
                                horizon_years: float) -> tuple[float, float]:
    """Return mean and standard deviation of the present value of a cost met at random times.

    Markings are Poisson, each costs the same, and each is discounted from its own moment. The
    year-by-year model with costs in the middle of the year comes within 0.01 % of this.

    References
    ----------
    Campbell's theorem for shot noise: with force of interest d = ln(1 + rate), the mean is
    r c (1 - exp(-d T)) / d and the variance r c^2 (1 - exp(-2 d T)) / (2 d).

    Examples
    --------
    >>> mean, deviation = random_events_present_value(
    ...     rate_per_year=4, cost=100, discount_rate=0.05, horizon_years=10)
    >>> round(mean, 2), round(deviation, 2)
    (3165.28, 505.4)
    """
    force = float(np.log1p(discount_rate))
    if force == 0:
        mean = rate_per_year * cost * horizon_years
        return mean, float(np.sqrt(mean * cost))
    mean = -rate_per_year * cost * np.expm1(-force * horizon_years) / force
    variance = -rate_per_year * cost**2 * np.expm1(-2 * force * horizon_years) / (2 * force)
    return float(mean), float(np.sqrt(variance))
