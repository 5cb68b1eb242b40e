"""Hotspots and the verdict on measures: the files of two commands, and what they say."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy.stats import norm

from rehit.chain import Chain
from rehit.errors import SettingError
from rehit.files.writing import write_csv, write_layers, write_parquet
from rehit.hotspots.evaluate import (
    Evaluation,
    evaluate_measure,
    match_comparison,
    read_measures,
)
from rehit.hotspots.forecast import HORIZONS_DAYS, place_history
from rehit.hotspots.rates import apart_from_others, held_out_record, scatter_of_bursts
from rehit.hotspots.recurrence import (
    RateModel,
    andersen_gill,
    design,
    fit_chance,
    fit_power_law,
    mean_cumulative_function,
    prentice_williams_peterson,
    rapid_clearance,
    read_mean_count,
    read_power_law,
    read_rate_model,
    risk_clock,
)
from rehit.hotspots.scan import read_emerging, scan_statistic
from rehit.hotspots.scoring import past_record
from rehit.hotspots.significance import hot_record, read_cells
from rehit.hotspots.spacetime import BATCH_DAYS, read_rings
from rehit.hotspots.survival import read_time_to_rehit, read_typical_place
from rehit.messages import Message, as_lines, message
from rehit.naming import map_points
from rehit.observed import (
    MANY_SURFACES,
    STRETCHES,
    Window,
    half_said,
    known_places,
    plausible_waits,
    ranked_places,
    rehit_range,
    surely_over,
    surfaces_told,
    timeline,
)
from rehit.report.figures import rate_steps
from rehit.report.say import Say
from rehit.tables import empty

# The full reading of what recurs: each result in plain words, and the tables behind them.

#: Sentences on re-hits that say on what they rest on this very log.
REHITS_SAID = ("ranking.rehits", "ranking.assumed_rehits", "ranking.rehits_by_distance",
               "ranking.streets_only")

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


def write_reading(chain: Chain, clock: tuple[pd.DataFrame, pd.Series], stage: Path, *,
                  first: list[Message]) -> None:
    """Write ``recurrence.txt``: the sentences of the summary, then what lies behind them."""
    spells, say = chain.spells, chain.say
    parts = {"short": say.all(first)}
    if len(spells):
        parts["by_surface"] = say.all(read_time_to_rehit(spells, by="substrate",
                                                         parameters=chain.parameters))
    parts |= {"counts": say.all(mean_counts(chain, clock)),
              "worst": say.all(worst_trends(chain, clock))}
    if len(spells):
        parts["together"] = _model_lines(chain)
    text = "\n\n".join("\n".join([title, "-" * len(title), *lines])
                       for title, lines in ((say(f"recurrence.{name}"), lines)
                                            for name, lines in parts.items()))
    (stage / "recurrence.txt").write_text(text + "\n", encoding="utf-8")


def write_beliefs(chain: Chain, zones: gpd.GeoDataFrame, clock: tuple[pd.DataFrame, pd.Series],
                  stage: Path, *, said: list[Message]) -> None:
    """Write ``what_to_believe.txt``: of each result what it takes for granted, how it fared on this
    very log, and what would overturn it.
    """
    say = chain.say
    checked = {"rehits": [each for each in said if each.code in REHITS_SAID],
               "rates": _rates_checked(chain), "forecast": _forecast_checked(chain),
               "rings": _rings_checked(chain),
               "emerging": [message("believe.emerging_checked",
                                    n=int(zones["past_dates"].max()) if len(zones) else 0)],
               "cells": _cells_checked(chain), "trend": _trends_checked(clock),
               "measures": [message("believe.measures_checked")]}
    parts = []
    for name, messages in checked.items():
        title = say(f"believe.{name}")
        parts.append("\n".join([
            title, "-" * len(title), f"{say('believe.assumes')} {say(f'believe.{name}_assumes')}",
            *(f"{say('believe.here')} {line}" for line in say.all(messages)),
            f"{say('believe.overturns')} {say(f'believe.{name}_overturns')}"]))
    (stage / "what_to_believe.txt").write_text("\n\n".join(parts) + "\n", encoding="utf-8")


def _rates_checked(chain: Chain) -> list[Message]:
    """Return how the ranking of the log's earlier part fared on its last one."""
    numbers = chain.parameters
    if not len(chain.repeats):
        return []
    found = held_out_record(
        chain.incidents, register=chain.register, window=chain.cleaned.window,
        days=numbers["hotspots.record_days"], sure=numbers["reporting.sure_chance"],
        parameters=numbers, rng=chain.rng("record"))
    if found is None:
        return []
    said = [message("believe.rates_total", days=found.days, expected=found.expected,
                    came=found.came)]
    if found.n_busy:
        said.append(message("believe.rates_held", n=found.n_busy, held=found.held,
                            level=numbers["hotspots.interval_level"],
                            least=numbers["hotspots.record_least_incidents"]))
    if found.n_sure:
        said.append(message("believe.rates_sure", n=found.n_sure, claimed=found.claimed,
                            met=found.met))
    return said


def _forecast_checked(chain: Chain) -> list[Message]:
    """Return what the log's last weeks would have been forecast to bring, and what they brought."""
    window = chain.cleaned.window
    history = place_history(chain.incidents, places=chain.repeats, window=window)
    days = sorted(HORIZONS_DAYS)[len(HORIZONS_DAYS) // 2]
    start = window.end - pd.Timedelta(days=days)
    if start <= window.start:
        return []
    checks, _ = past_record(history, starts=[start], ends=[window.end], window=window,
                            numbers=chain.parameters)
    return [message("believe.forecast_checked", days=days, expected=row.expected, low=row.low,
                    high=row.high, came=row.observed,
                    level=chain.parameters["hotspots.interval_level"])
            for row in checks.itertuples()]


def _cells_checked(chain: Chain) -> list[Message]:
    """Return how many squares that the log's first half shows as hot its second bears out."""
    n, held = hot_record(chain.incidents, register=chain.register, window=chain.cleaned.window,
                         parameters=chain.parameters)
    return [message("believe.cells_checked", n=n, held=held)] if n else [
        message("believe.cells_unchecked")]


def _trends_checked(clock: tuple[pd.DataFrame, pd.Series]) -> list[Message]:
    """Return how much single places' incidents come in bursts."""
    code, _, at = _shares_of_clock(*clock)
    return [message("believe.trend_checked", scatter=scatter_of_bursts(code, at))]


def _shares_of_clock(times: pd.DataFrame, ends: pd.Series) -> tuple[np.ndarray, pd.Index,
                                                                    np.ndarray]:
    """Return each incident's place number, the places, and when on its place's clock it came."""
    code, known = pd.factorize(times["place_id"])
    return code, known, times["days_at_risk"].to_numpy() / ends.reindex(known).to_numpy()[code]


def _rings_checked(chain: Chain) -> list[Message]:
    """Return how strong the common ebb and flow is that near repeats are judged against."""
    later = chain.rings[chain.rings["to_days"] > BATCH_DAYS]
    if not later["expected"].gt(0).any():
        return []
    return [message("believe.rings_checked", ratio=later["common"].max())]


def mean_counts(chain: Chain, clock: tuple[pd.DataFrame, pd.Series]) -> list[Message]:
    """Return how many incidents a place has had on average, by the time it has been at risk."""
    times, ends = clock
    if not len(times):
        return [message("spells.no_places")]
    if chain.register is None:
        return [message("spells.no_register")]
    years = [365.0 * y for y in range(1, int(ends.median() / 365) + 1)] or [float(ends.median())]
    level = chain.parameters["hotspots.interval_level"]
    table = mean_cumulative_function(times["place_id"].to_numpy(), times["days_at_risk"].to_numpy(),
                                     ends=ends, at=np.array(years), level=level)
    return [read_mean_count(table.iloc[: i + 1], level=level) for i in range(len(table))]


def worst_trends(chain: Chain, clock: tuple[pd.DataFrame, pd.Series]) -> list[Message]:
    """Return of each of the worst places whether its incidents come faster or slower.

    Several places are read at once, so that the level is that of verdicts. What the whole log does
    is not told as news of one place.
    """
    times, ends = clock
    numbers = chain.parameters
    draws = int(numbers["pipeline.trend_draws"])
    least, level = (numbers[f"hotspots.{name}"]
                    for name in ("min_trend_incidents", "verdict_level"))
    code, known, at_share = _shares_of_clock(times, ends)
    apart = pd.Series(apart_from_others(code, at_share), known)
    rng, found = chain.rng("trends"), []
    walls = chain.repeats[~chain.repeats["place_kind"].isin(MANY_SURFACES)]
    for place in walls["place_id"].head(int(numbers["pipeline.trend_places"])):
        at = times.loc[times["place_id"] == place, "days_at_risk"].to_numpy()
        at = at[at > 0]
        if len(at) < least:
            found.append(message("trend.few", place=chain.named(place), n=len(at)))
            continue
        law = fit_power_law(at, end=float(ends[place]))
        found.append(read_power_law(law, place=chain.named(place), level=level,
                                    apart=abs(apart[place]) >= norm.ppf((1 + level) / 2)))
        if fit_chance(at, law, draws=draws, rng=rng) < numbers["pipeline.poor_fit_chance"]:
            found.append(message("trend.bursts", place=chain.named(place)))
    return found or [message("trend.streets_only")]


def compared_places(chain: Chain) -> tuple[Message, ...]:
    """Return what goes together with being hit more often, place against place."""
    return _compared(chain, (*OF_PLACES, *chain.project.register_effects), andersen_gill)


def compared_spells(chain: Chain) -> tuple[Message, ...]:
    """Return what goes together with being hit again sooner, from one re-hit to the next."""
    last = int(chain.parameters["pipeline.later_rehits"])
    return _compared(
        chain, (*OF_PLACES, *chain.project.register_effects, *OF_SPELLS),
        lambda used, x: prentice_williams_peterson(used, x, clock="gap", last_stratum=last))


def _model_lines(chain: Chain) -> list[str]:
    say = chain.say
    return [say("compared.no_difference"),
            say("compared.between"), *(f"  {line}" for line in say.all(compared_places(chain))),
            say("compared.within"), *(f"  {line}" for line in say.all(compared_spells(chain)))]


def _compared(chain: Chain, effects: tuple[str, ...],
              fit: Callable[[pd.DataFrame, pd.DataFrame], RateModel]) -> tuple[Message, ...]:
    spells, numbers = chain.spells, chain.parameters
    n = int(spells["event"].sum())
    if n < numbers["hotspots.min_rapid_events"]:
        return (message("compared.few", n=n),)
    there = tuple(c for c in effects if c in spells and spells[c].notna().any())
    if not there:
        return (message("compared.nothing"),)
    every = int(np.ceil(len(spells) / numbers["hotspots.model_spells"]))
    x, used = design(of_every_place(spells, every), effects=there, parameters=numbers)
    x = x[told_apart(x)]
    if not len(x.columns) or not used["event"].any():
        return (message("compared.all_alike"),)
    read = read_rate_model(fit(used, x), parameters=numbers)
    return read if every == 1 else (message("compared.of_every_place", every=every), *read)


def of_every_place(spells: pd.DataFrame, every: int) -> pd.DataFrame:
    """Return the spells of every so-many-th place; all of a place or none, since they depend.

    Examples
    --------
    >>> of_every_place(pd.DataFrame({"place_id": list("aabcc")}), 2)["place_id"].tolist()
    ['a', 'a', 'c', 'c']
    """
    chosen: pd.DataFrame = spells[pd.factorize(spells["place_id"])[0] % every == 0]
    return chosen


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


def write_hotspots(chain: Chain, stage: Path) -> dict[str, Any]:
    """Rank, group, test and forecast; write the tables into `stage` and return the summary."""
    if not chain.dated:
        return _write_counts(chain, stage)
    repeats, clusters, cells, forecast = (
        chain.repeats, chain.clusters, chain.cells, chain.forecast)
    zones = emerging_zones(chain)
    chain.step("step.reading_recurrence")
    said = [*ranking_found(chain), *read_rings(chain.rings),
            *read_emerging(zones, known=len(cells) > 0, observed_days=chain.cleaned.window.days,
                           parameters=chain.parameters), *recurrence_found(chain)]
    clock = risk_clock(chain.incidents, register=chain.register, window=chain.cleaned.window,
                       parameters=chain.parameters)
    write_reading(chain, clock, stage, first=said)
    write_beliefs(chain, zones, clock, stage, said=said)
    chain.step("step.writing")
    named = _with_names(repeats, chain)
    for name, table in (("repeats", named), ("clusters", clusters), ("cells", cells),
                        ("forecast", forecast), ("near_repeats", chain.rings),
                        ("emerging", zones)):
        write_csv(table, stage / f"{name}.csv")
    write_parquet(named, stage / "repeats.parquet")
    write_layers({"repeats": named, "clusters": clusters, "cells": cells, "emerging": zones},
                 stage / "hotspots.gpkg")
    worst = named.head(int(chain.parameters["reporting.top_places"]))
    return {
        "project": chain.project.name,
        "n_incidents": int(repeats["n_incidents"].sum()),
        "n_rehits": int(repeats["n_rehits"].sum()),
        "n_places": len(repeats),
        "n_above_threshold": int(surely_over(
            repeats, chance=chain.parameters["reporting.sure_chance"]).sum()),
        "threshold_per_year": chain.parameters["hotspots.threshold_per_year"],
        "n_clusters": len(clusters),
        "n_hot_cells": int(cells["hot"].sum()),
        "worst": worst[["place_id", "n_incidents", "n_rehits", "rate_per_year", "rate_low",
                        "rate_high", "now_per_year", "now_low", "now_high", "chance_above",
                        "place_name", "map_link"]].round(3).to_dict("records"),
        "limits": list(chain.limits),
        "n_emerging": int((zones["p_value"] <= chain.parameters["hotspots.emerging_chance"]).sum()),
        "sentences": [*said, *chain.limits],
    }


def _write_counts(chain: Chain, stage: Path) -> dict[str, Any]:
    """Write what a log without report dates can tell: reports at each place, and where they are."""
    reports = chain.undated_reports()
    counted, clusters = chain.reports_per_place(reports), chain.undated_clusters(reports)
    write_csv(counted, stage / "counts.csv")
    write_csv(clusters, stage / "clusters.csv")
    write_layers({"counts": counted[counted.geometry.notna()], "clusters": clusters},
                 stage / "hotspots.gpkg")
    so_far = counted["n_reports"].cumsum()
    said = [message("ranking.counts_only", n=int(counted["n_reports"].sum()), places=len(counted),
                    half=int((so_far < so_far.max() / 2).sum()) + 1)]
    said.append(message("ranking.no_clusters_of_reports") if clusters.empty else message(
        "ranking.clusters_of_reports", n=len(clusters), name=clusters["name"].iloc[0],
        reports=clusters["n_reports"].iloc[0], places=clusters["n_places"].iloc[0]))
    return {"project": chain.project.name, "n_places": len(counted), "n_clusters": len(clusters),
            "n_reports": int(counted["n_reports"].sum()), "sentences": said}


def _with_names(places: gpd.GeoDataFrame, chain: Chain) -> gpd.GeoDataFrame:
    """Add what each place is called, and a link that opens its point on any map (RFC 5870)."""
    say = chain.say
    links = ["geo:" + point.replace(" ", "") if point else "" for point in map_points(places)]
    return places.assign(place_name=say.all(map(chain.named, places["place_id"])), map_link=links)


def ranking_found(chain: Chain) -> list[Message]:
    """Return what recurs and where, in short."""
    repeats, numbers = chain.repeats, chain.parameters
    if repeats.empty or not repeats["n_incidents"].sum():
        return [message("ranking.nothing")]
    kinds = ranked_places(repeats)["place_kind"].unique()
    noun = f"of.{kinds[0]}" if len(kinds) == 1 else "of.place"
    sure = int(surely_over(repeats, chance=numbers["reporting.sure_chance"]).sum())
    worst = repeats.iloc[0]
    found = [
        _rehits_found(repeats, chain),
        *_rehits_by_distance(chain),
        *surfaces_told(chain.incidents, repeats, window=chain.cleaned.window,
                       parameters=numbers),
        half_said(repeats),
        message("ranking.sure", n=sure, places=message(noun, n=sure),
                threshold=numbers["hotspots.threshold_per_year"]),
        message("ranking.worst", place=chain.named(worst["place_id"]), rate=worst["rate_per_year"],
                level=numbers["hotspots.interval_level"], low=worst["rate_low"],
                high=worst["rate_high"],
                now=worst["now_per_year"], now_low=worst["now_low"], now_high=worst["now_high"]),
        _drift_found(repeats),
    ]
    if len(chain.clusters) and chain.clusters["n_rehits"].sum():
        found.append(_clusters_found(chain.clusters))
    return [*found, read_cells(chain.cells, side_m=numbers["hotspots.cell_m"],
                               by_assets=chain.register is not None)]


def _drift_found(repeats: pd.DataFrame) -> Message:
    """Return how fast evidence fades when the year to come is spoken of."""
    lives = repeats["now_half_life_years"].dropna()
    return message("ranking.fading", years=float(lives.min())) if len(lives) else message(
        "ranking.steady")


def _clusters_found(clusters: pd.DataFrame) -> Message:
    top = clusters.sort_values("n_rehits", ascending=False).iloc[0]
    facts = {"n": len(clusters), "name": top["name"], "rehits": top["n_rehits"],
             "places": top["n_places"]}
    radius = clusters["radius_m"].max()
    return (message("ranking.clusters", **facts, metres=radius) if radius > 0 else
            message("ranking.street_clusters", **facts))


def _rehits_found(repeats: pd.DataFrame, chain: Chain) -> Message:
    """Return how many incidents were re-hits, and on what that rests."""
    walls = repeats[~repeats["place_kind"].isin(STRETCHES) | (repeats["n_rehits"] > 0)]
    facts = {"rehits": int(walls["n_rehits"].sum()), "known": int(walls["n_incidents"].sum())}
    if not facts["known"]:
        return message("ranking.streets_only")
    hit = walls[walls["n_incidents"] > 0]
    if (hit["exposure_basis"] == "whole_window").all():
        short, usual, long = plausible_waits(chain.incidents, parameters=chain.parameters)
        least, most = rehit_range(chain.incidents, window=chain.cleaned.window,
                                  parameters=chain.parameters)
        return message("ranking.assumed_rehits", **facts, days=usual, short=short, long=long,
                       least=least, most=most)
    return message("ranking.rehits", **facts)


def _rehits_by_distance(chain: Chain) -> list[Message]:
    """Return how the re-hits hang on how near two markings must lie to be at one place.

    Only where more places come from points than from a register, and in logs short enough to be
    cleaned twice more.
    """
    numbers, incidents = chain.parameters, chain.incidents
    from_points = (incidents["place_kind"] == "site").mean()
    if from_points <= 0.5 or len(incidents) > numbers["hotspots.distance_check_incidents"]:
        return []
    metres = [numbers[f"hotspots.one_place_{way}_m"] for way in ("short", "long")]
    near, far = (_rehits_within(chain, one_place_m=limit) for limit in metres)
    return [message("ranking.rehits_by_distance", near=near, short=metres[0], far=far,
                    long=metres[1], usual=numbers["assets.site_radius_m"])]


def _rehits_within(chain: Chain, *, one_place_m: float) -> int:
    """Count re-hits where reports are joined, and sites made, within another distance."""
    other = chain.with_parameters({"incidents.join_distance_m": one_place_m,
                                   "assets.site_radius_m": one_place_m})
    laid = timeline(known_places(other.incidents), window=other.cleaned.window,
                    parameters=other.parameters)
    return int(laid["rehit"].sum())


def recurrence_found(chain: Chain) -> list[Message]:
    """Return how soon cleared places are marked again, and whether waiting matters."""
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
    said = table.assign(**{c: chain.say.cells(table[c]) for c in ("reasons", "reading")})
    write_csv(said, stage / "evaluation.csv")
    for name, _, found in results:
        safe = "".join(c if c.isalnum() else "_" for c in name)
        write_csv(found.steps, stage / f"{safe}_before_and_after.csv")
        draw_steps(name, found, stage / f"{safe}_before_and_after.png", say=chain.say)
    return {
        "project": chain.project.name,
        "measures": said.to_dict("records"),
        "sentences": [each for name, _, found in results
                      for each in (message("evaluate.named", measure=name, verdict=found.verdict),
                                   *found.reasons, *found.reading)]
        + left_out_measures(chain, measures=measures),
    }


def draw_steps(name: str, found: Evaluation, path: Path, *, say: Say) -> None:
    """Draw how treated and comparison places ran before and after, to be looked at by eye."""
    figure = Figure(figsize=(9, 4.5), layout="constrained")
    axes = rate_steps(found.steps, ax=figure.add_subplot(), say=say)
    axes.set_title(say("evaluate.step_title", measure=name, verdict=found.verdict),
                   loc="left", fontsize=10, parse_math=False)
    figure.savefig(path, dpi=120)


def evaluations(chain: Chain, *,
                measures: str | None = None) -> Iterator[tuple[str, pd.Timestamp, Evaluation]]:
    """Go through the measures of the project, each with its start and evaluation.

    Raises
    ------
    SettingError
        If every measure began outside the log; those that did are left out otherwise.
    """
    path = Path(measures) if measures else chain.project.require("measures")
    table = read_measures(path, time_zone=chain.project.time_zone)
    incidents, window = chain.incidents, chain.cleaned.window
    outside = begun_outside(table, window)
    table = table.drop(outside.index)
    if table.empty:
        zone = chain.project.time_zone
        began, start, end = (f"{t.tz_convert(zone):%Y-%m-%d}" for t in (
            outside["started_at"].iloc[0], window.start, window.end))
        raise SettingError(str(path), "errors.measure_outside", name=outside["measure"].iloc[0],
                           began=began, start=start, end=end)
    for (name, day), rows in table.groupby(["measure", "started_at"], sort=True):
        started = pd.Timestamp(str(day))
        treated, compared = (rows.loc[rows["role"] == role, "asset_id"].tolist()
                             for role in ("treated", "comparison"))
        matched = [] if compared else match_comparison(
            incidents, treated_ids=treated, started_at=started, window=window,
            apart_from=table.loc[table["role"] == "treated", "asset_id"],
            parameters=chain.parameters)
        found = evaluate_measure(
            incidents, treated_ids=treated, comparison_ids=compared or matched,
            started_at=started, window=window, parameters=chain.parameters)
        if matched:
            said = (message("evaluate.matched", n=len(matched)), *found.reading)
            found = replace(found, reading=said)
        yield str(name), started, found


def begun_outside(measures: pd.DataFrame, window: Window) -> pd.DataFrame:
    """Return the rows of measures that the log cannot show the time before and after of."""
    began = measures["started_at"]
    return measures[(began <= window.start) | (began >= window.end)]


def left_out_measures(chain: Chain, *, measures: str | None = None) -> list[Message]:
    """Say which measures of the project began outside the log, so that nothing is told of them."""
    table = chain.measures if not measures else read_measures(
        Path(measures), time_zone=chain.project.time_zone)
    if table is None:
        return []
    zone, window = chain.project.time_zone, chain.cleaned.window
    outside = begun_outside(table, window).drop_duplicates(["measure", "started_at"])
    first, last = window.start.tz_convert(zone), window.end.tz_convert(zone)
    return [message("evaluation.outside", measure=str(row["measure"]), first=first, last=last,
                    began=row["started_at"].tz_convert(zone))
            for row in outside.to_dict("records")]


def evaluation_table(results: list[tuple[str, pd.Timestamp, Evaluation]]) -> pd.DataFrame:
    """Return one row per measure, as the report wants it.

    A ratio to no markings at all is none, so that no page tells of an endless effect.
    """
    return pd.DataFrame([{
        "measure": name, "started_at": started,
        **{f"n_{group}": int(found.counts.loc[found.counts["group"] == group, "n_places"].sum())
           for group in ("treated", "comparison")},
        "ratio": found.rate_ratio if np.isfinite(found.rate_ratio) else np.nan,
        "low": found.low, "high": found.high,
        # The widest of the deciding intervals gave the verdict, so the largest of their chances.
        "p_value": found.effects.loc[found.effects["decides"].astype("bool"), "p_value"].max(),
        "verdict": str(found.verdict), "reasons": as_lines(found.reasons),
        "reading": as_lines(found.reading),
    } for name, started, found in results])
