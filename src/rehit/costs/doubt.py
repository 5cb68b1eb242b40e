"""How unsure the cost numbers are: causes, and possible worlds drawn from their ranges.

``doubt.csv`` lists causes: one thing nobody knows for certain, such as the price of coating, and
the numbers it moves together, by a factor with a triangular distribution between ``low`` and
``high`` whose peak is 1. Causes are independent of each other. A number that the project gives
itself keeps a quarter of its range. Comparison, programme and bid look at the same drawn worlds.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import cache
from importlib.resources import files
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.stats import triang

from rehit.costs.rates import LINES
from rehit.parameters import Parameters

Numbers = NDArray[np.float64]
OWN = 0.25  # part of its range that a number given by the project keeps
_SITE = {"call_out": ("call_out",), "access": ("site",), "traffic_control": ("site",)}
_CLEANING = {**_SITE, "labour": ("labour", "minutes"), "materials": ("materials",),
             "water": ("wash_water",), "wear": ("wear",)}
#: Causes that move each cost line of a job: a cleaning or repaint, a cleaning of a coated wall,
#: the covering of a wall, and what no range is known for.
MOVED: Mapping[str, Mapping[str, tuple[str, ...]]] = MappingProxyType({
    "cleaning": _CLEANING,
    "coated_cleaning": {**_CLEANING, "labour": ("labour", "minutes", "coating_cleaning"),
                        "materials": ("materials", "coating_cleaning")},
    "covering": {**_SITE, "labour": ("labour", "coating_minutes"),
                 "materials": ("coating_price",)},
    "other": {}})


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
    names = names_moved(cause, parameters)
    return OWN if names and all(parameters.row(name).overridden for name in names) else 1.0


def names_moved(cause: Cause, parameters: Parameters) -> list[str]:
    """Return the parameters that a cause moves."""
    return [name for name in parameters
            if any(fnmatchcase(name, target) for target in cause.targets)]


@dataclass(frozen=True)
class Doubt:
    """Possible worlds: what every cause comes to in each of them.

    Attributes
    ----------
    known
        The causes.
    factors
        Shape (causes, draws).
    """

    known: tuple[Cause, ...]
    factors: Numbers

    @property
    def draws(self) -> int:
        """How many worlds were drawn."""
        return int(self.factors.shape[1])

    def of(self, *names: str) -> Numbers:
        """Return the product of some causes' factors in each world, 1 without any."""
        number = {cause.name: at for at, cause in enumerate(self.known)}
        return np.asarray(self.factors[[number[n] for n in names if n in number]].prod(axis=0))

    def lines(self, job: str) -> Numbers:
        """Return the factor on each cost line of a kind of job of `MOVED`, (lines, draws)."""
        return np.stack([self.of(*MOVED[job].get(line, ())) for line in LINES])

    def for_draws(self, draws: int) -> Doubt:
        """Return as many worlds as asked, the first ones over again where there are fewer."""
        return self if draws == self.draws else replace(
            self, factors=np.resize(self.factors.T, (draws, len(self.known))).T)


def draw_doubt(parameters: Parameters, *, draws: int | None = None,
               rng: np.random.Generator) -> Doubt:
    """Draw possible worlds, each cause spread evenly over its distribution.

    Parameters
    ----------
    parameters
        Numbers in force: those the project gives itself are surer.
    draws
        Default ``costs.draws``.
    rng
        Source of randomness.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> worlds = draw_doubt(load_parameters(), draws=400, rng=np.random.default_rng(1))
    >>> round(float(worlds.of("labour").mean()), 3)  # (0.9 + 1 + 1.15) / 3
    1.017
    """
    known = causes(parameters)
    size = int(draws or parameters["costs.draws"])
    return Doubt(known, draw_factors(known, draws=size, rng=rng))


def draw_factors(known: Sequence[Cause], *, draws: int, rng: np.random.Generator) -> Numbers:
    """Return factors, shape (causes, draws): of each cause one from each equal part of its chances.

    References
    ----------
    McKay, Beckman and Conover 1979, Technometrics 21, 239-245: Latin hypercube sampling.
    """
    chance = (rng.permuted(np.tile(np.arange(draws), (len(known), 1)), axis=1)
              + rng.random((len(known), draws))) / draws
    low, high = (np.array([getattr(c, end) for c in known])[:, None] for end in ("low", "high"))
    return np.asarray(triang.ppf(chance, (1 - low) / (high - low), low, high - low), dtype=float)


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
