"""Strategy costs and the coating programme, as tables, files and messages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from rehit.chain import Chain
from rehit.costs.cashflow import cost_at_rates
from rehit.costs.doubt import Doubt
from rehit.costs.expected import booked_against_expected
from rehit.costs.lifecycle import (
    Comparison,
    breakeven_table,
    cash_flow_table,
    compare_by_formula,
    simulated_costs,
)
from rehit.costs.programme import Programme, what_to_measure
from rehit.costs.sensitivity import sobol_indices
from rehit.costs.strategies import BASELINE
from rehit.errors import ManyErrors, RehitError, SettingError
from rehit.files.writing import write_csv, write_parquet
from rehit.hotspots.evaluate import Evaluation, Verdict
from rehit.messages import Message, message
from rehit.outputs.hotspots import evaluations
from rehit.report.inputs import CODED
from rehit.report.worked_example import write_worked_example
from rehit.treatment.choose import care_messages, compare_done, method_shares
from rehit.treatment.methods import caution_codes

# The chosen methods held against ordinary towns and against what the crew did.

def shares_table(chain: Chain) -> pd.DataFrame | None:
    """Return the shares of methods advised, and done where there is a works log, with their band.

    Returns
    -------
    pandas.DataFrame or None
        The contract ``report_method_shares``; None where no job has a settled method.
    """
    methods = {"advised": chain.advice["method"]}
    if chain.works is not None:
        methods["done"] = chain.works["method"]
    tables = [method_shares(codes, parameters=chain.parameters).assign(jobs=jobs).dropna(
        subset=["share"]) for jobs, codes in methods.items()]
    table = pd.concat(tables, ignore_index=True)
    if table.empty:
        return None
    columns = ["jobs", "code", "share", "usual", "low", "high", "inside"]
    return table[columns].astype({"jobs": "str", "code": "str", "inside": bool})


def done_table(chain: Chain) -> pd.DataFrame | None:
    """Return what was advised against what was done: the contract ``report_advised_done``.

    None where there is no works log, or none of its jobs can be led back to an incident.
    """
    works = chain.works
    if works is None or works["report_id"].isna().all() or (
            "report_id" not in chain.incidents or chain.incidents["report_id"].isna().all()):
        return None
    table = compare_done(chain.advice, works, incidents=pd.DataFrame(chain.incidents))
    return None if table.empty else table.astype({"advised": "str", "done": "str"})


# What a coating programme comes to.

def programme_message(chain: Chain, found: Programme, *, years: int) -> Message:
    """Return what the programme coats, costs and saves, or why it coats nothing.

    Parameters
    ----------
    chain
        The project's results.
    found
        The programme chosen.
    years
        Years the budget is given for [years].
    """
    budget, horizon = (chain.parameters[f"costs.{name}"]
                       for name in ("programme_budget", "horizon_years"))
    if len(found.table):
        return message("ways.programme", n=len(found.table), budget=budget, years=years,
                       cost=float(found.table["first_cost"].sum()), saving=found.saving,
                       low=found.saving_low, high=found.saving_high, loss=found.chance_of_loss,
                       horizon=horizon)
    may = chain.costing["coating_allowed"].to_numpy(bool, na_value=True)
    allowed = int(may.sum())
    if not allowed:
        return message("ways.none_allowed", n=len(chain.costing))
    known = int((may & chain.costing["method"].ne("inspect")).sum())
    if not known:
        return message("ways.none_known", n=allowed)
    costs = chain.strategy_costs
    pays = int((costs["cheapest"] & (costs["first_cost"] > 0)).sum())
    if pays:
        return message("ways.budget_too_small", n=pays, budget=budget, years=years)
    return message("ways.none_pays", n=known, horizon=horizon)


def owner_messages(programme: pd.DataFrame) -> list[Message]:
    """Return how many owners have yet to be asked, and what falls to each where there are several.
    """
    told = []
    to_ask = int(programme["consent"].eq("to_ask").sum())
    if to_ask:
        told.append(message("ways.consent", n=to_ask, total=len(programme)))
    shares = programme.groupby("owner")["first_cost"].agg(["size", "sum"]).sort_values(
        "sum", ascending=False)
    if len(shares) > 1:
        told.append(message("ways.owners", owners=tuple(
            message("ways.owner", owner=str(owner), n=int(row["size"]), cost=float(row["sum"]))
            for owner, row in shares.iterrows())))
    return told


def worth_messages(chain: Chain, programme: pd.DataFrame) -> list[Message]:
    """Return what a council asks of a saving: money or only hours, paid back when, what prevented.
    """
    places = chain.costing[chain.costing["place_id"].isin(programme["place_id"])]
    numbers = chain.cost_parameters
    flows = cash_flow_table(places, strategies=chain.strategies, parameters=numbers)
    paid = flows.pivot_table("discounted", ["place_id", "strategy"], "line", "sum", fill_value=0)
    now, then = (paid.loc[pd.MultiIndex.from_frame(programme[["place_id", column]])].sum()
                 for column in ("instead_of", "strategy"))
    saved, years = now - then, numbers["costs.horizon_years"]
    annuity = (programme["saving"] / programme["saving_per_year"]).iloc[0]
    hours = saved["labour"] / annuity / numbers["costs.labour_per_hour"]
    rest = float(saved.drop("labour").sum())
    told = [message("ways.cash_or_hours" if rest >= 0 else "ways.hours_for_cash",
                    labour=float(saved["labour"]), hours=float(hours), rest=abs(rest))]
    back = programme["payback_year"].fillna(np.inf)
    late = int(np.isinf(back).sum())
    code = "late" if late >= len(back) / 2 else "mostly" if late else "all"
    told.append(message(f"ways.pays_back_{code}", late=late, total=len(back), horizon=years,
                        year=float(back.median())))
    effect = programme["strategy"].map({s.name: s.effect_on_rate for s in chain.strategies})
    rate = (places["gamma_shape"] / places["gamma_rate_years"]).set_axis(places["place_id"])
    prevented = float((programme["place_id"].map(rate) * effect).sum()) * years
    if prevented <= 0:
        return [*told, message("ways.prevents_none")]
    cost = float(programme["first_cost"].sum())
    return [*told, message("ways.prevents", n=prevented, horizon=years, each=cost / prevented)]


def said(chain: Chain, told: Sequence[Message]) -> list[str]:
    """Return messages in the project's language."""
    return chain.say.all(told)


# What a measure was seen to do to the rate of markings, handed on to the cost comparison.

OPTION = "--measured-effect"


@dataclass(frozen=True)
class MeasuredEffect:
    """What one strategy is taken to prevent, and the measure it was seen on.

    Attributes
    ----------
    strategy, measure
        Names in the strategies and in the measures file.
    verdict
        As `rehit evaluate` gives it: only "fewer" and "more" are used.
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
        return self.verdict in (Verdict.FEWER, Verdict.MORE)


def use_measured_effects(chain: Chain,
                         asked: Sequence[str]) -> tuple[Chain, list[MeasuredEffect]]:
    """Give strategies the effect that measures of the project were seen to have.

    Parameters
    ----------
    chain
        The project's results.
    asked
        ``STRATEGY=MEASURE`` for each.

    Returns
    -------
    tuple
        The chain whose comparison uses the effects, and the effects; measures that cannot be
        judged change nothing.

    Raises
    ------
    ManyErrors
        Listing every strategy and measure that is not known.
    """
    if not asked:
        return chain, []
    found = {name: evaluation for name, _, evaluation in evaluations(chain)}
    pairs, faults = _pairs(asked, sorted(found), [s.name for s in chain.strategies])
    if faults:
        raise ManyErrors(OPTION, faults)
    effects = [_effect(strategy, measure, found[measure]) for strategy, measure in pairs]
    return chain.with_effects({e.strategy: e.effect for e in effects if e.usable}), effects


def _pairs(asked: Sequence[str], measures: list[str],
           strategies: list[str]) -> tuple[list[tuple[str, str]], list[RehitError]]:
    pairs: list[tuple[str, str]] = []
    faults: list[RehitError] = []
    for text in asked:
        strategy, _, measure = (part.strip() for part in text.partition("="))
        pairs.append((strategy, measure))
        faults += [SettingError(f"{OPTION} {text}", code, name=name, known=tuple(known))
                   for code, name, known in (("errors.unknown_strategy", strategy, strategies),
                                             ("errors.unknown_measure", measure, measures))
                   if name not in known]
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
        cases = {"no_effect": 0.0, "low_end": effect.low, "as_measured": effect.effect,
                 "high_end": effect.high}
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


def effect_messages(effects: Sequence[MeasuredEffect], table: pd.DataFrame) -> list[Message]:
    """Return which effect is used, and how many places hang on it."""
    told = []
    for effect in effects:
        named = {"strategy": effect.strategy, "measure": effect.measure}
        if not effect.usable:
            told.append(message("ways.effect_no_verdict", **named))
            continue
        own = table[(table["strategy"] == effect.strategy) & (table["measure"] == effect.measure)]
        places = dict(zip(own["case"], own["n_cheapest"].astype(int), strict=True))
        told.append(message("ways.effect_used", **named, name=effect.strategy,
                            effect=effect.effect, low=effect.low, high=effect.high,
                            **{"low_end": math.nan, "high_end": math.nan} | places))
    return told


RATE_STEPS = 41  # points of a drawn curve: more would not be seen


def write_comparison(chain: Chain, stage: Path, *, horizon_years: int | None,
                     measured: Sequence[str] = (), shares: bool = False) -> dict[str, Any]:
    """Compare the strategies and write the tables and the worked example into `stage`.

    ``what_to_measure.csv`` holds what knowing each cause of doubt for certain would be worth to
    the choice of what to coat: the one on top is the one to go and measure.

    Parameters
    ----------
    chain, stage
        The project's results, and the folder to write into.
    horizon_years
        Years looked ahead; default as the project has it.
    measured
        ``STRATEGY=MEASURE``: effects to use as measured (``measured_effect.csv``).
    shares
        Also move all numbers at once and share out the variance (``variance_shares.csv``).
    """
    if horizon_years is not None:
        chain = chain.with_parameters({"costs.horizon_years": horizon_years},
                                      where="--horizon-years")
    chain, told = write_effects(chain, stage, measured)
    say = chain.say
    costs, numbers, strategies = chain.strategy_costs, chain.cost_parameters, chain.strategies
    write_csv(say.columns(costs, CODED["strategy_costs"]), stage / "strategy_costs.csv")
    write_parquet(costs, stage / "strategy_costs.parquet")
    write_csv(chain.costing, stage / "costing.csv")
    write_csv(say.columns(chain.expected_work, {"place_class": "place_class"}),
              stage / "expected_work.csv")
    write_csv(breakeven_table(chain.costing, strategies=strategies, parameters=numbers),
              stage / "breakeven.csv")
    write_csv(say.columns(chain.advice, CODED["advice"]), stage / "advice.csv")
    for name, table in (("method_shares", shares_table(chain)),
                        ("advised_and_done", done_table(chain))):
        if table is not None:
            write_csv(table, stage / f"{name}.csv")
    told += write_information(chain, stage)
    told += write_booked(chain, stage)
    cheapest = costs[costs["cheapest"]]
    if len(cheapest):
        # The place where most is at stake is the one an accountant will ask about.
        top = cheapest.sort_values("saving", ascending=False).iloc[0]
        shown = chain.costing[chain.costing["place_id"] == top["place_id"]]
        there = chain.incidents["place_id"] == top["place_id"]
        if top["strategy"] != BASELINE:
            told += write_sensitivity(chain, stage, shown, strategy=str(top["strategy"]),
                                      shares=shares)
        flows = cash_flow_table(shown, strategies=strategies, parameters=numbers)
        write_csv(say.columns(flows, {"item": "cost_item", "line": "flow_line"}),
                  stage / "cash_flow.csv")
        write_worked_example(stage / "worked_example.xlsx", shown.assign(
            place_name=say(chain.named(top["place_id"]))), strategies=strategies,
                             parameters=numbers, say=say, cautions=caution_codes(
                                 chain.advice[there.to_numpy()]))
    return {
        "project": chain.project.name,
        "horizon_years": chain.parameters["costs.horizon_years"],
        "n_places": int(cheapest["place_id"].nunique()),
        "cheapest": {str(k): int(v) for k, v in cheapest["strategy"].value_counts().items()},
        "saving": round(float(cheapest["saving"].sum()), 2),
        "sentences": [*cost_sentences(chain), *say.all(told), *chain.limits,
                      *say.all(care_messages(caution_codes(chain.advice)))],
    }


def write_effects(chain: Chain, stage: Path,
                  measured: Sequence[str]) -> tuple[Chain, list[Message]]:
    """Return the chain that uses the effects asked for, and what hangs on them, also written."""
    chain, effects = use_measured_effects(chain, measured)
    if not effects:
        return chain, []
    chain.step("step.measured_effects")
    table = effect_table(chain, effects)
    write_csv(table, stage / "measured_effect.csv")
    return chain, effect_messages(effects, table)


def write_information(chain: Chain, stage: Path) -> list[Message]:
    """Write what to measure next: what knowing each cause of doubt is worth to what to coat."""
    table = what_to_measure(chain.costing, strategies=chain.strategies, doubt=chain.doubt,
                            parameters=chain.cost_parameters, rng=chain.rng("what to measure"))
    write_csv(chain.say.columns(table, {"cause": "cause"}), stage / "what_to_measure.csv")
    if table.empty or not table["worth"].iloc[0] > 0:
        return []
    top = table.iloc[0]
    facts = {"cause": str(top["cause"]), "worth": float(top["worth"])}
    if np.isnan(top["flips_at"]):
        return [message("ways.measure_first", **facts)]
    return [message("ways.measure_first_flips", **facts, factor=float(top["flips_at"]))]


def write_booked(chain: Chain, stage: Path) -> list[Message]:
    """Write what the works log booked beside what the numbers in force expect, by method."""
    if chain.works is None:
        return []
    table = booked_against_expected(chain.works, places=chain.costing,
                                    parameters=chain.cost_parameters)
    if table.empty:
        return []
    write_csv(table, stage / "booked_costs.csv")
    total = table.iloc[-1]
    return [message("ways.booked", n=int(total["n_jobs"]), booked=float(total["booked"]),
                    expected=float(total["expected"]), call_out=float(total["call_out"]),
                    access=float(total["access"]), traffic=float(total["traffic_control"]))]


def write_sensitivity(chain: Chain, stage: Path, place: pd.DataFrame, *, strategy: str,
                      shares: bool) -> list[Message]:
    """Share out the variance of one place's saving among the numbers behind it, where asked."""
    path = chain.project.path("strategies")
    if not shares:
        return []
    chain.step("step.sharing_variance")
    table = sobol_indices(place, strategy=strategy, strategies=path, effects=chain.effects,
                          parameters=chain.cost_parameters, rng=chain.rng("variance shares"))
    write_csv(table, stage / "variance_shares.csv")
    top = table.iloc[0]
    return [message("ways.variance", count=len(table), total=float(top["total"]),
                    margin=float(top["total_margin"]), name=str(top["name"]))]


def cost_messages(chain: Chain) -> list[Message]:
    """Return where changing the strategy pays, and where most."""
    costs, horizon = chain.strategy_costs, chain.parameters["costs.horizon_years"]
    if costs.empty:
        return [message("ways.nothing_placed")]
    best = costs[costs["cheapest"]]
    change = best[(best["strategy"] != BASELINE) & (best["saving"] > 0)]
    work = chain.expected_work.set_index("place_class")
    facts = {"cost": float(work["present_value"]["total"]), "horizon": horizon}
    total = message("ways.expected", **{str(kind): float(number) for kind, number in work[
        "expected_per_year"].items()}, log=float(work["log_per_year"]["total"]),
        cost=float(work["cost_per_year"]["total"]),
        each=float(work["cost_per_marking"]["total"]))
    if change.empty:
        unknown = chain.costing["method"].eq("inspect").sum() == len(best)
        return [message("ways.surfaces_unknown" if unknown else "ways.nothing_cheaper", **facts),
                total]
    named = change.groupby("strategy")["saving"].agg(["size", "sum"]).sort_values(
        ["size", "sum"], ascending=False)
    kinds = tuple(message("ways.kind", strategy=str(name), places=int(row["size"]),
                          saving=float(row["sum"])) for name, row in named.iterrows())
    top = change.sort_values("saving", ascending=False).iloc[0]
    return [message("ways.cheaper", **facts, change=len(change), places=len(best),
                    saving=float(change["saving"].sum()), kinds=kinds),
            message("ways.largest" if chain.effects else "ways.largest_no_effect",
                    place=chain.named(top["place_id"]), strategy=str(top["strategy"]),
                    saving=float(top["saving"]), chance=float(top["chance_cheapest"])), total]


def cost_sentences(chain: Chain) -> list[str]:
    """Return :func:`cost_messages` in the project's language."""
    return said(chain, cost_messages(chain))


def cost_years(chain: Chain, *, n_places: int) -> pd.DataFrame:
    """Return the present value paid so far, year by year, for the worst places together."""
    costing = chain.costing.head(n_places)
    # Without a credit for unused coating: the figure shows money paid out so far.
    numbers = chain.cost_parameters.override({"costs.residual_share": 0.0})
    rows = []
    for year in range(1, int(numbers["costs.horizon_years"]) + 1):
        compared = compare_by_formula(costing, strategies=chain.strategies,
                                      horizon_years=year, parameters=numbers)
        totals = _simulated_totals(compared, draws=int(numbers["costs.draws"]), doubt=chain.doubt,
                                   rng=chain.rng("cost years"))
        for strategy, expected, futures in zip(compared.strategies, compared.expected, totals,
                                               strict=True):
            low, high = np.quantile(futures, [0.1, 0.9])
            rows.append((strategy.name, float(year), float(expected.present_value.sum()),
                         float(low), float(high)))
    table = pd.DataFrame(rows, columns=["strategy", "year", "cost_mean", "cost_low", "cost_high"])
    return table.assign(n_places=len(costing))


def _simulated_totals(compared: Comparison, *, draws: int, doubt: Doubt,
                      rng: np.random.Generator) -> np.ndarray:
    found: np.ndarray = (
        simulated_costs(
        compared.pieces, [e.weights for e in compared.expected],
        rows=np.arange(len(compared.costing)), shape=compared.shape,
        rate_years=compared.rate_years, draws=draws, doubt=doubt, rng=rng).sum(axis=1))
    return found


def rate_costs(chain: Chain) -> pd.DataFrame:
    """Return the yearly cost of each strategy at a range of known rates, at a typical place.

    Typical: the place of median surface among those where a coating is cheapest, or where it is
    nowhere, among those that allow one.
    """
    costing, costs = chain.costing, chain.strategy_costs
    pays = costing["place_id"].isin(
        costs.loc[costs["cheapest"] & (costs["first_cost"] > 0), "place_id"])
    may = costing["coating_allowed"].to_numpy(bool, na_value=True)
    pool = next((rows for rows in (costing[pays], costing[may]) if len(rows)), costing)
    typical = pool.sort_values(["wall_area_m2", "place_id"]).iloc[[len(pool) // 2]]
    compared = compare_by_formula(typical, strategies=chain.strategies,
                                  parameters=chain.cost_parameters)
    rates = np.linspace(0.0, chain.parameters["pipeline.shown_rate_limit"], RATE_STEPS)
    tables = [pd.DataFrame({
        "strategy": strategy.name, "rate_per_year": rates,
        "annual_cost": cost_at_rates(piece, expected.weights, rates[None, :])[0]
        / compared.timeline.annuity,
        "surface_m2": float(typical["wall_area_m2"].iloc[0]),
    }) for strategy, piece, expected in zip(compared.strategies, compared.pieces,
                                            compared.expected, strict=True)]
    return pd.concat(tables, ignore_index=True)


def write_programme(chain: Chain, stage: Path, *, budget_per_year: float | None,
                    years: int | None, measured: Sequence[str] = (),
                    robust: bool = False) -> dict[str, Any]:
    """Choose the coating programme and write it into `stage`.

    Parameters
    ----------
    chain, stage, measured
        As for :func:`write_comparison`.
    budget_per_year, years
        Default as the project has them.
    robust
        Save most in the worse of the cases that all rates are lower or higher.
    """
    for name, value, option in (("programme_years", years, "--years"),
                                ("programme_budget", budget_per_year, "--budget-per-year")):
        if value is not None:
            chain = chain.with_parameters({f"costs.{name}": value}, where=option)
    chain, told = write_effects(chain, stage, measured)
    years = years or chain.programme_years
    found = chain.programme(years=years, robust=robust)
    write_csv(found.table, stage / "programme.csv")
    write_csv(chain.budget_sweep(found), stage / "budget_sweep.csv")
    return {
        "project": chain.project.name,
        "budget_per_year": chain.parameters["costs.programme_budget"],
        "years": years, "n_places": len(found.table), "saving": round(found.saving, 2),
        "saving_greedy": round(found.saving_greedy, 2),
        "sentences": [*said(chain, [
            programme_message(chain, found, years=years),
            *([*owner_messages(found.table), *worth_messages(chain, found.table),
               *greedy_messages(chain, found, robust=robust)] if len(found.table) else []),
            *told]), *chain.limits],
    }


def greedy_messages(chain: Chain, found: Programme, *, robust: bool) -> list[Message]:
    """Return what the plain ranking would save, and what is saved if rates are not as thought."""
    if not robust:
        return [message("ways.greedy", saving=found.saving_greedy)]
    low, high = (chain.parameters[f"costs.rate_scenario_{end}"] for end in ("low", "high"))
    return [message("ways.greedy_on_average", saving=found.saving_greedy),
            message("ways.robust", low=low, high=high, worst=found.saving_worst,
                    better=max(found.saving_worst - found.saving_worst_otherwise, 0.0))]
