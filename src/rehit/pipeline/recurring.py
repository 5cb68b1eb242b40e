"""The full reading of what recurs: each result in plain words, and the tables behind them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from rehit.hotspots.models import RateModel, andersen_gill, prentice_williams_peterson
from rehit.hotspots.recurrence import design, mean_cumulative_function
from rehit.hotspots.recurrence_clock import risk_clock
from rehit.hotspots.recurrence_words import read_mean_count, read_rate_model, read_time_to_rehit
from rehit.hotspots.scan import scan_statistic
from rehit.hotspots.trend import fit_chance, fit_power_law, read_power_law
from rehit.pipeline.chain import Chain
from rehit.tables import empty

# What is compared, where the log or the register has it: between places, and between spells.
OF_PLACES = ("substrate", "finish", "access")
OF_SPELLS = ("season", "clearance_doublings", "priority")


def emerging_zones(chain: Chain) -> gpd.GeoDataFrame:
    """Return where markings have lately come faster than the place's own usual."""
    chain.step("Looking for what is emerging")
    if not len(chain.cells):
        return empty("scan", crs=chain.incidents.crs)
    return scan_statistic(
        chain.incidents, observed_from=chain.cleaned.observed_from,
        observed_to=chain.cleaned.observed_to, parameters=chain.parameters, rng=chain.rng("scan"))


def write_reading(chain: Chain, stage: Path, *, first: list[str]) -> None:
    """Write ``recurrence.txt``: the sentences of the summary, then what lies behind them."""
    clock = risk_clock(chain.incidents, register=chain.register,
                       observed_from=chain.cleaned.observed_from,
                       observed_to=chain.cleaned.observed_to, parameters=chain.parameters)
    spells = chain.spells
    parts = [("In short", first), ("How many markings a place has", mean_counts(chain, clock)),
             ("Is it getting worse at the worst places", worst_trends(chain, clock))]
    if len(spells):
        parts[1:1] = [("How soon cleared surfaces are marked again, by what they are made of",
                       list(read_time_to_rehit(spells, by="substrate",
                                               parameters=chain.parameters)))]
        parts.append(("What goes together with being marked again", rate_readings(chain)))
    text = "\n\n".join("\n".join([title, "-" * len(title), *said]) for title, said in parts)
    (stage / "recurrence.txt").write_text(text + "\n", encoding="utf-8")


def mean_counts(chain: Chain, clock: tuple[pd.DataFrame, pd.Series]) -> list[str]:
    """Say how many incidents a place has had on average, by the time it has been at risk."""
    times, ends = clock
    if not len(times):
        return ["No incident can be tied to a place."]
    if chain.register is None:
        return ["Without an asset register only the places that were marked are known, so an "
                "average over places would mislead."]
    years = [365.0 * y for y in range(1, int(ends.median() / 365) + 1)] or [float(ends.median())]
    level = chain.parameters["hotspots.interval_level"]
    table = mean_cumulative_function(times["place_id"].to_numpy(), times["days_at_risk"].to_numpy(),
                                     ends=ends, at=np.array(years), level=level)
    return [read_mean_count(table.iloc[: i + 1], unit="days at risk", level=level)
            for i in range(len(table))]


def worst_trends(chain: Chain, clock: tuple[pd.DataFrame, pd.Series]) -> list[str]:
    """Say of each of the worst places whether its incidents come faster or slower.

    Several places are read at once, so that the level is that of verdicts.
    """
    times, ends = clock
    numbers = chain.parameters
    draws = int(numbers["pipeline.trend_draws"])
    least, level = (numbers[f"hotspots.{name}"]
                    for name in ("min_trend_incidents", "verdict_level"))
    rng, said = chain.rng("trends"), []
    walls = chain.repeats[chain.repeats["place_kind"] != "street"]
    for place in walls["place_id"].head(int(numbers["pipeline.trend_places"])):
        at = times.loc[times["place_id"] == place, "days_at_risk"].to_numpy()
        at = at[at > 0]
        if len(at) < least:
            few = "1 incident is" if len(at) == 1 else f"{len(at)} incidents are"
            said.append(f"{place}: {few} too few to tell.")
            continue
        law = fit_power_law(at, end=float(ends[place]))
        poor = fit_chance(at, law, draws=draws, rng=rng) < numbers["pipeline.poor_fit_chance"]
        burst = " They came in bursts, which no steady trend describes." if poor else ""
        said.append(f"{place}: {read_power_law(law, level=level)}{burst}")
    return said or ["No place is known better than its street."]


def rate_readings(chain: Chain) -> list[str]:
    """Read the recurrent-event models: between places, and from one re-hit to the next."""
    of_places = (*OF_PLACES, *chain.project.register_effects)
    said = ["1 times the rate would mean no difference.",
            "Between places (Andersen-Gill, by calendar):"]
    said += _indented(_read(chain, of_places, lambda used, x: andersen_gill(used, x)))
    said.append("From one clearance to the next, the first re-hit of a place held against other "
                "first re-hits, and so on (Prentice-Williams-Peterson, gap time):")
    return said + _indented(_read(
        chain, (*of_places, *OF_SPELLS), lambda used, x: prentice_williams_peterson(
            used, x, clock="gap", last_stratum=int(chain.parameters["pipeline.later_rehits"]))))


def _read(chain: Chain, effects: tuple[str, ...],
          fit: Callable[[pd.DataFrame, pd.DataFrame], RateModel]) -> list[str]:
    spells, numbers = chain.spells, chain.parameters
    n = int(spells["event"].sum())
    if n < numbers["hotspots.min_rapid_events"]:
        return [f"Only {n} re-hits: too few to compare."]
    there = tuple(c for c in effects if c in spells and spells[c].notna().any())
    if not there:
        return ["The log and the register say nothing that could be compared."]
    x, used = design(spells, effects=there, parameters=numbers)
    x = x[told_apart(x)]
    if not len(x.columns) or not used["event"].any():
        return ["What could be compared is alike everywhere in this log."]
    return list(read_rate_model(fit(used, x), parameters=numbers))


def told_apart(x: pd.DataFrame) -> list[str]:
    """Return the columns of a design that say something the columns before them do not.

    Examples
    --------
    >>> told_apart(pd.DataFrame({"a": [0.0, 1, 0], "same": [0.0, 1, 0], "flat": [1.0, 1, 1]}))
    ['a']
    """
    centred = x.to_numpy("float64") - x.to_numpy("float64").mean(axis=0)
    products = centred.T @ centred
    scale = np.sqrt(np.diag(products))
    products = products / np.outer(np.where(scale > 0, scale, 1), np.where(scale > 0, scale, 1))
    kept: list[int] = []
    for j in range(len(products)):
        trial = [*kept, j]
        if np.linalg.matrix_rank(products[np.ix_(trial, trial)], tol=1e-8) == len(trial):
            kept = trial
    return [str(x.columns[j]) for j in kept]


def _indented(said: list[str]) -> list[str]:
    return [f"  {sentence}" for sentence in said]
