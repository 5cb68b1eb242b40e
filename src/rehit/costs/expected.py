"""Expected costs by formula: year by year with an uncertain rate, and at a known rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from rehit.costs.pieces import Pieces, Renewing, Weights, make_weights, planned_years
from rehit.costs.renewals import (
    Renewals,
    expected_patch_repaints,
    expected_renewals,
    patch_repaint_curves,
    renewal_curves,
)
from rehit.costs.timeline import Timeline
from rehit.parameters import Parameters

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Expected:
    """Expected present values of one strategy at every place.

    Attributes
    ----------
    by_year
        Expected discounted cost, shape (places, years + 1): the first column is the start.
    residual
        Expected discounted credit for unused life at the horizon, shape (places,).
    water_l
        Expected wash water over the horizon [L].
    weights
        What each random event weighs.
    """

    by_year: Numbers
    residual: Numbers
    water_l: Numbers
    weights: Weights

    @property
    def present_value(self) -> Numbers:
        """Expected present value over the horizon, residual credited."""
        return np.asarray(self.by_year.sum(axis=1) - self.residual)


def expected_costs(pieces: Pieces, timeline: Timeline, *, shape: Numbers, rate_years: Numbers,
                   parameters: Parameters) -> Expected:
    """Return the expected costs of one strategy where the rate is gamma distributed."""
    years = timeline.years
    weights = make_weights(pieces, timeline, parameters=parameters)
    thinned_years = rate_years / max(1 - pieces.effect_on_rate, 1e-12)
    mean_rate = shape / thinned_years
    by_year = np.zeros((len(shape), years + 1))
    by_year[:, 0] = pieces.first @ timeline.start
    by_year[:, 1:] = (pieces.yearly @ timeline.running + mean_rate[:, None] * weights.cleaning
                      + pieces.planned @ timeline.year_end
                      * planned_years(pieces.planned_every, years))
    renewals = renewals_of(pieces, shape=shape, rate_years=thinned_years, years=years)
    by_year[:, 1:] += (renewals.by_cleaning * weights.by_cleaning
                       + renewals.by_age * weights.by_age)
    return Expected(by_year, renewals.unused * weights.unused,
                    mean_rate * years * pieces.water_l, weights)


def renewals_of(pieces: Pieces, *, shape: Numbers, rate_years: Numbers, years: int) -> Renewals:
    """Return the expected renewals of one strategy (none where nothing uses up)."""
    nothing = np.zeros((len(shape), years))
    if pieces.renewing is None:
        return Renewals(nothing, nothing, np.zeros(len(shape)))
    if not pieces.renewing.credited:
        repaints = expected_patch_repaints(shape, rate_years, pieces.renewing.life, years=years)
        return Renewals(repaints, nothing, np.zeros(len(shape)))
    return expected_renewals(shape, rate_years, pieces.renewing.life, years=years)


def cost_at_rates(pieces: Pieces, weights: Weights, rates: Numbers) -> Numbers:
    """Return the expected present value of one strategy where the yearly rate is known.

    Parameters
    ----------
    pieces, weights
        The strategy at some places.
    rates
        Yearly rates without the strategy's effect, shape (places, m) or (1, m).

    Returns
    -------
    numpy.ndarray
        Shape (places, m).
    """
    thinned = rates * (1 - pieces.effect_on_rate)
    cost = weights.fixed[:, None] + thinned * weights.cleaning.sum(axis=1)[:, None]
    if pieces.renewing is None:
        return cost
    life = pieces.renewing.life
    stacked = weights.by_cleaning
    if pieces.renewing.credited:
        stacked = np.hstack([stacked, weights.by_age, -weights.unused[:, None]])
    groups = np.unique(np.column_stack([life.cleanings, life.reset_every]), axis=0)
    for cycles, every in groups:
        rows = np.flatnonzero((life.cleanings == cycles) & (life.reset_every == every))
        some = thinned if len(thinned) == 1 else thinned[rows]
        curves = _curves(pieces.renewing, float(some.max()), float(cycles), int(every),
                         years=weights.cleaning.shape[1])
        values = curves(np.sqrt(some))
        if len(some) == 1:
            cost[rows] += stacked[rows] @ values[0].T
        else:
            cost[rows] += np.einsum("pk,pmk->pm", stacked[rows], values)
    return cost


def _curves(renewing: Renewing, highest_rate: float, cycles: float, every: int, *,
            years: int) -> CubicSpline:
    if renewing.credited:
        return renewal_curves(highest_rate, cycles=cycles, life_years=renewing.life.years,
                              reset_every=every, years=years)
    return patch_repaint_curves(highest_rate, cycles=cycles, reset_every=every, years=years)


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
