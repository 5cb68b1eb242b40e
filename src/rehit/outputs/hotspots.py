"""Hotspots and the verdict on measures, as files and sentences."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from rehit.chain import Chain
from rehit.errors import InputFileError, SettingError
from rehit.files.reader import read_table
from rehit.hotspots.evaluate import Evaluation, evaluate_measure
from rehit.hotspots.evaluate_plot import plot_steps
from rehit.hotspots.recurrence import (
    RateModel,
    andersen_gill,
    design,
    fit_chance,
    fit_power_law,
    mean_cumulative_function,
    prentice_williams_peterson,
    read_power_law,
    risk_clock,
)
from rehit.hotspots.recurrence_words import (
    rapid_clearance,
    read_mean_count,
    read_rate_model,
    read_time_to_rehit,
)
from rehit.hotspots.scan import scan_statistic
from rehit.hotspots.space_words import read_cells, read_emerging, read_rings
from rehit.hotspots.survival import read_typical_place
from rehit.outputs.tables import write_csv, write_layers, write_parquet
from rehit.tables import empty
from rehit.wording import counted

# The full reading of what recurs: each result in plain words, and the tables behind them.

# What is compared, where the log or the register has it: between places, and between spells.
OF_PLACES = ("substrate", "finish", "access")
OF_SPELLS = ("season", "clearance_doublings", "priority")


def emerging_zones(chain: Chain) -> gpd.GeoDataFrame:
    """Return where markings have lately come faster than the place's own usual."""
    chain.step("step.emerging")
    if not len(chain.cells):
        return empty("scan", crs=chain.incidents.crs)
    return scan_statistic(
        chain.incidents, window=chain.cleaned.window, parameters=chain.parameters,
        rng=chain.rng("scan"))


def write_reading(chain: Chain, stage: Path, *, first: list[str]) -> None:
    """Write ``recurrence.txt``: the sentences of the summary, then what lies behind them."""
    clock = risk_clock(chain.incidents, register=chain.register,
                       window=chain.cleaned.window, parameters=chain.parameters)
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


MEASURE_COLUMNS = ("measure", "asset_id", "role", "started_at")
VERDICTS = {"worked": "fewer", "got worse": "more", "can't tell": "cannot_tell"}


def write_hotspots(chain: Chain, stage: Path) -> dict[str, Any]:
    """Rank, group, test and forecast; write the tables into `stage` and return the summary."""
    repeats, clusters, cells, forecast = (
        chain.repeats, chain.clusters, chain.cells, chain.forecast)
    zones = emerging_zones(chain)
    chain.step("step.reading_recurrence")
    recurrence = recurrence_sentences(chain)
    said = [*hotspot_sentences(chain), read_rings(chain.rings),
            read_emerging(zones, known=len(cells) > 0, observed_days=_log_days(chain),
                          parameters=chain.parameters), *recurrence]
    write_reading(chain, stage, first=said)
    chain.step("step.writing")
    for name, table in (("repeats", repeats), ("clusters", clusters), ("cells", cells),
                        ("forecast", forecast), ("near_repeats", chain.rings),
                        ("emerging", zones)):
        write_csv(table, stage / f"{name}.csv")
    write_parquet(repeats, stage / "repeats.parquet")
    write_layers({"repeats": repeats, "clusters": clusters, "cells": cells, "emerging": zones},
                 stage / "hotspots.gpkg")
    worst = repeats.head(int(chain.parameters["reporting.top_places"]))
    return {
        "project": chain.project.name,
        "n_incidents": int(repeats["n_incidents"].sum()),
        "n_rehits": int(repeats["n_rehits"].sum()),
        "n_places": len(repeats),
        "n_above_threshold": int((repeats["chance_above"] > chain.parameters[
            "reporting.sure_chance"]).sum()),
        "threshold_per_year": chain.parameters["hotspots.threshold_per_year"],
        "n_clusters": len(clusters),
        "n_hot_cells": int(cells["hot"].sum()),
        "worst": worst[["place_id", "n_incidents", "n_rehits", "rate_per_year", "rate_low",
                        "rate_high", "chance_above"]].round(3).to_dict("records"),
        "limits": list(chain.limits),
        "n_emerging": int((zones["p_value"] <= chain.parameters["hotspots.emerging_chance"]).sum()),
        "sentences": [*said, *chain.limits],
    }


def hotspot_sentences(chain: Chain) -> list[str]:
    """Say in plain words what recurs and where."""
    repeats, threshold = chain.repeats, chain.parameters["hotspots.threshold_per_year"]
    if repeats.empty or not repeats["n_incidents"].sum():
        return ["No incident of this log can be tied to a place, so nothing can be said to recur."]
    kinds = repeats["place_kind"].unique()
    kind = str(kinds[0]) if len(kinds) == 1 else "place"
    ordered = repeats.sort_values("n_incidents", ascending=False)["n_incidents"].cumsum()
    half = int((ordered < 0.5 * ordered.iloc[-1]).sum()) + 1
    sure = int((repeats["chance_above"] > chain.parameters["reporting.sure_chance"]).sum())
    worst, level = repeats.iloc[0], 100 * chain.parameters["hotspots.interval_level"]
    said = [
        _rehit_sentence(repeats, chain),
        f"All incidents lie at one {kind}." if len(repeats) == 1 else
        f"{half:,} of {len(repeats):,} {kind}s {'accounts' if half == 1 else 'account'} for half "
        "of the incidents.",
        f"{sure:,} {kind}{' almost surely exceeds' if sure == 1 else 's almost surely exceed'} "
        f"{threshold:g} incidents a year.",
        f"Worst: {worst['place_id']}, {worst['rate_per_year']:.1f} a year "
        f"({level:g} % interval {worst['rate_low']:.1f} to {worst['rate_high']:.1f}).",
    ]
    if len(chain.clusters) and chain.clusters["n_rehits"].sum():
        top = chain.clusters.sort_values("n_rehits", ascending=False).iloc[0]
        kept = chain.clusters["radius_m"].max()
        near = f" of places within {kept:.0f} m of a neighbour" if kept > 0 else ""
        many = counted(len(chain.clusters), "cluster")
        said.append(f"{many}{near}; most re-hits in {top['name']} "
                    f"({int(top['n_rehits']):,} on {int(top['n_places'])} places).")
    return [*said, read_cells(chain.cells, cell_m=chain.parameters["hotspots.cell_m"],
                              by_assets=chain.register is not None)]


def _rehit_sentence(repeats: pd.DataFrame, chain: Chain) -> str:
    """Say how many incidents were re-hits, and on what that rests."""
    walls = repeats[repeats["place_kind"] != "street"]
    rehits, known = int(walls["n_rehits"].sum()), int(walls["n_incidents"].sum())
    if not known:
        return ("No incident is placed better than its street, so re-hits of a surface cannot be "
                "told.")
    numbers = f"{rehits:,} of {known:,} incidents with a known place"
    hit = walls[walls["n_incidents"] > 0]
    if (hit["exposure_basis"] == "whole_window").all():
        days = chain.parameters["hotspots.assumed_wait_days"]
        return (f"{numbers} are taken for re-hits: the log gives too few clearance dates to tell, "
                f"and they came at least {days:g} days after the one before.")
    return f"{numbers} were re-hits: the surface had been cleared since the one before."


def _log_days(chain: Chain) -> float:
    return chain.cleaned.window.days


def recurrence_sentences(chain: Chain) -> list[str]:
    """Say how soon cleared places are marked again, and whether waiting matters."""
    spells = chain.spells
    if spells.empty:
        return []
    # After a long wait the season has moved on, which would look like an effect of the wait.
    _, rapid = rapid_clearance(spells, effects=("priority", "season"),
                               parameters=chain.parameters)
    typical = read_typical_place(spells, rng=chain.rng("typical"), parameters=chain.parameters)
    return [*read_time_to_rehit(spells, parameters=chain.parameters), typical, rapid]


def write_evaluation(chain: Chain, stage: Path, *, measures: str | None) -> dict[str, Any]:
    """Evaluate each measure of the measures table and write the verdicts."""
    results = list(evaluations(chain, measures=measures))
    table = evaluation_table(results)
    write_csv(table, stage / "evaluation.csv")
    for name, _, found in results:
        safe = "".join(c if c.isalnum() else "_" for c in name)
        write_csv(found.steps, stage / f"{safe}_before_and_after.csv")
        draw_steps(name, found, stage / f"{safe}_before_and_after.png")
    return {
        "project": chain.project.name,
        "measures": table.to_dict("records"),
        "sentences": [words for name, _, found in results
                      for words in (f"{name}: {found.verdict}.", *(
                          f"  {sentence}" for sentence in found.sentences))],
    }


def draw_steps(name: str, found: Evaluation, path: Path) -> None:
    """Draw how treated and comparison places ran before and after, to be looked at by eye."""
    figure = Figure(figsize=(9, 4.5), layout="constrained")
    axes = plot_steps(found.steps, ax=figure.add_subplot())
    axes.set_title(f"{name}: {found.verdict}. Before it began, the lines should run side by side",
                   loc="left", fontsize=10, parse_math=False)
    figure.savefig(path, dpi=120)


def evaluations(chain: Chain, *,
                measures: str | None = None) -> Iterator[tuple[str, pd.Timestamp, Evaluation]]:
    """Go through the measures of the project, each with its start and evaluation.

    Raises
    ------
    SettingError
        For a measure begun outside the log.
    """
    path = Path(measures) if measures else chain.project.require("measures")
    table = read_measures(path, time_zone=chain.project.time_zone)
    incidents, window = chain.incidents, chain.cleaned.window
    outside = table[(table["started_at"] <= window.start) | (table["started_at"] >= window.end)]
    if len(outside):
        zone = chain.project.time_zone
        began, start, end = (f"{t.tz_convert(zone):%Y-%m-%d}" for t in (
            outside["started_at"].iloc[0], window.start, window.end))
        raise SettingError(str(path), got=f"{outside['measure'].iloc[0]!r} begun on {began}",
                           allowed=f"a day within the log, which runs from {start} to {end}",
                           remedy="correct the day, or wait for a log that goes further")
    for (name, day), rows in table.groupby(["measure", "started_at"], sort=True):
        started = pd.Timestamp(str(day))
        yield str(name), started, evaluate_measure(
            incidents, treated_ids=rows.loc[rows["role"] == "treated", "asset_id"],
            comparison_ids=rows.loc[rows["role"] == "comparison", "asset_id"],
            started_at=started, window=window,
            parameters=chain.parameters)


def evaluation_table(results: list[tuple[str, pd.Timestamp, Evaluation]]) -> pd.DataFrame:
    """Return one row per measure, as the report wants it."""
    return pd.DataFrame([{
        "measure": name, "started_at": started,
        **{f"n_{group}": int(found.counts.loc[found.counts["group"] == group, "n_places"].sum())
           for group in ("treated", "comparison")},
        "ratio": found.rate_ratio, "low": found.low, "high": found.high,
        # The widest of the deciding intervals gave the verdict, so the largest of their chances.
        "p_value": found.effects.loc[found.effects["decides"].astype("bool"), "p_value"].max(),
        "verdict": VERDICTS[found.verdict], "words": " ".join(found.sentences),
    } for name, started, found in results])


def read_measures(path: Path, *, time_zone: str) -> pd.DataFrame:
    """Read the measures table, its start days as UTC times, or say what is wrong with it.

    Raises
    ------
    InputFileError, SettingError
        If the file cannot be read, lacks a column or a value; for an unknown role or day.
    """
    table = read_table(path, has_header=True).filled().table.reset_index(drop=True)
    missing = [column for column in MEASURE_COLUMNS if column not in table.columns]
    if missing:
        raise InputFileError(str(path), got=f"no column {', '.join(missing)}",
                             allowed=", ".join(MEASURE_COLUMNS), remedy="add the column")
    if table.empty or table[list(MEASURE_COLUMNS)].isna().any(axis=None):
        raise InputFileError(str(path), got="no rows" if table.empty else "a row with a gap",
                             allowed=f"a row per place with all of {', '.join(MEASURE_COLUMNS)}",
                             remedy="fill in or delete such rows")
    strange = sorted(set(table["role"].dropna()) - {"treated", "comparison"})
    started = pd.to_datetime(table["started_at"], errors="coerce")
    if strange or started.isna().any():
        got = f"the role {strange[0]!r}" if strange else "a row without a usable role or day"
        raise SettingError(str(path), got=got,
                           allowed="role treated or comparison, started_at such as 2024-07-02",
                           remedy="mend those rows")
    at = started.dt.tz_localize(time_zone, ambiguous=True, nonexistent="shift_forward")
    return table.assign(started_at=at.dt.tz_convert("UTC"))
