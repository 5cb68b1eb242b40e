"""How unsure the cost numbers are, and what that does to a saving.

``doubt.csv`` lists causes: one thing nobody knows for certain, such as the price of coating, and
the numbers it moves together, by a factor with a triangular distribution between ``low`` and
``high`` whose peak is 1. Causes are independent of each other. A number that the project gives
itself keeps a quarter of its range. Between the ends of a cause a saving is taken as two straight
lines, and causes add up: their interplay is left out.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.strategies import Strategy
from rehit.parameters import Parameters

Numbers = NDArray[np.float64]
OWN = 0.25  # part of its range that a number given by the project keeps


@dataclass(frozen=True)
class Cause:
    """One thing that is not known for certain, and the factor its numbers may lie off by."""

    name: str
    targets: tuple[str, ...]
    low: float
    high: float


@cache
def _shipped() -> tuple[Cause, ...]:
    text = (files("rehit") / "costs" / "doubt.csv").read_text(encoding="utf-8")
    return tuple(Cause(row["cause"], tuple(row["target"].split("|")), float(row["low"]),
                       float(row["high"])) for row in csv.DictReader(text.splitlines()))


def causes(parameters: Parameters) -> tuple[Cause, ...]:
    """Return the causes with their ranges, narrowed where the project gave the numbers itself.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> own = load_parameters().override({"costs.call_out": 12})
    >>> next((c.low, c.high) for c in causes(own) if c.name == "call_out")
    (0.925, 1.125)
    """
    return tuple(replace(cause, low=1 - (1 - cause.low) * kept, high=1 + (cause.high - 1) * kept)
                 for cause in _shipped() for kept in (_kept(cause, parameters),))


def _kept(cause: Cause, parameters: Parameters) -> float:
    names = _names(cause, parameters)
    return OWN if names and all(parameters.row(name).overridden for name in names) else 1.0


def _names(cause: Cause, parameters: Parameters) -> list[str]:
    return [name for name in parameters
            if any(fnmatchcase(name, target) for target in cause.targets)]


def draw_factors(known: Sequence[Cause], *, draws: int, rng: np.random.Generator) -> Numbers:
    """Return factors of every cause, shape (causes, draws)."""
    return np.array([rng.triangular(c.low, 1.0, c.high, draws) for c in known])


def basis(factors: Numbers, known: Sequence[Cause]) -> Numbers:
    """Return how far each factor lies towards its low and its high end, shape (2 causes, draws).

    Examples
    --------
    >>> basis(np.array([[0.75, 1.0, 1.5]]), [Cause("x", (), 0.5, 1.5)]).tolist()
    [[0.5, 0.0, 0.0], [0.0, 0.0, 1.0]]
    """
    low = np.array([c.low for c in known])[:, None]
    high = np.array([c.high for c in known])[:, None]
    below = (1 - factors).clip(0) / (1 - low)
    above = (factors - 1).clip(0) / (high - 1)
    return np.concatenate([below, above])


def responses(costing: pd.DataFrame, strategies: Sequence[Strategy], *, known: Sequence[Cause],
              horizon_years: int, start_year: int = 0, parameters: Parameters) -> Numbers:
    """Return how each place's cost moves at the low ends, then at the high ends, of the causes.

    Returns
    -------
    numpy.ndarray
        Present value less that with nothing moved, shape (2 causes, places, strategies).
    """
    def costs(cause: Cause | None, factor: float) -> Numbers:
        moved = (costing, list(strategies), parameters) if cause is None else _moved(
            cause, factor, costing, strategies, parameters)
        compared = compare_by_formula(moved[0], strategies=moved[1], parameters=moved[2],
                                      horizon_years=horizon_years, start_year=start_year)
        return np.column_stack([e.present_value for e in compared.expected])

    base = costs(None, 1.0)
    return np.stack([costs(cause, end) - base
                     for ends in ([(c, c.low) for c in known], [(c, c.high) for c in known])
                     for cause, end in ends])


def _moved(cause: Cause, factor: float, costing: pd.DataFrame, strategies: Sequence[Strategy],
           parameters: Parameters) -> tuple[pd.DataFrame, list[Strategy], Parameters]:
    """Return the three with one cause's numbers times a factor, each kept within its limits."""
    if cause.targets == ("rate",):
        return (costing.assign(gamma_rate_years=costing["gamma_rate_years"] / factor),
                list(strategies), parameters)
    values = {name: float(np.clip(parameters[name] * factor, parameters.row(name).low,
                                  parameters.row(name).high))
              for name in _names(cause, parameters)}
    fields = [t.removeprefix("covering.") for t in cause.targets if t.startswith("covering.")]
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
