"""Yardsticks of a single investment: rate of return, savings per unit invested, economic life."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from rehit.costs.discounting import annuity_factor, net_present_value, year_factors

Numbers = NDArray[np.float64]


def internal_rate_of_return(flow: Sequence[float], *, lowest: float = -0.99,
                            highest: float = 10.0) -> float | None:
    """Return the discount rate at which the flow is worth nothing, or None where there is none.

    A flow whose sign changes more than once may have several such rates: None is returned then
    too, because no single figure would be honest.

    Parameters
    ----------
    flow
        Amounts from now on, one a year.
    lowest, highest
        Limits of the search, as decimals.

    Examples
    --------
    >>> internal_rate_of_return([-100, 110])
    0.1...
    """
    amounts = np.asarray(flow, dtype=float)
    signs = np.sign(amounts[amounts != 0])
    if len(signs) < 2 or np.count_nonzero(np.diff(signs)) != 1:
        return None

    def worth(rate: float) -> float:
        return net_present_value(amounts.tolist(), discount_rate=rate)

    if worth(lowest) * worth(highest) > 0:
        return None
    return float(brentq(worth, lowest, highest, xtol=1e-14, rtol=1e-14))


def savings_to_investment_ratio(*, operating_saving: float, extra_investment: float) -> float:
    """Return present operating savings per unit of present extra investment (above 1 pays).

    Examples
    --------
    >>> savings_to_investment_ratio(operating_saving=550 - 300, extra_investment=200 - 100)
    2.5
    """
    return operating_saving / extra_investment if extra_investment > 0 else float("nan")


def adjusted_internal_rate_of_return(ratio: ArrayLike, *, discount_rate: float,
                                     n_years: float) -> Numbers:
    """Return the yearly yield when savings are put out again at the discount rate.

    References
    ----------
    NIST Handbook 135: AIRR = (1 + d) SIR^(1/N) - 1.
    """
    values = np.asarray(ratio, dtype=float)
    with np.errstate(invalid="ignore"):
        return (1 + discount_rate) * np.where(values >= 0, values, np.nan) ** (1 / n_years) - 1


def economic_life(cost: float, *, market_values: Sequence[float], yearly_costs: Sequence[float],
                  discount_rate: float) -> Numbers:
    """Return the equivalent annual cost of keeping something n = 1, 2, … years.

    Parameters
    ----------
    cost
        Price now.
    market_values, yearly_costs
        What it fetches at the end of each year, and what running it cost in that year.
    """
    values, running = np.asarray(market_values, float), np.asarray(yearly_costs, float)
    factors = year_factors(len(values), discount_rate=discount_rate)
    present = cost + np.cumsum(running * factors) - values * factors
    annuities = [annuity_factor(n + 1, discount_rate=discount_rate) for n in range(len(values))]
    return np.asarray(present / np.array(annuities))
