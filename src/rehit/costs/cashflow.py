"""Expected costs by formula: year by year with an uncertain rate, and at a known rate."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from rehit.costs.discounting import Timeline
from rehit.costs.doubt import Doubt
from rehit.costs.rates import (
    LINES,
    MEASURE,
    advised_methods,
    cleaning_lines,
    coating_left_years,
    cover_hours,
    cover_lines,
    painted_out,
    patches_until_repaint,
    recoat_lines,
    repaint_lines,
    spots,
    wash_water_l,
)
from rehit.costs.renewals import (
    Life,
    Renewals,
    expected_patch_repaints,
    expected_renewals,
    patch_repaint_curves,
    renewal_curves,
)
from rehit.costs.strategies import Strategy
from rehit.parameters import Parameters

Numbers = NDArray[np.float64]
Floats = NDArray[np.float32]


# One strategy at every place, taken apart into what the formula and the simulation both need.

Rows = slice | NDArray[np.int64]
MOST_PATCHED = 0.999  # a wall is due for a repaint before all of it is patched


@dataclass(frozen=True)
class Renewing:
    """Something renewed when used up: what that costs, shape (places, lines), and when.

    Attributes
    ----------
    lines
        Cost of one renewal.
    life
        When it is due.
    stands
        Cleanings that one spot of a cover stands, before rounding; for patches of paint the
        patched share at which a repaint is due. None where the life is certain.
    spots
        How many spots there are at each place; for patches of paint how many they are until
        then, before rounding.
    """

    lines: Numbers
    life: Life
    stands: float | None = None
    spots: Numbers | None = None

    def at(self, rows: Rows) -> Renewing:
        """Return the same at some of the places."""
        life = self.life
        return Renewing(self.lines[rows],
                        Life(life.cleanings[rows], life.years, life.reset_every[rows]),
                        self.stands, None if self.spots is None else self.spots[rows])

    def lives(self, worlds: Doubt) -> tuple[Numbers, Numbers]:
        """Return cleanings, shape (places, draws), and years, shape (draws,), in each world.

        A wall that one patch nearly fills is painted whole, or not, as at the stated share.
        """
        if self.stands is None or self.spots is None:
            return self.life.cleanings[:, None], np.full(worlds.draws, self.life.years)
        if np.isinf(self.life.years):
            due = np.minimum(self.stands * worlds.of("repaint"), MOST_PATCHED)
            sooner = np.log1p(-due) / np.log1p(-min(self.stands, MOST_PATCHED))
            return (np.maximum(np.ceil(self.spots[:, None] * sooner - 1e-9), 1.0),
                    np.full(worlds.draws, np.inf))
        longer = worlds.of("coating_life")
        stands = np.floor(np.maximum(self.stands * longer, 1.0))
        return (self.spots[:, None] * stands,
                np.maximum(np.round(self.life.years * longer), 1.0))


@dataclass(frozen=True)
class Pieces:
    """Costs of one strategy, shape (places, lines) at today's prices.

    Attributes
    ----------
    first
        At the start.
    yearly
        Every year, whatever happens.
    per_cleaning, recoat
        At each cleaning, and what of it is laying the cover again.
    planned
        At each planned repaint.
    planned_every
        Years between planned repaints at each place; 0 = the wall is not painted.
    repainting
        Full repaints that patches of paint add up to.
    renewing
        A cover or measure that wears out; its unused life is credited at the horizon.
    effect_on_rate
        Share of markings prevented.
    water_l, hours
        Wash water of one cleaning [L], crew hours of one covering.
    coated_left
        Years that a coating already there still lasts.
    coated
        Cost of one cleaning as long as it does.
    allowed, why_not
        Whether the strategy may be used at each place, and else the code of the reason.
    """

    strategy: Strategy
    first: Numbers
    yearly: Numbers
    per_cleaning: Numbers
    recoat: Numbers
    planned: Numbers
    planned_every: NDArray[np.int64]
    repainting: Renewing | None
    renewing: Renewing | None
    effect_on_rate: float
    water_l: Numbers
    hours: Numbers
    coated_left: Numbers
    coated: Numbers
    allowed: NDArray[np.bool_]
    why_not: NDArray[np.object_]


    def at(self, rows: Rows) -> Pieces:
        """Return the pieces at some of the places."""
        repainting = None if self.repainting is None else self.repainting.at(rows)
        renewing = None if self.renewing is None else self.renewing.at(rows)
        names = ("first", "yearly", "per_cleaning", "recoat", "planned", "planned_every",
                 "water_l", "hours", "coated_left", "coated", "allowed", "why_not")
        return replace(self, repainting=repainting, renewing=renewing,
                       **{name: getattr(self, name)[rows] for name in names})


def make_pieces(costing: pd.DataFrame, strategies: Sequence[Strategy], *,
                start_year: int = 0, parameters: Parameters) -> list[Pieces]:
    """Return the pieces of each strategy at all places of a costing table."""
    left = coating_left_years(costing, strategies, start_year=start_year, parameters=parameters)
    lasting = next((s for s in strategies if s.covers_wall and np.isfinite(s.life_cleanings)), None)
    coated = None if lasting is None or not left.any() else cleaning_lines(
        costing, lasting, parameters=parameters)
    return [_pieces(costing, strategy, left, coated, parameters) for strategy in strategies]


def _pieces(costing: pd.DataFrame, strategy: Strategy, left: Numbers, coated: Numbers | None,
            parameters: Parameters) -> Pieces:
    painted = advised_methods(costing) == "paint_out"
    every = round(parameters["costs.planned_repaint_years"])
    planned_every = np.where(painted, every, 0).astype(np.int64)
    repaint = repaint_lines(costing, parameters=parameters)
    yearly = np.zeros((len(costing), len(LINES)))
    yearly[:, MEASURE] = strategy.yearly_cost
    allowed, why_not = permission(costing, strategy)
    if strategy.covers_wall:
        why_not[(left > 0) & allowed] = "already_coated"
        allowed = allowed & (left == 0)
    first = cover_lines(costing, strategy, parameters=parameters)
    per_cleaning = cleaning_lines(costing, strategy, parameters=parameters)
    patched = painted_out(costing, strategy)
    # The full repaint takes the place of the last patch, so only what it costs more is added.
    more = np.where(patched[:, None], (repaint - per_cleaning).clip(0), 0.0)
    patches = np.where(patched, patches_until_repaint(costing, parameters=parameters), np.inf)
    repainting = Renewing(more, Life(np.ceil(patches - 1e-9), np.inf, planned_every),
                          parameters["costs.repaint_wall_share"], patches)
    return Pieces(
        strategy=strategy, first=first, yearly=yearly, per_cleaning=per_cleaning,
        recoat=recoat_lines(costing, strategy, parameters=parameters),
        planned=np.where(painted[:, None], repaint, 0.0), planned_every=planned_every,
        repainting=repainting if more.any() else None,
        renewing=_renewing(costing, strategy, first, planned_every, parameters),
        effect_on_rate=strategy.effect_on_rate,
        water_l=wash_water_l(costing, strategy, parameters=parameters),
        hours=cover_hours(costing, strategy, parameters=parameters),
        coated_left=np.zeros(len(left)) if strategy.covers_wall else left,
        coated=per_cleaning if coated is None else coated, allowed=allowed, why_not=why_not)


def _renewing(costing: pd.DataFrame, strategy: Strategy, lines: Numbers,
              planned_every: NDArray[np.int64], parameters: Parameters) -> Renewing | None:
    if not lines.any():
        return None
    # Only what lies on the wall goes when the wall is repainted.
    resets = planned_every if strategy.covers_wall else np.zeros_like(planned_every)
    life_years = (np.inf if np.isinf(strategy.life_years)
                  else float(max(1, round(strategy.life_years))))
    cleanings = np.full(len(costing), np.floor(strategy.life_cleanings))
    if not strategy.covers_wall:
        return Renewing(lines, Life(cleanings, life_years, resets))
    spread = spots(costing, parameters=parameters)
    return Renewing(lines, Life(cleanings * spread, life_years, resets), strategy.life_cleanings,
                    spread)


def permission(costing: pd.DataFrame,
               strategy: Strategy) -> tuple[NDArray[np.bool_], NDArray[np.object_]]:
    """Return where a strategy may be used, and the code of the reason where it may not."""
    advised = advised_methods(costing)
    unknown = (advised == "inspect") & bool(strategy.only_methods)
    # Where nobody has said, a coating may be planned: the owner is asked before it is laid.
    forbidden = (~costing["coating_allowed"].to_numpy(bool, na_value=True)
                 if strategy.needs_permission else np.zeros(len(costing), dtype=bool))
    unfit = (~np.isin(advised, strategy.only_methods)
             if strategy.only_methods else np.zeros(len(costing), dtype=bool))
    if strategy.covers_wall and "coatable" in costing:
        unfit = unfit | ~costing["coatable"].to_numpy(bool)
    reasons = np.full(len(costing), None, dtype=object)
    reasons[unfit] = "unfit_surface"
    reasons[unknown & unfit] = "unknown_surface"
    reasons[forbidden] = "owner_forbids"
    return ~(forbidden | unfit), reasons


def coated_share(pieces: Pieces, years: int) -> Numbers:
    """Return which share of each year a coating already there lasts, shape (places, years)."""
    return np.clip(pieces.coated_left[:, None] - np.arange(years), 0, 1)


def cleaning_now(pieces: Pieces) -> Numbers:
    """Return the cost of one cleaning in the first year, a coating already there counted in."""
    kept = coated_share(pieces, 1)
    return np.asarray(pieces.per_cleaning * (1 - kept) + pieces.coated * kept)


@dataclass(frozen=True)
class Scales:
    """What costs come to in possible worlds, against those at the stated numbers.

    Attributes
    ----------
    cleaning, repaint, renewal
        Ratios, shape (places, draws).
    fixed
        Present value of all that is certain, shape (places, draws).
    """

    cleaning: Floats
    repaint: Floats
    renewal: Floats
    fixed: Floats


def make_scales(pieces: Pieces, weights: Weights, worlds: Doubt, rows: Rows) -> Scales:
    """Return the scales of one strategy at some places; exact where all cost lines grow alike."""
    part, weight = pieces.at(rows), weights.at(rows)
    covers = pieces.strategy.covers_wall
    cleaning = worlds.lines("coated_cleaning" if covers else "cleaning")
    cover = worlds.lines("covering" if covers else "other")
    years = weight.cleaning.shape[1]
    kept = coated_share(part, years).mean(axis=1)[:, None]
    own = (part.per_cleaning - part.recoat) * (1 - kept)
    again, coated = part.recoat * (1 - kept), part.coated * kept
    moved = own @ cleaning + again @ cover
    if coated.any():
        moved += coated @ worlds.lines("coated_cleaning")
    repaint = worlds.lines("cleaning")
    lines = 0 * part.first if part.repainting is None else part.repainting.lines
    first = _ratio(part.first @ cover, part.first)
    upkeep = (weight.fixed - weight.at_start - weight.planned)[:, None]
    fixed = (weight.at_start[:, None] * first + upkeep
             + weight.planned[:, None] * _ratio(part.planned @ repaint, part.planned))
    return Scales(_ratio(moved, own + again + coated).astype(np.float32),
                  _ratio(lines @ repaint, lines).astype(np.float32),
                  first.astype(np.float32), fixed.astype(np.float32))


def _ratio(moved: Numbers, lines: Numbers) -> Numbers:
    total = lines.sum(axis=1, keepdims=True)
    return np.asarray(np.divide(moved, total, out=np.ones_like(moved), where=total > 0))


def planned_years(every: NDArray[np.int64], years: int) -> NDArray[np.bool_]:
    """Return in which year ends a planned repaint falls, shape (places, years), never the last."""
    number = np.arange(1, years + 1)
    due = number % np.maximum(every, 1)[:, None] == 0
    found: NDArray[np.bool_] = due & (every > 0)[:, None] & (number < years)
    return found


@dataclass(frozen=True)
class Weights:
    """Present values that multiply what is random, in one strategy.

    Attributes
    ----------
    fixed
        Present value of all that is certain, shape (places,).
    at_start, planned
        What of it is paid at the start, and for planned repaints.
    cleaning
        Of one cleaning in each year, shape (places, years).
    repaint
        Of one full repaint in place of a patch in each year.
    by_cleaning, by_age
        Of one renewal at a cleaning in each year, and at each year's end.
    unused
        Credited at the horizon for a wholly unused cover, shape (places,).
    """

    fixed: Numbers
    at_start: Numbers
    planned: Numbers
    cleaning: Numbers
    repaint: Numbers
    by_cleaning: Numbers
    by_age: Numbers
    unused: Numbers


    def at(self, rows: Rows) -> Weights:
        """Return the weights at some of the places."""
        return Weights(self.fixed[rows], self.at_start[rows], self.planned[rows],
                       self.cleaning[rows], self.repaint[rows],
                       self.by_cleaning[rows], self.by_age[rows], self.unused[rows])


def make_weights(pieces: Pieces, timeline: Timeline, *, parameters: Parameters) -> Weights:
    """Return the present-value weights of one strategy."""
    years = timeline.years
    due = planned_years(pieces.planned_every, years)
    at_start = pieces.first @ timeline.start
    planned = (pieces.planned @ timeline.year_end * due).sum(axis=1)
    fixed = at_start + pieces.yearly @ timeline.running.sum(axis=1) + planned
    nothing, kept = np.zeros_like(pieces.first), coated_share(pieces, years)
    cleaning = (pieces.per_cleaning @ timeline.running * (1 - kept)
                + pieces.coated @ timeline.running * kept)
    more = nothing if pieces.repainting is None else pieces.repainting.lines
    lines = nothing if pieces.renewing is None else pieces.renewing.lines
    return Weights(
        fixed, at_start, planned, cleaning, more @ timeline.running * (1 - kept),
        lines @ timeline.running, lines @ timeline.year_end,
        parameters["costs.residual_share"] * (lines @ timeline.year_end[:, -1]))


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
    repaints, renewals = renewals_of(pieces, shape=shape, rate_years=thinned_years, years=years)
    by_year[:, 1:] += (repaints * weights.repaint + renewals.by_cleaning * weights.by_cleaning
                       + renewals.by_age * weights.by_age)
    return Expected(by_year, renewals.unused * weights.unused,
                    mean_rate * years * pieces.water_l, weights)


def renewals_of(pieces: Pieces, *, shape: Numbers, rate_years: Numbers,
                years: int) -> tuple[Numbers, Renewals]:
    """Return the expected full repaints in place of patches, and the renewals of the cover."""
    nothing = np.zeros((len(shape), years))
    repaints = nothing if pieces.repainting is None else expected_patch_repaints(
        shape, rate_years, pieces.repainting.life, years=years)
    renewals = Renewals(nothing, nothing, nothing[:, 0]) if pieces.renewing is None else (
        expected_renewals(shape, rate_years, pieces.renewing.life, years=years))
    return repaints, renewals


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
    if pieces.repainting is not None:
        _add_curves(cost, pieces.repainting.life, weights.repaint, thinned, patch_repaint_curves)
    if pieces.renewing is not None:
        stacked = np.hstack([weights.by_cleaning, weights.by_age, -weights.unused[:, None]])
        _add_curves(cost, pieces.renewing.life, stacked, thinned, partial(
            renewal_curves, life_years=pieces.renewing.life.years))
    found: Numbers = cost
    return found


def _add_curves(cost: Numbers, life: Life, weights: Numbers, rates: Numbers,
                make_curves: Callable[..., CubicSpline]) -> None:
    """Add to `cost`, in place, the renewals at each rate times what they weigh."""
    years = weights.shape[1] if make_curves is patch_repaint_curves else weights.shape[1] // 2
    groups = np.unique(np.column_stack([life.cleanings, life.reset_every]), axis=0)
    for cycles, every in groups:
        rows = np.flatnonzero((life.cleanings == cycles) & (life.reset_every == every))
        if not weights[rows].any():
            continue
        some = rates if len(rates) == 1 else rates[rows]
        curves = make_curves(float(some.max()), cycles=float(cycles), reset_every=int(every),
                             years=years)
        values = curves(np.sqrt(some))
        if len(some) == 1:
            cost[rows] += weights[rows] @ values[0].T
        else:
            cost[rows] += np.einsum("pk,pmk->pm", weights[rows], values)
