"""Which number to go and measure: how far each rate's range moves a strategy's saving.

The figure looked at is the mean present saving of one strategy against another, summed over the
places given. The tornado moves one number at a time from end to end of its range; the indices of
Sobol share out the variance when all move at once, each evenly over its range. What knowing a
cause of doubt would be worth to a decision takes a saving as two straight lines between the ends
of a cause, and lets causes add up: their interplay is left out.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from rehit.costs.doubt import Cause, Numbers, basis, draw_factors, names_moved
from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.strategies import BASELINE, Strategy, load_strategies, method_codes
from rehit.errors import SettingError
from rehit.messages import message
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check

FIXED = ("horizon_years", "draws", "interval_level", "inflation", "programme_budget",
         "programme_crew_hours", "programme_gap", "programme_years", "variance_sample",
         "variance_numbers", "rate_scenario_low", "rate_scenario_high",
         "breakeven_rate_limit", "payment_point", "residual_share")
RATE = "re-hit rate"


def movable(costing: pd.DataFrame, *, parameters: Parameters) -> list[str]:
    """Return the parameters whose range can move costs here: no settings, no idle methods."""
    used = {*costing["method"].unique(), "solvent_wipe"}
    idle = [method for method in method_codes() if method not in used]
    return [row.name for row in parameters.rows("costs")
            if row.name.removeprefix("costs.") not in FIXED
            and not any(row.name.endswith(f"_{method}") for method in idle)]


def ranges_of(names: Sequence[str], *, parameters: Parameters, width: float) -> dict[str, tuple[
        float, float]]:
    """Return the range each parameter is moved over: a share of the way to each of its ends.

    Parameters
    ----------
    width
        1 for the whole range of the table; less to keep closer to the value in force.

    Raises
    ------
    SettingError
        If the width is not above 0 and at most 1.
    """
    if not 0 < width <= 1:
        raise SettingError(message("where.sensitivity_width"), "errors.not_a_share", value=width)
    rows = [parameters.row(name) for name in names]
    return {row.name: (row.value - width * (row.value - row.low),
                       row.value + width * (row.high - row.value)) for row in rows}


def saving(costing: pd.DataFrame, *, strategy: str, against: str = BASELINE,
           strategies: Path | str | None = None, effects: Mapping[str, float] | None = None,
           parameters: Parameters, rate_factor: float = 1.0) -> float:
    """Return the mean present saving of `strategy` against another, summed over the places.

    Raises
    ------
    SettingError
        For an unknown strategy.
    """
    shifted = costing if rate_factor == 1 else costing.assign(
        gamma_rate_years=costing["gamma_rate_years"] / rate_factor)
    known = load_strategies(strategies, parameters=parameters, effects=effects)
    for name in (strategy, against):
        if name not in [s.name for s in known]:
            raise SettingError(message("where.sensitivity"), "errors.unknown_name", name=name,
                               known=tuple(s.name for s in known))
    needed = [s for s in known if s.name in (BASELINE, strategy, against)]
    comparison = compare_by_formula(shifted, strategies=needed, parameters=parameters)
    names = [s.name for s in needed]
    totals = [float(e.present_value.sum()) for e in comparison.expected]
    return totals[names.index(against)] - totals[names.index(strategy)]


def tornado(costing: pd.DataFrame, *, strategy: str, against: str = BASELINE,
            names: Sequence[str] | None = None, width: float = 1.0,
            strategies: Path | str | None = None, effects: Mapping[str, float] | None = None,
            parameters: Parameters | None = None) -> pd.DataFrame:
    """Move one number at a time over its range.

    Parameters
    ----------
    costing
        The `costing` table: one place, or those a decision is about.
    strategy, against
        The saving looked at.
    names
        Parameters moved; default all that can matter here, and the rate itself, over the factors
        ``costs.rate_scenario_low`` and ``_high``.
    width
        Share of each range moved over.
    strategies, parameters
        As for :func:`rehit.costs.lifecycle.compare_by_formula`.
    effects
        As for :func:`rehit.costs.strategies.load_strategies`.

    Returns
    -------
    pandas.DataFrame
        The `tornado` table, widest first: name, unit, low, high (values tried), saving_low,
        saving_high (saving at each), swing, changes_sign (whether the decision turns).
    """
    parameters = parameters or load_parameters()
    chosen = list(names) if names is not None else movable(costing, parameters=parameters)
    limits = ranges_of(chosen, parameters=parameters, width=width)

    def at(name: str, value: float) -> float:
        return saving(costing, strategy=strategy, against=against, strategies=strategies,
                      effects=effects, parameters=_moved(parameters, {name: value}))

    rows = [(name, parameters.row(name).unit, low, high, at(name, low), at(name, high))
            for name, (low, high) in limits.items()]
    if names is None:
        factors = (parameters["costs.rate_scenario_low"], parameters["costs.rate_scenario_high"])
        low, high = (saving(costing, strategy=strategy, against=against, strategies=strategies,
                            effects=effects, parameters=parameters, rate_factor=factor)
                     for factor in factors)
        rows.append((RATE, "ratio", *factors, low, high))
    table = pd.DataFrame(rows, columns=["name", "unit", "low", "high", "saving_low",
                                        "saving_high"])
    table["swing"] = (table["saving_high"] - table["saving_low"]).abs()
    table["changes_sign"] = np.sign(table["saving_low"]) * np.sign(table["saving_high"]) < 0
    table = table.sort_values(["swing", "name"], ascending=[False, True], ignore_index=True)
    check(table, "tornado", where="costs.tornado")
    return table


def sobol_indices(costing: pd.DataFrame, *, strategy: str, against: str = BASELINE,
                  names: Sequence[str] | None = None, n_base: int | None = None,
                  n_top: int | None = None, width: float = 1.0,
                  strategies: Path | str | None = None,
                  effects: Mapping[str, float] | None = None,
                  parameters: Parameters | None = None,
                  rng: np.random.Generator) -> pd.DataFrame:
    """Share out the variance of a saving among the numbers that make it, by Sobol indices.

    Parameters
    ----------
    costing, strategy, against, width, strategies, effects, parameters
        As for :func:`tornado`.
    names
        Parameters moved, each evenly over its range; default the `n_top` widest of the tornado.
    n_base
        Base sample, rounded to a power of 2; the saving is worked out ``n_base * (numbers + 2)``
        times. Default ``costs.variance_sample``.
    n_top
        Default ``costs.variance_numbers``.
    rng
        Seeds the scrambling of the Sobol sequence and the confidence interval.

    Returns
    -------
    pandas.DataFrame
        The `sobol` table: name, first (share of the variance by it alone), first_margin, total
        (with its interplay with others), total_margin (half widths of 95 % intervals).

    References
    ----------
    Saltelli et al. 2010, Computer Physics Communications 181, 259-270; computed by SALib.
    """
    parameters = parameters or load_parameters()
    # A slow import that only this study needs.
    from SALib.analyze import sobol as sobol_analyze
    from SALib.sample import sobol as sobol_sample

    n_base = 2 ** round(np.log2(n_base or parameters["costs.variance_sample"]))
    if names is None:
        widest = tornado(costing, strategy=strategy, against=against, width=width,
                         strategies=strategies, effects=effects, parameters=parameters)
        n_top = int(n_top or parameters["costs.variance_numbers"])
        names = [name for name in widest["name"] if name != RATE][:n_top]
    limits = ranges_of(names, parameters=parameters, width=width)
    problem = {"num_vars": len(names), "names": list(names), "bounds": [list(limits[n])
                                                                       for n in names]}
    seed = int(rng.integers(2**31))
    points = sobol_sample.sample(problem, n_base, calc_second_order=False, seed=seed)
    moves = (dict(zip(names, map(float, point), strict=True)) for point in points)
    values = np.array([
        saving(costing, strategy=strategy, against=against, strategies=strategies,
               effects=effects, parameters=_moved(parameters, move)) for move in moves])
    with warnings.catch_warnings():
        # SALib divides by the variance: a figure that nothing moves has no shares.
        warnings.simplefilter("ignore", RuntimeWarning)
        found = sobol_analyze.analyze(problem, values, calc_second_order=False, seed=seed)
    table = pd.DataFrame({"name": list(names), "first": found["S1"], "first_margin":
                          found["S1_conf"], "total": found["ST"], "total_margin": found["ST_conf"]})
    table = table.sort_values(["total", "name"], ascending=[False, True], ignore_index=True)
    check(table, "sobol", where="costs.sobol_indices")
    return table


def _moved(parameters: Parameters, values: Mapping[str, float]) -> Parameters:
    clipped = {name: float(np.clip(value, parameters.row(name).low, parameters.row(name).high))
               for name, value in values.items()}
    return parameters.override(clipped, where="sensitivity")


# What knowing a cause of doubt is worth to a decision.

def responses(costing: pd.DataFrame, strategies: Sequence[Strategy], *, known: Sequence[Cause],
              horizon_years: int, start_year: int = 0, parameters: Parameters) -> Numbers:
    """Return how each place's cost moves at the low ends, then at the high ends, of the causes.

    Returns
    -------
    numpy.ndarray
        Present value less that with nothing moved, shape (2 causes, places, strategies).
    """
    def costs(cause: Cause | None, factor: float) -> Numbers:
        moved = (costing, list(strategies), parameters) if cause is None else shifted(
            cause, factor, costing, strategies, parameters)
        compared = compare_by_formula(moved[0], strategies=moved[1], parameters=moved[2],
                                      horizon_years=horizon_years, start_year=start_year)
        return np.column_stack([e.present_value for e in compared.expected])

    base = costs(None, 1.0)
    return np.stack([costs(cause, end) - base
                     for ends in ([(c, c.low) for c in known], [(c, c.high) for c in known])
                     for cause, end in ends])


def shifted(cause: Cause, factor: float, costing: pd.DataFrame, strategies: Sequence[Strategy],
            parameters: Parameters) -> tuple[pd.DataFrame, list[Strategy], Parameters]:
    """Return the three with one cause's numbers times a factor, each kept within its limits."""
    if cause.targets == ("rate",):
        return (costing.assign(gamma_rate_years=costing["gamma_rate_years"] / factor),
                list(strategies), parameters)
    values = {name: float(np.clip(parameters[name] * factor, parameters.row(name).low,
                                  parameters.row(name).high))
              for name in names_moved(cause, parameters)}
    fields = [t.removeprefix("covering.") for t in cause.targets if t.startswith("covering.")]
    if cause.targets == ("any.effect_on_rate",):
        return costing, [replace(s, effect_on_rate=min(s.effect_on_rate * factor, 1.0))
                         for s in strategies], parameters
    moved = [replace(s, **{f: max(getattr(s, f) * factor, 1.0 if f.startswith("life") else 0.0)
                           for f in fields}) if s.covers_wall else s for s in strategies]
    return costing, moved, parameters.override(values, where="doubt")


def value_of_information(savings: Numbers, response: Numbers, *, known: Sequence[Cause],
                         parameters: Parameters, rng: np.random.Generator) -> pd.DataFrame:
    """Return what knowing each cause for certain would be worth to a choice made place by place.

    Parameters
    ----------
    savings
        Present saving of each option with nothing moved; every option may be taken or left.
    response
        How it moves at the ends of the causes, shape (options, 2 causes).
    known
        The causes.
    parameters
        ``costs.draws``.
    rng
        Source of randomness.

    Returns
    -------
    pandas.DataFrame
        The `value_of_information` table, most worth on top: cause, low, high, ``worth`` (expected
        value of perfect information on the cause, present value), ``flips_at`` (factor at which
        all options together save nothing; empty where that lies outside the range).

    References
    ----------
    Raiffa and Schlaifer 1961: expected value of perfect information, here on one parameter (EVPPI).
    """
    draws, n = int(parameters["costs.draws"]), len(known)
    z = basis(draw_factors(known, draws=draws, rng=rng), known)
    mean = savings + response @ z.mean(axis=1)
    without = mean.clip(0).sum()
    rows = []
    for number, cause in enumerate(known):
        own = [number, n + number]
        moved = response[:, own] @ (z[own] - z[own].mean(axis=1, keepdims=True))
        worth = (mean[:, None] + moved).clip(0).sum(axis=0).mean() - without
        taken = mean > 0
        flips = _flip(cause, float(savings[taken].sum()), response[taken][:, own].sum(axis=0))
        rows.append((cause.name, cause.low, cause.high, max(float(worth), 0.0), flips))
    table = pd.DataFrame(rows, columns=["cause", "low", "high", "worth", "flips_at"])
    return table.sort_values(["worth", "cause"], ascending=[False, True], ignore_index=True)


def _flip(cause: Cause, saving: float, ends: Numbers) -> float:
    """Return the factor nearest to 1 at which a saving that moves in straight lines is nothing."""
    for end, factor in zip(ends, (cause.low, cause.high), strict=True):
        if saving > 0 and saving + end < 0:
            return float(1 + (factor - 1) * saving / -end)
    return float("nan")
