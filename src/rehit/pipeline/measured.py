"""What a measure was seen to do to the rate of markings, handed on to the cost comparison."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from rehit.costs.lifecycle import compare_by_formula
from rehit.errors import ManyErrors, RehitError, SettingError
from rehit.hotspots.evaluate import Evaluation
from rehit.pipeline.chain import Chain
from rehit.pipeline.finding import VERDICTS, evaluations

OPTION = "--measured-effect"


@dataclass(frozen=True)
class MeasuredEffect:
    """What one strategy is taken to prevent, and the measure it was seen on.

    Attributes
    ----------
    strategy, measure
        Names in the strategies and in the measures file.
    verdict
        As `rehit evaluate` gives it: only "worked" and "got worse" are used.
    effect, low, high
        Share of markings prevented, with the ends of its interval; NaN where there is none.
    """

    strategy: str
    measure: str
    verdict: str
    effect: float
    low: float
    high: float

    @property
    def usable(self) -> bool:
        """Whether the verdict allows the effect to be used."""
        return VERDICTS.get(self.verdict) in ("fewer", "more")


def use_measured_effects(chain: Chain, asked: Sequence[str]) -> list[MeasuredEffect]:
    """Give strategies the effect that measures of the project were seen to have.

    Parameters
    ----------
    chain
        Its comparison then uses the effects; measures that cannot be judged change nothing.
    asked
        ``STRATEGY=MEASURE`` for each.

    Raises
    ------
    ManyErrors
        Listing every strategy and measure that is not known.
    """
    if not asked:
        return []
    found = {name: evaluation for name, _, evaluation in evaluations(chain)}
    pairs, faults = _pairs(asked, sorted(found), [s.name for s in chain.strategies])
    if faults:
        raise ManyErrors(OPTION, faults)
    effects = [_effect(strategy, measure, found[measure]) for strategy, measure in pairs]
    chain.effects = {e.strategy: e.effect for e in effects if e.usable}
    return effects


def _pairs(asked: Sequence[str], measures: list[str],
           strategies: list[str]) -> tuple[list[tuple[str, str]], list[RehitError]]:
    pairs: list[tuple[str, str]] = []
    faults: list[RehitError] = []
    for text in asked:
        strategy, _, measure = (part.strip() for part in text.partition("="))
        pairs.append((strategy, measure))
        for what, name, known in (("strategy", strategy, strategies),
                                  ("measure", measure, measures)):
            if name not in known:
                faults.append(SettingError(
                    f"{OPTION} {text}", got=f"the {what} {name!r}", allowed=", ".join(known),
                    remedy="write it as STRATEGY=MEASURE, with names of the strategies and of the "
                           "measures file"))
    return pairs, faults


def _effect(strategy: str, measure: str, found: Evaluation) -> MeasuredEffect:
    return MeasuredEffect(strategy, measure, found.verdict, 1 - found.rate_ratio, 1 - found.high,
                          1 - found.low)


def effect_table(chain: Chain, effects: Sequence[MeasuredEffect]) -> pd.DataFrame:
    """Return what hangs on each effect: at none, at its best estimate and at its interval's ends.

    Returns
    -------
    pandas.DataFrame
        ``strategy, measure, verdict, case, effect, n_cheapest`` (places where the strategy then
        costs least on average), ``saving`` (of the cheapest way everywhere, against removing).
    """
    rows = []
    for effect in effects:
        cases = {"no effect": 0.0, "low end of what was measured": effect.low,
                 "as measured": effect.effect, "high end of what was measured": effect.high}
        for case, share in cases.items():
            if np.isfinite(share):
                rows.append((effect.strategy, effect.measure, effect.verdict, case, share,
                             *_cheapest_with(chain, effect.strategy, share)))
    return pd.DataFrame(rows, columns=["strategy", "measure", "verdict", "case", "effect",
                                       "n_cheapest", "saving"])


def _cheapest_with(chain: Chain, strategy: str, share: float) -> tuple[int, float]:
    strategies = [replace(s, effect_on_rate=share) if s.name == strategy else s
                  for s in chain.strategies]
    compared = compare_by_formula(chain.costing, strategies=strategies,
                                  parameters=chain.cost_parameters)
    costs = np.column_stack([np.where(p.allowed, e.present_value, np.inf) for p, e in zip(
        compared.pieces, compared.expected, strict=True)])
    number = [s.name for s in strategies].index(strategy)
    base = compared.expected[compared.baseline].present_value
    return int((costs.argmin(axis=1) == number).sum()), float((base - costs.min(axis=1)).sum())


def effect_sentences(effects: Sequence[MeasuredEffect], table: pd.DataFrame) -> list[str]:
    """Say in plain words which effect is used, and how many places hang on it."""
    said = []
    for effect in effects:
        name = effect.strategy.replace("_", " ")
        if not effect.usable:
            said.append(f"The measure {effect.measure!r} gives no verdict ({effect.verdict}), so "
                        f"{name} is still taken to have no effect on how often a wall is hit.")
            continue
        own = table[(table["strategy"] == effect.strategy)
                    & (table["measure"] == effect.measure)].set_index("case")["n_cheapest"]
        said.append(
            f"{name.capitalize()} is taken to prevent {effect.effect:.0%} of markings, as measured "
            f"on {effect.measure!r} (interval {effect.low:.0%} to {effect.high:.0%}). It is then "
            f"the cheapest way at {own['as measured']:,} places; with no effect at "
            f"{own['no effect']:,}, at the ends of the interval at "
            f"{own['low end of what was measured']:,} and "
            f"{own['high end of what was measured']:,}. To keep it, write effect_on_rate = "
            f"{effect.effect:.2f} for {effect.strategy} in a strategies file.")
    return said
